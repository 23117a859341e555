/*
 * Transport: ISO 15765-2 as a listener sees it. Each row of docs/transport.md names the test here that shows it. Expected
 * values are hand arithmetic on the N_PDU forms of ISO 15765-2:2016 9.6, the timers of 9.8.2 (1,000 ms) and the table of
 * unexpected N_PDUs of 9.8.3.
 *
 * Pair 5E3 (request) and 6C5 (response), module 7, functional 7DF; a second pair 5E4, 6C6, module 8, shares 7DF.
 */
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
static size_t largest_open;
static uint64_t number;
static int64_t now, backwards;
static uint32_t epoch, file;

static void keep(void *context, const struct transport_event *event)
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

static const struct transport_pair pair_a = {0x5E3, 0x6C5, 0x7DF, 7, TT_SECOND, TT_SECOND};
static const struct transport_pair pair_b = {0x5E4, 0x6C6, 0x7DF, 8, TT_SECOND, TT_SECOND};

static void restart(uint32_t longest)
{
    transport_free(&transport);
    assert_true(transport_init(&transport, longest, keep, &transport));
    count = 0;
    number = 0;
    now = backwards = 0;
    epoch = file = 0;
}

static int set_up(void **state)
{
    (void)state;
    seen = calloc(SEEN_MAX, sizeof *seen);
    restart(LONGEST);
    assert_null(transport_add_pair(&transport, &pair_a));
    assert_null(transport_add_pair(&transport, &pair_b));
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    transport_free(&transport);
    free(seen);
    return 0;
}

/* Frame n lies at offset 100 * n, its data 24 further on; its time is 1,000,000 s (less what went back) + elapsed. */
static struct frame make_frame(uint32_t id, const void *data, uint8_t length)
{
    number++;
    struct frame frame = {.number = number, .elapsed = now, .time = 1000000 * TT_SECOND + now - backwards, .epoch = epoch,
                          .file = file, .offset = 100 * number, .data_offset = 100 * number + 24, .id = id, .length = length};
    memcpy(frame.data, data, length);
    return frame;
}

static void push_bytes(uint32_t id, const void *data, uint8_t length)
{
    struct frame frame = make_frame(id, data, length);
    transport_push(&transport, &frame);
}

/* "10 14 62": a frame of these bytes, 1 ms after the one before it. */
static void push(uint32_t id, const char *hex)
{
    uint8_t data[8];
    uint8_t length = 0;
    unsigned byte;
    int used;
    for (; sscanf(hex, "%2x%n", &byte, &used) == 1; hex += used)
        data[length++] = (uint8_t)byte;
    now += TT_MS;
    push_bytes(id, data, length);
}

static void go_back(int64_t step)
{
    backwards += step;
    epoch++;
    struct frame frame = make_frame(0x123, "", 0);
    number--;
    transport_clock_back(&transport, &frame);
}

static void assert_events(size_t wanted)
{
    if (count != wanted)
        fail_msg("%zu events, not %zu", count, wanted);
}

static void assert_message(size_t index, uint32_t id, uint32_t length, uint64_t first, uint64_t last, unsigned remarks)
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

static void assert_abandoned(size_t index, enum message_reason reason, uint32_t received, uint64_t first, uint64_t last)
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

static void assert_started(size_t index, uint64_t first, uint32_t length)
{
    assert_true(index < count);
    assert_int_equal(seen[index].kind, TRANSPORT_STARTED);
    assert_int_equal(seen[index].message.first_frame, first);
    assert_int_equal(seen[index].message.length, length);
}

static void assert_fault(size_t index, uint64_t frame, const char *reason)
{
    assert_true(index < count);
    assert_int_equal(seen[index].kind, TRANSPORT_FAULT);
    assert_int_equal(seen[index].frame, frame);
    assert_string_equal(seen[index].reason, reason);
}

/* ---- whole messages ---- */

static void single_frames_of_1_to_7(void **state)
{
    (void)state;
    for (uint8_t length = 1; length <= 7; length++) {
        uint8_t data[8] = {length, 0x31, 0x32, 0x33, 0x34, 0x35, 0x36, 0x37};
        push_bytes(0x5E3, data, length + 1);
        push_bytes(0x6C5, data, 8); /* the same with padding */
    }
    assert_events(14);
    for (uint32_t i = 0; i < 14; i++) {
        assert_message(i, i % 2 ? 0x6C5 : 0x5E3, i / 2 + 1, i + 1, i + 1, 0);
        assert_memory_equal(seen[i].bytes, "1234567", i / 2 + 1);
        assert_int_equal(seen[i].message.direction, i % 2 ? DIRECTION_RESPONSE : DIRECTION_REQUEST);
        assert_int_equal(seen[i].module, 7);
        assert_int_equal(seen[i].message.segment_count, 1);
        assert_int_equal(seen[i].segments[0].length, i / 2 + 1);
        assert_int_equal(seen[i].segments[0].offset, 100 * (i + 1) + 24 + 1);
    }
}

/* The VIN of 49 CFR 565's worked example (1M8GDM9AXKP042788) in a ReadDataByIdentifier answer of 20 bytes. */
static void published_vin_answer(void **state)
{
    (void)state;
    push(0x5E3, "03 22 F1 90");
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    file = 5; /* the trace goes on in another file */
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_events(3);
    assert_message(0, 0x5E3, 3, 1, 1, 0);
    assert_started(1, 2, 20);
    assert_int_equal(seen[1].message.id, 0x6C5);
    assert_int_equal(seen[1].message.direction, DIRECTION_RESPONSE);
    assert_message(2, 0x6C5, 20, 2, 5, 0);
    assert_memory_equal(seen[2].bytes, "\x62\xF1\x90" "1M8GDM9AXKP042788", 20);
    const struct message *message = &seen[2].message;
    assert_int_equal(message->record_offset, 200);
    assert_int_equal(message->file, 0);
    assert_true(message->first_elapsed == 2 * TT_MS && message->last_elapsed == 5 * TT_MS);
    assert_true(message->first_time == 1000000 * TT_SECOND + 2 * TT_MS);
    assert_int_equal(message->segment_count, 3);
    static const struct segment wanted[] = {{0, 6, 226, 0}, {6, 7, 425, 5}, {13, 7, 525, 5}};
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(seen[2].segments[i].length, wanted[i].length);
        assert_int_equal(seen[2].segments[i].offset, wanted[i].offset);
        assert_int_equal(seen[2].segments[i].file, wanted[i].file);
    }
}

/* Pushes a message of length bytes (byte i is i * 7) on id; the partner's flow control when block_size >= 0. */
static void push_long(uint32_t id, uint32_t partner, uint32_t length, int block_size)
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
        if (block_size >= 0 && at < length && (header != 1 || (block_size > 0 && in_block % (unsigned)block_size == 0))) {
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

/* Lengths around every border: the smallest, a last frame of 1 and of 7 bytes, sequence number 15 to 0, 12 bits and more. */
static void lengths_at_every_border(void **state)
{
    static const uint32_t lengths[] = {8, 12, 13, 14, 20, 6 + 15 * 7, 6 + 15 * 7 + 1, 6 + 16 * 7 + 1, 4095, 4096, 4097, 65536};
    (void)state;
    for (size_t i = 0; i < sizeof lengths / sizeof *lengths; i++) {
        count = 0;
        uint64_t first = number + 1;
        push_long(0x5E3, 0x6C5, lengths[i], 0);
        assert_events(2);
        assert_started(0, first, lengths[i]);
        assert_message(1, 0x5E3, lengths[i], first, number, 0);
        uint32_t first_bytes = lengths[i] > 4095 ? 2 : 6;
        assert_int_equal(seen[1].message.segment_count, 1 + (lengths[i] - first_bytes + 6) / 7);
        for (uint32_t j = 0; j < 64 && j < lengths[i]; j++)
            assert_int_equal(seen[1].bytes[j], (uint8_t)(j * 7));
    }
    assert_int_equal(transport.open_bytes, 0);
}

static void longest_message_is_the_ceiling(void **state)
{
    (void)state;
    restart(100);
    assert_null(transport_add_pair(&transport, &pair_a));
    push_long(0x5E3, 0x6C5, 100, 0);
    assert_events(2);
    assert_message(1, 0x5E3, 100, 1, number, 0);
    count = 0;
    push(0x6C5, "10 65 62 01 02 03 04 05");
    push(0x6C5, "21 06 07 08 09 0A 0B 0C");
    assert_events(2);
    assert_abandoned(0, REASON_TOO_LONG, 6, number - 1, number - 1);
    assert_int_equal(seen[0].message.length, 101);
    assert_memory_equal(seen[0].bytes, "\x62\x01\x02\x03\x04\x05", 6);
    assert_fault(1, number, "consecutive frame without a first frame");
}

static void announced_4_gib_reserves_nothing(void **state)
{
    (void)state;
    push(0x6C5, "10 00 FF FF FF FF 62 01");
    assert_events(1);
    assert_abandoned(0, REASON_TOO_LONG, 2, 1, 1);
    assert_true(seen[0].message.length == 0xFFFFFFFF);
    assert_memory_equal(seen[0].bytes, "\x62\x01", 2);
    assert_int_equal(transport.held, 0);
}

static void memory_grows_only_as_data_arrives(void **state)
{
    (void)state;
    push(0x6C5, "10 00 00 01 00 00 62 01"); /* 65,536 bytes announced, 2 there */
    assert_events(1);
    assert_started(0, 1, 65536);
    assert_int_equal(transport.open_bytes, 2);
    assert_true(transport.held < 1024);
}

static void both_directions_at_once(void **state)
{
    (void)state;
    push(0x5E3, "10 09 2E 01 02 03 04 05");
    push(0x6C5, "10 09 62 01 02 03 04 05");
    push(0x6C5, "30 00 00");
    push(0x5E3, "30 00 00");
    push(0x5E3, "21 06 07 08");
    push(0x6C5, "21 06 07 08");
    assert_events(4);
    assert_message(2, 0x5E3, 9, 1, 5, 0);
    assert_message(3, 0x6C5, 9, 2, 6, 0);
}

static void conversations_do_not_mix(void **state)
{
    (void)state;
    push(0x6C5, "10 09 62 01 02 03 04 05");
    push(0x6C6, "10 0A 62 11 12 13 14 15");
    push(0x5E4, "30 00 00"); /* for 6C6 only */
    push(0x6C5, "21 06 07 08");
    push(0x6C6, "21 16 17 18 19");
    assert_events(4);
    assert_message(2, 0x6C5, 9, 1, 4, REMARK_NO_FLOW_CONTROL);
    assert_message(3, 0x6C6, 10, 2, 5, 0);
    assert_int_equal(seen[2].module, 7);
    assert_int_equal(seen[3].module, 8);
    assert_memory_equal(seen[3].bytes, "\x62\x11\x12\x13\x14\x15\x16\x17\x18\x19", 10);
}

static void other_identifiers_are_nothing(void **state)
{
    (void)state;
    push(0x6C4, "03 22 F1 90");
    push(0x000, "21 00");
    struct frame frame = make_frame(0x5E3, "\x03\x22\xF1\x90", 4);
    frame.extended = true; /* 000005E3 is not 5E3 */
    transport_push(&transport, &frame);
    frame.id = 0x18DAF110;
    transport_push(&transport, &frame);
    assert_events(0);
}

/* ---- unusual but workable ---- */

static void short_first_frame_lengths(void **state)
{
    (void)state;
    for (uint32_t length = 1; length <= 7; length++) {
        uint8_t data[8] = {0x10, (uint8_t)length, 0x31, 0x32, 0x33, 0x34, 0x35, 0x36};
        count = 0;
        now += TT_MS;
        push_bytes(0x6C5, data, 8);
        if (length == 7) {
            assert_events(1);
            push(0x5E3, "30 00 00");
            push(0x6C5, "21 37");
        }
        assert_events(2);
        assert_started(0, length, length);
        assert_message(1, 0x6C5, length, length, number, REMARK_SHORT_FIRST_FRAME);
        assert_memory_equal(seen[1].bytes, "1234567", length);
    }
    assert_int_equal(transport.open_bytes, 0);
}

static void escape_form_for_a_short_length(void **state)
{
    (void)state;
    push(0x6C5, "10 00 00 00 00 0A 62 01");
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 02 03 04 05 06 07 08");
    push(0x6C5, "22 09");
    assert_events(2);
    assert_message(1, 0x6C5, 10, 1, 4, REMARK_ESCAPE_SHORT);
    assert_memory_equal(seen[1].bytes, "\x62\x01\x02\x03\x04\x05\x06\x07\x08\x09", 10);
    assert_int_equal(seen[1].segments[0].length, 2);
    assert_int_equal(seen[1].segments[0].offset, 100 + 24 + 6);
    count = 0;
    push(0x6C5, "10 00 00 00 00 01 7E AA");
    assert_events(2);
    assert_message(1, 0x6C5, 1, 5, 5, REMARK_ESCAPE_SHORT | REMARK_SHORT_FIRST_FRAME);
}

static void missing_flow_control_is_a_remark(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x5E3, "30 02 00"); /* stamped late */
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_events(2);
    assert_message(1, 0x6C5, 20, 1, 4, REMARK_NO_FLOW_CONTROL);
}

static void missing_flow_control_between_blocks_is_a_remark(void **state)
{
    (void)state;
    push(0x6C5, "10 20 62 01 02 03 04 05");
    push(0x5E3, "30 02 00");
    push(0x6C5, "21 06 07 08 09 0A 0B 0C");
    push(0x6C5, "22 0D 0E 0F 10 11 12 13");
    push(0x6C5, "23 14 15 16 17 18 19 1A"); /* the block was over */
    push(0x6C5, "24 1B 1C 1D 1E 1F");
    assert_events(2);
    assert_message(1, 0x6C5, 32, 1, 6, REMARK_NO_FLOW_CONTROL);
    assert_memory_equal(seen[1].bytes + 26, "\x1A\x1B\x1C\x1D\x1E\x1F", 6);
}

static void blocks_with_flow_control_have_no_remark(void **state)
{
    (void)state;
    for (int block_size = 1; block_size <= 8; block_size++) {
        count = 0;
        uint64_t first = number + 1;
        push_long(0x6C5, 0x5E3, 200, block_size);
        assert_events(2);
        assert_message(1, 0x6C5, 200, first, number, 0);
    }
}

static void wait_is_a_remark_and_restarts_n_bs(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    for (int i = 0; i < 5; i++) {
        now += 900 * TT_MS; /* 4.5 s in all, never 1 s between two frames */
        push(0x5E3, "31 00 FF"); /* block size and STmin of a wait mean nothing */
    }
    now += 900 * TT_MS;
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_events(2);
    assert_message(1, 0x6C5, 20, 1, 9, REMARK_WAITED);
}

static void reserved_st_min_is_a_remark(void **state)
{
    static const struct { unsigned st_min; bool reserved; } table[] = {
        {0x00, false}, {0x7F, false}, {0x80, true}, {0xF0, true}, {0xF1, false}, {0xF9, false}, {0xFA, true}, {0xFF, true}};
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        char flow[16];
        count = 0;
        push(0x6C5, "10 08 62 01 02 03 04 05");
        snprintf(flow, sizeof flow, "30 00 %02X", table[i].st_min);
        push(0x5E3, flow);
        push(0x6C5, "21 06 07");
        assert_events(2);
        assert_message(1, 0x6C5, 8, 3 * i + 1, 3 * i + 3, table[i].reserved ? REMARK_RESERVED_STMIN : 0);
    }
}

static void padding_value_never_decides(void **state)
{
    static const char *const pads[] = {"00 00 00 00", "CC CC CC CC", "55 55 55 55", "AA AA AA AA", "FF FF FF FF", "21 10 30 02"};
    (void)state;
    for (size_t i = 0; i < 6; i++) {
        char text[40];
        count = 0;
        uint64_t first = number + 1;
        snprintf(text, sizeof text, "03 22 F1 90 %s", pads[i]);
        push(0x5E3, text);
        push(0x6C5, "10 09 62 F1 90 04 05 06");
        snprintf(text, sizeof text, "30 00 00 %s 00", pads[i]);
        push(0x5E3, text);
        snprintf(text, sizeof text, "21 07 08 09 %s", pads[i]);
        push(0x6C5, text);
        assert_events(3);
        assert_message(0, 0x5E3, 3, first, first, 0);
        assert_message(2, 0x6C5, 9, first + 1, first + 3, 0);
    }
}

/* ---- abandoned ---- */

static void wrong_sequence_ends_it(void **state)
{
    static const char *const wrong[] = {"22 06 07 08", "20 06 07 08", "2F 06 07 08"};
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        count = 0;
        uint64_t first = number + 1;
        push(0x6C5, "10 09 62 01 02 03 04 05");
        push(0x5E3, "30 00 00");
        push(0x6C5, wrong[i]);
        push(0x6C5, "21 06 07 08"); /* too late */
        assert_events(3);
        assert_abandoned(1, REASON_SEQUENCE, 6, first, first + 2);
        assert_fault(2, first + 3, "consecutive frame without a first frame");
    }
}

static void repeated_consecutive_frame_is_a_wrong_sequence(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    assert_events(2);
    assert_abandoned(1, REASON_SEQUENCE, 13, 1, 4);
    assert_memory_equal(seen[1].bytes, "\x62\xF1\x90" "1M8GDM9AXK", 13);
    assert_int_equal(seen[1].message.length, 20);
    assert_int_equal(seen[1].message.segment_count, 2);
}

static void lost_consecutive_frame_is_a_wrong_sequence(void **state)
{
    (void)state;
    push(0x6C5, "10 1B 62 01 02 03 04 05");
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 06 07 08 09 0A 0B 0C");
    push(0x6C5, "23 14 15 16 17 18 19 1A");
    assert_events(2);
    assert_abandoned(1, REASON_SEQUENCE, 13, 1, 4);
}

/* N_Cr: 1,000 ms from the last consecutive frame or flow control; proved by any frame, on whatever identifier. */
static void n_cr_timeout(void **state)
{
    (void)state;
    for (int late = 0; late < 2; late++) {
        for (int after_flow = 0; after_flow < 2; after_flow++) {
            count = 0;
            uint64_t first = number + 1;
            push(0x6C5, "10 14 62 F1 90 31 4D 38");
            push(0x5E3, "30 00 00");
            if (!after_flow)
                push(0x6C5, "21 47 44 4D 39 41 58 4B");
            now += TT_SECOND - TT_MS + late; /* push adds 1 ms: exactly 1,000 ms, or 1 ns more */
            push(0x123, "00");
            assert_events(late ? 2 : 1);
            if (late)
                assert_abandoned(1, REASON_TIMEOUT, after_flow ? 6 : 13, first, after_flow ? first : first + 2);
            now += 2 * TT_SECOND;
            push(0x123, "00");
            assert_events(2);
        }
    }
}

static void n_bs_timeout_is_unanswered(void **state)
{
    (void)state;
    push(0x5E3, "10 14 2E F1 90 31 4D 38");
    now += TT_SECOND - TT_MS;
    push(0x123, "00");
    assert_events(1);
    now -= TT_MS - 1;
    push(0x123, "00"); /* 1 ns over */
    assert_events(2);
    assert_abandoned(1, REASON_UNANSWERED, 6, 1, 1);
    push(0x6C5, "30 00 00"); /* too late: nothing */
    push(0x5E3, "21 47 44 4D 39 41 58 4B");
    assert_events(3);
    assert_fault(2, 5, "consecutive frame without a first frame");
}

static void late_frame_proves_its_own_timeout_first(void **state)
{
    (void)state;
    push(0x6C5, "10 09 62 01 02 03 04 05");
    push(0x5E3, "30 00 00");
    now += TT_SECOND;
    push(0x6C5, "21 06 07 08");
    assert_events(3);
    assert_abandoned(1, REASON_TIMEOUT, 6, 1, 1);
    assert_fault(2, 3, "consecutive frame without a first frame");
}

static void silence_after_a_block_or_a_wait_is_a_timeout(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 01 00");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C6, "10 14 62 F1 90 31 4D 38");
    push(0x5E4, "31 00 00");
    now += 2 * TT_SECOND;
    push(0x123, "00");
    assert_events(4);
    assert_abandoned(2, REASON_TIMEOUT, 13, 1, 3);
    assert_abandoned(3, REASON_TIMEOUT, 6, 4, 4);
    assert_int_equal(seen[3].message.remarks, REMARK_WAITED);
}

static void timeouts_of_the_pair_are_used(void **state)
{
    (void)state;
    restart(LONGEST);
    assert_null(transport_add_pair(&transport, &(struct transport_pair){0x100, 0x101, UINT32_MAX, 1, 50 * TT_MS, 3 * TT_SECOND}));
    assert_null(transport_add_pair(&transport, &pair_a));
    push(0x6C5, "10 09 62 01 02 03 04 05");
    push(0x101, "10 09 62 01 02 03 04 05"); /* deadline behind that of 6C5 */
    now += 2 * TT_SECOND;
    push(0x100, "30 00 00");
    assert_events(3);
    assert_abandoned(2, REASON_UNANSWERED, 6, 1, 1);
    push(0x6C5, "10 09 62 01 02 03 04 05"); /* now 101's is the earlier one */
    now += 60 * TT_MS;
    push(0x123, "00");
    assert_events(5);
    assert_abandoned(4, REASON_TIMEOUT, 6, 2, 2);
    assert_int_equal(seen[4].module, 1);
}

static void single_or_first_frame_interrupts(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x6C5, "03 7F 22 31");
    assert_events(3);
    assert_abandoned(1, REASON_INTERRUPTED, 6, 1, 1);
    assert_message(2, 0x6C5, 3, 2, 2, 0);
    assert_memory_equal(seen[1].bytes, "\x62\xF1\x90\x31\x4D\x38", 6);
    count = 0;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x6C5, "10 09 62 01 02 03 04 05");
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 06 07 08");
    assert_events(4);
    assert_started(0, 3, 20);
    assert_abandoned(1, REASON_INTERRUPTED, 6, 3, 3);
    assert_started(2, 4, 9);
    assert_message(3, 0x6C5, 9, 4, 6, 0);
}

static void frames_that_are_dropped_do_not_interrupt(void **state)
{
    static const char *const dropped[] = {"00 01 02", "05 01 02", "0F 00 00 00 00 00 00 00", "10 09 62 01", "10 00 00 00 00 00 62 01",
                                          "40", "F0 00", "21 06 07", "30", "38 00 00", ""};
    (void)state;
    for (size_t i = 0; i < sizeof dropped / sizeof *dropped; i++) {
        count = 0;
        uint64_t first = number + 1;
        push(0x6C5, "10 09 62 01 02 03 04 05");
        push(0x5E3, "30 00 00");
        push(0x6C5, dropped[i]);
        push(0x6C5, "21 06 07 08");
        assert_events(3);
        assert_int_equal(seen[1].kind, TRANSPORT_FAULT);
        assert_message(2, 0x6C5, 9, first, first + 3, 0);
    }
}

static void request_does_not_interrupt_the_answer(void **state)
{
    (void)state;
    push(0x6C5, "10 09 62 01 02 03 04 05");
    push(0x5E3, "02 3E 80");
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 06 07 08");
    assert_events(3);
    assert_message(1, 0x5E3, 2, 2, 2, 0);
    assert_message(2, 0x6C5, 9, 1, 4, 0);
}

static void overflow_ends_it(void **state)
{
    (void)state;
    push(0x5E3, "10 14 2E F1 90 31 4D 38");
    push(0x6C5, "32 00 00");
    assert_events(2);
    assert_abandoned(1, REASON_OVERFLOW, 6, 1, 2);
    push(0x5E3, "21 47 44 4D 39 41 58 4B");
    assert_fault(2, 3, "consecutive frame without a first frame");
}

static void overflow_that_nobody_awaits_is_nothing(void **state)
{
    (void)state;
    push(0x5E3, "10 14 2E F1 90 31 4D 38");
    push(0x6C5, "30 00 00");
    push(0x6C5, "32 00 00");
    push(0x5E3, "21 47 44 4D 39 41 58 4B");
    push(0x6C5, "32 00 00");
    push(0x5E3, "22 50 30 34 32 37 38 38");
    assert_events(2);
    assert_message(1, 0x5E3, 20, 1, 6, 0);
}

static void end_of_trace_cuts(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C6, "10 14 62 F1 90 31 4D 38");
    assert_events(2);
    transport_finish(&transport);
    assert_events(4);
    assert_abandoned(2, REASON_CUT, 13, 1, 3);
    assert_abandoned(3, REASON_CUT, 6, 4, 4);
    transport_finish(&transport);
    assert_events(4);
    assert_int_equal(transport.open_bytes, 0);
}

/* 8 MiB and no byte more, all open messages together; the one that was quiet longest goes first. */
static void oldest_is_crowded_out(void **state)
{
    const uint32_t pairs = 300, each = 32768; /* each announces one byte more than it can get */
    (void)state;
    restart(LONGEST);
    for (uint32_t i = 0; i < pairs; i++)
        assert_null(transport_add_pair(&transport, &(struct transport_pair){0x100 + i, 0x300 + i, UINT32_MAX, i, 1000 * TT_SECOND, 1000 * TT_SECOND}));
    for (uint32_t i = 0; i < pairs; i++) {
        uint32_t id = 0x300 + i;
        uint8_t first[8] = {0x10, 0, 0, 0, (uint8_t)((each + 1) >> 8), (uint8_t)(each + 1), 0x62, 0};
        push_bytes(id, first, 8);
        uint32_t received = 2;
        for (uint8_t sequence = 1; received + 7 <= each; received += 7, sequence = (sequence + 1) & 15) {
            uint8_t next[8] = {0x20 | sequence};
            push_bytes(id, next, 8);
        }
        if (transport.open_bytes > largest_open)
            largest_open = transport.open_bytes;
    }
    const uint32_t received = 2 + (each - 2) / 7 * 7; /* 256 of them are 8,387,072; a 257th passes 8,388,608 */
    assert_int_equal(received, 32762);
    assert_events(300 + 300 - 256);
    assert_true(largest_open <= 8388608 && largest_open > 8388608 - 32768);
    uint32_t crowded = 0;
    for (size_t i = 0; i < count; i++)
        if (seen[i].kind == TRANSPORT_MESSAGE) {
            assert_int_equal(seen[i].message.reason, REASON_CROWDED_OUT);
            assert_int_equal(seen[i].message.received, received);
            assert_int_equal(seen[i].module, crowded++);
        }
    assert_int_equal(crowded, 44);
    transport_finish(&transport);
    assert_int_equal(transport.open_bytes, 0);
    assert_true(transport.held <= 4u << 20); /* what is kept for the next messages */
}

/* ---- dropped frames ---- */

static void malformed_frames_are_faults(void **state)
{
    static const struct { const char *frame, *reason; } table[] = {
        {"", "CAN frame without data"},
        {"00", "single frame of length 0"},
        {"00 08 01 02 03 04 05 06", "single frame of length 0"}, /* the CAN FD form, in a classic frame */
        {"01", "single frame longer than its CAN frame"},
        {"07 01 02 03 04 05 06", "single frame longer than its CAN frame"},
        {"08 01 02 03 04 05 06 07", "single frame longer than its CAN frame"},
        {"0F 01 02 03 04 05 06 07", "single frame longer than its CAN frame"},
        {"10", "first frame in a CAN frame that is not full"},
        {"10 14 62 F1 90 31 4D", "first frame in a CAN frame that is not full"},
        {"10 00 00 00 00 00 62 F1", "first frame of length 0"},
        {"20 01 02 03 04 05 06 07", "consecutive frame without a first frame"},
        {"21 01 02 03 04 05 06 07", "consecutive frame without a first frame"},
        {"30", "flow control shorter than 3 bytes"},
        {"30 00", "flow control shorter than 3 bytes"},
        {"33 00 00", "flow control with a reserved flow status"},
        {"3F 00 00", "flow control with a reserved flow status"},
        {"40 00 00", "unknown N_PDU type"},
        {"FF FF FF FF FF FF FF FF", "unknown N_PDU type"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        push(0x6C5, table[i].frame);
        assert_events(i + 1);
        assert_fault(i, i + 1, table[i].reason);
        assert_int_equal(seen[i].module, 7);
    }
}

static void remote_frame_is_a_fault(void **state)
{
    (void)state;
    struct frame frame = make_frame(0x6C5, "", 0);
    frame.remote = true;
    frame.length = 8;
    transport_push(&transport, &frame);
    assert_events(1);
    assert_fault(0, 1, "remote frame");
}

/* Only the last consecutive frame may be short. The receiver ignores it; N_Cr runs on. */
static void short_consecutive_frame_is_a_fault(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 00 00");
    push(0x6C5, "21 47 44 4D 39 41 58");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C5, "22 50 30 34 32 37 38");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_events(4);
    assert_fault(1, 3, "consecutive frame too short");
    assert_fault(2, 5, "consecutive frame too short");
    assert_message(3, 0x6C5, 20, 1, 6, 0);
}

static void flow_control_that_nobody_awaits_is_nothing(void **state)
{
    (void)state;
    push(0x5E3, "30 00 00");
    push(0x6C5, "31 00 00");
    push(0x6C5, "32 00 00");
    assert_events(0);
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x6C5, "30 01 FF"); /* from the sender itself: for a message of 5E3 */
    push(0x5E3, "30 00 00");
    push(0x5E3, "30 01 FF"); /* a second one */
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x5E3, "31 00 00"); /* inside a block without end */
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_events(2);
    assert_message(1, 0x6C5, 20, 4, 10, 0);
}

static void reserved_flow_status_answers_nothing(void **state)
{
    (void)state;
    push(0x5E3, "10 14 2E F1 90 31 4D 38");
    push(0x6C5, "33 00 00");
    now += TT_SECOND;
    push(0x123, "00");
    assert_events(3);
    assert_fault(1, 2, "flow control with a reserved flow status");
    assert_abandoned(2, REASON_UNANSWERED, 6, 1, 1);
}

/* ---- functional ---- */

static void functional_request_is_one_message_per_pair(void **state)
{
    (void)state;
    push(0x7DF, "02 3E 80 CC CC CC CC CC");
    assert_events(2);
    for (size_t i = 0; i < 2; i++) {
        assert_message(i, 0x7DF, 2, 1, 1, 0);
        assert_int_equal(seen[i].message.direction, DIRECTION_FUNCTIONAL);
        assert_int_equal(seen[i].module, 7 + i);
        assert_memory_equal(seen[i].bytes, "\x3E\x80", 2);
        assert_int_equal(seen[i].segments[0].offset, 125);
    }
}

static void functional_takes_single_frames_only(void **state)
{
    (void)state;
    push(0x7DF, "10 14 22 F1 90 31 4D 38");
    push(0x7DF, "21 47 44 4D 39 41 58 4B");
    push(0x7DF, "30 00 00");
    push(0x7DF, "00");
    assert_events(4);
    for (size_t i = 0; i < 3; i++)
        assert_fault(i, i + 1, "not a single frame, on a functional identifier");
    assert_fault(3, 4, "single frame of length 0");
    assert_int_equal(transport.next_deadline == INT64_MAX, 1);
}

/* ---- time that goes back ---- */

static void timers_restart_when_the_clock_goes_back(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 00 00");
    now += 900 * TT_MS;
    go_back(3600 * TT_SECOND);
    now += 900 * TT_MS; /* 1.8 s since the flow control, but only 0.9 s are known */
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_events(2);
    assert_message(1, 0x6C5, 20, 1, 4, REMARK_CLOCK_BACK);
    assert_int_equal(seen[1].message.first_epoch, 0);
    assert_int_equal(seen[1].message.last_epoch, 1);
    count = 0;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    go_back(TT_SECOND);
    now += TT_SECOND;
    push(0x123, "00"); /* the restarted timer runs out all the same */
    assert_events(2);
    assert_abandoned(1, REASON_UNANSWERED, 6, 5, 5);
    assert_int_equal(seen[1].message.remarks, REMARK_CLOCK_BACK);
}

static void clock_back_keeps_the_order_of_deadlines(void **state)
{
    (void)state;
    restart(LONGEST);
    assert_null(transport_add_pair(&transport, &(struct transport_pair){0x100, 0x101, UINT32_MAX, 1, TT_SECOND, 3 * TT_SECOND}));
    assert_null(transport_add_pair(&transport, &pair_a));
    push(0x101, "10 09 62 01 02 03 04 05"); /* due at 3.001 s */
    now += 2500 * TT_MS;
    push(0x6C5, "10 09 62 01 02 03 04 05"); /* due at 3.502 s */
    go_back(TT_SECOND);                     /* at 2.502 s: now due at 5.502 s and 3.502 s */
    now = 3600 * TT_MS;
    push(0x123, "00");
    assert_events(3);
    assert_abandoned(2, REASON_UNANSWERED, 6, 2, 2);
    now = 5600 * TT_MS;
    push(0x123, "00");
    assert_events(4);
    assert_abandoned(3, REASON_UNANSWERED, 6, 1, 1);
}

/* ---- pairs ---- */

static void assert_pair(uint32_t request, uint32_t response, uint32_t functional, const char *wanted)
{
    const char *reason = transport_add_pair(
        &transport, &(struct transport_pair){request, response, functional, 9, TT_SECOND, TT_SECOND});
    if (wanted)
        assert_string_equal(reason, wanted);
    else
        assert_null(reason);
}

static void pairs_that_cannot_be(void **state)
{
    const char *used = "identifier is already in use";
    const char *functional_used = "functional identifier is already in use as a request or response";
    const char *too_high = "identifier over 0x7FF: only 11-bit identifiers are read by this version";
    (void)state;
    assert_pair(0x5E3, 0x111, UINT32_MAX, used);
    assert_pair(0x111, 0x5E3, UINT32_MAX, used);
    assert_pair(0x6C5, 0x111, UINT32_MAX, used);
    assert_pair(0x111, 0x6C5, UINT32_MAX, used);
    assert_pair(0x7DF, 0x111, UINT32_MAX, used);
    assert_pair(0x111, 0x112, 0x6C5, functional_used);
    assert_pair(0x111, 0x112, 0x111, functional_used);
    assert_pair(0x111, 0x111, UINT32_MAX, "request and response have the same identifier");
    assert_pair(0x800, 0x111, UINT32_MAX, too_high);
    assert_pair(0x111, 0x18DAF110, UINT32_MAX, too_high);
    assert_pair(0x111, 0x112, 0x800, too_high);
    assert_string_equal(transport_add_pair(&transport, &(struct transport_pair){0x111, 0x112, UINT32_MAX, 9, 0, TT_SECOND}),
                        "timeout out of range");
    assert_int_equal(transport.count, 6); /* nothing was half added */
    assert_pair(0x7FF, 0x000, 0x7DF, NULL);
    push(0x000, "01 7E");
    push(0x7DF, "02 3E 80");
    assert_events(4);
    assert_message(0, 0x000, 1, 1, 1, 0);
    assert_int_equal(seen[3].module, 9);
}

static void conversations_are_bounded(void **state)
{
    (void)state;
    restart(LONGEST);
    uint32_t added = 0;
    /* Every pair on one functional identifier: 3 conversations each, 11-bit identifiers for 1,023 pairs. */
    while (added < 1023) {
        assert_pair(2 * added, 2 * added + 1, 0x7FE, NULL);
        added++;
    }
    assert_int_equal(transport.count, 3069);
    assert_true(transport.count <= TRANSPORT_CONVERSATIONS);
    push(0x7FE, "01 3E");
    assert_events(1023);
}

/* ---- whatever comes ---- */

/* Random frames on the pair's identifiers: no event is impossible, every byte of the account comes back to 0. */
static void random_frames_keep_the_books(void **state)
{
    uint64_t random = UINT64_C(0x243F6A8885A308D3);
    uint64_t started = 0, ended = 0;
    static const uint32_t ids[] = {0x5E3, 0x6C5, 0x5E4, 0x6C6, 0x7DF, 0x123};
    (void)state;
    for (unsigned i = 0; i < 200000; i++) {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        uint8_t data[8];
        for (int j = 0; j < 8; j++)
            data[j] = (uint8_t)(random >> 8 * j);
        data[0] &= 0x37; /* mostly the four kinds, low lengths and sequence numbers */
        if ((data[0] & 0xF0) == 0x10)
            data[0] &= 0x10 | (random >> 20 & 1);
        count = 0;
        now += (int64_t)(random >> 40 & 0xFFFFF) * 100; /* up to 105 ms */
        if ((random >> 33 & 0x3FF) == 0)
            go_back(TT_MS);
        push_bytes(ids[(random >> 12) % 6], data, (random >> 24 & 7) ? 8 : (uint8_t)(random >> 27 & 7));
        for (size_t j = 0; j < count; j++) {
            const struct message *message = &seen[j].message;
            started += seen[j].kind == TRANSPORT_STARTED;
            if (seen[j].kind != TRANSPORT_MESSAGE)
                continue;
            assert_true(message->received <= message->length);
            assert_true((message->state == MESSAGE_COMPLETE) == (message->reason == REASON_NONE));
            assert_true(message->state == MESSAGE_ABANDONED || message->received == message->length);
            assert_true(message->first_frame <= message->last_frame && message->last_frame <= number);
            assert_true(message->first_elapsed <= message->last_elapsed);
            ended += message->segment_count > 1 || message->first_frame != message->last_frame ||
                     (message->reason != REASON_NONE && message->reason != REASON_TOO_LONG) ||
                     (message->remarks & (REMARK_SHORT_FIRST_FRAME | REMARK_ESCAPE_SHORT));
        }
    }
    count = 0;
    transport_finish(&transport);
    ended += count;
    assert_int_equal(started, ended);
    assert_true(started > 10000);
    assert_int_equal(transport.open_bytes, 0);
}

static void texts_are_there(void **state)
{
    (void)state;
    assert_null(message_reason_text(REASON_NONE));
    for (enum message_reason reason = REASON_SEQUENCE; reason <= REASON_CROWDED_OUT; reason++)
        assert_non_null(message_reason_text(reason));
    for (unsigned bit = 0; bit < REMARK_COUNT; bit++)
        assert_non_null(message_remark_text(bit));
    assert_null(message_remark_text(REMARK_COUNT));
    assert_string_equal(message_reason_text(REASON_TOO_LONG), "too long");
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(single_frames_of_1_to_7),
        TEST(published_vin_answer),
        TEST(lengths_at_every_border),
        TEST(longest_message_is_the_ceiling),
        TEST(announced_4_gib_reserves_nothing),
        TEST(memory_grows_only_as_data_arrives),
        TEST(both_directions_at_once),
        TEST(conversations_do_not_mix),
        TEST(other_identifiers_are_nothing),
        TEST(short_first_frame_lengths),
        TEST(escape_form_for_a_short_length),
        TEST(missing_flow_control_is_a_remark),
        TEST(missing_flow_control_between_blocks_is_a_remark),
        TEST(blocks_with_flow_control_have_no_remark),
        TEST(wait_is_a_remark_and_restarts_n_bs),
        TEST(reserved_st_min_is_a_remark),
        TEST(padding_value_never_decides),
        TEST(wrong_sequence_ends_it),
        TEST(repeated_consecutive_frame_is_a_wrong_sequence),
        TEST(lost_consecutive_frame_is_a_wrong_sequence),
        TEST(n_cr_timeout),
        TEST(n_bs_timeout_is_unanswered),
        TEST(late_frame_proves_its_own_timeout_first),
        TEST(silence_after_a_block_or_a_wait_is_a_timeout),
        TEST(timeouts_of_the_pair_are_used),
        TEST(single_or_first_frame_interrupts),
        TEST(frames_that_are_dropped_do_not_interrupt),
        TEST(request_does_not_interrupt_the_answer),
        TEST(overflow_ends_it),
        TEST(overflow_that_nobody_awaits_is_nothing),
        TEST(end_of_trace_cuts),
        TEST(oldest_is_crowded_out),
        TEST(malformed_frames_are_faults),
        TEST(remote_frame_is_a_fault),
        TEST(short_consecutive_frame_is_a_fault),
        TEST(flow_control_that_nobody_awaits_is_nothing),
        TEST(reserved_flow_status_answers_nothing),
        TEST(functional_request_is_one_message_per_pair),
        TEST(functional_takes_single_frames_only),
        TEST(timers_restart_when_the_clock_goes_back),
        TEST(clock_back_keeps_the_order_of_deadlines),
        TEST(pairs_that_cannot_be),
        TEST(conversations_are_bounded),
        TEST(random_frames_keep_the_books),
        TEST(texts_are_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
