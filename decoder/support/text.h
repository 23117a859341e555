/*
 * Text for the place it goes to (D 8.7), and times as text. Each writer appends to a sink (see sink.h) or a fixed
 * buffer; none allocates. text.c has the escapes, text_time.c the times. Bytes that are not valid UTF-8 are hostile
 * input and come out escaped, never raw.
 */
#ifndef TT_TEXT_H
#define TT_TEXT_H

#include "support.h"

struct sink;

/* JSON string (RFC 8259) with its quotes: quote and backslash behind a backslash; control bytes, DEL, U+0080..9F,
 * bidirectional controls and U+2028/9 as \u escapes; each byte that is no UTF-8 as \ufffd. */
void text_json(struct sink *sink, const char *text, size_t length);

/* One CSV field, RFC 4180: quoted when it holds comma, quote, CR, LF or leading/trailing space; what text_terminal
 * escapes is escaped here too (so no field spans lines); a first character = + - @ TAB CR that would start a formula
 * gets a leading apostrophe, unless the whole text is a plain decimal number (["-"] digits ["." digits]). */
void text_csv(struct sink *sink, const char *text, size_t length);

/* For a terminal: control bytes, DEL, C1, bidirectional controls, U+2028/9 and bytes that are no UTF-8 as \xHH (each
 * byte). */
void text_terminal(struct sink *sink, const char *text, size_t length);

/* For HTML, in text and in quoted attribute values: & < > " ' as character references; what text_terminal escapes, and
 * code points that are no characters, as \xHH (each byte). */
void text_html(struct sink *sink, const char *text, size_t length);

/* Value behind key= in a text listing (D 9.2): as text_terminal; between " when it holds a space, quote, = or backslash
 * or is empty; between quotes a quote or backslash stands behind a backslash, so the text can be read back. */
void text_listing(struct sink *sink, const char *text, size_t length);

/* True when length bytes are valid UTF-8 without control characters, bidirectional controls and U+2028/9 included
 * (D 6.1 names). */
bool text_is_clean(const char *text, size_t length);

#define TEXT_TIME_MAX 40
/* RFC 3339, UTC, nine decimals, "Z": 2026-03-02T08:00:00.000000000Z (D 9.3). Returns the length. Years 1970 to 2262. */
size_t text_time(int64_t nanoseconds, char out[TEXT_TIME_MAX]);
/* Reads RFC 3339 with Z, 0 to 9 decimals. False when it is not one, or no such day or time. A leap second is none. */
TT_MUST_USE bool text_parse_time(const char *text, size_t length, int64_t *nanoseconds);
/* Seconds with nine decimals ("0.104233000", "-1.500000000"). Returns the length. */
size_t text_seconds(int64_t nanoseconds, char out[TEXT_TIME_MAX]);
/* For sentences: at most two decimals (half to even), no trailing zeros, unit said: "2.5 s", "30 s", "40 ms" below one
 * second. Rounded: never compare or judge by it. */
size_t text_span(int64_t nanoseconds, char out[TEXT_TIME_MAX]);

#endif
