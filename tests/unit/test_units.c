/* decoder/support/units.h. Masses: FACTS section 8 (1 lb = 0.45359237 kg, agreement of 1959), products by hand. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "units.h"

static void converts(const char *value, const char *from, const char *to, const char *expected)
{
    struct ratio number, wanted, got;
    assert_null(ratio_parse(value, strlen(value), &number));
    assert_null(ratio_parse(expected, strlen(expected), &wanted));
    assert_true(units_convert(number, from, to, &got));
    assert_int_equal(ratio_compare(got, wanted), 0);
    assert_true(units_convert(got, to, from, &got)); /* and back without loss */
    assert_int_equal(ratio_compare(got, number), 0);
}

static void masses_and_times_convert_exactly(void **state)
{
    (void)state;
    converts("30", "lb", "kg", "13.6077711");
    converts("66", "lb", "kg", "29.93709642");
    converts("66.14", "lb", "kg", "30.0005993518");
    converts("1", "oz", "g", "28.349523125");
    converts("16", "oz", "lb", "1");
    converts("-0.97", "lb", "kg", "-0.4399845989");
    converts("2.5", "kg", "g", "2500");
    converts("27.5", "lb", "g", "12473.790175");
    converts("41.23", "lb", "oz", "659.68");
    converts("50", "ms", "s", "0.05");
    converts("1/3", "s", "ms", "1000/3");
}

static void equal_words_stay_as_they_are(void **state)
{
    (void)state;
    converts("12.3", "V", "V", "12.3");
    converts("1/7", "", "", "1/7");
}

static void what_does_not_match_is_refused(void **state)
{
    (void)state;
    struct ratio one = ratio_whole(1), out;
    assert_false(units_convert(one, "lb", "V", &out));
    assert_false(units_convert(one, "V", "lb", &out));
    assert_false(units_convert(one, "kg", "s", &out));
    assert_false(units_convert(one, "", "kg", &out));
    assert_false(units_convert(one, "kg", "", &out));
    assert_false(units_convert(one, "KG", "g", &out)); /* case counts */
    assert_false(units_convert(one, "V", "mV", &out)); /* opaque words */
    tt_wide large = (tt_wide)1 << 126;
    assert_false(units_convert((struct ratio){large, 1}, "kg", "g", &out));
}

static void parses(const char *text, const char *number, const char *unit)
{
    struct ratio got, wanted;
    char got_unit[UNIT_MAX + 1];
    assert_null(units_parse(text, strlen(text), &got, got_unit));
    assert_null(ratio_parse(number, strlen(number), &wanted));
    assert_int_equal(ratio_compare(got, wanted), 0);
    assert_string_equal(got_unit, unit);
}

static void refuses(const char *text, const char *why)
{
    struct ratio got;
    char unit[UNIT_MAX + 1];
    const char *problem = units_parse(text, strlen(text), &got, unit);
    assert_non_null(problem);
    assert_string_equal(problem, why);
}

static void a_number_may_have_a_unit(void **state)
{
    (void)state;
    parses("30 kg", "30", "kg");
    parses("0.2", "0.2", "");
    parses("0x09", "9", "");
    parses("0x10 V", "16", "V");
    parses("1/3 \xC2\xB0" "C", "1/3", "\xC2\xB0" "C");
    parses("1 abcdefghijklmnopqrstuvwxyzabcdef", "1", "abcdefghijklmnopqrstuvwxyzabcdef"); /* 32 bytes */
    refuses("1 abcdefghijklmnopqrstuvwxyzabcdefg", "a unit longer than 32 bytes");
    refuses("30kg", "a character that is no digit");
    refuses("30  kg", "more than one space before the unit");
    refuses("30 ", "a space at the end");
    refuses(" 30", "a space before the number");
    refuses("30 kg m", "a space in the unit");
    refuses("30\tkg", "a character that is no digit");
    refuses("30 k\tg", "a control character, or bytes that are no UTF-8, in the unit");
    refuses("30 k\xFF", "a control character, or bytes that are no UTF-8, in the unit");
    refuses("", "it is empty");
    refuses("kg", "a character that is no digit");
    refuses("1/0 kg", "a division by zero");
}

static void time_is(const char *text, int64_t nanoseconds)
{
    int64_t got = -1;
    const char *problem = units_parse_time(text, strlen(text), &got);
    assert_null(problem);
    assert_true(got == nanoseconds);
}

static void no_time(const char *text, const char *why)
{
    int64_t got;
    const char *problem = units_parse_time(text, strlen(text), &got);
    assert_non_null(problem);
    assert_string_equal(problem, why);
}

static void times_are_whole_nanoseconds(void **state)
{
    (void)state;
    time_is("50 ms", 50000000);
    time_is("5 s", 5000000000);
    time_is("0 s", 0);
    time_is("-0 ms", 0);
    time_is("0.000001 ms", 1);
    time_is("1/8 ms", 125000);
    time_is("1000000 s", 1000000000000000);
    time_is("1000000000 ms", 1000000000000000);
    no_time("1000000.000000001 s", "a time above 1000000 s");
    no_time("999999999999999999 s", "a time above 1000000 s");
    no_time("0.0000000001 s", "finer than a nanosecond");
    no_time("1/3 s", "finer than a nanosecond");
    no_time("-1 ms", "a time cannot be negative");
    no_time("50", "a time needs its unit, s or ms");
    no_time("50 kg", "a time needs its unit, s or ms");
    no_time("50 min", "a time needs its unit, s or ms");
    no_time("x ms", "a character that is no digit");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(masses_and_times_convert_exactly), cmocka_unit_test(equal_words_stay_as_they_are),
        cmocka_unit_test(what_does_not_match_is_refused),   cmocka_unit_test(a_number_may_have_a_unit),
        cmocka_unit_test(times_are_whole_nanoseconds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
