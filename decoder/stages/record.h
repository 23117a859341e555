/*
 * Bytes to values: one definition record (D 6.4) applied to the bytes of one answer, example or broadcast. Pure: no
 * state, no allocation, integers only. Used by the reading stage and by lint's examples, so both mean the same.
 */
#ifndef TT_RECORD_H
#define TT_RECORD_H

#include "../../definitions/model.h"
#include "../support/bytes.h"

enum value_state {
    VALUE_GOOD,    /* has a value (or text, bytes, flag) */
    VALUE_ABSENT,  /* the raw number is in `absent` */
    VALUE_INVALID, /* no sample (D 6.4). Outside `valid` the value is kept; outside a curve, and for a float that is NaN,
                    * infinite or not exact within the definition's bounds (docs/definitions.md), there is none */
};

#define VALUE_PARTS_MAX 32 /* parts of one derived sum */

struct value {
    uint32_t reading;         /* index into definitions.readings */
    enum value_state state;
    bool has_number;          /* READING_NUMBER with a value, GOOD or INVALID */
    tt_wide numerator;        /* over the reading's denominator */
    uint64_t raw;             /* raw number after mask (numbers and flags) */
    const char *name;         /* named state, NULL when none (READING_NUMBER); "yes"/"no" (READING_FLAG) */
    const uint8_t *bytes;     /* the field's bytes; borrowed; NULL for derived */
    uint32_t length;
    /* where the bytes stand in the record, behind the echo: one entry, or one per part of a derived sum */
    uint32_t at_count;
    struct { uint32_t offset, length; } at[VALUE_PARTS_MAX];
};

struct record_result {
    uint32_t missing_fields; /* fields that did not fit; one of another page (`when`) is not there and not missing */
    uint32_t needed;         /* bytes that all fields of this page need */
    bool longer;             /* more bytes than record.length (or than all fields need when length is not given) */
};

/* Calls emit once per reading of the record that can be read: fields in file order, each field's flags behind it, then derived
 * sums (a sum whose part is missing, absent or invalid is emitted as VALUE_ABSENT; one whose part did not fit is not emitted). */
void record_decode(const struct definitions *definitions, const struct def_record *record, const uint8_t *bytes, size_t length,
                   void (*emit)(void *context, const struct value *value), void *context, struct record_result *result);

#endif
