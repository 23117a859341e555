/* See text_lines.h. */
#include "text_lines.h"

#include <errno.h>
#include <string.h>

#include "../support/text.h"

struct sink *text_lines_begin(struct text_lines *lines)
{
    buffer_clear(&lines->memory);
    if (!sink_open_memory(&lines->line, &lines->memory)) /* cannot be: memory is there */
        lines->line.error = lines->line.error ? lines->line.error : ENOMEM;
    return &lines->line;
}

static size_t columns(const char *text, size_t length)
{
    size_t count = 0;
    for (size_t i = 0; i < length; i++)
        count += ((unsigned char)text[i] & 0xC0) != 0x80;
    return count;
}

static void pad(struct sink *sink, size_t count)
{
    for (size_t i = 0; i < count; i++)
        sink_char(sink, ' ');
}

void text_lines_end(struct text_lines *lines, const char *label, size_t indent)
{
    const char *at = (const char *)lines->memory.data;
    size_t left = lines->memory.length, used = columns(label, strlen(label));
    bool first = true;
    if (lines->line.error) /* the line is too long for memory: never print half of it as if it were whole */
        lines->sink->error = lines->sink->error ? lines->sink->error : lines->line.error;
    sink_text(lines->sink, label);
    while (left > 0) {
        const char *space = memchr(at, ' ', left);
        size_t length = space ? (size_t)(space - at) : left, wide = columns(at, length);
        if (!first && lines->width && used + 1 + wide > lines->width) {
            sink_char(lines->sink, '\n');
            used = 0;
        }
        if (used < indent) {
            pad(lines->sink, indent - used);
            used = indent;
        } else if (used > 0) {
            sink_char(lines->sink, ' ');
            used++;
        }
        sink_put(lines->sink, at, length);
        used += wide;
        first = false;
        at += length + (space ? 1 : 0);
        left -= length + (space ? 1 : 0);
    }
    sink_char(lines->sink, '\n');
}

void text_lines_put(struct text_lines *lines, const char *label, size_t indent, const char *text)
{
    text_terminal(text_lines_begin(lines), text, strlen(text));
    text_lines_end(lines, label, indent);
}
