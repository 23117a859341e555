/* decoder/support/terminal.h: the parts that need no terminal. Widths after Unicode's EastAsianWidth.txt (W: 2). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "terminal.h"

static size_t width(const char *text)
{
    return terminal_width(text, strlen(text));
}

static void widths(void **state)
{
    (void)state;
    assert_int_equal(width(""), 0);
    assert_int_equal(width("29.8 kg"), 7);
    assert_int_equal(width("T\xc3\xbcr"), 3);             /* U+00FC */
    assert_int_equal(width("u\xcc\x88"), 1);              /* u and a combining diaeresis, U+0308 */
    assert_int_equal(width("\xe6\xbc\xa2\xe5\xad\x97"), 4); /* U+6F22 U+5B57: wide */
    assert_int_equal(width("\xe2\x82\xac"), 1);           /* U+20AC, beside the combining U+20D0..20F0 */
    assert_int_equal(width("\xe2\x83\x90"), 0);           /* U+20D0 */
    assert_int_equal(width("\xf0\x9f\x9a\x97"), 2);       /* U+1F697 */
}

static void no_character_is_cut(void **state)
{
    (void)state;
    static const char text[] = "a\xc3\xbc\xe6\xbc\xa2z";
    static const size_t bytes[] = {0, 1, 3, 3, 6, 7, 7};
    for (size_t columns = 0; columns < sizeof bytes / sizeof bytes[0]; columns++)
        assert_int_equal(terminal_fit(text, strlen(text), columns), bytes[columns]);
}

static void no_page_without_a_terminal(void **state)
{
    (void)state;
    int kept = dup(STDOUT_FILENO), ends[2];
    assert_int_equal(pipe(ends), 0);
    (void)fflush(stdout);
    (void)dup2(ends[1], STDOUT_FILENO);
    (void)setenv("TERM", "xterm", 1);
    bool can = terminal_can_draw();
    (void)dup2(kept, STDOUT_FILENO);
    assert_false(can);
    (void)close(kept);
    (void)close(ends[0]);
    (void)close(ends[1]);
    struct terminal nothing = {.on = false};
    terminal_close(&nothing); /* fine on a zeroed one */
    assert_int_equal(terminal_key(&nothing), KEY_NONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(widths),
        cmocka_unit_test(no_character_is_cut),
        cmocka_unit_test(no_page_without_a_terminal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
