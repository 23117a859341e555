/*
 * Exact numbers: a ratio of two integers (D 2.7). No binary floating point anywhere. Every operation tells when the
 * result leaves 127 bits instead of wrapping; the number grammar (D 6.1) is bounded so that loaded numbers stay far
 * below that.
 */
#ifndef TT_RATIO_H
#define TT_RATIO_H

#include "support.h"

typedef __int128 tt_wide; /* the one typedef: C17 has no standard name for a 128-bit integer */

struct ratio {
    tt_wide numerator;
    tt_wide denominator; /* > 0; numerator and denominator have no common factor */
};

/* Longest text of ratio_print with its NUL: sign, up to 39 digits, point, 18 digits. */
#define RATIO_TEXT_MAX 64
/* Most digits the number grammar takes on either side of the point or of "/". */
#define RATIO_DIGITS_MAX 18

/* numerator/denominator reduced, denominator made positive. False when denominator is 0 or something overflows. */
TT_MUST_USE bool ratio_make(tt_wide numerator, tt_wide denominator, struct ratio *out);
static inline struct ratio ratio_whole(int64_t number)
{
    return (struct ratio){number, 1};
}
TT_MUST_USE bool ratio_add(struct ratio a, struct ratio b, struct ratio *out);
TT_MUST_USE bool ratio_subtract(struct ratio a, struct ratio b, struct ratio *out);
TT_MUST_USE bool ratio_multiply(struct ratio a, struct ratio b, struct ratio *out);
/* -1, 0 or 1 as a is below, equal to or above b; exact for every pair (256-bit products), cannot fail. */
int ratio_compare(struct ratio a, struct ratio b);

/*
 * The number grammar of D 6.1: ["-"] (digits ["." digits] | "0x" hex | digits "/" digits), no needless leading zero,
 * hex only unsigned and at most 16 digits. Takes exactly length bytes of text. On failure returns a short reason to be
 * put behind "number: " ("a needless leading zero", ...); NULL on success.
 */
const char *ratio_parse(const char *text, size_t length, struct ratio *out);

/* Largest whole number not above a. Smallest whole number not below a. */
tt_wide ratio_floor(struct ratio a);
tt_wide ratio_ceiling(struct ratio a);

/*
 * Writes numerator/denominator (denominator > 0) as a plain decimal (no exponent, no locale): in full where it ends
 * within 18 places after the point, without trailing zeros; else rounded to 18 places, half to even (D 2.7), all 18
 * written. Returns the length written (without NUL); *exact tells whether nothing was rounded. "-0" is never written.
 */
size_t ratio_print(tt_wide numerator, tt_wide denominator, char out[RATIO_TEXT_MAX], bool *exact);
static inline size_t ratio_text(struct ratio a, char out[RATIO_TEXT_MAX], bool *exact)
{
    return ratio_print(a.numerator, a.denominator, out, exact);
}

#endif
