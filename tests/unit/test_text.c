/* The escapes of decoder/support/text.h. Code points: RFC 3629 (UTF-8), RFC 8259 (JSON), RFC 4180 (CSV). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "sink.h"
#include "text.h"

typedef void writer(struct sink *sink, const char *text, size_t length);

static void writes_bytes(writer *write, const char *text, size_t length, const char *expected)
{
    struct buffer memory;
    struct sink sink;
    buffer_init(&memory, 1 << 20);
    assert_true(sink_open_memory(&sink, &memory));
    write(&sink, text, length);
    assert_true(sink_close(&sink));
    assert_true(buffer_append(&memory, "", 1));
    assert_string_equal((const char *)memory.data, expected);
    assert_int_equal(memory.length, strlen(expected) + 1);
    buffer_free(&memory);
}

static void writes(writer *write, const char *text, const char *expected)
{
    writes_bytes(write, text, strlen(text), expected);
}

static void json_escapes(void **state)
{
    (void)state;
    writes(text_json, "", "\"\"");
    writes(text_json, "seat load", "\"seat load\"");
    writes(text_json, "a\"b\\c/d", "\"a\\\"b\\\\c/d\"");
    writes(text_json, "\n\t\x01\x1f\x7f", "\"\\u000a\\u0009\\u0001\\u001f\\u007f\"");
    writes_bytes(text_json, "a\0b", 3, "\"a\\u0000b\"");
    writes(text_json, "\xC3\xA9\xE2\x82\xAC\xF0\x9F\x98\x80", "\"\xC3\xA9\xE2\x82\xAC\xF0\x9F\x98\x80\"");
    writes(text_json, "\xC2\x85\xC2\x9F\xC2\xA0", "\"\\u0085\\u009f\xC2\xA0\""); /* U+0085, U+009F; U+00A0 is none */
    writes(text_json, "\xE2\x80\xAE" "x\xE2\x80\xA8\xE2\x81\xA6\xD8\x9C", "\"\\u202ex\\u2028\\u2066\\u061c\"");
    writes(text_json, "a\xFF" "b\xC3", "\"a\\ufffdb\\ufffd\"");
}

static void terminal_escapes_each_byte(void **state)
{
    (void)state;
    writes(text_terminal, "plain = \"text\" \\ 5", "plain = \"text\" \\ 5");
    writes(text_terminal, "\x1b[31mred\r\n", "\\x1b[31mred\\x0d\\x0a");
    writes(text_terminal, "\xC2\x9B" "31m", "\\xc2\\x9b31m"); /* U+009B: an escape sequence in one character */
    writes(text_terminal, "\x9b", "\\x9b");
    writes(text_terminal, "\xE2\x80\xAE" "abc", "\\xe2\\x80\\xaeabc");
    writes(text_terminal, "\x7f\xC3\xA9", "\\x7f\xC3\xA9");
    writes(text_terminal, "", "");
}

static void listing_can_be_read_back(void **state)
{
    (void)state;
    writes(text_listing, "can0", "can0");
    writes(text_listing, "", "\"\"");
    writes(text_listing, "seat load", "\"seat load\"");
    writes(text_listing, "a=b", "\"a=b\"");
    writes(text_listing, "a\"b", "\"a\\\"b\"");
    writes(text_listing, "\\x1b", "\"\\\\x1b\"");
    writes(text_listing, "\x1b", "\\x1b");
    writes(text_listing, "a \x1b", "\"a \\x1b\"");
    writes(text_listing, "a\nframe=9", "\"a\\x0aframe=9\"");
}

static void csv_is_one_field_and_no_formula(void **state)
{
    (void)state;
    writes(text_csv, "", "");
    writes(text_csv, "seat load.total", "seat load.total");
    writes(text_csv, "a,b", "\"a,b\"");
    writes(text_csv, "say \"x\"", "\"say \"\"x\"\"\"");
    writes(text_csv, " a", "\" a\"");
    writes(text_csv, "a ", "\"a \"");
    writes(text_csv, "a\nb", "\"a\\x0ab\"");
    writes(text_csv, "a\tb", "a\\x09b");
    writes(text_csv, "a\\b", "a\\b");
    writes(text_csv, "=1+1", "'=1+1");
    writes(text_csv, "+5", "'+5");
    writes(text_csv, "@x", "'@x");
    writes(text_csv, "-x", "'-x");
    writes(text_csv, "\tx", "'\\x09x");
    writes(text_csv, "\rx", "\"'\\x0dx\"");
    writes(text_csv, "=a,\"b\"", "\"'=a,\"\"b\"\"\"");
    writes(text_csv, "-5", "-5"); /* plain numbers stay numbers */
    writes(text_csv, "-0.25", "-0.25");
    writes(text_csv, "-", "'-");
    writes(text_csv, "-5.", "'-5.");
    writes(text_csv, "-.5", "'-.5");
    writes(text_csv, "-5-3", "'-5-3");
    writes(text_csv, "-1e5", "'-1e5");
    writes(text_csv, "\xFF", "\\xff");
}

static void clean_names(void **state)
{
    (void)state;
    assert_true(text_is_clean("", 0));
    assert_true(text_is_clean("Sitz \xC3\xBC\xF0\x9F\x98\x80", 11));
    assert_false(text_is_clean("a\0b", 3));
    assert_false(text_is_clean("a\n", 2));
    assert_false(text_is_clean("\x7f", 1));
    assert_false(text_is_clean("\xC2\x80", 2));
    assert_true(text_is_clean("\xC2\xA0", 2));
    assert_false(text_is_clean("\xE2\x80\xAE", 3));
    assert_false(text_is_clean("\xE2\x80", 2));
}

static bool valid(const char *bytes)
{
    return text_is_clean(bytes, strlen(bytes));
}

/* RFC 3629 section 4: the table of well-formed sequences, at the ends of each row and just outside. */
static void utf8_is_strict(void **state)
{
    (void)state;
    assert_true(valid("\xC3\x80") && valid("\xDF\xBF"));
    assert_false(valid("\xC0\x80") || valid("\xC1\xBF")); /* overlong */
    assert_false(valid("\xE0\x9F\xBF"));                  /* overlong */
    assert_true(valid("\xE0\xA0\x80") && valid("\xED\x9F\xBF") && valid("\xEE\x80\x80") && valid("\xEF\xBF\xBF"));
    assert_false(valid("\xED\xA0\x80") || valid("\xED\xBF\xBF")); /* surrogates */
    assert_false(valid("\xF0\x8F\xBF\xBF"));                      /* overlong */
    assert_true(valid("\xF0\x90\x80\x80") && valid("\xF4\x8F\xBF\xBF"));
    assert_false(valid("\xF4\x90\x80\x80") || valid("\xF5\x80\x80\x80") || valid("\xFE") || valid("\xFF"));
    assert_false(valid("\x80") || valid("\xBF"));           /* a trailer alone */
    assert_false(valid("\xE2\x28\xA1") || valid("\xC3\x28")); /* a trailer missing */
    assert_false(valid("\xF0\x9F\x98"));                    /* cut */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(json_escapes),
        cmocka_unit_test(terminal_escapes_each_byte),
        cmocka_unit_test(listing_can_be_read_back),
        cmocka_unit_test(csv_is_one_field_and_no_formula),
        cmocka_unit_test(clean_names),
        cmocka_unit_test(utf8_is_strict),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
