/*
 * Units of D 6.1: an opaque word, except kg g lb oz (masses, converted exactly: 1 lb = 0.45359237 kg, international
 * yard and pound agreement of 1959; 1 oz = 1/16 lb) and s ms. Case counts. "" is "no unit".
 */
#ifndef TT_UNITS_H
#define TT_UNITS_H

#include "ratio.h"

#define UNIT_MAX 32 /* longest unit in bytes, without NUL */

/* Turns value in unit `from` into unit `to`. False when they do not measure the same thing ("lb" to "V"), when exactly
 * one of them is "", or on overflow. Equal words convert unchanged. */
TT_MUST_USE bool units_convert(struct ratio value, const char *from, const char *to, struct ratio *out);

/*
 * A number with an optional unit after exactly one space ("30 kg", "0.2", "0x09"). unit gets "" when there is none.
 * Returns NULL or a short reason as ratio_parse does.
 */
const char *units_parse(const char *text, size_t length, struct ratio *value, char unit[UNIT_MAX + 1]);

/* A length of time ("50 ms", "5 s") in whole nanoseconds, 0 to 10^6 s; NULL or a short reason. */
const char *units_parse_time(const char *text, size_t length, int64_t *nanoseconds);

#endif
