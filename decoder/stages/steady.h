/*
 * Steady stretches (D 7.6), and nothing else: samples of one reading in, stretches out. Pure state over integers; the
 * caller decides which samples belong to a step and what a stretch means.
 *
 * While a stretch is forming, its samples stay in a window from which the oldest are dropped until a new one fits; two
 * queues of falling and rising values give the window's largest and smallest in constant time. Once it counts, only its
 * extremes are kept, so memory depends on `for`, never on how long a stretch lasts. The window holds at most
 * STEADY_WINDOW_MAX samples, all windows together STEADY_TOGETHER_MAX bytes; beyond that the oldest sample is dropped, which
 * can only make a stretch count later.
 */
#ifndef TT_STEADY_H
#define TT_STEADY_H

#include "verdict.h"

#define STEADY_WINDOW_MAX 32768u
#define STEADY_SAMPLES_MIN 3u

struct sample {
    tt_wide numerator;
    const char *state;    /* named state, NULL when the number has none */
    int64_t time;         /* of the message's last frame, ns since 1970 */
    int64_t elapsed;      /* the same on the clock that never goes back */
    uint32_t bus;         /* of the frames */
    uint64_t first_frame, last_frame;
};

struct steady_rule {
    bool states;          /* `is`: a stretch is a run of one named state */
    bool each;            /* no `steady`: each sample is a stretch */
    tt_wide within;       /* full width, numerator */
    int64_t span;         /* `for`, ns */
    int64_t gap;          /* ns */
};

/* What the windows of many stretches may take together. A window that may not grow drops its oldest sample. */
#define STEADY_TOGETHER_MAX (12u << 20)
struct steady_budget {
    size_t used; /* bytes */
};

struct steady {
    struct steady_rule rule;
    struct steady_budget *budget; /* borrowed; NULL: none. Set it after steady_init */
    bool counting;         /* the open stretch counts; `open` describes it */
    struct stretch open;   /* valid while counting; standing is left to the caller */
    int64_t open_elapsed;  /* elapsed of its first sample */
    int64_t last_elapsed;
    bool has_last;
    /* the window while forming: a ring, and two rings of positions */
    struct sample *ring;
    uint32_t *rising, *falling;
    uint32_t room, head, count;
    uint32_t rising_head, rising_count, falling_head, falling_count;
    bool short_of;         /* a sample had to be dropped that fitted: see above */
    bool out_of_memory;    /* the window could not grow; samples were dropped */
};

enum steady_said {         /* bits */
    STEADY_ENDED = 1,      /* a counting stretch ended before this sample: *ended holds it */
    STEADY_COUNTED = 2,    /* the open stretch has just begun to count; the window still holds its samples */
    STEADY_JOINED = 4,     /* the sample joined a stretch that counted already */
};

void steady_init(struct steady *steady, const struct steady_rule *rule);
/* Takes one sample. Returns what it did. */
unsigned steady_push(struct steady *steady, const struct sample *sample, struct stretch *ended);
/* Something that ends a stretch (absent value, clock step, loss, reset, end of the part). True when a counting one ended. */
bool steady_break(struct steady *steady, struct stretch *ended);
/* Sample number index (0 the oldest) of the window: right after STEADY_COUNTED all samples of the stretch. */
uint32_t steady_window(const struct steady *steady);
const struct sample *steady_window_at(const struct steady *steady, uint32_t index);
/* A copy with a window of its own. False without memory (copy is then empty but valid). */
TT_MUST_USE bool steady_copy(struct steady *to, const struct steady *from);
void steady_free(struct steady *steady);

#endif
