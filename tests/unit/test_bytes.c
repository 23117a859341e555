/* decoder/support/bytes.h: every read stays inside, and the first one that would not stops all others. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "bytes.h"

static const uint8_t eight[] = {0x01, 0x23, 0x45, 0x67, 0x89, 0xAB, 0xCD, 0xEF};

static void each_width_reads_its_order(void **state)
{
    (void)state;
    struct bytes cursor = bytes_of(eight, 8);
    assert_int_equal(bytes_u8(&cursor), 0x01);
    assert_int_equal(bytes_be16(&cursor), 0x2345);
    assert_int_equal(bytes_be24(&cursor), 0x6789AB);
    assert_int_equal(cursor.left, 2);
    cursor = bytes_of(eight, 8);
    assert_int_equal(bytes_be32(&cursor), 0x01234567);
    assert_int_equal(bytes_le32(&cursor), 0xEFCDAB89);
    assert_int_equal(cursor.left, 0);
    assert_false(cursor.bad);
}

static void unsigned_takes_one_to_eight_bytes(void **state)
{
    (void)state;
    struct bytes cursor = bytes_of(eight, 8);
    assert_true(bytes_unsigned(&cursor, 8, false) == UINT64_C(0x0123456789ABCDEF));
    cursor = bytes_of(eight, 8);
    assert_true(bytes_unsigned(&cursor, 8, true) == UINT64_C(0xEFCDAB8967452301));
    cursor = bytes_of(eight, 8);
    assert_true(bytes_unsigned(&cursor, 3, true) == 0x452301);
    assert_true(bytes_unsigned(&cursor, 1, false) == 0x67);
    assert_false(cursor.bad);
    static const uint8_t nine[9] = {1, 2, 3, 4, 5, 6, 7, 8, 9};
    cursor = bytes_of(nine, 9);
    assert_true(bytes_unsigned(&cursor, 9, false) == 0); /* there, but wider than the number */
    assert_true(cursor.bad);
    cursor = bytes_of(eight, 8);
    (void)bytes_unsigned(&cursor, 0, false);
    assert_true(cursor.bad);
}

static void a_read_past_the_end_is_sticky_and_takes_nothing(void **state)
{
    (void)state;
    struct bytes cursor = bytes_of(eight, 3);
    assert_int_equal(bytes_be32(&cursor), 0);
    assert_true(cursor.bad);
    assert_int_equal(cursor.left, 3);
    assert_int_equal(bytes_u8(&cursor), 0); /* it would be there, but the structure is already broken */
    assert_null(bytes_take(&cursor, 0));
    assert_int_equal(cursor.left, 3);
}

static void a_huge_length_does_not_wrap(void **state)
{
    (void)state;
    struct bytes cursor = bytes_of(eight, 8);
    bytes_skip(&cursor, 2);
    assert_null(bytes_take(&cursor, SIZE_MAX));
    assert_true(cursor.bad);
}

static void nothing_at_all_can_be_read(void **state)
{
    (void)state;
    struct bytes cursor = bytes_of(NULL, 0);
    (void)bytes_take(&cursor, 0);
    bytes_skip(&cursor, 0);
    assert_false(cursor.bad);
    assert_int_equal(bytes_le32(&cursor), 0);
    assert_true(cursor.bad);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_width_reads_its_order),
        cmocka_unit_test(unsigned_takes_one_to_eight_bytes),
        cmocka_unit_test(a_read_past_the_end_is_sticky_and_takes_nothing),
        cmocka_unit_test(a_huge_length_does_not_wrap),
        cmocka_unit_test(nothing_at_all_can_be_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
