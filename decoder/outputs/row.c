/* See row.h. */
#include "row.h"

#include "../support/digits.h"
#include "../support/text.h"

/* A key with its signs, and the longest value of a bounded length with its quotes. */
_Static_assert(ROW_KEY_MAX + 4 + RATIO_TEXT_MAX + 2 <= ROW_SPARE && TEXT_TIME_MAX <= RATIO_TEXT_MAX,
               "a field of bounded length fits behind any other");
_Static_assert(2 * ROW_SPARE <= ROW_ROOM, "one field does not flush each time");

void row_flush(struct row *row)
{
    if (row->at > row->from)
        sink_put(row->sink, row->from, (size_t)(row->at - row->from));
    row->from = row->at = row->room;
}

/* Behind every field: room for another. */
static inline void settle(struct row *row)
{
    if (row->at > row->room + ROW_ROOM - ROW_SPARE)
        row_flush(row);
}

/* Short pieces by two copies of a fixed size that may overlap: a call for each would cost more than the copy. */
static inline void copy_short(char *to, const char *from, size_t length)
{
    if (length > 32) {
        memcpy(to, from, length);
    } else if (length >= 16) {
        memcpy(to, from, 16);
        memcpy(to + (length - 16), from + (length - 16), 16);
    } else if (length >= 8) {
        memcpy(to, from, 8);
        memcpy(to + (length - 8), from + (length - 8), 8);
    } else if (length >= 4) {
        memcpy(to, from, 4);
        memcpy(to + (length - 4), from + (length - 4), 4);
    } else {
        for (size_t i = 0; i < length; i++)
            to[i] = from[i];
    }
}

static inline void put_char(struct row *row, char c)
{
    *row->at++ = c;
}

static inline void put_quote(struct row *row)
{
    if (row->form == ROW_JSON)
        put_char(row, '"');
}

/* Any length; behind it there is room for a quote. */
static inline void put(struct row *row, const char *text, size_t length)
{
    if (length >= (size_t)(row->room + ROW_ROOM - row->at)) {
        row_flush(row);
        if (length >= ROW_ROOM) {
            sink_put(row->sink, text, length);
            return;
        }
    }
    copy_short(row->at, text, length);
    row->at += length;
}

/* Text and CSV begin with what would be the first field's separator, which is skipped. */
void row_begin(struct row *row, struct sink *sink, enum row_form form, const char *kind)
{
    row->sink = sink;
    row->form = form;
    row->at = row->room;
    row->from = form == ROW_JSON ? row->room : row->room + 1;
    if (form != ROW_JSON)
        return;
    put(row, "{\"kind\":\"", 9);
    put(row, kind, strlen(kind));
    put_char(row, '"');
    settle(row);
}

void row_end(struct row *row)
{
    if (row->form == ROW_JSON)
        put_char(row, '}');
    if (row->form == ROW_CSV)
        put_char(row, '\r'); /* RFC 4180 section 2.1 */
    put_char(row, '\n');
    row_flush(row);
}

void row_end_inner(struct row *row)
{
    put_char(row, '}');
    row_flush(row);
}

void row_null_value(struct row *row)
{
    if (row->form == ROW_JSON) {
        memcpy(row->at, "null", 4);
        row->at += 4;
    }
    settle(row);
}

void row_text_value(struct row *row, const void *text, size_t length)
{
    row_flush(row);
    if (row->form == ROW_JSON)
        text_json(row->sink, text, length);
    else if (row->form == ROW_TEXT)
        text_listing(row->sink, text, length);
    else
        text_csv(row->sink, text, length);
}

void row_word_value(struct row *row, const char *word)
{
    size_t length = strlen(word);
    bool quoted = row->form == ROW_JSON || (row->form == ROW_TEXT && memchr(word, ' ', length));
    if (quoted)
        put_char(row, '"');
    put(row, word, length);
    if (quoted)
        put_char(row, '"');
    settle(row);
}

void row_unsigned_value(struct row *row, uint64_t number)
{
    row->at = digits_plain(row->at, number);
    settle(row);
}

void row_bool_value(struct row *row, bool yes)
{
    put(row, yes ? "true" : "false", yes ? 4 : 5);
    settle(row);
}

static const char hex_digits[] = "0123456789abcdef";

void row_hex_value(struct row *row, const uint8_t *bytes, size_t length)
{
    bool quoted = row->form == ROW_JSON || (row->form == ROW_TEXT && length == 0);
    if (quoted)
        put_char(row, '"');
    if (2 * length < (size_t)(row->room + ROW_ROOM - row->at)) {
        char *at = row->at;
        for (size_t i = 0; i < length; i++) {
            *at++ = hex_digits[bytes[i] >> 4];
            *at++ = hex_digits[bytes[i] & 15];
        }
        row->at = at;
    } else {
        row_flush(row);
        sink_hex(row->sink, bytes, length);
    }
    if (quoted)
        put_char(row, '"');
    settle(row);
}

void row_hex_number_value(struct row *row, uint64_t number, int digits)
{
    int count = digits < 1 ? 1 : digits > 16 ? 16 : digits;
    while (count < 16 && number >> (4 * count))
        count++;
    put_quote(row);
    put_char(row, '0');
    put_char(row, 'x');
    for (int i = count; i-- > 0; number >>= 4)
        row->at[i] = hex_digits[number & 15];
    row->at += count;
    put_quote(row);
    settle(row);
}

void row_time_value(struct row *row, int64_t time)
{
    put_quote(row);
    row->at += text_time(time, row->at);
    put_quote(row);
    settle(row);
}

void row_seconds_value(struct row *row, int64_t nanoseconds)
{
    row->at += text_seconds(nanoseconds, row->at);
    settle(row);
}

bool row_number_value(struct row *row, tt_wide numerator, tt_wide denominator)
{
    bool exact = true;
    row->at += ratio_print(numerator, denominator, row->at, &exact);
    settle(row);
    return exact;
}
