/*
 * The text of --pair (D 8.1): REQUEST[/BYTE]:RESPONSE[/BYTE]. Three hex digits are an 11-bit id, eight a 29-bit one
 * (D 6.5); the byte behind a "/" is the address byte before the PCI, N_TA of extended or N_AE of mixed addressing
 * (ISO 15765-2:2016 8.3.2). Both sides have one or none.
 */
#ifndef TT_PAIR_H
#define TT_PAIR_H

#include "transport.h"

/* Fills pair with timeouts of the standard and no functional id. NULL, or what is wrong in words that end a sentence. */
TT_MUST_USE const char *pair_parse(const char *text, struct transport_pair *pair);

#define PAIR_TEXT_MAX 40 /* "0x18da10f1/0x12:0x18daf110/0x12" */
/* The same text again: "0x5e3:0x6c5", "0x6f1/0x12:0x612/0xf1". */
void pair_text(const struct transport_pair *pair, char out[PAIR_TEXT_MAX]);
bool pair_has_bytes(const struct transport_pair *pair);

#endif
