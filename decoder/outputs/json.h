/*
 * A JSON document (RFC 8259) put to a sink piece by piece, indented for people: one member a line. The caller keeps
 * opens and closes in pairs; keys are NULL inside arrays. Nothing allocates; failures stay in the sink.
 */
#ifndef TT_JSON_H
#define TT_JSON_H

#include "../support/ratio.h"
#include "../support/sink.h"

#define JSON_DEPTH 16

struct json {
    struct sink *sink; /* borrowed */
    unsigned depth;
    bool filled[JSON_DEPTH]; /* something stands at that depth already */
};

void json_begin(struct json *json, struct sink *sink);
void json_end(struct json *json); /* the last line end */
void json_open(struct json *json, const char *key, char bracket); /* '{' or '[' */
void json_close(struct json *json, char bracket);                 /* '}' or ']' */
void json_nothing(struct json *json, const char *key);
void json_text(struct json *json, const char *key, const char *text); /* NULL is null */
void json_unsigned(struct json *json, const char *key, uint64_t number);
void json_bool(struct json *json, const char *key, bool yes);
void json_time(struct json *json, const char *key, int64_t time);
void json_hex(struct json *json, const char *key, const uint8_t *bytes, size_t length);
void json_hex_number(struct json *json, const char *key, uint64_t number, int digits); /* "0x22" */
/* An exact decimal (D 2.7); returns whether nothing was rounded. */
bool json_number(struct json *json, const char *key, tt_wide numerator, tt_wide denominator);

#endif
