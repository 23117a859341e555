/*
 * Wires the stages of one run and alone sees them all (D 4.2): trace_reader -> frame -> transport -> exchange -> service
 * -> reading -> step. Up to exchange there is one of each for every bus; behind it they are shared, and what the buses
 * give comes in order of time (D 4.3). Whoever wants to see something of it fills in the listener's callbacks; NULL ones cost nothing.
 */
#ifndef TT_PIPELINE_H
#define TT_PIPELINE_H

#include <sys/types.h>

#include "stages/displayed.h"
#include "stages/recorder_log.h"
#include "stages/step.h"
#include "stages/trace_inputs.h"

#define PIPELINE_FILE_NAME 64u

struct pipeline_listener {
    void *context;
    void (*frame)(void *context, const struct frame *frame); /* data, remote and error frames (frame->error) */
    void (*other)(void *context, const struct frame *frame); /* its place: a packet of another protocol than CAN */
    void (*message)(void *context, const struct message *message);             /* complete and abandoned */
    void (*exchange)(void *context, const struct exchange_event *event, const struct service_content *content); /* CLOSED only */
    void (*reading)(void *context, const struct reading_event *event);          /* values, unknown, faults, remarks */
    void (*step)(void *context, const struct step_event *event);
    /* stage: "trace", "frame", "transport", "exchange"; reason: static text; frame may be NULL (trace faults) */
    void (*fault)(void *context, const char *stage, const char *reason, const struct frame *frame);
    /* what: "the clock went back", "frames were lost in the controller", "module reset" */
    void (*event)(void *context, const char *what, const struct frame *frame);
    /* What the recorder noted, once each; frame: the last one of its bus before it, number 0 when there is none. */
    void (*recorded)(void *context, const struct recorder_event *event, const struct frame *frame);
    /* A mark of what the scan tool displayed, and what the bus said to it. */
    void (*displayed)(void *context, const struct displayed *displayed);
};

struct pipeline_options {
    const char *trace;                     /* path, or "-"; used when trace_count is 0 */
    const char *const *traces;             /* several: each file, or each interface of a pcapng, is a bus of its own */
    uint32_t trace_count;
    const struct trace_inputs *inputs;     /* or, already open: used instead of trace and traces; borrowed */
    enum frame_id_order id_order;          /* --id-order (D 5.4) */
    const struct definitions *definitions; /* may be NULL */
    const struct transport_pair *pairs;    /* --pair; used instead of the definitions' pairs when pair_count > 0; with
                                            * neither, ISO 15765-4's 11-bit ids 0x7E0..7/0x7E8..F and 0x7DF */
    uint32_t pair_count;
    struct marks *marks;                   /* may be NULL */
    struct recorder_log *recorder;         /* may be NULL; the traces are those of its buses; it is rewound */
    uint32_t part;
    uint32_t bus;                          /* what is judged: this bus, from 1; 0: all of them */
    uint32_t longest;                      /* 0: default */
    bool hashing, judging;
    bool following;                        /* the traces still grow: for pipeline_begin */
    bool without_plain;                    /* leaves the fast path out (stages/plain.h): to compare the two */
    bool progress;                         /* a progress line on stderr while it takes over a second (terminals only) */
    const struct pipeline_listener *listener;
    struct diagnostics *diagnostics;
};

/* One trace file of the run: a classic file, or one interface of a pcapng (D 4.3, 5.3). */
struct pipeline_source {
    const char *name;              /* for messages: its path, "standard input" */
    char file[PIPELINE_FILE_NAME]; /* its name in the job folder: "trace-can0.pcap", "trace-1.pcap" */
    uint32_t bus;                  /* index */
    uint32_t trace;                /* index into traces */
    bool split;                    /* one interface of a pcapng... */
    uint32_t interface;            /* ...this one, by first appearance, from 0 */
    const char *interface_name;    /* ...as the file names it, "" when it does not */
    const char *original;          /* SHA-256 of that pcapng */
    enum trace_status status;      /* how it ended */
    uint64_t frames, bytes, last_record; /* of this file alone */
    int64_t first_time, last_time; /* 0 without frames */
    char sha256[DIGEST_TEXT];      /* of the classic file; "" when not hashing */
};

struct pipeline_result {
    /* One for each file, by bus index and then in the order of its files; frame.file indexes it. Without continued
     * files that is one for each bus. Valid until pipeline_free. */
    const struct pipeline_source *sources;
    uint32_t source_count;
    /* The same over all sources: the first status that is not TRACE_END; sums; sha256 and last_record of the first. */
    enum trace_status status;      /* how the trace ended */
    uint64_t frames;
    uint64_t bytes;                /* up to the last whole record */
    uint64_t last_record;          /* its number */
    int64_t first_time, last_time; /* of the frames; 0 without frames. first_time holds from the first callback on */
    char sha256[DIGEST_TEXT];      /* "" when not hashing */
    /* Judging, and options.bus is 0: a described module was heard on two buses, as two vehicles' traces together or a
     * gateway's copies would show it. What one of them did proves nothing of the other: the verdict is not to be used. */
    bool mixed;
    uint32_t mixed_module, mixed_bus[2];
    const struct displayed_list *displayed; /* when judging with marks; else NULL; valid until pipeline_free */
    const struct verdict *verdict; /* when judging; valid until pipeline_free */
    bool interrupted;              /* Ctrl-C (support/interrupt.h) or pipeline_stop: what was read so far was still finished */
    uint64_t fault_count;          /* of the fault callbacks */
};

struct pipeline;
/*
 * Runs the whole trace. Returns 0, or an exit code of D 9.1 (told in diagnostics). *pipeline is set in every case, and
 * before the first callback; it is NULL only when there was no memory for it.
 */
TT_MUST_USE int pipeline_run(const struct pipeline_options *options, struct pipeline **pipeline, struct pipeline_result *result);
/*
 * The same in parts, for a record that is still being made (options.following). pipeline_begin as pipeline_run, up to
 * the first record. pipeline_advance pushes every whole record there is now through the stages. pipeline_finish reads
 * what came meanwhile, and ends the run as pipeline_run does; after it only names and pipeline_free are left. With
 * several buses a frame may be judged behind a later one of another bus that was on disk earlier: what is seen on the
 * way is provisional, and the finished record is judged by a run of its own.
 */
TT_MUST_USE int pipeline_begin(const struct pipeline_options *options, struct pipeline **pipeline,
                               struct pipeline_result *result);
TT_MUST_USE int pipeline_advance(struct pipeline *pipeline);
TT_MUST_USE int pipeline_finish(struct pipeline *pipeline);
/*
 * The verdict so far, as if the record ended here, without disturbing the run: a forked copy of the process finishes it
 * (listener and diagnostics silent), calls tell with its result, and ends; what tell writes to fd is handed over in
 * room. tell must not use stdio. Returns the bytes written, or -1 (errno; EOVERFLOW when room is too small).
 */
TT_MUST_USE ssize_t pipeline_snapshot(struct pipeline *pipeline,
                                      void (*tell)(void *context, const struct pipeline_result *result, int fd),
                                      void *context, void *room, size_t size);
/* Name of a module number of this run: the definition's, or "0x5e3:0x6c5", "0x6f1/0x12:0x612/0xf1" for a bare pair. */
const char *pipeline_module_name(const struct pipeline *pipeline, uint32_t module);
/* The name of a bus index of this run: the recorder's ("can0"), or "1", "2", ... (D 5.7). NULL: the number. */
const char *pipeline_bus_name(const struct pipeline *pipeline, uint32_t bus);
/* The name of a trace file of this run in its job folder (frame.file): "trace-can0.pcap". NULL: by its number. */
const char *pipeline_file_name(const struct pipeline *pipeline, uint32_t file, char room[PIPELINE_FILE_NAME]);
/* From any callback: nothing more is wanted (its output failed). The run ends soon, as after Ctrl-C. */
void pipeline_stop(struct pipeline *pipeline);
void pipeline_free(struct pipeline *pipeline);

#endif
