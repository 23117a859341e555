/* decoder/stages/marks_cover.c: marks against checkpoints, each rule at its edge (D 11.2). Sums: OpenSSL's SHA256(3). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>
#include <openssl/sha.h>

#include "marks.h"

/* Two notes of 67 bytes each with their newlines, of 08:00:01 and 08:00:02.5. */
#define FIRST "{\"time\":\"2026-03-02T08:00:01.000000000Z\",\"kind\":\"note\",\"text\":\"a\"}\n"
#define SECOND "{\"time\":\"2026-03-02T08:00:02.500000000Z\",\"kind\":\"note\",\"text\":\"b\"}\n"
#define LATE (2 * TT_SECOND)

static struct marks marks;
static struct mark_cover cover;

static int begin(void **state)
{
    (void)state;
    char path[] = "/tmp/test_marks_cover_XXXXXX";
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, FIRST SECOND, strlen(FIRST SECOND)), 134);
    assert_int_equal(close(fd), 0);
    assert_int_equal(marks_load_from_job(&marks, path, &silent), 0);
    (void)unlink(path);
    assert_int_equal(marks.count, 2);
    assert_true(marks_cover_begin(&cover, &marks));
    return 0;
}

static int end(void **state)
{
    (void)state;
    marks_free(&marks);
    return 0;
}

/* A checkpoint after = time of the first mark + after, that saw so many bytes; wrong: of another content. */
static void checkpoint(int64_t after, size_t bytes, bool wrong)
{
    unsigned char sum[SHA256_DIGEST_LENGTH];
    char text[65];
    (void)SHA256((const unsigned char *)FIRST SECOND, bytes, sum);
    for (size_t i = 0; i < sizeof sum; i++)
        (void)snprintf(text + 2 * i, 3, "%02x", sum[i]);
    if (wrong)
        text[63] = text[63] == '0' ? '1' : '0';
    assert_true(marks_cover(&cover, marks.list[0].time + after, bytes, text, LATE));
}

static void assert_covered(enum mark_covered first, enum mark_covered second, bool changed)
{
    marks_cover_end(&cover);
    assert_int_equal(marks.list[0].covered, first);
    assert_int_equal(marks.list[1].covered, second);
    assert_int_equal(cover.changed, changed);
}

static void two_seconds_are_in_time(void **state)
{
    (void)state;
    checkpoint(LATE, 67, false);
    checkpoint(3 * TT_SECOND / 2 + LATE, 134, false);
    assert_covered(MARK_COVERED, MARK_COVERED, false);
}

static void more_than_two_are_late(void **state)
{
    (void)state;
    checkpoint(LATE + 1, 67, false);
    checkpoint(3 * TT_SECOND / 2 + LATE + 1, 134, false);
    assert_covered(MARK_COVERED_LATE, MARK_COVERED_LATE, false);
}

static void a_mark_of_the_future_is_early(void **state)
{
    (void)state;
    checkpoint(-LATE, 67, false);
    checkpoint(3 * TT_SECOND / 2 - LATE - 1, 134, false);
    assert_covered(MARK_COVERED, MARK_COVERED_EARLY, false);
}

static void what_no_checkpoint_saw_is_late(void **state)
{
    (void)state;
    checkpoint(TT_SECOND, 67, false);
    assert_covered(MARK_COVERED, MARK_COVERED_LATE, false);
}

/* Without its last byte a line is not there yet: the next checkpoint decides. */
static void a_torn_line_is_not_covered_yet(void **state)
{
    (void)state;
    checkpoint(0, 66, false);
    checkpoint(5 * TT_SECOND, 134, false);
    assert_covered(MARK_COVERED_LATE, MARK_COVERED_LATE, false);
}

static void after_a_change_nothing_is_covered_any_more(void **state)
{
    (void)state;
    checkpoint(0, 67, true);
    checkpoint(TT_SECOND, 134, false);
    assert_covered(MARK_COVER_BROKEN, MARK_COVER_BROKEN, true);
}

static void another_content_of_the_same_length_is_a_change(void **state)
{
    (void)state;
    checkpoint(0, 67, false);
    checkpoint(TT_SECOND, 67, true);
    checkpoint(2 * TT_SECOND, 134, false);
    assert_covered(MARK_COVERED, MARK_COVER_BROKEN, true);
}

static void a_file_that_shrank_was_changed(void **state)
{
    (void)state;
    checkpoint(TT_SECOND, 134, false);
    checkpoint(2 * TT_SECOND, 67, false);
    assert_covered(MARK_COVERED, MARK_COVERED, true);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(two_seconds_are_in_time, begin, end),
        cmocka_unit_test_setup_teardown(more_than_two_are_late, begin, end),
        cmocka_unit_test_setup_teardown(a_mark_of_the_future_is_early, begin, end),
        cmocka_unit_test_setup_teardown(what_no_checkpoint_saw_is_late, begin, end),
        cmocka_unit_test_setup_teardown(a_torn_line_is_not_covered_yet, begin, end),
        cmocka_unit_test_setup_teardown(after_a_change_nothing_is_covered_any_more, begin, end),
        cmocka_unit_test_setup_teardown(another_content_of_the_same_length_is_a_change, begin, end),
        cmocka_unit_test_setup_teardown(a_file_that_shrank_was_changed, begin, end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
