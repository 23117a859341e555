/*
 * decoder/stages/step.h: timelines that try to get a wrong answer out of parts, attempts, actions and exit codes
 * (D 7.2, 7.3, 7.9, 7.12), and out of the queue (D 2.9). Every expectation is worked by hand from the rule that the
 * test names; most tests closed a way by which a record could have been called confirmed.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <cmocka.h>

#include "support_step.h"

/* ---- D 7.2 ---- */

static void d7_2_what_was_seen_after_the_second_question_is_of_the_second_vehicle(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY);
    exchanged(&job, "22 F1 90", "62 F1 90 " VIN_1);
    zeroed(&job);
    uint32_t vin = ask(&job, "22 F1 90");
    loads(&job, 0, 3); /* the other car's, though nobody knows it yet */
    answer(&job, vin, "62 F1 90 " VIN_2);
    conclude(&job);
    assert_int_equal(job.verdict->part_count, 2);
    is(&job, 1, 1, "+?");
    is(&job, 2, 1, "?+");
    assert_int_equal(job.verdict->exit_code, 2);
    assert_int_equal(job.verdict->parts[1].first_frame, 7);
    end(&job);
}

static void d7_2_only_an_accepted_write_that_was_asked_for_joins_two_identities(void **state)
{
    (void)state;
    static const struct {
        const char *question, *answer;
        uint64_t parts;
    } cases[] = {{"2E F1 90 " VIN_2, "6E F1 90", 1}, {"2E F1 90 " VIN_2, "7F 2E 33", 2}, {NULL, "6E F1 90", 2},
                 {"2E F1 8C 31", "6E F1 8C", 2}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct job job;
        begin(&job, ZERO EMPTY);
        exchanged(&job, "22 F1 90", "62 F1 90 " VIN_1);
        if (cases[i].question)
            exchanged(&job, cases[i].question, cases[i].answer);
        else
            unsolicited(&job, cases[i].answer);
        exchanged(&job, "22 F1 90", "62 F1 90 " VIN_2);
        conclude(&job);
        assert_int_equal(job.verdict->part_count, cases[i].parts);
        end(&job);
    }
}

static void d7_2_an_identity_whose_question_was_lost_splits_all_the_same(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY WEIGHT);
    exchanged(&job, "22 F1 90", "62 F1 90 " VIN_1);
    zeroed(&job);
    loads(&job, 0, 3);
    unsolicited(&job, "62 F1 90 " VIN_2);
    mark(&job, MARK_MOMENT, "weight on", "");
    loads(&job, 300, 3);
    conclude(&job);
    assert_int_equal(job.verdict->part_count, 2);
    is(&job, 1, 1, "++?");
    assert_int_equal(job.verdict->exit_code, 2);
    end(&job);
}

/* ---- D 7.3 ---- */

static void d7_3_a_start_refused_late_opens_nothing(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY);
    zeroed(&job);
    uint32_t again = ask(&job, "31 01 02 42 01");
    loads(&job, 0, 3); /* waits until it is known whether the start was refused */
    answer(&job, again, "7F 31 22");
    conclude(&job);
    is(&job, 1, 1, "++");
    assert_int_equal(job.verdict->attempts[0]->steps[0].tries.count, 1);
    assert_int_equal(job.verdict->attempts[0]->steps[0].tries.list[0].nrc, 0x22);
    end(&job);
}

static void d7_3_an_unanswered_start_makes_every_proof_stale(void **state)
{
    (void)state;
    static const enum exchange_state ends_of[] = {EXCHANGE_MISSING, EXCHANGE_ASKED_AGAIN, EXCHANGE_SUPPRESSED,
                                                  EXCHANGE_CUT};
    for (size_t i = 0; i < sizeof ends_of / sizeof *ends_of; i++) {
        struct job job;
        begin(&job, ZERO EMPTY);
        zeroed(&job);
        loads(&job, 0, 3);
        unanswered(&job, ask(&job, i == 2 ? "31 81 02 42" : "31 01 02 42"), ends_of[i]);
        ends(&job, 2, "??", 2);
    }
}

static void d7_3_an_accepted_start_whose_question_was_lost_opens_an_attempt(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY);
    zeroed(&job);
    loads(&job, 0, 3);
    unsolicited(&job, "71 01 02 42 00");
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    ends(&job, 2, "+?", 2);
}

/* A done before the module said that it had started is none of this start's. */
static void d7_3_an_outcome_before_the_start_was_accepted_is_none(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY);
    unanswered(&job, ask(&job, "31 01 02 42"), EXCHANGE_MISSING);
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    loads(&job, 0, 3);
    unsolicited(&job, "71 01 02 42 00");
    conclude(&job);
    assert_int_equal(job.verdict->exit_code, 2);
    end(&job);
    begin(&job, ZERO EMPTY);
    uint32_t start = ask(&job, "31 01 02 42");
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    answer(&job, start, "71 01 02 42 00");
    loads(&job, 0, 3);
    ends(&job, 1, "?+", 2);
    begin(&job, ZERO EMPTY); /* asked before the start: it may be about the zero before */
    uint32_t result = ask(&job, "31 03 02 42");
    exchanged(&job, "31 01 02 42", "71 01 02 42 00");
    answer(&job, result, "71 03 02 42 00");
    loads(&job, 0, 3);
    ends(&job, 1, "?+", 2);
}

/* Given up, and answered all the same before anything else: one start, not two. */
static void d7_3_the_answer_to_a_start_that_was_given_up_is_that_starts(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY);
    unanswered(&job, ask(&job, "31 01 02 42"), EXCHANGE_MISSING);
    unsolicited(&job, "71 01 02 42 00");
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    loads(&job, 0, 3);
    ends(&job, 1, "++", 0);
}

static void d7_3_without_any_other_start_refused_ones_contradict(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY);
    exchanged(&job, "31 01 02 42", "7F 31 22");
    exchanged(&job, "31 03 02 42", "71 03 02 42 00"); /* of a zero before this record */
    loads(&job, 0, 3);
    ends(&job, 1, "-+", 1);
    begin(&job, ZERO EMPTY);
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    loads(&job, 0, 3);
    ends(&job, 1, "?+", 2);
}

/* A late answer to the start before belongs to the attempt before, whose proofs are stale. */
static void d7_3_a_late_answer_to_an_earlier_start_confirms_nothing(void **state)
{
    (void)state;
    struct job job;
    begin(&job, "  - {step: Zero, opens attempt: yes, action: zero}\n" EMPTY);
    uint32_t first = ask(&job, "31 01 02 42");
    unanswered(&job, ask(&job, "31 01 02 42 01"), EXCHANGE_MISSING);
    answer(&job, first, "71 01 02 42 00");
    loads(&job, 0, 3);
    ends(&job, 2, "?+", 2);
}

/* ---- D 7.9 ---- */

static void d7_9_the_last_answer_with_the_outcome_decides(void **state)
{
    (void)state;
    static const struct {
        const char *last;
        bool asked;
        char letter;
    } cases[] = {{"71 03 02 42 00", true, '+'}, {"71 03 02 42 01", true, '?'}, {"71 03 02 42 02", true, '-'},
                 {"71 03 02 42 07", true, '?'}, {"71 03 02 42", true, '+'},    {"7F 31 24", true, '+'},
                 {"71 03 02 42 00", false, '+'}, {"71 03 02 42 02", false, '-'}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct job job;
        char letters[] = {cases[i].letter, '\0'};
        begin(&job, ZERO);
        zeroed(&job);
        if (cases[i].asked)
            exchanged(&job, "31 03 02 42", cases[i].last);
        else
            unsolicited(&job, cases[i].last);
        ends(&job, 1, letters, letters[0] == '+' ? 0 : letters[0] == '-' ? 1 : 2);
    }
    struct job job;
    begin(&job, ZERO); /* nobody asked whether it was done */
    exchanged(&job, "31 01 02 42", "71 01 02 42 00");
    unsolicited(&job, "71 03 02 42 00");
    ends(&job, 1, "?", 2);
}

/* ---- D 2.9, 7.12 ---- */

/* So many notes wait for one answer that the queue leaves memory; what comes out is what went in. */
static void d2_9_what_waits_for_an_answer_is_not_lost(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO EMPTY CODES);
    zeroed(&job);
    uint32_t again = ask(&job, "31 01 02 42 01");
    for (unsigned i = 0; i < 20000; i++)
        sample(&job, "seat.load", i < 19997 ? (i % 2 ? 500 : -500) : 7, 500);
    exchanged(&job, "19 02 09", "59 02 FF");
    answer(&job, again, "7F 31 22");
    conclude(&job);
    is(&job, 1, 1, "+++");
    const struct step_result *empty = &job.verdict->attempts[0]->steps[1];
    assert_true(empty->stretch.lowest == 7 && empty->stretch.highest == 7 && empty->stretch.samples == 3);
    assert_int_equal(empty->stretch.first_frame, 5 + 19998);
    end(&job);
}

/* As many ordered steps as a procedure may have: the work must not double with each (the alarm ends what hangs). */
static void d2_9_many_steps_in_order_cost_no_more_than_their_number(void **state)
{
    (void)state;
    char steps[8192] = ZERO;
    for (int i = 0; i < 60; i++)
        (void)snprintf(steps + strlen(steps), sizeof steps - strlen(steps), "  - {step: s%d, answered: %s}\n", i,
                       i % 2 ? "TesterPresent" : "ClearDiagnosticInformation");
    struct job job;
    begin(&job, steps);
    zeroed(&job);
    (void)alarm(20);
    for (int i = 0; i < 60; i++)
        exchanged(&job, i % 2 ? "3E 00" : "14 FF FF FF", i % 2 ? "7E 00" : "54");
    conclude(&job);
    (void)alarm(0);
    assert_int_equal(job.verdict->exit_code, 0);
    end(&job);
}

static void d7_12_a_contradicted_condition_is_no_pass(void **state)
{
    (void)state;
    static const char steps[] = "conditions: [{condition: Level ground}]\nprocedure:\n" ZERO;
    static const char *const said[] = {"yes", "no", NULL};
    for (size_t i = 0; i < 3; i++) {
        struct job job;
        begin(&job, steps);
        if (said[i])
            mark(&job, MARK_CONDITION, "Level ground", said[i]);
        zeroed(&job);
        ends(&job, 1, "+", i == 1 ? 2 : 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(d7_2_what_was_seen_after_the_second_question_is_of_the_second_vehicle),
        cmocka_unit_test(d7_2_only_an_accepted_write_that_was_asked_for_joins_two_identities),
        cmocka_unit_test(d7_2_an_identity_whose_question_was_lost_splits_all_the_same),
        cmocka_unit_test(d7_3_a_start_refused_late_opens_nothing),
        cmocka_unit_test(d7_3_an_unanswered_start_makes_every_proof_stale),
        cmocka_unit_test(d7_3_an_accepted_start_whose_question_was_lost_opens_an_attempt),
        cmocka_unit_test(d7_3_an_outcome_before_the_start_was_accepted_is_none),
        cmocka_unit_test(d7_3_the_answer_to_a_start_that_was_given_up_is_that_starts),
        cmocka_unit_test(d7_3_without_any_other_start_refused_ones_contradict),
        cmocka_unit_test(d7_3_a_late_answer_to_an_earlier_start_confirms_nothing),
        cmocka_unit_test(d7_9_the_last_answer_with_the_outcome_decides),
        cmocka_unit_test(d2_9_what_waits_for_an_answer_is_not_lost),
        cmocka_unit_test(d2_9_many_steps_in_order_cost_no_more_than_their_number),
        cmocka_unit_test(d7_12_a_contradicted_condition_is_no_pass),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
