/*
 * definitions/: each piece of memory, and each call of the system, refused in turn (refused.h). Whatever is missing, a
 * file must never load as if it were whole (D 2.6, D 6.2), and something must be said.
 */
#include <glob.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "loader.h"
#include "refused.h"
#include "shortage.h"

/* Loads and lints path with one call refused. *count: calls; *said: what was said, freed by the caller. */
static enum load_result load(const char *path, uint64_t which, uint64_t *count, char **said)
{
    size_t length;
    FILE *out = spared = open_memstream(said, &length);
    assert_non_null(out);
    struct diagnostics diagnostics;
    diagnostics_init(&diagnostics, out);
    struct definitions definitions;
    refuse(which, EIO);
    enum load_result result = definitions_load(&path, 1, &diagnostics, &definitions);
    if (result == LOAD_OK)
        definitions_lint(&definitions, &diagnostics);
    *count = calls;
    refuse(0, 0);
    definitions_free(&definitions);
    assert_int_equal(fclose(out), 0);
    return result;
}

static void every_call(const char *pattern)
{
    glob_t found;
    assert_int_equal(glob(pattern, 0, NULL, &found), 0);
    for (size_t i = 0; i < found.gl_pathc; i++) {
        const char *path = found.gl_pathv[i];
        char *whole, *said;
        uint64_t count, made;
        enum load_result expected = load(path, 0, &count, &whole);
        assert_true(count > 5); /* the walk is not empty: what is wrapped is what is called */
        for (uint64_t n = 1; n <= count; n++) {
            enum load_result result = load(path, n, &made, &said);
            bool no_memory = strstr(said, "memory ran out"), unread = strstr(said, "cannot be read: Input/output error");
            /* Only lint itself may run dry after a sound load; a file that is included and not read is a mistake. */
            if (!(result == LOAD_NO_MEMORY && no_memory) && !(result == LOAD_CANNOT_OPEN && unread) &&
                !(result == LOAD_MISTAKES && unread) && !(result == LOAD_OK && expected == LOAD_OK && no_memory)) {
                fprintf(stderr, "%s, call %llu of %llu: result %d: %s\n", path, (unsigned long long)n,
                        (unsigned long long)count, (int)result, said);
                fail();
            }
            free(said);
        }
        assert_int_equal(load(path, count + 1, &made, &said), expected);
        assert_string_equal(said, whole);
        free(said);
        free(whole);
    }
    globfree(&found);
}

static void files_that_use_everything(void **state)
{
    (void)state;
    assert_false(shortage_seen());
    every_call(TT_SOURCE_DIR "/definitions/template.yaml");
    assert_true(shortage_seen()); /* so that no command ends well */
    every_call(TT_SOURCE_DIR "/definitions/examples/*.yaml");
    every_call(TT_SOURCE_DIR "/tests/definitions/good/*.yaml");
}

static void files_with_mistakes(void **state)
{
    (void)state;
    every_call(TT_SOURCE_DIR "/tests/definitions/bad/*.yaml");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(files_that_use_everything),
        cmocka_unit_test(files_with_mistakes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
