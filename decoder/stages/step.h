/*
 * The step stage: readings, answers, losses and marks in, a verdict out (D 7, all of it). One pass and bounded memory:
 * what must wait for an answer that is still to come (was this start refused? does this VIN begin a new part?) waits in
 * a queue that spills to an unlinked temporary file (step_queue.h); everything else is judged as it comes.
 */
#ifndef TT_STEP_H
#define TT_STEP_H

#include "reading.h"
#include "verdict.h"

/* What the stage tells the log as it goes (D 9.3 kinds action, stretch, mark). Valid until the callback returns. */
enum step_event_kind { STEP_EVENT_ACTION, STEP_EVENT_STRETCH, STEP_EVENT_MARK };
struct step_event {
    enum step_event_kind kind;
    uint32_t part;
    uint64_t attempt;             /* 0: before the first attempt */
    uint64_t first_frame, last_frame;
    uint32_t bus;                 /* index, of the frames; a mark has none */
    int64_t time;                 /* of the last frame */
    /* ACTION: one closed exchange of a described routine */
    const struct def_action *action;
    enum action_part action_part;
    enum exchange_state state;
    uint8_t nrc;
    /* STRETCH: a counting stretch of a step */
    const struct def_step *step;
    const struct stretch *stretch;
    bool judged;                  /* it met select and counts for the step (a stretch is told when it has ended) */
    /* MARK */
    const struct mark *mark;      /* attempt, step (NULL unless a moment is bound to one) as above; attempt 0 when it binds to nothing */
    bool bound;
};

struct step_stage;

/* part: --part N, 0 for none. NULL without memory. definitions and marks (may be NULL) are borrowed until step_close. */
TT_MUST_USE struct step_stage *step_open(const struct definitions *definitions, const struct marks *marks, uint32_t part,
                                         void (*emit)(void *context, const struct step_event *event), void *context);

/* In file order, and for one answer: the exchange first, then its readings. */
/* content: what service_read makes of the request alone. */
void step_push_request(struct step_stage *stage, const struct exchange *exchange, const struct service_content *content);
void step_push_answer(struct step_stage *stage, const struct exchange_event *event, const struct service_content *content);
void step_push_reading(struct step_stage *stage, const struct reading_event *event);
/* An answer of a described module that broke off: what it began to tell may matter. */
void step_push_broken(struct step_stage *stage, const struct message *answer);
/* Losses and doubts. module DEF_NONE: concerns all. */
void step_push_gap(struct step_stage *stage, enum gap_kind kind, uint32_t module, const struct frame *frame);
/* A loss or doubt that the recorder tells: somewhere from gap->frame to gap->last_frame; at: the last frame before it.
 * quiet: one of a row, which is told already and only ends stretches once more. */
void step_push_loss(struct step_stage *stage, const struct gap *gap, const struct frame *at, bool quiet);
/* A span of frames (GAP_ACTIVE, GAP_UNWATCHED) that is named beside what lies in it; before the first frame. */
void step_push_span(struct step_stage *stage, const struct gap *span);
/* A bound mark, before the frame that follows it (NULL: behind the last frame). */
void step_push_mark(struct step_stage *stage, const struct mark *mark, const struct frame *following);

/* NULL when the queue's temporary file failed (the reason is in errno) or memory ran out. */
TT_MUST_USE const struct verdict *step_finish(struct step_stage *stage, const struct frame *last_frame);
/* In a forked copy of the process, before step_finish: the temporary file stays as the original needs it. */
void step_is_copy(struct step_stage *stage);
void step_close(struct step_stage *stage);

#endif
