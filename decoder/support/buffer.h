/*
 * A growable run of bytes with a ceiling given at the start. Growth doubles, so a buffer that is cleared and used again
 * stops allocating. Owner: whoever called buffer_init; buffer_free takes a zeroed or freed buffer too.
 */
#ifndef TT_BUFFER_H
#define TT_BUFFER_H

#include "support.h"

struct buffer {
    uint8_t *data;  /* owned; NULL until something is appended */
    size_t length;  /* bytes used */
    size_t room;    /* bytes allocated */
    size_t ceiling; /* never more than this */
};

void buffer_init(struct buffer *buffer, size_t ceiling);
/* Appends a copy. False, and nothing appended, past the ceiling or without memory. */
TT_MUST_USE bool buffer_append(struct buffer *buffer, const void *data, size_t length);
/* length = 0; keeps the memory. */
void buffer_clear(struct buffer *buffer);
void buffer_free(struct buffer *buffer);

#endif
