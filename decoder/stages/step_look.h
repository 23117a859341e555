/*
 * A look: the steps of a procedure from one place in the record on (D 7.5). One attempt has up to two of them, from its
 * opening request and from the opening step's evidence; a part has one more for the steps before the opening one. Notes
 * go in as they come; look_results reads the answers off at the end. Inside the step stage only.
 *
 * Three files: step_chain.c (reading steps and their share of a reading, 7.5 to 7.8), step_answers.c (actions, answered,
 * codes, 7.9 and 7.10), step_results.c (state to sentences).
 */
#ifndef TT_STEP_LOOK_H
#define TT_STEP_LOOK_H

#include "steady.h"
#include "step_note.h"

/* An answer kept as evidence. bytes are owned. */
struct kept_answer {
    bool has;
    uint8_t *bytes;
    uint32_t length;
    uint64_t first_frame, last_frame;
    int64_t time;
};
/* Copies; without memory the frames are kept and the bytes are not. */
void kept_answer_set(struct kept_answer *kept, const struct note *note, const uint8_t *bytes, uint32_t length);
void kept_answer_copy(struct kept_answer *to, const struct kept_answer *from);
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
/* Those with first <= frame <= last, of the kinds whose bit (1u << kind) is set. */
void gap_ring_read(const struct gap_ring *ring, uint64_t first, uint64_t last, unsigned kinds, struct gaps *out);

enum link_state { LINK_IDLE, LINK_TENTATIVE, LINK_FIRM, LINK_CLOSED };

/* The stretches of one step without a mark. */
struct tally {
    uint64_t inside, outside, close; /* judged ones by standing */
    uint64_t other;                  /* counting ones that did not meet select */
    struct kept_list list;           /* of struct stretch: judged ones in order */
    struct stretch last_other;
    struct gaps first_gaps;          /* inside the first judged one */
};

enum try_state { TRY_SEEKING, TRY_JUDGING, TRY_DONE };
struct look_try {
    const struct mark *mark;
    uint64_t sequence;       /* notes before it */
    int64_t deadline;        /* elapsed: a judged stretch begins by then */
    enum try_state state;
    bool read;               /* the field was read within its wait */
    bool judged;             /* stretch holds the judged one */
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
    bool cleared;                  /* a clear came after what decides */
    uint64_t off_serial, on_serial; /* the setting requests it relied upon, in case they are refused later */
    uint64_t narrow;               /* answers that did not cover */
    uint8_t narrow_mask;
    struct kept_answer answer;     /* covering */
    struct kept_answer listing;    /* contradicting */
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
    bool evident_unmarked, evident_marked;
    struct steady steady;
    struct tally tally;
    uint64_t last_meeting;         /* sequence of the last sample that met select; 0: none */
    tt_wide last_value;            /* last sample */
    bool has_value;
    struct look_try *tries;
    uint32_t try_count, try_room, try_active; /* tries before try_active are done */
    uint64_t reads, samples, long_intervals;
    int64_t first_elapsed, last_elapsed;
    /* answers */
    struct look_action action;
    struct look_answered answered;
    struct look_codes codes;
};

/* What looks of one attempt share. Owned by step_part.c. */
struct look_context {
    const struct definitions *definitions;
    uint32_t part;
    uint64_t attempt;
    uint64_t *sequence;            /* notes judged so far */
    const struct gap_ring *gaps;
    void (*emit)(void *context, const struct step_event *event);
    void *emit_context;
};

/* ControlDTCSetting as it stands for one module (D 7.10). */
struct setting {
    bool off;
    uint64_t off_serial;  /* of the request that switched it off */
    uint64_t on_serial;   /* of a suppressed request to switch it on that may still be refused; 0 */
};

struct look {
    const struct look_context *context;
    uint32_t first, count;         /* steps first .. first + count - 1 of the procedure */
    struct look_step *steps;
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
void look_break(struct look *look, uint32_t module); /* DEF_NONE: every reading */
void look_mark(struct look *look, const struct mark *mark, int64_t elapsed);
/* Takes over the moments that from has on record (7.5: from the opening step's evidence if that is later than the mark). */
void look_take_moments(struct look *look, const struct look *from);
/* Ends every open stretch, as at the end of an attempt. */
void look_end(struct look *look);
bool step_meets_select(const struct def_step *step, tt_wide value);
enum standing step_standing(const struct def_step *step, const struct stretch *stretch);

/* step_answers.c */
void look_action_closed(struct look *look, const struct note *note, const uint8_t *answer);
/* The reading `reading` (named state name, NULL when unnamed) in the positive answer that note and answer describe: counts for every action
 * step whose outcome it is. */
void look_outcome(struct look *look, uint32_t reading, const char *name, const struct note *note, const uint8_t *answer,
                  uint32_t length);
void look_service(struct look *look, const struct note *note, const uint8_t *answer);
void look_codes(struct look *look, const struct note *note, const uint8_t *answer, const struct setting *settings);
void look_clear(struct look *look, const struct note *note);
/* A setting request turned out refused: answers that relied on it are put right. */
void look_setting_refused(struct look *look, uint64_t serial, bool on);
/* Step `index` of the look (LOOK_NONE: one listed before all of them) first had its evidence now: later codes and answered steps count only what comes after. */
void look_evident(struct look *look, uint32_t index);

/* step_results.c: what the look's step number index says. Call look_end before. */
void look_result(const struct look *look, uint32_t index, struct step_result *result);
/* Frees what a result owns. */
void step_result_free(struct step_result *result);

#endif
