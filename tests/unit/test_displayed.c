/* decoder/stages/displayed.c: what the scan tool displayed against the bus, exactly and with its ends (D 5.6). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "displayed.h"

#define MOMENT (INT64_C(1772438400) * TT_SECOND)

/* One reading in hundredths of a kilogram, one flag, one mark. */
struct rig {
    struct def_reading readings[2];
    struct def_module module;
    struct definitions definitions;
    struct mark mark;
    struct marks marks;
    struct displayed_list list;
};

static void begin(struct rig *rig, const char *value, const char *unit, const char *text)
{
    memset(rig, 0, sizeof *rig);
    rig->readings[0] = (struct def_reading){.name = "load", .long_name = "seat/load", .unit = "kg",
                                            .kind = READING_NUMBER, .denominator = 100};
    rig->readings[1] = (struct def_reading){.name = "lamp", .long_name = "seat/lamp", .unit = "", .kind = READING_FLAG,
                                            .denominator = 1};
    rig->definitions = (struct definitions){.readings = rig->readings, .reading_count = 2, .modules = &rig->module,
                                            .module_count = 1};
    rig->mark = (struct mark){.line = 1, .kind = MARK_DISPLAYED, .time = MOMENT, .name = text[0] ? "lamp" : "load",
                              .value = value, .unit = unit, .text = text};
    rig->marks = (struct marks){.list = &rig->mark, .count = 1};
    assert_true(displayed_open(&rig->list, &rig->definitions, &rig->marks));
}

static void push(struct rig *rig, uint32_t reading, tt_wide numerator, const char *state, int64_t time, uint32_t epoch)
{
    struct value value = {.reading = reading, .state = VALUE_GOOD, .has_number = reading == 0, .numerator = numerator,
                          .name = state};
    struct message message = {.last_time = time, .last_epoch = epoch, .first_frame = 7, .last_frame = 8};
    displayed_push(&rig->list, &rig->definitions,
                   &(struct reading_event){.kind = READING_VALUE, .value = &value, .message = &message});
}

static enum displayed_answer answer(struct rig *rig, uint32_t epoch)
{
    const struct frame following = {.epoch = epoch};
    const struct displayed *one = displayed_mark(&rig->list, &rig->mark, &following);
    enum displayed_answer said = one->answer;
    displayed_close(&rig->list);
    return said;
}

/* One reading of hundredths kg at the moment; what the display shows. */
static enum displayed_answer shows(tt_wide hundredths, const char *value, const char *unit)
{
    struct rig rig;
    begin(&rig, value, unit, "");
    push(&rig, 0, hundredths, NULL, MOMENT, 0);
    return answer(&rig, 0);
}

static void half_of_the_last_digit_is_inside_on_both_sides(void **state)
{
    (void)state;
    assert_int_equal(shows(2985, "29.9", "kg"), DISPLAYED_AGREES); /* half up */
    assert_int_equal(shows(2985, "29.8", "kg"), DISPLAYED_AGREES); /* half down, or to even */
    assert_int_equal(shows(2984, "29.9", "kg"), DISPLAYED_DIFFERS);
    assert_int_equal(shows(2986, "29.8", "kg"), DISPLAYED_DIFFERS);
    assert_int_equal(shows(2950, "30", "kg"), DISPLAYED_AGREES);
    assert_int_equal(shows(2949, "30", "kg"), DISPLAYED_DIFFERS);
    assert_int_equal(shows(-5, "0.0", "kg"), DISPLAYED_AGREES);
    assert_int_equal(shows(-5, "-0.1", "kg"), DISPLAYED_AGREES);
    assert_int_equal(shows(-16, "-0.1", "kg"), DISPLAYED_DIFFERS);
    assert_int_equal(shows(2990, "29.90", "kg"), DISPLAYED_AGREES);
    assert_int_equal(shows(2991, "29.90", "kg"), DISPLAYED_DIFFERS);
}

static void masses_convert_exactly_and_nothing_else_does(void **state)
{
    (void)state;
    /* 0.45359237 kg is a pound (1959): 0.91 kg are 2.00620... lb. */
    assert_int_equal(shows(91, "2.01", "lb"), DISPLAYED_AGREES);
    assert_int_equal(shows(91, "2.00", "lb"), DISPLAYED_DIFFERS);
    assert_int_equal(shows(91, "910", "g"), DISPLAYED_AGREES);
    assert_int_equal(shows(91, "911", "g"), DISPLAYED_DIFFERS);
    assert_int_equal(shows(91, "0.91", "V"), DISPLAYED_NOT_COMPARABLE);
    assert_int_equal(shows(91, "0.91", ""), DISPLAYED_NOT_COMPARABLE);
    assert_int_equal(shows(91, "91/100", "kg"), DISPLAYED_AGREES); /* exact: no digit to round to */
    assert_int_equal(shows(91, "0x1", "kg"), DISPLAYED_DIFFERS);
}

static void the_window_is_ten_seconds_with_its_ends(void **state)
{
    (void)state;
    static const struct {
        int64_t before;
        enum displayed_answer answer;
    } rows[] = {{0, DISPLAYED_AGREES}, {10 * TT_SECOND, DISPLAYED_AGREES}, {10 * TT_SECOND + 1, DISPLAYED_NOT_READ},
                {-1, DISPLAYED_NOT_READ}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct rig rig;
        begin(&rig, "29.9", "kg", "");
        push(&rig, 0, 2990, NULL, MOMENT - rows[i].before, 0);
        assert_int_equal(answer(&rig, 0), rows[i].answer);
    }
}

static void the_nearest_and_the_last_are_kept(void **state)
{
    (void)state;
    struct rig rig;
    begin(&rig, "20.0", "kg", "");
    push(&rig, 0, 1000, NULL, MOMENT - 4 * TT_SECOND, 0);
    push(&rig, 0, 2100, NULL, MOMENT - 3 * TT_SECOND, 0);
    push(&rig, 0, 1900, NULL, MOMENT - 2 * TT_SECOND, 0); /* as near, but later */
    push(&rig, 0, 3000, NULL, MOMENT - 1 * TT_SECOND, 0);
    const struct displayed *one = displayed_mark(&rig.list, &rig.mark, NULL);
    assert_int_equal(one->answer, DISPLAYED_DIFFERS);
    assert_int_equal(one->count, 4);
    assert_int_equal((int)one->nearest.numerator, 2100);
    assert_int_equal((int)one->last.numerator, 3000);
    displayed_close(&rig.list);
}

static void what_was_read_before_a_clock_step_does_not_count(void **state)
{
    (void)state;
    struct rig rig;
    begin(&rig, "29.9", "kg", "");
    push(&rig, 0, 2990, NULL, MOMENT - TT_SECOND, 0);
    push(&rig, 0, 1000, NULL, MOMENT, 1);
    assert_int_equal(answer(&rig, 1), DISPLAYED_DIFFERS);
    begin(&rig, "29.9", "kg", "");
    push(&rig, 0, 2990, NULL, MOMENT - TT_SECOND, 0);
    assert_int_equal(answer(&rig, 1), DISPLAYED_NOT_READ); /* the step lies between reading and mark */
}

static void states_are_compared_by_name(void **state)
{
    (void)state;
    struct rig rig;
    begin(&rig, "", "", "yes");
    push(&rig, 1, 1, "yes", MOMENT, 0);
    assert_int_equal(answer(&rig, 0), DISPLAYED_AGREES);
    begin(&rig, "", "", "yes");
    push(&rig, 1, 0, "no", MOMENT, 0);
    assert_int_equal(answer(&rig, 0), DISPLAYED_DIFFERS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(half_of_the_last_digit_is_inside_on_both_sides),
        cmocka_unit_test(masses_convert_exactly_and_nothing_else_does),
        cmocka_unit_test(the_window_is_ten_seconds_with_its_ends),
        cmocka_unit_test(the_nearest_and_the_last_are_kept),
        cmocka_unit_test(what_was_read_before_a_clock_step_does_not_count),
        cmocka_unit_test(states_are_compared_by_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
