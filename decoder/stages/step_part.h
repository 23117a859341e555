/*
 * The judge: parts, attempts, conditions, identity (D 7.1 to 7.5, 7.11, 7.12). Notes in, in file order and with what became
 * of each request already known; a verdict out. Inside the step stage only.
 */
#ifndef TT_STEP_PART_H
#define TT_STEP_PART_H

#include "step_look.h"

struct judge;

TT_MUST_USE struct judge *judge_open(const struct definitions *definitions, const struct marks *marks, uint32_t part,
                                     void (*emit)(void *context, const struct step_event *event), void *context);
/* resolution: what became of the request of NOTE_START and NOTE_IDENTITY_ASKED; else NULL. extra: the note's bytes. */
void judge_note(struct judge *judge, const struct note *note, const uint8_t *extra, const struct resolution *resolution);
/* A span of frames to be named beside the evidence in it; SPANS_MAX of them are kept, then the last one is stretched. */
#define SPANS_MAX 256u
void judge_span(struct judge *judge, const struct gap *span);
/* The first frame that any note could mean; for parts. */
void judge_frames(struct judge *judge, uint32_t bus, uint64_t first_frame, int64_t first_time);
/* NULL when memory ran out somewhere. last_*: the record's last frame. */
TT_MUST_USE const struct verdict *judge_finish(struct judge *judge, uint64_t last_frame, int64_t last_time);
void judge_close(struct judge *judge);

#endif
