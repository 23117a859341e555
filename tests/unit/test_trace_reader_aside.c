/*
 * The SHA-256 by a thread of its own (support/digest_thread.h, trace_reader_sum_aside) against the reader's own and
 * against OpenSSL over the whole file at once: long files of any record sizes, whole, torn, damaged in the middle,
 * through a file and through a pipe that gives little at a time.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>
#include <cmocka.h>

#include "trace_build.h"
#include "trace_reader.h"

#define ROOMS 5u /* the file is about that many rooms long */

struct seen {
    uint64_t records, bytes, sum;
    enum trace_status status;
    char sha256[DIGEST_TEXT];
    bool threaded;
};

static struct seen read_all(int fd, bool aside)
{
    struct trace_reader reader;
    struct trace_record record;
    struct diagnostics silent;
    struct seen seen = {.sum = 1};
    diagnostics_init(&silent, NULL);
    assert_int_equal(trace_reader_open_fd(&reader, fd, "trace", NULL, 0, true, &silent), 0);
    if (aside)
        trace_reader_sum_aside(&reader);
    while ((seen.status = trace_reader_next(&reader, &record)) == TRACE_RECORD) {
        seen.records++;
        for (uint32_t i = 0; i < record.captured; i += 97) /* every record's bytes are still what they were */
            seen.sum = seen.sum * 31 + record.data[i] + record.offset;
        seen.threaded = seen.threaded || reader.thread;
    }
    assert_true(trace_reader_digest(&reader, seen.sha256));
    seen.bytes = reader.good_length;
    trace_reader_close(&reader);
    return seen;
}

/* A pipe that another process fills from the bytes. */
static int pipe_of(const uint8_t *bytes, size_t length)
{
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        close(ends[0]);
        for (size_t at = 0; at < length;) {
            size_t some = length - at < 70001 ? length - at : 70001;
            ssize_t wrote = write(ends[1], bytes + at, some);
            if (wrote <= 0)
                _exit(1);
            at += (size_t)wrote;
        }
        _exit(0);
    }
    close(ends[1]);
    return ends[0];
}

static void same(const struct seen *a, const struct seen *b)
{
    assert_int_equal(a->records, b->records);
    assert_int_equal(a->bytes, b->bytes);
    assert_int_equal(a->sum, b->sum);
    assert_int_equal(a->status, b->status);
    assert_string_equal(a->sha256, b->sha256);
}

static void the_sum_is_the_same(void **state)
{
    static const uint32_t sizes[] = {16, 17, 1000, 65536, 200000};
    (void)state;
    for (uint32_t turn = 0; turn < 24; turn++) {
        struct trace_build build = {0};
        uint8_t *data = malloc(262144);
        char whole[DIGEST_TEXT];
        assert_non_null(data);
        build_header(&build);
        for (uint32_t i = 0; build.length < ROOMS * TRACE_READER_ROOM; i++) {
            uint32_t size = turn % 6 == 5 ? sizes[i % 5] : sizes[turn % 5];
            for (uint32_t j = 0; j < size; j++)
                data[j] = (uint8_t)(j * 7 + i * 13 + turn);
            build_record(&build, 1772438400u + i, 0, size, size, data, size);
            if (turn % 4 == 3 && build.length > 3 * TRACE_READER_ROOM) { /* then only the sum goes on */
                build_record(&build, 0, 0, 0x7FFFFFFF, 16, data, 16);
                build_bytes(&build, data, 16);
                for (int more = 0; more < 20; more++)
                    build_bytes(&build, data, 16384);
                break;
            }
        }
        size_t length = build.length - turn % 3;
        FILE *file = tmpfile();
        assert_non_null(file);
        assert_int_equal(fwrite(build.bytes, 1, length, file), length);
        assert_int_equal(fflush(file), 0);
        assert_true(digest_of(build.bytes, length, whole));
        assert_int_equal(lseek(fileno(file), 0, SEEK_SET), 0);
        struct seen alone = read_all(fileno(file), false);
        assert_int_equal(lseek(fileno(file), 0, SEEK_SET), 0);
        struct seen aside = read_all(fileno(file), true);
        int fd = pipe_of(build.bytes, length);
        struct seen piped = read_all(fd, true);
        close(fd);
        assert_true(wait(NULL) > 0);
        assert_string_equal(alone.sha256, whole);
        assert_true(aside.threaded && !alone.threaded);
        same(&alone, &aside);
        same(&alone, &piped);
        fclose(file);
        free(build.bytes);
        free(data);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(the_sum_is_the_same)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
