/* See mistakes.h. */
#include "mistakes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool mistakes_init(struct mistakes *mistakes, struct arena *arena, const struct def_file *files, uint32_t file_count)
{
    *mistakes = (struct mistakes){.arena = arena, .files = files, .file_count = file_count};
    mistakes->lines = arena_take(arena, file_count * sizeof *mistakes->lines);
    mistakes->line_count = arena_take(arena, file_count * sizeof *mistakes->line_count);
    return mistakes->lines && mistakes->line_count;
}

static bool make_room(struct mistakes *mistakes)
{
    if (mistakes->count < mistakes->room)
        return true;
    uint32_t room = mistakes->room ? 2 * mistakes->room : 16;
    struct mistake *list = arena_take(mistakes->arena, room * sizeof *list);
    if (!list)
        return false;
    if (mistakes->count)
        memcpy(list, mistakes->list, mistakes->count * sizeof *list);
    mistakes->list = list;
    mistakes->room = room;
    return true;
}

void mistakes_add(struct mistakes *mistakes, enum severity severity, struct def_place place, const char *format, ...)
{
    if (severity == SEVERITY_ERROR)
        mistakes->errors++;
    if (mistakes->count == MISTAKES_KEPT) {
        mistakes->more = true;
        return;
    }
    char text[1024];
    va_list arguments;
    va_start(arguments, format);
    int length = vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    if (length < 0)
        length = 0;
    if ((size_t)length >= sizeof text)
        length = sizeof text - 1;
    char *copy = arena_text(mistakes->arena, text, (size_t)length);
    if (!copy || !make_room(mistakes)) {
        mistakes->no_memory = true;
        return;
    }
    mistakes->list[mistakes->count] = (struct mistake){place, severity, copy, mistakes->count};
    mistakes->count++;
}

/*
 * Length of the line break at bytes[at], 0 when there is none. The breaks of YAML 1.1 (4.2), NEL and the Unicode line
 * and paragraph separators included, because libyaml counts lines by them.
 */
static size_t break_length(const char *bytes, size_t length, size_t at)
{
    uint8_t c = (uint8_t)bytes[at];
    if (c == '\n')
        return 1;
    if (c == '\r')
        return at + 1 < length && bytes[at + 1] == '\n' ? 2 : 1;
    if (c == 0xC2 && at + 1 < length && (uint8_t)bytes[at + 1] == 0x85)
        return 2;
    if (c == 0xE2 && at + 2 < length && (uint8_t)bytes[at + 1] == 0x80 &&
        ((uint8_t)bytes[at + 2] == 0xA8 || (uint8_t)bytes[at + 2] == 0xA9))
        return 3;
    return 0;
}

/* Fills starts (when not NULL) with the offset of each line; returns how many lines there are. */
static uint32_t find_lines(const struct def_file *file, uint32_t *starts)
{
    bool marked = file->length >= 3 && memcmp(file->bytes, "\xEF\xBB\xBF", 3) == 0;
    uint32_t count = 1;
    size_t at = marked ? 3 : 0; /* libyaml does not count a byte-order mark as a column */
    if (starts)
        starts[0] = (uint32_t)at;
    while (at < file->length) {
        size_t skip = break_length(file->bytes, file->length, at);
        at += skip ? skip : 1;
        if (!skip)
            continue;
        if (starts)
            starts[count] = (uint32_t)at;
        count++;
    }
    return count;
}

/* Where a line starts and how long it is without its break; false when there is no such line. */
static bool line_of(struct mistakes *mistakes, struct def_place place, size_t *start, size_t *length)
{
    if (place.file >= mistakes->file_count || place.line == 0 || !mistakes->files[place.file].bytes)
        return false;
    const struct def_file *file = &mistakes->files[place.file];
    if (!mistakes->lines[place.file]) {
        uint32_t count = find_lines(file, NULL);
        mistakes->lines[place.file] = arena_take(mistakes->arena, count * sizeof **mistakes->lines);
        if (!mistakes->lines[place.file]) {
            mistakes->no_memory = true; /* the same file would be told otherwise */
            return false;
        }
        mistakes->line_count[place.file] = find_lines(file, mistakes->lines[place.file]);
    }
    if (place.line > mistakes->line_count[place.file])
        return false;
    *start = mistakes->lines[place.file][place.line - 1];
    size_t end = *start;
    while (end < file->length && break_length(file->bytes, file->length, end) == 0)
        end++;
    *length = end - *start;
    return true;
}

size_t mistakes_offset(struct mistakes *mistakes, struct def_place place)
{
    size_t start, length;
    if (!line_of(mistakes, place, &start, &length))
        return mistakes->files[place.file].length;
    const char *bytes = mistakes->files[place.file].bytes;
    size_t at = start, end = mistakes->files[place.file].length;
    for (uint32_t column = 1; column < place.column && at < end; column++) {
        at++;
        while (at < end && ((uint8_t)bytes[at] & 0xC0) == 0x80) /* the rest of a UTF-8 character */
            at++;
    }
    return at;
}

void mistakes_print(struct mistakes *mistakes, struct diagnostics *diagnostics, enum severity severity,
                    struct def_place place, const char *text)
{
    const char *path = place.file < mistakes->file_count ? mistakes->files[place.file].path : NULL;
    size_t start, length;
    if (line_of(mistakes, place, &start, &length))
        diagnostics_at(diagnostics, severity, path, place.line, place.column, mistakes->files[place.file].bytes + start,
                       length, "%s", text);
    else
        diagnostics_say(diagnostics, severity, path, "%s", text);
}

static int by_place(const void *left, const void *right)
{
    const struct mistake *a = left, *b = right;
    if (a->place.file != b->place.file)
        return a->place.file < b->place.file ? -1 : 1;
    if (a->place.line != b->place.line)
        return a->place.line < b->place.line ? -1 : 1;
    if (a->place.column != b->place.column)
        return a->place.column < b->place.column ? -1 : 1;
    return a->order < b->order ? -1 : a->order > b->order;
}

static bool repeated(const struct mistake *a, const struct mistake *b)
{
    return a->place.file == b->place.file && a->place.line == b->place.line && a->place.column == b->place.column &&
           strcmp(a->text, b->text) == 0;
}

void mistakes_tell(struct mistakes *mistakes, struct diagnostics *diagnostics)
{
    if (mistakes->count)
        qsort(mistakes->list, mistakes->count, sizeof *mistakes->list, by_place);
    for (uint32_t i = 0; i < mistakes->count; i++) {
        const struct mistake *mistake = &mistakes->list[i];
        /* What stands behind an anchor is checked at each use, and would be told as often. */
        if (i == 0 || !repeated(mistake, mistake - 1))
            mistakes_print(mistakes, diagnostics, mistake->severity, mistake->place, mistake->text);
    }
    if (mistakes->more)
        diagnostics_say(diagnostics, SEVERITY_ERROR, NULL, "more than %d mistakes: the rest is not listed",
                        MISTAKES_KEPT);
    if (mistakes->no_memory)
        diagnostics_say(diagnostics, SEVERITY_ERROR, NULL, "memory ran out while definition files were checked");
}
