/*
 * For the tests of transport: frames go in as hex text, events come out as copies. Pair 5E3 (request) and 6C5
 * (response), module 7, functional 7DF; a second pair 5E4 and 6C6, module 8, shares 7DF. Included once a program.
 */
#ifndef TT_TRANSPORT_RIG_H
#define TT_TRANSPORT_RIG_H

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "../../decoder/stages/transport.h"

#define SEEN_MAX 5000
#define SEGMENTS_SEEN 24
#define LONGEST 65536u

struct seen {
    enum transport_event_kind kind;
    struct message message;
    struct segment segments[SEGMENTS_SEEN];
    uint8_t bytes[64]; /* the first ones */
    uint64_t frame;    /* FAULT */
    uint32_t module;
    const char *reason;
};

static struct transport transport;
static struct seen *seen;
static size_t count;
static uint64_t number;
static int64_t now, backwards;
static uint32_t epoch, file;

static inline void keep(void *context, const struct transport_event *event)
{
    assert_ptr_equal(context, &transport);
    assert_true(count < SEEN_MAX);
    struct seen *one = &seen[count++];
    memset(one, 0, sizeof *one);
    one->kind = event->kind;
    one->module = event->module;
    one->reason = event->reason;
    if (event->kind == TRANSPORT_FAULT) {
        one->frame = event->frame->number;
        return;
    }
    one->message = *event->message;
    if (event->kind == TRANSPORT_STARTED)
        return;
    const struct message *message = event->message;
    if (message->received > 0)
        memcpy(one->bytes, message->bytes, message->received < 64 ? message->received : 64);
    uint32_t start = 0;
    for (uint32_t i = 0; i < message->segment_count; i++) { /* they cover the received bytes without a gap */
        assert_int_equal(message->segments[i].start, start);
        assert_true(message->segments[i].length > 0);
        start += message->segments[i].length;
        if (i < SEGMENTS_SEEN)
            one->segments[i] = message->segments[i];
    }
    assert_int_equal(start, message->received);
    assert_int_equal(message->module, event->module);
}

/* Normal addressing. */
static inline struct transport_pair make_pair(uint32_t request, uint32_t response, uint32_t functional, uint32_t module,
                                              int64_t n_cr, int64_t n_bs)
{
    return (struct transport_pair){.request_id = request, .response_id = response, .functional_id = functional,
                                   .module = module, .n_cr = n_cr, .n_bs = n_bs, .format = ADDRESS_NORMAL};
}

static inline const char *add_pair(uint32_t request, uint32_t response, uint32_t functional, uint32_t module,
                                   int64_t n_cr, int64_t n_bs)
{
    struct transport_pair pair = make_pair(request, response, functional, module, n_cr, n_bs);
    return transport_add_pair(&transport, &pair);
}

static inline void restart(uint32_t longest)
{
    transport_free(&transport);
    assert_true(transport_init(&transport, longest, keep, &transport));
    count = 0;
    number = 0;
    now = backwards = 0;
    epoch = file = 0;
}

static inline int set_up(void **state)
{
    (void)state;
    seen = calloc(SEEN_MAX, sizeof *seen);
    restart(LONGEST);
    assert_null(add_pair(0x5E3, 0x6C5, 0x7DF, 7, TT_SECOND, TT_SECOND));
    assert_null(add_pair(0x5E4, 0x6C6, 0x7DF, 8, TT_SECOND, TT_SECOND));
    return 0;
}

static inline int tear_down(void **state)
{
    (void)state;
    transport_free(&transport);
    free(seen);
    return 0;
}

/* id: a CAN id word. Frame n lies at offset 100 * n, its data 24 further on; its time is 1,000,000 s (less what went back) + elapsed. */
static inline struct frame make_frame(uint32_t id, const void *data, uint8_t length)
{
    number++;
    struct frame frame = {
        .number = number, .elapsed = now, .time = 1000000 * TT_SECOND + now - backwards, .epoch = epoch, .file = file,
        .offset = 100 * number, .data_offset = 100 * number + 24, .id = id & ~DEF_ID_29,
        .extended = (id & DEF_ID_29) != 0, .fd = length > 8, .length = length};
    memcpy(frame.data, data, length);
    return frame;
}

static inline void push_bytes(uint32_t id, const void *data, uint8_t length)
{
    struct frame frame = make_frame(id, data, length);
    transport_push(&transport, &frame);
}

/* "10 14 62": a frame of these bytes, 1 ms after the one before it. */
static inline void push(uint32_t id, const char *hex)
{
    uint8_t data[64];
    uint8_t length = 0;
    unsigned byte;
    int used;
    for (; sscanf(hex, "%2x%n", &byte, &used) == 1; hex += used)
        data[length++] = (uint8_t)byte;
    now += TT_MS;
    push_bytes(id, data, length);
}

static inline void go_back(int64_t step)
{
    backwards += step;
    epoch++;
    struct frame frame = make_frame(0x123, "", 0);
    number--;
    transport_clock_back(&transport, &frame);
}

static inline void assert_events(size_t wanted)
{
    if (count != wanted)
        fail_msg("%zu events, not %zu", count, wanted);
}

static inline void assert_message(size_t index, uint32_t id, uint32_t length, uint64_t first, uint64_t last,
                                  unsigned remarks)
{
    assert_true(index < count);
    const struct message *message = &seen[index].message;
    assert_int_equal(seen[index].kind, TRANSPORT_MESSAGE);
    assert_int_equal(message->state, MESSAGE_COMPLETE);
    assert_int_equal(message->reason, REASON_NONE);
    assert_int_equal(message->id, id);
    assert_int_equal(message->length, length);
    assert_int_equal(message->received, length);
    assert_int_equal(message->first_frame, first);
    assert_int_equal(message->last_frame, last);
    assert_int_equal(message->remarks, remarks);
}

static inline void assert_abandoned(size_t index, enum message_reason reason, uint32_t received, uint64_t first,
                                    uint64_t last)
{
    assert_true(index < count);
    const struct message *message = &seen[index].message;
    assert_int_equal(seen[index].kind, TRANSPORT_MESSAGE);
    assert_int_equal(message->state, MESSAGE_ABANDONED);
    assert_string_equal(message_reason_text(message->reason), message_reason_text(reason));
    assert_int_equal(message->received, received);
    assert_int_equal(message->first_frame, first);
    assert_int_equal(message->last_frame, last);
}

static inline void assert_started(size_t index, uint64_t first, uint32_t length)
{
    assert_true(index < count);
    assert_int_equal(seen[index].kind, TRANSPORT_STARTED);
    assert_int_equal(seen[index].message.first_frame, first);
    assert_int_equal(seen[index].message.length, length);
}

static inline void assert_fault(size_t index, uint64_t frame, const char *reason)
{
    assert_true(index < count);
    assert_int_equal(seen[index].kind, TRANSPORT_FAULT);
    assert_int_equal(seen[index].frame, frame);
    assert_string_equal(seen[index].reason, reason);
}

/* Pushes a message of length bytes (byte i is i * 7) on id; the partner's flow control when block_size >= 0. */
static inline void push_long(uint32_t id, uint32_t partner, uint32_t length, int block_size)
{
    uint32_t at = 0;
    uint8_t sequence = 1;
    uint8_t data[8] = {0x10 | (uint8_t)(length >> 8), (uint8_t)length};
    uint8_t header = 2;
    if (length > 4095) {
        data[0] = 0x10;
        data[1] = 0;
        for (int i = 0; i < 4; i++)
            data[2 + i] = (uint8_t)(length >> (24 - 8 * i));
        header = 6;
    }
    for (uint32_t in_block = 0; at < length || header != 1; in_block++) {
        for (uint8_t i = header; i < 8; i++, at++)
            data[i] = (uint8_t)(at * 7);
        now += TT_MS / 10;
        push_bytes(id, data, 8);
        bool block_over = header != 1 || (block_size > 0 && in_block % (unsigned)block_size == 0);
        if (block_size >= 0 && at < length && block_over) {
            uint8_t flow[3] = {0x30, (uint8_t)block_size, 0};
            push_bytes(partner, flow, 3);
            if (header != 1)
                in_block = 0;
        }
        header = 1;
        data[0] = 0x20 | sequence;
        sequence = (sequence + 1) & 15;
    }
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

#endif
