/* capture/options.h: what taretrace-record takes from its command line, and what it refuses with which words. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "capture/options.h"

#define MOST 32

static struct options options;
static char *said;

/* Reads "taretrace-record" and the words of line; returns the code, what was told is in `said`. */
static int read_line(const char *line)
{
    static char copy[1024];
    char *arguments[MOST + 2] = {"taretrace-record"};
    int count = 1;
    size_t length;
    struct diagnostics diagnostics;
    free(said);
    FILE *out = open_memstream(&said, &length);
    assert_non_null(out);
    (void)snprintf(copy, sizeof copy, "%s", line);
    for (char *word = strtok(copy, " "); word; word = strtok(NULL, " "))
        arguments[count++] = strcmp(word, "EMPTY") == 0 ? "" : word;
    diagnostics_init(&diagnostics, out);
    int code = options_read(&options, count, arguments, &diagnostics);
    (void)fclose(out);
    return code;
}

static void everything_together(void **state)
{
    (void)state;
    assert_int_equal(read_line("can0 --into job --bitrate 500000 vcan1 --definitions a.yaml b.yaml --seconds 60 "
                               "--virtual --accept-acknowledging --definitions c.yaml"), 0);
    assert_int_equal(options.interface_count, 2);
    assert_string_equal(options.interfaces[0], "can0");
    assert_string_equal(options.interfaces[1], "vcan1");
    assert_string_equal(options.into, "job");
    assert_int_equal(options.bitrate, 500000);
    assert_int_equal(options.seconds, 60);
    assert_int_equal(options.definition_count, 3);
    assert_string_equal(options.definitions[1], "b.yaml");
    assert_string_equal(options.definitions[2], "c.yaml");
    assert_true(options.is_virtual);
    assert_true(options.accept_acknowledging);
    assert_int_equal(strlen(said), 0);
}

static void plain(void **state)
{
    (void)state;
    assert_int_equal(read_line("can0 --into job"), 0);
    assert_int_equal(options.bitrate, 0);
    assert_int_equal(options.seconds, 0);
    assert_int_equal(options.definition_count, 0);
    assert_false(options.is_virtual);
    assert_false(options.accept_acknowledging);
    assert_int_equal(read_line("--into job -- can0"), 0);
    assert_int_equal(options.interface_count, 1);
    assert_int_equal(read_line("--help nonsense --more"), 0);
    assert_true(options.help);
    assert_int_equal(read_line("--version"), 0);
    assert_true(options.version);
}

static void refusals(void **state)
{
    (void)state;
    static const struct {
        const char *line, *says;
    } all[] = {
        {"", "no interface given"},
        {"--into job", "no interface given"},
        {"can0", "--into JOB"},
        {"can0 --into EMPTY", "--into has no name"},
        {"can0 --into", "needs a value"},
        {"can0 --into a --into b", "given twice"},
        {"can0 can0 --into job", "given twice"},
        {"../can0 --into job", "no name of a CAN interface"},
        {".can --into job", "no name of a CAN interface"},
        {"can\x1b[2J --into job", "no name of a CAN interface"},
        {"sixteencharacter --into job", "no name of a CAN interface"},
        {"EMPTY --into job", "no name of a CAN interface"},
        {"can0 --into job --bitrate 0", "no bit rate"},
        {"can0 --into job --bitrate 999", "no bit rate"},
        {"can0 --into job --bitrate 1000001", "no bit rate"},
        {"can0 --into job --bitrate 500k", "no bit rate"},
        {"can0 --into job --bitrate -1", "no bit rate"},
        {"can0 --into job --bitrate 0x7A120", "no bit rate"},
        {"can0 --into job --bitrate 18446744073709551616", "no bit rate"},
        {"can0 --into job --seconds 0", "no number of seconds"},
        {"can0 --into job --seconds 1.5", "no number of seconds"},
        {"can0 --into job --fd", "listen-only on"},
        {"can0 --into job --data-bitrate 2000000", "listen-only on"},
        {"can0 --into job --bitrat3 500000", "did you mean --bitrate"},
        {"can0 --into job --xyzzy", "--help"},
        {"a b c d e f g h i j k l m n o p q --into job", "more than 16"},
    };
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        assert_int_equal(read_line(all[i].line), 64);
        if (!strstr(said, all[i].says))
            fail_msg("'%s' is not told for: %s\n%s", all[i].says, all[i].line, said);
        assert_ptr_equal(strchr(said, '\n'), said + strlen(said) - 1); /* one line */
        assert_null(strchr(said, '\x1b'));
    }
    free(said);
    said = NULL;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(everything_together),
        cmocka_unit_test(plain),
        cmocka_unit_test(refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
