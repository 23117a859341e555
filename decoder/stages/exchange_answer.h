/*
 * What the exchange stage must know of the form of an answer: whether it is one, which requests it could belong to, and
 * whether the module said the same just before. Private to the exchange stage. Nothing here allocates or fails.
 */
#ifndef TT_EXCHANGE_ANSWER_H
#define TT_EXCHANGE_ANSWER_H

#include "exchange.h"

#define NRC_PENDING 0x78 /* requestCorrectlyReceived-ResponsePending */

/* Server timing of ISO 14229-2 when nobody says otherwise. */
#define EXCHANGE_P2_DEFAULT (50 * TT_MS)
#define EXCHANGE_P2_STAR_DEFAULT (5 * TT_SECOND)

enum answer_kind {
    ANSWER_NONE,     /* bit 6 of the SID clear, or 7F without NRC, or with NRC 0 (positive is never sent so) */
    ANSWER_POSITIVE, /* SID + 0x40 */
    ANSWER_NEGATIVE, /* 7F SID NRC */
};

struct answer_form {
    enum answer_kind kind;
    uint8_t service; /* request SID */
    uint8_t nrc;     /* 0 unless negative */
};
struct answer_form answer_form_of(const struct message *answer);

/*
 * True when this answer, as far as it was received, could answer that request: asked before the answer began, same
 * service, and of a positive one the same echo. A negative answer carries no more than the service.
 */
bool answer_could_be_of(const struct exchange *exchange, const struct message *answer);

/* Byte 1 of a request says that no positive answer is wanted. */
bool answer_is_unwanted(enum dialect dialect, uint8_t sid, uint8_t second);

#define ANSWER_MEMORY 8 /* services of a module whose last answer is remembered */

struct answer_memory {
    struct {
        bool used;
        uint8_t service;
        uint32_t length;
        uint64_t sum; /* FNV-1a, 64 bits: "repeated" is a remark and decides nothing */
    } last[ANSWER_MEMORY];
    uint32_t next;
};
/* True when the module's last answer of this service was equal; this one takes its place. */
bool answer_remember(struct answer_memory *memory, uint8_t service, const struct message *answer);

#endif
