/* See lines.h. */
#include "lines.h"

#include <stdio.h>

#include "../decoder/support/text.h"
#include "trace_format.h"

static void put_clocks(struct sink *line, const struct clocks *now)
{
    log_time(line, "time", now->time);
    log_seconds(line, "monotonic", now->monotonic);
    log_seconds(line, "boottime", now->boottime);
}

static void put_synchronised(struct sink *line, const struct clocks *now)
{
    log_bool(line, "synchronised", now->synchronised);
    if (now->error < 0)
        log_null(line, "clock_error");
    else
        log_seconds(line, "clock_error", now->error);
}

/* thousandths as "0.875" or "2.200" */
static void put_thousandths(struct sink *line, const char *key, uint32_t thousandths)
{
    char text[24];
    (void)snprintf(text, sizeof text, "%u.%03u", thousandths / 1000, thousandths % 1000);
    log_text(line, key, text);
}

static void put_start_bus(struct sink *line, const struct start_bus *bus)
{
    const struct link_facts *facts = bus->facts;
    log_open_list(line, NULL, '{');
    log_text(line, "bus", facts->name);
    log_text(line, "file", bus->file);
    log_text(line, "link", facts->is_virtual ? RECORDER_LINK_VIRTUAL : RECORDER_LINK_CONTROLLER);
    log_bool(line, "listen_only", facts->listen_only);
    log_text(line, "state", facts->state);
    if (facts->bitrate)
        log_unsigned(line, "bitrate", facts->bitrate);
    else
        log_null(line, "bitrate");
    if (facts->bitrate)
        put_thousandths(line, "sample_point", facts->sample_point);
    else
        log_null(line, "sample_point");
    log_bool(line, "fd", facts->fd);
    if (facts->has_restart)
        log_unsigned(line, "restart_ms", facts->restart_ms);
    else
        log_null(line, "restart_ms");
    log_unsigned(line, "receive_buffer", bus->buffer);
    if (bus->bears)
        put_thousandths(line, "bears_stall", bus->bears);
    else
        log_null(line, "bears_stall");
    log_close_list(line, '}');
}

bool lines_start(struct log *log, const struct clocks *now, bool filter, bool acknowledging_accepted,
                 const struct start_bus *buses, unsigned bus_count, const struct definitions *definitions)
{
    struct sink *line = log_begin(log, RECORDER_KIND_START);
    log_unsigned(line, "format", RECORDER_FORMAT);
    log_text(line, "version", TT_VERSION);
    put_clocks(line, now);
    put_synchronised(line, now);
    log_text(line, "stamp_uncertainty", RECORDER_STAMP_UNCERTAINTY);
    log_bool(line, "filter", filter);
    log_bool(line, "acknowledging_accepted", acknowledging_accepted);
    log_open_list(line, "buses", '[');
    for (unsigned i = 0; i < bus_count; i++)
        put_start_bus(line, &buses[i]);
    log_close_list(line, ']');
    log_open_list(line, "definitions", '[');
    for (uint32_t i = 0; i < definitions->file_count; i++) {
        char path[512];
        (void)snprintf(path, sizeof path, RECORDER_DEFINITIONS_NAME "/%s", definitions->files[i].name);
        log_open_list(line, NULL, '{');
        log_text(line, "file", path);
        log_text(line, "sha256", definitions->files[i].sha256);
        log_close_list(line, '}');
    }
    log_close_list(line, ']');
    return log_finish(log);
}

bool lines_event(struct log *log, const struct event *event, const char *bus)
{
    struct sink *line = log_begin(log, RECORDER_KIND_EVENT);
    log_time(line, "time", event->time);
    log_text(line, "bus", bus);
    log_text(line, "what", event->what);
    log_unsigned(line, "after_frame", event->after);
    log_unsigned(line, "before_frame", event->before);
    if (event->has_count)
        log_unsigned(line, "count", event->count);
    else
        log_null(line, "count");
    log_text(line, "detail", event->detail[0] ? event->detail : NULL);
    return log_finish(log);
}

static void put_buses(struct sink *line, const struct checkpoint_bus *buses, unsigned bus_count)
{
    log_open_list(line, "buses", '[');
    for (unsigned i = 0; i < bus_count; i++) {
        const struct checkpoint_bus *bus = &buses[i];
        log_open_list(line, NULL, '{');
        log_text(line, "bus", bus->name);
        log_unsigned(line, "bytes", bus->bytes);
        log_unsigned(line, "frames", bus->frames);
        log_text(line, "sha256", bus->sha256);
        log_unsigned(line, "socket_lost", bus->socket_lost);
        log_unsigned(line, "controller_lost", bus->controller_lost);
        if (bus->listen_only_known)
            log_bool(line, "listen_only", bus->listen_only);
        else
            log_null(line, "listen_only");
        if (bus->sent_known)
            log_unsigned(line, "sent", bus->sent);
        else
            log_null(line, "sent");
        log_close_list(line, '}');
    }
    log_close_list(line, ']');
}

static void put_marks(struct sink *line, const struct marks_follow *marks)
{
    log_open_list(line, "marks", '{');
    log_unsigned(line, "bytes", marks->bytes);
    log_text(line, "sha256", marks->sha256);
    log_close_list(line, '}');
}

bool lines_checkpoint(struct log *log, uint64_t number, const struct clocks *now,
                      const struct checkpoint_bus *buses, unsigned bus_count, const struct marks_follow *marks)
{
    struct sink *line = log_begin(log, RECORDER_KIND_CHECKPOINT);
    log_unsigned(line, "number", number);
    put_clocks(line, now);
    put_synchronised(line, now);
    put_buses(line, buses, bus_count);
    put_marks(line, marks);
    return log_finish(log);
}

bool lines_end(struct log *log, const char *why, const struct clocks *now, const struct checkpoint_bus *buses,
               unsigned bus_count, const struct marks_follow *marks)
{
    struct sink *line = log_begin(log, RECORDER_KIND_END);
    log_text(line, "why", why);
    put_clocks(line, now);
    put_buses(line, buses, bus_count);
    put_marks(line, marks);
    return log_finish(log);
}
