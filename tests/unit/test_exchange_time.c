/*
 * decoder/stages/exchange.h: deadlines, and what is given up when. Worked by hand from D 8.4, 8.5; the defaults P2 50
 * ms and P2* 5 s from FACTS 3.7, the stamp uncertainty of 10 ms from D 8.5. support_exchange.h says how events are
 * written.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <cmocka.h>

#include "support_exchange.h"

static void suppressed_when_closed_without_an_answer(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "3E 80");
    assert_true(s.last.suppress);
    ask(&s, 200, "3E 00"); /* the next of the service closes it */
    answer(&s, 210, "7E 00");
    ask(&s, 300, "10 83");
    answer(&s, 310, "50 03 00 32 01 F4"); /* sent although suppressed */
    ask(&s, 400, "85 82");
    ask(&s, 940, "22 80 00"); /* no sub-function: 0x80 is no suppress bit */
    assert_false(s.last.suppress);
    ends(&s, 950, "ask#1; #1 suppressed; ask#2; #2 answered; ask#3; #3 answered; ask#4; ask#5; #4 suppressed; #5 cut");
}

static void after_0x78_even_a_suppressed_request_waits(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 81 02 42");
    answer(&s, 20, "7F 31 78");
    ends(&s, 6000, "ask#1; wait#1; #1 missing");
}

static void deadline_of_p2_with_the_stamp_uncertainty(void **state)
{
    (void)state;
    for (int64_t ms = 59; ms <= 61; ms++) { /* 50 ms and 10 ms: equality is still in time */
        SCENE(s, NULL, 1);
        ask(&s, 0, "22 3C 40");
        answer(&s, ms, "62 3C 40 00");
        ends(&s, 1000, ms <= 60 ? "ask#1; #1 answered" : "ask#1; #1 late");
    }
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    answer(&s, 500, "7F 22 31");
    assert_int_equal(s.last.nrc, 0x31);
    ends(&s, 1000, "ask#1; #1 late 31");
}

static void segmented_answers_count_at_their_first_frame(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    uint64_t first = answer_starts(&s, 55);
    answer_ends(&s, first, 55, 300, "62 3C 40 00 01 02 03 04 05", REASON_NONE);
    assert_int_equal(s.last.response.first_frame, 2);
    assert_int_equal(s.last.response.last_frame, 3);
    ask(&s, 400, "22 3C 40");
    first = answer_starts(&s, 461);
    answer_ends(&s, first, 461, 470, "62 3C 40 00 01 02 03 04 05", REASON_NONE);
    ends(&s, 1000, "ask#1; #1 answered; ask#2; #2 late");
}

static void an_answer_that_began_before_the_question_is_not_its_own(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    uint64_t first = answer_starts(&s, 20);
    ask(&s, 150, "22 3C 40");
    answer_ends(&s, first, 20, 160, "62 3C 40 00 01 02 03 04 05", REASON_NONE);
    answer(&s, 170, "62 3C 40 00");
    ends(&s, 1000, "ask#1; ask#2; #1 answered; #2 answered");
}

static void pending_extends_to_p2_star(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 01 02 42");
    answer(&s, 40, "7F 31 78");
    answer(&s, 5050, "7F 31 78"); /* 40 + 5000 + 10 */
    answer(&s, 10060, "71 01 02 42");
    assert_int_equal(s.last.pending_count, 2);
    assert_memory_equal(s.last.pending[1].bytes, ((uint8_t[]){0x7F, 0x31, 0x78}), 3);
    assert_int_equal(s.last.pending[1].span.first_frame, 3);
    ask(&s, 20000, "31 01 02 42");
    answer(&s, 20040, "7F 31 78");
    answer(&s, 25051, "71 01 02 42");
    ask(&s, 30000, "31 01 02 42");
    answer(&s, 30010, "7F 31 21"); /* busyRepeatRequest is an answer, and the last one */
    ends(&s, 40000, "ask#1; wait#1; wait#1; #1 answered; ask#2; wait#2; #2 late; ask#3; #3 refused 21");
}

static void pending_answers_are_all_counted_and_the_first_kept(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 01 02 42");
    for (int i = 1; i <= 40; i++)
        answer(&s, i * 1000, "7F 31 78");
    assert_int_equal(s.last.pending_count, 40);
    assert_int_equal(s.last.pending[EXCHANGE_PENDING_KEPT - 1].span.first_frame, 1 + EXCHANGE_PENDING_KEPT);
    answer(&s, 41000, "71 01 02 42");
    assert_int_equal(s.last.state, EXCHANGE_ANSWERED);
    exchange_close(s.stage);
}

static void announced_timing_replaces_the_definitions(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "10 03");
    answer(&s, 10, "50 03 00 C8 00 64"); /* P2 200 ms, P2* 1000 ms */
    ask(&s, 100, "22 3C 40");
    answer(&s, 310, "62 3C 40 00"); /* 200 + 10: in time */
    ask(&s, 400, "22 3C 40");
    answer(&s, 410, "7F 22 78");
    answer(&s, 1420, "62 3C 40 00"); /* 1000 + 10 after the 0x78 */
    ask(&s, 1440, "22 3C 40");
    answer(&s, 1450, "7F 22 78");
    answer(&s, 2461, "62 3C 40 00"); /* 1011 after it */
    ask(&s, 2600, "11 01");
    answer(&s, 2610, "51 01");
    ask(&s, 3000, "22 3C 40");
    answer(&s, 3061, "62 3C 40 00"); /* 61: late again */
    ask(&s, 4000, "10 03");
    answer(&s, 4010, "50 03 00 C8 00 64");
    ask(&s, 5000, "10 01");
    answer(&s, 5010, "50 01"); /* announces nothing */
    ask(&s, 6000, "22 3C 40");
    answer(&s, 6061, "62 3C 40 00");
    ends(&s, 9000, "ask#1; #1 answered; ask#2; #2 answered; ask#3; wait#3; #3 answered; ask#4; wait#4; #4 late; "
                   "ask#5; #5 answered; ask#6; #6 late; ask#7; #7 answered; ask#8; #8 answered; ask#9; #9 late");
}

static void the_definition_gives_p2_per_module(void **state)
{
    (void)state;
    struct def_module modules[2] = {{.p2 = 100 * TT_MS, .p2_star = 2 * TT_SECOND},
                                    {.p2 = 20 * TT_MS, .p2_star = TT_SECOND}};
    struct definitions definitions = {.modules = modules, .module_count = 2};
    SCENE(s, &definitions, 2);
    say(&s, DIRECTION_REQUEST, 0, 0, "22 3C 40");
    say(&s, DIRECTION_REQUEST, 1, 0, "22 3C 40");
    say(&s, DIRECTION_RESPONSE, 1, 31, "62 3C 40 00");
    assert_int_equal(s.last.module, 1);
    say(&s, DIRECTION_RESPONSE, 0, 110, "62 3C 40 00");
    say(&s, DIRECTION_RESPONSE, 2, 120, "62 3C 40 00"); /* no such module: nothing */
    ends(&s, 1000, "ask#1; ask#2; #2 late; #1 answered");
}

static void missing_only_when_nobody_waits_any_more(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 500, "31 03 02 42"); /* another service */
    answer(&s, 510, "71 03 02 42");
    ask(&s, 600, "22 3C 41"); /* next of the service: the first is given up; with another echo it is no rival */
    answer(&s, 610, "62 3C 41 00");
    ask(&s, 700, "22 3C 40");
    ask(&s, 720, "22 3C 41"); /* inside its deadline: stays open */
    answer(&s, 740, "62 3C 40 00");
    ends(&s, 2000, "ask#1; ask#2; #2 answered; #1 missing; ask#3; #3 answered; ask#4; ask#5; #4 answered; #5 missing");
}

static void a_fifth_closes_the_oldest(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 100, "31 03 02 42");
    ask(&s, 200, "14 FF FF FF");
    ask(&s, 300, "19 02 FF");
    ask(&s, 400, "2E F1 98 00");
    ends(&s, 410, "ask#1; ask#2; ask#3; ask#4; #1 missing; ask#5; #2 missing; #3 missing; #4 missing; #5 cut");
}

static void tester_present_does_not_push_out_a_pending_routine(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 01 02 42");
    for (int i = 1; i <= 10; i++) {
        ask(&s, i * 1000 - 500, "3E 80");
        answer(&s, i * 1000, "7F 31 78");
    }
    ask(&s, 10500, "22 3C 40");
    answer(&s, 10510, "62 3C 40 00");
    answer(&s, 11000, "71 01 02 42");
    assert_int_equal(s.last.serial, 1);
    assert_int_equal(s.last.state, EXCHANGE_ANSWERED);
    exchange_close(s.stage);
}

static void a_suppressed_fifth_lets_four_be(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 1, "31 03 02 42");
    ask(&s, 2, "14 FF FF FF");
    ask(&s, 3, "19 02 FF");
    ask(&s, 4, "3E 80");
    answer(&s, 5, "62 3C 40 00");
    ends(&s, 6, "ask#1; ask#2; ask#3; ask#4; ask#5; #5 suppressed; #1 answered; #2 cut; #3 cut; #4 cut");
}

static void a_step_back_restarts_timers(void **state)
{
    (void)state;
    struct frame step = {.elapsed = 50 * TT_MS, .epoch = 1};
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    exchange_clock_back(s.stage, &step);
    answer(&s, 110, "62 3C 40 00"); /* 60 after the step */
    ends(&s, 1000, "ask#1; #1 answered");

    SCENE(t, NULL, 1);
    ask(&t, 0, "22 3C 40");
    step.elapsed = 61 * TT_MS;
    exchange_clock_back(t.stage, &step);
    answer(&t, 62, "62 3C 40 00");
    ends(&t, 1000, "ask#1; #1 late");

    SCENE(u, NULL, 1);
    ask(&u, 0, "22 3C 40");
    step.elapsed = 50 * TT_MS;
    exchange_clock_back(u.stage, &step);
    answer(&u, 111, "62 3C 40 00");
    ends(&u, 1000, "ask#1; #1 late");
}

static void the_end_of_the_trace(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 0, "3E 80");
    ask(&s, 50, "31 03 02 42");
    ask(&s, 50, "85 82");
    ends(&s, 100, "ask#1; ask#2; ask#3; ask#4; #1 missing; #2 suppressed; #3 cut; #4 cut");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(suppressed_when_closed_without_an_answer),
        cmocka_unit_test(after_0x78_even_a_suppressed_request_waits),
        cmocka_unit_test(deadline_of_p2_with_the_stamp_uncertainty),
        cmocka_unit_test(segmented_answers_count_at_their_first_frame),
        cmocka_unit_test(an_answer_that_began_before_the_question_is_not_its_own),
        cmocka_unit_test(pending_extends_to_p2_star),
        cmocka_unit_test(pending_answers_are_all_counted_and_the_first_kept),
        cmocka_unit_test(announced_timing_replaces_the_definitions),
        cmocka_unit_test(the_definition_gives_p2_per_module),
        cmocka_unit_test(missing_only_when_nobody_waits_any_more),
        cmocka_unit_test(a_fifth_closes_the_oldest),
        cmocka_unit_test(tester_present_does_not_push_out_a_pending_routine),
        cmocka_unit_test(a_suppressed_fifth_lets_four_be),
        cmocka_unit_test(a_step_back_restarts_timers),
        cmocka_unit_test(the_end_of_the_trace),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
