/* What the files of the keeper share; see keeper.h. keeper.c runs,
 * keeper_events.c notes, keeper_links.c watches, keeper_disk.c syncs. */
#ifndef TT_CAPTURE_KEEPER_STATE_H
#define TT_CAPTURE_KEEPER_STATE_H

#include "clocks.h"
#include "events.h"
#include "keeper.h"
#include "lines.h"
#include "trace_follow.h"

struct kept_bus {
    struct keeper *keeper;
    unsigned number;            /* of the bus */
    struct trace_follow follow;
    uint64_t room;              /* bytes of the trace that are reserved on disk */
    bool sync_failed, follow_failed;
    bool down, not_listen_only; /* as far as it is told */
    bool listen_only, listen_only_known;
    struct link_counters base, counters;
    bool counters_known;
    uint64_t overruns;          /* error frames that said so */
    uint64_t controller_lost;   /* told so far */
    uint64_t sent;
    uint64_t frames_at_look;    /* the reader's count at the last look at the link: what is new lies behind it */
    uint64_t frames_at_tick;    /* ... at the last tick */
    uint64_t down_after;
    /* "no good frame" */
    uint64_t good_seen, errors_seen;
    int64_t good_at, error_since; /* monotonic ns; error_since 0: none since the last good frame */
    bool no_good_told;
};

struct keeper {
    const struct keeper_setup *setup;
    struct shared *shared;
    unsigned bus_count;
    struct kept_bus bus[BUSES_MAX];
    struct events events;
    struct marks_follow marks;
    struct clock_watch clock;
    int news;                   /* rtnetlink socket, -1 none */
    bool synchronised;
    uint64_t checkpoints;
    int64_t began, due;         /* boottime ns, which counts sleep of the computer too: start, next checkpoint */
    uint64_t log_room;
    bool log_failed, log_sync_failed;
    const char *why;            /* the keeper's own reason to end, or NULL */
    /* Lines on stderr: the same kind on the same bus at most once a second. */
    const char *said[BUSES_MAX + 1];
    int64_t said_at[BUSES_MAX + 1];
};

/* The reader's count of that bus. */
uint64_t keeper_frames(const struct keeper *keeper, unsigned bus);
/* Writes the events that are settled, or all there are, to the record. */
void keeper_write_events(struct keeper *keeper, bool all);
/* Takes an event in and tells it on stderr. bus may be EVENT_NO_BUS. */
void keeper_note(struct keeper *keeper, const struct event *event);
/* An event of the kernel behind frame `after`; its `before` is found when the socket has been empty since. */
void keeper_note_late(struct keeper *keeper, unsigned bus, const char *what, uint64_t after, uint64_t count,
                      const char *detail);

/* Reads back mode and counters of one link and notes what is new. */
void keeper_look_at_link(struct keeper *keeper, unsigned bus);
/* Takes the kernel's news of links. */
void keeper_take_news(struct keeper *keeper);
/* After the trace was read on: errors and no good frame for a while? */
void keeper_look_for_good_frames(struct keeper *keeper, unsigned bus, int64_t monotonic);

/* Room ahead in every file. */
void keeper_reserve(struct keeper *keeper);
/* Reads a trace on to what the reader has written and syncs it. */
void keeper_secure(struct keeper *keeper, unsigned bus, uint64_t bytes);
void keeper_sync_log(struct keeper *keeper);
/* Frees what was reserved beyond the whole records. */
void keeper_trim(struct keeper *keeper, unsigned bus);

#endif
