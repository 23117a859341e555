/* decoder/support/buffer.h: growth, and a ceiling that holds whatever is asked. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "buffer.h"

static void grows_and_keeps_what_it_has(void **state)
{
    (void)state;
    struct buffer buffer;
    buffer_init(&buffer, 100000);
    for (int i = 0; i < 1000; i++) {
        uint8_t piece[7];
        memset(piece, i & 0xFF, sizeof piece);
        assert_true(buffer_append(&buffer, piece, sizeof piece));
    }
    assert_int_equal(buffer.length, 7000);
    for (int i = 0; i < 7000; i++)
        assert_int_equal(buffer.data[i], i / 7 & 0xFF);
    uint8_t *kept = buffer.data;
    size_t room = buffer.room;
    buffer_clear(&buffer);
    assert_int_equal(buffer.length, 0);
    assert_true(buffer_append(&buffer, "x", 1)); /* cleared and used again: no new memory */
    assert_ptr_equal(buffer.data, kept);
    assert_int_equal(buffer.room, room);
    buffer_free(&buffer);
    buffer_free(&buffer);
    assert_null(buffer.data);
}

static void the_ceiling_holds_to_the_byte(void **state)
{
    (void)state;
    static const uint8_t block[200];
    struct buffer buffer;
    buffer_init(&buffer, 150);
    assert_false(buffer_append(&buffer, block, 151));
    assert_int_equal(buffer.length, 0);
    assert_true(buffer_append(&buffer, block, 149));
    assert_false(buffer_append(&buffer, block, 2));
    assert_int_equal(buffer.length, 149);
    assert_true(buffer_append(&buffer, block, 1));
    assert_false(buffer_append(&buffer, block, 1));
    assert_int_equal(buffer.length, 150);
    assert_true(buffer.room <= 150);
    assert_false(buffer_append(&buffer, block, SIZE_MAX)); /* length + SIZE_MAX would wrap */
    assert_true(buffer_append(&buffer, NULL, 0));
    buffer_free(&buffer);
}

static void a_low_ceiling_bounds_what_is_reserved(void **state)
{
    (void)state;
    struct buffer buffer;
    buffer_init(&buffer, 10);
    assert_true(buffer_append(&buffer, "a", 1));
    assert_true(buffer.room <= 10);
    assert_true(buffer_append(&buffer, "123456789", 9));
    assert_false(buffer_append(&buffer, "b", 1));
    assert_memory_equal(buffer.data, "a123456789", 10);
    buffer_free(&buffer);
}

static void a_ceiling_of_nothing_takes_nothing(void **state)
{
    (void)state;
    struct buffer buffer;
    buffer_init(&buffer, 0);
    assert_false(buffer_append(&buffer, "a", 1));
    assert_true(buffer_append(&buffer, "a", 0));
    assert_null(buffer.data);
    buffer_free(&buffer);
}

static void without_memory_nothing_changes(void **state)
{
    (void)state;
    struct buffer buffer;
    buffer_init(&buffer, SIZE_MAX);
    assert_true(buffer_append(&buffer, "abc", 3));
    assert_false(buffer_append(&buffer, "abc", SIZE_MAX - 3)); /* no machine has that much; no byte is read */
    assert_int_equal(buffer.length, 3);
    assert_memory_equal(buffer.data, "abc", 3);
    buffer_free(&buffer);
}

/* The address sanitizer would stop the program where malloc would answer NULL. */
const char *__asan_default_options(void);
const char *__asan_default_options(void)
{
    return "allocator_may_return_null=1";
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(grows_and_keeps_what_it_has),
        cmocka_unit_test(the_ceiling_holds_to_the_byte),
        cmocka_unit_test(a_low_ceiling_bounds_what_is_reserved),
        cmocka_unit_test(a_ceiling_of_nothing_takes_nothing),
        cmocka_unit_test(without_memory_nothing_changes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
