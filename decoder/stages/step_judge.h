/* What the files of the judge share: step_judge.c (made and taken apart), step_noted.c, step_part.c (notes to looks, parts, attempts), step_person.c (conditions and
 * identity: what a person stated beside what the bus said), step_verdict.c (the verdict's lists and last sentence). */
#ifndef TT_STEP_JUDGE_H
#define TT_STEP_JUDGE_H

#include "step_part.h"

#define IDENTITY_TEXT_MAX 256

struct identity_seen {          /* of one identity step, in this part */
    bool seen, differs, too_long;
    char text[IDENTITY_TEXT_MAX + 1];
    uint32_t length;
    char other[IDENTITY_TEXT_MAX + 1]; /* the first reading that differs */
    struct kept_answer answer, other_answer;
    uint64_t sequence;          /* of the newest reading */
};

struct condition_value {        /* the last reading with a value, for one condition */
    bool has;
    tt_wide numerator;
    const char *name;
    int64_t time, elapsed;
    uint32_t epoch, bus;
    uint64_t first_frame, last_frame;
};

struct mark_place {             /* where a mark stands among the notes; by place in marks.by_time */
    uint64_t sequence;          /* 0: not bound (yet) */
};

struct attempt {
    uint64_t number;            /* 0: the part has no accepted or unanswered start yet */
    bool opened, answered;
    uint32_t bus;
    uint64_t first_frame;
    int64_t first_time, elapsed;
    uint32_t epoch;
    uint64_t answer_last_frame; /* of the opening start; 0 when not answered */
    uint64_t sequence;          /* of the opening request */
    struct look_context context;
    struct look from_request;   /* opening step and those after it */
    bool has_evidence;
    struct look from_evidence;  /* those after it, from the opening step's evidence on */
    struct look before;         /* copy at the opening request of the look of the steps before it */
    struct gap_ring *gaps;
    struct kept_list refused;   /* struct try_result: refused starts that led here */
    struct condition_value *values; /* at the opening request; definitions.condition_count */
};

struct judge {
    const struct definitions *definitions;
    const struct marks *marks;
    uint32_t wanted_part;
    void (*emit)(void *context, const struct step_event *event);
    void *emit_context;
    uint32_t opening;           /* index of the opening step; DEF_NONE */
    uint32_t opening_action;    /* its action */
    uint64_t sequence;
    uint64_t frame;             /* last one of the note at work */
    struct steady_budget windows; /* of all looks */
    bool failed;
    /* part */
    uint32_t part;
    uint64_t part_first_frame, last_frame;
    uint32_t part_bus;          /* of its first note */
    int64_t part_first_time, last_time;
    char part_why[VERDICT_REASON_MAX];
    struct look_context part_context;
    struct look before;         /* steps listed before the opening one, from the part's start */
    struct gap_ring *part_gaps;
    struct attempt attempt;
    uint64_t attempts_in_part;
    struct kept_list refused;   /* refused starts since the last opening */
    struct identity_seen *identities; /* definitions.step_count */
    uint64_t *identity_floors;  /* definitions.step_count: sequence of the mark that spoke for the part before */
    bool split_follows;         /* this part ends because another vehicle's comes */
    struct condition_value *values;   /* definitions.condition_count */
    struct mark_place *places;        /* marks->count */
    struct setting *settings;         /* definitions.module_count */
    struct gap spans[SPANS_MAX];
    uint32_t span_count;
    /* the answer that an outcome belongs to */
    struct note action_note;
    uint8_t *action_bytes;
    uint32_t action_length, action_room;
    /* result */
    struct verdict verdict;
    uint32_t attempts_room, parts_room;
    size_t kept_bytes;
    bool any_contradicted;
};

/* The looks that take notes now. */
#define FOR_EACH_LOOK(judge, look)                                                                          \
    for (struct look *looks_[] = {&(judge)->before, &(judge)->attempt.from_request,                         \
                                  (judge)->attempt.has_evidence ? &(judge)->attempt.from_evidence : NULL},  \
                     **at_ = looks_, *look;                                                                 \
         at_ < looks_ + 3; at_++)                                                                           \
        if ((look = *at_) != NULL)

/* step_noted.c */
void judge_setting_on(struct setting *setting, uint64_t serial);
void judge_setting_noted(struct judge *judge, const struct note *note);
void judge_gap_noted(struct judge *judge, const struct note *note);
void judge_mark_noted(struct judge *judge, const struct note *note);

/* step_part.c */
void judge_part_begin(struct judge *judge, uint64_t first_frame, int64_t first_time, const char *why);
void judge_part_end(struct judge *judge, uint64_t last_frame, int64_t last_time);
void judge_attempt_clear(struct attempt *attempt);

/* step_person.c */
void judge_condition_value(struct judge *judge, const struct note *note);
void judge_identity_text(struct judge *judge, const struct note *note, const uint8_t *extra);
void judge_identity_written(struct judge *judge, const struct note *note);
void judge_conditions(const struct judge *judge, const struct attempt *attempt, struct condition_result *results);
void judge_identity_result(const struct judge *judge, uint32_t index, struct step_result *result);
/* A part is over: the marks that spoke for it do not speak for the next. */
void judge_identities_used(struct judge *judge);

/* step_verdict.c: takes over result. */
void verdict_add_attempt(struct judge *judge, struct attempt_result *result);
void verdict_add_part(struct judge *judge, const struct part_result *part);
void verdict_conclude(struct judge *judge);
void attempt_result_free(struct attempt_result *result, const struct definitions *definitions);
/* 0, 1 or 2 for one attempt (D 7.12). */
int attempt_exit(const struct definitions *definitions, const struct attempt_result *attempt);

#endif
