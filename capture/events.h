/*
 * Events wait here until the next checkpoint, so that they go into the record in the order of their frames, and so that
 * what the kernel said while frames were still queued in a socket gets a place that is right: its `before` is known
 * only once the reader has found that socket empty.
 */
#ifndef TT_CAPTURE_EVENTS_H
#define TT_CAPTURE_EVENTS_H

#include "shared.h"

#define EVENTS_ROOM 1024
#define EVENT_DETAIL 128
#define EVENT_NO_BUS UINT32_MAX

struct event {
    const char *what;   /* a text of trace_format.h */
    uint32_t bus;       /* or EVENT_NO_BUS */
    uint64_t after, before;
    bool has_count;
    uint64_t count;
    int64_t time;
    char detail[EVENT_DETAIL]; /* "" for none */
    uint64_t emptied;   /* not 0: `before` is set once the reader's count of empty sockets of that bus is this much */
    uint64_t order;     /* as they came */
};

struct events {
    struct event list[EVENTS_ROOM];
    unsigned count;
    uint64_t came;
};

/* False when there is no room: write out first. */
TT_MUST_USE bool events_add(struct events *events, const struct event *event);
/* Gives every event whose wait is over its place. */
void events_settle(struct events *events, const struct shared *shared);
/*
 * Calls write for each event that is settled and has no unsettled one of its bus before it, in the order of frames
 * within each bus; forced takes them all. They are then forgotten.
 */
void events_write(struct events *events, bool forced, void (*write)(void *context, const struct event *event),
                  void *context);

#endif
