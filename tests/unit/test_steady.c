/*
 * decoder/stages/steady.h: steady stretches (D 7.6). Series and what is expected of them are worked by hand; the two
 * long ones are those of FACTS 16. Values are in tenths of a kilogram.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <cmocka.h>

#include <string.h>

#include "steady.h"

#define STRETCHES_MAX 8
#define NO_STATE INT64_MAX /* in a series of states: a number without a name */

/* One series: what was said, and the counting stretches that ended. */
struct run {
    struct steady steady;
    struct stretch ended[STRETCHES_MAX];
    unsigned count, said;
    int64_t time;      /* of the next sample, ms */
    uint64_t number;   /* of the last sample; its message has frames 2 * number - 1 and 2 * number */
};

static struct steady_rule numbers(int64_t for_ms, int64_t within, int64_t gap_ms)
{
    return (struct steady_rule){.within = within, .span = for_ms * TT_MS, .gap = gap_ms * TT_MS};
}

static void begin(struct run *run, struct steady_rule rule)
{
    memset(run, 0, sizeof *run);
    steady_init(&run->steady, &rule);
}

static void push_state(struct run *run, int64_t value, const char *state)
{
    run->number++;
    struct sample sample = {
        .numerator = value, .state = state, .time = (1000000 + run->time) * TT_MS, .elapsed = run->time * TT_MS,
        .first_frame = 2 * run->number - 1, .last_frame = 2 * run->number,
    };
    struct stretch ended;
    memset(&ended, 0, sizeof ended);
    run->said = steady_push(&run->steady, &sample, &ended);
    if (run->said & STEADY_ENDED) {
        assert_true(run->count < STRETCHES_MAX);
        run->ended[run->count++] = ended;
    }
}

static void push(struct run *run, int64_t value, int64_t after_ms)
{
    run->time += after_ms;
    push_state(run, value, NULL);
}

static void push_all(struct run *run, const int64_t *values, unsigned count, int64_t every_ms)
{
    for (unsigned i = 0; i < count; i++)
        push(run, values[i], every_ms);
}

static void end(struct run *run)
{
    struct stretch ended;
    if (steady_break(&run->steady, &ended)) {
        assert_true(run->count < STRETCHES_MAX);
        run->ended[run->count++] = ended;
    }
    steady_free(&run->steady);
}

/* Stretch `index` went from sample `first` to sample `last`. */
static void went(const struct run *run, unsigned index, uint64_t first, uint64_t last, int64_t lowest, int64_t highest)
{
    assert_true(index < run->count);
    const struct stretch *stretch = &run->ended[index];
    assert_int_equal(stretch->first_frame, 2 * first - 1);
    assert_int_equal(stretch->last_frame, 2 * last);
    assert_int_equal(stretch->samples, last - first + 1);
    assert_true(stretch->lowest == lowest);
    assert_true(stretch->highest == highest);
}

#define PUSH_ALL(run, every, ...)                                                        \
    do {                                                                                 \
        static const int64_t values_[] = {__VA_ARGS__};                                  \
        push_all(run, values_, sizeof values_ / sizeof *values_, every);                 \
    } while (0)

/* FACTS 16 and D 7.6, first series: one stretch, samples 1 to 5. */
static void the_worked_series_of_the_rule(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(2000, 2, 2500));
    PUSH_ALL(&run, 500, 100, 101, 102, 102, 102, 103, 104, 104);
    end(&run);
    assert_int_equal(run.count, 1);
    went(&run, 0, 1, 5, 100, 102);
}

/* FACTS 16, second series: samples 5 to 10 (2.5 s) and 12 to 16 (2.0 s). */
static void the_worked_series_with_a_weight(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(2000, 2, 2500));
    PUSH_ALL(&run, 500, 0, 1, 1, 120, 297, 299, 298, 298, 299, 299, 150, 1, 1, 0, 0, 1);
    end(&run);
    assert_int_equal(run.count, 2);
    went(&run, 0, 5, 10, 297, 299);
    went(&run, 1, 12, 16, 0, 1);
    assert_true(run.ended[0].last_time - run.ended[0].first_time == 2500 * TT_MS);
    assert_true(run.ended[1].last_time - run.ended[1].first_time == 2000 * TT_MS);
}

/* "largest - smallest <= within (full width)": equal fits, one more does not. */
static void the_full_width_includes_equality(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(1000, 2, 2500));
    PUSH_ALL(&run, 500, 10, 12, 10, 12);
    end(&run);
    assert_int_equal(run.count, 1);
    went(&run, 0, 1, 4, 10, 12);
    begin(&run, numbers(1000, 2, 2500));
    PUSH_ALL(&run, 500, 10, 13, 10, 13, 10, 13);
    end(&run);
    assert_int_equal(run.count, 0);
}

/* "counts when last - first >= for": 2 s exactly count, one millisecond less does not. */
static void the_span_includes_equality(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(2000, 2, 2500));
    PUSH_ALL(&run, 1000, 0, 0, 0);
    assert_int_equal(run.said, STEADY_COUNTED);
    end(&run);
    went(&run, 0, 1, 3, 0, 0);
    begin(&run, numbers(2001, 2, 2500));
    PUSH_ALL(&run, 1000, 0, 0, 0);
    assert_int_equal(run.said, 0);
    end(&run);
    assert_int_equal(run.count, 0);
}

/* "at least 3 samples": two that span enough do not count. */
static void two_samples_never_count(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(2000, 2, 2500));
    PUSH_ALL(&run, 2400, 0, 0);
    assert_int_equal(run.said, 0);
    push(&run, 0, 100);
    assert_int_equal(run.said, STEADY_COUNTED);
    end(&run);
    went(&run, 0, 1, 3, 0, 0);
}

/* "the time since its previous sample <= gap": equal takes it, more ends what counts and forgets what forms. */
static void the_gap_includes_equality(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(2000, 2, 2500));
    PUSH_ALL(&run, 1000, 0, 0, 0);
    push(&run, 1, 2500);
    assert_int_equal(run.said, STEADY_JOINED);
    run.time += 2500;
    run.number++;
    struct sample late = {.numerator = 1, .elapsed = run.time * TT_MS + 1, .first_frame = 9, .last_frame = 10};
    struct stretch ended;
    assert_int_equal(steady_push(&run.steady, &late, &ended), STEADY_ENDED);
    assert_int_equal(ended.samples, 4);
    end(&run);
    assert_int_equal(run.count, 0);
    begin(&run, numbers(2000, 2, 2500));
    PUSH_ALL(&run, 1000, 0, 0);
    push(&run, 0, 2501); /* forms anew from here */
    PUSH_ALL(&run, 1000, 0, 0);
    assert_int_equal(run.said, STEADY_COUNTED);
    end(&run);
    went(&run, 0, 3, 5, 0, 0);
}

/* "A sample that does not fit ends a stretch that counts and starts a new one": it takes no old sample along. */
static void a_counting_stretch_hands_nothing_on(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(1000, 2, 2500));
    PUSH_ALL(&run, 500, 0, 1, 2); /* counts */
    push(&run, 3, 500);           /* would fit to 1 and 2 alone */
    assert_int_equal(run.said, STEADY_ENDED);
    assert_int_equal(steady_window(&run.steady), 1);
    PUSH_ALL(&run, 500, 3);
    assert_int_equal(run.said, 0);
    push(&run, 3, 500);
    assert_int_equal(run.said, STEADY_COUNTED);
    end(&run);
    assert_int_equal(run.count, 2);
    went(&run, 0, 1, 3, 0, 2);
    went(&run, 1, 4, 6, 3, 3);
}

/* "otherwise oldest samples are dropped until it fits". */
static void a_forming_stretch_drops_its_oldest(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(10000, 2, 2500));
    PUSH_ALL(&run, 500, 0, 2, 1, 2);
    assert_int_equal(steady_window(&run.steady), 4);
    push(&run, 3, 500); /* 0 goes, 2 1 2 stay */
    assert_int_equal(steady_window(&run.steady), 4);
    assert_true(steady_window_at(&run.steady, 0)->numerator == 2);
    push(&run, 4, 500); /* 2 and 1 go */
    assert_int_equal(steady_window(&run.steady), 3);
    assert_true(steady_window_at(&run.steady, 0)->numerator == 2);
    assert_true(steady_window_at(&run.steady, 2)->numerator == 4);
    push(&run, 7, 500); /* all go */
    assert_int_equal(steady_window(&run.steady), 1);
    end(&run);
    assert_int_equal(run.count, 0);
}

/* Right when it begins to count the window is the stretch. */
static void the_window_holds_the_stretch_that_has_just_counted(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(1000, 2, 2500));
    PUSH_ALL(&run, 500, 9, 0, 1, 2);
    assert_int_equal(run.said, STEADY_COUNTED);
    assert_int_equal(steady_window(&run.steady), 3);
    for (uint32_t i = 0; i < 3; i++)
        assert_true(steady_window_at(&run.steady, i)->numerator == i);
    assert_true(run.steady.open_elapsed == 1000 * TT_MS);
    end(&run);
}

/* Extremes follow every sample that joins, and the width is of all of them. */
static void joining_samples_widen_the_stretch(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(1000, 3, 2500));
    PUSH_ALL(&run, 500, 10, 10, 10, 12, 9);
    assert_int_equal(run.said, STEADY_JOINED);
    push(&run, 13, 500);
    assert_int_equal(run.said, STEADY_ENDED);
    end(&run);
    assert_int_equal(run.count, 1);
    went(&run, 0, 1, 5, 9, 12);
}

/* "An absent or invalid value, a clock step, ... end a stretch": what forms is forgotten, what counts is given back. */
static void a_break_ends_what_there_is(void **state)
{
    (void)state;
    struct run run;
    struct stretch ended;
    begin(&run, numbers(1000, 2, 2500));
    PUSH_ALL(&run, 500, 0, 0);
    assert_false(steady_break(&run.steady, &ended));
    PUSH_ALL(&run, 500, 0);
    assert_int_equal(run.said, 0);
    PUSH_ALL(&run, 500, 0, 0);
    assert_int_equal(run.said, STEADY_COUNTED);
    assert_true(steady_break(&run.steady, &ended));
    assert_int_equal(ended.samples, 3);
    assert_int_equal(ended.first_frame, 5);
    assert_false(steady_break(&run.steady, &ended));
    push(&run, 0, 500);
    assert_int_equal(run.said, 0);
    end(&run);
    assert_int_equal(run.count, 0);
}

/* "For `is`, a stretch is a run of one named state, and an unnamed state ends it"; `within` plays no part. */
static void a_run_of_one_named_state(void **state)
{
    (void)state;
    struct steady_rule rule = numbers(1000, 0, 2500);
    rule.states = true;
    struct run run;
    begin(&run, rule);
    static const char lit[] = "lit", same[] = "lit"; /* compared by what they say */
    const struct {
        int64_t value;
        const char *name;
    } series[] = {{1, lit}, {1, same}, {5, lit}, {1, same}, {1, NULL},
                  {1, lit}, {1, lit}, {0, "dark"}, {0, "dark"}, {0, "dark"}};
    for (size_t i = 0; i < sizeof series / sizeof *series; i++) {
        run.time += 500;
        push_state(&run, series[i].value, series[i].name);
    }
    end(&run);
    assert_int_equal(run.count, 2);
    went(&run, 0, 1, 4, 1, 5);
    assert_string_equal(run.ended[0].state, "lit");
    went(&run, 1, 8, 10, 0, 0);
    assert_string_equal(run.ended[1].state, "dark");
}

/* "without `steady` each sample is a stretch". */
static void each_sample_for_itself(void **state)
{
    (void)state;
    struct steady_rule rule = {.states = true, .each = true};
    struct run run;
    begin(&run, rule);
    push_state(&run, 1, "lit");
    assert_int_equal(run.said, STEADY_COUNTED);
    assert_int_equal(steady_window(&run.steady), 1);
    push_state(&run, 1, "lit");
    assert_int_equal(run.said, STEADY_ENDED | STEADY_COUNTED);
    push_state(&run, 2, NULL);
    assert_int_equal(run.said, STEADY_ENDED);
    push_state(&run, 0, "dark");
    assert_int_equal(run.said, STEADY_COUNTED);
    end(&run);
    assert_int_equal(run.count, 3);
    went(&run, 0, 1, 1, 1, 1);
    went(&run, 1, 2, 2, 1, 1);
    went(&run, 2, 4, 4, 0, 0);
}

/* Values at the ends of what a reading can be: differences must not wrap. */
static void the_width_of_extreme_values(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(0, 1, 2500));
    PUSH_ALL(&run, 500, INT64_MIN, INT64_MAX, INT64_MAX, INT64_MAX - 1);
    assert_int_equal(run.said, STEADY_COUNTED);
    end(&run);
    assert_int_equal(run.count, 1);
    assert_int_equal(run.ended[0].first_frame, 3);
    assert_true(run.ended[0].lowest == INT64_MAX - 1);
}

/* The window grows past its first room, its places wrap round, and the extremes stay those of what is inside. */
static void the_window_grows_and_wraps(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(60000, 20, 2500));
    for (int64_t i = 0; i < 3000; i++) { /* a rise of one each 10 ms: always the last 21 fit */
        push(&run, i, 10);
        assert_int_equal(run.said, 0);
        assert_int_equal(steady_window(&run.steady), i < 20 ? i + 1 : 21);
        assert_true(steady_window_at(&run.steady, 0)->numerator == (i < 20 ? 0 : i - 20));
    }
    unsigned counted = 0;
    for (int64_t i = 0; i < 6001 && !counted; i++) { /* 60 s of 10 ms, through 2999 within 20 */
        push(&run, 2999 - i % 7, 10);
        counted = run.said & STEADY_COUNTED ? (unsigned)i + 1 : 0;
    }
    /* The last 21 of the rise (2979 to 2999) fit too: 60 s after 2979 is 6,000 samples on, 20 of them of the rise. */
    assert_int_equal(counted, 5980);
    assert_int_equal(steady_window(&run.steady), 6001);
    assert_true(run.steady.open.lowest == 2979);
    assert_true(run.steady.open.highest == 2999);
    end(&run);
}

/* More samples than the window can hold: it counts later than it could, never earlier, and never by fewer samples. */
static void a_window_that_is_full_drops_its_oldest(void **state)
{
    (void)state;
    struct run run;
    begin(&run, numbers(60000, 0, 2500));
    for (uint32_t i = 0; i < STEADY_WINDOW_MAX + 10; i++) {
        push(&run, 5, 1);
        assert_int_equal(run.said, 0);
        assert_true(steady_window(&run.steady) <= STEADY_WINDOW_MAX);
    }
    assert_int_equal(steady_window(&run.steady), STEADY_WINDOW_MAX);
    assert_true(steady_window_at(&run.steady, 0)->first_frame == 2 * 11 - 1);
    for (int i = 0; i < 14; i++) {
        assert_int_equal(run.said, 0);
        push(&run, 5, 2000); /* after 13 the oldest left is 26 + 32.754 s old, after 14 28 + 32.753 s */
    }
    assert_int_equal(run.said, STEADY_COUNTED);
    end(&run);
}

/* A copy goes its own way, forming or counting. */
static void copies_are_independent(void **state)
{
    (void)state;
    struct run run;
    struct steady copy, empty;
    struct stretch ended;
    begin(&run, numbers(1000, 2, 2500));
    assert_true(steady_copy(&empty, &run.steady));
    assert_false(steady_break(&empty, &ended));
    steady_free(&empty);

    PUSH_ALL(&run, 500, 9, 0, 1);
    assert_true(steady_copy(&copy, &run.steady));
    push(&run, 9, 500); /* the original forgets 0 and 1 */
    assert_int_equal(run.said, 0);
    struct sample sample = {.numerator = 2, .elapsed = 2000 * TT_MS, .first_frame = 7, .last_frame = 8};
    assert_int_equal(steady_push(&copy, &sample, &ended), STEADY_COUNTED);
    assert_int_equal(copy.open.samples, 3);
    assert_int_equal(copy.open.first_frame, 3);

    struct steady second;
    assert_true(steady_copy(&second, &copy)); /* of one that counts */
    sample = (struct sample){.numerator = 5, .elapsed = 2500 * TT_MS, .first_frame = 9, .last_frame = 10};
    assert_int_equal(steady_push(&copy, &sample, &ended), STEADY_ENDED);
    sample.numerator = 1;
    assert_int_equal(steady_push(&second, &sample, &ended), STEADY_JOINED);
    assert_true(steady_break(&second, &ended));
    assert_int_equal(ended.samples, 4);
    assert_true(ended.lowest == 0 && ended.highest == 2);
    steady_free(&second);
    steady_free(&copy);
    end(&run);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_worked_series_of_the_rule),
        cmocka_unit_test(the_worked_series_with_a_weight),
        cmocka_unit_test(the_full_width_includes_equality),
        cmocka_unit_test(the_span_includes_equality),
        cmocka_unit_test(two_samples_never_count),
        cmocka_unit_test(the_gap_includes_equality),
        cmocka_unit_test(a_counting_stretch_hands_nothing_on),
        cmocka_unit_test(a_forming_stretch_drops_its_oldest),
        cmocka_unit_test(the_window_holds_the_stretch_that_has_just_counted),
        cmocka_unit_test(joining_samples_widen_the_stretch),
        cmocka_unit_test(a_break_ends_what_there_is),
        cmocka_unit_test(a_run_of_one_named_state),
        cmocka_unit_test(each_sample_for_itself),
        cmocka_unit_test(the_width_of_extreme_values),
        cmocka_unit_test(the_window_grows_and_wraps),
        cmocka_unit_test(a_window_that_is_full_drops_its_oldest),
        cmocka_unit_test(copies_are_independent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
