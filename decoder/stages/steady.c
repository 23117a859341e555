#include "steady.h"

#include "../support/shortage.h"

#include <stdlib.h>
#include <string.h>

void steady_init(struct steady *steady, const struct steady_rule *rule)
{
    memset(steady, 0, sizeof *steady);
    steady->rule = *rule;
}

static struct sample *ring_at(const struct steady *steady, uint32_t index)
{
    uint32_t at = steady->head + index;
    return &steady->ring[at >= steady->room ? at - steady->room : at];
}

static void window_clear(struct steady *steady)
{
    steady->head = steady->count = 0;
    steady->rising_head = steady->rising_count = 0;
    steady->falling_head = steady->falling_count = 0;
}

/* The queues of positions hold slots of the ring; their fronts are the window's smallest and largest. */
static uint32_t queue_at(const uint32_t *queue, uint32_t room, uint32_t head, uint32_t index)
{
    uint32_t at = head + index;
    return queue[at >= room ? at - room : at];
}

static void window_drop_oldest(struct steady *steady)
{
    if (steady->rising_count && steady->rising[steady->rising_head] == steady->head) {
        steady->rising_head = steady->rising_head + 1 == steady->room ? 0 : steady->rising_head + 1;
        steady->rising_count--;
    }
    if (steady->falling_count && steady->falling[steady->falling_head] == steady->head) {
        steady->falling_head = steady->falling_head + 1 == steady->room ? 0 : steady->falling_head + 1;
        steady->falling_count--;
    }
    steady->head = steady->head + 1 == steady->room ? 0 : steady->head + 1;
    steady->count--;
}

static void queues_append(struct steady *steady, uint32_t slot)
{
    tt_wide value = steady->ring[slot].numerator;
    while (steady->rising_count &&
           steady->ring[queue_at(steady->rising, steady->room, steady->rising_head, steady->rising_count - 1)].numerator >=
               value)
        steady->rising_count--;
    while (steady->falling_count &&
           steady->ring[queue_at(steady->falling, steady->room, steady->falling_head, steady->falling_count - 1)].numerator <=
               value)
        steady->falling_count--;
    uint32_t at = steady->rising_head + steady->rising_count++;
    steady->rising[at >= steady->room ? at - steady->room : at] = slot;
    at = steady->falling_head + steady->falling_count++;
    steady->falling[at >= steady->room ? at - steady->room : at] = slot;
}

#define SLOT_SIZE (sizeof(struct sample) + 2 * sizeof(uint32_t))
#define WINDOW_FIRST 16u /* small: a step may have many presses at once */

/* Doubles the window's room; the samples move to its start. */
static bool window_grow(struct steady *steady)
{
    uint32_t room = steady->room ? steady->room * 2 : WINDOW_FIRST;
    if (room > STEADY_WINDOW_MAX)
        return false;
    size_t more = (room - steady->room) * SLOT_SIZE;
    if (steady->budget && steady->room && steady->budget->used + more > STEADY_TOGETHER_MAX)
        return false;
    struct sample *ring = malloc(room * sizeof *ring);
    uint32_t *rising = malloc(room * sizeof *rising), *falling = malloc(room * sizeof *falling);
    if (!ring || !rising || !falling) {
        free(ring);
        free(rising);
        free(falling);
        steady->out_of_memory = true;
        shortage_note();
        return false;
    }
    uint32_t count = steady->count;
    for (uint32_t i = 0; i < count; i++)
        ring[i] = *ring_at(steady, i);
    if (steady->budget)
        steady->budget->used += more;
    free(steady->ring);
    free(steady->rising);
    free(steady->falling);
    steady->ring = ring;
    steady->rising = rising;
    steady->falling = falling;
    steady->room = room;
    window_clear(steady);
    steady->count = count;
    for (uint32_t i = 0; i < count; i++)
        queues_append(steady, i);
    return true;
}

static void window_append(struct steady *steady, const struct sample *sample)
{
    if (steady->count == steady->room && !window_grow(steady)) {
        steady->short_of = true;
        if (!steady->room)
            return; /* not even the first window could be had: out_of_memory tells */
        window_drop_oldest(steady);
    }
    uint32_t slot = steady->head + steady->count;
    slot = slot >= steady->room ? slot - steady->room : slot;
    steady->ring[slot] = *sample;
    steady->count++;
    queues_append(steady, slot);
}

/* Would the sample fit behind what the window holds now? Only asked with at least one sample in it. */
static bool window_takes(const struct steady *steady, const struct sample *sample)
{
    if (steady->rule.states)
        return strcmp(ring_at(steady, 0)->state, sample->state) == 0;
    tt_wide smallest = steady->ring[steady->rising[steady->rising_head]].numerator;
    tt_wide largest = steady->ring[steady->falling[steady->falling_head]].numerator;
    if (sample->numerator < smallest)
        smallest = sample->numerator;
    if (sample->numerator > largest)
        largest = sample->numerator;
    return largest - smallest <= steady->rule.within;
}

static bool open_takes(const struct steady *steady, const struct sample *sample)
{
    if (steady->rule.each || sample->elapsed - steady->last_elapsed > steady->rule.gap)
        return false;
    if (steady->rule.states)
        return strcmp(steady->open.state, sample->state) == 0;
    tt_wide smallest = sample->numerator < steady->open.lowest ? sample->numerator : steady->open.lowest;
    tt_wide largest = sample->numerator > steady->open.highest ? sample->numerator : steady->open.highest;
    return largest - smallest <= steady->rule.within;
}

/* The window's samples become the open, counting stretch. */
static void begin_counting(struct steady *steady)
{
    const struct sample *first = ring_at(steady, 0), *last = ring_at(steady, steady->count - 1);
    memset(&steady->open, 0, sizeof steady->open);
    steady->open.lowest = steady->ring[steady->rising[steady->rising_head]].numerator;
    steady->open.highest = steady->ring[steady->falling[steady->falling_head]].numerator;
    steady->open.state = steady->rule.states ? first->state : NULL;
    steady->open.samples = steady->count;
    steady->open.bus = last->bus;
    steady->open.first_time = first->time;
    steady->open.last_time = last->time;
    steady->open.first_frame = first->first_frame;
    steady->open.last_frame = last->last_frame;
    steady->open_elapsed = first->elapsed;
    steady->counting = true;
}

unsigned steady_push(struct steady *steady, const struct sample *sample, struct stretch *ended)
{
    unsigned said = 0;
    if (steady->rule.states && !sample->state) { /* an unnamed state ends a run (D 7.6) */
        if (steady_break(steady, ended))
            said |= STEADY_ENDED;
        return said;
    }
    if (steady->counting) {
        if (open_takes(steady, sample)) {
            if (sample->numerator < steady->open.lowest)
                steady->open.lowest = sample->numerator;
            if (sample->numerator > steady->open.highest)
                steady->open.highest = sample->numerator;
            steady->open.samples++;
            steady->open.last_time = sample->time;
            steady->open.last_frame = sample->last_frame;
            steady->last_elapsed = sample->elapsed;
            return STEADY_JOINED;
        }
        *ended = steady->open;
        said |= STEADY_ENDED;
        steady->counting = false;
        window_clear(steady);
    } else if (steady->count && sample->elapsed - steady->last_elapsed > steady->rule.gap) {
        window_clear(steady);
    }
    while (steady->count && !window_takes(steady, sample))
        window_drop_oldest(steady);
    window_append(steady, sample);
    steady->last_elapsed = sample->elapsed;
    steady->has_last = true;
    if (steady->count &&
        (steady->rule.each || (steady->count >= STEADY_SAMPLES_MIN &&
                               sample->elapsed - ring_at(steady, 0)->elapsed >= steady->rule.span))) {
        begin_counting(steady);
        said |= STEADY_COUNTED;
    }
    return said;
}

bool steady_break(struct steady *steady, struct stretch *ended)
{
    bool counted = steady->counting;
    if (counted)
        *ended = steady->open;
    steady->counting = false;
    window_clear(steady);
    return counted;
}

uint32_t steady_window(const struct steady *steady)
{
    return steady->count;
}

const struct sample *steady_window_at(const struct steady *steady, uint32_t index)
{
    return ring_at(steady, index);
}

bool steady_copy(struct steady *to, const struct steady *from)
{
    steady_init(to, &from->rule);
    to->budget = from->budget;
    to->counting = from->counting;
    to->open = from->open;
    to->open_elapsed = from->open_elapsed;
    to->last_elapsed = from->last_elapsed;
    to->has_last = from->has_last;
    to->out_of_memory = from->out_of_memory;
    to->short_of = from->short_of;
    if (from->counting)
        return true; /* a counting stretch needs no window any more */
    for (uint32_t i = 0; i < from->count; i++)
        window_append(to, ring_at(from, i));
    return !to->out_of_memory || from->out_of_memory;
}

void steady_free(struct steady *steady)
{
    if (steady->budget)
        steady->budget->used -= steady->room * SLOT_SIZE;
    free(steady->ring);
    free(steady->rising);
    free(steady->falling);
    memset(steady, 0, sizeof *steady);
}
