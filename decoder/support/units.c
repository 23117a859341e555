/* See units.h. */
#include "units.h"

#include <string.h>

#include "text.h"

enum measure { MEASURE_MASS, MEASURE_TIME };

struct unit {
    const char *name;
    enum measure measure;
    struct ratio size; /* in kg or s, reduced */
};

static const struct unit units[] = {
    {"kg", MEASURE_MASS, {1, 1}},
    {"g", MEASURE_MASS, {1, 1000}},
    {"lb", MEASURE_MASS, {45359237, 100000000}}, /* international yard and pound agreement, 1959 */
    {"oz", MEASURE_MASS, {45359237, 1600000000}}, /* 1/16 lb */
    {"s", MEASURE_TIME, {1, 1}},
    {"ms", MEASURE_TIME, {1, 1000}},
};

static const struct unit *unit_find(const char *name)
{
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
        if (strcmp(units[i].name, name) == 0)
            return &units[i];
    return NULL;
}

bool units_convert(struct ratio value, const char *from, const char *to, struct ratio *out)
{
    if (strcmp(from, to) == 0) {
        *out = value;
        return true;
    }
    const struct unit *a = unit_find(from), *b = unit_find(to);
    if (!a || !b || a->measure != b->measure)
        return false;
    struct ratio factor;
    return ratio_multiply(a->size, (struct ratio){b->size.denominator, b->size.numerator}, &factor) &&
           ratio_multiply(value, factor, out);
}

const char *units_parse(const char *text, size_t length, struct ratio *value, char unit[UNIT_MAX + 1])
{
    unit[0] = '\0';
    const char *space = length ? memchr(text, ' ', length) : NULL;
    size_t digits = space ? (size_t)(space - text) : length;
    if (space == text && space)
        return "a space before the number";
    const char *problem = ratio_parse(text, digits, value);
    if (problem || !space)
        return problem;

    const char *word = space + 1;
    size_t word_length = length - digits - 1;
    if (word_length == 0)
        return "a space at the end";
    if (word[0] == ' ')
        return "more than one space before the unit";
    if (memchr(word, ' ', word_length))
        return "a space in the unit";
    if (word_length > UNIT_MAX)
        return "a unit longer than 32 bytes";
    if (!text_is_clean(word, word_length))
        return "a control character, or bytes that are no UTF-8, in the unit";
    memcpy(unit, word, word_length);
    unit[word_length] = '\0';
    return NULL;
}

const char *units_parse_time(const char *text, size_t length, int64_t *nanoseconds)
{
    struct ratio value, fine;
    char unit[UNIT_MAX + 1];
    const char *problem = units_parse(text, length, &value, unit);
    if (problem)
        return problem;
    const struct unit *found = unit_find(unit);
    if (!found || found->measure != MEASURE_TIME)
        return "a time needs its unit, s or ms";
    if (value.numerator < 0)
        return "a time cannot be negative";
    if (!ratio_multiply(value, found->size, &value) || ratio_compare(value, ratio_whole(1000000)) > 0)
        return "a time above 1000000 s";
    if (!ratio_multiply(value, ratio_whole(TT_SECOND), &fine) || fine.denominator != 1)
        return "finer than a nanosecond";
    *nanoseconds = (int64_t)fine.numerator;
    return NULL;
}
