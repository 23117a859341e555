/* What the recorder noted (recorder_log.h), told at its place between the frames of its bus, and its checkpoints held
 * against the trace in the same pass (D 5, 7.6, 7.13, 8.5). See pipeline_parts.h. */
#include "pipeline_parts.h"

#include <string.h>

static struct recorder_log *log_of(const struct bus *bus)
{
    return bus->pipeline->options.recorder;
}

static void schedule(struct bus *bus)
{
    struct bus_log *log = &bus->log;
    uint64_t next = bus->frame.frame.number + 1;
    bus->noted_at = log->has_next ? log->next.after + 1 : UINT64_MAX;
    if (next <= log->lost_until || next <= log->stepped_until)
        bus->noted_at = next; /* a window is open: every pair in it is looked at */
}

/* ---- checkpoints ---- */

static void take_check(struct bus *bus)
{
    bus->log.has_check = recorder_log_check(log_of(bus), bus->log.index, &bus->log.check);
}

/* The sum over the first bytes of the trace; returns where the next one is wanted. */
static uint64_t compare(void *context, const char sha256[DIGEST_TEXT])
{
    struct bus *bus = context;
    struct bus_log *log = &bus->log;
    uint64_t bytes = log->check.bytes;
    while (log->has_check && log->check.bytes == bytes) {
        if (strcmp(log->check.sha256, sha256) != 0) {
            recorder_log_differs(log_of(bus), log->index, &log->check);
            log->has_check = false;
            return UINT64_MAX;
        }
        recorder_log_agrees(log_of(bus), log->index, &log->check);
        take_check(bus);
    }
    return log->has_check ? log->check.bytes : UINT64_MAX;
}

static void begin_checks(struct bus *bus)
{
    struct trace_reader *reader = &bus->pipeline->merge.sources[bus->index].reader;
    if (!bus->pipeline->options.hashing)
        return;
    do
        take_check(bus);
    while (bus->log.has_check && bus->log.check.bytes == 0); /* of nothing, nothing can differ */
    if (!bus->log.has_check)
        return;
    reader->check = compare;
    reader->check_context = bus;
    reader->check_at = bus->log.check.bytes;
}

/* ---- events ---- */

void pipeline_noted_begin(struct pipeline *pipeline)
{
    struct recorder_log *log = pipeline->options.recorder;
    uint32_t bus_of[FRAME_FILE_MAX];
    memset(bus_of, 0xFF, sizeof bus_of);
    for (uint32_t i = 0; i < pipeline->bus_count; i++) {
        struct bus *bus = &pipeline->buses[i];
        bus->log.index = recorder_log_bus(log, pipeline_bus_name(pipeline, i));
        if (bus->log.index == RECORDER_ALL)
            continue;
        bus_of[bus->log.index] = i;
        recorder_log_rewind(log, bus->log.index);
        bus->log.has_next = recorder_log_event(log, bus->log.index, &bus->log.next);
        begin_checks(bus);
        schedule(bus);
    }
    for (uint32_t i = 0; i < log->span_count && pipeline->step; i++) {
        const struct recorder_span *span = &log->spans[i];
        step_push_span(pipeline->step,
                       &(struct gap){.kind = span->kind == RECORDER_SPAN_ACTIVE ? GAP_ACTIVE : GAP_UNWATCHED,
                                     .bus = span->bus == RECORDER_ALL ? GAP_EVERY_BUS : bus_of[span->bus],
                                     .frame = span->first, .last_frame = span->last});
    }
}

/* What an event of the link means for the evidence; false when it means nothing. */
static bool gap_kind_of(enum recorder_what what, enum gap_kind *kind)
{
    switch (what) {
    case NOTED_SOCKET_LOST:
    case NOTED_CONTROLLER_LOST:
        *kind = GAP_LOST;
        return true;
    case NOTED_LINK_DOWN:
    case NOTED_LINK_UP:
    case NOTED_REMOVED:
    case NOTED_BUS_OFF:
    case NOTED_RESTARTED:
    case NOTED_DISK_FULL:
    case NOTED_WRITE_FAILED:
        *kind = GAP_LINK;
        return true;
    case NOTED_CLOCK_STEPPED:
        *kind = GAP_STEPPED;
        return true;
    default: /* transmissions are spans; the rest is told and touches no evidence */
        return false;
    }
}

static void deliver(struct bus *bus, const struct recorder_event *event)
{
    struct pipeline *pipeline = bus->pipeline;
    struct frame place = bus->frame.frame;
    enum gap_kind kind;
    if (place.number == 0) /* nothing came yet: it has the recorder's time */
        place.time = event->time;
    /* What concerns all buses is told once. */
    if (pipeline->listener.recorded && (event->bus != RECORDER_ALL || bus->index == 0))
        pipeline->listener.recorded(pipeline->listener.context, event, &place);
    if (!gap_kind_of(event->what, &kind))
        return;
    if (kind == GAP_STEPPED && event->before > bus->log.stepped_until)
        bus->log.stepped_until = event->before;
    if (kind != GAP_STEPPED && event->before > bus->log.lost_until)
        bus->log.lost_until = event->before;
    if (kind != GAP_STEPPED)
        reading_forget(&pipeline->reading, DEF_NONE); /* what was defined on the bus meanwhile is not known */
    if (!pipeline->step)
        return;
    step_push_loss(pipeline->step,
                   &(struct gap){.kind = kind, .bus = bus->index, .between = true, .frame = event->after,
                                 .last_frame = event->before,
                                 .count = kind == GAP_LOST && event->has_count ? event->count : 0, .time = place.time},
                   &place, false);
}

void pipeline_noted_before(struct bus *bus)
{
    struct bus_log *log = &bus->log;
    const struct frame *last = &bus->frame.frame;
    uint64_t next = last->number + 1;
    while (log->has_next && log->next.after < next) {
        const struct recorder_event event = log->next;
        log->has_next = recorder_log_event(log_of(bus), log->index, &log->next);
        deliver(bus, &event);
    }
    if (next <= log->stepped_until)
        frame_clock_stepped(&bus->frame);
    if (next <= log->lost_until && bus->pipeline->step)
        step_push_loss(bus->pipeline->step,
                       &(struct gap){.kind = GAP_LOST, .bus = bus->index, .between = true, .frame = last->number,
                                     .last_frame = next, .time = last->time}, last, true);
    schedule(bus);
    if (bus->noted_at == next) /* looked at: the pair behind this frame is the next */
        bus->noted_at++;
}

int pipeline_noted_whole(const struct pipeline *pipeline)
{
    const struct recorder_log *log = pipeline->options.recorder;
    if (!log || !log->unread)
        return 0;
    diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, NULL,
                    "what the recorder noted could not be read again from a temporary file; check the disk that holds "
                    "/tmp and run again");
    return EXIT_WRITE_FAILED;
}

void pipeline_noted_end(struct bus *bus)
{
    struct bus_log *log = &bus->log;
    if (log->index == RECORDER_ALL)
        return;
    while (log->has_next) {
        const struct recorder_event event = log->next;
        log->has_next = recorder_log_event(log_of(bus), log->index, &log->next);
        deliver(bus, &event);
    }
    if (log->has_check) /* the trace is shorter than it was */
        recorder_log_differs(log_of(bus), log->index, &log->check);
    recorder_log_trace_ended(log_of(bus), log->index, bus->frame.frame.number);
}
