/*
 * Trace reader: records, and that damage is told with record number and offset.
 * Expected numbers are hand arithmetic on man pcap-savefile(5): file header 24 bytes, record header 16, packet 16.
 */
#include "trace_reader_rig.h"

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
        read_most = length % 3 ? SIZE_MAX : 1;
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
    assert_non_null(
        strstr(said, "record 3 at offset 88 is torn: 31 of 32 bytes; the 2 whole records before it are used"));
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

/* 20,000 records are 640,024 bytes: several buffers, records across their ends, whatever the size of one read. (Single
 * bytes: every_prefix_gives_its_whole_records, fifo_is_read.) */
static void records_do_not_depend_on_how_read_returns(void **state)
{
    static const size_t sizes[] = {SIZE_MAX, 65536, 4099, 31};
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

/* Reading 4 GiB takes too long here: the reader is told that it is 50 bytes short of them. */
static void offsets_pass_4_gib(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header(&build);
    for (uint32_t i = 0; i < 3; i++)
        build_can(&build, i, 0, 1, "", 0);
    assert_int_equal(open_built(&build, false), 0);
    reader.offset = UINT64_C(4294967246);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_true(record.offset == UINT64_C(4294967278));
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_true(record.offset == UINT64_C(4294967310));
    assert_true(reader.good_length == UINT64_C(4294967342));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
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
