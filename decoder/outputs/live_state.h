/*
 * What the live view shows (D 9.6), as plain data: what the record says so far, what is read just now, and what is
 * asked of the person. Filled by commands/watch, turned into lines by live_view.h. Texts are borrowed and as they came
 * from the bus, the definitions and marks: whoever shows them escapes them.
 */
#ifndef TT_LIVE_STATE_H
#define TT_LIVE_STATE_H

#include "../stages/verdict.h"

/* One step of the verdict so far. */
struct live_step {
    enum step_answer answer;
    char reason[VERDICT_REASON_MAX];
    uint32_t moments; /* tries by a moment that was not withdrawn */
    int64_t since_moment; /* ns from the last of them to the last frame */
    uint64_t gaps;    /* losses inside its evidence */
};
struct live_condition {
    enum vouched vouched;
    char reason[VERDICT_REASON_MAX];
};

/* The verdict so far, of the attempt that counts now. Without pointers, so that it can pass a pipe. */
struct live_verdict {
    bool there;           /* there is one */
    bool mixed;           /* the module was heard on two buses: nothing of this is to be used */
    uint64_t part_count;  /* of the record; the last one is shown */
    uint64_t attempt;     /* its number within the part */
    bool opened;
    uint64_t refused;     /* refused starts before and in it */
    uint8_t nrc;          /* of the last of them; 0 */
    int exit_code;
    uint32_t step_count, condition_count;
    struct live_step steps[DEF_STEPS_MAX];
    struct live_condition conditions[DEF_CONDITIONS_MAX];
};
/* Takes what is shown from a whole verdict. */
void live_verdict_take(struct live_verdict *live, const struct verdict *verdict, bool mixed);
/* A step whose moment has not come yet in this attempt: what the verdict says of it so far means little. */
bool live_waits_moment(const struct live_verdict *live, const struct definitions *definitions, uint32_t index);
/* Index of the step that is worked on: the first that is neither confirmed nor only recorded; step_count when all are.
 */
uint32_t live_current(const struct live_verdict *live);
/* Of the reading step whose reading is shown: the current one or the next behind it; DEF_NONE when none is open. */
uint32_t live_shown_step(const struct live_verdict *live, const struct definitions *definitions);

/* The reading under the ruler. */
struct live_reading {
    const struct def_step *step;       /* whose limits are drawn; NULL: no reading step */
    const struct def_reading *reading;
    bool read;              /* it came at least once */
    bool has_value;
    tt_wide numerator;      /* over the reading's denominator */
    const char *state;      /* named state; NULL */
    int64_t age;            /* ns since it was last read */
    bool waits_mark;        /* its moment has not come yet in this attempt */
    bool waits_select;      /* the value does not meet the step's select, or is not the wanted state */
    int64_t steady;         /* ns since the stretch of readings that fits began */
    bool counts;            /* it stood long enough */
};

enum live_recorder { LIVE_STARTING, LIVE_RECORDING, LIVE_STOPPING, LIVE_ENDED, LIVE_NOBODY };

#define LIVE_KEYS_MAX 24
struct live_key {
    char key;
    const char *what;   /* what it does, in words */
    const char *moment; /* or the moment that it notes; NULL */
    bool with_weight;   /* ...of which a weight on the seat is part */
};

struct live_state {
    const char *job;          /* last component of its path */
    const char *path;         /* as it is to be typed */
    enum live_recorder recorder;
    int64_t span;             /* ns from the first frame to the last */
    uint64_t frames;
    const char *buses;        /* "can0", "can0 and can1" */
    const struct definitions *definitions; /* NULL: the job has none */
    const struct live_verdict *verdict;
    int64_t quiet;            /* ns since the last frame came; 0 when nobody records */
    bool asked, answered;     /* the module was asked; it answered */
    const char *warning;      /* what the recorder noted; "" */
    struct live_reading shown;
    /* the person */
    const struct live_key *keys;
    uint32_t key_count;
    uint32_t condition;       /* asked just now; DEF_NONE: none */
    const char *prompt;       /* a text is typed: what it is; NULL */
    const char *typed;
    const char *question;     /* to be answered by y or n; NULL */
    const char *said;         /* what came of the last key; "" */
};

#endif
