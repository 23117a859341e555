/* See audit_log.h. */
#define _POSIX_C_SOURCE 200809L
#include "audit_log.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>

#include "../support/digest.h"
#include "../support/text.h"

struct reading {
    struct audit_log *log;
    uint64_t line, number;       /* of the last line, checkpoint */
    char previous[DIGEST_TEXT];  /* sum of the last line */
    bool timed;
    int64_t monotonic;           /* of the last start or checkpoint line */
    bool late;                   /* since then an event said that one is late */
};

/* Decimal seconds with nine decimals, as the recorder writes its clocks. */
static bool seconds_of(const char *text, int64_t *time)
{
    int64_t whole = 0, part = 0;
    size_t digits = 0;
    const char *at = text;
    if (!text)
        return false;
    for (; *at >= '0' && *at <= '9' && digits < 10; at++, digits++)
        whole = whole * 10 + (*at - '0');
    if (digits == 0 || digits > 9 || *at++ != '.')
        return false;
    for (digits = 0; *at >= '0' && *at <= '9' && digits < 9; at++, digits++)
        part = part * 10 + (*at - '0');
    *time = whole * TT_SECOND + part;
    return digits == 9 && *at == '\0';
}

static void fewer(struct reading *reading, const char *format, uint64_t a, uint64_t b)
{
    if (reading->log->fewer_line)
        return;
    reading->log->fewer_line = reading->line;
    // cppcheck-suppress wrongPrintfScanfArgNum ; a format with one number leaves the other unused (ISO C 7.21.6.1)
    (void)snprintf(reading->log->fewer, sizeof reading->log->fewer, format, (unsigned long long)a,
                   (unsigned long long)b);
}

/* Times of start, checkpoint and closing lines follow each other by a second. */
static void take_clock(struct reading *reading, const json_t *object)
{
    int64_t monotonic, time;
    const char *text = json_string_value(json_object_get(object, "time"));
    if (text && text_parse_time(text, strlen(text), &time)) {
        reading->log->has_last = true;
        reading->log->last_time = time;
    }
    if (!seconds_of(json_string_value(json_object_get(object, "monotonic")), &monotonic))
        return;
    if (reading->timed && !reading->late && monotonic > reading->monotonic + AUDIT_LOG_APART)
        fewer(reading, "stands %llu s behind the checkpoint before it, where one is made each second",
              (uint64_t)(monotonic - reading->monotonic) / (uint64_t)TT_SECOND, 0);
    reading->timed = true;
    reading->late = false;
    reading->monotonic = monotonic;
}

static void take_checkpoint(struct reading *reading, const json_t *object)
{
    json_int_t number = json_integer_value(json_object_get(object, "number"));
    if (number > 0 && (uint64_t)number != reading->number + 1)
        fewer(reading, "is checkpoint %llu, and the one before it %llu", (uint64_t)number, reading->number);
    if (number > 0)
        reading->number = (uint64_t)number;
    take_clock(reading, object);
}

/* False: the chain ends here. */
static bool take_line(struct reading *reading, const char *text, size_t length)
{
    json_t *object = json_loadb(text, length, 0, NULL);
    const json_t *previous = json_object_get(object, "previous");
    bool good = json_integer_value(json_object_get(object, "line")) == (json_int_t)reading->line + 1;
    if (reading->line == 0)
        good = good && json_is_null(previous);
    else
        good = good && json_is_string(previous) && strcmp(json_string_value(previous), reading->previous) == 0;
    const char *kind = json_string_value(json_object_get(object, "kind"));
    reading->line++;
    if (good && kind) {
        const char *what = json_string_value(json_object_get(object, "what"));
        if (strcmp(kind, "checkpoint") == 0)
            take_checkpoint(reading, object);
        else if (strcmp(kind, "start") == 0 || strcmp(kind, "end") == 0)
            take_clock(reading, object);
        else if (strcmp(kind, "event") == 0 && what && strcmp(what, "checkpoint late") == 0)
            reading->late = true;
        reading->log->ended = reading->log->ended || strcmp(kind, "end") == 0;
    }
    json_decref(object);
    return good && digest_of(text, length, reading->previous);
}

bool audit_log_read(struct audit_log *log, int fd)
{
    struct reading reading = {.log = log};
    char *room = malloc(AUDIT_LOG_LINE_MAX);
    size_t used = 0;
    off_t from = 0;
    bool going = true;
    int error = room ? 0 : ENOMEM;
    *log = (struct audit_log){.fewer_line = 0};
    while (going && !error) {
        ssize_t got = pread(fd, room + used, AUDIT_LOG_LINE_MAX - used, from);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            error = errno;
        if (got <= 0) /* the end, or a line longer than any: what is left is no line */
            break;
        from += got;
        used += (size_t)got;
        size_t begin = 0;
        for (const char *end; going && (end = memchr(room + begin, '\n', used - begin)) != NULL;
             begin = (size_t)(end - room) + 1)
            going = take_line(&reading, room + begin, (size_t)(end - room) - begin);
        memmove(room, room + begin, used - begin);
        used -= begin;
    }
    free(room);
    errno = error;
    return error == 0;
}
