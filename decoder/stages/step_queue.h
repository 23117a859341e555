/*
 * Notes that wait for an answer which is still to come. A first-in first-out queue: up to two chunks of memory, the rest
 * in an unlinked temporary file, so that memory stays bounded however long a request goes unanswered and nothing that
 * happens meanwhile is guessed (D 2.9). While nothing waits, notes do not pass through here at all.
 */
#ifndef TT_STEP_QUEUE_H
#define TT_STEP_QUEUE_H

#include "step_note.h"

#define QUEUE_CHUNK (256u * 1024u) /* a note with its extra bytes (64 KiB at most) always fits */

struct step_queue {
    uint8_t *front, *back;     /* chunks: read from front, write to back; owned */
    size_t front_at, front_length, back_length;
    int file;                  /* -1 until needed */
    uint64_t file_read, file_written;
    uint64_t count;            /* notes inside */
    uint64_t spilled;          /* chunks that went to the file so far */
    bool failed;               /* memory or the temporary file failed; errno_value says why */
    int errno_value;
    bool copied;               /* this process is a fork of the one that owns the file, and must not cut it */
};

void step_queue_init(struct step_queue *queue);
/* Appends a note with its extra bytes. False (and failed) when it could not be kept. */
TT_MUST_USE bool step_queue_put(struct step_queue *queue, const struct note *note, const uint8_t *extra);
/* The oldest note, without taking it out; *extra is valid until the next put or drop. False when empty or failed. */
TT_MUST_USE bool step_queue_peek(struct step_queue *queue, struct note *note, const uint8_t **extra);
/* Takes out what peek showed. */
void step_queue_drop(struct step_queue *queue);
void step_queue_free(struct step_queue *queue);

#endif
