/*
 * Raw numbers to values, exactly (D 2.7, 6.4): factor and offset, floats, curves, each over one denominator; see
 * load.h.
 */
#include <string.h>

#include "load.h"

#define FLOAT_MAGNITUDE_BITS 40  /* floats of 2^40 and more are no readings of a scale: they are invalid */
#define FLOAT_BOUND          ((tt_wide)1 << 112) /* below LOAD_WIDE_BOUND, so that 32 of one unit can be summed */
#define CURVE_PAIRS_MAX      256

static tt_wide magnitude(tt_wide number)
{
    return number < 0 ? -number : number; /* ratios never hold -2^127 */
}

static uint64_t ones(uint32_t bits)
{
    return bits >= 64 ? UINT64_MAX : (UINT64_C(1) << bits) - 1;
}

/* The least common multiple of b and d, both > 0; false when it reaches the bound. */
static bool common_multiple(tt_wide b, tt_wide d, tt_wide *out)
{
    struct ratio least; /* b / d reduced is p / q, and lcm(b, d) = b * q */
    return ratio_make(b, d, &least) && !__builtin_mul_overflow(b, least.denominator, out) &&
           *out < LOAD_DENOMINATOR_BOUND;
}

static bool over(struct ratio number, tt_wide denominator, tt_wide *out)
{
    return !__builtin_mul_overflow(number.numerator, denominator / number.denominator, out);
}

/*
 * A float's numbers are m * 2^e. With factor and denominator times 2^places a number whose last bit is at least
 * 2^-places gives a whole numerator; as many places as fit below 2^112 with |number| < 2^40 are taken: 72 where factor
 * and offset are whole and small.
 */
static bool scale_float(struct def_field *field, tt_wide *denominator, tt_wide *largest)
{
    tt_wide high, factor = magnitude(field->factor), offset = magnitude(field->offset);
    if (factor >= FLOAT_BOUND >> FLOAT_MAGNITUDE_BITS)
        return false;
    high = (factor << FLOAT_MAGNITUDE_BITS) + offset; /* below 2^112 and 2^120 */
    if (high >= FLOAT_BOUND)
        return false;
    while (high <= FLOAT_BOUND >> 1 && *denominator < LOAD_DENOMINATOR_BOUND >> 1) {
        high *= 2;
        *denominator *= 2;
        field->factor *= 2;
        field->offset *= 2;
    }
    *largest = high;
    return true;
}

/*
 * factor and offset as whole numbers over one denominator, the least that both divide: value = (raw * factor + offset)
 * / denominator. Refuses what could leave 2^120.
 */
static bool scale_line(struct load *load, const struct scale_source *source, struct def_field *field,
                       tt_wide *denominator, tt_wide *largest)
{
    struct ratio factor = ratio_whole(1), offset = ratio_whole(0);
    bool good = !source->factor || load_ratio(load, source->factor, "factor", &factor);
    good &= !source->offset || load_ratio(load, source->offset, "offset", &offset);
    if (!good)
        return false;
    const struct node *culprit = source->factor ? source->factor : source->offset ? source->offset : source->field;
    if (factor.numerator == 0) {
        load_say(load, culprit, "a factor of 0 makes every value the same; leave it away for 1");
        return false;
    }
    tt_wide most = (tt_wide)ones(field->mask_bits), high;
    bool fits = common_multiple(factor.denominator, offset.denominator, denominator) && *denominator <= INT64_MAX &&
                over(factor, *denominator, &field->factor) && over(offset, *denominator, &field->offset) &&
                magnitude(field->offset) < LOAD_WIDE_BOUND;
    if (fits && field->type == FIELD_FLOAT)
        fits = scale_float(field, denominator, largest);
    else
        fits = fits && !__builtin_mul_overflow(most, magnitude(field->factor), &high) &&
               !__builtin_add_overflow(high, magnitude(field->offset), largest) && *largest < LOAD_WIDE_BOUND;
    if (!fits) {
        load_say(load, culprit, "factor and offset have too many digits together; use fewer");
        *largest = 0;
        *denominator = 1;
    }
    return fits;
}

struct curve_point {
    int64_t number;
    struct ratio value;
};

/* One [number, value]. */
static bool load_point(struct load *load, const struct node *entry, const struct def_field *field,
                       const struct curve_point *before, struct curve_point *point)
{
    struct ratio number;
    tt_wide top = (tt_wide)ones(field->mask_bits), low = 0;
    if (field->type == FIELD_SIGNED) {
        top /= 2;
        low = -top - 1;
    }
    if (top > INT64_MAX)
        top = INT64_MAX;
    if (!load_is(load, entry, NODE_LIST, "a pair of \"curve\""))
        return false;
    if (entry->count != 2) {
        if (!entry->open)
            load_say(load, entry, "a pair of \"curve\" has two entries, and here are %u; write [number, value]",
                     entry->count);
        return false;
    }
    bool good = load_ratio(load, entry->first, "the number of a pair", &number);
    good &= load_ratio(load, entry->last, "the value of a pair", &point->value);
    if (!good)
        return false;
    if (number.denominator != 1 || number.numerator < low || number.numerator > top) {
        load_say(load, entry->first,
                 "%.60s can never come as number of this field; give a whole number from %lld to %lld",
                 entry->first->text, (long long)low, (long long)top);
        return false;
    }
    point->number = (int64_t)number.numerator;
    if (before && point->number <= before->number) {
        load_say(load, entry->first, "the numbers of a curve ascend, and %lld does not come after %lld; sort the pairs",
                 (long long)point->number, (long long)before->number);
        return false;
    }
    return true;
}

/* Slopes and values at the points over one denominator. */
static bool join_points(const struct curve_point *points, uint32_t count, struct def_curve_piece *pieces,
                        tt_wide *denominator, tt_wide *largest)
{
    *denominator = 1;
    *largest = 0;
    for (int pass = 0; pass < 2; pass++) { /* the denominator first, then numerators over it */
        for (uint32_t i = 0; i + 1 < count; i++) {
            struct ratio rise, slope, run = {(tt_wide)points[i + 1].number - points[i].number, 1};
            tt_wide high;
            if (!ratio_subtract(points[i + 1].value, points[i].value, &rise) ||
                !ratio_multiply(rise, (struct ratio){1, run.numerator}, &slope))
                return false;
            if (pass == 0) {
                if (!common_multiple(*denominator, slope.denominator, denominator) ||
                    !common_multiple(*denominator, points[i].value.denominator, denominator))
                    return false;
                continue;
            }
            pieces[i].from = points[i].number;
            pieces[i].to = points[i + 1].number;
            if (!over(slope, *denominator, &pieces[i].slope) || !over(points[i].value, *denominator, &pieces[i].base) ||
                __builtin_mul_overflow(magnitude(pieces[i].slope), run.numerator, &high) ||
                __builtin_add_overflow(high, magnitude(pieces[i].base), &high) || high >= LOAD_WIDE_BOUND)
                return false;
            if (high > *largest)
                *largest = high;
        }
    }
    return true;
}

static bool load_curve(struct load *load, const struct node *list, struct def_field *field, tt_wide *denominator,
                       tt_wide *largest)
{
    if (!load_is(load, list, NODE_LIST, "curve"))
        return false;
    if (list->count < 2 || list->count > CURVE_PAIRS_MAX) {
        if (!list->open)
            load_say(load, list, "a curve has 2 to %d pairs, and here %s %u; write [[number, value], [number, value]]",
                     CURVE_PAIRS_MAX, list->count == 1 ? "is" : "are", list->count);
        return false;
    }
    struct curve_point *points = load_scratch(load, list->count, sizeof *points);
    field->curve = load_keep(load, list->count - 1, sizeof *field->curve);
    if (!points || !field->curve)
        return false;
    uint32_t count = 0;
    bool good = true;
    for (const struct node *entry = list->first; entry; entry = entry->next) {
        if (load_point(load, entry, field, count ? &points[count - 1] : NULL, &points[count]))
            count++;
        else
            good = false;
    }
    if (!good)
        return false;
    if (!join_points(points, count, field->curve, denominator, largest)) {
        load_say(load, list, "the values of this curve have too many digits together; use fewer");
        *denominator = 1;
        *largest = 0;
        return false;
    }
    field->curve_count = count - 1;
    return true;
}

bool load_scale(struct load *load, const struct scale_source *source, struct def_field *field, tt_wide *denominator,
                tt_wide *largest)
{
    if (source->curve)
        return load_curve(load, source->curve, field, denominator, largest);
    return scale_line(load, source, field, denominator, largest);
}
