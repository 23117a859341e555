/* The marks file: strict lines in (D 5.6), places in the record out (D 7.1). */
#include "marks.h"

#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../support/buffer.h"
#include "../support/text.h"
#include "../support/units.h"

static const char *const kind_names[] = {"note",      "moment", "displayed", "identity",
                                         "condition", "weight", "challenge", "withdrawal"};
#define KIND_COUNT (sizeof kind_names / sizeof kind_names[0])
static const char *const key_names[] = {"time", "kind", "name", "text", "value", "unit", "withdraws"};
#define KEY_COUNT (sizeof key_names / sizeof key_names[0])

/* A line with its place, while it is read. */
struct mark_line {
    struct marks *marks;
    struct diagnostics *diagnostics;
    char place[320];
    json_t *object;
    struct mark *mark;
    bool failed;       /* something was said about it */
    bool tolerant, left_out; /* a torn line is left out */
    bool out_of_memory;
};

const char *mark_said(const struct mark *mark)
{
    return mark->value[0] ? mark->value : mark->text;
}

const char *mark_kind_text(enum mark_kind kind)
{
    return (unsigned)kind < KIND_COUNT ? kind_names[kind] : "unknown";
}

static void refuse(struct mark_line *line, const char *what)
{
    line->failed = true;
    diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place, "%s", what);
}

/* The text of a key, "" when it is not there. */
static const char *take_text(struct mark_line *line, const char *key)
{
    json_t *value = json_object_get(line->object, key);
    if (!value)
        return "";
    if (!json_is_string(value)) {
        line->failed = true;
        diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                        json_is_number(value)
                            ? "\"%s\" is a JSON number; write it as text, in quotes, so that no digit "
                              "is lost on the way"
                            : "\"%s\" must be text in quotes",
                        key);
        return "";
    }
    const char *copy = arena_text(&line->marks->arena, json_string_value(value), json_string_length(value));
    if (!copy)
        line->out_of_memory = true;
    return copy ? copy : "";
}

static void check_keys(struct mark_line *line)
{
    const char *key;
    json_t *value;
    json_object_foreach(line->object, key, value) {
        bool known = false;
        for (size_t i = 0; i < KEY_COUNT; i++)
            known = known || strcmp(key, key_names[i]) == 0;
        if (known)
            continue;
        const char *near = diagnostics_nearest(key, key_names, KEY_COUNT);
        line->failed = true;
        if (near)
            diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                            "unknown key \"%.80s\"; did you mean \"%s\"?", key, near);
        else
            diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                            "unknown key \"%.80s\"; a mark has time, kind, name, text, value, unit, withdraws", key);
    }
}

static void take_kind(struct mark_line *line)
{
    const char *kind = take_text(line, "kind");
    for (size_t i = 0; i < KIND_COUNT; i++) {
        if (strcmp(kind, kind_names[i]) == 0) {
            line->mark->kind = (enum mark_kind)i;
            return;
        }
    }
    if (line->failed)
        return;
    const char *near = diagnostics_nearest(kind, kind_names, KIND_COUNT);
    line->failed = true;
    if (!kind[0])
        diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                        "the mark has no \"kind\"; write \"kind\": \"note\" "
                        "or another kind");
    else if (near)
        diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place, "unknown kind \"%.80s\"; did you mean \"%s\"?",
                        kind, near);
    else
        diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                        "unknown kind \"%.80s\"; it is one of note, moment, "
                        "displayed, identity, condition, weight, challenge, withdrawal",
                        kind);
}

static void take_time(struct mark_line *line)
{
    const char *time = take_text(line, "time");
    if (line->failed)
        return;
    if (!time[0])
        refuse(line, "the mark has no \"time\"; write one like \"2026-03-02T08:00:00Z\"");
    else if (!text_parse_time(time, strlen(time), &line->mark->time)) {
        line->failed = true;
        diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                        "\"%.40s\" is no time; write date and time in UTC like \"2026-03-02T08:00:00Z\"", time);
    }
}

/* withdraws: the line must be there, before this one, and a mark that can be withdrawn. The marks so far are in list.
 */
static void take_withdraws(struct mark_line *line)
{
    json_t *value = json_object_get(line->object, "withdraws");
    if (!value) {
        if (line->mark->kind == MARK_WITHDRAWAL)
            refuse(line, "a withdrawal needs \"withdraws\": the line number of the mark it takes back");
        return;
    }
    if (line->mark->kind != MARK_WITHDRAWAL) {
        refuse(line, "\"withdraws\" belongs to \"kind\": \"withdrawal\" only");
        return;
    }
    json_int_t number = json_is_integer(value) ? json_integer_value(value) : 0;
    if (number < 1 || number > UINT32_MAX) {
        refuse(line, "\"withdraws\" must be a line number of this file, a whole number from 1");
        return;
    }
    line->mark->withdraws = (uint32_t)number;
    for (uint32_t i = 0; i < line->marks->count; i++) {
        struct mark *other = &line->marks->list[i];
        if (other->line != number)
            continue;
        if (other->kind == MARK_WITHDRAWAL) {
            refuse(line, "a withdrawal cannot be withdrawn; note the mark again instead");
        } else if (!other->withdrawn_by) {
            other->withdrawn_by = line->mark;
        }
        return;
    }
    line->failed = true;
    diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                    "there is no good mark on line %lld before this one to withdraw; give the line number of the mark",
                    (long long)number);
}

/* What each kind cannot do without; a value is in the number grammar (D 5.6, 6.1) or, for a condition, yes or no. */
static void check_content(struct mark_line *line)
{
    struct mark *mark = line->mark;
    bool is_number = mark->kind == MARK_DISPLAYED || mark->kind == MARK_WEIGHT;
    if ((mark->kind == MARK_MOMENT || mark->kind == MARK_CONDITION || mark->kind == MARK_IDENTITY ||
         mark->kind == MARK_DISPLAYED) && !mark->name[0]) {
        line->failed = true;
        diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place, "a mark of kind \"%s\" needs a \"name\"%s",
                        mark_kind_text(mark->kind),
                        mark->kind == MARK_CONDITION ? ": the condition's own words" : "");
    }
    if (mark->kind == MARK_CONDITION && strcmp(mark->value, "yes") != 0 && strcmp(mark->value, "no") != 0)
        refuse(line, "a condition's \"value\" is \"yes\" or \"no\"");
    if (mark->kind == MARK_IDENTITY && !mark->value[0] && !mark->text[0])
        refuse(line, "an identity needs the text that was read off in \"value\"");
    if (mark->kind == MARK_WEIGHT && !mark->value[0])
        refuse(line, "a weight needs a \"value\" like \"30\" and its \"unit\"");
    if (mark->kind == MARK_WITHDRAWAL && !mark->text[0])
        refuse(line, "a withdrawal needs its reason in \"text\"");
    if (is_number && mark->value[0]) {
        struct ratio number;
        const char *why = ratio_parse(mark->value, strlen(mark->value), &number);
        if (why) {
            line->failed = true;
            diagnostics_say(
                line->diagnostics, SEVERITY_ERROR, line->place,
                "\"value\": \"%.60s\" is no number (%s); write one like \"29.8\", the unit goes to \"unit\"",
                mark->value, why);
        }
    }
    if (strlen(mark->unit) > UNIT_MAX)
        refuse(line, "\"unit\" is longer than a unit can be (32 bytes)");
}

/* Reads one line into the next entry of the list, which is kept only when nothing was wrong. */
static void read_line(struct mark_line *line, const char *text, size_t length)
{
    json_error_t error;
    line->object = json_loadb(text, length, JSON_REJECT_DUPLICATES, &error);
    if (!line->object && line->tolerant) {
        line->left_out = true;
        diagnostics_say(line->diagnostics, SEVERITY_WARNING, line->place,
                        "is torn, as by a power cut while it was written: it is left out");
        return;
    }
    if (!json_is_object(line->object)) {
        line->failed = true;
        if (line->object)
            diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                            "this is no JSON object; each line of a marks file is one, like {\"time\": "
                            "\"2026-03-02T08:00:00Z\", \"kind\": \"note\", \"text\": \"...\"}");
        else
            diagnostics_say(line->diagnostics, SEVERITY_ERROR, line->place,
                            "this is no JSON (%.80s, column %d); each line of a marks file is one JSON object",
                            error.text, error.column);
        return;
    }
    check_keys(line);
    take_time(line);
    take_kind(line);
    struct mark *mark = line->mark;
    bool known = !line->failed;
    mark->name = take_text(line, "name");
    mark->text = take_text(line, "text");
    mark->value = take_text(line, "value");
    mark->unit = take_text(line, "unit");
    if (known && !line->failed)
        check_content(line);
    if (known)
        take_withdraws(line);
}

static bool is_blank(const char *text, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (text[i] != ' ' && text[i] != '\t' && text[i] != '\r')
            return false;
    return true;
}

/* Whether the first line with anything on it could be an object at all; else one message does for the whole file. */
static bool looks_like_marks(const char *text, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (!is_blank(text + i, 1) && text[i] != '\n')
            return text[i] == '{';
    return true;
}

static int compare_times(const void *a, const void *b)
{
    const struct mark *x = *(struct mark *const *)a, *y = *(struct mark *const *)b;
    if (x->time != y->time)
        return x->time < y->time ? -1 : 1;
    return x->line < y->line ? -1 : x->line > y->line;
}

static int read_lines(struct marks *marks, const char *shown, bool tolerant, struct diagnostics *diagnostics)
{
    bool failed = false;
    uint32_t number = 0;
    if (!tolerant && !looks_like_marks(marks->bytes, marks->length)) {
        diagnostics_say(
            diagnostics, SEVERITY_ERROR, shown,
            "is no marks file; each line of one is a JSON object, like {\"time\": \"2026-03-02T08:00:00Z\", "
            "\"kind\": \"note\", \"text\": \"...\"}");
        return EXIT_BAD_INPUT;
    }
    const char *at = marks->bytes, *end = at + marks->length;
    while (at < end) {
        const char *stop = memchr(at, '\n', (size_t)(end - at));
        size_t length = (size_t)((stop ? stop : end) - at);
        const char *text = at;
        at = stop ? stop + 1 : end;
        number++;
        if (is_blank(text, length))
            continue;
        struct mark_line line = {.marks = marks, .diagnostics = diagnostics, .mark = &marks->list[marks->count],
                                 .tolerant = tolerant};
        (void)snprintf(line.place, sizeof line.place, "%.255s:%u", shown, number);
        if (marks->count == MARKS_MAX) {
            refuse(&line, "more than 4096 marks; split the job or leave notes out");
            return EXIT_BAD_INPUT;
        }
        *line.mark = (struct mark){.line = number, .end = (size_t)(at - marks->bytes), .name = "", .text = "",
                                   .value = "", .unit = ""};
        read_line(&line, text, length);
        json_decref(line.object);
        if (line.out_of_memory) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, line.place, "not enough memory for the marks");
            return EXIT_OUR_FAULT;
        }
        if (line.failed)
            failed = true;
        else if (!line.left_out)
            marks->by_time[marks->count] = line.mark, marks->count++;
    }
    if (failed)
        return EXIT_BAD_INPUT;
    if (marks->count == 0 && !tolerant)
        diagnostics_say(diagnostics, SEVERITY_WARNING, shown, "the file holds no marks");
    qsort(marks->by_time, marks->count, sizeof *marks->by_time, compare_times);
    return 0;
}

/* The whole file into buffer; an exit code. */
static int read_file(const char *path, const char *shown, struct buffer *buffer, struct diagnostics *diagnostics)
{
    bool standard_input = strcmp(path, "-") == 0;
    int fd = standard_input ? STDIN_FILENO : open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, shown, "cannot be opened: %s; check the path", strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    int result = 0;
    char room[16384];
    for (;;) {
        ssize_t got = read(fd, room, sizeof room);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, shown, "cannot be read: %s", strerror(errno));
            result = EXIT_CANNOT_OPEN;
        } else if (got > 0 && buffer->length + (size_t)got > MARKS_FILE_MAX) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, shown, "is larger than 4 MiB; this is no marks file");
            result = EXIT_BAD_INPUT;
        } else if (got > 0 && !buffer_append(buffer, room, (size_t)got)) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, shown, "not enough memory for the marks");
            result = EXIT_OUR_FAULT;
        }
        if (got <= 0 || result)
            break;
    }
    if (!standard_input)
        (void)close(fd);
    return result;
}

static int load(struct marks *marks, const char *path, bool tolerant, struct diagnostics *diagnostics)
{
    *marks = (struct marks){.name = ""};
    arena_init(&marks->arena, 4u * MARKS_FILE_MAX);
    const char *shown = strcmp(path, "-") == 0 ? "standard input" : path;
    const char *slash = strrchr(path, '/');
    struct buffer buffer;
    buffer_init(&buffer, MARKS_FILE_MAX);
    int result = read_file(path, shown, &buffer, diagnostics);
    if (!result) {
        marks->name = arena_text(&marks->arena, slash ? slash + 1 : path, strlen(slash ? slash + 1 : path));
        marks->bytes = arena_text(&marks->arena, buffer.length ? (const char *)buffer.data : "", buffer.length);
        marks->length = buffer.length;
        marks->list = arena_take(&marks->arena, (MARKS_MAX + 1) * sizeof *marks->list);
        marks->by_time = arena_take(&marks->arena, (MARKS_MAX + 1) * sizeof *marks->by_time);
        if (!marks->name || !marks->bytes || !marks->list || !marks->by_time ||
            !digest_of(marks->bytes, marks->length, marks->sha256)) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, shown, "not enough memory for the marks");
            result = EXIT_OUR_FAULT;
        }
    }
    buffer_free(&buffer);
    if (!result)
        result = read_lines(marks, shown, tolerant, diagnostics);
    if (result)
        marks_free(marks);
    return result;
}

int marks_load(struct marks *marks, const char *path, struct diagnostics *diagnostics)
{
    return load(marks, path, false, diagnostics);
}

int marks_load_from_job(struct marks *marks, const char *path, struct diagnostics *diagnostics)
{
    return load(marks, path, true, diagnostics);
}

void marks_free(struct marks *marks)
{
    arena_free(&marks->arena);
    *marks = (struct marks){.name = ""};
}

/* ---- places in the record ---- */

static void set_next(struct mark_walk *walk, uint32_t next)
{
    walk->next = next;
    walk->next_time = next < walk->marks->count ? walk->marks->by_time[next]->time : INT64_MAX;
}

/* Number of marks whose time is not later than time. */
static uint32_t count_until(const struct marks *marks, int64_t time)
{
    uint32_t low = 0, high = marks->count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (marks->by_time[middle]->time <= time)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

void mark_walk_init(struct mark_walk *walk, struct marks *marks)
{
    *walk = (struct mark_walk){.marks = marks, .last_time = INT64_MIN, .latest = INT64_MIN};
    set_next(walk, 0);
}

/* The clock went back to time: everything later lies ahead once more. */
static void step_back(struct mark_walk *walk, int64_t time)
{
    if (walk->last_time > walk->latest)
        walk->latest = walk->last_time;
    set_next(walk, count_until(walk->marks, time));
}

void marks_survey_time(struct mark_walk *walk, int64_t time)
{
    if (time < walk->last_time)
        step_back(walk, time);
    while (time >= walk->next_time && walk->next < walk->marks->count) {
        struct mark *mark = walk->marks->by_time[walk->next];
        mark->places++;
        if (!walk->started && mark->time < time)
            mark->outside = true;
        set_next(walk, walk->next + 1);
    }
    walk->last_time = time;
    walk->started = true;
}

void marks_survey_end(struct mark_walk *walk)
{
    for (uint32_t i = 0; i < walk->marks->count; i++) {
        struct mark *mark = &walk->marks->list[i];
        if (mark->places == 0) {
            mark->places = 1;
            mark->outside = true;
        } else if (mark->places > 1) {
            mark->outside = false; /* before the first frame, but passed later: the clock went back below it */
        }
    }
}

void marks_bind_time(struct mark_walk *walk, int64_t time, void (*emit)(void *context, const struct mark *mark),
                     void *context)
{
    if (time < walk->last_time)
        step_back(walk, time);
    while (time >= walk->next_time && walk->next < walk->marks->count) {
        const struct mark *mark = walk->marks->by_time[walk->next];
        set_next(walk, walk->next + 1);
        if (mark->places == 1)
            emit(context, mark);
    }
    walk->last_time = time;
}

void marks_bind_end(struct mark_walk *walk, void (*emit)(void *context, const struct mark *mark), void *context)
{
    int64_t latest = walk->latest > walk->last_time ? walk->latest : walk->last_time;
    for (uint32_t i = walk->next; i < walk->marks->count; i++) {
        const struct mark *mark = walk->marks->by_time[i];
        if (mark->places == 1 && mark->time > latest)
            emit(context, mark);
    }
}
