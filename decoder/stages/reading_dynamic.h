/*
 * Identifiers that a tester defines on the bus with 2C (ISO 14229-1 DynamicallyDefineDataIdentifier, D 6.8): which bytes of
 * which described identifiers they hold. Bounded and without allocation: what is more than the table holds is unknown, and
 * said so. Private to the reading stage.
 */
#ifndef TT_READING_DYNAMIC_H
#define TT_READING_DYNAMIC_H

#include "record.h"
#include "service.h"

#define DYNAMIC_MAX 64
#define DYNAMIC_PIECES 16

struct dynamic_piece {
    uint16_t source;   /* identifier */
    uint32_t from, to; /* first byte in the source's record, in the defined one */
    uint32_t size;
};

struct dynamic_identifier {
    uint32_t module;
    uint16_t key;
    const char *unknown; /* why nobody knows what it holds; NULL: the pieces tell */
    uint32_t length;     /* of all pieces */
    uint32_t piece_count;
    struct dynamic_piece pieces[DYNAMIC_PIECES];
};

struct dynamic_table {
    struct dynamic_identifier identifiers[DYNAMIC_MAX];
    uint32_t count;
    bool overflowed; /* some were not kept */
};

/* A closed exchange of 2C: a positive answer defines or clears; none where one may have been acted upon makes unknown. */
void dynamic_take(struct dynamic_table *table, const struct exchange_event *event,
                  const struct service_content *content);
/* All definitions of the module, or of all modules (DEF_NONE). */
void dynamic_forget(struct dynamic_table *table, uint32_t module);
/* NULL when no definition of it was seen. */
const struct dynamic_identifier *dynamic_find(const struct dynamic_table *table, uint32_t module, uint16_t key);
/*
 * Emits every value of the described source identifiers whose bytes, and those of the field that its `when` looks at, lie
 * in one piece each. value.at counts in the defined record. Returns how many values were emitted.
 */
uint32_t dynamic_decode(const struct definitions *definitions, const struct dynamic_identifier *identifier,
                        const uint8_t *bytes, size_t length, void (*emit)(void *context, const struct value *value),
                        void *context);

#endif
