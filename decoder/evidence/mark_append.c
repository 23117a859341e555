/* See mark_append.h. */
#define _GNU_SOURCE /* fallocate, O_DIRECTORY */
#include "mark_append.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../support/sink.h"
#include "../support/text.h"

#define LOCK_TRIES 100u  /* of 50 ms: whoever holds the lock longer than that is stuck */
#define LOCK_PAUSE 50000
#define REOPEN_TRIES 20u
#define LINE_MAX_BYTES 16384u /* of a line: all its texts with every byte escaped */

/* One addition. */
struct addition {
    const char *job;
    const struct new_mark *mark;
    struct diagnostics *diagnostics;
    struct mark_receipt *receipt;
    int folder, file;
    bool made;            /* marks.jsonl was not there before */
    char shown[PATH_MAX];      /* its path, for messages */
    struct buffer content; /* what stands there already */
    struct buffer line;   /* what is added */
};

static int fail(struct addition *addition, int code, const char *place, const char *what, int error)
{
    diagnostics_say(addition->diagnostics, SEVERITY_ERROR, place, error ? "%s: %s; nothing was noted" : "%s%s",
                    what, error ? strerror(error) : "; nothing was noted");
    return code;
}

/* ---- the job ---- */

/* Neither a trace nor a recorder log: any other folder, in which a marks.jsonl would only be lost. */
static bool is_job(int folder)
{
    bool found = faccessat(folder, "recorder.jsonl", F_OK, 0) == 0;
    int again = found ? -1 : openat(folder, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    DIR *list = again < 0 ? NULL : fdopendir(again);
    const struct dirent *entry;
    if (again >= 0 && !list)
        (void)close(again);
    while (list && !found && (entry = readdir(list))) {
        size_t length = strlen(entry->d_name);
        found =
            length > 11 && strncmp(entry->d_name, "trace-", 6) == 0 && strcmp(entry->d_name + length - 5, ".pcap") == 0;
    }
    if (list)
        (void)closedir(list);
    return found;
}

/* The recorder's keeper holds this lock while it is at work; the kernel drops it when the process dies. */
static void look_at_recorder(struct addition *addition)
{
    int fd = openat(addition->folder, "recorder.jsonl", O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    addition->receipt->recorded = fd >= 0;
    if (fd < 0)
        return;
    addition->receipt->growing = flock(fd, LOCK_SH | LOCK_NB) != 0 && errno == EWOULDBLOCK;
    (void)close(fd);
}

static int open_job(struct addition *addition)
{
    addition->folder = open(addition->job, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (addition->folder < 0)
        return fail(addition, EXIT_CANNOT_OPEN, addition->job, "cannot be opened as a job folder", errno);
    if (!is_job(addition->folder))
        return fail(addition, EXIT_CANNOT_OPEN, addition->job,
                    "is no job folder: there is neither a trace nor a recorder log in it", 0);
    if (faccessat(addition->folder, "MANIFEST.sha256", F_OK, AT_SYMLINK_NOFOLLOW) == 0)
        return fail(addition, EXIT_BAD_INPUT, addition->job, "is sealed, and a sealed job is never changed", 0);
    look_at_recorder(addition);
    return 0;
}

/* ---- what stands there ---- */

static int open_file(struct addition *addition)
{
    /* O_NONBLOCK: a pipe of that name must not hold us. */
    const int flags = O_RDWR | O_APPEND | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK;
    struct stat facts;
    addition->file = openat(addition->folder, "marks.jsonl", flags);
    if (addition->file < 0 && errno == ENOENT && addition->mark->kind == MARK_WITHDRAWAL)
        return fail(addition, EXIT_BAD_INPUT, addition->shown, "is not there: no mark was noted yet", 0);
    if (addition->file < 0 && errno == ENOENT) {
        addition->file = openat(addition->folder, "marks.jsonl", flags | O_CREAT, 0666);
        addition->made = addition->file >= 0;
    }
    if (addition->file < 0)
        return fail(addition, EXIT_CANNOT_CREATE, addition->shown, "cannot be opened for writing", errno);
    if (fstat(addition->file, &facts) != 0 || !S_ISREG(facts.st_mode))
        return fail(addition, EXIT_BAD_INPUT, addition->shown, "is no ordinary file", 0);
    for (unsigned i = 0; flock(addition->file, LOCK_EX | LOCK_NB) != 0; i++) {
        if (errno != EWOULDBLOCK && errno != EINTR)
            return fail(addition, EXIT_CANNOT_OPEN, addition->shown, "cannot be locked", errno);
        if (i == LOCK_TRIES)
            return fail(addition, EXIT_CANNOT_OPEN, addition->shown,
                        "is being written by another program for more than 5 s; end that one and try again", 0);
        (void)usleep(LOCK_PAUSE);
    }
    return 0;
}

/*
 * Sealing holds the same lock, and puts a new folder in the place of the old one: what was opened before it may be a
 * file that is in no folder any more. True when marks.jsonl of the folder that has the name now is the one at hand.
 */
static bool is_current(const struct addition *addition)
{
    struct stat ours, there;
    return fstat(addition->file, &ours) == 0 && stat(addition->shown, &there) == 0 && ours.st_dev == there.st_dev &&
           ours.st_ino == there.st_ino;
}

static void close_all(struct addition *addition)
{
    if (addition->file >= 0)
        (void)close(addition->file); /* and with it the lock */
    if (addition->folder >= 0)
        (void)close(addition->folder);
    addition->file = addition->folder = -1;
}

/* The job and its marks, open and locked. */
static int open_both(struct addition *addition)
{
    for (unsigned i = 0; i < REOPEN_TRIES; i++) {
        int code = open_job(addition);
        if (!code)
            code = open_file(addition);
        if (code ||
            (is_current(addition) && faccessat(addition->folder, "MANIFEST.sha256", F_OK, AT_SYMLINK_NOFOLLOW) != 0))
            return code;
        close_all(addition);
    }
    return fail(addition, EXIT_CANNOT_OPEN, addition->job, "is changed by another program again and again", 0);
}

static int read_content(struct addition *addition)
{
    char room[16384];
    off_t at = 0;
    for (;;) {
        ssize_t got = pread(addition->file, room, sizeof room, at);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return fail(addition, EXIT_CANNOT_OPEN, addition->shown, "cannot be read", errno);
        if (got == 0)
            return 0;
        if (!buffer_append(&addition->content, room, (size_t)got))
            return fail(addition, EXIT_BAD_INPUT, addition->shown, "is larger than 4 MiB: no marks of ours", 0);
        at += got;
    }
}

/* Calls look for each line, until it returns false. */
static void each_line(const struct buffer *content,
                      bool (*look)(void *context, uint32_t line, const char *text, size_t length), void *context)
{
    const char *at = (const char *)content->data, *end = content->length ? at + content->length : at;
    for (uint32_t line = 1; at < end; line++) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        if (!look(context, line, at, (size_t)((stop ? stop : end) - at)))
            return;
        at = stop ? stop + 1 : end;
    }
}

static bool count_line(void *context, uint32_t line, const char *text, size_t length)
{
    (void)text, (void)length;
    *(uint32_t *)context = line;
    return true;
}

/* The line that is to be withdrawn. */
struct target {
    uint32_t wanted, withdrawn_by;
    bool is_mark, is_withdrawal;
};

static bool look_for_target(void *context, uint32_t line, const char *text, size_t length)
{
    struct target *target = context;
    json_t *object = json_loadb(text, length, JSON_REJECT_DUPLICATES, NULL);
    const char *kind = json_string_value(json_object_get(object, "kind"));
    bool withdrawal = kind && strcmp(kind, "withdrawal") == 0;
    if (line == target->wanted) {
        target->is_mark = kind != NULL;
        target->is_withdrawal = withdrawal;
    } else if (withdrawal && json_integer_value(json_object_get(object, "withdraws")) == target->wanted) {
        target->withdrawn_by = line;
    }
    json_decref(object);
    return true;
}

static int check_target(struct addition *addition)
{
    char what[120] = "";
    struct target target = {.wanted = addition->mark->withdraws};
    if (addition->mark->kind != MARK_WITHDRAWAL)
        return 0;
    each_line(&addition->content, look_for_target, &target);
    if (!target.is_mark)
        (void)snprintf(what, sizeof what, "has no mark on line %u", (unsigned)target.wanted);
    else if (target.is_withdrawal)
        (void)snprintf(what, sizeof what, "line %u is itself a withdrawal; note the mark again instead",
                       (unsigned)target.wanted);
    else if (target.withdrawn_by)
        (void)snprintf(what, sizeof what, "line %u is withdrawn already, by line %u", (unsigned)target.wanted,
                       (unsigned)target.withdrawn_by);
    return what[0] ? fail(addition, EXIT_BAD_INPUT, addition->shown, what, 0) : 0;
}

/* ---- the new line ---- */

static void put_key(struct sink *sink, const char *key, const char *text)
{
    if (!text[0])
        return;
    sink_char(sink, ',');
    text_json(sink, key, strlen(key));
    sink_char(sink, ':');
    text_json(sink, text, strlen(text));
}

/* Keys in the order of D 5.6. torn: the line before has no end yet. */
static bool make_line(struct addition *addition, bool torn)
{
    const struct new_mark *mark = addition->mark;
    char time[TEXT_TIME_MAX];
    struct sink sink;
    if (!sink_open_memory(&sink, &addition->line))
        return false;
    sink_text(&sink, torn ? "\n{\"time\":\"" : "{\"time\":\"");
    sink_put(&sink, time, text_time(mark->time, time));
    sink_char(&sink, '"');
    put_key(&sink, "kind", mark_kind_text(mark->kind));
    put_key(&sink, "name", mark->name);
    put_key(&sink, "text", mark->text);
    put_key(&sink, "value", mark->value);
    put_key(&sink, "unit", mark->unit);
    if (mark->kind == MARK_WITHDRAWAL) {
        sink_text(&sink, ",\"withdraws\":");
        sink_unsigned(&sink, mark->withdraws);
    }
    sink_text(&sink, "}\n");
    return sink_close(&sink);
}

static int write_line(struct addition *addition)
{
    const struct buffer *line = &addition->line;
    off_t before = (off_t)addition->content.length;
    /* A full disk is found before anything is written; where it cannot be asked so, the write finds it. */
    if (fallocate(addition->file, FALLOC_FL_KEEP_SIZE, before, (off_t)line->length) != 0 && errno == ENOSPC)
        return fail(addition, EXIT_WRITE_FAILED, addition->shown, "cannot be written", ENOSPC);
    ssize_t put;
    do
        put = write(addition->file, line->data, line->length);
    while (put < 0 && errno == EINTR); /* nothing of it was written */
    if (put != (ssize_t)line->length) {
        int error = put < 0 ? errno : ENOSPC;
        /* Only what this very write has left behind, while nobody else can have added to it, is cut off again. */
        if (put > 0 && ftruncate(addition->file, before) != 0)
            diagnostics_say(addition->diagnostics, SEVERITY_WARNING, addition->shown, "ends with a torn line now");
        return fail(addition, EXIT_WRITE_FAILED, addition->shown, "cannot be written", error);
    }
    if (fdatasync(addition->file) != 0 || (addition->made && fsync(addition->folder) != 0)) {
        diagnostics_say(addition->diagnostics, SEVERITY_ERROR, addition->shown,
                        "the mark is written, but the disk did not take it for sure: %s", strerror(errno));
        return EXIT_WRITE_FAILED;
    }
    return 0;
}

static int add(struct addition *addition)
{
    uint32_t lines = 0;
    int code = open_both(addition);
    if (!code)
        code = read_content(addition);
    if (!code)
        code = check_target(addition);
    if (code)
        return code;
    const struct buffer *content = &addition->content;
    bool torn = content->length && content->data[content->length - 1] != '\n';
    each_line(content, count_line, &lines);
    if (lines >= MARKS_MAX)
        return fail(addition, EXIT_BAD_INPUT, addition->shown, "holds 4096 lines already, and more are not read", 0);
    if (!make_line(addition, torn))
        return fail(addition, EXIT_OUR_FAULT, addition->shown, "memory ran out", 0);
    if (content->length + addition->line.length > MARKS_FILE_MAX)
        return fail(addition, EXIT_BAD_INPUT, addition->shown, "would grow over 4 MiB, and more is not read", 0);
    if (torn) {
        addition->receipt->torn_line = lines;
        diagnostics_say(addition->diagnostics, SEVERITY_WARNING, addition->shown,
                        "its line %u is torn, as a crash leaves it: what it was to say is not known, note that again",
                        (unsigned)lines);
    }
    code = write_line(addition);
    addition->receipt->line = lines + 1;
    return code;
}

int mark_append(const char *job, const struct new_mark *mark, struct diagnostics *diagnostics,
                struct mark_receipt *receipt)
{
    struct addition addition = {.job = job, .mark = mark, .diagnostics = diagnostics, .receipt = receipt, .folder = -1,
                                .file = -1};
    *receipt = (struct mark_receipt){0};
    (void)snprintf(addition.shown, sizeof addition.shown, "%.4000s/marks.jsonl", job);
    buffer_init(&addition.content, MARKS_FILE_MAX);
    buffer_init(&addition.line, LINE_MAX_BYTES);
    int code = add(&addition);
    close_all(&addition);
    buffer_free(&addition.content);
    buffer_free(&addition.line);
    return code;
}
