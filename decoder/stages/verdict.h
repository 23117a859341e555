/*
 * What the step stage concludes (D 7): parts, attempts, conditions, steps, each with its evidence. Made by step_finish,
 * owned by the step stage, read by the outputs. Lists are bounded: the first and last VERDICT_KEPT entries and a count
 * of all (D 7.13); the log holds all.
 */
#ifndef TT_VERDICT_H
#define TT_VERDICT_H

#include "../../definitions/model.h"
#include "marks.h"

#define VERDICT_KEPT 50
#define VERDICT_REASON_MAX 320
#define VERDICT_GAPS_KEPT 16
#define VERDICT_REMARKS_MAX 4

enum step_answer { STEP_CONFIRMED, STEP_CONTRADICTED, STEP_NOT_CONFIRMED, STEP_RECORDED };
const char *step_answer_text(enum step_answer answer); /* the words of D 9.5 */

enum standing { STANDING_INSIDE, STANDING_BELOW, STANDING_ABOVE, STANDING_OTHER_STATE, STANDING_TOO_CLOSE };

/* A steady stretch (D 7.6). Values are numerators over the reading's denominator. */
struct stretch {
    tt_wide lowest, highest;
    const char *state;        /* for `is`: the one named state; else NULL */
    uint64_t samples;
    uint32_t bus;             /* index */
    int64_t first_time, last_time; /* times of the first and last sample */
    uint64_t first_frame, last_frame; /* first frame of the first sample's message, last frame of the last one's */
    enum standing standing;
};

/* Something that was lost or doubtful inside evidence (D 7.13). */
enum gap_kind {
    GAP_CLOCK, GAP_LOST, GAP_BROKEN, GAP_MISSING, GAP_REFUSED, GAP_RESET, GAP_FAULT,
    GAP_STEPPED,   /* the clock was set, as the recorder saw it */
    GAP_LINK,      /* the link was down, or the recording went on in another file */
    GAP_ACTIVE,    /* the recorder was not, or may not have been, a mere listener */
    GAP_UNWATCHED, /* behind the recorder's last checkpoint: losses there are not known */
};
const char *gap_kind_text(enum gap_kind kind); /* plain words: "the clock went back", "frames were lost", "part of an answer was lost", ... */
#define GAP_EVERY_BUS UINT32_MAX
struct gap {
    enum gap_kind kind;
    uint32_t bus;        /* index; GAP_EVERY_BUS */
    bool between;        /* it lies behind frame and before last_frame; else it is these frames, or one of them */
    uint64_t frame, last_frame; /* of that bus; last_frame UINT64_MAX: to the end */
    uint64_t count;      /* of frames that were lost; 0: not known */
    int64_t time;        /* 0 for a span that is no moment (GAP_ACTIVE, GAP_UNWATCHED) */
};
struct gaps {
    struct gap list[VERDICT_GAPS_KEPT]; /* the first ones */
    uint32_t kept;
    uint64_t count;
};

/* Bounded list of stretches: first[0..] then last[] as a ring already put in order by the step stage. */
struct stretches {
    struct stretch *list; /* kept ones in order: the first 50, then the last 50 */
    uint32_t kept;
    uint64_t count;
};

/* One press of the moment key (D 7.8), or one refused start of an action (D 7.3). */
struct try_result {
    bool refused_start;       /* else a moment */
    const struct mark *mark;  /* moment */
    uint8_t nrc;              /* refused start */
    uint32_t bus;             /* of the frames */
    uint64_t first_frame, last_frame; /* refused start: its answer; moment: 0 or the judged stretch's */
    int64_t time;             /* of the mark, or of the refusal */
    bool left_out;            /* withdrawn, or nothing was read within its wait */
    enum step_answer answer;  /* of this try alone */
    char reason[VERDICT_REASON_MAX];
    bool has_stretch;
    struct stretch stretch;
};
struct tries {
    struct try_result *list; /* kept ones in order */
    uint32_t kept;
    uint64_t count;
};

enum evidence_kind { EVIDENCE_NONE, EVIDENCE_STRETCH, EVIDENCE_ANSWER };

struct step_result {
    const struct def_step *step;
    enum step_answer answer;
    char reason[VERDICT_REASON_MAX];  /* one sentence without the answer's word, no full stop at the end */
    enum evidence_kind evidence;
    struct stretch stretch;           /* EVIDENCE_STRETCH */
    uint8_t *bytes;                   /* EVIDENCE_ANSWER: the whole answer, owned by the verdict */
    uint32_t byte_count;
    uint32_t bus;                     /* EVIDENCE_ANSWER */
    uint64_t first_frame, last_frame; /* EVIDENCE_ANSWER */
    int64_t time;                     /* EVIDENCE_ANSWER: of its last frame */
    const char *text;                 /* identity: the text read, NULL otherwise; owned by the verdict */
    struct stretches also;            /* other judged or listed stretches, in order */
    struct tries tries;
    struct gaps gaps;
    char remarks[VERDICT_REMARKS_MAX][VERDICT_REASON_MAX];
    uint32_t remark_count;
};

enum vouched { VOUCHED_STATED, VOUCHED_SEEN, VOUCHED_CONTRADICTED, VOUCHED_NOBODY };
const char *vouched_text(enum vouched vouched); /* "stated", "seen on the bus", "contradicted", "nobody" */
struct condition_result {
    const struct def_condition *condition;
    enum vouched vouched;
    char reason[VERDICT_REASON_MAX];
    const struct mark *mark;       /* who stated it; NULL */
    bool has_value;                /* seen on the bus */
    tt_wide numerator;
    const char *state;
    uint32_t bus;                  /* of the frames */
    uint64_t first_frame, last_frame;
    int64_t time;
};

struct attempt_result {
    uint32_t part;                    /* from 1 */
    uint64_t number;                  /* from 1 within the part */
    bool last;                        /* the part's last: the one that counts */
    bool opened;                      /* a start was accepted or not answered; else the part is one attempt */
    bool answered;                    /* the opening start got a positive answer */
    uint32_t bus;                     /* of the opening request; without one, of the part's first note */
    uint64_t first_frame, last_frame; /* opening request's first frame; last frame before the next attempt's request or of the part */
    int64_t first_time, last_time;
    struct condition_result *conditions; /* definitions.condition_count */
    struct step_result *steps;           /* definitions.step_count */
    struct gaps gaps;                    /* between the opening request and the last evidence: "what was asked in the gap is not known" */
};

struct part_result {
    uint32_t number;                /* from 1 */
    uint64_t first_frame, last_frame;
    uint64_t attempt_count;
    char why[VERDICT_REASON_MAX];   /* what split it from the part before; "" for the first */
    int exit_code;                  /* 0, 1 or 2 of this part alone */
};

struct verdict {
    const struct definitions *definitions;
    struct part_result *parts;       /* kept: first and last 50 */
    uint32_t parts_kept;
    uint64_t part_count;
    struct attempt_result **attempts; /* kept over all parts, in order: first and last 50, and always the last of each kept part */
    uint32_t attempts_kept;
    uint64_t attempt_count;
    uint32_t chosen_part;            /* --part N, or the only one; 0 when there are several and none was chosen */
    int exit_code;                   /* D 7.12, 7.2 */
    char answer[VERDICT_REASON_MAX]; /* the whole answer as one sentence (last line of the printed verdict) */
};

#endif
