/*
 * The three clocks and what the kernel knows of its own: CLOCK_REALTIME, CLOCK_MONOTONIC, CLOCK_BOOTTIME, adjtimex(2)
 * in its reading form, and a timer that the kernel cancels whenever somebody sets the clock (timerfd_create(2),
 * TFD_TIMER_CANCEL_ON_SET). Nothing here sets anything.
 */
#ifndef TT_CAPTURE_CLOCKS_H
#define TT_CAPTURE_CLOCKS_H

#include "../decoder/support/support.h"

struct clocks {
    int64_t time, monotonic, boottime; /* ns, read as near to one another as can be */
    bool synchronised;
    int64_t error;                     /* estimated error, ns; -1 unknown */
};

struct clock_watch {
    int fd;         /* readable when the clock was set; -1 when the kernel has no such timer */
    int64_t offset; /* time - boottime at the last look */
};

void clocks_read(struct clocks *clocks);
void clock_watch_begin(struct clock_watch *watch);
/* True when the clock was set since the last look; *step gets by how much, ns. Slewing is no step. */
TT_MUST_USE bool clock_watch_look(struct clock_watch *watch, int64_t *step);
void clock_watch_end(struct clock_watch *watch);

#endif
