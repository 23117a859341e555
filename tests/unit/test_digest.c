/* decoder/support/digest.h against the published examples of SHA-256. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "digest.h"

/* FIPS 180-4 refers to NIST's "Examples with Intermediate Values" for SHA-256: one-block "abc" and the two-block text.
 * The million letters "a" are from FIPS 180-2 appendix B.3; the empty text as sha256sum(1) prints it. */
static const char *const two_blocks = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
static const char *const sum_abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
static const char *const sum_two_blocks = "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1";
static const char *const sum_million_a = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0";
static const char *const sum_empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

static void published_sums(void **state)
{
    (void)state;
    char out[DIGEST_TEXT];
    assert_true(digest_of("abc", 3, out));
    assert_string_equal(out, sum_abc);
    assert_true(digest_of(two_blocks, strlen(two_blocks), out));
    assert_string_equal(out, sum_two_blocks);
    assert_true(digest_of(NULL, 0, out));
    assert_string_equal(out, sum_empty);
}

static void a_million_in_uneven_pieces(void **state)
{
    (void)state;
    char piece[997], out[DIGEST_TEXT];
    struct digest digest;
    memset(piece, 'a', sizeof piece);
    assert_true(digest_open(&digest));
    for (size_t left = 1000000; left > 0;) {
        size_t take = left < sizeof piece ? left : sizeof piece;
        assert_true(digest_add(&digest, piece, take));
        left -= take;
    }
    assert_true(digest_text(&digest, out));
    assert_string_equal(out, sum_million_a);
    digest_close(&digest);
}

static void the_sum_so_far_can_be_asked_and_goes_on(void **state)
{
    (void)state;
    char out[DIGEST_TEXT];
    struct digest digest;
    assert_true(digest_open(&digest));
    assert_true(digest_text(&digest, out));
    assert_string_equal(out, sum_empty);
    assert_true(digest_add(&digest, two_blocks, 3));
    assert_true(digest_text(&digest, out));
    assert_string_equal(out, sum_abc);
    assert_true(digest_text(&digest, out));
    assert_string_equal(out, sum_abc);
    assert_true(digest_add(&digest, two_blocks + 3, strlen(two_blocks) - 3));
    assert_true(digest_text(&digest, out));
    assert_string_equal(out, sum_two_blocks);
    digest_close(&digest);
    assert_false(digest_add(&digest, "a", 1)); /* closed */
    assert_false(digest_text(&digest, out));
    assert_string_equal(out, "");
    digest_close(&digest);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(published_sums),
        cmocka_unit_test(a_million_in_uneven_pieces),
        cmocka_unit_test(the_sum_so_far_can_be_asked_and_goes_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
