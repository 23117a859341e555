/*
 * CAN links: read by ioctl and libsocketcan, set by libsocketcan, and judged (D 10.3). Reading needs no privilege. The
 * controller modes are those of Linux include/uapi/linux/can/netlink.h.
 */
#ifndef TT_CAPTURE_LINK_H
#define TT_CAPTURE_LINK_H

#include "options.h"

struct link_facts {
    char name[IFNAMSIZ];
    int index;         /* the kernel's number of it, never given to another one while this program runs */
    bool is_can, up, carrier;
    bool is_virtual;   /* tells no controller modes: a virtual link, or an adapter that hides them */
    bool listen_only, fd;
    const char *state; /* "error active"; NULL unknown */
    uint32_t bitrate;  /* bit/s, 0 unknown */
    uint32_t sample_point; /* thousandths of a bit */
    bool has_restart;
    uint32_t restart_ms;
};

/* Counters of the link since it was made. */
struct link_counters {
    uint64_t sent; /* transmitted, and dropped on the way out: every attempt of this computer */
    uint64_t errors; /* bus errors of any kind */
    uint64_t lost; /* the largest of the counters that mean "received but thrown away": a lower bound */
};

/* False when there is no such interface (any more). */
TT_MUST_USE bool link_read(const char *name, struct link_facts *facts);
/* The mode alone. False when it cannot be read. */
TT_MUST_USE bool link_read_listen_only(const char *name, bool *listen_only);
/* False when they cannot be read. */
TT_MUST_USE bool link_read_counters(const char *name, struct link_counters *counters);

/*
 * Everything before the socket: sets the link if a bit rate was given and it is not so already, reads it back and
 * refuses what cannot be recorded. 0 and facts filled, or EXIT_CANNOT_OPEN, told with what to do.
 */
TT_MUST_USE int link_prepare(const struct options *options, const char *name, struct link_facts *facts,
                             struct diagnostics *diagnostics);

#endif
