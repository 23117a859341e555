/* See events.h. */
#include "events.h"

bool events_add(struct events *events, const struct event *event)
{
    if (events->count == EVENTS_ROOM)
        return false;
    events->list[events->count] = *event;
    events->list[events->count++].order = events->came++;
    return true;
}

void events_settle(struct events *events, const struct shared *shared)
{
    for (unsigned i = 0; i < events->count; i++) {
        struct event *event = &events->list[i];
        if (!event->emptied)
            continue;
        const struct shared_bus *bus = &shared->bus[event->bus];
        if (atomic_load_explicit(&bus->emptied, memory_order_acquire) < event->emptied)
            continue;
        event->before = atomic_load_explicit(&bus->frames, memory_order_acquire) + 1;
        event->emptied = 0;
    }
}

static bool comes_before(const struct event *a, const struct event *b)
{
    if (a->bus != b->bus)
        return a->bus < b->bus;
    return a->after != b->after ? a->after < b->after : a->order < b->order;
}

static void sort(struct events *events)
{
    for (unsigned i = 1; i < events->count; i++) { /* nearly sorted already */
        struct event moved = events->list[i];
        unsigned at = i;
        for (; at > 0 && comes_before(&moved, &events->list[at - 1]); at--)
            events->list[at] = events->list[at - 1];
        events->list[at] = moved;
    }
}

void events_write(struct events *events, bool forced, void (*write)(void *context, const struct event *event),
                  void *context)
{
    unsigned kept = 0;
    uint32_t blocked = EVENT_NO_BUS - 1;
    sort(events);
    for (unsigned i = 0; i < events->count; i++) {
        struct event *event = &events->list[i];
        if (event->emptied && !forced)
            blocked = event->bus;
        if (event->bus == blocked) {
            events->list[kept++] = *event;
            continue;
        }
        if (event->before <= event->after && event->bus != EVENT_NO_BUS)
            event->before = event->after + 1;
        write(context, event);
    }
    events->count = kept;
}
