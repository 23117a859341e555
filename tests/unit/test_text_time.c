/* The times of decoder/support/text.h. Seconds and dates are pairs printed by `date -u -d @SECONDS` (GNU coreutils). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <inttypes.h>
#include <stdio.h>
#include <cmocka.h>

#include "digits.h"
#include "text.h"

static void both_ways(int64_t seconds, int64_t fraction, const char *text)
{
    char out[TEXT_TIME_MAX];
    int64_t back = -1;
    assert_int_equal(text_time(seconds * TT_SECOND + fraction, out), strlen(text));
    assert_string_equal(out, text);
    assert_true(text_parse_time(text, strlen(text), &back));
    assert_true(back == seconds * TT_SECOND + fraction);
}

static void days_and_leap_days(void **state)
{
    (void)state;
    both_ways(0, 0, "1970-01-01T00:00:00.000000000Z");
    both_ways(1772438400, 0, "2026-03-02T08:00:00.000000000Z");
    both_ways(951782399, 999999999, "2000-02-28T23:59:59.999999999Z");
    both_ways(951782400, 1, "2000-02-29T00:00:00.000000001Z");
    both_ways(1709164800, 104233000, "2024-02-29T00:00:00.104233000Z");
    both_ways(4107542399, 0, "2100-02-28T23:59:59.000000000Z"); /* 2100 has no leap day */
    both_ways(4107542400, 0, "2100-03-01T00:00:00.000000000Z");
    both_ways(9223372036, 854775807, "2262-04-11T23:47:16.854775807Z"); /* INT64_MAX */
}

/* Broken stamps can lie before 1970; they are printed, though never read. */
static void before_1970_prints(void **state)
{
    (void)state;
    char out[TEXT_TIME_MAX];
    (void)text_time(-1, out);
    assert_string_equal(out, "1969-12-31T23:59:59.999999999Z");
    (void)text_time(INT64_MIN, out); /* -9223372037 s + 0.145224192 s */
    assert_string_equal(out, "1677-09-21T00:12:43.145224192Z");
}

static void parses(const char *text, int64_t expected)
{
    int64_t got = -1;
    assert_true(text_parse_time(text, strlen(text), &got));
    assert_true(got == expected);
}

static void refused(const char *text)
{
    int64_t got;
    if (text_parse_time(text, strlen(text), &got))
        fail_msg("taken: %s", text);
}

static void decimals_may_be_fewer(void **state)
{
    (void)state;
    parses("2026-03-02T08:00:00Z", INT64_C(1772438400000000000));
    parses("2026-03-02T08:00:00.5Z", INT64_C(1772438400500000000));
    parses("2026-03-02T08:00:00.000001Z", INT64_C(1772438400000001000));
}

static void what_is_no_time_is_refused(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "", "Z", "2026-03-02", "2026-03-02T08:00:00", "2026-03-02T08:00:00+00:00", "2026-03-02t08:00:00Z",
        "2026-03-02T08:00:00z", "2026-03-02 08:00:00Z", "2026-03-02T08:00:00.Z", "2026-03-02T08:00:00.1234567890Z",
        "2026-03-02T08:00:00,5Z", "2026-03-02T08:00:00.5 Z", "2026-03-02T08:00:60Z", "2026-03-02T08:60:00Z",
        "2026-03-02T24:00:00Z", "2026-02-29T08:00:00Z", "2100-02-29T08:00:00Z", "2026-04-31T08:00:00Z",
        "2026-13-01T08:00:00Z", "2026-00-01T08:00:00Z", "2026-01-00T08:00:00Z", "2026-01-32T08:00:00Z",
        "1969-12-31T23:59:59Z", "2262-04-11T23:47:16.854775808Z", "9999-01-01T00:00:00Z", "-026-03-02T08:00:00Z",
        "2026-3-02T008:00:00Z", "2026-03-02T08:00:0\xB2Z", "2026-03-02T08:00:00ZZ", "+2026-03-02T08:00:00Z",
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        refused(wrong[i]);
    int64_t got;
    assert_false(text_parse_time("2026-03-02T08:00:00Z", 19, &got)); /* takes exactly the length it is given */
    assert_true(text_parse_time("2000-02-29T00:00:00Z", 20, &got)); /* 2000 has one */
}

static void seconds_have_nine_decimals(void **state)
{
    (void)state;
    char out[TEXT_TIME_MAX];
    assert_int_equal(text_seconds(104233000, out), 11);
    assert_string_equal(out, "0.104233000");
    (void)text_seconds(-1500000000, out);
    assert_string_equal(out, "-1.500000000");
    (void)text_seconds(-1, out);
    assert_string_equal(out, "-0.000000001");
    (void)text_seconds(0, out);
    assert_string_equal(out, "0.000000000");
    (void)text_seconds(INT64_MAX, out);
    assert_string_equal(out, "9223372036.854775807");
    (void)text_seconds(INT64_MIN, out);
    assert_string_equal(out, "-9223372036.854775808");
}

static void span_is(int64_t nanoseconds, const char *expected)
{
    char out[TEXT_TIME_MAX];
    assert_int_equal(text_span(nanoseconds, out), strlen(expected));
    assert_string_equal(out, expected);
}

static void spans_are_short(void **state)
{
    (void)state;
    span_is(2500000000, "2.5 s");
    span_is(30 * TT_SECOND, "30 s");
    span_is(40 * TT_MS, "40 ms");
    span_is(0, "0 ms");
    span_is(TT_SECOND, "1 s");
    span_is(999990000, "999.99 ms");
    span_is(999999999, "1 s");          /* never "1000 ms" */
    span_is(1050000000, "1.05 s");
    span_is(1005000000, "1 s");         /* half: to the even hundredth */
    span_is(1015000000, "1.02 s");
    span_is(1015000001, "1.02 s");
    span_is(1014999999, "1.01 s");
    span_is(50000, "0.05 ms");
    span_is(-40 * TT_MS, "-40 ms");
    span_is(-1, "0 ms");
    span_is(-2500000000, "-2.5 s");
    span_is(INT64_MIN, "-9223372036.85 s");
}

/* Each number of digits, at its edges: as printf of libc. The byte behind them stays as it was. */
static void whole_numbers_print_as_libc_prints_them(void **state)
{
    (void)state;
    uint64_t edge = 1;
    for (int digits = 1; digits <= DIGITS_MAX; digits++, edge *= 10) {
        const uint64_t near[] = {edge - 1, edge, edge + 1, edge + edge / 7 * 6, edge + UINT32_MAX};
        for (size_t i = 0; i < sizeof near / sizeof *near; i++) {
            char expected[DIGITS_MAX + 1], out[DIGITS_MAX + 2];
            memset(out, '#', sizeof out);
            int length = snprintf(expected, sizeof expected, "%" PRIu64, near[i]);
            assert_int_equal(digits_plain(out, near[i]) - out, length);
            assert_memory_equal(out, expected, (size_t)length);
            assert_int_equal(out[length], '#');
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(days_and_leap_days),         cmocka_unit_test(before_1970_prints),
        cmocka_unit_test(decimals_may_be_fewer),      cmocka_unit_test(what_is_no_time_is_refused),
        cmocka_unit_test(seconds_have_nine_decimals), cmocka_unit_test(spans_are_short),
        cmocka_unit_test(whole_numbers_print_as_libc_prints_them),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
