/* See displayed.h. */
#include "displayed.h"

#include <stdlib.h>
#include <string.h>

#include "../support/units.h"

const char *displayed_answer_text(enum displayed_answer answer)
{
    static const char *const texts[] = {"agrees", "differs", "not read", "not comparable", "unknown reading",
                                        "stands nowhere in the record"};
    return texts[answer];
}

/* Half a unit of the last digit as displayed: of "29.8" it is 1/20, of "30" 1/2. False: exact, or no such number. */
static bool half_digit(const char *value, struct ratio *half)
{
    const char *point = strchr(value, '.');
    tt_wide unit = 2;
    *half = ratio_whole(0);
    if (strchr(value, '/') || strchr(value, 'x'))
        return true;
    for (const char *at = point ? point + 1 : ""; *at >= '0' && *at <= '9'; at++)
        unit *= 10; /* at most 18 places (number grammar) */
    return ratio_make(1, unit, half);
}

/* The reading of this name: bare for the main module or when there is only one, or with its module's (D 6.9). */
static uint32_t find_reading(const struct definitions *definitions, const char *name)
{
    for (uint32_t i = 0; i < definitions->reading_count; i++) {
        const struct def_reading *reading = &definitions->readings[i];
        bool bare = definitions->module_count == 1 || reading->module == definitions->main_module;
        if ((bare && strcmp(reading->name, name) == 0) || strcmp(reading->long_name, name) == 0)
            return i;
    }
    return DEF_NONE;
}

/* The reading's value in the unit that was displayed. */
static bool in_unit(const struct displayed *displayed, tt_wide numerator, struct ratio *value)
{
    return ratio_make(numerator, displayed->reading->denominator, value) &&
           units_convert(*value, displayed->reading->unit, displayed->mark->unit, value);
}

static void begin(struct displayed *displayed, const struct definitions *definitions, const struct mark *mark)
{
    struct ratio ignored;
    *displayed = (struct displayed){.mark = mark, .answer = DISPLAYED_UNBOUND};
    displayed->index = find_reading(definitions, mark->name);
    displayed->reading = displayed->index == DEF_NONE ? NULL : &definitions->readings[displayed->index];
    displayed->by_state = !mark->value[0];
    bool states = displayed->reading &&
                  (displayed->reading->kind == READING_NUMBER || displayed->reading->kind == READING_FLAG);
    bool comparable = displayed->by_state ? mark->text[0] != '\0' && states
                                          : !ratio_parse(mark->value, strlen(mark->value), &displayed->said) &&
                                                half_digit(mark->value, &displayed->half) && displayed->reading &&
                                                displayed->reading->kind == READING_NUMBER &&
                                                in_unit(displayed, 0, &ignored);
    displayed->closed = !displayed->reading || !comparable;
}

bool displayed_open(struct displayed_list *list, const struct definitions *definitions, const struct marks *marks)
{
    uint32_t count = 0;
    for (uint32_t i = 0; i < marks->count; i++)
        count += marks->list[i].kind == MARK_DISPLAYED && !marks->list[i].withdrawn_by;
    *list = (struct displayed_list){.list = calloc(count ? count : 1, sizeof *list->list),
                                    .wanted = calloc(definitions->reading_count / 64 + 1, sizeof *list->wanted)};
    if (!list->list || !list->wanted)
        return false;
    for (uint32_t i = 0; i < marks->count; i++) {
        const struct mark *mark = &marks->list[i];
        if (mark->kind != MARK_DISPLAYED || mark->withdrawn_by)
            continue;
        struct displayed *one = &list->list[list->count++];
        begin(one, definitions, mark);
        if (!one->closed)
            list->wanted[one->index / 64] |= UINT64_C(1) << one->index % 64;
    }
    return true;
}

static void hold(struct displayed *displayed, const struct displayed_value *value)
{
    struct ratio converted, distance;
    displayed->count++;
    displayed->last = *value;
    if (displayed->by_state) {
        if (value->state && strcmp(value->state, displayed->mark->text) == 0)
            displayed->agreeing = *value;
        return;
    }
    if (!in_unit(displayed, value->numerator, &converted) || !ratio_subtract(converted, displayed->said, &distance))
        return; /* it overflows: not near */
    if (distance.numerator < 0)
        distance.numerator = -distance.numerator;
    if (!displayed->nearest.there || ratio_compare(distance, displayed->distance) < 0) {
        displayed->nearest = *value;
        displayed->distance = distance;
    }
    if (ratio_compare(distance, displayed->half) <= 0)
        displayed->agreeing = *value;
}

void displayed_push(struct displayed_list *list, const struct definitions *definitions,
                    const struct reading_event *event)
{
    const struct value *read = event->value;
    if (!(list->wanted[read->reading / 64] >> read->reading % 64 & 1))
        return;
    const struct message *message = event->message;
    const struct def_reading *reading = &definitions->readings[read->reading];
    struct displayed_value value = {.there = true, .numerator = read->numerator, .state = read->name,
                                    .time = message->last_time, .bus = message->bus, .epoch = message->last_epoch,
                                    .first_frame = message->first_frame, .last_frame = message->last_frame};
    if (read->state != VALUE_GOOD || (reading->kind == READING_NUMBER && !read->has_number))
        return;
    for (uint32_t i = 0; i < list->count; i++) {
        struct displayed *one = &list->list[i];
        if (one->closed || one->index != read->reading || value.time < one->mark->time - DISPLAYED_WINDOW ||
            value.time > one->mark->time)
            continue;
        /* Where the clock was set in between, what was read before it may be of any age. */
        if (one->last.there && (one->last.epoch != value.epoch || one->last.bus != value.bus)) {
            one->count = 0;
            one->agreeing.there = one->nearest.there = one->last.there = false;
        }
        hold(one, &value);
    }
}

const struct displayed *displayed_mark(struct displayed_list *list, const struct mark *mark,
                                       const struct frame *following)
{
    struct displayed *one = NULL;
    for (uint32_t i = 0; i < list->count && !one; i++)
        one = list->list[i].mark == mark ? &list->list[i] : NULL;
    if (!one)
        return NULL;
    if (!one->reading) {
        one->answer = DISPLAYED_UNKNOWN;
    } else if (one->closed) {
        one->answer = DISPLAYED_NOT_COMPARABLE;
    } else {
        bool stale = one->last.there && following && following->bus == one->last.bus &&
                     following->epoch != one->last.epoch;
        one->answer = !one->last.there || stale ? DISPLAYED_NOT_READ
                      : one->agreeing.there     ? DISPLAYED_AGREES
                                                : DISPLAYED_DIFFERS;
        if (stale)
            one->agreeing.there = one->nearest.there = one->last.there = false;
    }
    one->closed = true;
    return one;
}

void displayed_close(struct displayed_list *list)
{
    free(list->list);
    free(list->wanted);
    *list = (struct displayed_list){0};
}
