/* decoder/support/diagnostics.h: one escaped line for each message, a caret under the place, counts that stay right. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "diagnostics.h"

/* A stream into memory; printed() ends it and gives the text, to be freed. */
static char *text;
static size_t text_size;

static void begin(struct diagnostics *diagnostics)
{
    FILE *out = open_memstream(&text, &text_size);
    assert_non_null(out);
    diagnostics_init(diagnostics, out);
}

static void printed(struct diagnostics *diagnostics, const char *expected)
{
    fclose(diagnostics->out);
    assert_string_equal(text, expected);
    free(text);
}

static void one_line_a_message(void **state)
{
    (void)state;
    struct diagnostics d;
    begin(&d);
    diagnostics_say(&d, SEVERITY_ERROR, "job.pcap:3:17", "%d bytes are missing; copy the file again", 5);
    diagnostics_say(&d, SEVERITY_WARNING, NULL, "no marks");
    diagnostics_say(&d, SEVERITY_REMARK, "a\nb", "two\nlines \x1b[31m");
    assert_int_equal(d.errors, 1);
    assert_int_equal(d.warnings, 1);
    assert_int_equal(d.remarks, 1);
    printed(&d, "error: job.pcap:3:17: 5 bytes are missing; copy the file again\n"
                "warning: no marks\n"
                "remark: a\\x0ab: two\\x0alines \\x1b[31m\n");
}

static void at(const char *source, size_t column, const char *expected)
{
    struct diagnostics d;
    begin(&d);
    diagnostics_at(&d, SEVERITY_ERROR, "f.yaml", 7, column, source, source ? strlen(source) : 0, "why");
    printed(&d, expected);
}

static void the_caret_stands_under_its_character(void **state)
{
    (void)state;
    at("  lenght: 8", 3, "error: f.yaml:7:3: why\n      lenght: 8\n      ^\n");
    at("x", 1, "error: f.yaml:7:1: why\n    x\n    ^\n");
    at("ab", 3, "error: f.yaml:7:3: why\n    ab\n      ^\n");   /* just behind the end */
    at("ab", 99, "error: f.yaml:7:99: why\n    ab\n      ^\n"); /* far behind it */
    at("", 1, "error: f.yaml:7:1: why\n    \n    ^\n");
    at("ab\r\ncd", 1, "error: f.yaml:7:1: why\n    ab\n    ^\n");
    at("\xC3\xA4\xC3\xB6: x", 5, "error: f.yaml:7:5: why\n    \xC3\xA4\xC3\xB6: x\n        ^\n"); /* two-byte letters */
    at("\tx", 2, "error: f.yaml:7:2: why\n    \\x09x\n        ^\n"); /* a tab is shown, and counted as shown */
    at(NULL, 1, "error: f.yaml:7:1: why\n");
}

/* The caret's column in the last line must hold the character named, wherever in a long line it lies. */
static void a_long_line_is_cut_around_the_caret(void **state)
{
    (void)state;
    char line[2001];
    for (size_t column = 1; column <= 2000; column++) {
        memset(line, '.', 2000);
        line[2000] = '\0';
        line[column - 1] = '#';
        struct diagnostics d;
        begin(&d);
        diagnostics_at(&d, SEVERITY_ERROR, "f", 1, column, line, 2000, "why");
        fclose(d.out);
        char *source = strchr(text, '\n') + 1, *caret_line = strchr(source, '\n') + 1;
        assert_true(caret_line - source <= 4 + 3 + 160 + 3 + 1);
        size_t offset = strcspn(caret_line, "^");
        assert_int_equal(source[offset], '#');
        assert_string_equal(caret_line + offset, "^\n");
        free(text);
    }
}

static void counting_goes_on_past_the_most(void **state)
{
    (void)state;
    struct diagnostics d;
    begin(&d);
    d.most = 2;
    for (int i = 0; i < 5; i++)
        diagnostics_say(&d, SEVERITY_WARNING, NULL, "w%d", i);
    diagnostics_say(&d, SEVERITY_ERROR, NULL, "e");
    assert_int_equal(d.warnings, 5);
    assert_int_equal(d.errors, 1);
    printed(&d, "warning: w0\nwarning: w1\nremark: 2 messages are shown; further ones are counted only\n");

    begin(&d);
    for (int i = 0; i < 1003; i++)
        diagnostics_say(&d, SEVERITY_REMARK, NULL, "x");
    fclose(d.out);
    size_t lines = 0;
    for (const char *c = text; *c; c++)
        lines += *c == '\n';
    assert_int_equal(lines, 1001);
    free(text);

    diagnostics_init(&d, NULL);
    diagnostics_say(&d, SEVERITY_ERROR, NULL, "not shown");
    diagnostics_at(&d, SEVERITY_ERROR, "f", 1, 1, "x", 1, "not shown");
    assert_int_equal(d.errors, 2);
}

static void the_nearest_name_is_a_slip_away(void **state)
{
    (void)state;
    static const char *const names[] = {"length", "byte", NULL, "mask", "factor", "offset", "unit", "absent", "g"};
    const size_t count = sizeof names / sizeof names[0];
    assert_string_equal(diagnostics_nearest("lenght", names, count), "length"); /* neighbours swapped: one edit */
    assert_string_equal(diagnostics_nearest("Mask", names, count), "mask");
    assert_string_equal(diagnostics_nearest("byt", names, count), "byte");
    assert_string_equal(diagnostics_nearest("unitt", names, count), "unit");
    assert_string_equal(diagnostics_nearest("fakter", names, count), "factor"); /* 2 <= 1 + 6/4 */
    assert_null(diagnostics_nearest("fakturx", names, count));                 /* 3 > 1 + 7/4 */
    assert_null(diagnostics_nearest("weight", names, count));
    assert_null(diagnostics_nearest("", names, count));
    assert_null(diagnostics_nearest("x", names, count)); /* "g" is one edit away, but has nothing of it */
    assert_null(diagnostics_nearest("byte", names, 0));

    static const char *const three[] = {"cot", "act", "xyz"};
    assert_string_equal(diagnostics_nearest("atc", three, 3), "act"); /* 1 + 3/4 = 1: the swap counts as one */
    assert_null(diagnostics_nearest("axx", three, 3));

    static const char *const pair[] = {"front left", "front right", "front lift"};
    assert_string_equal(diagnostics_nearest("front lett", pair, 3), "front left");
    assert_string_equal(diagnostics_nearest("front lxft", pair, 3), "front left"); /* the first of two equals */
    assert_string_equal(diagnostics_nearest("front lift", pair, 3), "front lift");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_line_a_message),
        cmocka_unit_test(the_caret_stands_under_its_character),
        cmocka_unit_test(a_long_line_is_cut_around_the_caret),
        cmocka_unit_test(counting_goes_on_past_the_most),
        cmocka_unit_test(the_nearest_name_is_a_slip_away),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
