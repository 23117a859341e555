/*
 * Answers and broadcasts to readings: the user's definitions applied (D 6). In: exchanges with what the service stage
 * read of them, and plain frames. Out, through one callback: readings, and faults where an answer and its description
 * do not fit. Keeps between calls only what testers defined on the bus (reading_dynamic.h).
 */
#ifndef TT_READING_H
#define TT_READING_H

#include "reading_dynamic.h"
#include "record.h"
#include "service.h"

enum reading_event_kind {
    READING_VALUE,   /* value, message, at its place */
    READING_FAULT,   /* reason: answer shorter than described, identifiers that cannot be split, ... */
    READING_UNKNOWN, /* an identifier, routine or answer nobody described: key, data bytes not decoded */
    READING_REMARK,  /* reason: answer longer than described */
};

struct reading_event {
    enum reading_event_kind kind;
    uint32_t module;
    const struct value *value;       /* VALUE */
    uint32_t base;                   /* payload position in message of the record's byte 0 */
    const struct message *message;   /* the answer; for a broadcast a message of one frame made for it, for a request its bytes and
                                      * frames without file places (segment_count 0) */
    const struct exchange *exchange; /* NULL for a broadcast */
    bool broadcast;
    bool has_key;
    uint32_t key;                    /* identifier, local identifier, routine or address concerned */
    const char *reason;              /* FAULT, REMARK, UNKNOWN: static text */
    uint32_t length;                 /* UNKNOWN: bytes not decoded; FAULT: bytes there */
    uint32_t needed;                 /* FAULT: bytes needed */
};

#define READING_BROADCAST_IDS 2048 /* 11-bit CAN ids */

struct reading_stage {
    const struct definitions *definitions; /* borrowed; NULL: nothing is described, nothing is emitted but unknowns */
    struct reading_broadcast {             /* by CAN id: the first module that describes it; broadcast NULL: none */
        const struct def_broadcast *broadcast;
        uint32_t module;
        bool shared;                       /* another module describes it too */
    } broadcasts[READING_BROADCAST_IDS];
    bool has_wide_broadcasts;              /* some module describes one with a 29-bit id */
    struct dynamic_table dynamic;
    void (*emit)(void *context, const struct reading_event *event);
    void *context;
};

void reading_init(struct reading_stage *stage, const struct definitions *definitions,
                  void (*emit)(void *context, const struct reading_event *event), void *context);
/* The fields that an action's request is described to have (D 6.6): what the tester asked for, granted or not. */
void reading_push_request(struct reading_stage *stage, const struct exchange *exchange, const struct service_content *content);
/* Frames of the module, or of all (DEF_NONE), are missing in the record, or it was reset: what was defined on the bus is not
 * known any more. */
void reading_forget(struct reading_stage *stage, uint32_t module);
/* A closed exchange with a positive answer; others are ignored, but those of 2C. Multi-identifier answers of service 22 are split by the described lengths
 * (and the standard ones: F190 is 17 bytes). */
void reading_push_answer(struct reading_stage *stage, const struct exchange_event *event, const struct service_content *content);
/* A data frame; ignored unless some module describes it as a broadcast. */
void reading_push_frame(struct reading_stage *stage, const struct frame *frame);

#endif
