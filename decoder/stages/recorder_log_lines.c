/* What one line of recorder.jsonl says: its keys, strictly, and what follows from them. See recorder_log.h. */
#include "recorder_log_lines.h"

#include <errno.h>
#include <jansson.h>
#include <stdio.h>
#include <string.h>

#include "../../capture/trace_format.h"
#include "../support/text.h"

static const char *const what_texts[] = {
    [NOTED_SOCKET_LOST] = RECORDER_SOCKET_LOSS,
    [NOTED_CONTROLLER_LOST] = RECORDER_CONTROLLER_LOSS,
    [NOTED_LINK_DOWN] = RECORDER_LINK_DOWN,
    [NOTED_LINK_UP] = RECORDER_LINK_UP,
    [NOTED_REMOVED] = RECORDER_REMOVED,
    [NOTED_BUS_OFF] = RECORDER_BUS_OFF,
    [NOTED_RESTARTED] = RECORDER_RESTARTED,
    [NOTED_STATE] = RECORDER_CONTROLLER_STATE,
    [NOTED_NOT_LISTEN_ONLY] = RECORDER_NOT_LISTEN_ONLY,
    [NOTED_LISTEN_ONLY] = RECORDER_LISTEN_ONLY_AGAIN,
    [NOTED_SENT_HERE] = RECORDER_LOCAL_FRAMES,
    [NOTED_TRANSMITTED] = RECORDER_TRANSMITTED,
    [NOTED_CLOCK_STEPPED] = RECORDER_CLOCK_STEPPED,
    [NOTED_CLOCK_LOOSE] = RECORDER_NOT_SYNCHRONISED,
    [NOTED_CLOCK_TIGHT] = RECORDER_SYNCHRONISED,
    [NOTED_DISK_FULL] = RECORDER_DISK_FULL,
    [NOTED_WRITE_FAILED] = RECORDER_WRITE_FAILED,
    [NOTED_SYNC_FAILED] = RECORDER_SYNC_FAILED,
    [NOTED_NO_GOOD_FRAME] = RECORDER_NO_GOOD_FRAME,
    [NOTED_MARKS_CHANGED] = RECORDER_MARKS_CHANGED,
    [NOTED_LATE_CHECKPOINT] = RECORDER_CHECKPOINT_LATE,
    [NOTED_UNKNOWN] = "something this version does not know",
};
_Static_assert(sizeof what_texts / sizeof *what_texts == NOTED_UNKNOWN + 1, "a text for each");

const char *recorder_what_text(enum recorder_what what)
{
    return what_texts[what];
}

/* ---- keys ---- */

static const char *text_of(struct recorder_reading *reading, const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    if (json_is_string(value) && json_string_value(value)[0])
        return json_string_value(value);
    recorder_damage(reading, "has no text \"%s\"", key);
    return NULL;
}

/* A whole number from 0; nullable: null gives *there false. */
static uint64_t number_of(struct recorder_reading *reading, const json_t *object, const char *key, bool *there)
{
    const json_t *value = json_object_get(object, key);
    if (there)
        *there = !json_is_null(value);
    if (there && json_is_null(value))
        return 0;
    if (json_is_integer(value) && json_integer_value(value) >= 0)
        return (uint64_t)json_integer_value(value);
    recorder_damage(reading, "has no number \"%s\"", key);
    if (there)
        *there = false;
    return 0;
}

/* True only for true: null and everything else vouch for nothing. strict: null is damage. */
static bool truth_of(struct recorder_reading *reading, const json_t *object, const char *key, bool strict)
{
    const json_t *value = json_object_get(object, key);
    if (!json_is_boolean(value) && (strict || !json_is_null(value)))
        recorder_damage(reading, "has no yes or no in \"%s\"", key);
    return json_is_true(value);
}

static int64_t time_of(struct recorder_reading *reading, const json_t *object)
{
    int64_t time = 0;
    const char *text = text_of(reading, object, "time");
    if (text && !text_parse_time(text, strlen(text), &time))
        recorder_damage(reading, "has a \"time\" that is none");
    return time;
}

/* Seconds with nine decimals as text; null, or anything else, is -1. */
static int64_t seconds_of(struct recorder_reading *reading, const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    if (json_is_null(value))
        return -1;
    const char *text = json_is_string(value) ? json_string_value(value) : "";
    int64_t whole = 0, part = 0, unit = TT_SECOND;
    size_t at = 0;
    for (; text[at] >= '0' && text[at] <= '9' && at < 9; at++)
        whole = whole * 10 + (text[at] - '0');
    bool good = at > 0;
    if (good && text[at] == '.') {
        good = text[++at] >= '0' && text[at] <= '9';
        for (; text[at] >= '0' && text[at] <= '9' && unit > 1; at++) {
            unit /= 10;
            part += (text[at] - '0') * unit;
        }
    }
    if (good && text[at] == '\0')
        return whole * TT_SECOND + part;
    recorder_damage(reading, "has no number of seconds in \"%s\"", key);
    return -1;
}

static bool sum_of(struct recorder_reading *reading, const json_t *object, const char *key, char out[DIGEST_TEXT])
{
    const char *text = text_of(reading, object, key);
    if (text && strlen(text) == DIGEST_TEXT - 1 && strspn(text, "0123456789abcdef") == DIGEST_TEXT - 1) {
        memcpy(out, text, DIGEST_TEXT);
        return true;
    }
    recorder_damage(reading, "has no SHA-256 in \"%s\"", key);
    out[0] = '\0';
    return false;
}

/* ---- the first line ---- */

/* Names become file names and parts of sentences: no path, no control characters. */
static bool is_name(const char *text, size_t most)
{
    return text && strlen(text) <= most && !strchr(text, '/') && text[0] != '.' && text_is_clean(text, strlen(text));
}

static void start_bus(struct recorder_reading *reading, const json_t *object)
{
    struct recorder_log *log = reading->log;
    struct recorder_bus *bus = &log->buses[log->bus_count];
    const char *name = text_of(reading, object, "bus"), *file = text_of(reading, object, "file");
    const char *link = text_of(reading, object, "link");
    if (!is_name(name, RECORDER_BUS_NAME - 1) || !is_name(file, sizeof bus->file - 1) ||
        recorder_log_bus(log, name) != RECORDER_ALL) {
        recorder_damage(reading, "names a bus or file that cannot be one");
        return;
    }
    (void)snprintf(bus->name, sizeof bus->name, "%s", name);
    (void)snprintf(bus->file, sizeof bus->file, "%s", file);
    bus->is_virtual = !link || strcmp(link, "controller") != 0;
    bus->fd = truth_of(reading, object, "fd", true);
    bus->bitrate = number_of(reading, object, "bitrate", &(bool){false});
    log->is_virtual = log->is_virtual || bus->is_virtual;
    if (!truth_of(reading, object, "listen_only", false))
        log->listen_only = false;
    log->bus_count++;
}

static void start_definitions(struct recorder_reading *reading, const json_t *list)
{
    struct recorder_log *log = reading->log;
    size_t count = json_array_size(list);
    if (!json_is_array(list) || count > RECORDER_DEFINITIONS_MAX) {
        recorder_damage(reading, "has no list of definitions, or one that is too long");
        return;
    }
    struct recorder_definition *all = arena_take(&log->arena, (count + 1) * sizeof *all);
    reading->no_memory = reading->no_memory || !all;
    for (size_t i = 0; all && i < count; i++) {
        const json_t *entry = json_array_get(list, i);
        const char *file = text_of(reading, entry, "file");
        static const char folder[] = "definitions/";
        if (!file || !sum_of(reading, entry, "sha256", all[i].sha256))
            return;
        if (strncmp(file, folder, sizeof folder - 1) == 0)
            file += sizeof folder - 1;
        all[i].file = arena_text(&log->arena, file, strlen(file));
        reading->no_memory = reading->no_memory || !all[i].file;
        if (!all[i].file)
            return;
        log->definition_count++;
    }
    log->definitions = all;
}

static void take_start(struct recorder_reading *reading, const json_t *object)
{
    struct recorder_log *log = reading->log;
    const json_t *buses = json_object_get(object, "buses");
    const char *version = text_of(reading, object, "version");
    if (number_of(reading, object, "format", NULL) != 1)
        recorder_damage(reading, "is of a format that this version does not know");
    (void)snprintf(log->version, sizeof log->version, "%.31s", version ? version : "");
    log->start_time = log->last_time = time_of(reading, object);
    reading->steady = seconds_of(reading, object, "monotonic");
    log->synchronised = truth_of(reading, object, "synchronised", true);
    log->clock_error = seconds_of(reading, object, "clock_error");
    log->stamp_uncertainty = seconds_of(reading, object, "stamp_uncertainty");
    log->filter = truth_of(reading, object, "filter", true);
    const json_t *acknowledging = json_object_get(object, "acknowledging_accepted");
    if (!json_is_boolean(acknowledging))
        recorder_damage(reading, "has no yes or no in \"acknowledging_accepted\"");
    log->acknowledging = !json_is_false(acknowledging);
    log->listen_only = true;
    if (!json_is_array(buses) || json_array_size(buses) == 0 || json_array_size(buses) > FRAME_FILE_MAX)
        recorder_damage(reading, "has no list of buses, or one that is too long");
    for (size_t i = 0; i < json_array_size(buses) && log->bus_count < FRAME_FILE_MAX; i++)
        start_bus(reading, json_array_get(buses, i));
    start_definitions(reading, json_object_get(object, "definitions"));
    log->clock_loose = !log->synchronised;
    log->usable = reading->proving;
}

/* ---- checkpoints and the closing line ---- */

/*
 * A total in a checkpoint that events do not account for: the loss lies between the two checkpoints. The event may still
 * come (the keeper reads counters and writes lines in an order of its own); then it is not counted twice.
 */
static void hold_total(struct recorder_reading *reading, uint32_t index, unsigned which, uint64_t total, int64_t time,
                       uint64_t frames_before, uint64_t frames_now)
{
    struct recorder_bus *bus = &reading->log->buses[index];
    uint64_t known = bus->accounted[which] + bus->owed[which];
    if (total <= known)
        return;
    bus->owed[which] += total - known;
    reading->log->losses++;
    recorder_event_add(reading, &(struct recorder_event){
        .what = which ? NOTED_CONTROLLER_LOST : NOTED_SOCKET_LOST, .bus = index, .time = time,
        .after = frames_before,
        .before = (frames_now > frames_before ? frames_now : frames_before) + 1, .count = total - known,
        .has_count = true});
}

/* What a line says of one bus. */
struct bus_state {
    struct recorder_check check;
    uint64_t socket_lost, controller_lost, sent;
    bool sent_known, listening;
};

static void read_bus(struct recorder_reading *reading, const json_t *object, uint32_t index, struct bus_state *state)
{
    const struct recorder_bus *bus = &reading->log->buses[index];
    const char *name = text_of(reading, object, "bus");
    if (!name || strcmp(name, bus->name) != 0)
        recorder_damage(reading, "does not name the buses of the first line in their order");
    *state = (struct bus_state){.check.number = reading->ended ? UINT64_MAX : reading->number};
    state->check.bytes = number_of(reading, object, "bytes", NULL);
    state->check.frames = number_of(reading, object, "frames", NULL);
    (void)sum_of(reading, object, "sha256", state->check.sha256);
    state->socket_lost = number_of(reading, object, "socket_lost", NULL);
    state->controller_lost = number_of(reading, object, "controller_lost", NULL);
    state->sent = number_of(reading, object, "sent", &state->sent_known);
    state->listening = truth_of(reading, object, "listen_only", false);
    if (state->check.bytes < bus->bytes || state->check.frames < bus->frames)
        recorder_damage(reading, "says that the trace became shorter");
    if (state->socket_lost < bus->socket_lost || state->controller_lost < bus->controller_lost)
        recorder_damage(reading, "counts fewer lost frames than a line before it");
}

static void take_bus(struct recorder_reading *reading, int64_t time, uint32_t index, const struct bus_state *state)
{
    struct recorder_log *log = reading->log;
    struct recorder_bus *bus = &log->buses[index];
    const struct recorder_check *check = &state->check;
    uint64_t before = bus->frames;
    if (!state->listening && !bus->is_virtual) /* a virtual link has neither mode nor counter: not proven anyway */
        recorder_doubt(log, index, before, "the link was not seen to be listen-only");
    if ((!state->sent_known || state->sent > 0) && !bus->is_virtual)
        recorder_doubt(log, index, before,
                       state->sent_known ? "the link transmitted" : "what the link transmitted is not known");
    if (reading->proving) {
        bus->bytes = check->bytes;
        bus->frames = check->frames;
        bus->socket_lost = state->socket_lost;
        bus->controller_lost = state->controller_lost;
        if (!bus->checks)
            bus->checks = tmpfile();
        if (!bus->checks || fwrite(check, sizeof *check, 1, bus->checks) != 1) {
            reading->no_room = true;
            reading->errno_value = errno;
        }
        bus->check_count++;
        recorder_events_close(reading, index, check->frames);
    }
    hold_total(reading, index, 0, state->socket_lost, time, before, check->frames);
    hold_total(reading, index, 1, state->controller_lost, time, before, check->frames);
}

/* A recorder watches each second (D 2.1): where it did not, and did not say so, checkpoints were taken out. */
static void check_pace(struct recorder_reading *reading, const json_t *object)
{
    int64_t steady = seconds_of(reading, object, "monotonic");
    if (steady < reading->steady || steady < 0) /* unset it would hide every silence around it */
        recorder_damage(reading, "has a steady clock that is unset or went back");
    if (steady >= 0 && reading->steady >= 0 && steady - reading->steady > RECORDER_SILENCE && !reading->late_told)
        recorder_fewer(reading, "comes %lld s after the checkpoint before it, and nothing says why",
                       (long long)((steady - reading->steady) / TT_SECOND));
    reading->steady = steady;
    reading->late_told = false;
}

static void take_state(struct recorder_reading *reading, const json_t *object, int64_t time)
{
    struct recorder_log *log = reading->log;
    const json_t *buses = json_object_get(object, "buses"), *marks = json_object_get(object, "marks");
    struct bus_state states[FRAME_FILE_MAX];
    uint32_t count = 0;
    char sum[DIGEST_TEXT];
    check_pace(reading, object);
    if (json_array_size(buses) != log->bus_count)
        recorder_damage(reading, "does not name the buses of the first line in their order");
    /* All of it is read before any of it is taken over: a line that is damaged anywhere vouches for nothing. */
    for (; count < log->bus_count && count < json_array_size(buses); count++)
        read_bus(reading, json_array_get(buses, count), count, &states[count]);
    uint64_t bytes = number_of(reading, marks, "bytes", NULL);
    bool summed = sum_of(reading, marks, "sha256", sum);
    for (uint32_t i = 0; i < count; i++)
        take_bus(reading, time, i, &states[i]);
    if (reading->proving)
        log->last_time = time;
    if (summed && reading->proving && !marks_cover(&reading->cover, time, bytes, sum, RECORDER_LATE))
        reading->no_memory = true;
}

static void take_checkpoint(struct recorder_reading *reading, const json_t *object)
{
    uint64_t number = number_of(reading, object, "number", NULL);
    if (number != reading->number + 1)
        recorder_fewer(reading, "is checkpoint %llu where %llu was due", (unsigned long long)number,
                        (unsigned long long)reading->number + 1);
    reading->number = number;
    if (!truth_of(reading, object, "synchronised", true))
        reading->log->clock_loose = true;
    take_state(reading, object, time_of(reading, object));
    if (reading->proving)
        reading->log->checkpoints++;
}

static void take_end(struct recorder_reading *reading, const json_t *object)
{
    struct recorder_log *log = reading->log;
    const char *why = text_of(reading, object, "why");
    reading->ended = true;
    take_state(reading, object, time_of(reading, object));
    log->why = why ? arena_text(&log->arena, why, strlen(why)) : NULL;
    reading->no_memory = reading->no_memory || (why && !log->why);
}

/* ---- events ---- */

static void count_loss(struct recorder_reading *reading, struct recorder_event *event)
{
    unsigned which = event->what == NOTED_CONTROLLER_LOST;
    reading->log->losses++;
    if (event->bus == RECORDER_ALL || !event->has_count)
        return;
    struct recorder_bus *bus = &reading->log->buses[event->bus];
    uint64_t paid = event->count < bus->owed[which] ? event->count : bus->owed[which];
    bus->owed[which] -= paid;
    bus->accounted[which] += event->count;
}

/* The end of a span that is still open on this bus. */
static void close_span(struct recorder_log *log, uint32_t bus, uint64_t last)
{
    for (uint32_t i = log->span_count; i-- > 0;) {
        struct recorder_span *span = &log->spans[i];
        if (span->kind == RECORDER_SPAN_ACTIVE && span->bus == bus && span->last == UINT64_MAX) {
            span->last = last > span->first ? last : span->first;
            return;
        }
    }
}

static void take_passivity(struct recorder_reading *reading, const struct recorder_event *event)
{
    struct recorder_log *log = reading->log;
    if (event->what == NOTED_LISTEN_ONLY && event->bus == RECORDER_ALL)
        return; /* of no bus: where it holds again nothing says */
    if (event->what == NOTED_LISTEN_ONLY) {
        close_span(log, event->bus, event->before == UINT64_MAX ? event->after : event->before - 1);
        return;
    }
    recorder_doubt(log, event->bus, event->after,
                   event->what == NOTED_NOT_LISTEN_ONLY ? "the link was no longer listen-only"
                   : event->what == NOTED_SENT_HERE     ? "this computer sent frames on the link"
                                                           : "the link transmitted");
    bool state = event->what == NOTED_NOT_LISTEN_ONLY; /* lasts until "listen-only again" */
    recorder_span_add(log, RECORDER_SPAN_ACTIVE, event->bus, event->after + 1, state ? UINT64_MAX : event->before);
}

static void take_event(struct recorder_reading *reading, const json_t *object)
{
    struct recorder_log *log = reading->log;
    struct recorder_event event = {.what = NOTED_UNKNOWN, .bus = RECORDER_ALL, .line = reading->line};
    const json_t *bus = json_object_get(object, "bus"), *detail = json_object_get(object, "detail");
    const char *what = text_of(reading, object, "what");
    event.time = time_of(reading, object);
    for (int i = 0; what && i < NOTED_UNKNOWN; i++)
        if (strcmp(what, what_texts[i]) == 0)
            event.what = (enum recorder_what)i;
    if (json_is_string(bus)) {
        event.bus = recorder_log_bus(log, json_string_value(bus));
        if (event.bus == RECORDER_ALL)
            recorder_damage(reading, "is about a bus that the first line does not know");
    } else if (!json_is_null(bus)) {
        recorder_damage(reading, "has no \"bus\"");
    }
    event.after = number_of(reading, object, "after_frame", NULL);
    event.before = number_of(reading, object, "before_frame", NULL);
    if (event.bus == RECORDER_ALL) { /* frames are counted by bus: here these numbers say nothing */
        event.after = 0;
        event.before = UINT64_MAX;
    }
    event.count = number_of(reading, object, "count", &event.has_count);
    const char *words = json_is_string(detail) ? json_string_value(detail)
                        : event.what == NOTED_UNKNOWN && what ? what : "";
    (void)snprintf(event.detail, sizeof event.detail, "%s", words);
    if (event.bus != RECORDER_ALL && event.before <= event.after)
        recorder_damage(reading, "ends before it begins");
    switch (event.what) {
    case NOTED_SOCKET_LOST:
    case NOTED_CONTROLLER_LOST:
        count_loss(reading, &event);
        break;
    case NOTED_NOT_LISTEN_ONLY:
    case NOTED_LISTEN_ONLY:
    case NOTED_SENT_HERE:
    case NOTED_TRANSMITTED:
        take_passivity(reading, &event);
        break;
    case NOTED_MARKS_CHANGED:
        log->marks_changed = true;
        break;
    case NOTED_CLOCK_LOOSE:
        log->clock_loose = true;
        break;
    case NOTED_CLOCK_STEPPED:
        if (log->step_count++ < RECORDER_STEPS_KEPT)
            log->steps[log->step_count - 1] = event;
        break;
    case NOTED_SYNC_FAILED:
        log->unsynced++;
        break;
    case NOTED_NO_GOOD_FRAME:
        log->no_good_frame = true;
        break;
    case NOTED_LATE_CHECKPOINT:
        reading->late_told = true;
        break;
    default:
        break;
    }
    recorder_event_add(reading, &event);
}

/* ---- a line ---- */

static void check_chain(struct recorder_reading *reading, const json_t *object, const char *previous)
{
    const json_t *value = json_object_get(object, "previous"), *line = json_object_get(object, "line");
    if (!json_is_integer(line) || json_integer_value(line) != (json_int_t)reading->line)
        recorder_damage(reading, "is not numbered %llu: a line is missing or was added",
                        (unsigned long long)reading->line);
    if (reading->line == 1 ? !json_is_null(value)
                           : !json_is_string(value) || strcmp(json_string_value(value), previous) != 0)
        recorder_damage(reading, "does not carry the sum of the line before it: one of the two was changed");
}

void recorder_line(struct recorder_reading *reading, const char *text, size_t length, const char *previous)
{
    json_error_t error;
    json_t *object = json_loadb(text, length, JSON_REJECT_DUPLICATES, &error);
    if (!json_is_object(object)) {
        recorder_damage(reading, "is no JSON object");
        json_decref(object);
        return;
    }
    check_chain(reading, object, previous);
    const char *kind = text_of(reading, object, "kind");
    bool first = reading->line == 1, start = kind && strcmp(kind, "start") == 0;
    if (first != start)
        recorder_damage(reading, first ? "is not the line every recorder begins with" : "begins once more");
    else if (start)
        take_start(reading, object);
    else if (!reading->log->usable)
        ; /* without a first line nothing is known of the buses */
    else if (kind && strcmp(kind, "checkpoint") == 0)
        take_checkpoint(reading, object);
    else if (kind && strcmp(kind, "event") == 0)
        take_event(reading, object);
    else if (kind && strcmp(kind, "end") == 0)
        take_end(reading, object);
    else
        recorder_damage(reading, "is of a kind that this version does not know");
    json_decref(object);
}
