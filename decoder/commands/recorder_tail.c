/* See recorder_tail.h. */
#define _GNU_SOURCE /* flock */
#include "recorder_tail.h"

#include <fcntl.h>
#include <jansson.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#define PIECE_MAX (1u << 20) /* bytes read at once, and the longest line looked at */

void recorder_tail_init(struct recorder_tail *tail)
{
    *tail = (struct recorder_tail){.at = RECORDER_NOT_THERE};
    buffer_init(&tail->piece, PIECE_MAX);
}

/* Events that only tell that all is well again, and such that concern nobody during the work, are no warning. */
static bool is_warning(const char *what)
{
    static const char *const quiet[] = {"link up", "restarted", "listen-only again", "clock synchronised",
                                        "controller state", "checkpoint late"};
    for (size_t i = 0; i < sizeof quiet / sizeof quiet[0]; i++)
        if (strcmp(what, quiet[i]) == 0)
            return false;
    return true;
}

static void take_event(struct recorder_tail *tail, const json_t *object)
{
    const char *what = json_string_value(json_object_get(object, "what"));
    const char *bus = json_string_value(json_object_get(object, "bus"));
    const char *detail = json_string_value(json_object_get(object, "detail"));
    const char *time = json_string_value(json_object_get(object, "time"));
    json_int_t count = json_integer_value(json_object_get(object, "count"));
    if (!what)
        return;
    tail->events++;
    bool lost = strncmp(what, "frames lost", 11) == 0;
    if (lost && count > 0)
        tail->lost += (uint64_t)count;
    if (!is_warning(what))
        return;
    char number[40] = "", clock[24] = "";
    if (count > 0)
        (void)snprintf(number, sizeof number, " (%llu)", (unsigned long long)count);
    if (time && strlen(time) > 19)
        (void)snprintf(clock, sizeof clock, " at %.8s UTC", time + 11);
    (void)snprintf(tail->warning, sizeof tail->warning, "%.80s%s%s%.20s%s%s%.60s%s", what, number, bus ? " on " : "",
                   bus ? bus : "", clock, detail ? ": " : "", detail ? detail : "",
                   lost ? ". What was said in the gap is not known." : "");
}

static void take_line(struct recorder_tail *tail, const char *text, size_t length)
{
    json_t *object = json_loadb(text, length, 0, NULL);
    const char *kind = json_string_value(json_object_get(object, "kind"));
    if (kind && strcmp(kind, "event") == 0) {
        take_event(tail, object);
    } else if (kind && strcmp(kind, "end") == 0) {
        const char *why = json_string_value(json_object_get(object, "why"));
        tail->ended = true;
        (void)snprintf(tail->why, sizeof tail->why, "%.50s", why ? why : "");
    }
    json_decref(object);
}

/* One piece of the file behind what was read; false when there is no whole line more. */
static bool read_piece(struct recorder_tail *tail, int fd)
{
    char room[65536];
    buffer_clear(&tail->piece);
    uint64_t at = tail->read;
    const uint8_t *end = NULL;
    while (!end && tail->piece.length + sizeof room <= PIECE_MAX) {
        ssize_t got = pread(fd, room, sizeof room, (off_t)at);
        if (got <= 0 || !buffer_append(&tail->piece, room, (size_t)got))
            return false;
        at += (uint64_t)got;
        end = memchr(tail->piece.data, '\n', tail->piece.length);
    }
    if (!end) { /* no line of ours */
        tail->read = at;
        return true;
    }
    const char *line = (const char *)tail->piece.data, *last = line + tail->piece.length;
    for (const char *stop; line < last && (stop = memchr(line, '\n', (size_t)(last - line))); line = stop + 1) {
        take_line(tail, line, (size_t)(stop - line));
        tail->read += (uint64_t)(stop - line) + 1;
    }
    return true;
}

bool recorder_tail_read(struct recorder_tail *tail, const char *job)
{
    char path[PATH_MAX];
    enum recorder_at before = tail->at;
    uint64_t read_before = tail->read;
    (void)snprintf(path, sizeof path, "%.4000s/recorder.jsonl", job);
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (fd < 0) {
        tail->at = RECORDER_NOT_THERE;
        return before != tail->at;
    }
    /* Its keeper holds this lock as long as it lives and has not written its closing line. Asked before the file is
     * read: what is read behind a lock that was free is all there will ever be. */
    bool held = flock(fd, LOCK_SH | LOCK_NB) != 0;
    while (read_piece(tail, fd))
        ;
    (void)close(fd);
    tail->at = tail->ended ? RECORDER_HAS_ENDED : held ? RECORDER_AT_WORK : RECORDER_HAS_DIED;
    return before != tail->at || read_before != tail->read;
}

void recorder_tail_free(struct recorder_tail *tail)
{
    buffer_free(&tail->piece);
}
