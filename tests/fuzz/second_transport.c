/* See second_transport.h. */
#include "second_transport.h"

#include <string.h>

#include "fuzz.h"

static const char not_single[] = "not a single frame, on a functional identifier";

uint64_t second_sum(const uint8_t *bytes, size_t length)
{
    uint64_t sum = length;
    for (size_t i = 0; i < length; i++)
        sum = sum * 31 + bytes[i] + 1;
    return sum;
}

void second_init(struct second_transport *second, uint32_t longest)
{
    memset(second, 0, sizeof *second);
    second->longest = longest;
}

static void add_address(struct second_transport *second, const struct transport_pair *pair, enum direction direction,
                        uint32_t id, uint8_t byte)
{
    FUZZ_CHECK(second->count < SECOND_ADDRESSES);
    struct second_address *address = &second->addresses[second->count++];
    address->pair = *pair;
    address->direction = direction;
    address->id = id;
    address->addressed = pair->format == ADDRESS_EXTENDED || pair->format == ADDRESS_MIXED;
    address->byte = byte;
    address->bytes = malloc(second->longest + FRAME_DATA_MAX); /* a first frame that is too long is kept */
    FUZZ_CHECK(address->bytes);
}

void second_add(struct second_transport *second, const struct transport_pair *pair)
{
    add_address(second, pair, DIRECTION_REQUEST, pair->request_id, pair->request_byte);
    add_address(second, pair, DIRECTION_RESPONSE, pair->response_id, pair->response_byte);
    if (pair->functional_id != DEF_NO_ID)
        add_address(second, pair, DIRECTION_FUNCTIONAL, pair->functional_id, pair->functional_byte);
}

static struct second_event *say(struct second_transport *second, const struct second_address *address,
                                enum transport_event_kind kind)
{
    FUZZ_CHECK(second->event_count < SECOND_EVENTS);
    struct second_event *event = &second->events[second->event_count++];
    *event = (struct second_event){.kind = kind, .module = address->pair.module};
    if (kind == TRANSPORT_FAULT)
        return event;
    event->id = address->id;
    event->direction = address->direction;
    event->length = address->length;
    event->first_frame = address->first_frame;
    if (kind == TRANSPORT_STARTED)
        return event;
    event->received = address->received;
    event->sum = second_sum(address->bytes, address->received);
    event->last_frame = address->last_frame;
    event->remarks = address->remarks;
    return event;
}

static void end(struct second_transport *second, struct second_address *address, enum message_reason reason)
{
    struct second_event *event = say(second, address, TRANSPORT_MESSAGE);
    event->complete = reason == REASON_NONE;
    event->reason = reason;
    address->open = false;
}

static void wait_from(struct second_address *address, int64_t elapsed, int64_t limit)
{
    address->since = elapsed;
    address->limit = limit;
}

static void expire(struct second_transport *second, int64_t elapsed)
{
    for (uint32_t i = 0; i < second->count; i++) {
        struct second_address *address = &second->addresses[i];
        if (address->open && elapsed - address->since > address->limit)
            /* N_TIMEOUT_Bs right after the first frame is a message nobody answered. */
            end(second, address, address->flow_due && !address->waited && !address->has_flow && !address->block_ended &&
                        !address->flow_missed ? REASON_UNANSWERED : REASON_TIMEOUT);
    }
}

/* A first or single frame that was taken. */
static void begin(struct second_transport *second, struct second_address *address, const struct frame *frame,
                  uint32_t length)
{
    if (address->open)
        end(second, address, REASON_INTERRUPTED); /* 9.8.3: N_UNEXP_PDU */
    address->length = length;
    address->received = 0;
    address->remarks = 0;
    address->first_frame = address->last_frame = frame->number;
    address->flow_due = address->flow_missed = address->waited = address->has_flow = address->block_ended = false;
    address->block_left = 0;
}

static void take(struct second_address *address, const uint8_t *data, size_t there)
{
    uint32_t left = address->length - address->received;
    uint32_t count = there < left ? (uint32_t)there : left;
    memcpy(address->bytes + address->received, data, count);
    address->received += count;
}

/* 9.6.2. data is behind the address byte; before is 0 or 1 such bytes. */
static const char *single(struct second_transport *second, struct second_address *address, const struct frame *frame,
                          const uint8_t *data, uint32_t count, uint32_t before)
{
    bool is_long = frame->length > 8;
    uint32_t length = data[0] & 0xF, header = 1;
    bool eight_bits = is_long;
    if (is_long && length != 0)
        return "single frame of the short form in a CAN FD frame of more than 8 bytes";
    if (is_long) {
        length = data[1];
        header = 2;
    }
    if (length == 0)
        return "single frame of length 0";
    if (length > count - header)
        return "single frame longer than its CAN frame";
    begin(second, address, frame, length);
    take(address, data + header, count - header);
    if (eight_bits && length <= 7 - before)
        address->remarks |= REMARK_LONG_SINGLE;
    end(second, address, REASON_NONE);
    return NULL;
}

/* 9.6.3 */
static const char *first(struct second_transport *second, struct second_address *address, const struct frame *frame,
                         const uint8_t *data, uint32_t count, uint32_t before)
{
    if (frame->length < 8)
        return "first frame in a CAN frame that is not full";
    uint64_t length = (uint32_t)(data[0] & 0xF) << 8 | data[1];
    uint32_t header = 2;
    bool escape = length == 0;
    if (escape) {
        length = (uint64_t)data[2] << 24 | (uint64_t)data[3] << 16 | (uint64_t)data[4] << 8 | data[5];
        header = 6;
    }
    if (length == 0)
        return "first frame of length 0";
    if (address->direction == DIRECTION_FUNCTIONAL)
        return not_single;
    begin(second, address, frame, (uint32_t)length);
    uint32_t least = frame->length == 8 ? 8 - before : frame->length - 1 - before; /* FF_DLmin */
    if (length < least)
        address->remarks |= REMARK_SHORT_FIRST_FRAME;
    if (escape && length <= 4095)
        address->remarks |= REMARK_ESCAPE_SHORT;
    if (length > second->longest) {
        take(address, data + header, count - header); /* "too long, with the first frame" */
        address->remarks = 0;
        end(second, address, REASON_TOO_LONG);
        return NULL;
    }
    address->full = frame->length;
    take(address, data + header, count - header);
    (void)say(second, address, TRANSPORT_STARTED);
    if (address->received == address->length) {
        end(second, address, REASON_NONE);
        return NULL;
    }
    address->open = true;
    address->next = 1;
    address->flow_due = true;
    wait_from(address, frame->elapsed, address->pair.n_bs);
    return NULL;
}

/* 9.6.4; lengths as net/can/isotp.c has them, before the sequence number. */
static const char *consecutive(struct second_transport *second, struct second_address *address,
                               const struct frame *frame, const uint8_t *data, uint32_t count)
{
    if (address->direction == DIRECTION_FUNCTIONAL)
        return not_single;
    if (!address->open)
        return "consecutive frame without a first frame";
    if (frame->length > address->full)
        return "consecutive frame longer than the first frame";
    uint32_t left = address->length - address->received;
    uint32_t full = address->full - (frame->length - count) - 1;
    uint32_t due = left < full ? left : full;
    if (count - 1 < due)
        return "consecutive frame too short";
    if ((data[0] & 0xF) != address->next) {
        address->last_frame = frame->number;
        end(second, address, REASON_SEQUENCE);
        return NULL;
    }
    if (address->flow_due) {
        address->remarks |= REMARK_NO_FLOW_CONTROL;
        address->flow_missed = true;
        address->flow_due = false;
        address->block_left = address->has_flow ? address->block : 0; /* another block as the last one, until told */
    }
    address->next = (address->next + 1) & 0xF;
    address->last_frame = frame->number;
    address->block_ended = false;
    take(address, data + 1, count - 1);
    if (address->received == address->length) {
        end(second, address, REASON_NONE);
        return NULL;
    }
    if (address->block_left > 0 && --address->block_left == 0) {
        address->flow_due = true;
        address->block_ended = true;
        address->waited = false;
        wait_from(address, frame->elapsed, address->pair.n_bs);
    } else {
        wait_from(address, frame->elapsed, address->pair.n_cr);
    }
    return NULL;
}

/* 9.6.5. The flow control for a sender comes from its partner. */
static const char *flow(struct second_transport *second, struct second_address *from, const struct frame *frame,
                        const uint8_t *data, uint32_t count)
{
    if (count < 3)
        return "flow control shorter than 3 bytes";
    uint8_t status = data[0] & 0xF;
    if (status > 2)
        return "flow control with a reserved flow status";
    if (from->direction == DIRECTION_FUNCTIONAL)
        return not_single;
    struct second_address *sender = NULL;
    for (uint32_t i = 0; i < second->count; i++) {
        struct second_address *one = &second->addresses[i];
        if (one->pair.module == from->pair.module && one->direction != from->direction &&
            one->direction != DIRECTION_FUNCTIONAL)
            sender = one;
    }
    if (!sender || !sender->open || !(sender->flow_due || sender->flow_missed))
        return NULL; /* nobody awaits it */
    if (status == 2) {
        if (!sender->flow_due)
            return NULL; /* the sender went on without any: too late for an overflow */
        sender->last_frame = frame->number;
        end(second, sender, REASON_OVERFLOW);
        return NULL;
    }
    if (status == 1) {
        sender->remarks |= REMARK_WAITED;
        sender->waited = true;
        sender->flow_due = true;
        wait_from(sender, frame->elapsed, sender->pair.n_bs);
        return NULL;
    }
    if (sender->has_flow && (sender->block != data[1] || sender->st_min != data[2]))
        sender->remarks |= REMARK_FLOW_CHANGED;
    sender->has_flow = true;
    sender->block = data[1];
    sender->st_min = data[2];
    sender->block_left = data[1];
    sender->flow_due = false; /* flow_missed stays: where a block began is not sure any more, so each is taken */
    if ((data[2] > 0x7F && data[2] < 0xF1) || data[2] > 0xF9)
        sender->remarks |= REMARK_RESERVED_STMIN;
    wait_from(sender, frame->elapsed, sender->pair.n_cr);
    return NULL;
}

static const char *dispatch(struct second_transport *second, struct second_address *address, const struct frame *frame)
{
    uint32_t before = address->addressed;
    if (frame->remote)
        return "remote frame";
    if (frame->length <= before)
        return "CAN frame without data";
    const uint8_t *data = frame->data + before;
    uint32_t count = frame->length - before;
    switch (data[0] >> 4) {
    case 0:
        return single(second, address, frame, data, count, before);
    case 1:
        return first(second, address, frame, data, count, before);
    case 2:
        return consecutive(second, address, frame, data, count);
    case 3:
        return flow(second, address, frame, data, count);
    default:
        return "unknown N_PDU type";
    }
}

void second_push(struct second_transport *second, const struct frame *frame)
{
    second->event_count = 0;
    expire(second, frame->elapsed);
    uint32_t id = frame->id | (frame->extended ? DEF_ID_29 : 0);
    bool faulted = false;
    for (uint32_t i = 0; i < second->count; i++) {
        struct second_address *address = &second->addresses[i];
        bool mine = address->id == id;
        if (mine && address->addressed && !frame->remote && frame->length > 0)
            mine = frame->data[0] == address->byte;
        if (!mine || faulted) /* a fault on an identifier that several have is told once */
            continue;
        const char *fault = dispatch(second, address, frame);
        if (fault) {
            say(second, address, TRANSPORT_FAULT)->fault = fault;
            faulted = true;
        }
    }
}

void second_clock_back(struct second_transport *second, const struct frame *frame)
{
    second->event_count = 0;
    for (uint32_t i = 0; i < second->count; i++) {
        struct second_address *address = &second->addresses[i];
        if (!address->open)
            continue;
        address->since = frame->elapsed;
        address->remarks |= REMARK_CLOCK_BACK;
    }
}

void second_finish(struct second_transport *second)
{
    second->event_count = 0;
    for (uint32_t i = 0; i < second->count; i++)
        if (second->addresses[i].open)
            end(second, &second->addresses[i], REASON_CUT);
}

void second_free(struct second_transport *second)
{
    for (uint32_t i = 0; i < second->count; i++)
        free(second->addresses[i].bytes);
}
