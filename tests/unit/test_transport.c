/*
 * Transport: whole messages, and unusual ones with a remark. Each row of docs/transport.md names
 * the test that shows it. Expected values are hand arithmetic on the N_PDU forms of ISO 15765-2:2016 9.6, the timers of
 * 9.8.2 (1,000 ms) and the table of unexpected N_PDUs of 9.8.3.
 */
#include "transport_rig.h"

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

/* Lengths around every border: the smallest, a last frame of 1 and of 7 bytes, sequence number 15 to 0, 12 bits. */
static void lengths_at_every_border(void **state)
{
    static const uint32_t lengths[] = {
        8, 12, 13, 14, 20, 6 + 15 * 7, 6 + 15 * 7 + 1, 6 + 16 * 7 + 1, 4095, 4096, 4097, 65536};
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
    assert_null(add_pair(0x5E3, 0x6C5, 0x7DF, 7, TT_SECOND, TT_SECOND));
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
    restart(4);
    assert_null(add_pair(0x5E3, 0x6C5, 0x7DF, 7, TT_SECOND, TT_SECOND));
    push(0x6C5, "10 05 62 01 02 03 04 AA"); /* never more bytes than announced */
    assert_events(1);
    assert_abandoned(0, REASON_TOO_LONG, 5, 1, 1);
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
        {0x00, false}, {0x7F, false}, {0x80, true}, {0xF0, true},
        {0xF1, false}, {0xF9, false}, {0xFA, true}, {0xFF, true}};
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
    static const char *const pads[] = {"00 00 00 00", "CC CC CC CC", "55 55 55 55",
                                       "AA AA AA AA", "FF FF FF FF", "21 10 30 02"};
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

int main(void)
{
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
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
