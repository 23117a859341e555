/*
 * A look: the steps of a procedure from one place in the record on (D 7.5). One attempt has up to two of them, from its
 * opening request and from the opening step's evidence; a part has one more for the steps before the opening one. Notes
 * go in as they come; look_results reads the answers off at the end. Inside the step stage only.
 *
 * Five files: step_look.c (as a whole), step_bounds.c (what comes after what, 7.5), step_chain.c (reading steps and their share of a reading, 7.5 to 7.8), step_answers.c (actions, answered,
 * codes, 7.9 and 7.10), step_results.c (state to sentences).
 */
#ifndef TT_STEP_LOOK_H
#define TT_STEP_LOOK_H

#include "steady.h"
#include "step_note.h"

/* The bytes of one answer, shared by all who keep it. */
struct shared_bytes {
    uint32_t users;
    uint8_t bytes[];
};

/* An answer kept as evidence. */
struct kept_answer {
    bool has;
    struct shared_bytes *shared; /* NULL without bytes */
    uint32_t length;
    uint32_t bus;
    uint64_t first_frame, last_frame;
    int64_t time;
};
/* Copies the bytes; without memory the frames are kept and the bytes are not. */
void kept_answer_set(struct kept_answer *kept, const struct note *note, const uint8_t *bytes, uint32_t length);
/* Replaces *to; the bytes are shared. */
void kept_answer_copy(struct kept_answer *to, const struct kept_answer *from);
/* The evidence of a result is this answer, its bytes copied; nothing when there is none. */
void kept_answer_evidence(struct step_result *result, const struct kept_answer *kept);
void kept_answer_free(struct kept_answer *kept);

/* The first and last VERDICT_KEPT of a list of equal-sized entries, and how many there were. */
struct kept_list {
    uint8_t *entries; /* owned; 2 * VERDICT_KEPT at the most */
    uint32_t size, kept, room, oldest; /* oldest: place of the oldest of the last ones once the list is full */
    uint64_t count;
};
void kept_list_init(struct kept_list *list, uint32_t entry_size);
void kept_list_add(struct kept_list *list, const void *entry);
/* Entry number index of the kept ones, in order. */
const void *kept_list_at(const struct kept_list *list, uint32_t index);
/* A copy of all kept entries in order (malloc), NULL when none. */
TT_MUST_USE void *kept_list_array(const struct kept_list *list);
void kept_list_copy(struct kept_list *to, const struct kept_list *from);
void kept_list_free(struct kept_list *list);

/* Gaps of the attempt, the last ones: what lay inside a stretch is read off when the stretch is kept. */
#define GAP_RING 1024u
struct gap_ring {
    struct gap list[GAP_RING];
    uint64_t count; /* of all so far; entry i % GAP_RING */
};
void gap_ring_add(struct gap_ring *ring, const struct gap *gap);
/* Those that touch frames first to last of this bus, of the kinds whose bit (1u << kind) is set. */
void gap_ring_read(const struct gap_ring *ring, uint32_t bus, uint64_t first, uint64_t last, unsigned kinds,
                   struct gaps *out);
/* Adds gap to out when it touches frames first to last of this bus. */
void gaps_add(struct gaps *out, const struct gap *gap, uint32_t bus, uint64_t first, uint64_t last);

/*
 * Something that requests did which may still turn out refused (a clear, codes switched off): in force while it is
 * certain or while any of these requests is undecided.
 */
#define DOUBTS_MAX 6
struct doubts {
    bool certain;
    uint32_t count;
    uint64_t serials[DOUBTS_MAX];
};
static inline bool doubts_hold(const struct doubts *doubts)
{
    return doubts->certain || doubts->count > 0;
}
void doubts_ask(struct doubts *doubts, uint64_t serial);     /* a request was seen */
void doubts_refused(struct doubts *doubts, uint64_t serial); /* it was refused: it did nothing */
void doubts_settled(struct doubts *doubts, uint64_t serial); /* it was not refused; only if it still counts */

enum link_state { LINK_IDLE, LINK_TENTATIVE, LINK_FIRM, LINK_CLOSED };

/* The stretches of one step without a mark. */
struct tally {
    uint64_t inside, outside, close; /* judged ones by standing */
    uint64_t other;                  /* counting ones that did not meet select */
    struct kept_list list;           /* of struct stretch: judged ones in order */
    struct stretch last_other;
    struct gaps first_gaps;          /* inside the first judged one */
};

#define TRIES_OPEN_MAX 64u /* presses for one step that are followed at the same time */
#define TRIES_MAX (2u * VERDICT_KEPT) /* in one attempt; who presses more often gets no answer from any of them */
enum try_state { TRY_SEEKING, TRY_JUDGING, TRY_DONE };
struct look_try {
    const struct mark *mark;
    uint64_t sequence;       /* notes before it */
    int64_t deadline;        /* elapsed: a judged stretch begins by then */
    enum try_state state;
    bool read;               /* the field was read within its wait */
    bool judged;             /* stretch holds the judged one */
    bool clock_back;         /* the clock went back before a stretch counted: the time since the moment is unknown */
    bool short_of;           /* read more often than could be followed (steady.h) */
    bool crowded;            /* more than TRIES_OPEN_MAX at once: not followed, and so not confirmed */
    struct steady steady;
    struct stretch stretch;
    struct gaps gaps;
};

enum outcome_state { OUTCOME_NONE, OUTCOME_CONFIRMED, OUTCOME_WAITING, OUTCOME_OTHER, OUTCOME_UNNAMED };
struct look_action {
    uint64_t positive_starts, refused_starts, silent_starts;
    uint64_t refused_questions;
    enum outcome_state last;
    const char *last_name;
    struct kept_answer run_first;   /* first of the unbroken run of confirmed answers that is going on */
    struct kept_answer last_answer; /* the one that decides */
    struct kept_answer first_start; /* first positive answer to a start */
};

struct look_answered {
    uint64_t positive, refused, silent;
    uint8_t last_nrc;
    struct kept_answer first;
};

struct look_codes {
    bool covered, contradicted;    /* a covering answer; a listing after it (or without one) */
    bool lists, unreported, unasked, untested, setting_off, shared; /* facts of the covering answer */
    uint8_t mask;                  /* asked for by the covering answer */
    struct doubts cleared;         /* clears that came after what decides */
    uint64_t off_serial, on_serial; /* the setting requests it relied upon, in case they are refused later */
    uint64_t narrow;               /* answers that did not cover */
    uint8_t narrow_mask;
    struct kept_answer answer;     /* covering */
    struct kept_answer listing;    /* contradicting */
    bool torn;                     /* after what decides, codes were told in an answer that cannot be read: here */
    uint64_t torn_first, torn_last;
};

/*
 * An `answered` or `codes` step counts only what comes after each step listed before it first had its evidence (D 7.5).
 * Evidence can turn out to be none (a stretch takes a sample that select does not want, a run of confirmed answers
 * breaks), so such a step is followed once for every bound that may still turn out to be the right one; which one it
 * was is known at the end (look_choose).
 */
struct bound_state {
    uint64_t bound;                /* sequence of the note that set the bound; 0: the look's start */
    uint64_t frame;                /* where the bound stands */
    uint64_t serial;               /* the exchange the bound lies in, 0 for none: it does not come after itself */
    uint64_t evident;              /* sequence at which this step first had evidence under this bound; 0: not yet */
    struct look_answered answered;
    struct look_codes codes;
};

#define LOOK_NONE UINT32_MAX
struct look_step {
    const struct def_step *def;
    bool head;                     /* first step of its reading in this look */
    uint32_t next;                 /* next step on the same reading in this look */
    uint32_t index;                /* of the step in the procedure */
    /* reading */
    enum link_state link;
    bool next_tentative;
    struct steady steady;
    struct tally tally;
    uint64_t last_meeting;         /* sequence of the last sample that met select; 0: none */
    tt_wide last_value;            /* last sample */
    bool has_value;
    struct look_try *tries;
    uint32_t try_count, try_room, try_active; /* tries before try_active are done */

    uint64_t tries_over;           /* moments beyond TRIES_MAX */
    uint32_t bus;                  /* of the last of reads */
    uint64_t reads, samples, long_intervals;
    int64_t first_elapsed, last_elapsed;
    /* sequence at which the step first had its evidence, 0: none (now). marked: by a moment's stretch, which alone counts
     * once a moment is on record */
    uint64_t evident, evident_marked;
    uint64_t evident_maybe;        /* when a stretch first counted that may still be the next step's */
    /* answers */
    struct look_action action;
    struct bound_state *states;    /* answered and codes: one per possible bound; owned */
    uint32_t state_count, state_room;
};

/* What looks of one attempt share. Owned by step_part.c. */
struct look_context {
    const struct definitions *definitions;
    const struct marks *marks;     /* NULL without */
    uint32_t part;
    uint64_t attempt;
    uint64_t *sequence;            /* notes judged so far */
    const uint64_t *frame;         /* of the note at work */
    const struct gap_ring *gaps;
    struct steady_budget *windows;
    void (*emit)(void *context, const struct step_event *event);
    void *emit_context;
};

/* ControlDTCSetting as it stands for one module (D 7.10). */
struct setting {
    struct doubts off;
    bool lifted;          /* a suppressed request switched it on again, ... */
    uint64_t on_serial;   /* ... this one; it may still be refused */
};
static inline bool setting_is_off(const struct setting *setting)
{
    return !setting->lifted && doubts_hold(&setting->off);
}

struct look {
    const struct look_context *context;
    uint32_t first, count;         /* steps first .. first + count - 1 of the procedure */
    struct look_step *steps;
    uint64_t evident_before;       /* of an identity listed before this look's steps */
    bool speaks;                   /* tells its stretches to the log */
    bool failed;                   /* memory ran out */
};

/* Steps [first, first + count). False without memory. */
TT_MUST_USE bool look_open(struct look *look, const struct look_context *context, uint32_t first, uint32_t count, bool speaks);
/* A deep copy (speaks false), for reading results off without ending anything. */
TT_MUST_USE bool look_copy(struct look *to, const struct look *from);
void look_close(struct look *look);

/* step_chain.c */
void look_sample(struct look *look, uint32_t reading, const struct sample *sample, enum value_state state);
/* Of this module (DEF_NONE: of any), and in stretches of this bus (GAP_EVERY_BUS: of any). */
void look_break(struct look *look, uint32_t module, uint32_t bus);
/* The clock went back (D 8.5): after look_break, for moments that still look for their stretch. */
void look_clock_back(struct look *look);
void look_mark(struct look *look, const struct mark *mark, int64_t elapsed);
/* Takes over the moments that from has on record (7.5: from the opening step's evidence if that is later than the mark). */
void look_take_moments(struct look *look, const struct look *from);
/* Ends every open stretch, as at the end of an attempt. */
void look_end(struct look *look);
bool step_meets_select(const struct def_step *step, tt_wide value);
struct steady_rule step_rule(const struct def_step *step);
enum standing step_standing(const struct def_step *step, const struct stretch *stretch);

/* step_answers.c; look_evident and its companions: step_bounds.c */
void look_action_closed(struct look *look, const struct note *note, const uint8_t *answer);
/* The reading `reading` (named state name, NULL when unnamed) in the positive answer that note and answer describe: counts for every action
 * step whose outcome it is. asked false: nobody asked for it; then it confirms nothing, but another state still decides. */
void look_outcome(struct look *look, uint32_t reading, const char *name, const struct note *note, const uint8_t *answer,
                  uint32_t length, bool asked);
void look_service(struct look *look, const struct note *note, const uint8_t *answer);
void look_codes(struct look *look, const struct note *note, const uint8_t *answer, const struct setting *settings);
void look_clear(struct look *look, const struct note *note);
/* A setting request turned out refused: answers that relied on it are put right. */
void look_setting_refused(struct look *look, uint64_t serial, bool on);
/* Step `index` of the look (LOOK_NONE: an identity listed before all of them) has its evidence with this note, in exchange serial (0: in none). */
void look_evident(struct look *look, uint32_t index, uint64_t serial);
/* Makes the first bound of every answered and codes step; bound lies in exchange serial. False without memory. */
TT_MUST_USE bool look_bounds_open(struct look *look, uint64_t serial);
/* The state of answered or codes step `index` under the bound that holds now. */
const struct bound_state *look_choose(const struct look *look, uint32_t index);

/* step_results.c: what the look's step number index says. Call look_end before. */
void look_result(const struct look *look, uint32_t index, struct step_result *result);
/* Frees what a result owns. */
void step_result_free(struct step_result *result);

#endif
