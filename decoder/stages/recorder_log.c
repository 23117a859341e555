/* Reading recorder.jsonl: lines, numbering, chain. What a line says: recorder_log_lines.c. See recorder_log.h. */
#define _POSIX_C_SOURCE 200809L
#include "recorder_log_lines.h"

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define READ_ROOM (64u * 1024u)

static void note_damage(struct recorder_reading *reading, enum recorder_damage kind, const char *format,
                        va_list arguments)
{
    struct recorder_log *log = reading->log;
    char what[200];
    if (!reading->proving)
        return;
    reading->proving = false;
    log->damage_kind = kind;
    log->proven = reading->line - 1;
    (void)vsnprintf(what, sizeof what, format, arguments);
    (void)snprintf(log->damage, sizeof log->damage, "line %llu %s", (unsigned long long)reading->line, what);
    recorder_doubt(log, RECORDER_ALL, 0, NULL);
}

void recorder_damage(struct recorder_reading *reading, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    note_damage(reading, RECORDER_BROKEN, format, arguments);
    va_end(arguments);
}

void recorder_fewer(struct recorder_reading *reading, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    note_damage(reading, RECORDER_FEWER, format, arguments);
    va_end(arguments);
}

void recorder_doubt(struct recorder_log *log, uint32_t bus, uint64_t frames, const char *why)
{
    if (why && !log->doubt)
        log->doubt = why;
    for (uint32_t i = 0; i < log->bus_count; i++) {
        uint64_t until = bus == RECORDER_ALL ? log->buses[i].frames : frames;
        if ((bus == RECORDER_ALL || bus == i) && until < log->passive_until[i])
            log->passive_until[i] = until;
    }
}

void recorder_span_add(struct recorder_log *log, enum recorder_span_kind kind, uint32_t bus, uint64_t first,
                       uint64_t last)
{
    if (last < first) /* an end that a damaged line, or one of no bus, does not say */
        last = UINT64_MAX;
    if (log->span_count == RECORDER_SPANS_MAX) { /* more than anybody reads: the last ones become one */
        struct recorder_span *end = &log->spans[RECORDER_SPANS_MAX - 1];
        end->bus = RECORDER_ALL;
        end->first = first < end->first ? first : end->first;
        end->last = UINT64_MAX;
        return;
    }
    log->spans[log->span_count++] = (struct recorder_span){kind, bus, first, last};
}

/* ---- what waits in temporary files ---- */

static bool keep(struct recorder_reading *reading, FILE **file, const void *entry, size_t size)
{
    if (!*file)
        *file = tmpfile();
    if (*file && fwrite(entry, size, 1, *file) == 1)
        return true;
    reading->no_room = true;
    reading->errno_value = errno;
    return false;
}

static void event_keep(struct recorder_reading *reading, uint32_t index, const struct recorder_event *event)
{
    struct recorder_bus *bus = &reading->log->buses[index];
    struct recorder_event kept = *event;
    if (kept.after < bus->last_after)
        kept.after = bus->last_after; /* events are looked up in the order of frames */
    bus->last_after = kept.after;
    if (kept.before <= kept.after)
        kept.before = kept.after + 1;
    if (keep(reading, &bus->events, &kept, sizeof kept))
        bus->event_count++;
    if (kept.before != UINT64_MAX && bus->open_events == bus->event_count - 1)
        bus->open_events = bus->event_count;
}

void recorder_event_add(struct recorder_reading *reading, const struct recorder_event *event)
{
    struct recorder_log *log = reading->log;
    log->counted_events++;
    if (event->bus != RECORDER_ALL) {
        event_keep(reading, event->bus, event);
        return;
    }
    for (uint32_t i = 0; i < log->bus_count; i++) {
        struct recorder_event here = *event;
        here.after = log->buses[i].frames; /* somewhere between two checkpoints */
        here.before = UINT64_MAX;
        event_keep(reading, i, &here);
    }
}

void recorder_events_close(struct recorder_reading *reading, uint32_t index, uint64_t frames)
{
    struct recorder_bus *bus = &reading->log->buses[index];
    struct recorder_event event;
    if (bus->open_events == bus->event_count || reading->no_room)
        return;
    for (uint64_t i = bus->open_events; i < bus->event_count; i++) {
        long at = (long)(i * sizeof event);
        bool good = fseek(bus->events, at, SEEK_SET) == 0 && fread(&event, sizeof event, 1, bus->events) == 1;
        if (good && event.before == UINT64_MAX) {
            event.before = frames >= event.after ? frames + 1 : event.after + 1;
            good = fseek(bus->events, at, SEEK_SET) == 0 && fwrite(&event, sizeof event, 1, bus->events) == 1;
        }
        if (!good) {
            reading->no_room = true;
            reading->errno_value = errno;
            return;
        }
    }
    bus->open_events = bus->event_count;
    (void)fseek(bus->events, 0, SEEK_END);
}

void recorder_log_rewind(struct recorder_log *log, uint32_t bus)
{
    struct recorder_bus *of = &log->buses[bus];
    if ((of->checks && fseek(of->checks, 0, SEEK_SET) != 0) || (of->events && fseek(of->events, 0, SEEK_SET) != 0))
        log->unread = true;
    of->checks_taken = of->events_taken = 0;
}

/* The next of `count` entries kept in a temporary file. One that cannot be read again is not the end of them. */
static bool take(struct recorder_log *log, FILE *file, void *entry, size_t size, uint64_t *taken, uint64_t count)
{
    if (!file || *taken == count)
        return false;
    ++*taken;
    if (fread(entry, size, 1, file) == 1)
        return true;
    log->unread = true;
    return false;
}

bool recorder_log_event(struct recorder_log *log, uint32_t bus, struct recorder_event *event)
{
    struct recorder_bus *of = &log->buses[bus];
    return take(log, of->events, event, sizeof *event, &of->events_taken, of->event_count);
}

bool recorder_log_check(struct recorder_log *log, uint32_t bus, struct recorder_check *check)
{
    struct recorder_bus *of = &log->buses[bus];
    return take(log, of->checks, check, sizeof *check, &of->checks_taken, of->check_count);
}

uint32_t recorder_log_bus(const struct recorder_log *log, const char *name)
{
    for (uint32_t i = 0; i < log->bus_count; i++)
        if (strcmp(log->buses[i].name, name) == 0)
            return i;
    return RECORDER_ALL;
}

/* ---- lines ---- */

/* The lines of a file, each read whole; one at a time in memory. */
struct lines {
    int fd;
    char *room;       /* owned */
    size_t size, begin, end;
    uint64_t total;
    bool at_end, failed, too_long, no_memory;
};

/* The next line without its newline, valid until the next call; *whole false: the file ends inside it. */
static bool next_line(struct lines *lines, const char **text, size_t *length, bool *whole)
{
    size_t looked = 0;
    for (;;) {
        size_t left = lines->end - lines->begin;
        const char *stop = left > looked ? memchr(lines->room + lines->begin + looked, '\n', left - looked) : NULL;
        if (stop || (lines->at_end && left > 0)) {
            *text = lines->room + lines->begin;
            *length = stop ? (size_t)(stop - *text) : left;
            *whole = stop != NULL;
            lines->begin += *length + (stop ? 1 : 0);
            return true;
        }
        if (lines->at_end || lines->failed)
            return false;
        looked = left;
        if (lines->begin > 0 && left > 0)
            memmove(lines->room, lines->room + lines->begin, left);
        lines->begin = 0;
        lines->end = left;
        if (left > RECORDER_LINE_MAX || lines->total > RECORDER_FILE_MAX) {
            lines->too_long = lines->failed = true;
            return false;
        }
        if (lines->size - left < READ_ROOM) {
            char *grown = realloc(lines->room, left + 2 * READ_ROOM);
            if (!grown) {
                lines->no_memory = lines->failed = true;
                return false;
            }
            lines->room = grown;
            lines->size = left + 2 * READ_ROOM;
        }
        ssize_t got = pread(lines->fd, lines->room + left, READ_ROOM, (off_t)lines->total);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            lines->failed = true;
        lines->at_end = got == 0;
        lines->end += got > 0 ? (size_t)got : 0;
        lines->total += got > 0 ? (uint64_t)got : 0;
    }
}

/* Reads every line; an exit code. */
static int read_lines(struct recorder_reading *reading, struct lines *lines)
{
    struct recorder_log *log = reading->log;
    char previous[DIGEST_TEXT] = "";
    const char *text;
    size_t length;
    bool whole;
    while (!reading->no_memory && !reading->no_room && next_line(lines, &text, &length, &whole)) {
        reading->line = log->lines + 1;
        if (!whole) {
            log->torn = true;
            break;
        }
        log->lines++;
        if (reading->ended)
            recorder_damage(reading, "stands behind the closing line");
        recorder_line(reading, text, length, previous);
        if (!digest_of(text, length, previous))
            reading->no_memory = true;
    }
    if (reading->no_memory || lines->no_memory)
        return diagnostics_no_memory(reading->diagnostics, reading->shown);
    if (reading->no_room) {
        diagnostics_say(reading->diagnostics, SEVERITY_ERROR, reading->shown,
                        "could not be kept in a temporary file (%s); make room in /tmp and run again",
                        strerror(reading->errno_value));
        return EXIT_WRITE_FAILED;
    }
    if (lines->too_long) {
        diagnostics_say(reading->diagnostics, SEVERITY_ERROR, reading->shown,
                        "is larger than the log of any recording, or has a line of over 1 MiB; check where it came "
                        "from");
        return EXIT_BAD_INPUT;
    }
    if (lines->failed) {
        diagnostics_say(reading->diagnostics, SEVERITY_ERROR, reading->shown,
                        "cannot be read (%s); check the disk and run again on a copy", strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    return 0;
}

/* What the end of the log means: without a closing line the last checkpoint is where knowledge ends. */
static void conclude(struct recorder_reading *reading)
{
    struct recorder_log *log = reading->log;
    if (reading->proving)
        log->proven = log->lines;
    if (!log->usable)
        return;
    bool closed = log->why && reading->proving;
    if (!closed)
        recorder_doubt(log, RECORDER_ALL, 0, NULL);
    for (uint32_t i = 0; i < log->bus_count && !closed; i++)
        recorder_span_add(log, RECORDER_SPAN_UNWATCHED, i, log->buses[i].frames + 1, UINT64_MAX);
    for (uint32_t i = 0; i < log->bus_count; i++) {
        struct recorder_bus *bus = &log->buses[i];
        if ((bus->events && fflush(bus->events) != 0) || (bus->checks && fflush(bus->checks) != 0)) {
            reading->no_room = true;
            reading->errno_value = errno;
        }
        recorder_log_rewind(log, i);
    }
    if (log->unread) {
        reading->no_room = true;
        reading->errno_value = errno;
    }
}

int recorder_log_load(struct recorder_log *log, int fd, const char *shown, struct marks *marks,
                      struct diagnostics *diagnostics)
{
    struct recorder_reading reading = {.log = log, .diagnostics = diagnostics, .shown = shown, .proving = true,
                                       .steady = -1};
    struct lines lines = {.fd = fd};
    memset(log, 0, sizeof *log);
    log->stamp_uncertainty = log->clock_error = -1;
    memset(log->passive_until, 0xFF, sizeof log->passive_until);
    arena_init(&log->arena, 4u << 20);
    if (!marks_cover_begin(&reading.cover, marks))
        return diagnostics_no_memory(diagnostics, shown);
    int code = read_lines(&reading, &lines);
    if (!code)
        conclude(&reading);
    marks_cover_end(&reading.cover);
    log->marks_changed = log->marks_changed || reading.cover.changed;
    free(lines.room);
    if (!code && reading.no_room) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, shown,
                        "could not be kept in a temporary file (%s); make room in /tmp and run again",
                        strerror(reading.errno_value));
        code = EXIT_WRITE_FAILED;
    }
    return code;
}

void recorder_log_free(struct recorder_log *log)
{
    for (uint32_t i = 0; i < log->bus_count; i++) {
        if (log->buses[i].checks)
            (void)fclose(log->buses[i].checks);
        if (log->buses[i].events)
            (void)fclose(log->buses[i].events);
    }
    log->bus_count = 0;
    arena_free(&log->arena);
}
