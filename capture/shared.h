/*
 * What the reader and the keeper share (D 10.1): one anonymous shared mapping. The reader alone writes the counters of
 * a bus and the ring's head; the keeper alone writes the limit, the stop and the ring's tail. Neither ever waits for
 * the other. Order is kept by release and acquire: a frame is counted only after it is in the file and after every
 * event that lies before it is in the ring.
 */
#ifndef TT_CAPTURE_SHARED_H
#define TT_CAPTURE_SHARED_H

#include <net/if.h>
#include <stdatomic.h>
#include "../decoder/support/support.h"

#define BUSES_MAX 16
#define RING_ROOM 256 /* a power of two */

enum reader_event_kind {
    READER_LOSS,    /* count frames were dropped in the socket */
    READER_LOCAL,   /* count frames carried MSG_DONTROUTE: sent from this computer */
    READER_DOWN,    /* ENETDOWN */
    READER_REMOVED, /* ENODEV */
    READER_EVENT_KINDS,
};

/* It happened behind frame `after` and before frame `before` of that bus (frames count from 1). */
struct reader_event {
    enum reader_event_kind kind;
    unsigned bus;
    uint64_t after, before, count;
    int64_t time; /* when the reader saw it, ns since 1970 */
};

enum reader_why {
    READER_RUNS,
    READER_STOPPED,      /* by a signal or by the keeper */
    READER_GONE,         /* an interface was removed */
    READER_FULL,         /* no room left */
    READER_WRITE_FAILED, /* `error` says why */
    READER_READ_FAILED,
};

struct shared_bus {
    /* Written by the reader. bytes counts whole records only, the file header included. */
    _Atomic uint64_t bytes, frames, lost, local;
    _Atomic uint64_t emptied; /* how often the socket was found empty: what the kernel did before that is in frames */
    /* Written by the keeper: never write past this many bytes; UINT64_MAX while more can be had. */
    _Atomic uint64_t limit;
};

struct shared {
    struct shared_bus bus[BUSES_MAX];
    struct reader_event ring[RING_ROOM];
    _Atomic uint32_t head, tail;
    _Atomic int why;   /* enum reader_why */
    _Atomic int error; /* errno behind it */
    _Atomic unsigned why_bus;
    _Atomic bool ready; /* the filter is in place and reading has begun */
    _Atomic bool stop;
};

/* A mapping for both processes, zeroed; NULL without memory. */
struct shared *shared_make(void);
/* Reader: false when the ring is full; nothing is stored then. */
TT_MUST_USE bool shared_put(struct shared *shared, const struct reader_event *event);
/* Keeper: false when there is none. */
TT_MUST_USE bool shared_take(struct shared *shared, struct reader_event *event);

#endif
