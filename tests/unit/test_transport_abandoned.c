/*
 * Transport: messages that are abandoned, and time that goes back. Each row of docs/transport.md names
 * the test that shows it. Expected values are hand arithmetic on the N_PDU forms of ISO 15765-2:2016 9.6, the timers of
 * 9.8.2 (1,000 ms) and the table of unexpected N_PDUs of 9.8.3.
 */
#include "transport_rig.h"

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
    assert_null(add_pair(0x100, 0x101, UINT32_MAX, 1, 50 * TT_MS, 3 * TT_SECOND));
    assert_null(add_pair(0x5E3, 0x6C5, 0x7DF, 7, TT_SECOND, TT_SECOND));
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

/* N_Bs (3 s) counts at the end of each block, after a wait, and also when a flow control was missed before. */
static void n_bs_counts_while_a_flow_control_is_awaited(void **state)
{
    (void)state;
    restart(LONGEST);
    assert_null(add_pair(0x100, 0x101, UINT32_MAX, 1, 50 * TT_MS, 3 * TT_SECOND));
    push(0x101, "10 30 62 01 02 03 04 05");
    push(0x100, "30 02 00");
    push(0x101, "21 06 07 08 09 0A 0B 0C");
    push(0x101, "22 0D 0E 0F 10 11 12 13");
    now += 2900 * TT_MS;
    push(0x100, "31 00 00");
    now += 2900 * TT_MS;
    push(0x101, "23 14 15 16 17 18 19 1A"); /* the flow control before it was missed */
    push(0x101, "24 1B 1C 1D 1E 1F 20 21"); /* the end of this block */
    now += 2900 * TT_MS;
    push(0x100, "30 00 00");
    push(0x101, "25 22 23 24 25 26 27 28");
    push(0x123, "00");
    assert_events(1);
    now += 50 * TT_MS;
    push(0x123, "00"); /* inside a block N_Cr (50 ms) counts */
    assert_events(2);
    assert_abandoned(1, REASON_TIMEOUT, 41, 1, 9);
    assert_int_equal(seen[1].message.remarks, REMARK_WAITED | REMARK_NO_FLOW_CONTROL | REMARK_FLOW_CHANGED |
                                                  REMARK_LATE_FLOW_CONTROL); /* 2.9 of 3 s; block size 2, then 0 */
}

static void only_what_is_past_its_time_times_out(void **state)
{
    (void)state;
    push(0x6C5, "10 09 62 01 02 03 04 05");
    push(0x6C6, "10 09 62 01 02 03 04 05"); /* 1 ms later */
    now += TT_SECOND - TT_MS;
    push(0x123, "00"); /* 1,001 ms behind the one, 1,000 ms behind the other */
    assert_events(3);
    assert_abandoned(2, REASON_UNANSWERED, 6, 1, 1);
    assert_int_equal(seen[2].message.id, 0x6C5);
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
    static const char *const dropped[] = {
        "00 01 02", "05 01 02", "0F 00 00 00 00 00 00 00", "10 09 62 01", "10 00 00 00 00 00 62 01",
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
    count = 0;
    push(0x5E3, "10 14 2E F1 90 31 4D 38");
    push(0x5E3, "21 47 44 4D 39 41 58 4B"); /* it went on, so an overflow cannot be for it */
    push(0x6C5, "32 00 00");
    push(0x5E3, "22 50 30 34 32 37 38 38");
    assert_events(2);
    assert_message(1, 0x5E3, 20, 7, 10, REMARK_NO_FLOW_CONTROL);
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
    size_t largest_open = 0;
    restart(LONGEST);
    for (uint32_t i = 0; i < pairs; i++)
        assert_null(add_pair(0x100 + i, 0x300 + i, UINT32_MAX, i, 1000 * TT_SECOND, 1000 * TT_SECOND));
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
    assert_null(add_pair(0x100, 0x101, UINT32_MAX, 1, TT_SECOND, 3 * TT_SECOND));
    assert_null(add_pair(0x5E3, 0x6C5, 0x7DF, 7, TT_SECOND, TT_SECOND));
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(wrong_sequence_ends_it),
        TEST(repeated_consecutive_frame_is_a_wrong_sequence),
        TEST(lost_consecutive_frame_is_a_wrong_sequence),
        TEST(n_cr_timeout),
        TEST(n_bs_timeout_is_unanswered),
        TEST(late_frame_proves_its_own_timeout_first),
        TEST(silence_after_a_block_or_a_wait_is_a_timeout),
        TEST(timeouts_of_the_pair_are_used),
        TEST(n_bs_counts_while_a_flow_control_is_awaited),
        TEST(only_what_is_past_its_time_times_out),
        TEST(single_or_first_frame_interrupts),
        TEST(frames_that_are_dropped_do_not_interrupt),
        TEST(request_does_not_interrupt_the_answer),
        TEST(overflow_ends_it),
        TEST(overflow_that_nobody_awaits_is_nothing),
        TEST(end_of_trace_cuts),
        TEST(oldest_is_crowded_out),
        TEST(timers_restart_when_the_clock_goes_back),
        TEST(clock_back_keeps_the_order_of_deadlines),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
