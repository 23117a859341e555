/* What the files pipeline*.c share; nobody else includes it. */
#ifndef TT_PIPELINE_PARTS_H
#define TT_PIPELINE_PARTS_H

#include "pipeline.h"
#include "stages/pair.h"
#include "stages/plain.h"
#include "support/progress.h"

/* What the recorder noted of one bus, as it is told beside its frames. */
struct bus_log {
    uint32_t index;              /* in the recorder's log; RECORDER_ALL: it knows nothing of this bus */
    struct recorder_event next;
    bool has_next;
    uint64_t lost_until, stepped_until; /* before this frame something was lost, the clock was set; 0: not open */
    struct recorder_check check; /* the next one to be compared */
    bool has_check;
};

/* What there is once for every bus. */
struct bus {
    struct pipeline *pipeline;
    struct pipeline_source *facts; /* of the file at work */
    uint32_t index, first_file, file; /* files are indices of inputs and facts */
    uint64_t first_number;       /* of the first frame of that file */
    enum frame_id_order order;
    uint64_t noted_at;           /* before this frame the recorder has something to say; UINT64_MAX: nothing */
    struct bus_log log;
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
    struct bus *buses;           /* owned */
    struct pipeline_source *facts; /* owned; one for each input */
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
    struct displayed_list displayed;
    uint32_t module_count;       /* definitions' modules, then bare pairs */
    uint32_t described;          /* definitions' modules */
    struct transport_pair *pairs; /* owned; of every bus, module numbers set */
    uint32_t pair_count;
    char (*pair_names)[PAIR_TEXT_MAX]; /* of bare pairs; owned */
    uint32_t *heard_on;          /* by described module: the bus it was heard on, DEF_NONE before; owned */
    struct plain_filter filter;  /* of every bus */
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
void pipeline_event(struct pipeline *pipeline, const char *what, const struct frame *frame);

/* pipeline_recorder.c: what the recorder noted, at its frames. After the stages are open, before the first frame. */
void pipeline_noted_begin(struct pipeline *pipeline);
/* Before the next frame of this bus is pushed, when its number has reached noted_at. */
void pipeline_noted_before(struct bus *bus);
/* After the last frame, when the file's sum is taken. */
void pipeline_noted_end(struct bus *bus);
/* 0, or EXIT_WRITE_FAILED when something noted was lost on the way, which is told: then there is no verdict. */
int pipeline_noted_whole(const struct pipeline *pipeline);

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
