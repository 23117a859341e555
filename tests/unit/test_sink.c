/* decoder/support/sink.h: what is put comes out whole and in order; a failure is kept and told. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>
#include <cmocka.h>

#include "sink.h"

static void expect(const struct buffer *memory, const char *text)
{
    assert_int_equal(memory->length, strlen(text));
    assert_memory_equal(memory->data, text, strlen(text));
}

static void numbers_are_plain_text(void **state)
{
    (void)state;
    struct buffer memory;
    struct sink sink;
    buffer_init(&memory, 4096);
    assert_true(sink_open_memory(&sink, &memory));
    sink_unsigned(&sink, 0);
    sink_char(&sink, ' ');
    sink_unsigned(&sink, UINT64_MAX);
    sink_char(&sink, ' ');
    sink_signed(&sink, INT64_MIN);
    sink_char(&sink, ' ');
    sink_signed(&sink, -1);
    sink_char(&sink, ' ');
    sink_signed(&sink, INT64_MAX);
    sink_char(&sink, ' ');
    sink_hex(&sink, (const uint8_t *)"\x00\x0f\xA5\xff", 4);
    sink_char(&sink, ' ');
    sink_hex_number(&sink, 0x6C5, 3);
    sink_char(&sink, ' ');
    sink_hex_number(&sink, 0x6C5, 8);
    sink_char(&sink, ' ');
    sink_hex_number(&sink, 0x12345, 3); /* never cut */
    sink_char(&sink, ' ');
    sink_hex_number(&sink, UINT64_MAX, 99);
    sink_format(&sink, " %s=%d", "a", 5);
    sink_text(&sink, "");
    assert_true(sink_close(&sink));
    expect(&memory, "0 18446744073709551615 -9223372036854775808 -1 9223372036854775807 000fa5ff 6c5 000006c5 12345 "
                    "ffffffffffffffff a=5");
    assert_int_equal(sink.written, memory.length);
    buffer_free(&memory);
}

/* A file that is gone as soon as it is closed. */
static int scratch_file(void)
{
    char name[] = "/tmp/sinkXXXXXX";
    int fd = mkstemp(name);
    assert_true(fd >= 0);
    unlink(name);
    return fd;
}

static void large_and_small_pieces_keep_their_order(void **state)
{
    (void)state;
    int fd = scratch_file();
    struct sink sink;
    char *block = malloc(200000), *back = malloc(1000000);
    size_t expected = 0;
    assert_true(sink_open_fd(&sink, fd, false));
    for (int round = 0; round < 3; round++) {
        const size_t sizes[] = {1, 65535, 65536, 65537, 150, 200000};
        for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
            memset(block, 'a' + (int)i, sizes[i]);
            sink_put(&sink, block, sizes[i]);
            sink_char(&sink, '0');
            expected += sizes[i] + 1;
        }
    }
    assert_true(sink_close(&sink));
    assert_int_equal(sink.written, expected);
    assert_int_equal(lseek(fd, 0, SEEK_END), expected); /* not owned: still open */
    assert_int_equal(lseek(fd, 0, SEEK_SET), 0);
    size_t at = 0;
    for (int round = 0; round < 3; round++) {
        const size_t sizes[] = {1, 65535, 65536, 65537, 150, 200000};
        for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
            assert_int_equal(read(fd, back, sizes[i] + 1), sizes[i] + 1);
            for (size_t j = 0; j < sizes[i]; j++)
                if (back[j] != 'a' + (int)i)
                    fail_msg("byte %zu", at + j);
            assert_int_equal(back[sizes[i]], '0');
            at += sizes[i] + 1;
        }
    }
    assert_int_equal(at, expected);
    close(fd);
    free(block);
    free(back);
}

static void hex_longer_than_its_own_room(void **state)
{
    (void)state;
    struct buffer memory;
    struct sink sink;
    uint8_t data[1000];
    for (size_t i = 0; i < sizeof data; i++)
        data[i] = (uint8_t)(i * 7);
    buffer_init(&memory, 4096);
    assert_true(sink_open_memory(&sink, &memory));
    sink_hex(&sink, data, sizeof data);
    sink_format(&sink, "%0800d", 7); /* longer than the near room of sink_format */
    assert_true(sink_close(&sink));
    assert_int_equal(memory.length, 2800);
    for (size_t i = 0; i < sizeof data; i++) {
        char pair[3] = {(char)memory.data[2 * i], (char)memory.data[2 * i + 1], 0};
        assert_int_equal(strtoul(pair, NULL, 16), data[i]);
    }
    assert_int_equal(memory.data[2798], '0');
    assert_int_equal(memory.data[2799], '7');
    buffer_free(&memory);
}

static void a_full_device_is_found_at_close(void **state)
{
    (void)state;
    struct sink sink;
    int fd = open("/dev/full", O_WRONLY);
    assert_true(fd >= 0);
    assert_true(sink_open_fd(&sink, fd, true));
    sink_text(&sink, "evidence");
    assert_false(sink_close(&sink));
    assert_int_equal(sink.error, ENOSPC);
}

static void a_failure_stays(void **state)
{
    (void)state;
    struct sink sink;
    int ends[2];
    signal(SIGPIPE, SIG_IGN);
    assert_int_equal(pipe(ends), 0);
    assert_true(sink_open_fd(&sink, ends[1], true));
    close(ends[0]);
    sink_text(&sink, "lost");
    assert_false(sink_flush(&sink));
    assert_int_equal(sink.error, EPIPE);
    uint64_t written = sink.written;
    sink_text(&sink, "more");
    assert_int_equal(sink.written, written);
    assert_false(sink_flush(&sink));
    assert_false(sink_close(&sink));
    assert_int_equal(sink.error, EPIPE);
}

static void memory_past_its_ceiling_fails(void **state)
{
    (void)state;
    struct buffer memory;
    struct sink sink;
    buffer_init(&memory, 5);
    assert_true(sink_open_memory(&sink, &memory));
    sink_text(&sink, "12345");
    assert_true(sink_flush(&sink));
    sink_char(&sink, '6');
    assert_false(sink_flush(&sink));
    assert_false(sink_close(&sink));
    expect(&memory, "12345");
    buffer_free(&memory);
}

static void what_was_never_opened_fails(void **state)
{
    (void)state;
    struct sink sink;
    assert_false(sink_open_fd(&sink, -1, true));
    sink_text(&sink, "x");
    assert_int_equal(sink.error, EBADF);
    assert_false(sink_close(&sink));

    int fd = scratch_file();
    assert_true(sink_open_fd(&sink, fd, true));
    assert_true(sink_close(&sink));
    assert_int_equal(fcntl(fd, F_GETFD), -1); /* owned: closed */
    sink_text(&sink, "after the close");
    assert_false(sink_flush(&sink));

    fd = scratch_file();
    close(fd);
    assert_true(sink_open_fd(&sink, fd, true));
    assert_false(sink_close(&sink)); /* nothing to write, but the close fails */
    assert_int_equal(sink.error, EBADF);
}

/* Differs from page to page, so that a piece written twice or left out is seen. */
static char block_byte(size_t at)
{
    return (char)(at % 251);
}

/* A pipe that does not block and holds less than is written: every byte still arrives. */
static void a_descriptor_that_would_block_is_waited_for(void **state)
{
    (void)state;
    int ends[2];
    struct sink sink;
    static char block[300000], piece[1000];
    for (size_t i = 0; i < sizeof block; i++)
        block[i] = block_byte(i);
    assert_int_equal(pipe(ends), 0);
    assert_int_equal(fcntl(ends[1], F_SETFL, O_NONBLOCK), 0);
    pid_t child = fork();
    if (child == 0) {
        close(ends[1]);
        nanosleep(&(struct timespec){.tv_nsec = 20000000}, NULL); /* time for the pipe to fill */
        size_t total = 0;
        ssize_t got;
        bool good = true;
        while ((got = read(ends[0], piece, sizeof piece)) > 0)
            for (ssize_t i = 0; i < got; i++)
                good = good && piece[i] == block_byte(total++);
        _exit(good && total == sizeof block ? 0 : 1);
    }
    assert_true(child > 0);
    close(ends[0]);
    assert_true(sink_open_fd(&sink, ends[1], true));
    sink_put(&sink, block, sizeof block);
    assert_true(sink_close(&sink));
    int status = -1;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_are_plain_text),
        cmocka_unit_test(large_and_small_pieces_keep_their_order),
        cmocka_unit_test(hex_longer_than_its_own_room),
        cmocka_unit_test(a_full_device_is_found_at_close),
        cmocka_unit_test(a_failure_stays),
        cmocka_unit_test(memory_past_its_ceiling_fails),
        cmocka_unit_test(what_was_never_opened_fails),
        cmocka_unit_test(a_descriptor_that_would_block_is_waited_for),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
