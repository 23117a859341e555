/*
 * Exact numbers (support/ratio.h) against GMP: reduced forms, the four operations, comparison, floor and ceiling, the
 * number grammar, printing to 18 places half to even; and times and units as text, there and back.
 */
#include <gmp.h>
#include <string.h>

#include "../../decoder/support/ratio.h"
#include "../../decoder/support/text.h"
#include "../../decoder/support/units.h"
#include "fuzz.h"

static void set_wide(mpz_t to, tt_wide number)
{
    unsigned __int128 above = number < 0 ? -(unsigned __int128)number : (unsigned __int128)number;
    uint64_t words[2] = {(uint64_t)above, (uint64_t)(above >> 64)};
    mpz_import(to, 2, -1, sizeof words[0], 0, 0, words);
    if (number < 0)
        mpz_neg(to, to);
}

static void set_ratio(mpq_t to, struct ratio number)
{
    set_wide(mpq_numref(to), number.numerator);
    set_wide(mpq_denref(to), number.denominator);
}

/* Reduced, denominator above 0, and the same as GMP's. */
static void check_same(struct ratio ours, const mpq_t theirs)
{
    mpq_t number;
    mpq_init(number);
    set_ratio(number, ours);
    FUZZ_CHECK(ours.denominator > 0);
    FUZZ_CHECK(mpz_cmp(mpq_numref(number), mpq_numref(theirs)) == 0);
    FUZZ_CHECK(mpz_cmp(mpq_denref(number), mpq_denref(theirs)) == 0);
    mpq_clear(number);
}

static bool fits(const mpz_t number)
{
    return mpz_sizeinbase(number, 2) <= 127;
}

/* 1 to 16 bytes of a two's complement number, or one of those where something happens. */
static tt_wide take_wide(struct bytes *input)
{
    static const unsigned shifts[] = {0, 31, 32, 60, 62, 63, 64, 65, 95, 100, 120, 125, 126, 127};
    uint32_t kind = fuzz_choice(input, 40);
    if (kind < sizeof shifts / sizeof *shifts) {
        tt_wide near = (tt_wide)(int8_t)fuzz_number(input, 1);
        return (tt_wide)(((unsigned __int128)1 << shifts[kind]) + (unsigned __int128)near);
    }
    if (kind < 24) {
        tt_wide ten = 1;
        for (uint32_t i = 0; i < (kind - 14) * 4; i++)
            ten *= 10;
        return ten * (int8_t)fuzz_number(input, 1);
    }
    unsigned __int128 number = 0;
    size_t length = kind - 23;
    number = fuzz_number(input, length < 8 ? length : 8);
    if (length > 8)
        number |= (unsigned __int128)fuzz_number(input, length - 8) << 64;
    unsigned unused = (unsigned)(128 - 8 * (length < 16 ? length : 16));
    return (tt_wide)(number << unused) >> unused;
}

static bool take_ratio(struct bytes *input, struct ratio *out)
{
    tt_wide numerator = take_wide(input), denominator = take_wide(input);
    bool good = ratio_make(numerator, denominator, out);
    if (denominator == 0) {
        FUZZ_CHECK(!good);
        return false;
    }
    mpq_t number;
    mpq_init(number);
    set_wide(mpq_numref(number), numerator);
    set_wide(mpq_denref(number), denominator);
    mpq_canonicalize(number);
    FUZZ_CHECK(good == (fits(mpq_numref(number)) && fits(mpq_denref(number))));
    if (good)
        check_same(*out, number);
    mpq_clear(number);
    return good;
}

/* 18 places, half to even, by GMP: |number| * 10^18 and its rest. */
static void check_print(struct ratio number)
{
    char text[RATIO_TEXT_MAX], expected[128], *digits;
    bool exact;
    size_t length = ratio_text(number, text, &exact);
    mpz_t scaled, rest, below;
    mpz_inits(scaled, rest, below, NULL);
    set_wide(scaled, number.numerator);
    mpz_abs(scaled, scaled);
    set_wide(below, number.denominator);
    mpz_t power;
    mpz_init_set_ui(power, 10);
    mpz_pow_ui(power, power, 18);
    mpz_mul(scaled, scaled, power);
    mpz_fdiv_qr(scaled, rest, scaled, below);
    bool whole = mpz_sgn(rest) == 0;
    mpz_mul_ui(rest, rest, 2);
    int half = mpz_cmp(rest, below);
    if (half > 0 || (half == 0 && mpz_odd_p(scaled)))
        mpz_add_ui(scaled, scaled, 1);
    bool zero = mpz_sgn(scaled) == 0;
    digits = mpz_get_str(NULL, 10, scaled);
    size_t count = strlen(digits);
    char *at = expected;
    if (number.numerator < 0 && !zero)
        *at++ = '-';
    if (count > 18) {
        memcpy(at, digits, count - 18);
        at += count - 18;
    } else {
        *at++ = '0';
    }
    *at++ = '.';
    for (size_t i = count; i < 18; i++)
        *at++ = '0';
    size_t behind = count < 18 ? count : 18;
    memcpy(at, digits + count - behind, behind);
    at += behind;
    if (whole) {
        while (at[-1] == '0')
            at--;
        if (at[-1] == '.')
            at--;
    }
    *at = '\0';
    FUZZ_CHECK(exact == whole);
    FUZZ_CHECK(strlen(text) == length && strcmp(text, expected) == 0);
    void (*release)(void *, size_t);
    mp_get_memory_functions(NULL, NULL, &release);
    release(digits, count + 1);
    mpz_clears(scaled, rest, below, power, NULL);
}

typedef bool operation(struct ratio a, struct ratio b, struct ratio *out);
typedef void oracle(mpq_t out, const mpq_t a, const mpq_t b);

/* exactly: it is refused only where the result itself is too large; else a step on the way may be. */
static void check_operation(operation *ours, oracle *theirs, struct ratio a, struct ratio b, bool exactly)
{
    mpq_t left, right, result;
    struct ratio out;
    mpq_inits(left, right, result, NULL);
    set_ratio(left, a);
    set_ratio(right, b);
    theirs(result, left, right);
    bool fitting = fits(mpq_numref(result)) && fits(mpq_denref(result));
    if (ours(a, b, &out)) {
        check_same(out, result);
    } else if (fitting) {
        FUZZ_CHECK(!exactly);
        /* What an addition needs on its way: both numerators over the least common denominator, and their sum. */
        mpz_t common, product, sum;
        mpz_inits(common, product, sum, NULL);
        mpz_lcm(common, mpq_denref(left), mpq_denref(right));
        mpz_divexact(product, common, mpq_denref(left));
        mpz_mul(product, product, mpq_numref(left));
        bool large = !fits(product);
        mpz_divexact(sum, common, mpq_denref(right));
        mpz_mul(sum, sum, mpq_numref(right));
        large = large || !fits(sum);
        (theirs == mpq_sub ? mpz_sub : mpz_add)(sum, product, sum);
        FUZZ_CHECK(large || !fits(sum));
        mpz_clears(common, product, sum, NULL);
    }
    mpq_clears(left, right, result, NULL);
}

static void check_numbers(struct bytes *input)
{
    struct ratio a, b;
    if (!take_ratio(input, &a) || !take_ratio(input, &b))
        return;
    mpq_t left, right;
    mpz_t whole, ours;
    mpq_inits(left, right, NULL);
    mpz_inits(whole, ours, NULL);
    set_ratio(left, a);
    set_ratio(right, b);
    int order = mpq_cmp(left, right);
    FUZZ_CHECK(ratio_compare(a, b) == (order > 0) - (order < 0));
    FUZZ_CHECK(ratio_compare(a, a) == 0);
    mpz_fdiv_q(whole, mpq_numref(left), mpq_denref(left));
    set_wide(ours, ratio_floor(a));
    FUZZ_CHECK(mpz_cmp(whole, ours) == 0);
    mpz_cdiv_q(whole, mpq_numref(left), mpq_denref(left));
    set_wide(ours, ratio_ceiling(a));
    FUZZ_CHECK(mpz_cmp(whole, ours) == 0);
    mpq_clears(left, right, NULL);
    mpz_clears(whole, ours, NULL);
    check_operation(ratio_add, mpq_add, a, b, false);
    check_operation(ratio_subtract, mpq_sub, a, b, false);
    check_operation(ratio_multiply, mpq_mul, a, b, true);
    check_print(a);
}

/* D 6.1 by hand: ["-"] (digits ["." digits] | "0x" hex | digits "/" digits). False when it is none. */
static bool parse_by_hand(const char *text, size_t length, mpq_t out)
{
    char copy[64];
    bool negative = length > 0 && text[0] == '-';
    if (length == 0 || length >= sizeof copy || memchr(text, '\0', length))
        return false;
    memcpy(copy, text + negative, length - negative);
    copy[length - negative] = '\0';
    if (strncmp(copy, "0x", 2) == 0) {
        size_t digits = strspn(copy + 2, "0123456789abcdefABCDEF");
        if (negative || digits == 0 || digits > 16 || copy[2 + digits])
            return false;
        FUZZ_CHECK(mpq_set_str(out, copy + 2, 16) == 0);
        return true;
    }
    size_t first = strspn(copy, "0123456789"), second = 0;
    char separator = copy[first];
    if (first == 0 || first > RATIO_DIGITS_MAX || (first > 1 && copy[0] == '0'))
        return false;
    if (separator == '.' || separator == '/') {
        const char *behind = copy + first + 1;
        second = strspn(behind, "0123456789");
        if (second == 0 || second > RATIO_DIGITS_MAX || behind[second])
            return false;
        if (separator == '/' && ((second > 1 && behind[0] == '0') || strspn(behind, "0") == second))
            return false;
    } else if (separator) {
        return false;
    }
    if (separator == '/') {
        FUZZ_CHECK(mpq_set_str(out, copy, 10) == 0);
    } else {
        char digits[64];
        memcpy(digits, copy, first);
        memcpy(digits + first, copy + first + (separator == '.'), second + 1);
        FUZZ_CHECK(mpz_set_str(mpq_numref(out), digits, 10) == 0);
        mpz_ui_pow_ui(mpq_denref(out), 10, second);
    }
    mpq_canonicalize(out);
    if (negative)
        mpq_neg(out, out);
    return true;
}

static void check_text(const char *text, size_t length)
{
    struct ratio ours, again;
    mpq_t theirs;
    mpq_init(theirs);
    const char *why = ratio_parse(text, length, &ours);
    FUZZ_CHECK((why == NULL) == parse_by_hand(text, length, theirs));
    if (!why) {
        char printed[RATIO_TEXT_MAX];
        bool exact;
        check_same(ours, theirs);
        check_print(ours);
        size_t count = ratio_text(ours, printed, &exact);
        if (exact && count <= 18)
            FUZZ_CHECK(!ratio_parse(printed, count, &again) && ratio_compare(ours, again) == 0);
    }
    mpq_clear(theirs);

    int64_t time, other;
    char unit[UNIT_MAX + 1], stamp[TEXT_TIME_MAX];
    if (!units_parse(text, length, &ours, unit)) {
        struct ratio there, back;
        FUZZ_CHECK(strlen(unit) <= UNIT_MAX);
        FUZZ_CHECK(units_convert(ours, unit, unit, &there) && ratio_compare(ours, there) == 0);
        if (units_convert(ours, unit, "lb", &there) && units_convert(there, "lb", unit, &back))
            FUZZ_CHECK(ratio_compare(ours, back) == 0);
    }
    if (!units_parse_time(text, length, &time))
        FUZZ_CHECK(time >= 0 && time <= 1000000 * TT_SECOND);
    if (text_parse_time(text, length, &time)) {
        FUZZ_CHECK(text_parse_time(stamp, text_time(time, stamp), &other) && other == time);
        FUZZ_CHECK(length >= 20 && memcmp(text, stamp, 19) == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bytes input = bytes_of(data, size);
    if (fuzz_choice(&input, 2))
        check_text((const char *)input.at, input.left);
    else
        check_numbers(&input);
    return 0;
}
