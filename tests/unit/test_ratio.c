/* decoder/support/ratio.h. Expected values: hand arithmetic; tests/outside/ratio_against_fractions.py has thousands. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "ratio.h"

#define TWO_TO(n) ((tt_wide)1 << (n))
static const tt_wide widest = (tt_wide)(~(unsigned __int128)0 >> 1); /* 2^127 - 1, a prime: nothing cancels */

static void expect_ratio(struct ratio got, tt_wide numerator, tt_wide denominator)
{
    assert_true(got.numerator == numerator);
    assert_true(got.denominator == denominator);
}

static struct ratio parsed(const char *text)
{
    struct ratio out = {0, 0};
    const char *problem = ratio_parse(text, strlen(text), &out);
    if (problem)
        print_error("%s: %s\n", text, problem);
    assert_null(problem);
    return out;
}

static void refused(const char *text, const char *why)
{
    struct ratio out;
    const char *problem = ratio_parse(text, strlen(text), &out);
    assert_non_null(problem);
    assert_string_equal(problem, why);
}

static void expect_print(tt_wide numerator, tt_wide denominator, const char *text, bool exact)
{
    char out[RATIO_TEXT_MAX];
    bool got_exact = !exact;
    size_t length = ratio_print(numerator, denominator, out, &got_exact);
    assert_string_equal(out, text);
    assert_int_equal(length, strlen(text));
    assert_int_equal(got_exact, exact);
}

static void make_reduces_and_moves_the_sign(void **state)
{
    (void)state;
    struct ratio r;
    assert_true(ratio_make(6, -4, &r));
    expect_ratio(r, -3, 2);
    assert_true(ratio_make(0, -7, &r));
    expect_ratio(r, 0, 1);
    assert_false(ratio_make(1, 0, &r));
    assert_true(ratio_make(TWO_TO(100), TWO_TO(98), &r));
    expect_ratio(r, 4, 1);
    assert_false(ratio_make(-widest - 1, 1, &r)); /* -2^127 cannot be negated */
    assert_true(ratio_make(-widest - 1, 2, &r));
    expect_ratio(r, -TWO_TO(126), 1);
    assert_true(ratio_make(widest, -widest, &r));
    expect_ratio(r, -1, 1);
}

static void sums_and_products_are_exact(void **state)
{
    (void)state;
    struct ratio r;
    assert_true(ratio_add(parsed("0.1"), parsed("0.2"), &r)); /* the sum binary floating point gets wrong */
    expect_ratio(r, 3, 10);
    assert_true(ratio_add(parsed("1/6"), parsed("1/10"), &r)); /* 5/30 + 3/30 = 8/30 */
    expect_ratio(r, 4, 15);
    assert_true(ratio_subtract(parsed("1/6"), parsed("1/6"), &r));
    expect_ratio(r, 0, 1);
    assert_true(ratio_subtract(parsed("-0.5"), parsed("0.25"), &r));
    expect_ratio(r, -3, 4);
    assert_true(ratio_multiply(parsed("-2/3"), parsed("3/4"), &r));
    expect_ratio(r, -1, 2);
    assert_true(ratio_multiply(parsed("0"), parsed("-3/4"), &r));
    expect_ratio(r, 0, 1);
    assert_true(ratio_multiply((struct ratio){TWO_TO(100), 3}, (struct ratio){3, TWO_TO(99)}, &r));
    expect_ratio(r, 2, 1);
}

static void overflow_is_told_never_wrapped(void **state)
{
    (void)state;
    struct ratio r, large = {widest, 1}, small = {1, widest}, one = {1, 1};
    assert_false(ratio_add(large, one, &r));
    assert_true(ratio_subtract(large, one, &r));
    expect_ratio(r, widest - 1, 1);
    assert_false(ratio_subtract((struct ratio){-widest, 1}, one, &r)); /* -2^127 */
    assert_false(ratio_multiply((struct ratio){TWO_TO(64), 1}, (struct ratio){TWO_TO(63), 1}, &r));
    assert_true(ratio_multiply((struct ratio){TWO_TO(63), 1}, (struct ratio){TWO_TO(63), 1}, &r));
    expect_ratio(r, TWO_TO(126), 1);
    assert_false(ratio_multiply((struct ratio){-TWO_TO(64), 1}, (struct ratio){TWO_TO(63), 1}, &r));
    assert_false(ratio_add(small, (struct ratio){1, 2}, &r)); /* denominator 2 * (2^127 - 1) */
    assert_false(ratio_multiply(small, (struct ratio){1, 2}, &r));
    assert_true(ratio_multiply(small, large, &r));
    expect_ratio(r, 1, 1);
}

static void compare_is_exact_beyond_128_bits(void **state)
{
    (void)state;
    assert_int_equal(ratio_compare(parsed("0.3"), parsed("3/10")), 0);
    assert_int_equal(ratio_compare(parsed("-1"), parsed("0")), -1);
    assert_int_equal(ratio_compare(parsed("0"), parsed("-1/3")), 1);
    assert_int_equal(ratio_compare(parsed("-1/3"), parsed("-1/2")), 1);
    assert_int_equal(ratio_compare(parsed("-1/2"), parsed("-1/3")), -1);
    /* (n-1)/n < n/(n+1), since (n-1)(n+1) = n^2 - 1: the 256-bit products differ by one */
    struct ratio below = {widest - 2, widest - 1}, above = {widest - 1, widest};
    assert_int_equal(ratio_compare(below, above), -1);
    assert_int_equal(ratio_compare(above, below), 1);
    assert_int_equal(ratio_compare(above, above), 0);
    below.numerator = -below.numerator;
    above.numerator = -above.numerator;
    assert_int_equal(ratio_compare(below, above), 1);
    /* products that differ in the upper half only */
    assert_int_equal(ratio_compare((struct ratio){widest, 1}, (struct ratio){1, widest}), 1);
    /* 2^64 * 2^64 against 1 * 1: the lower halves alone would say otherwise */
    assert_int_equal(ratio_compare((struct ratio){TWO_TO(64), 1}, (struct ratio){1, TWO_TO(64)}), 1);
}

static void parse_takes_the_grammar_of_numbers(void **state)
{
    (void)state;
    expect_ratio(parsed("0"), 0, 1);
    expect_ratio(parsed("-0"), 0, 1);
    expect_ratio(parsed("-0.50"), -1, 2);
    expect_ratio(parsed("33.70"), 337, 10);
    expect_ratio(parsed("12/18"), 2, 3);
    expect_ratio(parsed("-7/1"), -7, 1);
    expect_ratio(parsed("0x09"), 9, 1);
    expect_ratio(parsed("0xFf0"), 4080, 1);
    expect_ratio(parsed("0xFFFFFFFFFFFFFFFF"), TWO_TO(64) - 1, 1);
    expect_ratio(parsed("999999999999999999"), 999999999999999999, 1);
    expect_ratio(parsed("999999999999999999.999999999999999999"),
                 (tt_wide)1000000000000000000 * 1000000000000000000 - 1, 1000000000000000000);
    expect_ratio(parsed("0.000000000000000001"), 1, 1000000000000000000);
}

static void parse_says_what_is_wrong(void **state)
{
    (void)state;
    refused("", "it is empty");
    refused("-", "a digit is missing");
    refused(".5", "a digit is missing");
    refused("5.", "a digit is missing");
    refused("1/", "a digit is missing");
    refused("/2", "a digit is missing");
    refused("0x", "a character that is no digit");
    refused("010", "a needless leading zero");
    refused("00", "a needless leading zero");
    refused("-01.5", "a needless leading zero");
    refused("1/02", "a needless leading zero");
    refused("1/0", "a division by zero");
    refused("+1", "a character that is no digit");
    refused("1e3", "a character that is no digit");
    refused("1.2.3", "a character that is no digit");
    refused("1/2/3", "a character that is no digit");
    refused("1/-2", "a character that is no digit");
    refused("--1", "a character that is no digit");
    refused("1,5", "a character that is no digit");
    refused("1_000", "a character that is no digit");
    refused(" 1", "a character that is no digit");
    refused("1 ", "a character that is no digit");
    refused("nan", "a character that is no digit");
    refused("1:30", "a character that is no digit");
    refused("-0x1", "a sign before a hexadecimal number");
    refused("0X1", "a character that is no digit");
    refused("0xG", "a character that is no hexadecimal digit");
    refused("0x1.8", "a character that is no hexadecimal digit");
    refused("0x10000000000000000", "more than 16 hexadecimal digits");
    refused("1234567890123456789", "more than 18 digits in a row");
    refused("0.1234567890123456789", "more than 18 digits in a row");
    struct ratio r;
    assert_null(ratio_parse("12345", 2, &r)); /* takes exactly the length it is given */
    expect_ratio(r, 12, 1);
}

static void floor_and_ceiling_round_outwards_for_both_signs(void **state)
{
    (void)state;
    assert_true(ratio_floor(parsed("7/2")) == 3 && ratio_ceiling(parsed("7/2")) == 4);
    assert_true(ratio_floor(parsed("-7/2")) == -4 && ratio_ceiling(parsed("-7/2")) == -3);
    assert_true(ratio_floor(parsed("4")) == 4 && ratio_ceiling(parsed("4")) == 4);
    assert_true(ratio_floor(parsed("-4")) == -4 && ratio_ceiling(parsed("-4")) == -4);
    assert_true(ratio_floor(parsed("-1/3")) == -1 && ratio_ceiling(parsed("-1/3")) == 0);
}

static void print_is_full_where_it_ends(void **state)
{
    (void)state;
    expect_print(0, 1, "0", true);
    expect_print(0, -1 + 8, "0", true);
    expect_print(25, 10, "2.5", true);
    expect_print(-25, 10, "-2.5", true);
    expect_print(300, 100, "3", true);
    expect_print(1, 1024, "0.0009765625", true);                 /* 2^-10 */
    expect_print(136077711, 10000000, "13.6077711", true);      /* 30 lb, 30 * 0.45359237 */
    expect_print(1, 262144, "0.000003814697265625", true);       /* 2^-18: the last place used */
    expect_print(-1, 1000000000000000000, "-0.000000000000000001", true);
    expect_print(UINT64_MAX, 1, "18446744073709551615", true);
    expect_print((tt_wide)UINT64_MAX + 1, 1, "18446744073709551616", true);
    expect_print(widest, 1, "170141183460469231731687303715884105727", true); /* 2^127 - 1 */
    expect_print(-widest - 1, 1, "-170141183460469231731687303715884105728", true);
    expect_print(-widest - 1, 2, "-85070591730234615865843651857942052864", true); /* 2^126 */
    expect_print(widest, widest, "1", true);
}

static void print_rounds_to_18_places_half_to_even(void **state)
{
    (void)state;
    const tt_wide place = 1000000000000000000; /* 10^18 */
    expect_print(1, 3, "0.333333333333333333", false);
    expect_print(2, 3, "0.666666666666666667", false);
    expect_print(-2, 3, "-0.666666666666666667", false);
    expect_print(1, 2 * place, "0.000000000000000000", false); /* 0.5 of a place: to the even 0 */
    expect_print(3, 2 * place, "0.000000000000000002", false); /* 1.5: to the even 2 */
    expect_print(5, 2 * place, "0.000000000000000002", false); /* 2.5: to the even 2 */
    expect_print(51, 20 * place, "0.000000000000000003", false); /* 2.55: nearer to 3 */
    expect_print(-1, 2 * place, "0.000000000000000000", false); /* no minus before zero */
    expect_print(-3, 2 * place, "-0.000000000000000002", false);
    expect_print(2 * place - 1, 2 * place, "1.000000000000000000", false); /* 0.99..95: carries into the whole */
    expect_print(20 * place - 1, 2 * place, "10.000000000000000000", false);
    expect_print(1, 524288, "0.000001907348632812", false); /* 2^-19 = ...8125: to the even 2 */
    expect_print(3, 524288, "0.000005722045898438", false); /* 3 * 2^-19 = ...4375: the odd 7 goes to 8 */
    expect_print(widest - 1, widest, "1.000000000000000000", false);
    expect_print(1, widest, "0.000000000000000000", false);
    /* 2^126 / (2^127 - 1) is just above a half, by about 3 * 10^-39 */
    expect_print(TWO_TO(126), widest, "0.500000000000000000", false);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(make_reduces_and_moves_the_sign),
        cmocka_unit_test(sums_and_products_are_exact),
        cmocka_unit_test(overflow_is_told_never_wrapped),
        cmocka_unit_test(compare_is_exact_beyond_128_bits),
        cmocka_unit_test(parse_takes_the_grammar_of_numbers),
        cmocka_unit_test(parse_says_what_is_wrong),
        cmocka_unit_test(floor_and_ceiling_round_outwards_for_both_signs),
        cmocka_unit_test(print_is_full_where_it_ends),
        cmocka_unit_test(print_rounds_to_18_places_half_to_even),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
