/* See live_ruler.h. */
#include "live_ruler.h"

#include <string.h>

#include "../support/text.h"

#define COLUMNS_LEAST 30u
#define COLUMNS_MOST 100u
#define SEGMENTS_MAX 5u

/* A run of equal signs: values from..to (numerators), drawn in cells columns. */
struct segment {
    tt_wide from, to;
    char sign;
    size_t cells;
};

struct ruler {
    struct ratio first, last;   /* its ends, in the limits' unit */
    tt_wide first_n, last_n;    /* the same as numerators of the reading */
    struct segment segments[SEGMENTS_MAX];
    uint32_t count;
};

/* The largest of 1, 2, 5 times a power of ten that is not above value (> 0); 1 when it is out of all proportion. */
static struct ratio nice_step(struct ratio value)
{
    struct ratio step = {1, 1}, next;
    static const int64_t factors[] = {2, 5, 10};
    for (int i = 0; i < 30 && ratio_compare(step, value) > 0; i++)
        if (!ratio_multiply(step, (struct ratio){1, 10}, &step))
            return ratio_whole(1);
    struct ratio best = step;
    for (int i = 0; i < 30; i++) {
        for (size_t j = 0; j < 3; j++) {
            if (!ratio_multiply(step, ratio_whole(factors[j]), &next) || ratio_compare(next, value) > 0)
                return best;
            best = next;
        }
        step = best;
    }
    return best;
}

/* The multiple of step nearest to value. */
static bool round_to(struct ratio value, struct ratio step, struct ratio *out)
{
    struct ratio count, half = {1, 2};
    return ratio_multiply(value, (struct ratio){step.denominator, step.numerator}, &count) &&
           ratio_add(count, half, &count) && ratio_multiply((struct ratio){ratio_floor(count), 1}, step, out);
}

/* A value in the limits' unit as the reading's numerator, cut down. */
static bool numerator_of(const struct live_reading *shown, struct ratio value, tt_wide *out)
{
    struct ratio converted;
    if (!units_convert(value, shown->step->limits.unit, shown->reading->unit, &converted) ||
        !ratio_multiply(converted, (struct ratio){shown->reading->denominator, 1}, &converted))
        return false;
    *out = ratio_floor(converted);
    return true;
}

/* How far the ruler goes beyond its limits: two fifths of what lies between; with one limit, a quarter of it. */
static bool overhang(const struct def_limits *limits, struct ratio *pad)
{
    if (limits->has_low && limits->has_high) {
        struct ratio width;
        if (!ratio_subtract(limits->high, limits->low, &width) || !ratio_multiply(width, (struct ratio){2, 5}, pad))
            return false;
    } else {
        struct ratio only = limits->has_low ? limits->low : limits->high;
        if (only.numerator < 0)
            only.numerator = -only.numerator;
        if (!ratio_multiply(only, (struct ratio){1, 4}, pad))
            return false;
    }
    if (pad->numerator <= 0)
        *pad = ratio_whole(1);
    return true;
}

static bool find_ends(const struct live_reading *shown, struct ruler *ruler)
{
    const struct def_limits *limits = &shown->step->limits;
    struct ratio pad, half, low = limits->low, high = limits->high, step;
    if (!overhang(limits, &pad) || !ratio_multiply(pad, (struct ratio){1, 2}, &half))
        return false;
    step = nice_step(half);
    /* On the open side the ruler goes four times as far. */
    if (!limits->has_low) {
        if (!ratio_multiply(pad, ratio_whole(-4), &low) || !ratio_add(limits->high, low, &low))
            return false;
    } else if (!ratio_subtract(low, pad, &low)) {
        return false;
    }
    if (!limits->has_high) {
        if (!ratio_multiply(pad, ratio_whole(4), &high) || !ratio_add(limits->low, high, &high))
            return false;
    } else if (!ratio_add(high, pad, &high)) {
        return false;
    }
    return round_to(low, step, &ruler->first) && round_to(high, step, &ruler->last) &&
           numerator_of(shown, ruler->first, &ruler->first_n) && numerator_of(shown, ruler->last, &ruler->last_n);
}

static void add_segment(struct ruler *ruler, tt_wide from, tt_wide to, char sign)
{
    ruler->segments[ruler->count++] = (struct segment){from, to, sign, 0};
}

/* Of n cells those that part has of whole; both are brought below 2^100 first, so that nothing overflows. */
static size_t share(tt_wide part, tt_wide whole, size_t n)
{
    while (whole > ((tt_wide)1 << 100)) {
        whole >>= 1;
        part >>= 1;
    }
    return whole <= 0 || part <= 0 ? 0 : (size_t)(part * (tt_wide)n / whole);
}

static void find_segments(const struct def_limits *limits, struct ruler *ruler, size_t cells)
{
    tt_wide low = limits->has_low ? limits->low_n : ruler->first_n,
            high = limits->has_high ? limits->high_n : ruler->last_n;
    tt_wide safe_low = limits->has_low ? limits->safe_low_n : low,
            safe_high = limits->has_high ? limits->safe_high_n : high;
    if (limits->has_low)
        add_segment(ruler, ruler->first_n, low, '-');
    if (safe_low > low)
        add_segment(ruler, low, safe_low, '~');
    add_segment(ruler, safe_low, safe_high, '=');
    if (safe_high < high)
        add_segment(ruler, safe_high, high, '~');
    if (limits->has_high)
        add_segment(ruler, high, ruler->last_n, '-');
    size_t used = 0, widest = 0;
    for (uint32_t i = 0; i < ruler->count; i++) {
        struct segment *segment = &ruler->segments[i];
        segment->cells = share(segment->to - segment->from, ruler->last_n - ruler->first_n, cells);
        segment->cells = segment->cells ? segment->cells : 1;
        used += segment->cells;
        widest = segment->cells > ruler->segments[widest].cells ? i : widest;
    }
    /* What rounding left over, or a smallest cell took too much, is the widest one's. */
    if (used < cells || ruler->segments[widest].cells > used - cells)
        ruler->segments[widest].cells += cells - used;
}

/* In which segment a value stands: the limits themselves are inside (D 2.7). */
static uint32_t segment_of(const struct ruler *ruler, tt_wide value)
{
    for (uint32_t i = 0; i + 1 < ruler->count; i++) {
        const struct segment *segment = &ruler->segments[i];
        /* A lower boundary belongs to what is above it, an upper one to what is below it. */
        bool upper = segment->sign == '=' || (segment->sign == '~' && i > 0 && ruler->segments[i - 1].sign == '=');
        if (upper ? value <= segment->to : value < segment->to)
            return i;
    }
    return ruler->count - 1;
}

static void put_number(struct sink *sink, struct ratio value)
{
    char text[RATIO_TEXT_MAX];
    bool exact;
    sink_put(sink, text, ratio_text(value, text, &exact));
}

static size_t number_width(struct ratio value)
{
    char text[RATIO_TEXT_MAX];
    bool exact;
    return ratio_text(value, text, &exact);
}

static void put_segment(struct sink *sink, const struct ruler *ruler, uint32_t index, const struct live_reading *shown)
{
    const struct segment *segment = &ruler->segments[index];
    bool here = shown->has_value && segment_of(ruler, shown->numerator) == index;
    size_t at = segment->cells;
    char sign = '#';
    if (here) {
        tt_wide value = shown->numerator;
        at = share(value - segment->from, segment->to - segment->from, segment->cells);
        at = at < segment->cells ? at : segment->cells - 1;
        sign = value < ruler->first_n ? '<' : value > ruler->last_n ? '>' : '#';
    }
    for (size_t i = 0; i < segment->cells; i++)
        sink_char(sink, i == at ? sign : segment->sign);
}

void live_ruler(struct sink *sink, const struct live_reading *shown, size_t columns)
{
    const struct def_step *step = shown->step;
    struct ruler ruler = {.count = 0};
    if (!step || !step->has_between || shown->reading->kind != READING_NUMBER || columns < COLUMNS_LEAST ||
        !find_ends(shown, &ruler))
        return;
    const struct def_limits *limits = &step->limits;
    size_t used = number_width(ruler.first) + number_width(ruler.last) + strlen(limits->unit) + 3;
    used += limits->has_low ? number_width(limits->low) + 2 : 0;
    used += limits->has_high ? number_width(limits->high) + 2 : 0;
    columns = columns < COLUMNS_MOST ? columns : COLUMNS_MOST;
    if (used + 12 > columns)
        return;
    find_segments(limits, &ruler, columns - used);
    put_number(sink, ruler.first);
    sink_char(sink, ' ');
    for (uint32_t i = 0; i < ruler.count; i++) {
        bool outer = ruler.segments[i].sign == '-';
        if (outer && i > 0) {
            sink_char(sink, ' ');
            put_number(sink, limits->high);
            sink_char(sink, ']');
        }
        put_segment(sink, &ruler, i, shown);
        if (outer && i == 0) {
            sink_char(sink, '[');
            put_number(sink, limits->low);
            sink_char(sink, ' ');
        }
    }
    sink_char(sink, ' ');
    put_number(sink, ruler.last);
    if (limits->unit[0])
        sink_char(sink, ' ');
    text_terminal(sink, limits->unit, strlen(limits->unit));
}

void live_ruler_legend(struct sink *sink, const struct live_reading *shown)
{
    if (!shown->step || !shown->step->has_between)
        return;
    sink_text(sink, "# now  = inside  ");
    if (shown->step->has_guard)
        sink_text(sink, "~ too close to a limit  ");
    sink_text(sink, "- outside  < > beyond the ruler");
}
