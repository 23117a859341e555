/* See ratio.h. Magnitudes are handled unsigned, so that the most negative number needs no exception. */
#include "ratio.h"

typedef unsigned __int128 magnitude; /* private partner of tt_wide */

#define WIDE_MAX ((tt_wide)(((magnitude)1 << 127) - 1))
#define PLACES 18

static magnitude magnitude_of(tt_wide number)
{
    return number < 0 ? -(magnitude)number : (magnitude)number;
}

static uint64_t divisor_64(uint64_t a, uint64_t b)
{
    while (b) {
        uint64_t rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

/* Greatest common divisor; of (0, b) it is b. The wide loop ends as soon as 64 bits are enough: that is much faster. */
static magnitude divisor_of(magnitude a, magnitude b)
{
    while (b) {
        if (a <= UINT64_MAX && b <= UINT64_MAX)
            return divisor_64((uint64_t)a, (uint64_t)b);
        magnitude rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

/* number / by, where by divides number; the 64-bit division is the usual case. */
static tt_wide quotient(tt_wide number, magnitude by)
{
    if (by == 1)
        return number;
    if (number >= INT64_MIN && number <= INT64_MAX && by <= INT64_MAX)
        return (int64_t)number / (int64_t)by;
    return number / (tt_wide)by;
}

bool ratio_make(tt_wide numerator, tt_wide denominator, struct ratio *out)
{
    if (denominator == 0)
        return false;
    magnitude above = magnitude_of(numerator), below = magnitude_of(denominator);
    magnitude common = divisor_of(above, below);
    if (common > 1) {
        above /= common;
        below /= common;
    }
    /* -2^127 is left out too, so that every ratio can be negated. */
    if (above > (magnitude)WIDE_MAX || below > (magnitude)WIDE_MAX)
        return false;
    bool negative = (numerator < 0) != (denominator < 0);
    out->numerator = negative ? -(tt_wide)above : (tt_wide)above;
    out->denominator = (tt_wide)below;
    return true;
}

/* The product, refused outside -(2^127 - 1) .. 2^127 - 1. */
static bool wide_multiply(tt_wide a, tt_wide b, tt_wide *out)
{
    return !__builtin_mul_overflow(a, b, out) && *out >= -WIDE_MAX;
}

bool ratio_add(struct ratio a, struct ratio b, struct ratio *out)
{
    /* Over the least common denominator (Knuth, TAOCP vol. 2, 4.5.1: from memory); only its common part can cancel. */
    magnitude common = divisor_of((magnitude)a.denominator, (magnitude)b.denominator);
    tt_wide a_part = quotient(a.denominator, common), b_part = quotient(b.denominator, common);
    tt_wide a_scaled, b_scaled, sum, below;
    if (!wide_multiply(a.numerator, b_part, &a_scaled) || !wide_multiply(b.numerator, a_part, &b_scaled))
        return false;
    if (__builtin_add_overflow(a_scaled, b_scaled, &sum) || sum < -WIDE_MAX)
        return false;
    magnitude cancel = divisor_of(magnitude_of(sum), common);
    if (!wide_multiply(a_part, quotient(b.denominator, cancel), &below))
        return false;
    *out = (struct ratio){quotient(sum, cancel), below};
    return true;
}

bool ratio_subtract(struct ratio a, struct ratio b, struct ratio *out)
{
    return ratio_add(a, (struct ratio){-b.numerator, b.denominator}, out);
}

bool ratio_multiply(struct ratio a, struct ratio b, struct ratio *out)
{
    /* Cancelling crosswise first leaves a reduced product, so only a result that is really too large is refused. */
    magnitude first = divisor_of(magnitude_of(a.numerator), (magnitude)b.denominator);
    magnitude second = divisor_of(magnitude_of(b.numerator), (magnitude)a.denominator);
    tt_wide above, below;
    if (!wide_multiply(quotient(a.numerator, first), quotient(b.numerator, second), &above) ||
        !wide_multiply(quotient(a.denominator, second), quotient(b.denominator, first), &below))
        return false;
    *out = (struct ratio){above, below};
    return true;
}

struct product {
    magnitude high, low;
};

/* a * b in 256 bits, from four 64-bit products. */
static struct product product_of(magnitude a, magnitude b)
{
    uint64_t a_low = (uint64_t)a, a_high = (uint64_t)(a >> 64);
    uint64_t b_low = (uint64_t)b, b_high = (uint64_t)(b >> 64);
    magnitude low = (magnitude)a_low * b_low;
    magnitude cross = (magnitude)a_high * b_low + (low >> 64); /* (2^64 - 1)^2 + 2^64 - 1 < 2^128 */
    magnitude other = (magnitude)a_low * b_high + (uint64_t)cross;
    return (struct product){(magnitude)a_high * b_high + (cross >> 64) + (other >> 64), other << 64 | (uint64_t)low};
}

static int order(magnitude a, magnitude b)
{
    return (a > b) - (a < b);
}

int ratio_compare(struct ratio a, struct ratio b)
{
    if ((a.numerator < 0) != (b.numerator < 0))
        return a.numerator < 0 ? -1 : 1;
    magnitude a_above = magnitude_of(a.numerator), b_above = magnitude_of(b.numerator);
    magnitude a_below = (magnitude)a.denominator, b_below = (magnitude)b.denominator;
    int result;
    if ((a_above | b_above | a_below | b_below) <= UINT64_MAX) {
        result = order(a_above * b_below, b_above * a_below);
    } else {
        struct product left = product_of(a_above, b_below), right = product_of(b_above, a_below);
        result = left.high != right.high ? order(left.high, right.high) : order(left.low, right.low);
    }
    return a.numerator < 0 ? -result : result;
}

tt_wide ratio_floor(struct ratio a)
{
    tt_wide whole = a.numerator / a.denominator;
    return whole - (a.numerator % a.denominator < 0);
}

tt_wide ratio_ceiling(struct ratio a)
{
    tt_wide whole = a.numerator / a.denominator;
    return whole + (a.numerator % a.denominator > 0);
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* Reads decimal digits at *at into *number; NULL or why not. `leading` allows a needless leading zero. */
static const char *parse_digits(const char **at, const char *end, bool leading, int64_t *number, int *count)
{
    const char *start = *at;
    *number = 0;
    for (; *at < end && is_digit(**at); (*at)++) {
        if (*at - start == RATIO_DIGITS_MAX)
            return "more than 18 digits in a row";
        *number = *number * 10 + (**at - '0'); /* 18 digits stay below 2^60 */
    }
    *count = (int)(*at - start);
    if (*count == 0)
        return *at == end || **at == '.' || **at == '/' ? "a digit is missing" : "a character that is no digit";
    if (!leading && *count > 1 && *start == '0')
        return "a needless leading zero";
    return NULL;
}

static const char *parse_hex(const char *at, const char *end, struct ratio *out)
{
    uint64_t number = 0;
    if (at == end)
        return "a digit is missing";
    if (end - at > 16)
        return "more than 16 hexadecimal digits";
    for (; at < end; at++) {
        char folded = (char)(*at | 0x20);
        if (is_digit(*at))
            number = number << 4 | (uint64_t)(*at - '0');
        else if (folded >= 'a' && folded <= 'f')
            number = number << 4 | (uint64_t)(folded - 'a' + 10);
        else
            return "a character that is no hexadecimal digit";
    }
    *out = (struct ratio){(tt_wide)number, 1};
    return NULL;
}

const char *ratio_parse(const char *text, size_t length, struct ratio *out)
{
    const char *at = text, *end = text + length;
    if (length == 0)
        return "it is empty";
    if (length > 2 && at[0] == '0' && at[1] == 'x')
        return parse_hex(at + 2, end, out);
    bool negative = *at == '-';
    at += negative;
    if (negative && end - at >= 2 && at[0] == '0' && at[1] == 'x')
        return "a sign before a hexadecimal number";

    int64_t first, second = 0;
    int count;
    const char *problem = parse_digits(&at, end, false, &first, &count);
    if (problem)
        return problem;
    tt_wide above = first, below = 1;
    if (at < end && (*at == '.' || *at == '/')) {
        bool point = *at++ == '.';
        problem = parse_digits(&at, end, point, &second, &count);
        if (problem)
            return problem;
        if (!point && second == 0)
            return "a division by zero";
        if (point) {
            for (int i = 0; i < count; i++)
                below *= 10;
            above = above * below + second; /* below 10^36, far from 2^127 */
        } else {
            below = second;
        }
    }
    if (at < end)
        return "a character that is no digit";
    return ratio_make(negative ? -above : above, below, out) ? NULL : "it is too large";
}

/* Decimal digits of number, written to end at `end`; returns their start. */
static char *whole_digits(magnitude number, char *end)
{
    while (number > UINT64_MAX) {
        *--end = (char)('0' + (int)(number % 10));
        number /= 10;
    }
    uint64_t rest = (uint64_t)number;
    do {
        *--end = (char)('0' + (int)(rest % 10));
        rest /= 10;
    } while (rest);
    return end;
}

/* One digit of rest/below after the point; *rest becomes what remains. 0 <= *rest < below < 2^127. */
static char next_digit(magnitude *rest, magnitude below)
{
    if (below <= UINT64_MAX / 10) {
        uint64_t ten = (uint64_t)*rest * 10, by = (uint64_t)below;
        *rest = ten % by;
        return (char)('0' + ten / by);
    }
    magnitude sum = 0; /* ten times the rest would leave 128 bits: add it ten times, taking `below` off each time */
    char digit = '0';
    for (int i = 0; i < 10; i++) {
        sum += *rest;
        if (sum >= below) {
            sum -= below;
            digit++;
        }
    }
    *rest = sum;
    return digit;
}

/* Adds one to the last of the count digits; true when the carry leaves them. */
static bool carry_one(char *digits, int count)
{
    while (count-- > 0) {
        if (digits[count] != '9') {
            digits[count]++;
            return false;
        }
        digits[count] = '0';
    }
    return true;
}

size_t ratio_print(tt_wide numerator, tt_wide denominator, char out[RATIO_TEXT_MAX], bool *exact)
{
    magnitude above = magnitude_of(numerator), below = (magnitude)denominator, whole, rest;
    if ((above | below) <= UINT64_MAX) {
        whole = (uint64_t)above / (uint64_t)below;
        rest = (uint64_t)above % (uint64_t)below;
    } else {
        whole = above / below;
        rest = above % below;
    }

    char places[PLACES];
    int count = 0;
    while (rest && count < PLACES)
        places[count++] = next_digit(&rest, below);
    *exact = rest == 0; /* the digit before a rest of 0 is never '0', so an exact number has no trailing zeros */
    if (rest) {
        int half = order(rest * 2, below);
        if ((half > 0 || (half == 0 && (places[PLACES - 1] - '0') % 2)) && carry_one(places, PLACES))
            whole++;
    }

    bool zero = whole == 0;
    for (int i = 0; zero && i < count; i++)
        zero = places[i] == '0';
    char digits[40], *end = digits + sizeof digits, *start = whole_digits(whole, end), *at = out;
    if (numerator < 0 && !zero)
        *at++ = '-';
    while (start < end)
        *at++ = *start++;
    if (count)
        *at++ = '.';
    for (int i = 0; i < count; i++)
        *at++ = places[i];
    *at = '\0';
    return (size_t)(at - out);
}
