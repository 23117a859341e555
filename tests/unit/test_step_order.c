/*
 * decoder/stages/step.h: timelines that try to get a wrong answer out of where a step looks, of stretches and of
 * moments (D 7.5, 7.6, 7.8). Every expectation is worked by hand from the rule that the test names.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <cmocka.h>

#include "steady.h"
#include "support_step.h"

/* ---- D 7.5 ---- */

/* One clear is no second one; one answer is not read after itself. */
static void d7_5_an_answer_does_not_come_after_itself(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO CLEARED "  - {step: Cleared again, answered: ClearDiagnosticInformation}\n" CODES
                             "  - {step: Codes again, codes: {none with: 0x01}}\n");
    zeroed(&job);
    exchanged(&job, "14 FF FF FF", "54");
    exchanged(&job, "19 02 09", "59 02 FF");
    ends(&job, 1, "++?+?", 2); /* a step without evidence is no bound */
    begin(&job, ZERO CLEARED "  - {step: Cleared again, answered: ClearDiagnosticInformation}\n" CODES);
    zeroed(&job);
    exchanged(&job, "14 FF FF FF", "54");
    exchanged(&job, "14 FF FF FF", "54");
    exchanged(&job, "19 02 09", "59 02 FF");
    ends(&job, 1, "++++", 0);
}

/* An evidence that is none in the end bounds nothing: the clear before it counts, not only the refused one after it. */
static void d7_5_a_voided_evidence_leaves_no_bound(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO CLEARED);
    exchanged(&job, "31 01 02 42", "71 01 02 42 00");
    exchanged(&job, "14 FF FF FF", "54");
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    exchanged(&job, "14 FF FF FF", "7F 14 22");
    exchanged(&job, "31 03 02 42", "71 03 02 42 07"); /* a state without a name: no evidence any more */
    ends(&job, 1, "?+", 2);
    begin(&job, "  - step: Lamp test\n"
                "    action: lamp test\n"
                "    outcome: {field: results.state, confirmed: [done]}\n" CLEARED);
    exchanged(&job, "14 FF FF FF", "54");
    exchanged(&job, "31 03 02 43", "71 03 02 43 00");
    exchanged(&job, "14 FF FF FF", "7F 14 22");
    exchanged(&job, "31 03 02 43", "71 03 02 43 01");
    ends(&job, 1, "-+", 1);
}

/* A stretch that counts, then takes a sample that select does not want: it is not judged, and so no evidence. */
static void d7_5_a_stretch_that_select_refuses_later_is_no_evidence(void **state)
{
    (void)state;
    static const char steps[] = "procedure:\n"
                                "  - {step: Weight, reading: seat.load, select: {above: 29.9 kg}, "
                                "steady: {for: 1 s, within: 0.2 kg}, between: [26.6 kg, 33.4 kg]}\n" CLEARED;
    struct job job;
    begin(&job, steps);
    loads(&job, 300, 3);
    exchanged(&job, "14 FF FF FF", "54");
    ends(&job, 1, "++", 0);
    begin(&job, steps);
    loads(&job, 300, 3);
    exchanged(&job, "14 FF FF FF", "54");
    loads(&job, 299, 1); /* joins, and is not above 29.9 */
    sample(&job, "seat.load", 305, 500);
    loads(&job, 305, 2); /* the first judged one counts here */
    exchanged(&job, "14 FF FF FF", "7F 14 22");
    ends(&job, 1, "+-", 1);
}

/* A to B to C on one reading: what A lends to B and B to C comes back when A's stretch fails B's select. */
static void d7_5_steps_on_one_reading_share_it_in_order(void **state)
{
    (void)state;
    static const char steps[] =
        "procedure:\n"
        "  - {step: A, reading: seat.load, steady: {for: 1 s, within: 0.4 kg}, between: [9 kg, 11 kg]}\n"
        "  - {step: B, reading: seat.load, select: {above: 9.9 kg}, steady: {for: 1 s, within: 0.4 kg}, "
        "between: [10 kg, 11 kg]}\n"
        "  - {step: C, reading: seat.load, select: {above: 10.1 kg}, steady: {for: 1 s, within: 0.4 kg}, "
        "between: [10 kg, 11 kg]}\n";
    struct job job;
    begin(&job, steps); /* all three stretches are A's: each has a sample that B does not want */
    loads(&job, 102, 4);
    loads(&job, 99, 1);
    ends(&job, 1, "+??", 2);
    begin(&job, steps); /* A at 9.5, then B's part; its stretch at 10.2 is C's from its first sample on */
    loads(&job, 95, 3);
    loads(&job, 102, 3);
    ends(&job, 1, "+?+", 2);
    begin(&job, steps);
    loads(&job, 95, 3);
    loads(&job, 100, 3); /* above 9.9, not above 10.1: B's */
    sample(&job, "seat.load", 105, 500);
    loads(&job, 105, 2);
    ends(&job, 1, "+++", 0);
}

static void d7_5_a_moment_of_an_earlier_attempt_is_not_on_record(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO WEIGHT);
    zeroed(&job);
    mark(&job, MARK_MOMENT, "weight on", "");
    loads(&job, 300, 3);
    zeroed(&job);
    loads(&job, 270, 3);
    loads(&job, 340, 3); /* without a moment all are judged: one inside, one outside */
    ends(&job, 2, "+?", 2);
}

static void d7_5_a_moment_before_the_evidence_looks_from_the_evidence(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO WEIGHT);
    exchanged(&job, "31 01 02 42", "71 01 02 42 00");
    mark(&job, MARK_MOMENT, "weight on", "");
    loads(&job, 300, 2);
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    loads(&job, 300, 2); /* two on each side: no stretch may reach over */
    ends(&job, 1, "+?", 2);
    begin(&job, ZERO WEIGHT);
    exchanged(&job, "31 01 02 42", "71 01 02 42 00");
    mark(&job, MARK_MOMENT, "weight on", "");
    exchanged(&job, "31 03 02 42", "71 03 02 42 00");
    loads(&job, 350, 3); /* the first one after the moment decides, what follows is not judged */
    loads(&job, 300, 3);
    ends(&job, 1, "+-", 1);
}

/* Once a moment is on record the step's evidence is that of the moment, however early another stretch counted. */
static void d7_5_the_bound_of_a_marked_step_is_its_moments_stretch(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO WEIGHT CLEARED);
    zeroed(&job);
    loads(&job, 300, 3);
    exchanged(&job, "14 FF FF FF", "54");
    mark(&job, MARK_MOMENT, "weight on", "");
    loads(&job, 300, 3);
    ends(&job, 1, "++?", 2);
}

/* ---- D 7.6 ---- */

/* One stretch from 26.5 on, below the limit: however many samples it has, its first one may not be forgotten. */
static void d7_6_more_samples_than_can_be_kept_confirm_nothing(void **state)
{
    (void)state;
    struct job job;
    begin(&job, "  - {step: Weight, reading: seat.load, steady: {for: 40 s, within: 0.2 kg}, "
                "between: [26.6 kg, 33.4 kg]}\n");
    loads(&job, 265, 1);
    for (uint32_t i = 0; i < STEADY_WINDOW_MAX + 100; i++)
        sample(&job, "seat.load", 266 + i % 2, 1);
    for (uint32_t i = 0; i < 12; i++)
        sample(&job, "seat.load", 266, 2000);
    ends(&job, 1, "?", 2);
}

/* ---- D 7.8 ---- */

static void d7_8_the_wait_includes_its_end(void **state)
{
    (void)state;
    for (int64_t late = 0; late < 2; late++) {
        struct job job;
        begin(&job, ZERO WEIGHT);
        zeroed(&job);
        mark(&job, MARK_MOMENT, "weight on", "");
        sample(&job, "seat.load", 100, 4000);
        sample(&job, "seat.load", 300, 1000 + late); /* the stretch begins 5 s after the moment, or 1 ms more */
        loads(&job, 300, 3);
        ends(&job, 1, late ? "+?" : "++", late ? 2 : 0);
    }
}

static void d7_8_the_first_stretch_after_the_moment_decides(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO WEIGHT); /* short of select, leaned on later: "stood at 5.0 kg after the moment" */
    zeroed(&job);
    mark(&job, MARK_MOMENT, "weight on", "");
    loads(&job, 50, 3);
    loads(&job, 300, 3);
    ends(&job, 1, "+?", 2);
    begin(&job, ZERO WEIGHT); /* never above select from the moment on */
    zeroed(&job);
    loads(&job, 300, 3);
    mark(&job, MARK_MOMENT, "weight on", "");
    loads(&job, 50, 3);
    ends(&job, 1, "+-", 1);
}

static void d7_8_tries_agree_or_nothing_is_confirmed(void **state)
{
    (void)state;
    for (int withdraw = 0; withdraw < 2; withdraw++) {
        struct job job;
        begin(&job, ZERO WEIGHT);
        zeroed(&job);
        struct mark *first = mark(&job, MARK_MOMENT, "weight on", "");
        struct mark why = {.text = "a hand lay on it", .kind = MARK_WITHDRAWAL};
        first->withdrawn_by = withdraw ? &why : NULL;
        loads(&job, 350, 3);
        job.now += 3000;
        mark(&job, MARK_MOMENT, "weight on", "");
        loads(&job, 300, 3);
        ends(&job, 1, withdraw ? "++" : "+?", withdraw ? 0 : 2);
    }
}

static void d7_8_a_moment_without_any_reading_is_left_out(void **state)
{
    (void)state;
    struct job job;
    begin(&job, ZERO WEIGHT);
    zeroed(&job);
    mark(&job, MARK_MOMENT, "weight on", "");
    job.now += 5001;
    mark(&job, MARK_MOMENT, "weight on", "");
    loads(&job, 300, 3);
    ends(&job, 1, "++", 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(d7_5_an_answer_does_not_come_after_itself),
        cmocka_unit_test(d7_5_a_voided_evidence_leaves_no_bound),
        cmocka_unit_test(d7_5_a_stretch_that_select_refuses_later_is_no_evidence),
        cmocka_unit_test(d7_5_steps_on_one_reading_share_it_in_order),
        cmocka_unit_test(d7_5_a_moment_of_an_earlier_attempt_is_not_on_record),
        cmocka_unit_test(d7_5_a_moment_before_the_evidence_looks_from_the_evidence),
        cmocka_unit_test(d7_5_the_bound_of_a_marked_step_is_its_moments_stretch),
        cmocka_unit_test(d7_6_more_samples_than_can_be_kept_confirm_nothing),
        cmocka_unit_test(d7_8_the_wait_includes_its_end),
        cmocka_unit_test(d7_8_the_first_stretch_after_the_moment_decides),
        cmocka_unit_test(d7_8_tries_agree_or_nothing_is_confirmed),
        cmocka_unit_test(d7_8_a_moment_without_any_reading_is_left_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
