/* See reader_notes.h. */
#include "reader_notes.h"

/* The waiting event that lies first of all; NULL when none waits. */
static struct reader_event *first_waiting(struct notes *notes)
{
    struct reader_event *first = NULL;
    for (unsigned b = 0; notes->count && b < BUSES_MAX; b++)
        for (unsigned kind = 0; kind < READER_EVENT_KINDS; kind++) {
            struct reader_event *event = &notes->waiting[b][kind];
            if (event->before && (!first || event->after < first->after))
                first = event;
        }
    return first;
}

void notes_flush(struct notes *notes, struct shared *shared)
{
    struct reader_event *first;
    while ((first = first_waiting(notes)) != NULL && shared_put(shared, first)) {
        first->before = 0;
        notes->count--;
    }
}

void notes_add(struct notes *notes, struct shared *shared, const struct reader_event *event)
{
    struct reader_event *waiting = &notes->waiting[event->bus][event->kind];
    if (notes->count)
        notes_flush(notes, shared);
    if (!notes->count && shared_put(shared, event))
        return;
    if (!waiting->before) {
        *waiting = *event;
        notes->count++;
        return;
    }
    if (event->after < waiting->after)
        waiting->after = event->after;
    if (event->before > waiting->before)
        waiting->before = event->before;
    waiting->count += event->count;
}
