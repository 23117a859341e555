/*
 * Trace reader: which files it takes, which it refuses and what it says.
 * Expected numbers are hand arithmetic on man pcap-savefile(5): file header 24 bytes, record header 16, packet 16.
 */
#include "trace_reader_rig.h"

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
    build_bytes(&build, "\x0A\x0D\x0D\x0A\x1C\0\0\0\x4D\x3C\x2B\x1A\x01\0\0\0"
                        "\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\x1C\0\0\0", 28);
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

int main(void)
{
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
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
