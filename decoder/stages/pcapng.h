/*
 * A pcapng file split by interface into classic pcap files (D 5.3), so that everything behind reads classic pcap only.
 * libpcap reads the packets; since it does not tell their interface, a small walk over the same blocks does. Each part
 * is an unlinked temporary file with nanosecond magic and the link type of the file; times are libpcap's.
 */
#ifndef TT_PCAPNG_H
#define TT_PCAPNG_H

#include "../support/diagnostics.h"

#define PCAPNG_PARTS_MAX 64
#define PCAPNG_NAME_MAX 64

struct pcapng_part {
    int fd;                     /* owned by the caller; at its beginning */
    uint32_t interface;         /* of the file, from 0: over all its sections */
    char name[PCAPNG_NAME_MAX]; /* its if_name, "" when not stated; any bytes but NUL */
    uint64_t records;
};

struct pcapng {
    struct pcapng_part parts[PCAPNG_PARTS_MAX]; /* in order of the first packet; one empty part when there is none */
    uint32_t count;
    bool damaged; /* told in diagnostics: the packets before the damage are in the parts */
};

/*
 * fd: a regular file, borrowed; name is for messages. Returns 0, EXIT_BAD_INPUT (no pcapng, a link type that is not
 * read, interfaces that libpcap does not read together, too many), EXIT_CANNOT_OPEN, EXIT_WRITE_FAILED or
 * EXIT_OUR_FAULT, all told; then there are no parts.
 */
TT_MUST_USE int pcapng_split(struct pcapng *split, int fd, const char *name, struct diagnostics *diagnostics);
/* Closes the parts' descriptors that are not -1. */
void pcapng_close(struct pcapng *split);

#endif
