/*
 * The fast path from the reader's room to the frame stage. Nearly every record of a trace is plain: a data or remote
 * frame of classic CAN, of full size, on a sound id, no earlier than the one before it, in a little-endian file. Such
 * records are taken right where they lie, and those on ids that nobody listens to are only counted and timed.
 * Whatever is unusual in a record is left, with all that has to be said of it, to trace_reader_next and frame_push,
 * which also take plain records, and are the oracle of this path: both ways leave reader and frame stage in the same
 * state (tests/unit/test_plain.c).
 */
#ifndef TT_PLAIN_H
#define TT_PLAIN_H

#include "frame.h"

#define PLAIN_11_BIT 2048u
#define PLAIN_29_BIT 2048u /* of the hash of 29-bit ids: who shares an entry with a wanted one is looked at too */

struct plain_filter {
    uint8_t wanted[PLAIN_11_BIT + PLAIN_29_BIT]; /* 1: frames on this id are emitted */
};

struct plain_limits {
    uint64_t count; /* records to take at the most */
    int64_t time;   /* latest time of a frame, ns since 1970 */
    int64_t elapsed; /* and on the clock that never goes back */
};

static inline uint32_t plain_place(uint32_t id, bool extended)
{
    return extended ? PLAIN_11_BIT + (id * 2654435761u >> 21) : id; /* Fibonacci hashing */
}

/* id_word: a CAN id, bit 31 set for 29 bits; DEF_NO_ID does no harm. */
void plain_want(struct plain_filter *filter, uint32_t id_word);
void plain_want_all(struct plain_filter *filter);
/*
 * Takes plain records that are in the reader's room, within the limits, up to and with the first one on a wanted id,
 * whose FRAME_DATA event is emitted. Returns how many were taken; 0: the next record is one for trace_reader_next.
 */
uint64_t plain_take(const struct plain_filter *filter, struct trace_reader *reader, struct frame_stage *stage,
                    const struct plain_limits *limits);

#endif
