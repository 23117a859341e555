/*
 * One object of an output, put field by field in one of three forms: a JSON line {"kind":"message",...}, a text line
 * key=value ... (D 9.2), or a CSV line. Every field is escaped for its form here, so a listing says once what it shows.
 * A field that has no value is null in JSON, key= in text and an empty field in CSV (a text of no characters is "" in
 * the first two). Nothing allocates; failures stay in the sink.
 */
#ifndef TT_ROW_H
#define TT_ROW_H

#include "../stages/transport.h"
#include "../support/ratio.h"
#include "../support/sink.h"

enum row_form { ROW_JSON, ROW_TEXT, ROW_CSV };

#define ROW_ROOM 512

struct row {
    struct sink *sink; /* borrowed; behind row_key and row_end everything put so far is in it */
    enum row_form form;
    bool first;        /* no field yet */
    size_t used;
    char room[ROW_ROOM]; /* short fields are collected here: a row is put to the sink in few pieces */
};

/* kind stands only in JSON. */
void row_begin(struct row *row, struct sink *sink, enum row_form form, const char *kind);
void row_end(struct row *row);
/* Of a JSON object that stands inside another row: no line end. */
void row_end_inner(struct row *row);
/* The key of a JSON field whose value the caller puts. Other forms: the separator and, for text, "key=". */
void row_key_at(struct row *row, const char *key, size_t key_length);

void row_null_at(struct row *row, const char *key, size_t key_length);
/* Any text; NULL is "no value". */
void row_text_at(struct row *row, const char *key, size_t key_length, const char *text);
void row_text_of_at(struct row *row, const char *key, size_t key_length, const void *text, size_t length);
/* A word of ours that needs no escape in JSON or CSV; NULL is "no value". */
void row_word_at(struct row *row, const char *key, size_t key_length, const char *word);
void row_unsigned_at(struct row *row, const char *key, size_t key_length, uint64_t number);
void row_bool_at(struct row *row, const char *key, size_t key_length, bool yes);
void row_hex_at(struct row *row, const char *key, size_t key_length, const uint8_t *bytes, size_t length);
/* "0x22": at least that many digits. */
void row_hex_number_at(struct row *row, const char *key, size_t key_length, uint64_t number, int digits);
/* RFC 3339; left out in text (D 9.2 shows seconds only). */
void row_time_at(struct row *row, const char *key, size_t key_length, int64_t time);
void row_seconds_at(struct row *row, const char *key, size_t key_length, int64_t nanoseconds);
/* An exact decimal (D 2.7); returns whether nothing was rounded. */
bool row_number_at(struct row *row, const char *key, size_t key_length, tt_wide numerator, tt_wide denominator);

/* Keys are literals of at most 40 bytes, so their lengths are known when this is compiled. */
#define row_null(row, key) row_null_at(row, "" key, sizeof(key) - 1)
#define row_text(row, key, text) row_text_at(row, "" key, sizeof(key) - 1, text)
#define row_text_of(row, key, text, length) row_text_of_at(row, "" key, sizeof(key) - 1, text, length)
#define row_word(row, key, word) row_word_at(row, "" key, sizeof(key) - 1, word)
#define row_unsigned(row, key, number) row_unsigned_at(row, "" key, sizeof(key) - 1, number)
#define row_bool(row, key, yes) row_bool_at(row, "" key, sizeof(key) - 1, yes)
#define row_hex(row, key, bytes, length) row_hex_at(row, "" key, sizeof(key) - 1, bytes, length)
#define row_hex_number(row, key, number, digits) row_hex_number_at(row, "" key, sizeof(key) - 1, number, digits)
#define row_time(row, key, time) row_time_at(row, "" key, sizeof(key) - 1, time)
#define row_seconds(row, key, nanoseconds) row_seconds_at(row, "" key, sizeof(key) - 1, nanoseconds)
#define row_number(row, key, numerator, denominator) row_number_at(row, "" key, sizeof(key) - 1, numerator, denominator)
#define row_key(row, key) row_key_at(row, "" key, sizeof(key) - 1)

#endif
