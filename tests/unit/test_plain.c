/*
 * The fast path of plain records (stages/plain.h) against its oracle, trace_reader_next and frame_push: traces full
 * of unusual records, with any ids wanted and any limits. Every event on a wanted id, every fault and step of the
 * clock, and the state of reader and frame stage at each of them and at the end must be the same, bit for bit.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "plain.h"
#include "trace_build.h"

#define RECORDS 400u
#define TRACES 3000u

static uint32_t seed = 1;

static uint32_t any(uint32_t below)
{
    seed = seed * 1664525u + 1013904223u;
    return (seed >> 8) % below;
}

/* A 29-bit id of its own hash entry, one that shares 0x18DA10F1's, and two of 11 bits. */
static const uint32_t ids[] = {0x7E0, 0x123, 0x18DA10F1u | 0x80000000u, 0x00000001u | 0x80000000u};
#define IDS (sizeof ids / sizeof *ids)

struct told {
    struct frame_event event;
    struct frame frame;
};

struct run {
    struct trace_reader reader;
    struct frame_stage stage;
    const bool *wanted; /* of ids */
    struct told told[2 * RECORDS];
    uint32_t count;
};

/* Frames that nobody wants may be told or not. */
static void on_frame(void *context, const struct frame_event *event)
{
    struct run *run = context;
    if (event->kind == FRAME_DATA)
        for (uint32_t i = 0; i < IDS; i++)
            if (frame_id_word(event->frame) == ids[i] && !run->wanted[i])
                return;
    assert_true(run->count < 2 * RECORDS);
    struct told *told = &run->told[run->count++];
    memset(told, 0, sizeof *told);
    told->event = *event;
    told->event.frame = NULL;
    told->frame = *event->frame;
    if (told->frame.length < sizeof told->frame.data) /* what is behind them does not count */
        memset(told->frame.data + told->frame.length, 0, sizeof told->frame.data - told->frame.length);
}

static void same_frame(const struct frame *a, const struct frame *b)
{
    assert_int_equal(a->number, b->number);
    assert_int_equal(a->time, b->time);
    assert_int_equal(a->elapsed, b->elapsed);
    assert_int_equal(a->epoch, b->epoch);
    assert_int_equal(a->offset, b->offset);
    assert_int_equal(a->data_offset, b->data_offset);
    assert_int_equal(a->id, b->id);
    assert_int_equal(a->error, b->error);
    assert_int_equal(a->extended | a->remote << 1 | a->fd << 2 | a->brs << 3 | a->esi << 4,
                     b->extended | b->remote << 1 | b->fd << 2 | b->brs << 3 | b->esi << 4);
    assert_int_equal(a->length, b->length);
    assert_memory_equal(a->data, b->data, a->length);
}

/* One record; about one in eight is unusual in some way. */
static void build_any(struct trace_build *build, bool nano, uint64_t *time)
{
    static const uint8_t data[72] = {0x10, 0x09, 0x62, 0x3C, 0x40, 0xFF, 0xEE, 0xDD, 1, 2, 3};
    uint8_t packet[80] = {0};
    uint32_t odd = any(8) ? 99 : any(12), word = ids[any(IDS)], captured = 16, original = 16;
    uint8_t length = any(4) ? 8 : (uint8_t)any(9), flags = 0;
    uint32_t unit = nano ? 1 : 1000;
    *time += any(3) * 1000000u * any(400);
    if (odd == 0 && *time > 5000000000u)
        *time -= 1000000000u; /* the clock goes back */
    uint32_t fraction = (uint32_t)(*time % 1000000000u / unit);
    if (odd == 1)
        fraction = 1000000000u / unit + any(5); /* no fraction of a second */
    else if (odd == 2)
        word |= 0x20000000u; /* error frame, on 29-bit ids a senseless one */
    else if (odd == 3)
        word |= 0x40000000u; /* remote */
    else if (odd == 4)
        word = 0x800 + any(4); /* senseless */
    else if (odd == 5)
        length = (uint8_t)(9 + any(250));
    else if (odd == 6)
        flags = 0x04; /* CAN FD */
    else if (odd == 7)
        captured = original = 72;
    else if (odd == 8)
        captured = original = 8 + any(8);
    else if (odd == 9)
        original = 8 + any(20);
    else if (odd == 10)
        flags = (uint8_t)any(4); /* not FDF: says nothing */
    packet[0] = (uint8_t)(word >> 24);
    packet[1] = (uint8_t)(word >> 16);
    packet[2] = (uint8_t)(word >> 8);
    packet[3] = (uint8_t)word;
    packet[4] = length;
    packet[5] = flags;
    memcpy(packet + 8, data, sizeof data);
    build_record(build, (uint32_t)(*time / 1000000000u), fraction, captured, original, packet, captured);
}

static void open_run(struct run *run, int fd, const bool *wanted, struct diagnostics *silent)
{
    memset(run, 0, sizeof *run);
    run->wanted = wanted;
    assert_int_equal(lseek(fd, 0, SEEK_SET), 0);
    assert_int_equal(trace_reader_open_fd(&run->reader, fd, "trace", NULL, 0, true, silent), 0);
    frame_init(&run->stage, 0, 0, on_frame, run);
    frame_set_link(&run->stage, &run->reader, FRAME_ID_DEFINED);
}

/* Both ways over the same file. Returns how many records the fast path took. */
static uint64_t compare(int fd, const bool *wanted, bool stepped)
{
    static struct run plainly, fast;
    static struct plain_filter filter;
    struct diagnostics silent;
    struct trace_record record;
    char a[DIGEST_TEXT], b[DIGEST_TEXT];
    uint64_t taken = 0;
    diagnostics_init(&silent, NULL);
    memset(&filter, 0, sizeof filter);
    for (uint32_t i = 0; i < IDS; i++)
        if (wanted[i])
            plain_want(&filter, ids[i]);
    open_run(&plainly, fd, wanted, &silent);
    while (trace_reader_next(&plainly.reader, &record) == TRACE_RECORD) {
        if (stepped && record.number == RECORDS / 2)
            frame_clock_stepped(&plainly.stage);
        frame_push(&plainly.stage, &record);
    }
    open_run(&fast, fd, wanted, &silent);
    for (;;) {
        uint64_t left = fast.stage.frame.number < RECORDS / 2 ? RECORDS / 2 - 1 - fast.stage.frame.number : RECORDS;
        struct plain_limits limits = {.count = stepped && left < 50 ? left : any(50), .time = INT64_MAX,
                                      .elapsed = INT64_MAX};
        if (any(2))
            limits.time = fast.stage.frame.time + (int64_t)any(3) * TT_SECOND - 1;
        if (any(2))
            limits.elapsed = fast.stage.frame.elapsed + (int64_t)any(2) * TT_SECOND;
        uint64_t before = fast.reader.records, number = fast.stage.frame.number;
        uint64_t some = plain_take(&filter, &fast.reader, &fast.stage, &limits);
        assert_true(some <= limits.count);
        assert_int_equal(fast.reader.records, before + some);
        assert_int_equal(fast.stage.frame.number, number + some);
        if (some) {
            assert_true(fast.stage.frame.time <= limits.time && fast.stage.frame.elapsed <= limits.elapsed);
            taken += some;
            continue;
        }
        if (trace_reader_next(&fast.reader, &record) != TRACE_RECORD)
            break;
        if (stepped && record.number == RECORDS / 2)
            frame_clock_stepped(&fast.stage);
        frame_push(&fast.stage, &record);
    }
    assert_int_equal(fast.count, plainly.count);
    for (uint32_t i = 0; i < fast.count; i++) {
        assert_int_equal(fast.told[i].event.kind, plainly.told[i].event.kind);
        assert_ptr_equal(fast.told[i].event.reason, plainly.told[i].event.reason);
        assert_int_equal(fast.told[i].event.step, plainly.told[i].event.step);
        same_frame(&fast.told[i].frame, &plainly.told[i].frame);
    }
    same_frame(&fast.stage.frame, &plainly.stage.frame);
    assert_int_equal(fast.stage.doubtful, plainly.stage.doubtful);
    assert_int_equal(fast.reader.status, plainly.reader.status);
    assert_int_equal(fast.reader.records, plainly.reader.records);
    assert_int_equal(fast.reader.offset, plainly.reader.offset);
    assert_int_equal(fast.reader.good_length, plainly.reader.good_length);
    assert_int_equal(fast.reader.doubtful_times, plainly.reader.doubtful_times);
    assert_true(trace_reader_digest(&fast.reader, a) && trace_reader_digest(&plainly.reader, b));
    assert_string_equal(a, b);
    trace_reader_close(&plainly.reader);
    trace_reader_close(&fast.reader);
    return taken;
}

static void both_ways_are_the_same(void **state)
{
    (void)state;
    uint64_t taken = 0;
    for (uint32_t i = 0; i < TRACES; i++) {
        struct trace_build build = {.big = any(8) == 0};
        bool nano = any(2), wanted[IDS];
        uint64_t time = 1772438400u * UINT64_C(1000000000);
        uint32_t longest = any(20) ? 262144 : 8 + any(10);
        build_header_full(&build, nano ? 0xA1B23C4D : 0xA1B2C3D4, 2, 4, 0, longest, 227);
        if (longest < 16) /* a record that is within the file's own limit, before those that are not */
            build_record(&build, 1772438400u, 0, 8, 8, (const uint8_t[8]){0}, 8);
        for (uint32_t j = 0; j < RECORDS; j++)
            build_any(&build, nano, &time);
        for (uint32_t j = 0; j < IDS; j++)
            wanted[j] = any(3) == 0;
        FILE *file = tmpfile();
        assert_non_null(file);
        size_t length = build.length - any(40); /* the last record may be torn */
        assert_int_equal(fwrite(build.bytes, 1, length, file), length);
        assert_int_equal(fflush(file), 0);
        uint64_t some = compare(fileno(file), wanted, any(2));
        assert_true(!build.big || some == 0);
        taken += some;
        fclose(file);
        free(build.bytes);
    }
    assert_true(taken > TRACES * RECORDS / 3); /* it is the fast path that was compared */
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(both_ways_are_the_same)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
