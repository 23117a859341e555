/*
 * A program of pairs and frames: every address format, classic and CAN FD frames, hostile order and time. Every event
 * of the transport stage is held against second_transport.c, and against what transport.h promises of a message.
 * Remarks on times (STmin, late frames) are not of the second implementation; unit tests have them.
 */
#include <string.h>

#include "../../decoder/stages/transport.h"
#include "fuzz.h"
#include "second_transport.h"

#define NOT_COMPARED (REMARK_ST_MIN_BROKEN | REMARK_LATE_FLOW_CONTROL | REMARK_LATE_CONSECUTIVE)
#define FRAMES_MAX 600

static struct {
    struct second_event events[SECOND_EVENTS];
    uint32_t count;
    const struct frame *frame;
} seen;

static void on_event(void *context, const struct transport_event *event)
{
    const struct message *message = event->message;
    (void)context;
    FUZZ_CHECK(seen.count < SECOND_EVENTS);
    struct second_event *one = &seen.events[seen.count++];
    *one = (struct second_event){.kind = event->kind, .module = event->module, .fault = event->reason};
    if (event->kind == TRANSPORT_FAULT) {
        FUZZ_CHECK(event->frame == seen.frame && event->reason);
        return;
    }
    one->id = message->id;
    one->direction = message->direction;
    one->length = message->length;
    one->first_frame = message->first_frame;
    FUZZ_CHECK(message->module == event->module);
    FUZZ_CHECK(message->first_epoch == message->last_epoch || message->first_frame < message->last_frame);
    if (event->kind == TRANSPORT_STARTED)
        return;
    one->received = message->received;
    one->sum = second_sum(message->bytes, message->received);
    one->last_frame = message->last_frame;
    one->remarks = message->remarks & ~NOT_COMPARED;
    one->complete = message->state == MESSAGE_COMPLETE;
    one->reason = message->reason;
    FUZZ_CHECK(one->complete == (message->reason == REASON_NONE));
    FUZZ_CHECK(!one->complete || message->received == message->length);
    FUZZ_CHECK((message_reason_text(message->reason) == NULL) == one->complete);
    uint32_t covered = 0;
    for (uint32_t i = 0; i < message->segment_count; i++) {
        FUZZ_CHECK(message->segments[i].start == covered && message->segments[i].length > 0);
        covered += message->segments[i].length;
    }
    FUZZ_CHECK(covered == message->received);
}

/* Several messages may end by one frame's time: their order is not compared. */
static int order(const void *a, const void *b)
{
    const struct second_event *x = a, *y = b;
    if (x->kind != y->kind)
        return x->kind < y->kind ? -1 : 1;
    if (x->first_frame != y->first_frame)
        return x->first_frame < y->first_frame ? -1 : 1;
    if (x->module != y->module)
        return x->module < y->module ? -1 : 1;
    return x->direction < y->direction ? -1 : x->direction > y->direction;
}

static void print_events(const char *whose, const struct second_event *events, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++)
        (void)fprintf(stderr, "%s: kind %d module %u direction %d length %u received %u frames %llu-%llu reason %s "
                      "remarks %x %s\n", whose, events[i].kind, events[i].module, events[i].direction, events[i].length,
                      events[i].received, (unsigned long long)events[i].first_frame,
                      (unsigned long long)events[i].last_frame,
                      message_reason_text(events[i].reason) ? message_reason_text(events[i].reason) : "-",
                      events[i].remarks, events[i].fault ? events[i].fault : "");
}

static bool same_event(const struct second_event *a, const struct second_event *b)
{
    bool last_counts = a->complete || a->reason == REASON_SEQUENCE || a->reason == REASON_OVERFLOW;
    return a->kind == b->kind && a->module == b->module && a->id == b->id && a->direction == b->direction &&
           a->reason == b->reason && a->complete == b->complete && a->length == b->length &&
           a->received == b->received && a->sum == b->sum && a->first_frame == b->first_frame &&
           (!last_counts || a->last_frame == b->last_frame) && a->remarks == b->remarks &&
           (a->fault == b->fault || (a->fault && b->fault && strcmp(a->fault, b->fault) == 0));
}

static void compare(struct second_transport *second, const struct frame *frame)
{
    bool same = seen.count == second->event_count;
    qsort(seen.events, seen.count, sizeof *seen.events, order);
    qsort(second->events, second->event_count, sizeof *second->events, order);
    for (uint32_t i = 0; same && i < seen.count; i++)
        same = same_event(&seen.events[i], &second->events[i]);
    if (!same && frame) {
        (void)fprintf(stderr, "frame %llu id %x length %u:", (unsigned long long)frame->number, frame_id_word(frame),
                      frame->length);
        for (unsigned i = 0; i < frame->length && i < 9; i++)
            (void)fprintf(stderr, " %02X", frame->data[i]);
        (void)fprintf(stderr, "\n");
    }
    if (!same) {
        print_events("stage ", seen.events, seen.count);
        print_events("second", second->events, second->event_count);
    }
    FUZZ_CHECK(same);
    seen.count = 0;
}

/* One of a few pairs per format, so that addresses meet; timeouts are short now and then. */
static struct transport_pair make_pair(struct bytes *input, uint32_t module)
{
    static const int64_t limits[] = {TT_SECOND, 200 * TT_MS, 50 * TT_MS, 3 * TT_SECOND};
    uint32_t kind = fuzz_choice(input, 6), variant = fuzz_choice(input, 4), times = fuzz_choice(input, 16);
    struct transport_pair pair = {.module = module, .n_cr = limits[times & 3], .n_bs = limits[times >> 2],
                                  .request_id = 0x5E0 + variant, .response_id = 0x6C0 + variant,
                                  .functional_id = variant & 1 ? 0x7DF : DEF_NO_ID, .format = ADDRESS_NORMAL};
    switch (kind) {
    case 0:
        break;
    case 1:
        pair.format = ADDRESS_NORMAL_FIXED;
        pair.request_id = DEF_ID_29 | 0x18DA00F1 | (0x10 + variant) << 8;
        pair.response_id = DEF_ID_29 | 0x18DAF100 | (0x10 + variant);
        pair.functional_id = variant & 1 ? DEF_ID_29 | 0x18DB33F1 : DEF_NO_ID;
        break;
    case 2: /* extended: several modules behind one identifier */
        pair.format = ADDRESS_EXTENDED;
        pair.request_id = 0x700;
        pair.response_id = 0x701 + (variant >> 1);
        pair.request_byte = (uint8_t)(0x20 + variant);
        pair.response_byte = (uint8_t)(0xF0 + variant);
        pair.functional_id = variant & 1 ? 0x700 : DEF_NO_ID;
        pair.functional_byte = 0xFE;
        break;
    case 3:
        pair.format = ADDRESS_MIXED;
        pair.request_id = 0x710;
        pair.response_id = 0x718;
        pair.request_byte = pair.response_byte = pair.functional_byte = (uint8_t)(0x30 + variant);
        pair.functional_id = DEF_NO_ID;
        break;
    case 4:
        pair.format = ADDRESS_MIXED;
        pair.request_id = DEF_ID_29 | 0x18CE40F1;
        pair.response_id = DEF_ID_29 | 0x18CEF140;
        pair.request_byte = pair.response_byte = pair.functional_byte = (uint8_t)(0x50 + variant);
        pair.functional_id = variant & 1 ? DEF_ID_29 | 0x18CD33F1 : DEF_NO_ID;
        break;
    default: /* the same number with 29 bits */
        pair.request_id |= DEF_ID_29;
        pair.response_id |= DEF_ID_29;
        pair.functional_id = DEF_NO_ID;
    }
    return pair;
}

/*
 * A frame of four bytes of the input and as many data bytes as the fourth says; the rest counts up. Bit 6 of the fourth
 * puts the next sequence number into a consecutive frame, so that long messages need no luck.
 */
static void make_frame(struct bytes *input, const struct second_transport *second, struct frame *frame, bool *back)
{
    static const uint8_t sizes[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};
    static const int64_t steps[] = {0, TT_MS, 5 * TT_MS, 49 * TT_MS, 50 * TT_MS, 50 * TT_MS + 1, 190 * TT_MS,
                                    200 * TT_MS + 1, 990 * TT_MS, TT_SECOND, TT_SECOND + 1, 3 * TT_SECOND + 1, 1, 100,
                                    0, 0};
    uint8_t who = bytes_u8(input), time = bytes_u8(input), size = bytes_u8(input), given = bytes_u8(input);
    const struct second_address *address = second->count ? &second->addresses[(who & 0x3F) % second->count] : NULL;
    frame->number++;
    frame->elapsed += steps[time & 15];
    frame->time += steps[time & 15];
    *back = time >> 4 == 15;
    frame->offset = frame->number * 100;
    frame->data_offset = frame->offset + 24;
    frame->length = sizes[size & 15];
    frame->fd = frame->length > 8 || (size & 0x20);
    frame->remote = size >> 6 == 3 && !frame->fd;
    if (frame->remote)
        frame->length = 0;
    uint32_t id = !address ? 0x123 : who & 0x80 ? address->id ^ (who & 0x40 ? DEF_ID_29 : 1) : address->id;
    frame->id = id & ~DEF_ID_29;
    frame->extended = (id & DEF_ID_29) != 0;
    uint8_t start = address && address->addressed && !(given & 0x80) ? 1 : 0;
    for (uint32_t i = 0; i < frame->length; i++)
        frame->data[i] = (uint8_t)(frame->number + i);
    if (start && frame->length > 0)
        frame->data[0] = address->byte;
    for (uint32_t i = start; i < frame->length && i < start + (given & 15u) && input->left > 0; i++)
        frame->data[i] = bytes_u8(input);
    if (address && (given & 0x40) && start < frame->length)
        frame->data[start] = 0x20 | address->next;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint32_t longest[] = {TRANSPORT_LONGEST, 4095, 100, 16};
    struct bytes input = bytes_of(data, size);
    struct transport transport;
    static struct second_transport second;
    struct frame frame = {.time = 1000000 * TT_SECOND};
    uint32_t most = longest[fuzz_choice(&input, 4)], pairs = 1 + fuzz_choice(&input, 6);
    seen.count = 0;
    second_init(&second, most);
    FUZZ_CHECK(transport_init(&transport, most, on_event, NULL));
    for (uint32_t i = 0; i < pairs; i++) {
        struct transport_pair pair = make_pair(&input, i);
        if (!transport_add_pair(&transport, &pair))
            second_add(&second, &pair);
    }
    for (uint32_t i = 0; i < FRAMES_MAX && input.left >= 4; i++) {
        bool back;
        make_frame(&input, &second, &frame, &back);
        seen.frame = &frame;
        if (back) {
            frame.epoch++;
            transport_clock_back(&transport, &frame);
            second_clock_back(&second, &frame);
            FUZZ_CHECK(seen.count == 0);
        }
        transport_push(&transport, &frame);
        second_push(&second, &frame);
        compare(&second, &frame);
        FUZZ_CHECK(transport.open_bytes <= TRANSPORT_OPEN_TOTAL);
    }
    transport_finish(&transport);
    second_finish(&second);
    compare(&second, NULL);
    transport_free(&transport);
    second_free(&second);
    return 0;
}
