/*
 * pcapng files, written block by block by hand (IETF opsawg pcapng draft), split by interface, and the merging of
 * several traces. Outside check: each packet, its time and its length as libpcap reads them from the same file.
 */
#define _GNU_SOURCE /* memfd_create */
#include <setjmp.h>
#include <stdarg.h>
#include <fcntl.h>
#include <sys/mman.h>
#include <sys/stat.h>

#include <cmocka.h>
#include <pcap/pcap.h>

#include "../../decoder/stages/pcapng.h"
#include "../../decoder/stages/trace_inputs.h"
#include "trace_build.h"

static struct diagnostics diagnostics;
static char *said;
static size_t said_length;
static FILE *said_file;

static int set_up(void **state)
{
    (void)state;
    said_file = open_memstream(&said, &said_length);
    diagnostics_init(&diagnostics, said_file);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    fclose(said_file);
    free(said);
    return 0;
}

static void assert_said(const char *text)
{
    fflush(said_file);
    if (!strstr(said, text))
        fail_msg("not said: %s; but: %s", text, said);
}

/* ---- writing blocks ---- */

static void block(struct trace_build *build, uint32_t type, const struct trace_build *body)
{
    uint32_t padding = (4 - body->length % 4) % 4, length = 12 + (uint32_t)body->length + padding;
    build_u32(build, type);
    build_u32(build, length);
    build_bytes(build, body->bytes, body->length);
    build_bytes(build, "\0\0\0", padding);
    build_u32(build, length);
}

static void section(struct trace_build *build)
{
    struct trace_build body = {.big = build->big};
    build_u32(&body, 0x1A2B3C4D);
    build_u16(&body, 1);
    build_u16(&body, 0);
    build_u32(&body, 0xFFFFFFFF);
    build_u32(&body, 0xFFFFFFFF);
    block(build, 0x0A0D0D0A, &body);
    build_free(&body);
}

/* resolution: of if_tsresol, 9 is ns; 0 leaves the option out (us). */
static void interface(struct trace_build *build, unsigned linktype, const char *name, uint8_t resolution)
{
    struct trace_build body = {.big = build->big};
    build_u16(&body, linktype);
    build_u16(&body, 0);
    build_u32(&body, 262144);
    build_u16(&body, 2);
    build_u16(&body, (unsigned)strlen(name));
    build_bytes(&body, name, strlen(name));
    build_bytes(&body, "\0\0\0", (4 - strlen(name) % 4) % 4);
    if (resolution) {
        build_u16(&body, 9);
        build_u16(&body, 1);
        build_bytes(&body, (uint8_t[]){resolution, 0, 0, 0}, 4);
    }
    build_u32(&body, 0);
    block(build, 1, &body);
    build_free(&body);
}

static void packet(struct trace_build *build, uint32_t number, uint64_t time, const void *data, uint32_t length)
{
    struct trace_build body = {.big = build->big};
    build_u32(&body, number);
    build_u32(&body, (uint32_t)(time >> 32));
    build_u32(&body, (uint32_t)time);
    build_u32(&body, length);
    build_u32(&body, length);
    build_bytes(&body, data, length);
    block(build, 6, &body);
    build_free(&body);
}

static void can_packet(struct trace_build *build, uint32_t number, uint64_t time, uint32_t id, const void *data,
                       uint8_t length)
{
    uint8_t bytes[16] = {(uint8_t)(id >> 24), (uint8_t)(id >> 16), (uint8_t)(id >> 8), (uint8_t)id, length};
    memcpy(bytes + 8, data, length);
    packet(build, number, time, bytes, sizeof bytes);
}

static int file_of(const struct trace_build *build)
{
    int fd = memfd_create("pcapng", 0);
    assert_int_equal(write(fd, build->bytes, build->length), build->length);
    return fd;
}

/* ---- splitting ---- */

/* The parts' records one by one beside libpcap's reading of the whole: wanted[i] is the part of packet i. */
static void compare(const struct trace_build *build, const unsigned *wanted, size_t count, uint32_t parts)
{
    struct pcapng split;
    struct trace_reader readers[4];
    struct pcap_pkthdr *header;
    const u_char *data;
    char why[PCAP_ERRBUF_SIZE];
    int fd = file_of(build);
    assert_int_equal(pcapng_split(&split, fd, "file", &diagnostics), 0);
    assert_int_equal(split.count, parts);
    for (uint32_t i = 0; i < parts; i++)
        assert_int_equal(trace_reader_open_fd(&readers[i], split.parts[i].fd, "part", NULL, 0, false, &diagnostics), 0);
    (void)lseek(fd, 0, SEEK_SET);
    pcap_t *pcap = pcap_fopen_offline_with_tstamp_precision(fdopen(fd, "rb"), PCAP_TSTAMP_PRECISION_NANO, why);
    assert_non_null(pcap);
    for (size_t i = 0; i < count; i++) {
        struct trace_record record;
        assert_int_equal(pcap_next_ex(pcap, &header, &data), 1);
        assert_int_equal(trace_reader_next(&readers[wanted[i]], &record), TRACE_RECORD);
        assert_true(record.time == header->ts.tv_sec * TT_SECOND + header->ts.tv_usec);
        assert_int_equal(record.captured, header->caplen);
        assert_int_equal(record.original, header->len);
        assert_memory_equal(record.data, data, header->caplen);
    }
    for (uint32_t i = 0; i < parts; i++) {
        struct trace_record record;
        assert_int_equal(trace_reader_next(&readers[i], &record), TRACE_END);
        trace_reader_close(&readers[i]);
    }
    pcap_close(pcap);
    pcapng_close(&split);
}

static void interfaces_become_parts(void **state)
{
    (void)state;
    for (int big = 0; big < 2; big++) {
        struct trace_build build = {.big = big};
        section(&build);
        interface(&build, 227, "can0", 9);
        interface(&build, 227, "can1", 0);
        interface(&build, 227, "never used", 9);
        can_packet(&build, 1, 1700000000000001, 0x6C5, "\x01\x7E", 2);          /* us */
        can_packet(&build, 0, 1700000000000002003, 0x6C5, "\x02\x7E\x00", 3);   /* ns */
        can_packet(&build, 0, 1700000000000003004, 0x6C5, "\x02\x7E\x01", 3);
        can_packet(&build, 1, 1700000000000004, 0x6C5, "\x01\x7F", 2);
        compare(&build, (const unsigned[]){0, 1, 1, 0}, 4, 2);
        struct pcapng split;
        int fd = file_of(&build);
        assert_int_equal(pcapng_split(&split, fd, "file", &diagnostics), 0);
        assert_string_equal(split.parts[0].name, "can1"); /* its packet came first */
        assert_string_equal(split.parts[1].name, "can0");
        assert_int_equal(split.parts[0].interface, 1);
        assert_int_equal(split.parts[1].records, 2);
        assert_false(split.damaged);
        pcapng_close(&split);
        close(fd);
        build_free(&build);
    }
}

/* Interface numbers begin again in each section; a section has its own byte order. */
static void sections_have_interfaces_of_their_own(void **state)
{
    (void)state;
    struct trace_build build = {0};
    section(&build);
    interface(&build, 227, "can0", 9);
    can_packet(&build, 0, 1000, 0x6C5, "\x01\x7E", 2);
    section(&build);
    interface(&build, 227, "can0", 9);
    can_packet(&build, 0, 2000, 0x6C5, "\x01\x7E", 2);
    compare(&build, (const unsigned[]){0, 1}, 2, 2);
    build_free(&build);
}

/* A simple packet has neither time nor interface number: interface 0, and a time that is not believed. */
static void simple_packets_have_no_time(void **state)
{
    (void)state;
    struct trace_build build = {0}, body = {0};
    struct pcapng split;
    struct trace_reader reader;
    struct trace_record record;
    section(&build);
    interface(&build, 227, "can0", 9);
    build_u32(&body, 16);
    build_bytes(&body, "\0\0\x06\xC5\x02\0\0\0\x01\x7E\0\0\0\0\0\0", 16);
    block(&build, 3, &body);
    int fd = file_of(&build);
    assert_int_equal(pcapng_split(&split, fd, "file", &diagnostics), 0);
    assert_int_equal(trace_reader_open_fd(&reader, split.parts[0].fd, "part", NULL, 0, false, &diagnostics), 0);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
    assert_true(record.time_doubtful);
    assert_int_equal(record.captured, 16);
    trace_reader_close(&reader);
    pcapng_close(&split);
    close(fd);
    build_free(&body);
    build_free(&build);
}

/* Cut anywhere: what is whole before is given, no more, and the cut is told (between blocks it cannot be seen). */
static void every_prefix_gives_its_whole_packets(void **state)
{
    (void)state;
    struct trace_build build = {0};
    size_t ends[4];
    section(&build);
    size_t first = build.length;
    interface(&build, 227, "can0", 9);
    size_t second = build.length;
    interface(&build, 227, "can1", 9);
    size_t head = build.length;
    for (uint32_t i = 0; i < 4; i++) {
        can_packet(&build, i % 2, 1000 * (i + 1), 0x6C5, "\x01\x7E", 2);
        ends[i] = build.length;
    }
    for (size_t length = 4; length <= build.length; length++) {
        struct trace_build prefix = {.bytes = build.bytes, .length = length};
        struct pcapng split;
        int fd = file_of(&prefix);
        int code = pcapng_split(&split, fd, "file", &diagnostics);
        size_t whole = 0;
        uint64_t records = 0;
        while (whole < 4 && ends[whole] <= length)
            whole++;
        if (!code) {
            for (uint32_t i = 0; i < split.count; i++)
                records += split.parts[i].records;
            assert_int_equal(records, whole);
            bool between =
                length == first || length == second || length == head || (whole && ends[whole - 1] == length);
            assert_int_equal(split.damaged, !between);
            pcapng_close(&split);
        } else {
            assert_true(length < head);
            assert_int_equal(code, EXIT_BAD_INPUT);
            assert_int_equal(split.count, 0);
        }
        close(fd);
    }
    build_free(&build);
}

/* Random damage: no crash, and either refused with a line or parts whose records can be read. */
static void damaged_files_are_told(void **state)
{
    (void)state;
    uint64_t random = 12345, refused = 0, damaged = 0, whole = 0;
    struct trace_build build = {0};
    section(&build);
    interface(&build, 227, "can0", 9);
    interface(&build, 227, "can1", 9);
    for (uint32_t i = 0; i < 4; i++)
        can_packet(&build, i % 2, 1000 * (i + 1), 0x6C5, "\x01\x7E", 2);
    for (unsigned file = 0; file < 3000; file++) {
        struct trace_build copy = {0};
        struct pcapng split;
        build_bytes(&copy, build.bytes, build.length);
        for (unsigned i = 0; i < 1 + file % 4; i++) {
            random = random * 6364136223846793005u + 1442695040888963407u;
            copy.bytes[4 + (random >> 33) % (copy.length - 4)] = (uint8_t)(random >> 25);
        }
        int fd = file_of(&copy);
        int code = pcapng_split(&split, fd, "file", &diagnostics);
        if (code) {
            assert_int_equal(code, EXIT_BAD_INPUT);
            assert_int_equal(split.count, 0);
            refused++;
        } else {
            assert_true(split.count > 0);
            damaged += split.damaged;
            whole += !split.damaged;
            pcapng_close(&split);
        }
        close(fd);
        build_free(&copy);
    }
    assert_true(refused > 100 && damaged > 100 && whole > 100);
    assert_true(diagnostics.errors >= refused && diagnostics.warnings >= damaged);
    build_free(&build);
}

static void what_is_not_can_is_refused(void **state)
{
    (void)state;
    struct trace_build build = {0};
    struct pcapng split;
    section(&build);
    interface(&build, 1, "eth0", 9);
    int fd = file_of(&build);
    assert_int_equal(pcapng_split(&split, fd, "job.pcapng", &diagnostics), EXIT_BAD_INPUT);
    assert_said("job.pcapng: holds link type 1; only 227");
    close(fd);
    build_free(&build);
}

/* ---- inputs ---- */

static void write_pair(char paths[2][64])
{
    struct trace_build build = {0};
    build_header(&build);
    build_can(&build, 10, 0, 0x100, "\x0A", 1);
    build_can(&build, 30, 0, 0x100, "\x0C", 1);
    build_can(&build, 20, 0, 0x100, "\x0D", 1); /* back: never re-sorted */
    build_can(&build, 40, 0, 0x100, "\x10", 1);
    build_file(&build, paths[0]);
    build_free(&build);
    build_header(&build);
    build_can(&build, 10, 0, 0x100, "\x0B", 1);
    build_can(&build, 35, 0, 0x100, "\x0E", 1);
    build_can(&build, 35, 0, 0x100, "\x0F", 1);
    build_can(&build, 40, 0, 0x100, "\x11", 1);
    build_file(&build, paths[1]);
    build_free(&build);
}

/* By hand: 10 and 10 in list order, 30, then 20 behind it, 35, 35, 40 and 40 in list order. */
static void records_are_merged_by_time(void **state)
{
    (void)state;
    char files[2][64];
    struct trace_inputs inputs;
    struct trace_merge merge;
    const struct trace_record *record;
    uint8_t order[16];
    size_t count = 0;
    write_pair(files);
    const char *const paths[] = {files[0], files[1]};
    assert_int_equal(trace_inputs_open(&inputs, paths, 2, &diagnostics), 0);
    assert_int_equal(inputs.count, 2);
    assert_int_equal(trace_merge_open(&merge, &inputs, true, &diagnostics), 0);
    assert_true(trace_merge_start(&merge) == 10 * TT_SECOND);
    while ((record = trace_merge_next(&merge)))
        order[count++] = record->data[8];
    assert_int_equal(count, 8);
    assert_memory_equal(order, "\x0A\x0B\x0C\x0D\x0E\x0F\x10\x11", 8);
    assert_int_equal(merge.sources[0].status, TRACE_END);
    trace_merge_close(&merge);
    trace_inputs_close(&inputs);
    (void)unlink(files[0]);
    (void)unlink(files[1]);
}

/* A pcapng of two interfaces between two classic files, one of them a pipe that cannot be read again. */
static void inputs_of_every_kind(void **state)
{
    (void)state;
    char files[2][64], mixed[64], digest[DIGEST_TEXT];
    struct trace_inputs inputs;
    struct trace_reader reader;
    struct trace_record record;
    struct trace_build build = {0};
    write_pair(files);
    section(&build);
    interface(&build, 227, "can\x1b[31m", 9);
    interface(&build, 227, "", 9);
    can_packet(&build, 1, 5000, 0x6C5, "\x01\x7E", 2);
    can_packet(&build, 0, 6000, 0x6C5, "\x01\x7E", 2);
    build_file(&build, mixed);
    assert_true(digest_of(build.bytes, build.length, digest));
    char pipe_path[80];
    (void)snprintf(pipe_path, sizeof pipe_path, "%s.pipe", mixed);
    assert_int_equal(mkfifo(pipe_path, 0600), 0);
    int feed = open(pipe_path, O_RDWR);
    assert_true(write(feed, "\x4D\x3C\xB2\xA1\2\0\4\0\0\0\0\0\0\0\0\0\0\0\4\0\xE3\0\0\0", 24) == 24);
    const char *const paths[] = {files[0], mixed, pipe_path};
    assert_int_equal(trace_inputs_open(&inputs, paths, 3, &diagnostics), 0);
    close(feed);
    assert_int_equal(inputs.count, 4);
    assert_true(inputs.list[0].again && inputs.list[1].again && !inputs.list[3].again);
    assert_true(!inputs.list[0].split && inputs.list[1].split && inputs.list[2].split);
    assert_int_equal(inputs.list[2].trace, 1);
    assert_int_equal(inputs.list[2].interface, 1);
    assert_string_equal(inputs.original[0], "");
    assert_string_equal(inputs.original[1], digest);
    assert_said("interface 1 is bus 2: 1 records");
    assert_said("(can\\x1b[31m) is bus 3: 1 records"); /* what the file says is escaped */
    for (int round = 0; round < 2; round++) { /* twice, but for the pipe */
        assert_int_equal(trace_input_read(&inputs.list[1], &reader, true, &diagnostics), 0);
        assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
        assert_true(record.time == 5000);
        trace_reader_close(&reader);
    }
    assert_int_equal(trace_input_read(&inputs.list[3], &reader, true, &diagnostics), 0);
    assert_int_equal(trace_reader_next(&reader, &record), TRACE_END);
    trace_reader_close(&reader);
    trace_inputs_close(&inputs);
    (void)unlink(files[0]);
    (void)unlink(files[1]);
    (void)unlink(mixed);
    (void)unlink(pipe_path);
    build_free(&build);
}

static void damage_goes_with_every_interface(void **state)
{
    (void)state;
    char path[64];
    const char *const paths[] = {path};
    struct trace_inputs inputs;
    struct trace_build build = {0};
    section(&build);
    interface(&build, 227, "can0", 9);
    interface(&build, 227, "can1", 9);
    can_packet(&build, 0, 5000, 0x6C5, "\x01\x7E", 2);
    can_packet(&build, 1, 6000, 0x6C5, "\x01\x7E", 2);
    can_packet(&build, 1, 7000, 0x6C5, "\x01\x7E", 2);
    for (int cut = 0; cut < 2; cut++) {
        build.length -= (size_t)cut;
        build_file(&build, path);
        assert_int_equal(trace_inputs_open(&inputs, paths, 1, &diagnostics), 0);
        assert_int_equal(inputs.count, 2);
        assert_int_equal(inputs.list[0].damaged, cut);
        assert_int_equal(inputs.list[1].damaged, cut);
        trace_inputs_close(&inputs);
        (void)unlink(path);
    }
    assert_said("is damaged or cut behind packet 2 (");
    build_free(&build);
}

static void inputs_that_cannot_be(void **state)
{
    (void)state;
    struct trace_inputs inputs;
    const char *const twice[] = {"-", "-"}, *const none[] = {"/nonexistent/trace"}, *const folder[] = {"/tmp"};
    const char *many[65];
    for (size_t i = 0; i < 65; i++)
        many[i] = "/dev/null";
    assert_int_equal(trace_inputs_open(&inputs, twice, 2, &diagnostics), EXIT_USAGE);
    assert_said("standard input (-) can be read only once");
    assert_int_equal(trace_inputs_open(&inputs, none, 1, &diagnostics), EXIT_CANNOT_OPEN);
    assert_said("/nonexistent/trace: cannot be opened (No such file or directory)");
    assert_int_equal(trace_inputs_open(&inputs, folder, 1, &diagnostics), EXIT_CANNOT_OPEN);
    assert_said("/tmp: is a directory");
    assert_int_equal(trace_inputs_open(&inputs, many, 65, &diagnostics), EXIT_USAGE);
    assert_said("more than 64 traces");
    assert_int_equal(inputs.count, 0);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(interfaces_become_parts), TEST(sections_have_interfaces_of_their_own), TEST(simple_packets_have_no_time),
        TEST(every_prefix_gives_its_whole_packets), TEST(damaged_files_are_told), TEST(what_is_not_can_is_refused),
        TEST(records_are_merged_by_time), TEST(inputs_of_every_kind), TEST(damage_goes_with_every_interface),
        TEST(inputs_that_cannot_be),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
