/*
 * Where output bytes go: a 64 KiB buffer in front of a file descriptor, or memory for tests. Writes are collected; a
 * failed write(2) (short writes and EINTR are retried) makes the sink `failed` for good and is found at sink_close at
 * the latest: always check it (STYLE habit 13). Formatting needs no allocation and knows no locale.
 */
#ifndef TT_SINK_H
#define TT_SINK_H

#include "buffer.h"
#include "support.h"

#define SINK_ROOM 65536

struct sink {
    int fd;                /* -1: collect in memory */
    int error;             /* errno of the first failure, 0 while well */
    bool owns;             /* closes fd */
    size_t used;
    uint64_t written;      /* bytes accepted so far, buffered ones included */
    struct buffer *memory; /* for fd -1: borrowed */
    char *room;            /* SINK_ROOM bytes, owned */
};

/* Takes over fd when owns. False without memory or for a negative fd; fd is then still the caller's. */
TT_MUST_USE bool sink_open_fd(struct sink *sink, int fd, bool owns);
TT_MUST_USE bool sink_open_memory(struct sink *sink, struct buffer *memory);
void sink_put(struct sink *sink, const void *data, size_t length);
void sink_text(struct sink *sink, const char *text);
void sink_char(struct sink *sink, char c);
void sink_unsigned(struct sink *sink, uint64_t number);
void sink_signed(struct sink *sink, int64_t number);
void sink_hex(struct sink *sink, const uint8_t *data, size_t length); /* lower-case, no separators */
void sink_hex_number(struct sink *sink, uint64_t number, int digits); /* zero padded, never cut */
/* Slow path: sentences, never per frame. */
void sink_format(struct sink *sink, const char *format, ...) TT_PRINTF(2, 3);
/* Writes out what is collected. False when anything failed since the start. */
TT_MUST_USE bool sink_flush(struct sink *sink);
/* For a file: flushes, syncs (fsync(2)) and closes. False when anything failed; sink->error says what was first. */
TT_MUST_USE bool sink_close_synced(struct sink *sink);
/* Flushes, closes an owned fd (close errors count), frees. False when anything failed; sink->error says what. What is
 * put into a closed sink is dropped and makes it failed. */
TT_MUST_USE bool sink_close(struct sink *sink);

#endif
