/* See row.h. */
#include "row.h"

#include <string.h>

#include "../support/text.h"

void row_begin(struct row *row, struct sink *sink, enum row_form form, const char *kind)
{
    *row = (struct row){.sink = sink, .form = form, .first = true};
    if (form != ROW_JSON)
        return;
    sink_put(sink, "{\"kind\":\"", 9);
    sink_text(sink, kind);
    sink_char(sink, '"');
    row->first = false;
}

void row_end(struct row *row)
{
    if (row->form == ROW_JSON)
        sink_put(row->sink, "}\n", 2);
    else if (row->form == ROW_TEXT)
        sink_char(row->sink, '\n');
    else
        sink_put(row->sink, "\r\n", 2); /* RFC 4180 section 2.1 */
}

void row_key(struct row *row, const char *key)
{
    /* Room for the longest key of the outputs, so that one put is enough. */
    char text[48];
    size_t length = strlen(key), used = 0;
    if (row->form == ROW_JSON) {
        if (!row->first)
            text[used++] = ',';
        text[used++] = '"';
        memcpy(text + used, key, length < 40 ? length : 40);
        used += length < 40 ? length : 40;
        text[used++] = '"';
        text[used++] = ':';
    } else if (row->form == ROW_TEXT) {
        if (!row->first)
            text[used++] = ' ';
        memcpy(text + used, key, length < 40 ? length : 40);
        used += length < 40 ? length : 40;
        text[used++] = '=';
    } else if (!row->first) {
        text[used++] = ',';
    }
    row->first = false;
    sink_put(row->sink, text, used);
}

void row_null(struct row *row, const char *key)
{
    row_key(row, key);
    if (row->form == ROW_JSON)
        sink_put(row->sink, "null", 4);
}

void row_text_of(struct row *row, const char *key, const void *text, size_t length)
{
    row_key(row, key);
    if (row->form == ROW_JSON)
        text_json(row->sink, text, length);
    else if (row->form == ROW_TEXT)
        text_listing(row->sink, text, length);
    else
        text_csv(row->sink, text, length);
}

void row_text(struct row *row, const char *key, const char *text)
{
    if (text)
        row_text_of(row, key, text, strlen(text));
    else
        row_null(row, key);
}

void row_word(struct row *row, const char *key, const char *word)
{
    if (!word) {
        row_null(row, key);
    } else if (row->form == ROW_TEXT) {
        row_text(row, key, word); /* a word with a space needs its quotes */
    } else {
        row_key(row, key);
        if (row->form == ROW_JSON)
            sink_char(row->sink, '"');
        sink_text(row->sink, word);
        if (row->form == ROW_JSON)
            sink_char(row->sink, '"');
    }
}

void row_unsigned(struct row *row, const char *key, uint64_t number)
{
    row_key(row, key);
    sink_unsigned(row->sink, number);
}

void row_bool(struct row *row, const char *key, bool yes)
{
    row_key(row, key);
    if (yes)
        sink_put(row->sink, "true", 4);
    else
        sink_put(row->sink, "false", 5);
}

static void put_quote(struct row *row)
{
    if (row->form == ROW_JSON)
        sink_char(row->sink, '"');
}

void row_hex(struct row *row, const char *key, const uint8_t *bytes, size_t length)
{
    row_key(row, key);
    put_quote(row);
    if (length)
        sink_hex(row->sink, bytes, length);
    else if (row->form == ROW_TEXT)
        sink_put(row->sink, "\"\"", 2);
    put_quote(row);
}

void row_hex_number(struct row *row, const char *key, uint64_t number, int digits)
{
    row_key(row, key);
    put_quote(row);
    sink_put(row->sink, "0x", 2);
    sink_hex_number(row->sink, number, digits);
    put_quote(row);
}

void row_time(struct row *row, const char *key, int64_t time)
{
    char text[TEXT_TIME_MAX];
    if (row->form == ROW_TEXT)
        return;
    row_key(row, key);
    size_t length = text_time(time, text);
    put_quote(row);
    sink_put(row->sink, text, length);
    put_quote(row);
}

void row_seconds(struct row *row, const char *key, int64_t nanoseconds)
{
    char text[TEXT_TIME_MAX];
    size_t length = text_seconds(nanoseconds, text);
    row_key(row, key);
    sink_put(row->sink, text, length);
}

bool row_number(struct row *row, const char *key, tt_wide numerator, tt_wide denominator)
{
    char text[RATIO_TEXT_MAX];
    bool exact = true;
    size_t length = ratio_print(numerator, denominator, text, &exact);
    row_key(row, key);
    sink_put(row->sink, text, length);
    return exact;
}
