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

struct row {
    struct sink *sink; /* borrowed */
    enum row_form form;
    bool first;        /* no field yet */
};

/* kind stands only in JSON. */
void row_begin(struct row *row, struct sink *sink, enum row_form form, const char *kind);
void row_end(struct row *row);
/* The key of a JSON field whose value the caller puts. Other forms: the separator and, for text, "key=". */
void row_key(struct row *row, const char *key);

void row_null(struct row *row, const char *key);
/* Any text; NULL is "no value". */
void row_text(struct row *row, const char *key, const char *text);
void row_text_of(struct row *row, const char *key, const void *text, size_t length);
/* A word of ours that needs no escape in JSON or CSV; NULL is "no value". */
void row_word(struct row *row, const char *key, const char *word);
void row_unsigned(struct row *row, const char *key, uint64_t number);
void row_bool(struct row *row, const char *key, bool yes);
void row_hex(struct row *row, const char *key, const uint8_t *bytes, size_t length);
/* "0x22": at least that many digits. */
void row_hex_number(struct row *row, const char *key, uint64_t number, int digits);
/* RFC 3339; left out in text (D 9.2 shows seconds only). */
void row_time(struct row *row, const char *key, int64_t time);
void row_seconds(struct row *row, const char *key, int64_t nanoseconds);
/* An exact decimal (D 2.7); returns whether nothing was rounded. */
bool row_number(struct row *row, const char *key, tt_wide numerator, tt_wide denominator);

#endif
