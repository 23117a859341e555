/*
 * Where a message holds what is masked in a redacted copy, whatever the definitions say of it: VIN and serial number by
 * the standards' identifiers (F190, F18C, OBD 09 02), seeds and keys of SecurityAccess. A message that broke off counts
 * as far as it came. Fields that the definitions name `vin` or `serial number` are found by their readings, in writes here.
 */
#ifndef TT_REDACT_FIND_H
#define TT_REDACT_FIND_H

#include "../stages/transport.h"
#include "redact_values.h"

/* place is told of length bytes from payload position start; whole: the value did not break off. */
struct redact_places {
    void (*place)(void *context, enum secret_kind kind, uint32_t start, uint32_t length, bool whole);
    void *context;
};

void redact_find(const struct definitions *definitions, const struct message *message,
                 const struct redact_places *found);
/* Does the definitions' name of a reading say that it is one of these? */
TT_MUST_USE bool redact_is_named(const struct definitions *definitions, uint32_t reading, enum secret_kind *kind);

#endif
