#include "step_words.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct words words_in(char out[VERDICT_REASON_MAX])
{
    out[0] = '\0';
    return (struct words){out, 0};
}

void words_add(struct words *words, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int length = vsnprintf(words->out + words->used, VERDICT_REASON_MAX - words->used, format, arguments);
    va_end(arguments);
    if (length > 0)
        words->used += (size_t)length;
    if (words->used >= VERDICT_REASON_MAX) {
        words->used = VERDICT_REASON_MAX - 1;
        /* do not leave half a UTF-8 character at the cut */
        while (words->used && ((unsigned char)words->out[words->used - 1] & 0xC0) == 0x80)
            words->used--;
        if (words->used && (unsigned char)words->out[words->used - 1] >= 0xC0)
            words->used--;
        words->out[words->used] = '\0';
    }
}

void words_put(char out[VERDICT_REASON_MAX], const char *text)
{
    struct words words = words_in(out);
    words_add(&words, "%s", text);
}

const char *words_times(uint64_t count, char out[WORDS_TIMES_MAX])
{
    if (count == 1 || count == 2)
        snprintf(out, WORDS_TIMES_MAX, "%s", count == 1 ? "once" : "twice");
    else
        snprintf(out, WORDS_TIMES_MAX, "%llu times", (unsigned long long)count);
    return out;
}

/* A withdrawal can turn an answer round, so when it was noted is said as of any other mark (D 11.2). */
void words_withdrawn(struct words *words, const struct mark *mark)
{
    const char *cover = mark_covered_text(mark->withdrawn_by->covered);
    words_add(words, "withdrawn%s%s: %s", cover ? ", " : "", cover ? cover : "", mark->withdrawn_by->text);
}

void words_value(const struct def_reading *reading, tt_wide numerator, const char *state, char out[WORDS_VALUE_MAX])
{
    if (state) {
        snprintf(out, WORDS_VALUE_MAX, "%s", state);
        return;
    }
    char number[RATIO_TEXT_MAX];
    bool exact;
    (void)ratio_print(numerator, reading->denominator, number, &exact);
    snprintf(out, WORDS_VALUE_MAX, "%s%s%s", number, reading->unit[0] ? " " : "", reading->unit);
}

static void range(struct words *words, const struct def_reading *reading, const struct stretch *stretch, const char *at,
                  const char *from)
{
    char low[RATIO_TEXT_MAX], high[WORDS_VALUE_MAX];
    bool exact;
    words_value(reading, stretch->highest, stretch->state, high);
    if (stretch->state)
        words_add(words, "%s", high);
    else if (stretch->lowest == stretch->highest)
        words_add(words, "%s%s", at, high);
    else {
        (void)ratio_print(stretch->lowest, reading->denominator, low, &exact);
        words_add(words, "%s%s to %s", from, low, high);
    }
}

void words_range(struct words *words, const struct def_reading *reading, const struct stretch *stretch)
{
    range(words, reading, stretch, "at ", "from ");
}

void words_range_plain(struct words *words, const struct def_reading *reading, const struct stretch *stretch)
{
    range(words, reading, stretch, "", "");
}

static void ratio_with_unit(struct words *words, struct ratio value, const char *unit)
{
    char number[RATIO_TEXT_MAX];
    bool exact;
    (void)ratio_text(value, number, &exact);
    words_add(words, "%s%s%s", number, unit && unit[0] ? " " : "", unit ? unit : "");
}

void words_limit(struct words *words, const struct def_limits *limits, bool high)
{
    ratio_with_unit(words, high ? limits->high : limits->low, limits->unit);
}

void words_limits(struct words *words, const struct def_step *step)
{
    const struct def_limits *limits = &step->limits;
    if (limits->has_low && limits->has_high) {
        words_add(words, "; limits ");
        ratio_with_unit(words, limits->low, "");
        words_add(words, " to ");
        ratio_with_unit(words, limits->high, limits->unit);
    } else {
        words_add(words, limits->has_low ? "; at least " : "; at most ");
        words_limit(words, limits, limits->has_high);
    }
    if (step->has_guard && step->guard.numerator != 0) {
        words_add(words, ", safety margin ");
        ratio_with_unit(words, step->guard, step->guard_unit);
    }
}

void words_select(struct words *words, const struct def_step *step)
{
    if (step->has_above) {
        words_add(words, " above ");
        ratio_with_unit(words, step->above, step->select_unit);
    }
    if (step->has_below) {
        words_add(words, step->has_above ? " and below " : " below ");
        ratio_with_unit(words, step->below, step->select_unit);
    }
}

void words_names(struct words *words, const char *const *names, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++)
        words_add(words, "%s%s", i == 0 ? "" : i + 1 == count ? " or " : ", ", names[i]);
}
