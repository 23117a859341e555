/* Hand-made messages for tests: bytes as hex text ("62 3C 40 00"), times in milliseconds. */
#ifndef TT_TEST_SUPPORT_MESSAGE_H
#define TT_TEST_SUPPORT_MESSAGE_H

#include <stdio.h>
#include <string.h>

#include "transport.h"

/* Reads hex pairs, spaces between them or not; returns how many. A mistake in the text reads as a short message. */
static inline uint32_t test_hex(const char *text, uint8_t *out, uint32_t room)
{
    uint32_t length = 0;
    int used = 0;
    for (unsigned byte; length < room && sscanf(text, " %2x%n", &byte, &used) == 1; text += used)
        out[length++] = (uint8_t)byte;
    return length;
}

/* A complete message of one or more frames; bytes are borrowed. */
static inline struct message test_message(enum direction direction, uint32_t module, uint64_t first_frame,
                                          uint64_t last_frame, int64_t first_ms, int64_t last_ms,
                                          const uint8_t *bytes, uint32_t length)
{
    return (struct message){
        .module = module, .direction = direction, .first_frame = first_frame, .last_frame = last_frame,
        .first_time = first_ms * TT_MS, .last_time = last_ms * TT_MS,
        .first_elapsed = first_ms * TT_MS, .last_elapsed = last_ms * TT_MS,
        .length = length, .received = length, .bytes = bytes, .state = MESSAGE_COMPLETE,
    };
}

#endif
