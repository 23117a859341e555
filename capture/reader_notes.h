/*
 * Events on their way from the reader to the keeper. When the ring is full (the keeper is stopped, or far behind),
 * those of one bus and kind are put together: their counts add up, and the place grows to hold them all. Nothing is
 * dropped.
 */
#ifndef TT_CAPTURE_READER_NOTES_H
#define TT_CAPTURE_READER_NOTES_H

#include "shared.h"

struct notes {
    struct reader_event waiting[BUSES_MAX][READER_EVENT_KINDS]; /* before 0: none */
    unsigned count;
};

void notes_add(struct notes *notes, struct shared *shared, const struct reader_event *event);
/* Hands over what waits, as far as there is room. */
void notes_flush(struct notes *notes, struct shared *shared);

#endif
