/* See diagnostics.h. A slow path: every message is built whole in memory, so that it goes out in one write. */
#include "diagnostics.h"

#include <stdlib.h>
#include <string.h>

#include "sink.h"
#include "text.h"

#define MOST_BY_DEFAULT 1000
#define MESSAGE_CEILING ((size_t)1 << 20)
#define SOURCE_SHOWN 160
#define NEAREST_LONGEST 255 /* longer text is no slip of a name (names have at most 200 bytes) */

void diagnostics_init(struct diagnostics *diagnostics, FILE *out)
{
    *diagnostics = (struct diagnostics){.out = out};
}

static bool told; /* an error went out to a person, from anywhere in this process */

bool diagnostics_told(void)
{
    return told;
}

/* Counts, and tells whether this message is to be printed. */
static bool admit(struct diagnostics *diagnostics, enum severity severity)
{
    uint64_t *counter = severity == SEVERITY_ERROR     ? &diagnostics->errors
                        : severity == SEVERITY_WARNING ? &diagnostics->warnings
                                                       : &diagnostics->remarks;
    (*counter)++;
    uint64_t most = diagnostics->most ? diagnostics->most : MOST_BY_DEFAULT;
    uint64_t total = diagnostics->errors + diagnostics->warnings + diagnostics->remarks;
    if (!diagnostics->out || (diagnostics->errors_only && severity != SEVERITY_ERROR))
        return false;
    if (total == most + 1)
        (void)fprintf(diagnostics->out, "remark: %llu messages are shown; further ones are counted only\n",
                (unsigned long long)most);
    told |= severity == SEVERITY_ERROR && total <= most;
    return total <= most;
}

static const char *severity_word(enum severity severity)
{
    return severity == SEVERITY_ERROR ? "error: " : severity == SEVERITY_WARNING ? "warning: " : "remark: ";
}

/* The formatted message, escaped and with its line end. Without memory the bare format is the message. */
static void put_message(struct sink *sink, const char *format, va_list arguments)
{
    va_list again;
    va_copy(again, arguments);
    int length = vsnprintf(NULL, 0, format, again);
    va_end(again);
    char *text = length >= 0 ? malloc((size_t)length + 1) : NULL;
    if (text && vsnprintf(text, (size_t)length + 1, format, arguments) == length)
        text_terminal(sink, text, (size_t)length);
    else
        text_terminal(sink, format, strlen(format));
    free(text);
    sink_char(sink, '\n');
}

/* Writes what was built; when memory ran out a shorter line still says that there was a message. */
static void send(struct diagnostics *diagnostics, enum severity severity, struct sink *sink, struct buffer *built)
{
    bool good = sink && sink_close(sink) && built->length > 0;
    if (good)
        (void)fwrite(built->data, 1, built->length, diagnostics->out);
    else
        (void)fprintf(diagnostics->out, "%sa message is too long to be shown, or memory ran out\n", severity_word(severity));
    (void)fflush(diagnostics->out);
    buffer_free(built);
}

static bool begin(struct sink *sink, struct buffer *built, enum severity severity, const char *place)
{
    buffer_init(built, MESSAGE_CEILING);
    if (!sink_open_memory(sink, built))
        return false;
    sink_text(sink, severity_word(severity));
    if (place) {
        text_terminal(sink, place, strlen(place));
        sink_char(sink, ':');
    }
    return true;
}

void diagnostics_say(struct diagnostics *diagnostics, enum severity severity, const char *place,
                     const char *format, ...)
{
    if (!admit(diagnostics, severity))
        return;
    struct buffer built;
    struct sink sink;
    va_list arguments;
    if (!begin(&sink, &built, severity, place)) {
        send(diagnostics, severity, NULL, &built);
        return;
    }
    if (place)
        sink_char(&sink, ' ');
    va_start(arguments, format);
    put_message(&sink, format, arguments);
    va_end(arguments);
    send(diagnostics, severity, &sink, &built);
}

int diagnostics_no_memory(struct diagnostics *diagnostics, const char *place)
{
    diagnostics_say(diagnostics, SEVERITY_ERROR, place, "memory ran out; close other programs and run again");
    return EXIT_OUR_FAULT;
}

/* Byte offset of the character with this number (from 0), at most length. Every byte but a UTF-8 trailer begins one. */
static size_t offset_of(const char *source, size_t length, size_t character)
{
    size_t at = 0;
    while (at < length && character > 0) {
        at++;
        while (at < length && ((uint8_t)source[at] & 0xC0) == 0x80)
            at++;
        character--;
    }
    return at;
}

/* Characters the terminal shows for built bytes `from` on (they are valid UTF-8 by now). */
static size_t width_of(const struct buffer *built, size_t from)
{
    size_t width = 0;
    for (size_t i = from; i < built->length; i++)
        width += (built->data[i] & 0xC0) != 0x80;
    return width;
}

static void put_source(struct sink *sink, const struct buffer *built, const char *source, size_t length, size_t column)
{
    const char *line_end = length > 0 ? memchr(source, '\n', length) : NULL;
    if (line_end)
        length = (size_t)(line_end - source);
    if (length > 0 && source[length - 1] == '\r')
        length--;
    size_t caret = offset_of(source, length, column - 1);
    /* A caret far to the right is shown in a window around it. */
    size_t from = caret > SOURCE_SHOWN - 20 ? offset_of(source, length, column > 80 ? column - 80 : 0) : 0;
    if (caret - from > SOURCE_SHOWN)
        from = caret - SOURCE_SHOWN / 2; /* many bytes to a character */
    while (from > 0 && from < caret && ((uint8_t)source[from] & 0xC0) == 0x80)
        from++;
    size_t to = length - from > SOURCE_SHOWN ? from + SOURCE_SHOWN : length;
    while (to < length && to > caret && ((uint8_t)source[to] & 0xC0) == 0x80)
        to--;

    size_t shown = built->length;
    sink_text(sink, from > 0 ? "    ..." : "    ");
    text_terminal(sink, source + from, caret - from);
    size_t width = width_of(built, shown);
    text_terminal(sink, source + caret, to - caret);
    sink_text(sink, to < length ? "...\n" : "\n");
    while (width-- > 0)
        sink_char(sink, ' ');
    sink_text(sink, "^\n");
}

void diagnostics_at(struct diagnostics *diagnostics, enum severity severity, const char *file, size_t line,
                    size_t column, const char *source, size_t source_length, const char *format, ...)
{
    if (!admit(diagnostics, severity))
        return;
    struct buffer built;
    struct sink sink;
    va_list arguments;
    if (!begin(&sink, &built, severity, file)) {
        send(diagnostics, severity, NULL, &built);
        return;
    }
    sink_unsigned(&sink, line);
    sink_char(&sink, ':');
    sink_unsigned(&sink, column);
    sink_text(&sink, ": ");
    va_start(arguments, format);
    put_message(&sink, format, arguments);
    va_end(arguments);
    if (source)
        put_source(&sink, &built, source, source_length, column > 0 ? column : 1);
    send(diagnostics, severity, &sink, &built);
}

static int fold(char c)
{
    return c >= 'A' && c <= 'Z' ? c + ('a' - 'A') : (unsigned char)c;
}

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Edit distance with swaps of neighbours (each part edited once at the most). Lengths at most NEAREST_LONGEST. */
static size_t distance(const char *a, size_t a_length, const char *b, size_t b_length)
{
    size_t rows[3][NEAREST_LONGEST + 1];
    size_t *before = rows[0], *above = rows[1], *now = rows[2];
    for (size_t j = 0; j <= b_length; j++)
        above[j] = before[j] = j;
    for (size_t i = 1; i <= a_length; i++) {
        now[0] = i;
        for (size_t j = 1; j <= b_length; j++) {
            bool same = fold(a[i - 1]) == fold(b[j - 1]);
            now[j] = least(least(above[j], now[j - 1]) + 1, above[j - 1] + !same);
            if (i > 1 && j > 1 && fold(a[i - 1]) == fold(b[j - 2]) && fold(a[i - 2]) == fold(b[j - 1]))
                now[j] = least(now[j], before[j - 2] + 1);
        }
        size_t *free_row = before;
        before = above;
        above = now;
        now = free_row;
    }
    return above[b_length];
}

const char *diagnostics_nearest(const char *text, const char *const *names, size_t count)
{
    size_t length = strlen(text);
    size_t limit = 1 + length / 4;
    const char *nearest = NULL;
    if (length > NEAREST_LONGEST)
        return NULL;
    for (size_t i = 0; i < count; i++) {
        size_t name_length = names[i] ? strlen(names[i]) : 0;
        size_t longer = length > name_length ? length : name_length;
        if (!names[i] || name_length > NEAREST_LONGEST || longer - least(length, name_length) > limit)
            continue;
        size_t apart = distance(text, length, names[i], name_length);
        if (apart > limit || apart == longer) /* apart == longer: not one character in common */
            continue;
        nearest = names[i];
        if (apart == 0)
            break;
        limit = apart - 1; /* a later one must be nearer; the first of equals stays */
    }
    return nearest;
}
