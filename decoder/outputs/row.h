/*
 * One object of an output, put field by field in one of three forms: a JSON line {"kind":"message",...}, a text line
 * key=value ... (D 9.2), or a CSV line. Every field is escaped for its form here, so a listing says once what it shows.
 * A field that has no value is null in JSON, key= in text and an empty field in CSV (a text of no characters is "" in
 * the first two). Nothing allocates; failures stay in the sink.
 */
#ifndef TT_ROW_H
#define TT_ROW_H

#include <string.h>

#include "../stages/transport.h"
#include "../support/ratio.h"
#include "../support/sink.h"

enum row_form { ROW_JSON, ROW_TEXT, ROW_CSV };

#define ROW_ROOM 640
/* Free behind every field: the next key with its signs and any value of a bounded length fit. */
#define ROW_SPARE 192
#define ROW_KEY_MAX 40

struct row {
    struct sink *sink; /* borrowed; behind row_key and row_end everything put so far is in it */
    enum row_form form;
    char *at;            /* in room: where the next byte goes */
    const char *from;    /* in room: the first byte that is not in the sink yet */
    char room[ROW_ROOM]; /* short fields are collected here: a row is put to the sink in few pieces */
};

/* kind stands only in JSON. */
void row_begin(struct row *row, struct sink *sink, enum row_form form, const char *kind);
void row_end(struct row *row);
/* Of a JSON object that stands inside another row: no line end. */
void row_end_inner(struct row *row);

/* What the macros below call: the value of a field whose key is put. */
void row_flush(struct row *row);
void row_null_value(struct row *row);
void row_text_value(struct row *row, const void *text, size_t length);
void row_word_value(struct row *row, const char *word);
void row_unsigned_value(struct row *row, uint64_t number);
void row_bool_value(struct row *row, bool yes);
void row_hex_value(struct row *row, const uint8_t *bytes, size_t length);
void row_hex_number_value(struct row *row, uint64_t number, int digits);
void row_time_value(struct row *row, int64_t time);
void row_seconds_value(struct row *row, int64_t nanoseconds);
bool row_number_value(struct row *row, tt_wide numerator, tt_wide denominator);

static inline void row_put_key(struct row *row, const char *json, size_t json_length, const char *text,
                               size_t text_length)
{
    if (row->form == ROW_TEXT) {
        memcpy(row->at, text, text_length);
        row->at += text_length;
    } else if (row->form == ROW_JSON) {
        memcpy(row->at, json, json_length);
        row->at += json_length;
    } else {
        *row->at++ = ',';
    }
}

static inline void row_text_or_null(struct row *row, const char *text)
{
    if (text)
        row_text_value(row, text, strlen(text));
    else
        row_null_value(row);
}

static inline void row_word_or_null(struct row *row, const char *word)
{
    if (word)
        row_word_value(row, word);
    else
        row_null_value(row);
}

/* Keys are literals: what stands before a value is then known when this is compiled, and copied without a call. */
#define ROW_KEY(row, key)                                                                                              \
    ((void)sizeof(char[sizeof(key) <= ROW_KEY_MAX + 1 ? 1 : -1]),                                                      \
     row_put_key(row, ",\"" key "\":", sizeof(",\"" key "\":") - 1, " " key "=", sizeof(" " key "=") - 1))

/* The key of a field whose value the caller puts into the sink. */
#define row_key(row, key) (ROW_KEY(row, key), row_flush(row))
#define row_null(row, key) (ROW_KEY(row, key), row_null_value(row))
/* Any text; NULL is "no value". */
#define row_text(row, key, text) (ROW_KEY(row, key), row_text_or_null(row, text))
#define row_text_of(row, key, text, length) (ROW_KEY(row, key), row_text_value(row, text, length))
/* A word of ours that needs no escape in JSON or CSV, at most 80 bytes; NULL is "no value". */
#define row_word(row, key, word) (ROW_KEY(row, key), row_word_or_null(row, word))
#define row_unsigned(row, key, number) (ROW_KEY(row, key), row_unsigned_value(row, number))
#define row_bool(row, key, yes) (ROW_KEY(row, key), row_bool_value(row, yes))
#define row_hex(row, key, bytes, length) (ROW_KEY(row, key), row_hex_value(row, bytes, length))
/* "0x22": at least that many digits. */
#define row_hex_number(row, key, number, digits) (ROW_KEY(row, key), row_hex_number_value(row, number, digits))
/* RFC 3339; left out in text (D 9.2 shows seconds only). */
#define row_time(row, key, time) ((row)->form == ROW_TEXT ? (void)0 : (ROW_KEY(row, key), row_time_value(row, time)))
#define row_seconds(row, key, nanoseconds) (ROW_KEY(row, key), row_seconds_value(row, nanoseconds))
/* An exact decimal (D 2.7); returns whether nothing was rounded. */
#define row_number(row, key, numerator, denominator)                                                                   \
    (ROW_KEY(row, key), row_number_value(row, numerator, denominator))

#endif
