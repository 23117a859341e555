/* See row.h. */
#include "row.h"

#include <string.h>

#include "../support/digits.h"
#include "../support/text.h"

static void flush(struct row *row)
{
    sink_put(row->sink, row->room, row->used);
    row->used = 0;
}

/* Short pieces by two copies of a fixed size that may overlap: a call for each would cost more than the copy. */
static inline void copy_short(char *to, const char *from, size_t length)
{
    if (__builtin_constant_p(length) || length > 32) {
        memcpy(to, from, length);
    } else if (length >= 16) {
        memcpy(to, from, 16);
        memcpy(to + length - 16, from + length - 16, 16);
    } else if (length >= 8) {
        memcpy(to, from, 8);
        memcpy(to + length - 8, from + length - 8, 8);
    } else if (length >= 4) {
        memcpy(to, from, 4);
        memcpy(to + length - 4, from + length - 4, 4);
    } else {
        for (size_t i = 0; i < length; i++)
            to[i] = from[i];
    }
}

static inline void put(struct row *row, const char *text, size_t length)
{
    if (length > ROW_ROOM - row->used) {
        flush(row);
        if (length > ROW_ROOM) {
            sink_put(row->sink, text, length);
            return;
        }
    }
    copy_short(row->room + row->used, text, length);
    row->used += length;
}

static inline void put_char(struct row *row, char c)
{
    put(row, &c, 1);
}

void row_begin(struct row *row, struct sink *sink, enum row_form form, const char *kind)
{
    row->sink = sink;
    row->form = form;
    row->first = form != ROW_JSON;
    row->used = 0;
    if (form != ROW_JSON)
        return;
    put(row, "{\"kind\":\"", 9);
    put(row, kind, strlen(kind));
    put_char(row, '"');
}

void row_end(struct row *row)
{
    if (row->form == ROW_JSON)
        put(row, "}\n", 2);
    else if (row->form == ROW_TEXT)
        put(row, "\n", 1);
    else
        put(row, "\r\n", 2); /* RFC 4180 section 2.1 */
    flush(row);
}

void row_end_inner(struct row *row)
{
    put_char(row, '}');
    flush(row);
}

static inline void put_key(struct row *row, const char *key, size_t key_length)
{
    if (ROW_ROOM - row->used < key_length + 4)
        flush(row);
    char *at = row->room + row->used;
    bool json = row->form == ROW_JSON;
    if (!row->first)
        *at++ = row->form == ROW_TEXT ? ' ' : ',';
    row->first = false;
    if (row->form != ROW_CSV) {
        if (json)
            *at++ = '"';
        copy_short(at, key, key_length);
        at += key_length;
        if (json)
            *at++ = '"';
        *at++ = json ? ':' : '=';
    }
    row->used = (size_t)(at - row->room);
}

void row_key_at(struct row *row, const char *key, size_t key_length)
{
    put_key(row, key, key_length);
    flush(row);
}

void row_null_at(struct row *row, const char *key, size_t key_length)
{
    put_key(row, key, key_length);
    if (row->form == ROW_JSON)
        put(row, "null", 4);
}

void row_text_of_at(struct row *row, const char *key, size_t key_length, const void *text, size_t length)
{
    row_key_at(row, key, key_length);
    if (row->form == ROW_JSON)
        text_json(row->sink, text, length);
    else if (row->form == ROW_TEXT)
        text_listing(row->sink, text, length);
    else
        text_csv(row->sink, text, length);
}

void row_text_at(struct row *row, const char *key, size_t key_length, const char *text)
{
    if (text)
        row_text_of_at(row, key, key_length, text, strlen(text));
    else
        row_null_at(row, key, key_length);
}

void row_word_at(struct row *row, const char *key, size_t key_length, const char *word)
{
    if (!word) {
        row_null_at(row, key, key_length);
        return;
    }
    size_t length = strlen(word);
    bool quoted = row->form == ROW_JSON || (row->form == ROW_TEXT && memchr(word, ' ', length));
    put_key(row, key, key_length);
    if (quoted)
        put_char(row, '"');
    put(row, word, length);
    if (quoted)
        put_char(row, '"');
}

static void put_unsigned(struct row *row, uint64_t number)
{
    if (ROW_ROOM - row->used < DIGITS_MAX)
        flush(row);
    row->used = (size_t)(digits_plain(row->room + row->used, number) - row->room);
}

void row_unsigned_at(struct row *row, const char *key, size_t key_length, uint64_t number)
{
    put_key(row, key, key_length);
    put_unsigned(row, number);
}

void row_bool_at(struct row *row, const char *key, size_t key_length, bool yes)
{
    put_key(row, key, key_length);
    if (yes)
        put(row, "true", 4);
    else
        put(row, "false", 5);
}

static const char hex_digits[] = "0123456789abcdef";

void row_hex_at(struct row *row, const char *key, size_t key_length, const uint8_t *bytes, size_t length)
{
    bool quoted = row->form == ROW_JSON || (row->form == ROW_TEXT && length == 0);
    put_key(row, key, key_length);
    if (quoted)
        put_char(row, '"');
    if (2 * length < ROW_ROOM - row->used) {
        char *at = row->room + row->used;
        for (size_t i = 0; i < length; i++) {
            *at++ = hex_digits[bytes[i] >> 4];
            *at++ = hex_digits[bytes[i] & 15];
        }
        row->used = (size_t)(at - row->room);
    } else {
        flush(row);
        sink_hex(row->sink, bytes, length);
    }
    if (quoted)
        put_char(row, '"');
}

void row_hex_number_at(struct row *row, const char *key, size_t key_length, uint64_t number, int digits)
{
    char text[16];
    int count = digits < 1 ? 1 : digits > 16 ? 16 : digits;
    while (count < 16 && number >> (4 * count))
        count++;
    for (int i = count; i-- > 0; number >>= 4)
        text[i] = hex_digits[number & 15];
    put_key(row, key, key_length);
    if (row->form == ROW_JSON)
        put_char(row, '"');
    put(row, "0x", 2);
    put(row, text, (size_t)count);
    if (row->form == ROW_JSON)
        put_char(row, '"');
}

void row_time_at(struct row *row, const char *key, size_t key_length, int64_t time)
{
    char text[TEXT_TIME_MAX];
    if (row->form == ROW_TEXT)
        return;
    put_key(row, key, key_length);
    if (row->form == ROW_JSON)
        put_char(row, '"');
    put(row, text, text_time(time, text));
    if (row->form == ROW_JSON)
        put_char(row, '"');
}

void row_seconds_at(struct row *row, const char *key, size_t key_length, int64_t nanoseconds)
{
    char text[TEXT_TIME_MAX];
    size_t length = text_seconds(nanoseconds, text);
    put_key(row, key, key_length);
    put(row, text, length);
}

bool row_number_at(struct row *row, const char *key, size_t key_length, tt_wide numerator, tt_wide denominator)
{
    char text[RATIO_TEXT_MAX];
    bool exact = true;
    size_t length = ratio_print(numerator, denominator, text, &exact);
    put_key(row, key, key_length);
    put(row, text, length);
    return exact;
}
