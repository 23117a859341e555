/*
 * Frames to messages: ISO 15765-2 as a listener sees it, bound to configured address pairs (D 8.1 to 8.3), in every
 * address format, on classic CAN and CAN FD. A conversation is one sending address: a CAN id, and with extended and
 * mixed addressing the address byte; its partner's flow control is watched on the other address of the pair. A listener
 * is not stricter than a receiver: workable oddities become a message with remarks, what a receiver must drop becomes a
 * fault with a reason.
 */
#ifndef TT_TRANSPORT_H
#define TT_TRANSPORT_H

#include "../../definitions/model.h"
#include "../support/buffer.h"
#include "frame.h"

#define TRANSPORT_LONGEST_LEAST 4095u         /* ISO 15765-2: what a first frame of two bytes can announce; with less, whole
                                               * answers would be left out of account, as if nobody had given them */
#define TRANSPORT_LONGEST (64u * 1024u)       /* default ceiling of one message, bytes (--longest) */
#define TRANSPORT_OPEN_TOTAL (8u << 20)       /* all open messages together (D 2.9) */
#define TRANSPORT_CONVERSATIONS 4096u
#define TRANSPORT_STAMP_UNCERTAINTY (10 * TT_MS) /* of a bare trace (D 8.5) */

/* Whom a message comes from and goes to. */
enum direction { DIRECTION_REQUEST, DIRECTION_RESPONSE, DIRECTION_FUNCTIONAL };

/*
 * Two addresses that talk to each other: CAN id words (DEF_ID_29 marks 29 bits), and with extended and mixed addressing
 * the byte before the PCI. Normal fixed is a normal pair of 29-bit ids here.
 */
struct transport_pair {
    uint32_t request_id, response_id, functional_id; /* functional_id: DEF_NO_ID when there is none */
    uint32_t module;  /* caller's number, carried along */
    int64_t n_cr, n_bs; /* timeouts in ns, 1 s each by default (ISO 15765-2:2016 9.8.2) */
    enum address_format format;
    uint8_t request_byte, response_byte, functional_byte; /* extended: N_TA of each; mixed: N_AE, the same in all */
};

enum message_state { MESSAGE_COMPLETE, MESSAGE_ABANDONED };

enum message_reason { /* D 8.3 */
    REASON_NONE, REASON_SEQUENCE, REASON_TIMEOUT, REASON_INTERRUPTED, REASON_OVERFLOW, REASON_UNANSWERED, REASON_CUT,
    REASON_TOO_LONG, REASON_CROWDED_OUT,
};
/* "sequence", "timeout", ...; NULL for REASON_NONE. */
const char *message_reason_text(enum message_reason reason);

enum message_remark { /* bits; unusual but workable (D 8.2) */
    REMARK_SHORT_FIRST_FRAME = 1u << 0, /* first-frame length below the minimum of ISO 15765-2 9.6.3 */
    REMARK_ESCAPE_SHORT = 1u << 1,      /* escape form for a length up to 4,095 */
    REMARK_NO_FLOW_CONTROL = 1u << 2,   /* consecutive frames came without a flow control seen */
    REMARK_WAITED = 1u << 3,            /* at least one FC.WAIT */
    REMARK_RESERVED_STMIN = 1u << 4,    /* STmin from the reserved ranges (a sender takes 127 ms) */
    REMARK_CLOCK_BACK = 1u << 5,        /* the clock went back while it was open */
    REMARK_LONG_SINGLE = 1u << 6,       /* 8-bit single-frame length that the 4-bit form could have stated (CAN FD) */
    REMARK_FLOW_CHANGED = 1u << 7,      /* block size or STmin changed from one flow control to the next */
    /* beyond the stamp uncertainty only: */
    REMARK_ST_MIN_BROKEN = 1u << 8,     /* consecutive frames closer than STmin */
    REMARK_LATE_FLOW_CONTROL = 1u << 9, /* later than 0.9 N_Bs (N_Br of 9.8.1) */
    REMARK_LATE_CONSECUTIVE = 1u << 10, /* later than 0.9 N_Cr (N_Cs of 9.8.1) */
};
#define REMARK_COUNT 11
const char *message_remark_text(unsigned bit_index);

/* Where payload bytes lie in the trace: length bytes from payload position start are at offset of file. */
struct segment {
    uint32_t start, length;
    uint64_t offset;
    uint32_t file;
};

struct message {
    uint32_t bus, module;
    enum direction direction;
    uint32_t id;              /* sending CAN id word */
    bool has_address_byte;    /* extended and mixed addressing */
    uint8_t address_byte;
    /* last_*: the frame that completed it or ended it (sequence, overflow); else the last one taken into it. */
    uint64_t first_frame, last_frame;
    int64_t first_time, last_time;       /* ns since 1970 */
    int64_t first_elapsed, last_elapsed; /* see struct frame */
    uint32_t first_epoch, last_epoch;
    uint32_t length;          /* announced */
    uint32_t received;        /* bytes at bytes */
    const uint8_t *bytes;     /* borrowed */
    const struct segment *segments; /* borrowed, ascending, cover received bytes */
    uint32_t segment_count;
    uint64_t record_offset;   /* record header of the first frame */
    uint32_t file;
    enum message_state state;
    enum message_reason reason;
    unsigned remarks;
};

enum transport_event_kind {
    TRANSPORT_STARTED, /* the first frame of a segmented message was accepted: first_*, id, direction, length are set */
    TRANSPORT_MESSAGE, /* message complete or abandoned */
    TRANSPORT_FAULT,   /* a frame on a configured id that a receiver must drop: reason says why */
};

struct transport_event {
    enum transport_event_kind kind;
    const struct message *message; /* STARTED, MESSAGE */
    const struct frame *frame;     /* FAULT: the frame */
    uint32_t module;               /* a fault on a shared functional id: of the first pair that has it */
    const char *reason;            /* FAULT: static text: "consecutive frame without a first frame", ... */
};

#define TRANSPORT_NO_CONVERSATION UINT32_MAX

struct transport_wide {
    uint32_t id, index;
};

struct transport_conversation;
struct transport {
    struct transport_conversation *conversations; /* owned */
    uint32_t count, room;
    /* Per id the first of its conversations, or TRANSPORT_NO_CONVERSATION; owned. */
    uint32_t *by_id;       /* 2,048 entries, for 11-bit ids */
    struct transport_wide *wide; /* hash table for 29-bit ids, open addressing; NULL while no pair has one */
    uint32_t wide_bits, wide_count; /* 2^bits entries, at most half of them in use */
    int64_t next_deadline; /* elapsed time of the first running timer; INT64_MAX when none runs */
    uint32_t first_open;   /* open messages in order of their deadline: with equal timeouts, in order of last frame */
    uint32_t last_open;
    size_t open_bytes;     /* received bytes of all open messages */
    size_t open_limit;     /* ceiling of these: TRANSPORT_OPEN_TOTAL, less where several buses share it */
    size_t held;           /* memory held for open and coming messages, bytes */
    int64_t uncertainty;   /* of the stamps, ns: TRANSPORT_STAMP_UNCERTAINTY, or what the recorder says (D 8.5) */
    uint32_t longest;
    struct segment *segments; /* of the message being emitted; owned */
    size_t segment_room;
    void (*emit)(void *context, const struct transport_event *event);
    void *context;
};

/* False without memory. */
TT_MUST_USE bool transport_init(struct transport *transport, uint32_t longest,
                                void (*emit)(void *context, const struct transport_event *event), void *context);
/*
 * Adds a pair before the first frame. Returns NULL, or why not ("identifier is already in use", ...). A functional
 * address may be shared by several pairs; then each of its messages is emitted once per pair, in order of adding.
 */
TT_MUST_USE const char *transport_add_pair(struct transport *transport, const struct transport_pair *pair);
/* Whose requests or responses use this CAN id word: false when nobody's. *module: DEF_NONE when several modules' do. */
bool transport_module_of(const struct transport *transport, uint32_t id_word, uint32_t *module);
/* Parts of transport_push. */
void transport_expire(struct transport *transport, int64_t elapsed);
void transport_take(struct transport *transport, uint32_t index, const struct frame *frame);
static inline uint32_t transport_find_wide(const struct transport *transport, uint32_t id)
{
    uint32_t mask = (1u << transport->wide_bits) - 1;
    uint32_t at = id * 2654435761u >> (32 - transport->wide_bits); /* Fibonacci hashing */
    while (transport->wide[at].index != TRANSPORT_NO_CONVERSATION && transport->wide[at].id != id)
        at = (at + 1) & mask;
    return transport->wide[at].index;
}
/*
 * Data frames only (FRAME_DATA). Timeouts that this frame's time proves are emitted first, whatever its id. Inline:
 * nearly all frames of a bus are on other ids and cost one comparison and one look-up.
 */
static inline void transport_push(struct transport *transport, const struct frame *frame)
{
    uint32_t index;
    if (frame->elapsed > transport->next_deadline)
        transport_expire(transport, frame->elapsed);
    if (!frame->extended)
        index = frame->id <= 0x7FF ? transport->by_id[frame->id] : TRANSPORT_NO_CONVERSATION;
    else
        index = transport->wide ? transport_find_wide(transport, frame->id) : TRANSPORT_NO_CONVERSATION;
    if (index != TRANSPORT_NO_CONVERSATION)
        transport_take(transport, index, frame);
}
/* Time went back: running timers restart (D 8.5). */
void transport_clock_back(struct transport *transport, const struct frame *frame);
/* End of the trace: open messages end as "cut". */
void transport_finish(struct transport *transport);
void transport_free(struct transport *transport);

#endif
