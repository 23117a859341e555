/* The times of text.h: the proleptic Gregorian calendar without leap seconds, as POSIX time counts. */
#include <string.h>

#include "digits.h"
#include "text.h"

#define DAY INT64_C(86400)

/* Days from 1970-01-01 of a day; months are counted from March, so that the leap day ends the year. */
static int64_t day_number(int64_t year, int64_t month, int64_t day)
{
    int64_t counted = month > 2 ? year : year - 1;      /* > 0 for every year read here */
    int64_t months = month > 2 ? month - 3 : month + 9; /* 0 = March */
    return counted * 365 + counted / 4 - counted / 100 + counted / 400 + (153 * months + 2) / 5 + day - 1 - 719468;
}

static void day_of(int64_t number, int64_t *year, int64_t *month, int64_t *day)
{
    int64_t days = number + 719468; /* from 0000-03-01; positive for every int64_t of nanoseconds */
    int64_t era = days / 146097, in_era = days % 146097;
    int64_t of_era = (in_era - in_era / 1460 + in_era / 36524 - in_era / 146096) / 365;
    int64_t in_year = in_era - (365 * of_era + of_era / 4 - of_era / 100);
    int64_t months = (5 * in_year + 2) / 153;
    *day = in_year - (153 * months + 2) / 5 + 1;
    *month = months < 10 ? months + 3 : months - 9;
    *year = era * 400 + of_era + (*month <= 2);
}

size_t text_time(int64_t nanoseconds, char out[TEXT_TIME_MAX])
{
    int64_t seconds = nanoseconds / TT_SECOND, fraction = nanoseconds % TT_SECOND, year, month, day;
    if (fraction < 0) {
        fraction += TT_SECOND;
        seconds--;
    }
    int64_t days = seconds / DAY, of_day = seconds % DAY;
    if (of_day < 0) {
        of_day += DAY;
        days--;
    }
    day_of(days, &year, &month, &day);
    char *at = digits_padded(out, (uint32_t)year, 4);
    *at++ = '-';
    at = digits_padded(at, (uint32_t)month, 2);
    *at++ = '-';
    at = digits_padded(at, (uint32_t)day, 2);
    *at++ = 'T';
    at = digits_padded(at, (uint32_t)(of_day / 3600), 2);
    *at++ = ':';
    at = digits_padded(at, (uint32_t)(of_day / 60 % 60), 2);
    *at++ = ':';
    at = digits_padded(at, (uint32_t)(of_day % 60), 2);
    *at++ = '.';
    at = digits_padded(at, (uint32_t)fraction, 9);
    *at++ = 'Z';
    *at = '\0';
    return (size_t)(at - out);
}

/* Reads count digits; false when one is missing. */
static bool take_digits(const char *at, int count, int64_t *number)
{
    *number = 0;
    for (int i = 0; i < count; i++) {
        if (at[i] < '0' || at[i] > '9')
            return false;
        *number = *number * 10 + (at[i] - '0');
    }
    return true;
}

static int64_t days_in(int64_t year, int64_t month)
{
    static const int8_t days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    return days[month - 1] + (month == 2 && leap);
}

bool text_parse_time(const char *text, size_t length, int64_t *nanoseconds)
{
    /* RFC 3339 section 5.6, with the upper-case T and Z it recommends. */
    static const char shape[] = "....-..-..T..:..:..";
    const size_t whole = sizeof shape - 1;
    int64_t year, month, day, hour, minute, second, fraction = 0;

    if (length < whole + 1 || length > whole + 11 || text[length - 1] != 'Z')
        return false;
    for (size_t i = 0; i < whole; i++)
        if (shape[i] != '.' && text[i] != shape[i])
            return false;
    if (!take_digits(text, 4, &year) || !take_digits(text + 5, 2, &month) || !take_digits(text + 8, 2, &day) ||
        !take_digits(text + 11, 2, &hour) || !take_digits(text + 14, 2, &minute) || !take_digits(text + 17, 2, &second))
        return false;
    if (length > whole + 1) {
        int places = (int)(length - whole) - 2; /* without point and Z */
        if (text[whole] != '.' || places < 1 || !take_digits(text + whole + 1, places, &fraction))
            return false;
        for (; places < 9; places++)
            fraction *= 10;
    }
    if (year < 1970 || month < 1 || month > 12 || day < 1 || day > days_in(year, month))
        return false;
    if (hour > 23 || minute > 59 || second > 59)
        return false;
    int64_t seconds = day_number(year, month, day) * DAY + hour * 3600 + minute * 60 + second;
    int64_t result;
    if (__builtin_mul_overflow(seconds, TT_SECOND, &result) || __builtin_add_overflow(result, fraction, &result))
        return false;
    *nanoseconds = result;
    return true;
}

static uint64_t length_of(int64_t nanoseconds)
{
    return nanoseconds < 0 ? -(uint64_t)nanoseconds : (uint64_t)nanoseconds;
}

size_t text_seconds(int64_t nanoseconds, char out[TEXT_TIME_MAX])
{
    uint64_t span = length_of(nanoseconds);
    char *at = out;
    if (nanoseconds < 0)
        *at++ = '-';
    at = digits_plain(at, span / (uint64_t)TT_SECOND);
    *at++ = '.';
    at = digits_padded(at, (uint32_t)(span % (uint64_t)TT_SECOND), 9);
    *at = '\0';
    return (size_t)(at - out);
}

/* span in hundredths of `unit`, half to even. */
static uint64_t hundredths(uint64_t span, uint64_t unit)
{
    uint64_t step = unit / 100, count = span / step, rest = span % step;
    return count + (rest * 2 > step || (rest * 2 == step && count % 2));
}

size_t text_span(int64_t nanoseconds, char out[TEXT_TIME_MAX])
{
    uint64_t span = length_of(nanoseconds);
    uint64_t count = hundredths(span, (uint64_t)TT_MS);
    const char *unit = " ms";
    if (count >= 100000) { /* also what rounds up to one second */
        count = hundredths(span, (uint64_t)TT_SECOND);
        unit = " s";
    }
    char *at = out;
    if (nanoseconds < 0 && count > 0)
        *at++ = '-';
    at = digits_plain(at, count / 100);
    if (count % 100) {
        *at++ = '.';
        at = digits_padded(at, count % 100, 2);
        if (at[-1] == '0')
            at--;
    }
    size_t unit_length = strlen(unit);
    memcpy(at, unit, unit_length + 1);
    return (size_t)(at - out) + unit_length;
}
