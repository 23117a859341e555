/* See redact.h: marks, definition files, the recorder's log, and a last look through the whole copy. */
#define _POSIX_C_SOURCE 200809L
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#include <jansson.h>

#include "folder.h"
#include "redact_parts.h"

#define DEFINITION_MAX (4u << 20)
#define SEARCH_ROOM (1u << 20)
#define NEEDLE_MAX 1024u

/* ---- text values in text ---- */

/* First occurrence of length bytes in text, capitals and small letters being the same; NULL. */
static char *find_text(char *text, size_t size, const char *wanted, size_t length)
{
    int small = wanted[0] | 0x20; /* for letters; other bytes are compared in full below */
    for (size_t i = 0; i + length <= size; i++)
        if ((text[i] | 0x20) == small && strncasecmp(text + i, wanted, length) == 0)
            return text + i;
    return NULL;
}

static bool is_sought(const struct secret *secret)
{
    return secret_is_text(secret) && secret_is_searched(secret);
}

bool redact_text(const struct redacting *redacting, char *text, size_t length)
{
    bool found = false;
    for (uint32_t i = 0; i < redacting->secrets.count; i++) {
        const struct secret *secret = &redacting->secrets.list[i];
        char *at = text;
        while (is_sought(secret) && (at = find_text(at, length - (size_t)(at - text), (const char *)secret->bytes,
                                                    secret->length)) != NULL) {
            memcpy(at, secret->mask, secret->length);
            at += secret->length;
            found = true;
        }
    }
    return found;
}

/* ---- marks ---- */

static bool is_secret_mark(const struct mark *mark, enum secret_kind *kind)
{
    *kind = strcmp(mark->name, "vin") == 0 ? SECRET_VIN : SECRET_SERIAL;
    return mark->kind == MARK_IDENTITY && (strcmp(mark->name, "vin") == 0 || strcmp(mark->name, "serial number") == 0);
}

/* What it says was read off: by its value, else its text (as steps take it, D 7.11), without padding. */
static const uint8_t *secret_of_mark(const struct mark *mark, uint32_t *length)
{
    const char *said = mark_said(mark);
    const uint8_t *value = (const uint8_t *)said;
    *length = (uint32_t)strlen(said);
    secret_trim(&value, length);
    return value;
}

bool redact_collect_marks(struct redacting *redacting)
{
    const struct job_inputs *job = &redacting->job;
    enum secret_kind kind;
    for (uint32_t i = 0; job->marks_loaded && i < job->marks.count; i++) {
        const struct mark *mark = &job->marks.list[i];
        uint32_t length;
        const uint8_t *value = secret_of_mark(mark, &length);
        if (is_secret_mark(mark, &kind) && !secrets_add(&redacting->secrets, kind, value, length))
            return false;
    }
    return true;
}

/* Line number (from 1) of the marks: where it begins, and its length. */
static char *line_of(char *text, size_t size, uint32_t number, size_t *length)
{
    char *at = text, *end;
    for (; number > 1 && (end = memchr(at, '\n', size - (size_t)(at - text))) != NULL; number--)
        at = end + 1;
    end = memchr(at, '\n', size - (size_t)(at - text));
    *length = end ? (size_t)(end - at) : size - (size_t)(at - text);
    return at;
}

/* A value too short to be looked for everywhere: where the mark itself has it, between quotes. */
static void mask_value(struct redacting *redacting, const struct mark *mark)
{
    const char *said = mark_said(mark);
    uint32_t kept;
    const uint8_t *value = secret_of_mark(mark, &kept);
    const struct secret *secret = secrets_find(&redacting->secrets, value, kept);
    size_t length, whole = strlen(said), before = (size_t)(value - (const uint8_t *)said);
    char *line = line_of(redacting->marks, redacting->job.marks.length, mark->line, &length);
    if (!secret || secret_is_searched(secret))
        return;
    for (size_t i = 1; i + whole < length; i++)
        if (line[i - 1] == '"' && line[i + whole] == '"' && memcmp(line + i, said, whole) == 0)
            memcpy(line + i + before, secret->mask, secret->length);
}

/* Does any text in it still hold a value, once its escapes are read? */
static bool holds_value(const struct redacting *redacting, json_t *value)
{
    bool found = false;
    const char *key;
    json_t *inner;
    size_t index;
    if (json_is_string(value)) {
        char *text = strndup(json_string_value(value), json_string_length(value));
        found = !text || redact_text(redacting, text, strlen(text));
        free(text);
    }
    json_object_foreach(value, key, inner)
        found = found || holds_value(redacting, inner);
    json_array_foreach(value, index, inner)
        found = found || holds_value(redacting, inner);
    return found;
}

/* Does an identity still say a value that is too short to be looked for everywhere? */
static bool says_value(const struct redacting *redacting, const json_t *object)
{
    const char *value = json_string_value(json_object_get(object, "value"));
    const char *text = json_string_value(json_object_get(object, "text"));
    const char *kind = json_string_value(json_object_get(object, "kind"));
    const char *name = json_string_value(json_object_get(object, "name"));
    const struct mark mark = {.kind = MARK_IDENTITY, .name = name ? name : "", .value = value ? value : "",
                              .text = text ? text : ""};
    enum secret_kind secret;
    uint32_t length;
    if (!kind || strcmp(kind, mark_kind_text(MARK_IDENTITY)) != 0 || !is_secret_mark(&mark, &secret))
        return false;
    const uint8_t *said = secret_of_mark(&mark, &length);
    return secrets_find(&redacting->secrets, said, length) != NULL;
}

static int check_marks(struct redacting *redacting)
{
    size_t size = redacting->job.marks.length, length;
    uint32_t number = 0;
    for (char *at = redacting->marks; at < redacting->marks + size; at += length + 1) {
        number++;
        at = line_of(at, size - (size_t)(at - redacting->marks), 1, &length);
        json_t *object = json_loadb(at, length, 0, NULL);
        bool found = holds_value(redacting, object) || says_value(redacting, object);
        json_decref(object);
        if (found)
            return redact_refuse(redacting,
                                 "line %u of marks.jsonl spells a VIN or serial number with escapes, which cannot "
                                 "be masked at the same length",
                                 number);
    }
    return 0;
}

int redact_marks(struct redacting *redacting)
{
    const struct job_inputs *job = &redacting->job;
    enum secret_kind kind;
    if (!job->marks_loaded)
        return 0;
    redacting->marks = malloc(job->marks.length + 1);
    if (!redacting->marks)
        return redact_no_memory(redacting);
    memcpy(redacting->marks, job->marks.bytes, job->marks.length);
    redacting->marks[job->marks.length] = '\0';
    (void)redact_text(redacting, redacting->marks, job->marks.length);
    for (uint32_t i = 0; i < job->marks.count; i++)
        if (is_secret_mark(&job->marks.list[i], &kind))
            mask_value(redacting, &job->marks.list[i]);
    redacting->marks_changed = memcmp(redacting->marks, job->marks.bytes, job->marks.length) != 0;
    int code = check_marks(redacting);
    return code ? code : job_folder_put(&redacting->folder, "marks.jsonl", redacting->marks, job->marks.length);
}

/* ---- definition files ---- */

int redact_definitions(struct redacting *redacting)
{
    struct folder_list list;
    char *room = malloc(DEFINITION_MAX);
    int code = room ? 0 : redact_no_memory(redacting);
    if (!code && !folder_list(&list, redacting->job.fd))
        code = redact_no_memory(redacting);
    for (uint32_t i = 0; !code && i < list.count; i++) {
        const char *name = list.list[i].name;
        size_t length;
        if (strncmp(name, "definitions/", 12) != 0 && strcmp(name, "options.json") != 0)
            continue;
        char called[FOLDER_NAME_MAX];
        (void)snprintf(called, sizeof called, "%s", name);
        if (redact_text(redacting, called, strlen(called)))
            code = redact_refuse(redacting, "%s is called after a VIN or serial number of this job, and names are not "
                                 "altered: judge the job by a file with another name, and seal that", name);
        if (code)
            break;
        if (!folder_read(redacting->job.fd, name, room, DEFINITION_MAX, &length))
            code = redact_refuse(redacting, "%s cannot be read: %s", name, strerror(errno));
        else if (redact_text(redacting, room, length))
            code = redact_refuse(redacting,
                                 "%s holds a VIN or serial number of this job; limits are not altered: judge the "
                                 "job by a file without it, and seal that",
                                 name);
        else
            code = job_folder_put(&redacting->folder, name, room, length);
    }
    if (room)
        folder_list_free(&list);
    free(room);
    return code;
}

/* ---- the recorder's log ---- */

/* The new trace of a bus, as far as checkpoints went. */
struct sums {
    bool open;
    int fd;
    uint32_t file;
    struct trace_reader reader;
    struct digest digest;
    uint64_t frames, bytes;
};

struct rewriting {
    struct redacting *redacting;
    struct sums sums[TRACE_INPUTS_MAX];
    uint32_t count;
    struct sink *sink;
    char previous[DIGEST_TEXT];
    uint64_t line;
};

static int open_sums(struct rewriting *rewriting)
{
    struct redacting *redacting = rewriting->redacting;
    const struct recorder_log *log = &redacting->job.recorder;
    int code = 0;
    for (uint32_t i = 0; i < log->bus_count && !code; i++) {
        struct sums *sums = &rewriting->sums[i];
        sums->fd = -1;
        rewriting->count = i + 1;
        for (uint32_t k = 0; k < redacting->job.traces.count; k++)
            if (strcmp(redact_trace_name(redacting, k), log->buses[i].file) == 0)
                sums->file = k;
        sums->fd = openat(redacting->folder.fd, log->buses[i].file, O_RDONLY | O_CLOEXEC);
        if (sums->fd < 0)
            return redact_write_failed(redacting, log->buses[i].file, errno);
        code =
            trace_reader_open_fd(&sums->reader, sums->fd, log->buses[i].file, NULL, 0, false, redacting->diagnostics);
        sums->open = code == 0;
        if (!code && !digest_open(&sums->digest))
            code = redact_no_memory(redacting);
    }
    return code;
}

static void close_sums(struct rewriting *rewriting)
{
    for (uint32_t i = 0; i < rewriting->count; i++) {
        if (rewriting->sums[i].open)
            trace_reader_close(&rewriting->sums[i].reader);
        digest_close(&rewriting->sums[i].digest);
        if (rewriting->sums[i].fd >= 0)
            (void)close(rewriting->sums[i].fd);
    }
}

/* Sums the bytes of the file up to this length. */
static bool sum_until(struct sums *sums, uint64_t bytes)
{
    char room[65536];
    while (sums->bytes < bytes) {
        size_t wanted = bytes - sums->bytes < sizeof room ? (size_t)(bytes - sums->bytes) : sizeof room;
        size_t got;
        if (!folder_read_at(sums->fd, room, wanted, (off_t)sums->bytes, &got) || got == 0 ||
            !digest_add(&sums->digest, room, got))
            return false;
        sums->bytes += got;
    }
    return true;
}

/* A checkpoint's word on one bus, of the new trace. */
static bool restate_bus(struct rewriting *rewriting, uint32_t index, json_t *bus)
{
    struct sums *sums = &rewriting->sums[index];
    struct trace_record record;
    char sha256[DIGEST_TEXT];
    uint64_t frames = (uint64_t)json_integer_value(json_object_get(bus, "frames"));
    frames -= redact_dropped_until(rewriting->redacting, sums->file, frames);
    while (sums->frames < frames && trace_reader_next(&sums->reader, &record) == TRACE_RECORD)
        sums->frames++;
    uint64_t bytes = sums->frames ? sums->reader.good_length : 24; /* the file header alone */
    if (json_integer_value(json_object_get(bus, "bytes")) == 0)
        bytes = 0;
    return sums->frames == frames && sum_until(sums, bytes) && digest_text(&sums->digest, sha256) &&
           json_object_set_new(bus, "frames", json_integer((json_int_t)frames)) == 0 &&
           json_object_set_new(bus, "bytes", json_integer((json_int_t)bytes)) == 0 &&
           json_object_set_new(bus, "sha256", json_string(sha256)) == 0;
}

static bool restate_marks(struct rewriting *rewriting, json_t *marks)
{
    const struct job_inputs *job = &rewriting->redacting->job;
    json_int_t bytes = json_integer_value(json_object_get(marks, "bytes"));
    char sha256[DIGEST_TEXT];
    if (bytes < 0 || (bytes > 0 && (!job->marks_loaded || (size_t)bytes > job->marks.length)))
        return false;
    return digest_of(rewriting->redacting->marks, (size_t)bytes, sha256) &&
           json_object_set_new(marks, "sha256", json_string(sha256)) == 0;
}

/* Behind and before which frame: numbers count what is still there. */
static bool restate_event(struct rewriting *rewriting, json_t *event)
{
    const char *name = json_string_value(json_object_get(event, "bus"));
    const struct recorder_log *log = &rewriting->redacting->job.recorder;
    uint32_t index = name ? recorder_log_bus(log, name) : RECORDER_ALL;
    const json_t *after = json_object_get(event, "after_frame"), *before = json_object_get(event, "before_frame");
    if (index == RECORDER_ALL)
        return true;
    uint32_t file = rewriting->sums[index].file;
    if (json_is_integer(after)) {
        uint64_t number = (uint64_t)json_integer_value(after);
        number -= redact_dropped_until(rewriting->redacting, file, number);
        if (json_object_set_new(event, "after_frame", json_integer((json_int_t)number)) != 0)
            return false;
    }
    if (json_is_integer(before) && json_integer_value(before) > 0) {
        uint64_t number = (uint64_t)json_integer_value(before);
        number -= redact_dropped_until(rewriting->redacting, file, number - 1);
        if (json_object_set_new(event, "before_frame", json_integer((json_int_t)number)) != 0)
            return false;
    }
    return true;
}

static bool restate(struct rewriting *rewriting, json_t *object)
{
    const char *kind = json_string_value(json_object_get(object, "kind"));
    json_t *buses = json_object_get(object, "buses"), *bus;
    size_t index;
    bool good = kind != NULL;
    if (good && (strcmp(kind, "checkpoint") == 0 || strcmp(kind, "end") == 0)) {
        json_array_foreach(buses, index, bus)
            good = good && index < rewriting->count && restate_bus(rewriting, (uint32_t)index, bus);
        good = good && restate_marks(rewriting, json_object_get(object, "marks"));
    } else if (good && strcmp(kind, "event") == 0) {
        good = restate_event(rewriting, object);
    }
    if (good && rewriting->line > 0)
        good = json_object_set_new(object, "previous", json_string(rewriting->previous)) == 0;
    return good;
}

static bool rewrite_line(struct rewriting *rewriting, const char *text, size_t length)
{
    json_t *object = json_loadb(text, length, JSON_REJECT_DUPLICATES, NULL);
    char *made = object && restate(rewriting, object) ? json_dumps(object, JSON_COMPACT) : NULL;
    bool good = made != NULL;
    if (good) {
        (void)redact_text(rewriting->redacting, made, strlen(made));
        sink_text(rewriting->sink, made);
        sink_char(rewriting->sink, '\n');
        good = digest_of(made, strlen(made), rewriting->previous);
    }
    rewriting->line++;
    free(made);
    json_decref(object);
    return good;
}

static int rewrite_lines(struct rewriting *rewriting)
{
    struct redacting *redacting = rewriting->redacting;
    struct folder_stamp stamp;
    char *line = NULL;
    size_t room = 0;
    ssize_t length;
    int fd = folder_open(redacting->job.fd, "recorder.jsonl", &stamp), code = 0;
    FILE *file = fd >= 0 ? fdopen(fd, "r") : NULL;
    if (!file) {
        if (fd >= 0)
            (void)close(fd);
        return redact_refuse(redacting, "recorder.jsonl cannot be read: %s", strerror(errno));
    }
    while (!code && (length = getline(&line, &room, file)) > 0) {
        if (line[length - 1] != '\n') { /* torn by a crash: it stays a torn line, with nothing in it */
            sink_text(rewriting->sink, "{\"line\":");
            break;
        }
        if (!rewrite_line(rewriting, line, (size_t)length - 1))
            code = redact_refuse(redacting, "line %llu of recorder.jsonl cannot be carried over to the copy",
                                 (unsigned long long)rewriting->line);
    }
    free(line);
    (void)fclose(file);
    return code;
}

int redact_recorder(struct redacting *redacting)
{
    struct rewriting *rewriting = calloc(1, sizeof *rewriting);
    struct sink sink;
    if (!redacting->job.recorded) {
        free(rewriting);
        return 0;
    }
    if (!rewriting)
        return redact_no_memory(redacting);
    rewriting->redacting = redacting;
    rewriting->sink = &sink;
    int code = job_folder_open(&redacting->folder, "recorder.jsonl", &sink);
    if (!code) {
        code = open_sums(rewriting);
        if (!code)
            code = rewrite_lines(rewriting);
        int closed = job_folder_close(&redacting->folder, "recorder.jsonl", &sink);
        code = code ? code : closed;
        close_sums(rewriting);
    }
    free(rewriting);
    return code;
}

/* ---- a last look ---- */

static bool block_holds(const struct redacting *redacting, char *room, size_t length)
{
    char hex[2 * NEEDLE_MAX + 1];
    for (uint32_t i = 0; i < redacting->secrets.count; i++) {
        const struct secret *secret = &redacting->secrets.list[i];
        bool text = secret->kind == SECRET_VIN || secret->kind == SECRET_SERIAL;
        if (!text || !secret_is_searched(secret) || secret->length > NEEDLE_MAX)
            continue;
        for (uint32_t k = 0; k < secret->length; k++)
            (void)snprintf(hex + 2 * k, 3, "%02x", secret->bytes[k]);
        if (find_text(room, length, (const char *)secret->bytes, secret->length) ||
            find_text(room, length, hex, 2 * (size_t)secret->length))
            return true;
    }
    return false;
}

/* In blocks that overlap by more than any value is long. */
static int search_file(struct redacting *redacting, const char *name, char *room)
{
    struct folder_stamp stamp;
    int fd = folder_open(redacting->folder.fd, name, &stamp), code = 0;
    size_t got = SEARCH_ROOM;
    if (fd < 0)
        return redact_read_failed(redacting, name, errno);
    for (off_t at = 0; !code && got == SEARCH_ROOM; at += SEARCH_ROOM - 2 * NEEDLE_MAX) {
        if (!folder_read_at(fd, room, SEARCH_ROOM, at, &got))
            code = redact_read_failed(redacting, name, errno);
        else if (block_holds(redacting, room, got))
            code = redact_refuse(redacting,
                                 "%s of the copy would still hold a VIN or serial number that was to be masked; "
                                 "nothing is kept, please report this",
                                 name);
    }
    (void)close(fd);
    return code;
}

int redact_search(struct redacting *redacting)
{
    struct folder_list list;
    char *room = malloc(SEARCH_ROOM);
    int code = room ? 0 : redact_no_memory(redacting);
    if (!code && !folder_list(&list, redacting->folder.fd))
        code = redact_no_memory(redacting);
    for (uint32_t i = 0; !code && i < list.count; i++)
        code = search_file(redacting, list.list[i].name, room);
    if (room)
        folder_list_free(&list);
    free(room);
    return code;
}
