/*
 * The reader (D 10.1): the one process that owns bus sockets. It polls, takes up to 64 frames at once, writes them to
 * the trace in one write(2), asks the socket for its drops, and ends; under the filter it can do nothing else. It
 * interprets no payload, and what it has to tell goes through the shared mapping.
 */
#ifndef TT_CAPTURE_READER_H
#define TT_CAPTURE_READER_H

#include "shared.h"

struct reader_setup {
    struct shared *shared;
    unsigned bus_count;
    int bus[BUSES_MAX];   /* bound sockets */
    int trace[BUSES_MAX]; /* at their end: the file header is written */
    bool is_virtual[BUSES_MAX]; /* there every frame is sent from this computer: not told */
    int keeper_pipe;      /* hangs up when the keeper is gone, which ends nothing */
};

/*
 * Runs in a process of its own until a signal (interrupt_watch), shared->stop, a removed interface or a full disk ends
 * it. Takes the filter first. Returns the exit code of the process; shared->why says more.
 */
int reader_run(const struct reader_setup *setup);

#endif
