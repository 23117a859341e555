/* decoder/support/arena.h: pieces zeroed, aligned, apart from each other, and never more than the ceiling. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "arena.h"

static void pieces_are_zeroed_aligned_and_apart(void **state)
{
    (void)state;
    struct arena arena;
    unsigned char *pieces[500];
    arena_init(&arena, 1 << 20);
    for (size_t i = 0; i < 500; i++) {
        size_t size = i % 200;
        pieces[i] = arena_take(&arena, size);
        assert_non_null(pieces[i]);
        assert_int_equal((uintptr_t)pieces[i] % _Alignof(max_align_t), 0);
        for (size_t j = 0; j < size; j++)
            assert_int_equal(pieces[i][j], 0);
        memset(pieces[i], (int)(i & 0xFF) | 1, size);
    }
    for (size_t i = 0; i < 500; i++)
        for (size_t j = 0; j < i % 200; j++)
            assert_int_equal(pieces[i][j], (i & 0xFF) | 1);
    arena_free(&arena);
    arena_free(&arena);
    assert_int_equal(arena.used, 0);
}

static void the_ceiling_bounds_the_sum(void **state)
{
    (void)state;
    struct arena arena;
    arena_init(&arena, 1000);
    size_t given = 0;
    while (arena_take(&arena, 100))
        given += 100;
    assert_true(given >= 800 && given <= 1000); /* rounding to the alignment may cost a little, never give more */
    assert_true(arena.used <= 1000);
    arena_free(&arena);
    assert_non_null(arena_take(&arena, 900)); /* freed: may be used again */
    arena_free(&arena);
}

static void impossible_sizes_are_refused(void **state)
{
    (void)state;
    struct arena arena;
    arena_init(&arena, SIZE_MAX);
    assert_null(arena_take(&arena, SIZE_MAX));
    assert_null(arena_take(&arena, SIZE_MAX - 8));
    assert_null(arena_text(&arena, "a", SIZE_MAX));
    assert_non_null(arena_take(&arena, 0));
    assert_non_null(arena_take(&arena, 100000)); /* larger than a block */
    arena_free(&arena);
    arena_init(&arena, 0);
    assert_null(arena_take(&arena, 1));
    arena_free(&arena);
}

static void text_is_copied_and_ended(void **state)
{
    (void)state;
    struct arena arena;
    char source[] = "seat load";
    arena_init(&arena, 4096);
    char *part = arena_text(&arena, source, 4);
    char *none = arena_text(&arena, NULL, 0);
    source[0] = 'X';
    assert_string_equal(part, "seat");
    assert_string_equal(none, "");
    arena_free(&arena);
}

const char *__asan_default_options(void);
const char *__asan_default_options(void)
{
    return "allocator_may_return_null=1";
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pieces_are_zeroed_aligned_and_apart),
        cmocka_unit_test(the_ceiling_bounds_the_sum),
        cmocka_unit_test(impossible_sizes_are_refused),
        cmocka_unit_test(text_is_copied_and_ended),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
