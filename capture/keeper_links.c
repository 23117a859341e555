/* The keeper's eye on links: mode, counters, up and down, bus errors. See keeper_state.h. */
#include <stdio.h>

#include "keeper_state.h"
#include "link_watch.h"
#include "trace_format.h"

#define NO_GOOD_FRAME (2 * TT_SECOND) /* D 10.4 */

static void take_mode(struct keeper *keeper, unsigned b, bool listen_only)
{
    struct kept_bus *bus = &keeper->bus[b];
    bus->listen_only = listen_only;
    if (bus->not_listen_only == !listen_only)
        return;
    bus->not_listen_only = !listen_only;
    keeper_note_late(keeper, b, listen_only ? RECORDER_LISTEN_ONLY_AGAIN : RECORDER_NOT_LISTEN_ONLY,
                     bus->frames_at_look, 0, NULL);
}

static void look_at_mode(struct keeper *keeper, unsigned b)
{
    bool listen_only;
    if (keeper->setup->facts[b].is_virtual)
        return;
    keeper->bus[b].listen_only_known = link_read_listen_only(keeper->setup->facts[b].name, &listen_only);
    if (keeper->bus[b].listen_only_known)
        take_mode(keeper, b, listen_only);
}

static void look_at_counters(struct keeper *keeper, unsigned b)
{
    struct kept_bus *bus = &keeper->bus[b];
    struct link_counters now;
    bus->counters_known = link_read_counters(keeper->setup->facts[b].name, &now);
    uint64_t lost = bus->overruns;
    if (bus->counters_known) {
        bus->counters = now;
        /* On a virtual link every frame is sent from this computer. */
        uint64_t sent = now.sent >= bus->base.sent ? now.sent - bus->base.sent : 0;
        if (!keeper->setup->facts[b].is_virtual && sent > bus->sent) {
            keeper_note_late(keeper, b, RECORDER_TRANSMITTED, bus->frames_at_look, sent - bus->sent, NULL);
            bus->sent = sent;
        }
        if (now.lost >= bus->base.lost && now.lost - bus->base.lost > lost)
            lost = now.lost - bus->base.lost;
    }
    if (lost > bus->controller_lost) {
        keeper_note_late(keeper, b, RECORDER_CONTROLLER_LOSS, bus->frames_at_look, lost - bus->controller_lost,
                         "at least");
        bus->controller_lost = lost;
    }
}

void keeper_look_at_link(struct keeper *keeper, unsigned b)
{
    uint64_t frames = keeper_frames(keeper, b); /* before the look: what comes later may be before the next look */
    look_at_mode(keeper, b);
    look_at_counters(keeper, b);
    keeper->bus[b].frames_at_look = frames;
}

static void on_news(void *context, const struct link_message *message)
{
    struct keeper *keeper = context;
    bool up = message->up;
    for (unsigned b = 0; b < keeper->bus_count; b++) {
        struct kept_bus *bus = &keeper->bus[b];
        if (keeper->setup->facts[b].index != message->index || message->removed)
            continue;
        if (message->mode_known)
            take_mode(keeper, b, message->listen_only);
        if (!up && !bus->down) {
            bus->down = true;
            bus->down_after = bus->frames_at_tick;
            keeper_note_late(keeper, b, RECORDER_LINK_DOWN, bus->down_after, 0, NULL);
        } else if (up && bus->down) {
            bus->down = false;
            uint64_t after = bus->frames_at_tick > bus->down_after ? bus->frames_at_tick : bus->down_after;
            keeper_note_late(keeper, b, RECORDER_LINK_UP, after, 0, NULL);
        }
        keeper_look_at_link(keeper, b);
    }
}

void keeper_take_news(struct keeper *keeper)
{
    struct link_facts facts;
    struct link_answer answer;
    if (keeper->news < 0 || link_watch_read(keeper->news, on_news, keeper))
        return;
    for (unsigned b = 0; b < keeper->bus_count; b++)
        if (link_ask(keeper->setup->facts[b].name, &answer) && link_read(keeper->setup->facts[b].name, &facts))
            on_news(keeper, &(struct link_message){.index = facts.index, .up = facts.up});
}

void keeper_look_for_good_frames(struct keeper *keeper, unsigned b, int64_t monotonic)
{
    struct kept_bus *bus = &keeper->bus[b];
    uint64_t errors = bus->follow.errors + bus->counters.errors;
    if (bus->follow.good > bus->good_seen) {
        bus->good_seen = bus->follow.good;
        bus->good_at = monotonic;
        bus->error_since = 0;
        bus->no_good_told = false;
    } else if (errors > bus->errors_seen && !bus->error_since) {
        bus->error_since = monotonic;
    }
    bus->errors_seen = errors;
    if (!bus->error_since || bus->no_good_told || bus->down || monotonic - bus->good_at < NO_GOOD_FRAME ||
        monotonic - bus->error_since < NO_GOOD_FRAME)
        return;
    bus->no_good_told = true;
    struct event event = {.what = RECORDER_NO_GOOD_FRAME, .bus = b, .after = bus->follow.frames,
                          .before = bus->follow.frames + 1};
    (void)snprintf(event.detail, sizeof event.detail,
                   "errors and no good frame for 2 s: wrong bit rate or wiring?");
    keeper_note(keeper, &event);
}
