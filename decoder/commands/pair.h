/*
 * The text of --pair (D 8.1): REQUEST[/BYTE]:RESPONSE[/BYTE]. Three hex digits are an 11-bit id, eight a 29-bit one
 * (D 6.5); the byte behind a "/" is the address byte before the PCI, N_TA of extended or N_AE of mixed addressing
 * (ISO 15765-2:2016 8.3.2). Both sides have one or none.
 */
#ifndef TT_PAIR_H
#define TT_PAIR_H

#include "../stages/transport.h"

/* Fills pair with timeouts of the standard and no functional id. NULL, or what is wrong in words that end a sentence. */
TT_MUST_USE const char *pair_parse(const char *text, struct transport_pair *pair);

#endif
