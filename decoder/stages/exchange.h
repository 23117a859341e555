/*
 * Messages to exchanges: a request with all its responses (D 8.4, 8.5; ISO 14229-1:2020 8, ISO 14229-2 timing).
 * Up to four exchanges may be open per module. Every event is emitted as the frame that decides it is pushed, so events
 * come in file order; an exchange that is only waiting for a late answer stays silent until it is decided.
 */
#ifndef TT_EXCHANGE_H
#define TT_EXCHANGE_H

#include "../../definitions/model.h"
#include "transport.h"

#define EXCHANGE_OPEN_MAX 4       /* per module (D 8.4) */
#define EXCHANGE_REQUEST_KEPT 4096 /* bytes kept of a request */
#define EXCHANGE_PENDING_KEPT 16  /* 0x78 answers kept one by one; all are counted */
#define EXCHANGE_UNANSWERED_MAX 4 /* per module: requests closed without an answer that a later answer may still belong to */
#define EXCHANGE_STAMP_UNCERTAINTY (10 * TT_MS) /* of a bare trace (D 8.5): late only beyond the deadline plus this */

/*
 * Bytes that a positive answer repeats of its request behind the SID (message tables of ISO 14229-1:2020 and ISO 14230-3;
 * docs/services.md has them): sub-function, identifier, routine, local identifier, address, control parameter. 0 to 3.
 */
uint32_t exchange_echo_length(enum dialect dialect, uint8_t sid);
/* Byte 1 of the request is a sub-function with suppressPosRspMsgIndicationBit in bit 7, which the answer does not repeat.
 * ISO 14230 has no such bit: there byte 1 of some services is responseRequired (01) or noResponse (02). */
bool exchange_has_sub_function(enum dialect dialect, uint8_t sid);

enum exchange_state {
    EXCHANGE_OPEN,
    EXCHANGE_ANSWERED, EXCHANGE_REFUSED, /* in time */
    EXCHANGE_LATE,          /* answered after its deadline: nrc tells positive (0) from refused */
    EXCHANGE_MISSING,       /* no answer, and none will be waited for any more */
    EXCHANGE_ASKED_AGAIN,   /* an equal request came before an answer */
    EXCHANGE_SUPPRESSED,    /* suppressPosRspMsgIndicationBit set, no answer came */
    EXCHANGE_UNSOLICITED,   /* an answer nobody asked for: request_length 0 */
    EXCHANGE_CUT,           /* the trace ended before its deadline: no answer seen */
};
const char *exchange_state_text(enum exchange_state state); /* the words of D 9.3 */

/* First and last frame, times of one message. */
struct span {
    uint64_t first_frame, last_frame;
    int64_t first_time, last_time;
    int64_t first_elapsed, last_elapsed;
    uint32_t first_epoch, last_epoch;
};

struct exchange_pending { /* one 7F sid 78 */
    struct span span;
    uint8_t bytes[3];
};

struct exchange {
    uint64_t serial;          /* from 1, in order of opening (unsolicited ones too) */
    uint32_t bus, module;
    enum dialect dialect;     /* of the module; ISO 14229 when nobody describes it */
    bool functional;          /* the request went to the functional id */
    uint8_t service;          /* request SID (for unsolicited: answer SID - 0x40, or byte 1 of 7F) */
    bool suppress;            /* no positive answer wanted: suppressPosRspMsgIndicationBit; ISO 14230: noResponse */
    struct span request;      /* zero for unsolicited */
    uint8_t *request_bytes;   /* first request_kept bytes; owned by the stage */
    uint32_t request_kept, request_length; /* request_length 0: unsolicited. A request of which frames are missing in the trace opens an
                                            * exchange too, as the module may have had it whole: then fewer bytes are kept than asked */
    uint64_t pending_count;   /* 0x78 answers so far */
    enum exchange_state state;
    uint8_t nrc;              /* of the final answer; 0 when positive or none */
    bool has_response;
    struct span response;     /* the final answer, when has_response */
    struct exchange_pending pending[EXCHANGE_PENDING_KEPT]; /* the first ones of pending_count; the others are not cleared */
};

enum exchange_event_kind {
    EXCHANGE_EVENT_REQUEST,  /* a request was seen: exchange is OPEN */
    EXCHANGE_EVENT_PENDING,  /* the module asked for more time (0x78): last entry of pending */
    EXCHANGE_EVENT_CLOSED,   /* state is final; response holds the answer's message when has_response */
    EXCHANGE_EVENT_BROKEN,   /* no answer can be made of a message of this module: abandoned in transport (response->reason), or complete
                              * (REASON_NONE) but neither a positive response SID nor a whole 7F SID NRC with NRC above 0. exchange: the
                              * one it would have belonged to, which stays open, or NULL */
};

struct exchange_event {
    enum exchange_event_kind kind;
    const struct exchange *exchange;
    const struct message *response; /* CLOSED with has_response; PENDING; BROKEN; else NULL */
    /* Other questions that could own this answer just as well: open ones with the same service and echo, and those of this service that
     * went unanswered (missing) directly before (D 7.10). Borrowed. */
    const struct exchange *rivals[EXCHANGE_OPEN_MAX + EXCHANGE_UNANSWERED_MAX];
    uint32_t rival_count;
    bool repeated;                  /* UNSOLICITED: equal to the answer before it ("repeated") */
};

struct exchange_stage;
/*
 * definitions gives P2, P2* per module. NULL without memory. Modules are numbers 0..module_count-1 (for a bare --pair without definitions
 * module_count pairs with default timing: definitions may be NULL).
 */
TT_MUST_USE struct exchange_stage *exchange_open(const struct definitions *definitions, uint32_t module_count,
                                                 void (*emit)(void *context, const struct exchange_event *event), void *context);
/* For several buses: serials come from this counter (0 at first; borrowed), so that no two exchanges of the run share one. */
void exchange_share_serial(struct exchange_stage *stage, uint64_t *serial);
/* Of the stamps, ns; EXCHANGE_STAMP_UNCERTAINTY until set. */
void exchange_set_uncertainty(struct exchange_stage *stage, int64_t uncertainty);
/* STARTED events stop P2 at the first frame of an answer; MESSAGE events carry requests and answers. */
void exchange_push(struct exchange_stage *stage, const struct transport_event *event);
void exchange_clock_back(struct exchange_stage *stage, const struct frame *frame);
/* End of trace at this time: open exchanges past their deadline are MISSING (or SUPPRESSED), others CUT. */
void exchange_finish(struct exchange_stage *stage, int64_t elapsed, uint32_t epoch);
void exchange_close(struct exchange_stage *stage);

#endif
