/*
 * recorder.jsonl (D 5, 10, 11.2) beside a marks file. The input is the marks, a line "%%", and the log; in the log "@"
 * stands for the sum of the line before and "#" for that of the whole marks file, so that the chain can hold without
 * luck. What the log comes to is held against what jansson reads in its lines: nothing may be called passive that a
 * line contradicts.
 */
#define _GNU_SOURCE
#include <jansson.h>
#include <string.h>

#include "../../capture/trace_format.h"
#include "../../decoder/stages/recorder_log.h"
#include "../../decoder/support/buffer.h"
#include "../../decoder/support/text.h"
#include "fuzz.h"

static struct buffer log_bytes;

static void append(const void *data, size_t length)
{
    FUZZ_CHECK(buffer_append(&log_bytes, data, length));
}

/* Puts the line without "\n", its placeholders replaced. */
static void put_line(const uint8_t *line, size_t length, const char *previous, const char *marks)
{
    while (length > 0) {
        bool chain = length >= 3 && memcmp(line, "\"@\"", 3) == 0, sum = length >= 3 && memcmp(line, "\"#\"", 3) == 0;
        if (chain || sum) {
            const char *text = chain ? previous : marks;
            append("\"", 1);
            append(text, strlen(text));
            append("\"", 1);
            line += 3;
            length -= 3;
        } else {
            append(line++, 1);
            length--;
        }
    }
}

static void build(const uint8_t *at, size_t size, const char *marks)
{
    char previous[DIGEST_TEXT] = "";
    const uint8_t *end = at + size;
    buffer_clear(&log_bytes);
    while (at < end) {
        const uint8_t *stop = memchr(at, '\n', (size_t)(end - at));
        size_t begin = log_bytes.length;
        put_line(at, (size_t)((stop ? stop : end) - at), previous, marks);
        const uint8_t *line = log_bytes.length > begin ? log_bytes.data + begin : NULL;
        FUZZ_CHECK(digest_of(line, log_bytes.length - begin, previous));
        if (stop)
            append("\n", 1);
        at = stop ? stop + 1 : end;
    }
}

static bool is_text(const json_t *object, const char *key, const char *text)
{
    const json_t *value = json_object_get(object, key);
    return json_is_string(value) && strcmp(json_string_value(value), text) == 0;
}

/* Does this line speak against a recorder that only listened? */
static bool contradicts(const json_t *line)
{
    static const char *const events[] = {RECORDER_NOT_LISTEN_ONLY, RECORDER_LOCAL_FRAMES, RECORDER_TRANSMITTED};
    const json_t *bus;
    size_t i;
    for (i = 0; i < sizeof events / sizeof *events; i++)
        if (is_text(line, "kind", RECORDER_KIND_EVENT) && is_text(line, "what", events[i]))
            return true;
    if (json_is_false(json_object_get(line, "filter")) || json_is_true(json_object_get(line, "acknowledging_accepted")))
        return true;
    json_array_foreach(json_object_get(line, "buses"), i, bus) {
        const json_t *sent = json_object_get(bus, "sent");
        if (is_text(bus, "link", RECORDER_LINK_VIRTUAL) || json_is_false(json_object_get(bus, "listen_only")) ||
            (json_is_integer(sent) && json_integer_value(sent) != 0))
            return true;
    }
    return false;
}

/* Of the log as jansson reads it: the last line ends it, and no line contradicts. */
static bool may_be_passive(void)
{
    const char *at = (const char *)log_bytes.data, *end = at + log_bytes.length;
    bool ended = false, good = true;
    while (at < end && good) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        json_t *line = json_loadb(at, (size_t)((stop ? stop : end) - at), 0, NULL);
        ended = line && is_text(line, "kind", RECORDER_KIND_END);
        good = json_is_object(line) && !contradicts(line);
        json_decref(line);
        at = stop ? stop + 1 : end;
    }
    return ended && good;
}

static void check_events(struct recorder_log *log, uint32_t bus)
{
    struct recorder_event event;
    struct recorder_check check;
    for (int twice = 0; twice < 2; twice++) { /* the same again after rewinding */
        uint64_t last = 0, events = 0, checks = 0;
        recorder_log_rewind(log, bus);
        while (recorder_log_event(log, bus, &event)) {
            FUZZ_CHECK(event.bus == bus || event.bus == RECORDER_ALL);
            FUZZ_CHECK(event.before > event.after && event.after >= last);
            FUZZ_CHECK(recorder_what_text(event.what) && strnlen(event.detail, RECORDER_DETAIL) < RECORDER_DETAIL);
            last = event.after;
            events++;
        }
        while (recorder_log_check(log, bus, &check)) {
            FUZZ_CHECK(strlen(check.sha256) == DIGEST_TEXT - 1);
            checks++;
        }
        FUZZ_CHECK(events == log->buses[bus].event_count && checks == log->buses[bus].check_count);
    }
}

static void check_log(struct recorder_log *log, uint64_t beyond)
{
    char passive[RECORDER_PASSIVE_MAX], note[RECORDER_NOTE_MAX];
    FUZZ_CHECK(log->proven <= log->lines && log->bus_count <= FRAME_FILE_MAX && log->span_count <= RECORDER_SPANS_MAX);
    FUZZ_CHECK((log->damage[0] == '\0') == (log->proven == log->lines));
    FUZZ_CHECK(text_is_clean(log->damage, strlen(log->damage)));
    for (uint32_t i = 0; i < log->bus_count; i++) {
        FUZZ_CHECK(recorder_log_bus(log, log->buses[i].name) == i);
        check_events(log, i);
        recorder_log_trace_ended(log, i, log->buses[i].frames + beyond); /* frames that the log does not cover */
    }
    for (uint32_t i = 0; i < log->span_count; i++)
        FUZZ_CHECK(log->spans[i].first <= log->spans[i].last && (log->spans[i].bus < log->bus_count ||
                                                                  log->spans[i].bus == RECORDER_ALL));
    recorder_log_passive(log, passive);
    FUZZ_CHECK(strcmp(passive, "yes") == 0 || strcmp(passive, "not proven") == 0 ||
               strncmp(passive, "until frame ", 12) == 0);
    if (getenv("TT_FUZZ_SHOW"))
        (void)fprintf(stderr, "passive: %s; %s\n", passive, log->damage);
    if (strcmp(passive, "yes") == 0)
        FUZZ_CHECK(log->damage[0] == '\0' && log->why && !log->torn && may_be_passive());
    uint32_t notes = 0;
    while (recorder_log_note(log, notes, note) && notes < 10000) {
        FUZZ_CHECK(note[0] && strlen(note) < RECORDER_NOTE_MAX);
        notes++;
    }
    FUZZ_CHECK(notes < 10000);
    for (uint32_t i = 0; i < log->definition_count; i++)
        if (log->proven > 0)
            (void)recorder_log_fixed(log, log->definitions[i].file, log->definitions[i].sha256);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct diagnostics silent;
    struct marks marks;
    static struct recorder_log log;
    const uint8_t *start = size ? data : (const uint8_t *)"", *end = start + size, *at = start;
    const uint8_t *mark = memmem(start, size, "%%\n", 3);
    size_t marks_length = mark ? (size_t)(mark - start) : 0;
    char sum[DIGEST_TEXT];
    at = mark ? mark + 3 : start;
    diagnostics_init(&silent, NULL);
    buffer_init(&log_bytes, 1u << 24);
    FUZZ_CHECK(digest_of(start, marks_length, sum));
    build(at, (size_t)(end - at), sum);
    fuzz_folder_arm();
    fuzz_folder_put("marks.jsonl", start, marks_length);
    bool marked = marks_length > 0 && marks_load(&marks, "job/marks.jsonl", &silent) == 0;
    fuzz_folder_disarm();
    int fd = fuzz_file(0, log_bytes.data, log_bytes.length);
    int code = recorder_log_load(&log, fd, "recorder.jsonl", marked ? &marks : NULL, &silent);
    FUZZ_CHECK(code == 0);
    check_log(&log, size % 2);
    for (uint32_t i = 0; marked && i < marks.count; i++)
        FUZZ_CHECK(marks.list[i].covered != MARK_COVER_UNKNOWN || !log.usable);
    recorder_log_free(&log);
    fd = fuzz_file(0, log_bytes.data, log_bytes.length);
    fuzz_shortage(1 + (unsigned)(size % 16)); /* again, with too little memory */
    code = recorder_log_load(&log, fd, "recorder.jsonl", marked ? &marks : NULL, &silent);
    fuzz_shortage(0);
    FUZZ_CHECK(code == 0 || ((code == EXIT_OUR_FAULT || code == EXIT_WRITE_FAILED) && silent.errors > 0));
    recorder_log_free(&log);
    if (marked)
        marks_free(&marks);
    buffer_free(&log_bytes);
    return 0;
}
