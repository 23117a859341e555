/*
 * A second, small ISO 15765-2 listener, the oracle of fuzz_transport.c. Written from the published tables only (ISO
 * 15765-2:2016 clauses as quoted by secondary texts: N_PCI 9.6, unexpected N_PDU 9.8.3, timeouts 9.8.2; CAN FD limits
 * as the Linux kernel's receiver has them) and from the table of docs/transport.md, without a look at the transport
 * stage; where the two first differed and both readings of that table were possible, this one follows the stage. It is
 * slow, plain, and takes no hostile sizes: at most SECOND_ADDRESSES addresses.
 */
#ifndef TT_SECOND_TRANSPORT_H
#define TT_SECOND_TRANSPORT_H

#include "../../decoder/stages/transport.h"

#define SECOND_ADDRESSES 24
#define SECOND_EVENTS 64

/* What is compared of an event. */
struct second_event {
    enum transport_event_kind kind;
    uint32_t module, id;
    enum direction direction;
    enum message_reason reason;
    bool complete;
    uint32_t length, received;
    uint64_t sum;               /* second_sum of the bytes */
    uint64_t first_frame, last_frame;
    unsigned remarks;
    const char *fault;
};

struct second_address { /* one sender */
    struct transport_pair pair;
    enum direction direction;
    uint32_t id;
    bool addressed;
    uint8_t byte;
    /* the open message */
    bool open;
    uint8_t *bytes;             /* longest of them */
    uint32_t length, received, full; /* full: CAN_DL of the first frame */
    uint8_t next;               /* sequence number */
    uint64_t first_frame, last_frame;
    unsigned remarks;
    bool flow_due, flow_missed, waited, block_ended, has_flow; /* what the receiver owes, did and said */
    uint8_t block, st_min;      /* as said last */
    uint32_t block_left;        /* consecutive frames until the next flow control; 0: no end */
    int64_t since;              /* elapsed time of what the sender or receiver has to follow */
    int64_t limit;
};

struct second_transport {
    struct second_address addresses[SECOND_ADDRESSES];
    uint32_t count, longest;
    struct second_event events[SECOND_EVENTS]; /* of the last push */
    uint32_t event_count;
};

uint64_t second_sum(const uint8_t *bytes, size_t length);
void second_init(struct second_transport *second, uint32_t longest);
void second_add(struct second_transport *second, const struct transport_pair *pair);
void second_push(struct second_transport *second, const struct frame *frame);
void second_clock_back(struct second_transport *second, const struct frame *frame);
void second_finish(struct second_transport *second);
void second_free(struct second_transport *second);

#endif
