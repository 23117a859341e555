/* See json.h. */
#include "json.h"

#include <string.h>

#include "../support/text.h"

void json_begin(struct json *json, struct sink *sink)
{
    *json = (struct json){.sink = sink};
}

static void new_line(struct json *json)
{
    sink_char(json->sink, '\n');
    for (unsigned i = 0; i < json->depth; i++)
        sink_put(json->sink, "  ", 2);
}

/* What stands before a value: comma, line, key. */
static void begin_value(struct json *json, const char *key)
{
    if (json->filled[json->depth])
        sink_char(json->sink, ',');
    json->filled[json->depth] = true;
    if (json->depth > 0)
        new_line(json);
    if (key) {
        text_json(json->sink, key, strlen(key));
        sink_put(json->sink, ": ", 2);
    }
}

void json_open(struct json *json, const char *key, char bracket)
{
    begin_value(json, key);
    sink_char(json->sink, bracket);
    if (json->depth + 1 < JSON_DEPTH)
        json->depth++;
    json->filled[json->depth] = false;
}

void json_close(struct json *json, char bracket)
{
    bool filled = json->filled[json->depth];
    json->depth--;
    if (filled)
        new_line(json);
    sink_char(json->sink, bracket);
}

void json_end(struct json *json)
{
    sink_char(json->sink, '\n');
}

void json_nothing(struct json *json, const char *key)
{
    begin_value(json, key);
    sink_put(json->sink, "null", 4);
}

void json_text(struct json *json, const char *key, const char *text)
{
    begin_value(json, key);
    if (text)
        text_json(json->sink, text, strlen(text));
    else
        sink_put(json->sink, "null", 4);
}

void json_unsigned(struct json *json, const char *key, uint64_t number)
{
    begin_value(json, key);
    sink_unsigned(json->sink, number);
}

void json_bool(struct json *json, const char *key, bool yes)
{
    begin_value(json, key);
    sink_text(json->sink, yes ? "true" : "false");
}

void json_time(struct json *json, const char *key, int64_t time)
{
    char text[TEXT_TIME_MAX];
    begin_value(json, key);
    sink_char(json->sink, '"');
    sink_put(json->sink, text, text_time(time, text));
    sink_char(json->sink, '"');
}

void json_hex(struct json *json, const char *key, const uint8_t *bytes, size_t length)
{
    begin_value(json, key);
    sink_char(json->sink, '"');
    sink_hex(json->sink, bytes, length);
    sink_char(json->sink, '"');
}

void json_hex_number(struct json *json, const char *key, uint64_t number, int digits)
{
    begin_value(json, key);
    sink_put(json->sink, "\"0x", 3);
    sink_hex_number(json->sink, number, digits);
    sink_char(json->sink, '"');
}

bool json_number(struct json *json, const char *key, tt_wide numerator, tt_wide denominator)
{
    char text[RATIO_TEXT_MAX];
    bool exact = true;
    size_t length = ratio_print(numerator, denominator, text, &exact);
    begin_value(json, key);
    sink_put(json->sink, text, length);
    return exact;
}
