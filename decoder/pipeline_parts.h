/* What the files pipeline*.c share; nobody else includes it. */
#ifndef TT_PIPELINE_PARTS_H
#define TT_PIPELINE_PARTS_H

#include "pipeline.h"
#include "support/progress.h"

#define PAIR_NAME_MAX 40 /* "0x18da10f1/0x12:0x18daf110/0x12" */

/* What there is once for every bus. */
struct bus {
    struct pipeline *pipeline;
    struct pipeline_source *facts;
    struct frame_stage frame;
    struct transport transport;
    bool transport_open;
    struct exchange_stage *exchange;
    uint64_t others;             /* packets of other protocols */
};

struct pipeline {
    struct pipeline_options options;
    struct pipeline_listener listener;
    struct pipeline_result *result;
    struct trace_inputs own_inputs;
    const struct trace_inputs *inputs; /* own_inputs, or the caller's */
    struct trace_merge merge;
    struct bus *buses;           /* owned; one for each input */
    struct pipeline_source *facts; /* owned; the same number */
    uint32_t bus_count, last_bus;
    uint32_t epochs;             /* shared by the frame stages of several buses */
    uint64_t serial;             /* shared by their exchange stages */
    struct reading_stage reading;
    struct step_stage *step;
    bool wants_exchanges, wants_readings, wants_broadcasts, marking, stopped;
    bool started;                /* a frame came */
    const struct frame *current; /* the frame being pushed, NULL outside */
    struct frame last;           /* copy of the newest frame, set when all are read */
    struct mark_walk walk;
    uint32_t module_count;       /* definitions' modules, then bare pairs */
    uint32_t described;          /* definitions' modules */
    struct transport_pair *pairs; /* owned; of every bus, module numbers set */
    uint32_t pair_count;
    char (*pair_names)[PAIR_NAME_MAX]; /* of bare pairs; owned */
    uint32_t *heard_on;          /* by described module: the bus it was heard on, DEF_NONE before; owned */
    struct progress progress;
    bool several_started;        /* the merge of several buses stands on their first records */
    struct pipeline_result copied; /* of pipeline_finish_copy */
};

/* Callbacks of the stages; context is the struct bus for frames and transport, else the pipeline. */
void pipeline_on_frame(void *context, const struct frame_event *arrived);
void pipeline_on_transport(void *context, const struct transport_event *transport);
void pipeline_on_exchange(void *context, const struct exchange_event *exchange);
void pipeline_on_reading(void *context, const struct reading_event *reading);
void pipeline_on_step(void *context, const struct step_event *step);
void pipeline_on_mark(void *context, const struct mark *mark);
/* Counts a fault and tells the listener. */
void pipeline_fault(struct pipeline *pipeline, const char *stage, const char *reason, const struct frame *frame);

/* Finishes the run in a forked copy of the process, into pipeline->copied, reading nothing more. 0 or an exit code. */
TT_MUST_USE int pipeline_finish_copy(struct pipeline *pipeline);

/* Which pairs the run has, and the numbers and names of their modules. False without memory. */
TT_MUST_USE bool pipeline_collect_pairs(struct pipeline *pipeline);
/* What was heard of this module on this bus is for the judge. Notes it when the module was heard on another bus before. */
bool pipeline_judges(struct pipeline *pipeline, uint32_t bus, uint32_t module);
/* Adds them to a bus. 0, or EXIT_USAGE, told. */
TT_MUST_USE int pipeline_add_pairs(struct pipeline *pipeline, struct bus *bus);

#endif
