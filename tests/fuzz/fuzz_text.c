/*
 * Hostile text to the places it goes (D 8.7): JSON read back by jansson, CSV and listing read back by small readers of
 * their own grammar (RFC 4180; docs/outputs.md), HTML and terminal text looked through for what must not be in them.
 */
#include <jansson.h>
#include <string.h>

#include "../../decoder/outputs/row.h"
#include "../../decoder/support/text.h"
#include "fuzz.h"

static struct buffer memory;

/* Puts the text by `put`; the result stands in memory with a NUL behind it. */
static const char *made(void (*put)(struct sink *sink, const char *text, size_t length), const char *text,
                        size_t length)
{
    struct sink sink;
    buffer_clear(&memory);
    FUZZ_CHECK(sink_open_memory(&sink, &memory));
    put(&sink, text, length);
    FUZZ_CHECK(sink_close(&sink) && buffer_append(&memory, "", 1));
    return (const char *)memory.data;
}

/* Neither control bytes nor broken UTF-8, nor anything that turns the reading direction. */
static void check_clean(const char *text)
{
    FUZZ_CHECK(strlen(text) == memory.length - 1);
    FUZZ_CHECK(text_is_clean(text, strlen(text)));
}

static void row_of(struct sink *sink, enum row_form form, const char *text, size_t length)
{
    struct row row;
    row_begin(&row, sink, form, "k");
    row_text_of(&row, "a", text, length);
    row_hex(&row, "h", (const uint8_t *)text, length);
    row_null(&row, "n");
    row_text_of(&row, "b", text, length);
    row_end(&row);
}

static void json_row(struct sink *sink, const char *text, size_t length)
{
    row_of(sink, ROW_JSON, text, length);
}

static void csv_row(struct sink *sink, const char *text, size_t length)
{
    row_of(sink, ROW_CSV, text, length);
}

static void listing_row(struct sink *sink, const char *text, size_t length)
{
    row_of(sink, ROW_TEXT, text, length);
}

static void check_json(const char *text, size_t length, bool clean)
{
    const char *line = made(json_row, text, length);
    size_t whole = strlen(line);
    FUZZ_CHECK(whole > 0 && line[whole - 1] == '\n' && text_is_clean(line, whole - 1));
    json_error_t error;
    json_t *object = json_loadb(line, whole, JSON_REJECT_DUPLICATES | JSON_ALLOW_NUL, &error);
    FUZZ_CHECK(json_is_object(object) && json_object_size(object) == 5);
    json_t *a = json_object_get(object, "a"), *b = json_object_get(object, "b"), *h = json_object_get(object, "h");
    FUZZ_CHECK(json_is_string(a) && json_is_string(b) && json_equal(a, b) && json_is_string(h));
    FUZZ_CHECK(json_is_null(json_object_get(object, "n")) && json_string_length(h) == 2 * length);
    if (clean)
        FUZZ_CHECK(json_string_length(a) == length && memcmp(json_string_value(a), text, length) == 0);
    for (size_t i = 0; i < length; i++)
        FUZZ_CHECK(strtoul((char[]){json_string_value(h)[2 * i], json_string_value(h)[2 * i + 1], 0}, NULL, 16) ==
                   (uint8_t)text[i]);
    json_decref(object);
}

/* One field of RFC 4180 at *at, with what is quoted undone; moves behind it. */
static char *csv_field(const char **at, size_t *length)
{
    char *field = malloc(strlen(*at) + 1), *to = field;
    FUZZ_CHECK(field);
    if (**at == '"') {
        for (++*at;; ++*at) {
            FUZZ_CHECK(**at);
            if (**at == '"' && *++*at != '"')
                break;
            *to++ = **at;
        }
    } else {
        while (**at && **at != ',' && **at != '\r') {
            FUZZ_CHECK(**at != '"');
            *to++ = *(*at)++;
        }
    }
    *to = '\0';
    *length = (size_t)(to - field);
    return field;
}

static bool plain_number(const char *text)
{
    size_t at = *text == '-', whole = strspn(text + at, "0123456789");
    if (whole == 0)
        return false;
    at += whole;
    if (text[at] == '.') {
        size_t places = strspn(text + at + 1, "0123456789");
        return places > 0 && !text[at + 1 + places];
    }
    return !text[at];
}

static void check_csv(const char *text, size_t length, bool clean)
{
    const char *at = made(csv_row, text, length);
    size_t lengths[4];
    char *fields[4];
    for (unsigned i = 0; i < 4; i++) {
        fields[i] = csv_field(&at, &lengths[i]);
        FUZZ_CHECK(i == 3 ? strcmp(at, "\r\n") == 0 : *at++ == ',');
    }
    const char *shown = fields[0];
    FUZZ_CHECK(strcmp(shown, fields[3]) == 0 && lengths[1] == 2 * length && lengths[2] == 0);
    FUZZ_CHECK(text_is_clean(shown, lengths[0]));
    FUZZ_CHECK(!*shown || !strchr("=+-@\t\r", *shown) || plain_number(shown)); /* no formula */
    if (clean && length > 0)
        FUZZ_CHECK(strlen(shown) == length + (shown[0] == '\'' && text[0] != '\'' ? 1 : 0) ||
                   (text[0] == '\'' && strlen(shown) >= length));
    for (unsigned i = 0; i < 4; i++)
        free(fields[i]);
}

/* The value of key=VALUE read back: the very bytes that were put. */
static void check_listing(const char *text, size_t length)
{
    char *read = malloc(length + 1), *to = read;
    FUZZ_CHECK(read);
    check_clean(made(text_terminal, text, length));
    const char *at = made(text_listing, text, length);
    bool quoted = *at == '"';
    check_clean(at);
    for (at += quoted; *at && !(quoted && *at == '"'); at++) {
        FUZZ_CHECK((size_t)(to - read) < length && (quoted || !strchr(" \"=", *at)));
        if (*at == '\\' && at[1] == 'x') {
            *to++ = (char)strtoul((char[]){at[2], at[3], 0}, NULL, 16);
            at += 3;
        } else {
            at += *at == '\\';
            FUZZ_CHECK(quoted || at[0] != '\\');
            *to++ = *at;
        }
    }
    FUZZ_CHECK(quoted ? *at == '"' && !at[1] : length > 0 || !*at);
    FUZZ_CHECK((size_t)(to - read) == length && memcmp(read, text, length) == 0);
    free(read);
    const char *line = made(listing_row, text, length);
    FUZZ_CHECK(strchr(line, '\n') == line + strlen(line) - 1 && text_is_clean(line, strlen(line) - 1));
}

static void check_html(const char *text, size_t length)
{
    const char *at = made(text_html, text, length);
    check_clean(at);
    for (; *at; at++) {
        FUZZ_CHECK(*at != '<' && *at != '>' && *at != '"' && *at != '\'');
        if (*at == '&') {
            const char *end = strchr(at, ';');
            FUZZ_CHECK(end && end - at <= 6 && end - at >= 3);
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const char *text = size ? (const char *)data : "";
    bool clean = text_is_clean(text, size);
    buffer_init(&memory, 1u << 24);
    check_json(text, size, clean);
    check_csv(text, size, clean);
    check_listing(text, size);
    check_html(text, size);
    buffer_free(&memory);
    return 0;
}
