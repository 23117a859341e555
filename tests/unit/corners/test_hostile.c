/*
 * Hostile input for decoder/support: text and numbers nobody should send. Small claims that must hold for every byte
 * string, tried on all short UTF-8 sequences and on seeded random bytes; the expected side is coded here on its own.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "diagnostics.h"
#include "sink.h"
#include "text.h"
#include "units.h"

typedef void writer(struct sink *sink, const char *text, size_t length);

static struct buffer memory;

/* What the writer makes of the bytes; stays valid until the next call. */
static const struct buffer *written(writer *write, const void *text, size_t length)
{
    struct sink sink;
    buffer_clear(&memory);
    assert_true(sink_open_memory(&sink, &memory));
    write(&sink, text, length);
    assert_true(sink_close(&sink));
    return &memory;
}

/* Numerical Recipes' linear congruence: the same bytes on every machine. */
static uint32_t random_state = 20260302;
static uint32_t random_number(uint32_t below)
{
    random_state = random_state * 1664525U + 1013904223U;
    return (random_state >> 8) % below;
}

/* UTF-8 by the encoding table of RFC 3629 section 3. */
static size_t encode(uint32_t code, uint8_t out[4])
{
    if (code < 0x80)
        return out[0] = (uint8_t)code, 1;
    if (code < 0x800)
        return out[0] = (uint8_t)(0xC0 | code >> 6), out[1] = (uint8_t)(0x80 | (code & 63)), 2;
    if (code < 0x10000)
        return out[0] = (uint8_t)(0xE0 | code >> 12), out[1] = (uint8_t)(0x80 | (code >> 6 & 63)),
               out[2] = (uint8_t)(0x80 | (code & 63)), 3;
    return out[0] = (uint8_t)(0xF0 | code >> 18), out[1] = (uint8_t)(0x80 | (code >> 12 & 63)),
           out[2] = (uint8_t)(0x80 | (code >> 6 & 63)), out[3] = (uint8_t)(0x80 | (code & 63)), 4;
}

/* Bidi_Control in Unicode's PropList.txt (from memory), and U+2028, U+2029. */
static bool forbidden(uint32_t code)
{
    static const uint32_t list[] = {0x61C,  0x200E, 0x200F, 0x202A, 0x202B, 0x202C, 0x202D,
                                    0x202E, 0x2066, 0x2067, 0x2068, 0x2069, 0x2028, 0x2029};
    for (size_t i = 0; i < sizeof list / sizeof list[0]; i++)
        if (list[i] == code)
            return true;
    return code < 32 || (code >= 127 && code < 160);
}

static void every_code_point_is_judged_rightly(void **state)
{
    (void)state;
    for (uint32_t code = 0; code < 0x120000; code++) {
        uint8_t bytes[4];
        size_t length = encode(code, bytes);
        bool good = code <= 0x10FFFF && !(code >= 0xD800 && code <= 0xDFFF) && !forbidden(code);
        if (text_is_clean((const char *)bytes, length) != good)
            fail_msg("U+%04X", code);
    }
}

/* Of all 1-, 2- and 3-byte strings exactly those are clean that are made of encodings of allowed code points. */
static void every_short_byte_string_is_judged_rightly(void **state)
{
    (void)state;
    static uint8_t is_encoding[1 << 24]; /* by the bytes as a number, for one character of 2 or 3 bytes */
    for (uint32_t code = 0x80; code < 0x10000; code++) {
        uint8_t b[4];
        size_t length = encode(code, b);
        uint32_t number = (uint32_t)b[0] << 8 | b[1];
        if (length == 3)
            number = number << 8 | b[2];
        if (!(code >= 0xD800 && code <= 0xDFFF) && !forbidden(code))
            is_encoding[number] = 1;
    }
    for (uint32_t n = 0; n < 1 << 24; n++) {
        const uint8_t b[3] = {(uint8_t)(n >> 16), (uint8_t)(n >> 8), (uint8_t)n};
        bool a0 = b[0] >= 32 && b[0] < 127, a1 = b[1] >= 32 && b[1] < 127, a2 = b[2] >= 32 && b[2] < 127;
        bool good = (a0 && a1 && a2) || (a0 && is_encoding[n & 0xFFFF]) || (a2 && is_encoding[n >> 8]) ||
                    (n >> 16 && is_encoding[n]);
        if (text_is_clean((const char *)b, 3) != good)
            fail_msg("%06x", n);
    }
}

static const char *const alphabet[] = {
    "a",        "=",        "+",        "-",        "@",            "\"",       "\\",   ",",    " ",    "\n",
    "\r",       "\t",       "\x1b",     "\x7f",     "\xC2\x85",     "\xC3\xA9", "\xE2\x80\xAE", "\xE2\x80\xA8",
    "\xE2\x81\xA7", "\xF0\x9F\x98\x80", "\xF0\x9F\x98", "\xFF", "\x80", "\xC0\xAF", "\xED\xA0\x80", "9", ".", "'", ";",
};

/* A random string of 0 to 40 pieces: the pieces above, NUL, and any byte. */
static size_t hostile(uint8_t out[256])
{
    size_t length = 0;
    for (uint32_t pieces = random_number(41); pieces > 0; pieces--) {
        uint32_t which = random_number(sizeof alphabet / sizeof alphabet[0] + 3);
        if (which < sizeof alphabet / sizeof alphabet[0]) {
            memcpy(out + length, alphabet[which], strlen(alphabet[which]));
            length += strlen(alphabet[which]);
        } else {
            out[length++] = which % 2 ? 0 : (uint8_t)random_number(256);
        }
    }
    return length;
}

static void whatever_comes_nothing_harmful_leaves(void **state)
{
    (void)state;
    static writer *const writers[] = {text_json, text_csv, text_terminal, text_listing};
    uint8_t text[256];
    for (int round = 0; round < 20000; round++) {
        size_t length = hostile(text);
        for (size_t i = 0; i < 4; i++) {
            const struct buffer *out = written(writers[i], text, length);
            if (out->length > 0 && !text_is_clean((const char *)out->data, out->length))
                fail_msg("writer %zu, round %d", i, round);
            assert_true(out->length <= 6 * length + 4); /* bounded: the longest escape of a byte has six characters */
        }
    }
}

/* RFC 4180 read back: quoted or not, the field ends where the writer stopped, and no spreadsheet sees a formula. */
static void every_csv_field_is_one_field(void **state)
{
    (void)state;
    uint8_t text[256];
    for (int round = 0; round < 20000; round++) {
        const struct buffer *out = written(text_csv, text, hostile(text));
        const uint8_t *at = out->data, *end = out->data + out->length;
        if (out->length == 0)
            continue;
        if (*at == '"') {
            assert_true(out->length >= 2 && end[-1] == '"');
            at++, end--;
            for (const uint8_t *c = at; c < end; c++)
                if (*c == '"')
                    assert_true(++c < end && *c == '"');
        } else {
            assert_null(memchr(at, ',', out->length));
            assert_null(memchr(at, '"', out->length));
        }
        if (at < end && strchr("=+-@\t\r", *at)) {
            assert_int_equal(*at, '-'); /* only a number may begin so */
            for (const uint8_t *c = at + 1; c < end; c++)
                assert_non_null(strchr("0123456789.", *c));
        }
    }
}

static void numbers_of_any_length_are_refused_in_words(void **state)
{
    (void)state;
    enum { SIZE = 10000 };
    char digits[SIZE + 8];
    struct ratio number;
    char unit[UNIT_MAX + 1];
    int64_t time;
    memset(digits, '9', sizeof digits);
    assert_string_equal(ratio_parse(digits, SIZE, &number), "more than 18 digits in a row");
    assert_string_equal(units_parse_time(digits, SIZE, &time), "more than 18 digits in a row");
    memcpy(digits, "0.", 2);
    assert_string_equal(ratio_parse(digits, SIZE, &number), "more than 18 digits in a row");
    memcpy(digits, "1/", 2);
    assert_string_equal(ratio_parse(digits, SIZE, &number), "more than 18 digits in a row");
    memcpy(digits, "0x", 2);
    assert_string_equal(ratio_parse(digits, SIZE, &number), "more than 16 hexadecimal digits");
    memset(digits, '0', sizeof digits);
    assert_non_null(ratio_parse(digits, SIZE, &number));
    memset(digits, '-', sizeof digits);
    assert_non_null(ratio_parse(digits, SIZE, &number));
    memset(digits, '9', sizeof digits);
    memcpy(digits, "1 ", 2);
    assert_string_equal(units_parse(digits, SIZE, &number, unit), "a unit longer than 32 bytes");
    memset(digits, ' ', sizeof digits);
    assert_string_equal(units_parse(digits, SIZE, &number, unit), "a space before the number");
}

static void a_nul_never_ends_a_number(void **state)
{
    (void)state;
    struct ratio number;
    char unit[UNIT_MAX + 1];
    int64_t time;
    assert_non_null(ratio_parse("12\0", 3, &number));
    assert_non_null(ratio_parse("\0" "12", 3, &number));
    assert_non_null(ratio_parse("0x1\0", 4, &number));
    assert_non_null(ratio_parse("1.\0" "5", 4, &number));
    assert_non_null(units_parse("30 kg\0", 6, &number, unit)); /* "kg" would convert; "kg\0..." must not pass for it */
    assert_non_null(units_parse("30 \0kg", 6, &number, unit));
    assert_non_null(units_parse_time("5 s\0", 4, &time));
}

/* Digits of other scripts, signs that look like a minus: only the ASCII ones count. */
static void look_alikes_are_no_digits(void **state)
{
    (void)state;
    struct ratio number;
    static const char *const others[] = {
        "\xEF\xBC\x91", "\xD9\xA1",         "\xE2\x88\x92" "1", "\xE2\x80\x93" "1",
        "1\xC2\xA0",     "\xEF\xBB\xBF" "1", "\xC2\xBD",         "1\xE2\x81\x84" "2",
    };
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++)
        assert_non_null(ratio_parse(others[i], strlen(others[i]), &number));
    char unit[UNIT_MAX + 1];
    assert_non_null(units_parse("1\xC2\xA0kg", 5, &number, unit)); /* a no-break space is no space */
}

static void random_bytes_never_break_the_readers(void **state)
{
    (void)state;
    static const char symbols[] = "0123456789.-/x aAfF skgmlboz\0\xFF";
    int taken = 0;
    for (int round = 0; round < 300000; round++) {
        char text[24], unit[UNIT_MAX + 1];
        struct ratio number;
        int64_t time;
        size_t length = random_number(sizeof text);
        char *exact = malloc(length ? length : 1); /* the address sanitizer watches its end */
        for (size_t i = 0; i < length; i++)
            exact[i] = symbols[random_number(sizeof symbols - 1)];
        if (!ratio_parse(exact, length, &number)) {
            assert_true(number.denominator > 0);
            taken++;
        }
        (void)!units_parse(exact, length, &number, unit);
        (void)!units_parse_time(exact, length, &time);
        (void)!text_parse_time(exact, length, &time);
        free(exact);
    }
    assert_true(taken > 1000); /* or the bytes were too wild to try anything */
}

/* Random source lines and columns: always whole lines, never a raw control byte, caret within what is shown. */
static void diagnostics_stand_any_line(void **state)
{
    (void)state;
    uint8_t source[256];
    for (int round = 0; round < 5000; round++) {
        char *text = NULL;
        size_t size = 0;
        struct diagnostics d;
        size_t length = hostile(source);
        char *exact = malloc(length ? length : 1);
        memcpy(exact, source, length);
        FILE *out = open_memstream(&text, &size);
        assert_non_null(out);
        diagnostics_init(&d, out);
        diagnostics_at(&d, SEVERITY_ERROR, "f", 1, random_number(400), exact, length, "%.*s", (int)length, exact);
        fclose(out);
        int lines = 0;
        char *start = text;
        for (char *c = text; c < text + size; c++)
            if (*c == '\n') {
                assert_true(text_is_clean(start, (size_t)(c - start)));
                start = c + 1;
                lines++;
            }
        assert_int_equal(lines, 3);
        assert_ptr_equal(start, text + size);
        assert_int_equal(text[size - 2], '^');
        free(text);
        free(exact);
    }
}

static void a_name_far_too_long_has_no_neighbour(void **state)
{
    (void)state;
    char *longest = malloc(100001);
    memset(longest, 'a', 100000);
    longest[100000] = '\0';
    const char *const names[] = {"a", longest};
    assert_null(diagnostics_nearest(longest, names, 2));
    char *longer = malloc(257);
    memset(longer, 'a', 256);
    longer[256] = '\0';
    longest[255] = '\0';
    const char *const too_long[] = {longer};
    assert_null(diagnostics_nearest(longest, too_long, 1)); /* one edit away, but longer than any name */
    free(longer);
    const char *const fitting[] = {longest};
    assert_ptr_equal(diagnostics_nearest(longest, fitting, 1), longest);
    free(longest);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_code_point_is_judged_rightly),
        cmocka_unit_test(every_short_byte_string_is_judged_rightly),
        cmocka_unit_test(whatever_comes_nothing_harmful_leaves),
        cmocka_unit_test(every_csv_field_is_one_field),
        cmocka_unit_test(numbers_of_any_length_are_refused_in_words),
        cmocka_unit_test(a_nul_never_ends_a_number),
        cmocka_unit_test(look_alikes_are_no_digits),
        cmocka_unit_test(random_bytes_never_break_the_readers),
        cmocka_unit_test(diagnostics_stand_any_line),
        cmocka_unit_test(a_name_far_too_long_has_no_neighbour),
    };
    buffer_init(&memory, 1 << 20);
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    buffer_free(&memory);
    return failed;
}
