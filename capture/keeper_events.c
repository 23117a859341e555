/* What the keeper notes: an event for the record, and a line on stderr at once. See keeper_state.h. */
#include <stdio.h>

#include "keeper_state.h"

uint64_t keeper_frames(const struct keeper *keeper, unsigned bus)
{
    return atomic_load_explicit(&keeper->shared->bus[bus].frames, memory_order_acquire);
}

static const char *bus_name(const struct keeper *keeper, uint32_t bus)
{
    return bus == EVENT_NO_BUS ? NULL : keeper->setup->facts[bus].name;
}

static void write_event(void *context, const struct event *event)
{
    struct keeper *keeper = context;
    if (!lines_event(keeper->setup->log, event, bus_name(keeper, event->bus)))
        keeper->log_failed = true;
}

void keeper_write_events(struct keeper *keeper, bool all)
{
    events_write(&keeper->events, all, write_event, keeper);
}

/* On stderr at once; in the record at the next checkpoint. */
static void tell(struct keeper *keeper, const struct event *event)
{
    uint32_t slot = event->bus == EVENT_NO_BUS ? BUSES_MAX : event->bus;
    struct clocks now;
    clocks_read(&now);
    if (keeper->said[slot] == event->what && now.monotonic - keeper->said_at[slot] < TT_SECOND)
        return;
    keeper->said[slot] = event->what;
    keeper->said_at[slot] = now.monotonic;
    char count[32] = "", place[64] = "";
    if (event->has_count)
        (void)snprintf(count, sizeof count, ", %llu", (unsigned long long)event->count);
    if (event->bus != EVENT_NO_BUS)
        (void)snprintf(place, sizeof place, ", behind frame %llu", (unsigned long long)event->after);
    diagnostics_say(keeper->setup->diagnostics, SEVERITY_WARNING, bus_name(keeper, event->bus), "%s%s%s%s%s",
                    event->what, count, place, event->detail[0] ? ": " : "", event->detail);
}

void keeper_note(struct keeper *keeper, const struct event *event)
{
    struct event noted = *event;
    if (!noted.time) {
        struct clocks now;
        clocks_read(&now);
        noted.time = now.time;
    }
    if (!events_add(&keeper->events, &noted)) {
        keeper_write_events(keeper, true);
        (void)!events_add(&keeper->events, &noted);
    }
    tell(keeper, &noted);
}

void keeper_note_late(struct keeper *keeper, unsigned bus, const char *what, uint64_t after, uint64_t count,
                      const char *detail)
{
    struct event event = {.what = what, .bus = bus, .after = after, .has_count = count != 0, .count = count};
    /* Two more: a look at the socket that had begun before now may end after it. */
    event.emptied = atomic_load_explicit(&keeper->shared->bus[bus].emptied, memory_order_acquire) + 2;
    (void)snprintf(event.detail, sizeof event.detail, "%s", detail ? detail : "");
    keeper_note(keeper, &event);
}
