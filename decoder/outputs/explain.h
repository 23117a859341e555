/*
 * Walking back (D 2.4): one reading, or one step of a verdict, down to raw bits, message, frames and file offset, and
 * forward to the limit that judged it. A collector sees the run as it goes (arguments as in struct pipeline_listener)
 * and copies what was asked for; then explain_text or explain_json writes it. A reading needs one run. A step needs the
 * verdict first, so that it is known where to look, and then a second run with the collector.
 */
#ifndef TT_EXPLAIN_H
#define TT_EXPLAIN_H

#include "verdict_json.h"
#include "view.h"

#define EXPLAIN_FRAMES 64        /* frames of a message that are kept; the rest is counted */
#define EXPLAIN_RING 4096        /* newest frames that could be part of a message; a power of two */
#define EXPLAIN_REQUEST 64       /* bytes of a question kept */
#define EXPLAIN_ITEMS 4
#define EXPLAIN_NEAR 2           /* frames named when nothing is found: the last before, the first behind */

enum explain_label { /* bits: why a value is shown */
    EXPLAIN_ASKED = 1,
    EXPLAIN_FIRST = 2,
    EXPLAIN_LOWEST = 4,
    EXPLAIN_HIGHEST = 8,
    EXPLAIN_LAST = 16,
    EXPLAIN_DECIDING = 32
};

struct explain_question {
    bool there;
    uint8_t bytes[EXPLAIN_REQUEST];
    uint32_t kept, length;
    uint64_t first_frame, last_frame;
    int64_t time;
};

/* An answer, or a broadcast frame, with where it came from. */
struct explain_item {
    unsigned labels;
    uint32_t reading;            /* DEF_NONE: an answer that no reading is asked of */
    struct value value;          /* its bytes point into `bytes`; NULL for a sum */
    uint32_t base;               /* payload position of the record's byte 0 */
    uint32_t bus, module, id;    /* id: CAN id word */
    bool broadcast, of_request, has_address_byte;
    uint8_t address_byte, service;
    enum dialect dialect;
    enum exchange_state state;
    struct explain_question question;
    uint8_t *bytes;              /* owned; received bytes */
    uint32_t length, received;
    struct segment *segments;    /* owned */
    uint32_t segment_count;
    uint64_t first_frame, last_frame;
    int64_t time;
    struct frame *frames;        /* owned; the first EXPLAIN_FRAMES */
    uint32_t frame_count;        /* kept */
    uint64_t frames_left_out;    /* or not kept any more */
};

struct explain {
    const struct view *view;     /* borrowed */
    bool any_bus, failed;        /* failed: memory ran out */
    uint32_t bus;                /* what is looked for: on this bus... */
    uint32_t reading;            /* ...this reading; DEF_NONE: the answer of these frames */
    const struct step_result *step; /* ...as evidence of this step; NULL: the value at frame */
    uint64_t frame;
    struct explain_item items[EXPLAIN_ITEMS];
    uint32_t item_count;
    uint64_t near[EXPLAIN_NEAR]; /* 0: none */
    struct frame *ring;          /* owned */
    uint64_t ring_count;
};

/* Looks for the value of a reading in the message that a frame is part of. False without memory. */
TT_MUST_USE bool explain_open_reading(struct explain *explain, const struct view *view, uint32_t reading,
                                      uint64_t frame, bool any_bus, uint32_t bus);
/* Looks for what a step rests on. step is borrowed until explain_close. False without memory. */
TT_MUST_USE bool explain_open_step(struct explain *explain, const struct view *view, const struct step_result *step);
void explain_see_frame(struct explain *explain, const struct frame *frame);
void explain_see_exchange(struct explain *explain, const struct exchange_event *event);
void explain_see_reading(struct explain *explain, const struct reading_event *event);
void explain_close(struct explain *explain); /* a zeroed one is fine */

/* Where a reading is described. */
struct explain_place {
    const struct def_record *record;
    const struct def_field *field;     /* of the reading, or of its flag */
    const struct def_flag *flag;       /* NULL: the field itself */
    const struct def_derived *derived; /* a sum; then field is NULL */
};
/* False when nothing describes it so (it cannot be: every reading comes from a definition). */
TT_MUST_USE bool explain_find(const struct definitions *definitions, uint32_t reading, struct explain_place *place);
/* Value of one part of a sum, from the item's bytes; false when it is not there. */
TT_MUST_USE bool explain_part(const struct definitions *definitions, const struct explain_item *item,
                              const struct explain_place *place, uint32_t part, struct value *value);
/* The raw number before the mask, of the bytes of a value. */
uint64_t explain_number(const struct def_field *field, const struct value *value);
/* Where `length` payload bytes from `at` lie: calls put for each stretch of a trace file. */
void explain_places(const struct explain_item *item, uint32_t at, uint32_t length,
                    void (*put)(void *context, uint32_t file, uint64_t offset, uint32_t length), void *context);

/* How one value stands to a step or condition that looks at its reading. */
enum explain_stand { EXPLAIN_INSIDE, EXPLAIN_BELOW, EXPLAIN_ABOVE, EXPLAIN_TOO_CLOSE, EXPLAIN_OTHER, EXPLAIN_NO_VALUE };
const char *explain_stand_text(enum explain_stand stand);
enum explain_stand explain_stand_of(const struct value *value, const struct def_step *step);
/* How the value is used by a step in an attempt: "decides", "also", "no". */
enum explain_use { EXPLAIN_DECIDES, EXPLAIN_ALSO, EXPLAIN_UNUSED };
enum explain_use explain_use_of(const struct explain_item *item, const struct step_result *step);
/* The attempt a frame lies in; NULL when in none that is kept. */
const struct attempt_result *explain_attempt(const struct verdict *verdict, const struct explain_item *item);

/* The whole answer to a reader, and as JSON (docs/report.md has the keys). attempt: that of the step, else NULL. */
void explain_text(struct sink *sink, const struct explain *explain, const struct verdict_about *about,
                  const struct attempt_result *attempt);
void explain_json(struct sink *sink, const struct explain *explain, const struct verdict_about *about,
                  const struct attempt_result *attempt);

#endif
