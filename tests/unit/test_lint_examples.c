/* decoder/commands/lint_examples.c: an example that does not come out as stated is an error at its own place. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "lint_examples.h"
#include "loader.h"

/* Worked by hand: 0x0041 = 65, times 0.1 less 4 is 2.5; 0x02 has bit 1 set; 0x4142 is "AB". */
static const char head[] = "taretrace: 1\n"
                           "module:\n"
                           "  name: scale\n"
                           "  services: iso14229\n"
                           "  address: {format: normal, request: 0x5E3, response: 0x6C5}\n"
                           "identifiers:\n"
                           "  0x1000:\n"
                           "    name: load\n"
                           "    length: 5\n"
                           "    fields:\n"
                           "      total: {byte: 0, length: 2, factor: 0.1, offset: -4, unit: kg, absent: [0xFFFF]}\n"
                           "      status: {byte: 2, flags: {0x02: latched}}\n"
                           "      letters: {byte: 3, length: 2, type: text}\n"
                           "    examples:\n";

/* Runs one example line; what was said goes to said. Returns the errors. */
static uint64_t run(const char *example, char said[4096])
{
    char path[] = "/tmp/test_lint_XXXXXX", text[2048];
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    int length = snprintf(text, sizeof text, "%s      - %s\n", head, example);
    assert_int_equal(write(fd, text, (size_t)length), length);
    assert_int_equal(close(fd), 0);
    FILE *out = tmpfile();
    assert_non_null(out);
    struct diagnostics diagnostics;
    struct definitions definitions;
    const char *paths[] = {path};
    diagnostics_init(&diagnostics, out);
    enum load_result loaded = definitions_load(paths, 1, &diagnostics, &definitions);
    uint64_t count = loaded == LOAD_OK ? lint_examples(&definitions, &diagnostics) : 0;
    rewind(out);
    said[fread(said, 1, 4095, out)] = '\0';
    if (loaded != LOAD_OK || count != 1)
        fail_msg("loaded %d, ran %llu: %s", (int)loaded, (unsigned long long)count, said);
    (void)fclose(out);
    (void)unlink(path);
    definitions_free(&definitions);
    return diagnostics.errors;
}

static void good_examples_pass(void **state)
{
    (void)state;
    char said[4096];
    if (run("{bytes: \"00 41 02 41 42\", gives: {total: 2.5 kg, status.latched: yes, letters: AB, status: 2}}", said))
        fail_msg("%s", said);
    if (run("{bytes: \"FF FF 00 41 42\", gives: {total: absent, status.latched: no}}", said))
        fail_msg("%s", said);
}

static void wrong_examples_are_told_at_their_place(void **state)
{
    (void)state;
    struct {
        const char *example, *needle;
    } cases[] = {
        {"{bytes: \"00 41 02 41 42\", gives: {total: 2.6 kg}}", ":15:50: these bytes give 2.5 kg for load.total"},
        {"{bytes: \"00 41 02 41 42\", gives: {status.latched: no}}", "these bytes give yes for load.status.latched"},
        {"{bytes: \"00 41 02 41 42\", gives: {letters: AC}}", "these bytes give AB for load.letters"},
        {"{bytes: \"FF FF 02 41 42\", gives: {total: 6549.5 kg}}", "these bytes give absent for load.total"},
        {"{bytes: \"00 41\", gives: {total: 2.5 kg}}", "the example has 2 bytes, but the fields need 5"},
        {"{bytes: \"00 41 02 41 42 43\", gives: {total: 2.5 kg}}", "the example has 6 bytes, but length says 5"},
        {"{bytes: \"00 41\", gives: {letters: AB}}", "these bytes give no such value"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char said[4096];
        uint64_t errors = run(cases[i].example, said);
        if (errors == 0 || !strstr(said, cases[i].needle))
            fail_msg("'%s' was answered with '%s'", cases[i].example, said);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_examples_pass),
        cmocka_unit_test(wrong_examples_are_told_at_their_place),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
