/*
 * Trace reader: what it takes, what it refuses, and that damage is told with record number and offset. Expected numbers
 * are hand arithmetic on the layout of man pcap-savefile(5): file header 24 bytes, record header 16, packet 16.
 * This program has its own read(2), so that short reads, EINTR and EIO can be made.
 */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>

#include <cmocka.h>
#include <fcntl.h>
#include <openssl/evp.h>

#include "../../capture/trace_format.h"
#include "../../decoder/stages/trace_reader.h"
#include "trace_build.h"

static size_t read_most = SIZE_MAX;      /* bytes one read gives at the most */
static bool read_interrupted;            /* every other read fails with EINTR */
static size_t read_fails_after = SIZE_MAX; /* reads that succeed before EIO */
static size_t read_calls;

/* Stands in for the C library's read(2) in this program. */
ssize_t read(int fd, void *data, size_t length)
{
    read_calls++;
    if (read_interrupted && read_calls % 2 == 1) {
        errno = EINTR;
        return -1;
    }
    if (read_calls > read_fails_after) {
        errno = EIO;
        return -1;
    }
    return syscall(SYS_read, fd, data, length < read_most ? length : read_most);
}

static struct diagnostics diagnostics;
static char *said;
static size_t said_length;
static FILE *said_file;
static struct trace_reader reader;
static struct trace_record record;
static char path[64];

static int set_up(void **state)
{
    (void)state;
    read_most = SIZE_MAX;
    read_interrupted = false;
    read_fails_after = SIZE_MAX;
    read_calls = 0;
    said = NULL;
    said_file = open_memstream(&said, &said_length);
    diagnostics_init(&diagnostics, said_file);
    reader = (struct trace_reader){.fd = -1};
    path[0] = '\0';
    return said_file ? 0 : -1;
}

static int tear_down(void **state)
{
    (void)state;
    trace_reader_close(&reader);
    fclose(said_file);
    free(said);
    if (path[0])
        unlink(path);
    return 0;
}

/* Opens what was built; frees the build. */
static int open_built(struct trace_build *build, bool hashing)
{
    build_file(build, path);
    build_free(build);
    return trace_reader_open(&reader, path, hashing, &diagnostics);
}

static void assert_said(const char *what, unsigned lines)
{
    fflush(said_file);
    if (!strstr(said, what))
        fail_msg("\"%s\" is not in \"%s\"", what, said);
    unsigned count = 0;
    for (const char *c = said; *c; c++)
        count += *c == '\n';
    assert_int_equal(count, lines);
}

static void assert_refused(struct trace_build *build, const char *what)
{
    assert_int_equal(open_built(build, true), EXIT_BAD_INPUT);
    assert_said(what, 1);
    assert_non_null(strstr(said, path));
    assert_null(reader.room);
    assert_int_equal(reader.fd, -1);
}

/* ---- file header ---- */

static void all_four_magics_give_the_same_time(void **state)
{
    static const struct { uint32_t magic; bool big; uint32_t fraction; } forms[] = {
        {TRACE_MAGIC_NANO, false, 123456000}, {TRACE_MAGIC_NANO, true, 123456000},
        {TRACE_MAGIC_MICRO, false, 123456}, {TRACE_MAGIC_MICRO, true, 123456},
    };
    (void)state;
    for (size_t i = 0; i < 4; i++) {
        struct trace_build build = {.big = forms[i].big};
        build_header_full(&build, forms[i].magic, 2, 4, 0, 65535, 227);
        build_can(&build, 1772438400, forms[i].fraction, 0x6C5, "\x01\x7E", 2); /* 2026-03-02T08:00:00Z, date -u */
        assert_int_equal(open_built(&build, false), 0);
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
        assert_true(record.time == INT64_C(1772438400123456000));
        assert_int_equal(record.captured, 16);
        assert_int_equal(record.original, 16);
        assert_int_equal(record.number, 1);
        assert_int_equal(record.offset, 24);
        assert_memory_equal(record.data, "\x00\x00\x06\xC5\x02\x00\x00\x00\x01\x7E", 10);
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
        assert_int_equal(reader.good_length, 56);
        trace_reader_close(&reader);
        unlink(path);
    }
    assert_said("", 0);
}

static void empty_file_is_refused(void **state)
{
    (void)state;
    assert_refused(&(struct trace_build){0}, "is empty");
}

static void text_is_refused(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_bytes(&build, "id,time,data\n1,2,3\n and more than a file header", 46);
    assert_refused(&build, "is no capture file");
}

static void three_bytes_are_refused(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_bytes(&build, "\x4D\x3C\xB2", 3);
    assert_refused(&build, "is no capture file");
}

static void pcapng_is_refused_by_name(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_bytes(&build, "\x0A\x0D\x0D\x0A\x1C\0\0\0\x4D\x3C\x2B\x1A\x01\0\0\0\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\x1C\0\0\0", 28);
    assert_refused(&build, "pcapng");
}

static void compressed_is_refused_by_name(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_bytes(&build, "\x1F\x8B\x08\0\0\0\0\0\0\0", 10);
    assert_refused(&build, "gzip");
}

static void every_cut_of_the_file_header_is_refused(void **state)
{
    (void)state;
    for (size_t length = 4; length < 24; length++) {
        struct trace_build build = {0};
        build_header(&build);
        build.length = length;
        assert_int_equal(open_built(&build, true), EXIT_BAD_INPUT);
        assert_said("ends inside the file header", (unsigned)(length - 3));
        unlink(path);
    }
}

static void other_link_types_are_refused(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header_full(&build, TRACE_MAGIC_NANO, 2, 4, 0, 65535, 1);
    assert_refused(&build, "holds link type 1;");
}

static void other_versions_are_refused(void **state)
{
    struct trace_build build = {.big = true};
    (void)state;
    build_header_full(&build, TRACE_MAGIC_NANO, 2, 3, 0, 65535, 227);
    assert_refused(&build, "version 2.3");
}

static void reserved_bits_and_zone_are_told_and_ignored(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header_full(&build, TRACE_MAGIC_NANO, 2, 4, (uint32_t)-3600, 65535, 0x10000 | 227);
    build_can(&build, 5, 6, 1, "", 0);
    assert_int_equal(open_built(&build, false), 0);
    assert_said("0x000100E3", 2);
    assert_said("-3600 s", 2);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_true(record.time == 5000000006);
}

/* ---- files that are none ---- */

static void missing_file_cannot_be_opened(void **state)
{
    (void)state;
    assert_int_equal(trace_reader_open(&reader, "/nonexistent/trace", true, &diagnostics), EXIT_CANNOT_OPEN);
    assert_said("cannot be opened", 1);
}

static void directory_cannot_be_opened(void **state)
{
    (void)state;
    assert_int_equal(trace_reader_open(&reader, "/tmp", true, &diagnostics), EXIT_CANNOT_OPEN);
    assert_said("is a directory", 1);
}

static void read_failure_at_the_start_cannot_be_opened(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header(&build);
    read_fails_after = 0;
    assert_int_equal(open_built(&build, true), EXIT_CANNOT_OPEN);
    assert_said("reading failed after 0 bytes", 1);
}

/* A FIFO by its path, and standard input; the writer gives byte by byte. */
static void read_through_pipe(bool standard_input)
{
    struct trace_build build = {0};
    build_header(&build);
    for (uint32_t i = 0; i < 20; i++)
        build_can(&build, i, 0, 0x100 + i, "abcdefgh", 8);
    strcpy(path, "/tmp/tt-fifo-XXXXXX");
    assert_non_null(mkdtemp(path));
    char fifo[80];
    snprintf(fifo, sizeof fifo, "%s/fifo", path);
    assert_int_equal(mkfifo(fifo, 0600), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        int fd = open(fifo, O_WRONLY);
        for (size_t i = 0; i < build.length; i++)
            if (write(fd, build.bytes + i, 1) != 1)
                _exit(1);
        _exit(0);
    }
    int saved = -1;
    if (standard_input) {
        int fd = open(fifo, O_RDONLY);
        saved = dup(STDIN_FILENO);
        dup2(fd, STDIN_FILENO);
        close(fd);
    }
    assert_int_equal(trace_reader_open(&reader, standard_input ? "-" : fifo, true, &diagnostics), 0);
    for (uint32_t i = 0; i < 20; i++) {
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
        assert_true(record.time == (int64_t)i * TT_SECOND);
        assert_int_equal(record.data[3], i);
    }
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
    char sum[DIGEST_TEXT], wanted[DIGEST_TEXT];
    assert_true(trace_reader_digest(&reader, sum));
    assert_true(digest_of(build.bytes, build.length, wanted));
    assert_string_equal(sum, wanted);
    trace_reader_close(&reader);
    if (standard_input) {
        assert_true(fcntl(STDIN_FILENO, F_GETFD) >= 0); /* not ours to close */
        dup2(saved, STDIN_FILENO);
        close(saved);
    }
    int status;
    waitpid(child, &status, 0);
    assert_int_equal(status, 0);
    unlink(fifo);
    rmdir(path);
    path[0] = '\0';
    build_free(&build);
}

static void fifo_is_read(void **state)
{
    (void)state;
    read_through_pipe(false);
}

static void standard_input_is_read(void **state)
{
    (void)state;
    read_through_pipe(true);
}

/* ---- records ---- */

static void captured_lengths_from_0_to_73_are_given_as_they_are(void **state)
{
    uint8_t data[80];
    struct trace_build build = {0};
    (void)state;
    memset(data, 0x5A, sizeof data);
    build_header(&build);
    for (uint32_t length = 0; length <= 73; length++)
        build_record(&build, 1, length, length, length + 3, data, length);
    assert_int_equal(open_built(&build, false), 0);
    uint64_t offset = 24;
    for (uint32_t length = 0; length <= 73; length++) {
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
        assert_int_equal(record.captured, length);
        assert_int_equal(record.original, length + 3);
        assert_int_equal(record.offset, offset);
        assert_int_equal(record.number, length + 1);
        if (length > 0)
            assert_memory_equal(record.data, data, length);
        offset += 16 + length;
    }
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
}

static void largest_record_is_read_and_one_byte_more_is_senseless(void **state)
{
    uint8_t *data = calloc(1, 262145);
    (void)state;
    for (uint32_t length = 262144; length <= 262145; length++) {
        struct trace_build build = {0};
        build_header_full(&build, TRACE_MAGIC_NANO, 2, 4, 0, 0xFFFFFFFF, 227);
        build_can(&build, 1, 0, 1, "", 0);
        data[length - 1] = 0xEE;
        build_record(&build, 1, 0, length, length, data, length);
        build_can(&build, 2, 0, 2, "", 0);
        assert_int_equal(open_built(&build, true), 0);
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
        if (length == 262144) {
            assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
            assert_int_equal(record.captured, length);
            assert_int_equal(record.data[length - 1], 0xEE);
            assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
            assert_int_equal(record.offset, 24 + 32 + 16 + 262144);
            assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
            trace_reader_close(&reader);
            unlink(path);
        } else {
            assert_int_equal(trace_reader_next(&reader, &record), TRACE_SENSELESS);
            assert_int_equal(trace_reader_next(&reader, &record), TRACE_SENSELESS);
            assert_said("record 2 at offset 56 states a length of 262145 bytes", 1);
            assert_int_equal(reader.good_length, 56);
        }
    }
    free(data);
}

static void length_above_the_files_own_limit_is_senseless(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header_full(&build, TRACE_MAGIC_NANO, 2, 4, 0, 16, 227);
    build_can(&build, 1, 0, 1, "", 0);
    build_record(&build, 1, 0, 17, 17, "12345678901234567", 17);
    assert_int_equal(open_built(&build, true), 0);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_SENSELESS);
    assert_said("the file's own limit (16)", 1);
}

static void snaplen_0_means_no_limit(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header_full(&build, TRACE_MAGIC_NANO, 2, 4, 0, 0, 227);
    build_can(&build, 1, 0, 1, "", 0);
    assert_int_equal(open_built(&build, true), 0);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
}

/* Every prefix of a three-record file: whole records are given, a rest is told, nothing else happens. */
static void every_prefix_gives_its_whole_records(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header(&build);
    for (uint32_t i = 0; i < 3; i++)
        build_can(&build, 10 + i, 500, 0x6C5, "\x02\x7E\x00", 3);
    for (size_t length = 24; length <= build.length; length++) {
        struct trace_build prefix = {0};
        build_bytes(&prefix, build.bytes, length);
        uint64_t errors = diagnostics.warnings;
        assert_int_equal(open_built(&prefix, true), 0);
        for (size_t i = 0; i < (length - 24) / 32; i++) {
            assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
            assert_int_equal(record.number, i + 1);
        }
        bool torn = (length - 24) % 32 != 0;
        assert_int_equal(trace_reader_next(&reader, &record), torn ? TRACE_TORN : TRACE_END);
        assert_int_equal(reader.good_length, 24 + (length - 24) / 32 * 32);
        assert_int_equal(diagnostics.warnings - errors, torn ? 1 : 0);
        char sum[DIGEST_TEXT], wanted[DIGEST_TEXT];
        assert_true(trace_reader_digest(&reader, sum)); /* the torn tail is summed too */
        assert_true(digest_of(build.bytes, length, wanted));
        assert_string_equal(sum, wanted);
        trace_reader_close(&reader);
        unlink(path);
    }
    fflush(said_file);
    assert_non_null(strstr(said, "record 3 at offset 88 is torn: 31 of 32 bytes; the 2 whole records before it are used"));
    assert_non_null(strstr(said, "record 1 at offset 24 is torn: 5 of 16 bytes"));
    build_free(&build);
}

static void impossible_times_are_kept_and_told_once(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header(&build);
    build_can(&build, 7, 999999999, 1, "", 0);
    build_can(&build, 7, 1000000000, 1, "", 0);
    build_can(&build, 8, 4000000000u, 1, "", 0);
    build_can(&build, 0x80000000u, 1, 1, "", 0);
    build_can(&build, 0xFFFFFFFFu, 999999999, 1, "", 0);
    assert_int_equal(open_built(&build, false), 0);
    static const struct { int64_t time; bool doubtful; } wanted[] = {
        {INT64_C(7999999999), false}, {INT64_C(7000000000), true}, {INT64_C(8000000000), true},
        {INT64_C(2147483648000000001), false}, {INT64_C(4294967295999999999), false}};
    for (size_t i = 0; i < 5; i++) {
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
        assert_true(record.time == wanted[i].time);
        assert_int_equal(record.time_doubtful, wanted[i].doubtful);
    }
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
    assert_said("record 2 at offset 56 has an impossible time: 1000000000 ns", 2);
    assert_said("2 records have an impossible time", 2);
    assert_int_equal(reader.doubtful_times, 2);
}

static void microseconds_from_one_second_on_are_doubtful(void **state)
{
    struct trace_build build = {.big = true};
    (void)state;
    build_header_full(&build, TRACE_MAGIC_MICRO, 2, 4, 0, 65535, 227);
    build_can(&build, 7, 999999, 1, "", 0);
    build_can(&build, 7, 1000000, 1, "", 0);
    assert_int_equal(open_built(&build, false), 0);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_true(!record.time_doubtful && record.time == INT64_C(7999999000));
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_true(record.time_doubtful && record.time == INT64_C(7000000000));
}

/* ---- reading ---- */

/* 20,000 records are 640,024 bytes: several buffers, records across their ends, whatever the size of one read. */
static void records_do_not_depend_on_how_read_returns(void **state)
{
    static const size_t sizes[] = {SIZE_MAX, 65536, 4099, 31, 1};
    struct trace_build build = {0};
    char wanted[DIGEST_TEXT];
    (void)state;
    build_header(&build);
    for (uint32_t i = 0; i < 20000; i++)
        build_can(&build, i, i, i & 0x7FF, "\x01\x02\x03\x04\x05\x06\x07\x08", 8);
    assert_true(digest_of(build.bytes, build.length, wanted));
    build_file(&build, path);
    for (size_t s = 0; s < sizeof sizes / sizeof *sizes; s++) {
        read_most = sizes[s];
        read_interrupted = s > 0;
        assert_int_equal(trace_reader_open(&reader, path, true, &diagnostics), 0);
        for (uint32_t i = 0; i < 20000; i++) {
            if (trace_reader_next(&reader, &record) != TRACE_RECORD || record.number != i + 1 ||
                record.offset != 24 + 32 * (uint64_t)i || record.time != (int64_t)i * 1000000001 ||
                record.captured != 16 || memcmp(record.data, build.bytes + record.offset + 16, 16) != 0)
                fail_msg("record %u differs with reads of %zu", i, sizes[s]);
        }
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
        char sum[DIGEST_TEXT];
        assert_true(trace_reader_digest(&reader, sum));
        assert_string_equal(sum, wanted);
        trace_reader_close(&reader);
    }
    assert_said("", 0);
    build_free(&build);
}

static void read_failure_is_told_after_the_whole_records(void **state)
{
    struct trace_build build = {0};
    char sum[DIGEST_TEXT];
    (void)state;
    build_header(&build);
    for (uint32_t i = 0; i < 10; i++)
        build_can(&build, i, 0, 1, "", 0);
    read_most = 100; /* 24 + 2 * 32 + 12 */
    read_fails_after = 1;
    assert_int_equal(open_built(&build, true), 0);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_READ_FAILED);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_READ_FAILED);
    assert_said("reading failed after 100 bytes", 1);
    assert_false(trace_reader_digest(&reader, sum));
    assert_string_equal(sum, "");
}

static void sum_covers_the_rest_after_a_senseless_record(void **state)
{
    struct trace_build build = {0};
    char sum[DIGEST_TEXT], wanted[DIGEST_TEXT];
    (void)state;
    build_header(&build);
    build_record(&build, 0, 0, 0xFFFFFFFF, 16, "", 0);
    for (uint32_t i = 0; i < 20000; i++)
        build_can(&build, i, 0, 1, "", 0);
    assert_true(digest_of(build.bytes, build.length, wanted));
    assert_int_equal(open_built(&build, true), 0);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_SENSELESS);
    assert_true(trace_reader_digest(&reader, sum));
    assert_string_equal(sum, wanted);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_SENSELESS);
}

static void sum_needs_hashing(void **state)
{
    struct trace_build build = {0};
    char sum[DIGEST_TEXT];
    (void)state;
    build_header(&build);
    assert_int_equal(open_built(&build, false), 0);
    assert_false(trace_reader_digest(&reader, sum));
}

/* A sparse file: the record behind 4 GiB has its offset in full. */
static void offsets_pass_4_gib(void **state)
{
    (void)state;
    struct trace_build build = {0};
    build_header(&build);
    build_file(&build, path);
    build_free(&build);
    int fd = open(path, O_WRONLY);
    /* Records of 262,144 bytes, data as holes: 16,385 of them pass 2^32. */
    uint64_t at = 24;
    for (uint32_t i = 0; i < 16385; i++) {
        struct trace_build head = {0};
        build_record(&head, i, 0, 262144, 262144, "", 0);
        assert_int_equal(pwrite(fd, head.bytes, 16, (off_t)at), 16);
        build_free(&head);
        at += 16 + 262144;
    }
    assert_int_equal(ftruncate(fd, (off_t)at), 0);
    close(fd);
    assert_int_equal(trace_reader_open(&reader, path, false, &diagnostics), 0);
    for (uint32_t i = 0; i < 16385; i++)
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_true(record.offset == 24 + UINT64_C(16384) * 262160 && record.offset > UINT32_MAX);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(all_four_magics_give_the_same_time),
        TEST(empty_file_is_refused),
        TEST(text_is_refused),
        TEST(three_bytes_are_refused),
        TEST(pcapng_is_refused_by_name),
        TEST(compressed_is_refused_by_name),
        TEST(every_cut_of_the_file_header_is_refused),
        TEST(other_link_types_are_refused),
        TEST(other_versions_are_refused),
        TEST(reserved_bits_and_zone_are_told_and_ignored),
        TEST(missing_file_cannot_be_opened),
        TEST(directory_cannot_be_opened),
        TEST(read_failure_at_the_start_cannot_be_opened),
        TEST(fifo_is_read),
        TEST(standard_input_is_read),
        TEST(captured_lengths_from_0_to_73_are_given_as_they_are),
        TEST(largest_record_is_read_and_one_byte_more_is_senseless),
        TEST(length_above_the_files_own_limit_is_senseless),
        TEST(snaplen_0_means_no_limit),
        TEST(every_prefix_gives_its_whole_records),
        TEST(impossible_times_are_kept_and_told_once),
        TEST(microseconds_from_one_second_on_are_doubtful),
        TEST(records_do_not_depend_on_how_read_returns),
        TEST(read_failure_is_told_after_the_whole_records),
        TEST(sum_covers_the_rest_after_a_senseless_record),
        TEST(sum_needs_hashing),
        TEST(offsets_pass_4_gib),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
