/*
 * News of links from the kernel (rtnetlink(7), group RTMGRP_LINK). Needs no privilege; sends nothing. Each message
 * holds the controller's mode as it was then: a mode that was switched for a moment only is seen too.
 */
#ifndef TT_CAPTURE_LINK_WATCH_H
#define TT_CAPTURE_LINK_WATCH_H

#include "../decoder/support/support.h"

/* A socket to poll, or -1 (errno). */
int link_watch_open(void);
struct link_message {
    int index; /* the kernel's number of the link */
    bool up, removed;
    bool mode_known, listen_only;
};

/* Calls news for each message about a link. False when the kernel had to drop messages: look at every link then. */
TT_MUST_USE bool link_watch_read(int fd, void (*news)(void *context, const struct link_message *message),
                                 void *context);

/* What the kernel says of a link at this moment. */
struct link_answer {
    bool mode_known, listen_only;
    bool counters_known;
    uint64_t rx_errors, tx_packets, tx_dropped;
    uint64_t rx_over_errors, rx_fifo_errors, rx_missed_errors, rx_dropped;
};

/*
 * Asks for one link by name (RTM_GETLINK). False when there is none, or when the kernel does not answer within a
 * second: libsocketcan, which asks the same, was seen to wait for ever when the link had just been removed.
 */
TT_MUST_USE bool link_ask(const char *name, struct link_answer *answer);

#endif
