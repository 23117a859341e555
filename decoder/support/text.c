/* See text.h. Runs of harmless bytes are copied whole; only what needs an escape is looked at on its own. */
#include "text.h"

#include <string.h>

#include "sink.h"

/*
 * Length (1 to 4) of the UTF-8 sequence at `at`, and its code point; 0 when the first byte begins no valid sequence
 * (RFC 3629 section 4: no overlong forms, no surrogates, nothing above U+10FFFF). left > 0.
 */
static size_t next_character(const uint8_t *at, size_t left, uint32_t *code)
{
    static const uint32_t least[5] = {0, 0, 0x80, 0x800, 0x10000};
    uint8_t first = at[0];
    if (first < 0x80) {
        *code = first;
        return 1;
    }
    size_t length = first >= 0xF0 ? 4 : first >= 0xE0 ? 3 : 2;
    if (first < 0xC2 || first > 0xF4 || left < length)
        return 0;
    uint32_t number = first & (0x7FU >> length);
    for (size_t i = 1; i < length; i++) {
        if ((at[i] & 0xC0) != 0x80)
            return 0;
        number = number << 6 | (at[i] & 0x3F);
    }
    if (number < least[length] || number > 0x10FFFF || (number >= 0xD800 && number <= 0xDFFF))
        return 0;
    *code = number;
    return length;
}

/* C0, DEL and C1 (Unicode category Cc). */
static bool is_control(uint32_t code)
{
    return code < 0x20 || (code >= 0x7F && code < 0xA0);
}

/* Unicode property Bidi_Control, and the line and paragraph separators: they reorder or break lines. */
static bool is_layout(uint32_t code)
{
    return code == 0x61C || code == 0x200E || code == 0x200F || (code >= 0x2028 && code <= 0x202E) ||
           (code >= 0x2066 && code <= 0x2069);
}

static void put_escape(struct sink *sink, const char *prefix, uint32_t number, int digits)
{
    sink_text(sink, prefix);
    sink_hex_number(sink, number, digits);
}

void text_json(struct sink *sink, const char *text, size_t length)
{
    const uint8_t *at = (const uint8_t *)text;
    size_t run = 0;
    sink_char(sink, '"');
    while (run < length) {
        uint32_t code = 0;
        size_t taken = next_character(at + run, length - run, &code);
        if (taken > 0 && !is_control(code) && !is_layout(code) && code != '"' && code != '\\') {
            run += taken;
            continue;
        }
        sink_put(sink, at, run);
        if (taken == 0)
            sink_text(sink, "\\ufffd");
        else if (code == '"' || code == '\\')
            sink_text(sink, code == '"' ? "\\\"" : "\\\\");
        else
            put_escape(sink, "\\u", code, 4); /* everything escaped lies in the first plane */
        run += taken > 0 ? taken : 1;
        at += run;
        length -= run;
        run = 0;
    }
    sink_put(sink, at, run);
    sink_char(sink, '"');
}

/* Everything harmless as it is, the rest as \xHH for each byte; a byte found in `twice` is put with `before` ahead. */
static void put_visible(struct sink *sink, const char *text, size_t length, const char *twice, char before)
{
    const uint8_t *at = (const uint8_t *)text;
    size_t run = 0;
    while (run < length) {
        uint32_t code = 0;
        size_t taken = next_character(at + run, length - run, &code);
        bool doubled = taken == 1 && code != 0 && strchr(twice, (int)code);
        if (taken > 0 && !is_control(code) && !is_layout(code) && !doubled) {
            run += taken;
            continue;
        }
        sink_put(sink, at, run);
        at += run;
        length -= run;
        run = 0;
        if (doubled) {
            sink_char(sink, before);
            sink_char(sink, (char)code);
        }
        size_t hidden = taken > 0 ? taken : 1;
        for (size_t i = 0; !doubled && i < hidden; i++)
            put_escape(sink, "\\x", at[i], 2);
        at += hidden;
        length -= hidden;
    }
    sink_put(sink, at, run);
}

void text_terminal(struct sink *sink, const char *text, size_t length)
{
    put_visible(sink, text, length, "", 0);
}

/* Unicode 3.4, noncharacters: an HTML parser calls them errors. */
static bool is_no_character(uint32_t code)
{
    return (code & 0xFFFE) == 0xFFFE || (code >= 0xFDD0 && code <= 0xFDEF);
}

void text_html(struct sink *sink, const char *text, size_t length)
{
    const uint8_t *at = (const uint8_t *)text;
    size_t run = 0;
    while (run < length) {
        uint32_t code = 0;
        size_t taken = next_character(at + run, length - run, &code);
        const char *reference = taken != 1    ? NULL
                                : code == '&' ? "&amp;"
                                : code == '<' ? "&lt;"
                                : code == '>' ? "&gt;"
                                : code == '"' ? "&quot;"
                                : code == '\'' ? "&#39;"
                                              : NULL;
        if (taken > 0 && !reference && !is_control(code) && !is_layout(code) && !is_no_character(code)) {
            run += taken;
            continue;
        }
        size_t hidden = taken > 0 ? taken : 1;
        sink_put(sink, at, run);
        if (reference)
            sink_text(sink, reference);
        for (size_t i = 0; !reference && i < hidden; i++)
            put_escape(sink, "\\x", at[run + i], 2);
        at += run + hidden;
        length -= run + hidden;
        run = 0;
    }
    sink_put(sink, at, run);
}

static bool holds(const char *text, size_t length, const char *any)
{
    for (; *any; any++)
        if (length > 0 && memchr(text, *any, length))
            return true;
    return false;
}

void text_listing(struct sink *sink, const char *text, size_t length)
{
    /* A backslash forces quotes too: without them \x1b would be read as the escape of a control byte. */
    if (length > 0 && !holds(text, length, " \"=\\")) {
        put_visible(sink, text, length, "", 0);
        return;
    }
    sink_char(sink, '"');
    put_visible(sink, text, length, "\"\\", '\\');
    sink_char(sink, '"');
}

/* ["-"] digits ["." digits], as ratio_print writes it: nothing a spreadsheet could run. */
static bool is_plain_number(const char *text, size_t length)
{
    size_t i = length > 0 && text[0] == '-', start = i;
    while (i < length && text[i] >= '0' && text[i] <= '9')
        i++;
    if (i == start)
        return false;
    if (i < length && text[i] == '.') {
        start = ++i;
        while (i < length && text[i] >= '0' && text[i] <= '9')
            i++;
        if (i == start)
            return false;
    }
    return i == length;
}

void text_csv(struct sink *sink, const char *text, size_t length)
{
    if (length == 0)
        return;
    bool formula = memchr("=+-@\t\r", text[0], 6) && !is_plain_number(text, length);
    bool quoted = holds(text, length, ",\"\r\n") || text[0] == ' ' || text[length - 1] == ' ';
    if (quoted)
        sink_char(sink, '"');
    if (formula)
        sink_char(sink, '\'');
    put_visible(sink, text, length, "\"", '"');
    if (quoted)
        sink_char(sink, '"');
}

bool text_is_clean(const char *text, size_t length)
{
    const uint8_t *at = (const uint8_t *)text;
    while (length > 0) {
        uint32_t code;
        size_t taken = next_character(at, length, &code);
        if (taken == 0 || is_control(code) || is_layout(code))
            return false;
        at += taken;
        length -= taken;
    }
    return true;
}
