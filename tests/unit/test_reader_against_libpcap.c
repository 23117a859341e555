/*
 * Every file that libpcap and our reader both accept gives the same records (D 5.3). Outside check: libpcap
 * (pcap_fopen_offline_with_tstamp_precision, nanoseconds). Tried on every example trace (or the files given as
 * arguments), on every prefix of a small file, and on files damaged at random from a fixed seed. The CAN ids of cooked
 * captures (link types 113, 276) are compared too. pcapng against libpcap: test_pcapng.c.
 *
 * The only differences allowed, each a check that libpcap 1.10.3 lacks (measured with it):
 *   a fraction of a second or more: libpcap adds it, we keep the seconds and mark the record;
 *   seconds from 2^31 on: libpcap gives them as negative, we as unsigned;
 *   a captured length above the file's own limit: libpcap cuts the record down, we end there as damaged;
 *   reserved bits of the link type: libpcap 1.10.3 hands them on, 1.10.5 refuses them, we ignore them with a warning;
 *   what we refuse at the start and libpcap reads: link types but 227, 113 and 276, versions before 2.4, pcapng,
 *   other magics.
 */
#define _GNU_SOURCE /* memfd_create */
#include <glob.h>
#include <setjmp.h>
#include <stdarg.h>
#include <sys/mman.h>

#include <cmocka.h>
#include <pcap/pcap.h>

#include "../../decoder/stages/frame.h"
#include "trace_build.h"

#define DAMAGED_FILES 6000

static int arguments_count;
static char **arguments;

static uint64_t random_state = UINT64_C(0x9E3779B97F4A7C15);
static struct {
    uint64_t files, both, refused_by_us, records, doubtful, late, snapped, torn, senseless;
} seen;

static uint32_t random_below(uint32_t limit)
{
    random_state ^= random_state << 13; /* xorshift64 */
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (uint32_t)((random_state >> 32) % limit);
}

/* One record that both gave. */
static void compare_record(const struct trace_record *ours, const struct pcap_pkthdr *header, const u_char *data,
                           const char *name)
{
    uint32_t seconds = (uint32_t)(ours->time / TT_SECOND);
    seen.records++;
    if (ours->captured != header->caplen || ours->original != header->len ||
        (ours->captured > 0 && memcmp(ours->data, data, ours->captured) != 0))
        fail_msg("%s: record %llu differs", name, (unsigned long long)ours->number);
    if (ours->time_doubtful) {
        seen.doubtful++;
    } else if (ours->time % TT_SECOND != header->ts.tv_usec) {
        fail_msg("%s: record %llu: fraction %ld", name, (unsigned long long)ours->number, (long)header->ts.tv_usec);
    }
    if (seconds > INT32_MAX)
        seen.late++;
    else if (header->ts.tv_sec < 0)
        fail_msg("%s: record %llu: negative seconds", name, (unsigned long long)ours->number);
    if (seconds != (uint32_t)header->ts.tv_sec)
        fail_msg("%s: record %llu: seconds differ", name, (unsigned long long)ours->number);
}

static void compare_records(struct trace_reader *reader, pcap_t *pcap, const char *name)
{
    for (;;) {
        struct trace_record record;
        struct pcap_pkthdr *header;
        const u_char *data;
        enum trace_status status = trace_reader_next(reader, &record);
        int theirs = pcap_next_ex(pcap, &header, &data);
        if (status == TRACE_RECORD && theirs == 1) {
            compare_record(&record, header, data, name);
            continue;
        }
        if (status == TRACE_SENSELESS && theirs == 1) {
            seen.snapped++; /* cut down to the limit by libpcap */
            assert_int_equal(header->caplen, reader->snaplen);
            return;
        }
        seen.torn += status == TRACE_TORN;
        seen.senseless += status == TRACE_SENSELESS;
        if (theirs == PCAP_ERROR_BREAK && status == TRACE_END)
            return;
        if (theirs == PCAP_ERROR && (status == TRACE_TORN || status == TRACE_SENSELESS))
            return;
        fail_msg("%s: after %llu records we say %d, libpcap %d (%s)", name, (unsigned long long)reader->records, status,
                 theirs, pcap_geterr(pcap));
    }
}

static void compare_file(const char *path, const char *name)
{
    struct diagnostics diagnostics;
    struct trace_reader reader;
    char error[PCAP_ERRBUF_SIZE];
    diagnostics_init(&diagnostics, NULL);
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    pcap_t *pcap = pcap_fopen_offline_with_tstamp_precision(file, PCAP_TSTAMP_PRECISION_NANO, error);
    int code = trace_reader_open(&reader, path, false, &diagnostics);
    seen.files++;
    if (code == EXIT_CONFIRMED && !pcap && diagnostics.warnings == 0)
        fail_msg("%s: libpcap refuses what we accept: %s", name, error);
    if (code != EXIT_CONFIRMED) {
        seen.refused_by_us++;
        assert_int_equal(code, EXIT_BAD_INPUT);
        assert_int_equal(diagnostics.errors, 1);
    } else if (pcap) {
        seen.both++;
        assert_int_equal(pcap_datalink(pcap) & 0xFFFF, reader.linktype);
        compare_records(&reader, pcap, name);
    }
    trace_reader_close(&reader);
    if (pcap)
        pcap_close(pcap); /* closes file */
    else
        fclose(file);
}

static void compare_bytes(const uint8_t *bytes, size_t length, const char *name)
{
    static int fd = -1;
    static char path[32];
    if (fd < 0) {
        fd = memfd_create("damaged", 0);
        assert_true(fd >= 0);
        snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    }
    assert_int_equal(ftruncate(fd, 0), 0);
    assert_int_equal(pwrite(fd, bytes, length, 0), (ssize_t)length);
    compare_file(path, name);
}

static void examples_give_the_same_records(void **state)
{
    glob_t found = {0};
    (void)state;
    size_t count = (size_t)arguments_count;
    char **paths = arguments;
#ifdef TT_SOURCE_DIR
    if (count == 0 && glob(TT_SOURCE_DIR "/traces/jobs/*/trace.pcap", 0, NULL, &found) == 0) {
        count = found.gl_pathc;
        paths = found.gl_pathv;
    }
#endif
    for (size_t i = 0; i < count; i++) {
        uint64_t before = seen.records;
        compare_file(paths[i], paths[i]);
        assert_true(seen.records > before);
    }
    printf("%zu example traces, %llu records\n", count, (unsigned long long)seen.records);
    globfree(&found);
}

/* A file with every kind of record. form: bit 0 byte order, bit 1 microseconds, bits 2 and 3 the limit. */
static void build_mixed(struct trace_build *build, unsigned form)
{
    static const uint32_t limits[] = {262144, 72, 0, 0x7FFFFFFF};
    static const uint8_t zeros[64];
    build->big = form & 1;
    build_header_full(build, form & 2 ? 0xA1B2C3D4 : 0xA1B23C4D, 2, 4, 0, limits[form >> 2 & 3], 227);
    build_can(build, 1772438400, 1, 0x5E3, "\x03\x22\xF1\x90\0\0\0\0", 8);
    build_can(build, 1772438400, 2, 0x6C5, "\x10\x14\x62\xF1\x90\x31\x4D\x38", 8);
    build_record(build, 1772438400, 3, 11, 11, "\0\0\x05\xE3\x03\0\0\0\x30\0\0", 11);
    build_record(build, 1772438400, 4, 16, 9, zeros, 16);
    build_record(build, 1772438401, 5, 0, 0, "", 0);
    build_record(build, 1772438401, 6, 64, 72, zeros, 64);
    build_can(build, 1772438399, 7, 0x20000004, "\0\x01\0\0\0\0\0", 8);
}

static void every_prefix_gives_the_same_records(void **state)
{
    (void)state;
    for (unsigned form = 0; form < 4; form++) {
        struct trace_build build = {0};
        build_mixed(&build, form);
        for (size_t length = 0; length <= build.length; length++) {
            char name[32];
            snprintf(name, sizeof name, "form %u, %zu bytes", form, length);
            compare_bytes(build.bytes, length, name);
        }
        build_free(&build);
    }
}

/* One to four changes, half of them in places that matter: a field of the file header or of a record header. */
static void damage(struct trace_build *build)
{
    static const uint32_t numbers[] = {0, 1, 15, 16, 17, 72, 73, 262144, 262145, 999999, 1000000, 999999999, 1000000000,
                                       0x7FFFFFFF, 0x80000000, 0xEE6B2800, 0xFFFFFFFF};
    static const size_t heads[] = {24, 56, 88, 115, 147, 163, 243};
    for (uint32_t i = random_below(4); i < 4; i++) {
        size_t at = random_below((uint32_t)build->length);
        if (random_below(2)) {
            at = random_below(3) ? heads[random_below(7)] + 4 * random_below(4) : 4 * random_below(6);
            struct trace_build number = {.big = build->big};
            build_u32(&number, numbers[random_below(sizeof numbers / sizeof *numbers)]);
            if (at + 4 <= build->length)
                memcpy(build->bytes + at, number.bytes, 4);
            build_free(&number);
            continue;
        }
        switch (random_below(4)) {
        case 0:
            build->bytes[at] ^= (uint8_t)(1u << random_below(8));
            break;
        case 1:
            build->bytes[at] = (uint8_t)random_below(256);
            break;
        case 2: /* bytes lost inside */
            memmove(build->bytes + at, build->bytes + at + 1, build->length - at - 1);
            build->length--;
            break;
        default:
            build->length = at > 24 ? at : build->length;
            break;
        }
        if (build->length < 32)
            return;
    }
}

static void damaged_files_give_the_same_records(void **state)
{
    (void)state;
    memset(&seen, 0, sizeof seen);
    for (unsigned i = 0; i < DAMAGED_FILES; i++) {
        char name[32];
        struct trace_build build = {0};
        build_mixed(&build, random_below(16));
        damage(&build);
        snprintf(name, sizeof name, "damaged file %u", i);
        compare_bytes(build.bytes, build.length, name);
        build_free(&build);
    }
    printf("%llu damaged files: %llu read by both, %llu refused; %llu records, %llu with an impossible fraction, %llu "
           "after 2038; %llu torn, %llu senseless, %llu above the limit\n",
           (unsigned long long)seen.files, (unsigned long long)seen.both, (unsigned long long)seen.refused_by_us,
           (unsigned long long)seen.records, (unsigned long long)seen.doubtful, (unsigned long long)seen.late,
           (unsigned long long)seen.torn, (unsigned long long)seen.senseless, (unsigned long long)seen.snapped);
    /* The corpus reaches every difference and every end. */
    assert_true(seen.both > DAMAGED_FILES / 2 && seen.refused_by_us > 100 && seen.doubtful > 50 && seen.late > 50);
    assert_true(seen.torn > 100 && seen.senseless > 50 && seen.snapped > 20);
}

/* ---- cooked captures ---- */

static struct frame last_frame;

static void keep_frame(void *context, const struct frame_event *event)
{
    (void)context;
    assert_true(event->kind == FRAME_DATA || event->kind == FRAME_CLOCK_BACK);
    last_frame = *event->frame;
}

/*
 * Link types 113 and 276 in both byte orders: libpcap puts the CAN id behind a cooked header into this machine's order
 * while it reads, we leave the record and read the id in the file's order. The ids must be the same numbers.
 */
static void cooked_ids_are_those_of_libpcap(void **state)
{
    static const uint32_t words[] = {0x5E3, 0x6C5, 0x7FF, 0, 0x98DAF110, 0x80000001, 0x9FFFFFFF};
    static const uint32_t linktypes[] = {113, 276};
    (void)state;
    for (unsigned way = 0; way < 4; way++) {
        struct trace_build build = {.big = way % 2};
        uint32_t header = way < 2 ? 16 : 20;
        struct trace_reader reader;
        struct trace_record record;
        struct frame_stage stage;
        struct diagnostics diagnostics;
        struct pcap_pkthdr *packet;
        const u_char *data;
        char path[64], why[PCAP_ERRBUF_SIZE];
        diagnostics_init(&diagnostics, NULL);
        build_header_full(&build, 0xA1B23C4D, 2, 4, 0, 262144, linktypes[way / 2]);
        for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
            struct trace_build cooked = {.big = build.big};
            build_bytes(&cooked, (uint8_t[20]){[0] = 0, [1] = way < 2 ? 0 : 0x0C, [15] = way < 2 ? 0x0C : 0}, header);
            build_u32(&cooked, words[i]); /* in the writer's order */
            build_bytes(&cooked, "\x02\0\0\0\x01\x7E\0\0\0\0\0\0", 12);
            build_record(&build, 1, (uint32_t)i, header + 16, header + 16, cooked.bytes, cooked.length);
            build_free(&cooked);
        }
        build_file(&build, path);
        assert_int_equal(trace_reader_open(&reader, path, false, &diagnostics), 0);
        assert_false(frame_ids_are_swapped(&reader));
        frame_init(&stage, 0, 0, keep_frame, NULL);
        frame_set_link(&stage, &reader, FRAME_ID_DEFINED);
        pcap_t *pcap = pcap_open_offline(path, why);
        assert_non_null(pcap);
        for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
            uint32_t theirs;
            assert_int_equal(trace_reader_next(&reader, &record), TRACE_RECORD);
            assert_int_equal(pcap_next_ex(pcap, &packet, &data), 1);
            frame_push(&stage, &record);
            memcpy(&theirs, data + header, sizeof theirs);
            assert_int_equal(theirs, words[i]);
            assert_int_equal(frame_id_word(&last_frame), theirs);
            assert_int_equal(last_frame.length, 2);
        }
        pcap_close(pcap);
        trace_reader_close(&reader);
        (void)unlink(path);
        build_free(&build);
    }
}

int main(int count, char **list)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(examples_give_the_same_records),
        cmocka_unit_test(every_prefix_gives_the_same_records),
        cmocka_unit_test(damaged_files_give_the_same_records),
        cmocka_unit_test(cooked_ids_are_those_of_libpcap),
    };
    arguments_count = count - 1;
    arguments = list + 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
