/*
 * Whole numbers as decimal digits, two at a time from a table: what a listing writes most of. Nothing allocates, nothing
 * fails; each returns the end of what it wrote.
 */
#ifndef TT_DIGITS_H
#define TT_DIGITS_H

#include <string.h>

#include "support.h"

#define DIGITS_MAX 20 /* of a uint64_t */

static inline const char *digits_pair(unsigned below_hundred)
{
    static const char pairs[201] = "00010203040506070809101112131415161718192021222324252627282930313233343536373839404142434445464748"
                                   "49505152535455565758596061626364656667686970717273747576777879808182838485868788899091929394959697"
                                   "9899";
    return pairs + 2 * below_hundred;
}

/* Exactly count digits of number, zero padded; higher digits are left out. */
static inline char *digits_padded(char *at, uint32_t number, int count)
{
    int left = count;
    for (; left >= 2; left -= 2, number /= 100)
        memcpy(at + left - 2, digits_pair(number % 100), 2);
    if (left)
        at[0] = (char)('0' + number % 10);
    return at + count;
}

static inline int digits_count(uint64_t number)
{
    for (int more = 0;; more += 4, number /= 10000) {
        if (number < 100)
            return more + (number < 10 ? 1 : 2);
        if (number < 10000)
            return more + (number < 1000 ? 3 : 4);
    }
}

/* number without leading zeros: 1 to DIGITS_MAX digits. */
static inline char *digits_plain(char *at, uint64_t number)
{
    char *end = at + digits_count(number), *first = end;
    while (number > UINT32_MAX) {
        memcpy(first -= 2, digits_pair((unsigned)(number % 100)), 2);
        number /= 100;
    }
    uint32_t rest = (uint32_t)number; /* half as wide divides faster */
    for (; rest >= 100; rest /= 100)
        memcpy(first -= 2, digits_pair(rest % 100), 2);
    if (rest >= 10)
        memcpy(first - 2, digits_pair(rest), 2);
    else
        first[-1] = (char)('0' + rest);
    return end;
}

#endif
