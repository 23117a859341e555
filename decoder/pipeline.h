/*
 * Wires the stages of one run and alone sees them all (D 4.2): trace_reader -> frame -> transport -> exchange -> service
 * -> reading -> step. Whoever wants to see something of it fills in the listener's callbacks; NULL ones cost nothing.
 */
#ifndef TT_PIPELINE_H
#define TT_PIPELINE_H

#include "stages/step.h"

struct pipeline_listener {
    void *context;
    void (*frame)(void *context, const struct frame *frame);
    void (*message)(void *context, const struct message *message);             /* complete and abandoned */
    void (*exchange)(void *context, const struct exchange_event *event, const struct service_content *content); /* CLOSED only */
    void (*reading)(void *context, const struct reading_event *event);          /* values, unknown, faults, remarks */
    void (*step)(void *context, const struct step_event *event);
    /* stage: "trace", "frame", "transport", "reading"; reason: static text; frame may be NULL (trace faults) */
    void (*fault)(void *context, const char *stage, const char *reason, const struct frame *frame);
    /* what: "the clock went back", "frames were lost in the controller", "module reset" */
    void (*event)(void *context, const char *what, const struct frame *frame);
};

struct pipeline_options {
    const char *trace;                     /* path, or "-" */
    const struct definitions *definitions; /* may be NULL */
    const struct transport_pair *pairs;    /* --pair; used instead of the definitions' pairs when pair_count > 0; with neither, ISO 15765-4's 11-bit pairs 0x7E0..7/0x7E8..F and 0x7DF */
    uint32_t pair_count;
    struct marks *marks;                   /* may be NULL */
    uint32_t part;
    uint32_t longest;                      /* 0: default */
    bool hashing, judging;
    bool progress;                         /* a progress line on stderr while it takes over a second (terminals only) */
    const struct pipeline_listener *listener;
    struct diagnostics *diagnostics;
};

struct pipeline_result {
    enum trace_status status;      /* how the trace ended */
    uint64_t frames;
    uint64_t bytes;                /* up to the last whole record */
    uint64_t last_record;          /* its number */
    int64_t first_time, last_time; /* of the frames; 0 without frames. first_time holds from the first callback on */
    char sha256[DIGEST_TEXT];      /* "" when not hashing */
    const struct verdict *verdict; /* when judging; valid until pipeline_free */
    bool interrupted;              /* Ctrl-C: what was read so far was still finished cleanly */
    uint64_t fault_count;          /* of the fault callbacks */
};

struct pipeline;
/*
 * Runs the whole trace. Returns 0, or an exit code of D 9.1 (told in diagnostics). *pipeline is set in every case, and
 * before the first callback; it is NULL only when there was no memory for it.
 */
TT_MUST_USE int pipeline_run(const struct pipeline_options *options, struct pipeline **pipeline, struct pipeline_result *result);
/* Name of a module number of this run: the definition's, or "0x5e3:0x6c5" for a bare pair. */
const char *pipeline_module_name(const struct pipeline *pipeline, uint32_t module);
/* From any callback: nothing more is wanted (its output failed). The run ends soon, as after Ctrl-C. */
void pipeline_stop(struct pipeline *pipeline);
void pipeline_free(struct pipeline *pipeline);

#endif
