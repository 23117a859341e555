/* What transport.c and transport_setup.c share; nobody else includes it. */
#ifndef TT_TRANSPORT_CONVERSATION_H
#define TT_TRANSPORT_CONVERSATION_H

#include "transport.h"

#define NONE TRANSPORT_NO_CONVERSATION

struct transport_conversation {
    struct message message; /* module, direction, id and address byte are set once */
    int64_t n_cr, n_bs;
    int64_t deadline;
    uint32_t partner;       /* conversation of the pair's other id: its flow control is for us; NONE for functional */
    uint32_t next_shared;   /* functional: the next pair's conversation on the same address */
    uint32_t next_on_id;    /* the next conversation of the same id with another address byte */
    uint8_t addressed;      /* address bytes before the PCI: 0 or 1 */
    uint32_t before, after; /* in the list of open messages */
    bool open;
    bool awaits_flow;       /* N_Bs runs, else N_Cr */
    bool answered;          /* a flow control or a consecutive frame came after the first frame */
    uint8_t sequence;       /* of the next consecutive frame */
    uint8_t block_size, block_left;
    uint8_t full;           /* CAN data bytes of the first frame: RX_DL (ISO 15765-2:2016 9.5.4) */
    uint8_t first_data;     /* payload bytes in the first frame */
    uint8_t more_data;      /* in each consecutive frame but the last */
    bool paced;             /* the frame before was a consecutive one of the same block: STmin counts */
    bool has_flow;          /* a flow control was taken: the three below are set */
    uint8_t flow_block, flow_st_min; /* of the last one */
    int64_t st_min;         /* the least asked for so far, ns */
    struct buffer payload;  /* kept from message to message */
    struct buffer places;   /* uint64_t each */
};

/* Room in transport->segments for count of them, doubling. False without memory. */
TT_MUST_USE bool transport_reserve_segments(struct transport *transport, size_t count);
/* Frees the buffers of a conversation without an open message. */
void transport_release(struct transport *transport, struct transport_conversation *one);

#endif
