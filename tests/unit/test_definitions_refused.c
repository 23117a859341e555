/*
 * definitions/: each request for memory from an arena refused in turn. tests/fault/ refuses what the C library is asked
 * for, but an arena asks for a block at a time, so most of its pieces are never refused there. Whichever piece is
 * missing, a file must never load as if it were whole (D 2.6, D 6.2); lint says that memory ran out.
 */
#include <glob.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "arena.h"
#include "loader.h"
#include "shortage.h"

static uint64_t requests, refused; /* the refused-th from now on is refused; 0: none */

/* The linker puts these before those of arena.c (--wrap, CMakeLists.txt). */
void *__real_arena_take(struct arena *arena, size_t size);
char *__real_arena_text(struct arena *arena, const char *text, size_t length);
void *__wrap_arena_take(struct arena *arena, size_t size);
char *__wrap_arena_text(struct arena *arena, const char *text, size_t length);

void *__wrap_arena_take(struct arena *arena, size_t size)
{
    return ++requests == refused ? NULL : __real_arena_take(arena, size);
}

char *__wrap_arena_text(struct arena *arena, const char *text, size_t length)
{
    return ++requests == refused ? NULL : __real_arena_text(arena, text, length);
}

/* Loads and lints path with one request refused. *said: what was said; freed by the caller. */
static enum load_result load(const char *path, uint64_t which, char **said)
{
    size_t length;
    FILE *out = open_memstream(said, &length);
    assert_non_null(out);
    struct diagnostics diagnostics;
    diagnostics_init(&diagnostics, out);
    struct definitions definitions;
    requests = 0;
    refused = which;
    enum load_result result = definitions_load(&path, 1, &diagnostics, &definitions);
    if (result == LOAD_OK)
        definitions_lint(&definitions, &diagnostics);
    refused = 0;
    definitions_free(&definitions);
    assert_int_equal(fclose(out), 0);
    return result;
}

static void every_request(const char *pattern)
{
    glob_t found;
    assert_int_equal(glob(pattern, 0, NULL, &found), 0);
    for (size_t i = 0; i < found.gl_pathc; i++) {
        const char *path = found.gl_pathv[i];
        char *whole, *said;
        enum load_result expected = load(path, 0, &whole);
        uint64_t count = requests;
        assert_true(count > 5); /* the walk is not empty: what is wrapped is what is called */
        for (uint64_t n = 1; n <= count; n++) {
            enum load_result result = load(path, n, &said);
            bool told = strstr(said, "memory ran out") != NULL;
            /* Only lint itself may run dry after a sound load. */
            if (!(result == LOAD_NO_MEMORY && told) && !(result == LOAD_OK && expected == LOAD_OK && told)) {
                fprintf(stderr, "%s, request %llu of %llu: result %d: %s\n", path, (unsigned long long)n,
                        (unsigned long long)count, (int)result, said);
                fail();
            }
            free(said);
        }
        assert_int_equal(load(path, count + 1, &said), expected);
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
    every_request(TT_SOURCE_DIR "/definitions/template.yaml");
    assert_true(shortage_seen()); /* so that no command ends well */
    every_request(TT_SOURCE_DIR "/definitions/examples/*.yaml");
    every_request(TT_SOURCE_DIR "/tests/definitions/good/*.yaml");
}

static void files_with_mistakes(void **state)
{
    (void)state;
    every_request(TT_SOURCE_DIR "/tests/definitions/bad/*.yaml");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(files_that_use_everything),
        cmocka_unit_test(files_with_mistakes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
