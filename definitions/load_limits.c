/* Limits of a reading as exact thresholds over its denominator (D 2.7, 7.7); see load.h. */
#include <stdio.h>
#include <string.h>

#include "load.h"

#define WIDE_MAX   ((tt_wide)(((unsigned __int128)1 << 127) - 1))
#define NO_LIMIT   "no limit"
#define STATES_MAX 256 /* each is looked for in all names */

bool load_in_unit(struct load *load, const struct node *node, const char *what, const struct def_reading *reading,
                  struct ratio *written, const char **unit, struct ratio *converted)
{
    const char *word;
    if (!load_quantity(load, node, what, written, &word))
        return false;
    if (unit)
        *unit = word;
    *converted = *written;
    if (!reading || units_convert(*written, word, reading->unit, converted))
        return true;
    if (!word[0])
        load_say(load, node, "%s has no unit, and \"%.200s\" is in %s; write \"%.60s %s\"", what, reading->name,
                 reading->unit, node->text, reading->unit);
    else if (!reading->unit[0])
        load_say(load, node, "%s is in %s, but \"%.200s\" has no unit; leave \"%s\" away or give the field its unit",
                 what, word, reading->name, word);
    else
        load_say(load, node, "%s is in %s, but \"%.200s\" is in %s; use a unit that can be turned into that", what,
                 word, reading->name, reading->unit);
    return false;
}

/* Only numbers at the edge of the grammar (18 digits on both sides) get here. */
static bool too_large(struct load *load, const struct node *node)
{
    load_say(load, node, "\"%.60s\" has too many digits for this reading; use fewer", node->text);
    return false;
}

bool load_scaled(struct load *load, const struct node *node, const struct def_reading *reading, struct ratio converted,
                 struct ratio *scaled)
{
    struct ratio denominator = {reading ? reading->denominator : 1, 1};
    return ratio_multiply(converted, denominator, scaled) || too_large(load, node);
}

/* The guard in the reading's unit. */
static bool load_guard(struct load *load, const struct node *guard, const struct def_reading *reading,
                       struct ratio *written, const char **unit, struct ratio *converted)
{
    *converted = ratio_whole(0);
    if (!guard)
        return true;
    if (!load_in_unit(load, guard, "guard", reading, written, unit, converted))
        return false;
    if (written->numerator >= 0)
        return true;
    load_say(load, guard, "a negative guard would widen the limits; it narrows them");
    return false;
}

/* One end of [low, high]: thresholds with and without guard. */
static bool load_end(struct load *load, const struct node *node, const char *what, const struct def_reading *reading,
                     struct ratio guard, bool is_low, struct def_limits *limits, struct ratio *in_unit)
{
    struct ratio *written = is_low ? &limits->low : &limits->high;
    struct ratio scaled, narrowed;
    *written = ratio_whole(0);
    if (node->kind == NODE_TEXT && strcmp(node->text, NO_LIMIT) == 0) {
        *(is_low ? &limits->low_n : &limits->high_n) = is_low ? -WIDE_MAX - 1 : WIDE_MAX;
        *(is_low ? &limits->safe_low_n : &limits->safe_high_n) = is_low ? -WIDE_MAX - 1 : WIDE_MAX;
        return true;
    }
    const char *unit;
    if (!load_in_unit(load, node, what, reading, written, &unit, in_unit))
        return false;
    if (limits->unit && strcmp(limits->unit, unit) != 0) {
        load_say(load, node, "%s: the low end is in %s and the high end in %s; use one unit", what, limits->unit, unit);
        return false;
    }
    limits->unit = unit;
    *(is_low ? &limits->has_low : &limits->has_high) = true;
    if (!load_scaled(load, node, reading, *in_unit, &scaled))
        return false;
    if (!(is_low ? ratio_add(*in_unit, guard, &narrowed) : ratio_subtract(*in_unit, guard, &narrowed)))
        return too_large(load, node);
    /* The first whole numerator that is not below the low end, the last that is not above the high end: both ends count
     * as inside, and a value between two numerators cannot exist. */
    if (is_low)
        limits->low_n = ratio_ceiling(scaled);
    else
        limits->high_n = ratio_floor(scaled);
    if (!load_scaled(load, node, reading, narrowed, &scaled))
        return false;
    if (is_low)
        limits->safe_low_n = ratio_ceiling(scaled);
    else
        limits->safe_high_n = ratio_floor(scaled);
    return true;
}

bool load_limits(struct load *load, const struct node *node, const char *what, const struct def_reading *reading,
                 const struct node *guard, struct def_limits *limits, struct ratio *guard_written,
                 const char **guard_unit)
{
    *limits = (struct def_limits){0};
    if (reading && reading->kind != READING_NUMBER) {
        load_say(load, load_head(node), "%s needs a number, and \"%.200s\" is none; use \"is\" with its states", what,
                 reading->name);
        return false;
    }
    if (!load_is(load, node, NODE_LIST, what))
        return false;
    if (node->count != 2) {
        if (!node->open)
            load_say(load, node, "%s takes two ends, and here are %u%s; write [low, high]", what, node->count,
                     node->count > 2 ? " (the decimal sign is a point, not a comma)" : "");
        return false;
    }
    struct ratio narrow, low = ratio_whole(0), high = low;
    bool good = load_guard(load, guard, reading, guard_written, guard_unit, &narrow);
    good &= load_end(load, node->first, what, reading, narrow, true, limits, &low);
    good &= load_end(load, node->last, what, reading, narrow, false, limits, &high);
    if (!good)
        return false;
    if (!limits->has_low && !limits->has_high) {
        load_say(load, node, "%s: \"%s\" at both ends is no limit at all; give one", what, NO_LIMIT);
        return false;
    }
    if (!limits->has_low || !limits->has_high)
        return true;
    if (ratio_compare(low, high) > 0) {
        load_say(load, node, "%s: the low end is above the high end; write [low, high]", what);
        return false;
    }
    /* A guard of exactly half leaves one point, which may still be met. */
    struct ratio width, twice;
    if (!reading)
        return true; /* guard and limits may still be in different units */
    if (!ratio_subtract(high, low, &width) || !ratio_multiply(narrow, ratio_whole(2), &twice))
        return too_large(load, node);
    if (ratio_compare(twice, width) > 0) {
        load_say(load, guard, "the guard is wider than half the range, so nothing could be inside; make it smaller");
        return false;
    }
    return true;
}

/* A state that the reading cannot have would silently never be met, so it is a mistake. */
bool load_states(struct load *load, const struct node *node, const char *what, uint32_t reading, const char ***states,
                 uint32_t *count)
{
    static const char *const answers[] = {"yes", "no"};
    if (!load_texts(load, node, what, states, count))
        return false;
    if (reading == DEF_NONE)
        return true;
    const struct def_reading *named = &load->definitions->readings[reading];
    bool flag = named->kind == READING_FLAG, good = true;
    uint32_t known = flag ? 2 : named->name_count;
    if (*count > STATES_MAX) {
        load_say(load, node, "%s has more than %d entries; shorten the list", what, STATES_MAX);
        return false;
    }
    if (known == 0) {
        load_say(load, load_head(node), "%s needs named states, and \"%.200s\" has none; give its field \"names\"",
                 what, named->name);
        return false;
    }
    const struct node *entry = node->first;
    for (uint32_t i = 0; i < *count; i++, entry = entry->next) {
        const char *text = (*states)[i];
        bool found = false, twice = false;
        for (uint32_t j = 0; j < known && !found; j++)
            found = strcmp(flag ? answers[j] : named->names[j].text, text) == 0;
        for (uint32_t j = 0; j < i && !twice; j++)
            twice = strcmp((*states)[j], text) == 0;
        if (twice)
            load_say(load, entry, "\"%.200s\" stands in this list already; take one away", text);
        if (found) {
            good &= !twice;
            continue;
        }
        good = false;
        const char **names = load_scratch(load, known, sizeof *names);
        for (uint32_t j = 0; names && j < known; j++)
            names[j] = flag ? answers[j] : named->names[j].text;
        load_say(load, entry, "\"%.200s\" is no state of \"%.200s\"%s", text, named->name,
                 names ? load_nearest(load, text, names, known) : "");
    }
    return good;
}
