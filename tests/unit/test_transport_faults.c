/*
 * Transport: frames that are dropped, functional requests, pairs, random traffic. Each row of docs/transport.md names
 * the test that shows it. Expected values are hand arithmetic on the N_PDU forms of ISO 15765-2:2016 9.6, the timers of
 * 9.8.2 (1,000 ms) and the table of unexpected N_PDUs of 9.8.3.
 */
#include "transport_rig.h"

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

/* ---- pairs ---- */

static void assert_pair(uint32_t request, uint32_t response, uint32_t functional, const char *wanted)
{
    const char *reason = add_pair(request, response, functional, 9, TT_SECOND, TT_SECOND);
    if (wanted)
        assert_string_equal(reason, wanted);
    else
        assert_null(reason);
}

static void pairs_that_cannot_be(void **state)
{
    const char *used = "identifier is already in use";
    const char *functional_used = "functional identifier is already in use as a request or response";
    const char *too_high = "identifier over 0x7FF, or over 0x1FFFFFFF for a 29-bit one";
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
    assert_string_equal(add_pair(0x111, 0x112, UINT32_MAX, 9, 0, TT_SECOND), "timeout out of range");
    assert_pair(0x111, DEF_ID_29 | 0x20000000, UINT32_MAX, too_high);
    struct transport_pair extended = make_pair(0x111, 0x5E3, UINT32_MAX, 9, TT_SECOND, TT_SECOND);
    extended.format = ADDRESS_EXTENDED;
    assert_string_equal(transport_add_pair(&transport, &extended),
                        "identifier is already in use in a format with another number of address bytes");
    assert_int_equal(transport.count, 6); /* nothing was half added */
    assert_pair(0x7FF, 0x000, 0x7DF, NULL);
    push(0x000, "01 7E");
    push(0x7DF, "02 3E 80");
    assert_events(4);
    assert_message(0, 0x000, 1, 1, 1, 0);
    assert_int_equal(seen[3].module, 9);
}

/* 10,000 pairs of 29-bit identifiers on one functional one, 3 conversations each: 1,365 fit the 4,096. */
static void conversations_are_bounded(void **state)
{
    (void)state;
    restart(LONGEST);
    for (uint32_t i = 0; i < 10000; i++)
        assert_pair(DEF_ID_29 | (0x100000 + 2 * i), DEF_ID_29 | (0x100001 + 2 * i), DEF_ID_29 | 0x18DB33F1,
                    i < 1365 ? NULL : "more than 4,096 conversations");
    assert_int_equal(transport.count, 3 * 1365);
    push(DEF_ID_29 | 0x18DB33F1, "01 3E");
    assert_events(1365);
    count = 0;
    push(DEF_ID_29 | (0x100001 + 2 * 1364), "01 7E"); /* the last one is found */
    push(DEF_ID_29 | (0x100001 + 2 * 1365), "01 7E"); /* the first that was refused is not */
    assert_events(1);
    assert_message(0, DEF_ID_29 | (0x100001 + 2 * 1364), 1, 2, 2, 0);
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
    const struct CMUnitTest tests[] = {
        TEST(malformed_frames_are_faults),
        TEST(remote_frame_is_a_fault),
        TEST(short_consecutive_frame_is_a_fault),
        TEST(flow_control_that_nobody_awaits_is_nothing),
        TEST(reserved_flow_status_answers_nothing),
        TEST(functional_request_is_one_message_per_pair),
        TEST(functional_takes_single_frames_only),
        TEST(pairs_that_cannot_be),
        TEST(conversations_are_bounded),
        TEST(random_frames_keep_the_books),
        TEST(texts_are_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
