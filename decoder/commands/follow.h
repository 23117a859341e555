/*
 * Follows a job that grows: reads what was added to its traces through all stages, and fills in what the live view
 * shows (outputs/live_state.h). A new mark, or a new trace file, begins the run anew from the first frame, so that
 * there is one way in which a mark comes to its place (D 7.1).
 */
#ifndef TT_FOLLOW_H
#define TT_FOLLOW_H

#include "../evidence/job_inputs.h"
#include "../outputs/live_state.h"
#include "../stages/steady.h"
#include "recorder_tail.h"

/* What was read last of one reading. */
struct follow_value {
    bool read, has_value;
    tt_wide numerator;
    const char *state; /* text of the definitions */
    int64_t time;
};

/* The steady clock of one reading step. */
struct follow_clock {
    struct steady steady;
    bool used;         /* it is a reading step with its own clock */
    bool selected;     /* the last value met the step's select */
};

struct follow {
    const char *path;        /* of the job; borrowed */
    struct diagnostics heard; /* of the run: what is said while it begins becomes trouble, the rest is silent */
    struct job_inputs job;
    bool open;               /* job holds a run's inputs */
    struct pipeline *pipeline;
    struct pipeline_result result;
    bool running;
    struct live_verdict verdict;
    uint64_t frames;
    uint64_t known;          /* frames of the run before, or of this one: more of them are news */
    int64_t first_time, last_time;
    uint32_t module;         /* whose answers are waited for; DEF_NONE: any */
    bool asked, answered;
    struct follow_value *values; /* by reading; owned */
    struct follow_clock clocks[DEF_STEPS_MAX];
    uint32_t next_mark;      /* of marks.by_time, for the clocks */
    uint64_t trace_bytes, marks_bytes; /* as they were read last */
    uint32_t trace_files;
    int64_t again;           /* CLOCK_MONOTONIC when to begin anew for marks that no checkpoint covered yet; 0 */
    int64_t moved;           /* CLOCK_MONOTONIC when frames came last */
    struct recorder_tail recorder;
    char trouble[400];       /* why nothing can be followed now; "" while all is well */
    char buses[200];         /* "can0 and can1" */
};

/* path: a job folder, or one that is still to be made. Nothing is read yet. */
void follow_init(struct follow *follow, const char *path);
/* Reads what is new. True when anything that is shown may have changed. now: CLOCK_MONOTONIC, ns. */
bool follow_advance(struct follow *follow, int64_t now);
/* Fills in everything of the state but the person's part (keys, prompts). Borrows from follow until the next advance.
 */
void follow_tell(const struct follow *follow, int64_t now, struct live_state *state);
void follow_close(struct follow *follow);

#endif
