/* What transport.c and transport_setup.c share; nobody else includes it. */
#ifndef TT_TRANSPORT_CONVERSATION_H
#define TT_TRANSPORT_CONVERSATION_H

#include "transport.h"

#define NONE TRANSPORT_NO_CONVERSATION

struct transport_conversation {
    struct message message; /* bus, module, direction and id are set once */
    int64_t n_cr, n_bs;
    int64_t deadline;
    uint32_t partner;       /* conversation of the other id of the pair: its flow control is for us; NONE for functional */
    uint32_t next_shared;   /* functional: the next pair's conversation on the same id */
    uint32_t before, after; /* in the list of open messages */
    bool open;
    bool awaits_flow;       /* N_Bs runs, else N_Cr */
    bool answered;          /* a flow control or a consecutive frame came after the first frame */
    uint8_t sequence;       /* of the next consecutive frame */
    uint8_t block_size, block_left;
    struct buffer payload;  /* kept from message to message */
    struct buffer places;   /* uint64_t each */
};

/* Room in transport->segments for count of them, doubling. False without memory. */
TT_MUST_USE bool transport_reserve_segments(struct transport *transport, size_t count);
/* Frees the buffers of a conversation without an open message. */
void transport_release(struct transport *transport, struct transport_conversation *one);

#endif
