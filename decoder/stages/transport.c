/*
 * See transport.h. One function per N_PDU kind; every open message is left through close_message. What happens when is
 * the table of docs/transport.md, after ISO 15765-2:2016 9.8.3 (unexpected N_PDUs) and 9.8.2 (timeouts).
 */
#include "transport_conversation.h"

#include "../support/shortage.h"

#include <string.h>

#include "pdu.h"

/* Buffers are kept for the next message of their conversation while all of them together hold no more than this. */
#define HELD_KEPT ((size_t)4 << 20)

/* Where a frame's payload lies, packed: one for every 6 or 7 bytes, so it costs about as much as the payload itself. */
#define PLACE_FILE_BITS 6
_Static_assert(FRAME_FILE_MAX <= 1 << PLACE_FILE_BITS, "file index fits a place");

/* ---- the list of open messages, by deadline ---- */

static void update_deadline(struct transport *transport)
{
    transport->next_deadline =
        transport->first_open == NONE ? INT64_MAX : transport->conversations[transport->first_open].deadline;
}

static void list_remove(struct transport *transport, struct transport_conversation *one)
{
    if (one->before == NONE)
        transport->first_open = one->after;
    else
        transport->conversations[one->before].after = one->after;
    if (one->after == NONE)
        transport->last_open = one->before;
    else
        transport->conversations[one->after].before = one->before;
}

/* Walks from the end: with equal timeouts the place is the end itself. */
static void list_insert(struct transport *transport, struct transport_conversation *one)
{
    uint32_t index = (uint32_t)(one - transport->conversations);
    one->before = transport->last_open;
    one->after = NONE;
    while (one->before != NONE && transport->conversations[one->before].deadline > one->deadline) {
        one->after = one->before;
        one->before = transport->conversations[one->before].before;
    }
    if (one->before == NONE)
        transport->first_open = index;
    else
        transport->conversations[one->before].after = index;
    if (one->after == NONE)
        transport->last_open = index;
    else
        transport->conversations[one->after].before = index;
}

/* Starts the timer that is due: N_Bs when a flow control is awaited, else N_Cr. The message is in the list. */
static void restart_timer(struct transport *transport, struct transport_conversation *one, int64_t elapsed)
{
    list_remove(transport, one);
    one->deadline = elapsed + (one->awaits_flow ? one->n_bs : one->n_cr);
    list_insert(transport, one);
    update_deadline(transport);
}

/* ---- emitting ---- */

static void emit_message(struct transport *transport, enum transport_event_kind kind, const struct message *message)
{
    transport->emit(transport->context,
                    &(struct transport_event){.kind = kind, .message = message, .module = message->module});
}

static void emit_fault(struct transport *transport, const struct transport_conversation *one, const struct frame *frame,
                       const char *reason)
{
    transport->emit(transport->context, &(struct transport_event){
        .kind = TRANSPORT_FAULT, .frame = frame, .module = one->message.module, .reason = reason});
}

static void set_last(struct message *message, const struct frame *frame)
{
    message->last_frame = frame->number;
    message->last_time = frame->time;
    message->last_elapsed = frame->elapsed;
    message->last_epoch = frame->epoch;
}

/* Everything but who it is from and to, payload still empty. */
static void begin(struct message *message, const struct frame *frame, uint32_t length)
{
    message->bus = frame->bus;
    message->first_frame = frame->number;
    message->first_time = frame->time;
    message->first_elapsed = frame->elapsed;
    message->first_epoch = frame->epoch;
    set_last(message, frame);
    message->length = length;
    message->received = 0;
    message->bytes = NULL;
    message->segments = NULL;
    message->segment_count = 0;
    message->record_offset = frame->offset;
    message->file = frame->file;
    message->state = MESSAGE_ABANDONED;
    message->reason = REASON_NONE;
    message->remarks = 0;
}

/* A message that is over with its first frame; all its payload is in the frame. */
static void emit_at_once(struct transport *transport, struct transport_conversation *one, const struct frame *frame,
                         const struct pdu *pdu, enum message_reason reason)
{
    struct message *message = &one->message;
    begin(message, frame, pdu->length);
    message->received = pdu->data_length < pdu->length ? pdu->data_length : pdu->length; /* the rest is padding */
    message->bytes = pdu->data;
    transport->segments[0] = (struct segment){
        .start = 0, .length = message->received, .offset = frame->data_offset + pdu->header, .file = frame->file};
    message->segments = transport->segments;
    message->segment_count = 1;
    message->state = reason == REASON_NONE ? MESSAGE_COMPLETE : MESSAGE_ABANDONED;
    message->reason = reason;
    if (pdu->kind == PDU_SINGLE && pdu->short_length)
        message->remarks |= REMARK_LONG_SINGLE;
    emit_message(transport, TRANSPORT_MESSAGE, message);
}

/* ---- the payload of an open message ---- */

/* Unpacks the places into transport->segments, which has the room (see keep_place). */
static void set_segments(struct transport *transport, struct transport_conversation *one)
{
    struct message *message = &one->message;
    size_t count = one->places.length / sizeof(uint64_t);
    uint32_t start = 0;
    for (size_t i = 0; i < count; i++) {
        uint64_t place;
        memcpy(&place, one->places.data + i * sizeof place, sizeof place);
        uint32_t length = i == 0 ? one->first_data : one->more_data; /* the last one: what is left */
        if (length > message->received - start)
            length = message->received - start;
        transport->segments[i] = (struct segment){
            .start = start, .length = length, .offset = place >> PLACE_FILE_BITS,
            .file = (uint32_t)(place & ((1u << PLACE_FILE_BITS) - 1))};
        start += length;
    }
    message->segments = transport->segments;
    message->segment_count = (uint32_t)count;
    message->bytes = one->payload.data;
}

static void close_message(struct transport *transport, struct transport_conversation *one, enum message_reason reason)
{
    list_remove(transport, one);
    update_deadline(transport);
    one->open = false;
    transport->open_bytes -= one->message.received;
    set_segments(transport, one);
    one->message.state = reason == REASON_NONE ? MESSAGE_COMPLETE : MESSAGE_ABANDONED;
    one->message.reason = reason;
    emit_message(transport, TRANSPORT_MESSAGE, &one->message);
    if (transport->held > HELD_KEPT)
        transport_release(transport, one);
}

static bool keep_place(struct transport *transport, struct transport_conversation *one, uint64_t offset, uint32_t file)
{
    uint64_t place = offset << PLACE_FILE_BITS | file;
    return transport_reserve_segments(transport, one->places.length / sizeof place + 1) &&
           buffer_append(&one->places, &place, sizeof place);
}

/* Takes length payload bytes of a frame. False when the message itself was closed for lack of room. */
static bool append(struct transport *transport, struct transport_conversation *one, const struct frame *frame,
                   const struct pdu *pdu, uint32_t length)
{
    while (transport->open_bytes + length > transport->open_limit) {
        struct transport_conversation *oldest = &transport->conversations[transport->first_open];
        close_message(transport, oldest, REASON_CROWDED_OUT);
        if (oldest == one)
            return false;
    }
    size_t held = one->payload.room + one->places.room;
    size_t places = one->places.length;
    bool good = keep_place(transport, one, frame->data_offset + pdu->header, frame->file);
    if (good && !buffer_append(&one->payload, pdu->data, length)) {
        one->places.length = places;
        good = false;
    }
    transport->held += one->payload.room + one->places.room - held;
    if (!good) { /* no memory */
        shortage_note();
        close_message(transport, one, REASON_CROWDED_OUT);
        return false;
    }
    one->message.received += length;
    transport->open_bytes += length;
    set_last(&one->message, frame);
    return true;
}

/* ---- one function per N_PDU kind ---- */

/* The receiver drops what it has and begins anew (ISO 15765-2:2016 9.8.3, reception in progress). */
static void interrupt(struct transport *transport, struct transport_conversation *one)
{
    if (one->open)
        close_message(transport, one, REASON_INTERRUPTED);
}

static void take_single(struct transport *transport, struct transport_conversation *one, const struct frame *frame,
                        const struct pdu *pdu)
{
    interrupt(transport, one);
    emit_at_once(transport, one, frame, pdu, REASON_NONE);
    for (uint32_t i = one->next_shared; i != NONE; i = transport->conversations[i].next_shared)
        emit_at_once(transport, &transport->conversations[i], frame, pdu, REASON_NONE);
}

static void take_first(struct transport *transport, struct transport_conversation *one, const struct frame *frame,
                       const struct pdu *pdu)
{
    struct message *message = &one->message;
    interrupt(transport, one);
    if (pdu->length > transport->longest) {
        emit_at_once(transport, one, frame, pdu, REASON_TOO_LONG);
        return;
    }
    begin(message, frame, pdu->length);
    if (pdu->short_length)
        message->remarks |= REMARK_SHORT_FIRST_FRAME;
    if (pdu->escape && pdu->length <= PDU_12_BIT_MAX)
        message->remarks |= REMARK_ESCAPE_SHORT;
    one->payload.ceiling = pdu->length;
    one->full = frame->length;
    one->first_data = pdu->data_length;
    one->more_data = (uint8_t)(frame->length - one->addressed - 1);
    one->places.ceiling = (pdu->length / one->more_data + 2) * sizeof(uint64_t);
    buffer_clear(&one->payload);
    buffer_clear(&one->places);
    one->open = true;
    one->awaits_flow = true;
    one->answered = one->paced = one->has_flow = false;
    one->block_size = one->block_left = 0;
    one->st_min = 0;
    one->sequence = 1;
    one->deadline = frame->elapsed + one->n_bs;
    list_insert(transport, one);
    update_deadline(transport);
    emit_message(transport, TRANSPORT_STARTED, message);
    uint32_t length = pdu->data_length < pdu->length ? pdu->data_length : pdu->length;
    if (append(transport, one, frame, pdu, length) && message->received == message->length)
        close_message(transport, one, REASON_NONE); /* a length below the minimum: nothing is left for another frame */
}

/* Of a consecutive frame that was due: sooner than STmin, or later than N_Cs allows (ISO 15765-2:2016 9.6.5, 9.8.1)? */
static void look_at_pace(const struct transport *transport, struct transport_conversation *one,
                         const struct frame *frame)
{
    struct message *message = &one->message;
    int64_t waited = frame->elapsed - (one->deadline - one->n_cr);
    if (waited > one->n_cr / 10 * 9 + transport->uncertainty)
        message->remarks |= REMARK_LATE_CONSECUTIVE;
    if (one->paced && one->st_min > transport->uncertainty && frame->epoch == message->last_epoch &&
        !(message->remarks & REMARK_NO_FLOW_CONTROL) && /* a flow control we did not see may have asked for less */
        frame->elapsed - message->last_elapsed + transport->uncertainty < one->st_min)
        message->remarks |= REMARK_ST_MIN_BROKEN;
}

static void take_consecutive(struct transport *transport, struct transport_conversation *one, const struct frame *frame,
                             const struct pdu *pdu)
{
    struct message *message = &one->message;
    if (!one->open) {
        emit_fault(transport, one, frame, "consecutive frame without a first frame");
        return;
    }
    uint32_t length = message->length - message->received;
    if (length > one->more_data)
        length = one->more_data;
    if (frame->length > one->full) {
        emit_fault(transport, one, frame, "consecutive frame longer than the first frame");
        return;
    }
    if (pdu->data_length < length) { /* only the last one may be short, and not shorter than its payload */
        emit_fault(transport, one, frame, "consecutive frame too short");
        return;
    }
    if (pdu->sequence != one->sequence) {
        set_last(message, frame);
        close_message(transport, one, REASON_SEQUENCE);
        return;
    }
    if (one->awaits_flow) { /* the sender went on, so the receiver agreed: only we did not see it */
        message->remarks |= REMARK_NO_FLOW_CONTROL;
        one->awaits_flow = false;
        one->block_left = one->block_size;
    } else {
        look_at_pace(transport, one, frame);
    }
    one->answered = one->paced = true;
    one->sequence = (one->sequence + 1) & 0x0F;
    if (!append(transport, one, frame, pdu, length))
        return;
    if (message->received == message->length) {
        close_message(transport, one, REASON_NONE);
        return;
    }
    if (one->block_size > 0 && --one->block_left == 0)
        one->awaits_flow = true;
    restart_timer(transport, one, frame->elapsed);
}

/* Older editions keep those of the first flow control, 2016 allows others: of STmin the least one asked for counts. */
static void take_parameters(struct transport_conversation *one, const struct pdu *pdu)
{
    int64_t st_min = pdu_st_min_time(pdu->st_min);
    if (one->has_flow && (pdu->block_size != one->flow_block || pdu->st_min != one->flow_st_min))
        one->message.remarks |= REMARK_FLOW_CHANGED;
    if (pdu_st_min_reserved(pdu->st_min))
        one->message.remarks |= REMARK_RESERVED_STMIN;
    if (!one->has_flow || st_min < one->st_min)
        one->st_min = st_min;
    one->has_flow = true;
    one->flow_block = pdu->block_size;
    one->flow_st_min = pdu->st_min;
    one->block_size = one->block_left = pdu->block_size;
}

/* one: the conversation whose sender the flow control is for. Not awaited: ignored, as a sender does (9.8.3). */
static void take_flow_control(struct transport *transport, struct transport_conversation *one,
                              const struct frame *frame, const struct pdu *pdu)
{
    if (!one->open)
        return;
    /* Once one was missed we do not know when the next is due: each is taken, but none ends a message that goes on. */
    bool missed = (one->message.remarks & REMARK_NO_FLOW_CONTROL) && pdu->status != FLOW_OVERFLOW;
    if (!one->awaits_flow && !missed)
        return;
    if (one->awaits_flow &&
        frame->elapsed - (one->deadline - one->n_bs) > one->n_bs / 10 * 9 + transport->uncertainty)
        one->message.remarks |= REMARK_LATE_FLOW_CONTROL; /* N_Br, ISO 15765-2:2016 9.8.1 */
    one->answered = true;
    one->paced = false;
    switch (pdu->status) {
    case FLOW_CONTINUE:
        one->awaits_flow = false;
        take_parameters(one, pdu);
        break;
    case FLOW_WAIT:
        one->awaits_flow = true;
        one->message.remarks |= REMARK_WAITED;
        break;
    case FLOW_OVERFLOW:
        set_last(&one->message, frame);
        close_message(transport, one, REASON_OVERFLOW);
        return;
    }
    restart_timer(transport, one, frame->elapsed);
}

void transport_take(struct transport *transport, uint32_t index, const struct frame *frame)
{
    struct transport_conversation *one = &transport->conversations[index];
    struct pdu pdu;
    if (one->addressed && frame->length > 0 && !frame->remote) {
        while (one->message.address_byte != frame->data[0]) {
            if (one->next_on_id == NONE)
                return; /* to or from a module that is not configured */
            one = &transport->conversations[one->next_on_id];
        }
    }
    if (frame->remote) {
        emit_fault(transport, one, frame, "remote frame");
        return;
    }
    pdu_read(frame->data, frame->length, one->addressed, &pdu);
    if (pdu.kind == PDU_BAD) {
        emit_fault(transport, one, frame, pdu.reason);
        return;
    }
    if (one->partner == NONE && pdu.kind != PDU_SINGLE) {
        emit_fault(transport, one, frame, "not a single frame, on a functional identifier");
        return;
    }
    switch (pdu.kind) {
    case PDU_SINGLE:
        take_single(transport, one, frame, &pdu);
        break;
    case PDU_FIRST:
        take_first(transport, one, frame, &pdu);
        break;
    case PDU_CONSECUTIVE:
        take_consecutive(transport, one, frame, &pdu);
        break;
    case PDU_FLOW_CONTROL:
        take_flow_control(transport, &transport->conversations[one->partner], frame, &pdu);
        break;
    case PDU_BAD:
        break;
    }
}

/* ---- time and end ---- */

void transport_expire(struct transport *transport, int64_t elapsed)
{
    while (elapsed > transport->next_deadline) {
        struct transport_conversation *one = &transport->conversations[transport->first_open];
        close_message(transport, one, one->answered ? REASON_TIMEOUT : REASON_UNANSWERED);
    }
}

void transport_clock_back(struct transport *transport, const struct frame *frame)
{
    uint32_t index = transport->first_open;
    transport->first_open = transport->last_open = NONE;
    while (index != NONE) {
        struct transport_conversation *one = &transport->conversations[index];
        index = one->after;
        one->message.remarks |= REMARK_CLOCK_BACK;
        one->deadline = frame->elapsed + (one->awaits_flow ? one->n_bs : one->n_cr);
        list_insert(transport, one);
    }
    update_deadline(transport);
}

void transport_finish(struct transport *transport)
{
    while (transport->first_open != NONE)
        close_message(transport, &transport->conversations[transport->first_open], REASON_CUT);
}
