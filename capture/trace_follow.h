/*
 * The keeper's own reading of a trace that the reader writes: the SHA-256 of what is in the file, and the error frames
 * in it (Linux include/uapi/linux/can/error.h), which say how the controller fared. No payload is interpreted.
 */
#ifndef TT_CAPTURE_TRACE_FOLLOW_H
#define TT_CAPTURE_TRACE_FOLLOW_H

#include "../decoder/support/digest.h"

struct trace_follow {
    int fd;           /* read-only, owned */
    struct digest digest;
    uint64_t bytes;   /* read and hashed: whole records, the file header included */
    uint64_t frames;
    uint64_t errors;  /* error frames among them */
    uint64_t good;    /* number of the last frame that is none; 0 = none yet */
    /* Called for each error frame. frame: its number; what: an event's text, or NULL for an ordinary bus error;
     * detail: more words, or NULL. */
    void (*on_error)(void *context, uint64_t frame, const char *what, const char *detail);
    void *context;
};

/* fd is taken over. False without memory. */
TT_MUST_USE bool trace_follow_begin(struct trace_follow *follow, int fd);
/* Reads on to `bytes`, which must end a record; a file that ends earlier is read to its last whole record. False when
 * it cannot be read, or holds something else than records; errno says why. */
TT_MUST_USE bool trace_follow_to(struct trace_follow *follow, uint64_t bytes);
void trace_follow_end(struct trace_follow *follow);

#endif
