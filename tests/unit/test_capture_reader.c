/*
 * capture/reader.h on a UDP socket of the loopback interface, which has what a CAN socket has: whole datagrams of 16 or
 * 72 bytes, stamps, SO_RXQ_OVFL and SO_MEMINFO. The reader runs in a process of its own, under its filter.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include <arpa/inet.h>
#include <linux/can.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "capture/filter.h"
#include "capture/reader.h"
#include "capture/records.h"
#include "interrupt.h"

struct rig {
    struct reader_setup setup;
    int sender, ends[2];
    pid_t reader;
};

/* A receiving socket with so small a buffer that a stopped reader loses frames soon, and a sender to it. */
static void build(struct rig *rig, int buffer)
{
    static const int on = 1;
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof address;
    uint8_t header[TRACE_FILE_HEADER];
    *rig = (struct rig){.setup = {.shared = shared_make(), .bus_count = 1}};
    int bus = socket(AF_INET, SOCK_DGRAM, 0);
    assert_int_equal(setsockopt(bus, SOL_SOCKET, SO_RCVBUF, &buffer, sizeof buffer), 0);
    assert_int_equal(setsockopt(bus, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on), 0);
    assert_int_equal(setsockopt(bus, SOL_SOCKET, SO_TIMESTAMPNS_NEW, &on, sizeof on), 0);
    assert_int_equal(bind(bus, (struct sockaddr *)&address, sizeof address), 0);
    assert_int_equal(getsockname(bus, (struct sockaddr *)&address, &length), 0);
    rig->sender = socket(AF_INET, SOCK_DGRAM, 0);
    assert_int_equal(connect(rig->sender, (struct sockaddr *)&address, sizeof address), 0);
    rig->setup.bus[0] = bus;
    rig->setup.trace[0] = memfd_create("trace", 0);
    records_file_header(header);
    assert_int_equal(write(rig->setup.trace[0], header, sizeof header), sizeof header);
    assert_int_equal(pipe(rig->ends), 0);
    rig->setup.keeper_pipe = rig->ends[0];
}

static void start(struct rig *rig)
{
    interrupt_watch();
    rig->reader = fork();
    if (rig->reader == 0) {
        (void)close(rig->ends[1]);
        filter_exit(reader_run(&rig->setup));
    }
    (void)close(rig->ends[0]);
    while (!atomic_load(&rig->setup.shared->ready))
        (void)poll(NULL, 0, 1);
}

static int stop(struct rig *rig)
{
    int status = -1;
    atomic_store(&rig->setup.shared->stop, true);
    assert_int_equal(waitpid(rig->reader, &status, 0), rig->reader);
    return status;
}

static void take_down(struct rig *rig)
{
    (void)close(rig->setup.bus[0]);
    (void)close(rig->setup.trace[0]);
    (void)close(rig->sender);
    (void)close(rig->ends[1]);
    (void)munmap(rig->setup.shared, sizeof *rig->setup.shared);
}

static void send_frames(struct rig *rig, uint32_t first, unsigned count)
{
    for (uint32_t i = first; i < first + count; i++) {
        struct can_frame frame = {.can_id = 0x123, .len = 8};
        memcpy(frame.data, &i, sizeof i);
        assert_int_equal(send(rig->sender, &frame, sizeof frame, 0), sizeof frame);
    }
}

static void wait_for_frames(struct rig *rig, uint64_t frames)
{
    for (int i = 0; i < 3000 && atomic_load(&rig->setup.shared->bus[0].frames) < frames; i++)
        (void)poll(NULL, 0, 1);
    assert_int_equal(atomic_load(&rig->setup.shared->bus[0].frames), frames);
}

/* The number that a sent frame carries, from the trace: record n (from 1). */
static uint32_t number_in(struct rig *rig, uint64_t n)
{
    uint32_t number = 0;
    off_t at = (off_t)(TRACE_FILE_HEADER + (n - 1) * 32 + 16 + 8);
    assert_int_equal(pread(rig->setup.trace[0], &number, sizeof number, at), sizeof number);
    return number;
}

static void frames_arrive_whole_and_in_order(void **state)
{
    (void)state;
    struct rig rig;
    struct canfd_frame fd = {.can_id = 0x7FF, .len = 64};
    uint8_t record[88];
    build(&rig, 1 << 20);
    start(&rig);
    int64_t before = time(NULL);
    send_frames(&rig, 0, 300); /* several batches of 64 */
    assert_int_equal(send(rig.sender, &fd, sizeof fd, 0), sizeof fd);
    wait_for_frames(&rig, 301);
    assert_int_equal(stop(&rig), 0);
    assert_int_equal(atomic_load(&rig.setup.shared->why), READER_STOPPED);
    assert_int_equal(atomic_load(&rig.setup.shared->bus[0].bytes), 24 + 300 * 32 + 88);
    assert_int_equal(lseek(rig.setup.trace[0], 0, SEEK_END), 24 + 300 * 32 + 88);
    for (uint32_t n = 1; n <= 300; n++)
        assert_int_equal(number_in(&rig, n), n - 1);
    assert_int_equal(pread(rig.setup.trace[0], record, 88, 24 + 300 * 32), 88);
    uint32_t seconds;
    memcpy(&seconds, record, 4);
    assert_true(seconds >= before && seconds <= before + 60);
    assert_int_equal(record[16 + 5], TRACE_FLAG_FDF);
    take_down(&rig);
}

/* A stopped reader loses frames; every one is counted, and each loss stands where the numbers of the frames jump. */
static void every_lost_frame_is_counted_at_its_place(void **state)
{
    (void)state;
    struct rig rig;
    struct reader_event event;
    build(&rig, 16384);
    start(&rig);
    send_frames(&rig, 0, 10);
    wait_for_frames(&rig, 10);
    assert_int_equal(kill(rig.reader, SIGSTOP), 0);
    (void)poll(NULL, 0, 50);
    send_frames(&rig, 10, 1000);
    assert_int_equal(kill(rig.reader, SIGCONT), 0);
    (void)poll(NULL, 0, 300);
    send_frames(&rig, 1010, 5);
    (void)poll(NULL, 0, 300);
    assert_int_equal(stop(&rig), 0);
    uint64_t frames = atomic_load(&rig.setup.shared->bus[0].frames), lost = atomic_load(&rig.setup.shared->bus[0].lost);
    assert_int_equal(frames + lost, 1015);
    assert_true(lost > 500);
    uint64_t told = 0;
    while (shared_take(rig.setup.shared, &event)) {
        assert_int_equal(event.kind, READER_LOSS);
        assert_int_equal(event.before, event.after + 1);
        assert_int_equal(number_in(&rig, event.before) - number_in(&rig, event.after) - 1, event.count);
        told += event.count;
    }
    assert_int_equal(told, lost);
    take_down(&rig);
}

/* Frames dropped behind the last one come with no message of their own (RELIABILITY 3). */
static void losses_at_the_tail_are_counted(void **state)
{
    (void)state;
    struct rig rig;
    struct reader_event event;
    build(&rig, 16384);
    start(&rig);
    assert_int_equal(kill(rig.reader, SIGSTOP), 0);
    (void)poll(NULL, 0, 50);
    send_frames(&rig, 0, 1000);
    atomic_store(&rig.setup.shared->stop, true);
    assert_int_equal(kill(rig.reader, SIGCONT), 0);
    assert_int_equal(stop(&rig), 0);
    uint64_t frames = atomic_load(&rig.setup.shared->bus[0].frames);
    assert_int_equal(frames + atomic_load(&rig.setup.shared->bus[0].lost), 1000);
    assert_true(shared_take(rig.setup.shared, &event));
    assert_int_equal(event.after, frames);
    assert_int_equal(event.before, frames + 1);
    assert_int_equal(event.count, 1000 - frames);
    assert_false(shared_take(rig.setup.shared, &event));
    take_down(&rig);
}

/* More room while the reader stands still: frames behind the gap come in the same batch as those before it. */
static void a_loss_within_a_batch_stands_where_the_numbers_jump(void **state)
{
    (void)state;
    static const int more = 1 << 20;
    struct rig rig;
    struct reader_event event;
    build(&rig, 16384);
    start(&rig);
    send_frames(&rig, 0, 10);
    wait_for_frames(&rig, 10);
    assert_int_equal(kill(rig.reader, SIGSTOP), 0);
    (void)poll(NULL, 0, 50);
    send_frames(&rig, 10, 1000);
    assert_int_equal(setsockopt(rig.setup.bus[0], SOL_SOCKET, SO_RCVBUF, &more, sizeof more), 0);
    send_frames(&rig, 1010, 5);
    assert_int_equal(kill(rig.reader, SIGCONT), 0);
    (void)poll(NULL, 0, 300);
    assert_int_equal(stop(&rig), 0);
    uint64_t frames = atomic_load(&rig.setup.shared->bus[0].frames);
    assert_true(frames > 15 && frames < 64); /* all of it fits into one batch */
    assert_true(shared_take(rig.setup.shared, &event));
    assert_int_equal(event.after, frames - 5);
    assert_int_equal(event.before, frames - 4);
    assert_int_equal(number_in(&rig, frames - 4), 1010);
    assert_int_equal(event.count, 1015 - frames);
    assert_false(shared_take(rig.setup.shared, &event));
    take_down(&rig);
}

/* The bus falls silent behind a loss: it is told all the same, while the recording goes on (D 10.4). */
static void a_loss_before_silence_is_told_within_seconds(void **state)
{
    (void)state;
    struct rig rig;
    build(&rig, 16384);
    start(&rig);
    assert_int_equal(kill(rig.reader, SIGSTOP), 0);
    (void)poll(NULL, 0, 50);
    send_frames(&rig, 0, 1000);
    assert_int_equal(kill(rig.reader, SIGCONT), 0);
    for (int i = 0; i < 300 && !atomic_load(&rig.setup.shared->bus[0].lost); i++)
        (void)poll(NULL, 0, 10);
    assert_int_equal(atomic_load(&rig.setup.shared->bus[0].lost),
                     1000 - atomic_load(&rig.setup.shared->bus[0].frames));
    assert_int_equal(stop(&rig), 0);
    take_down(&rig);
}

/* Past the limit nothing is written, not even part of a record, and the reason is there. */
static void the_limit_ends_it_at_a_whole_record(void **state)
{
    (void)state;
    struct rig rig;
    int status;
    build(&rig, 1 << 20);
    atomic_store(&rig.setup.shared->bus[0].limit, 24 + 100 * 32 + 31);
    start(&rig);
    send_frames(&rig, 0, 200);
    assert_int_equal(waitpid(rig.reader, &status, 0), rig.reader);
    assert_int_equal(status, 0);
    assert_int_equal(atomic_load(&rig.setup.shared->why), READER_FULL);
    assert_int_equal(atomic_load(&rig.setup.shared->bus[0].frames), 100);
    assert_int_equal(atomic_load(&rig.setup.shared->bus[0].bytes), 24 + 100 * 32);
    assert_int_equal(lseek(rig.setup.trace[0], 0, SEEK_END), 24 + 100 * 32);
    take_down(&rig);
}

/* A write that is cut short by the system (here: the limit on file sizes) counts whole records only. */
static void a_short_write_counts_whole_records(void **state)
{
    (void)state;
    struct rig rig;
    int status;
    const struct rlimit small = {24 + 10 * 32 + 7, RLIM_INFINITY};
    struct rlimit before;
    build(&rig, 1 << 20);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    (void)signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    start(&rig);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    send_frames(&rig, 0, 50);
    assert_int_equal(waitpid(rig.reader, &status, 0), rig.reader);
    assert_int_equal(atomic_load(&rig.setup.shared->why), READER_FULL);
    assert_int_equal(atomic_load(&rig.setup.shared->bus[0].frames), 10);
    assert_int_equal(atomic_load(&rig.setup.shared->bus[0].bytes), 24 + 10 * 32);
    take_down(&rig);
}

/* The keeper's death ends nothing; a signal does, and what the socket held is taken. */
static void without_a_keeper_it_goes_on(void **state)
{
    (void)state;
    struct rig rig;
    int status;
    build(&rig, 1 << 20);
    start(&rig);
    (void)close(rig.ends[1]);
    (void)poll(NULL, 0, 150);
    send_frames(&rig, 0, 20);
    wait_for_frames(&rig, 20);
    assert_int_equal(kill(rig.reader, SIGSTOP), 0);
    (void)poll(NULL, 0, 50);
    send_frames(&rig, 20, 100);
    assert_int_equal(kill(rig.reader, SIGTERM), 0);
    assert_int_equal(kill(rig.reader, SIGCONT), 0);
    assert_int_equal(waitpid(rig.reader, &status, 0), rig.reader);
    assert_int_equal(status, 0);
    assert_int_equal(atomic_load(&rig.setup.shared->bus[0].frames), 120);
    rig.ends[1] = -1;
    take_down(&rig);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frames_arrive_whole_and_in_order),
        cmocka_unit_test(every_lost_frame_is_counted_at_its_place),
        cmocka_unit_test(losses_at_the_tail_are_counted),
        cmocka_unit_test(a_loss_within_a_batch_stands_where_the_numbers_jump),
        cmocka_unit_test(a_loss_before_silence_is_told_within_seconds),
        cmocka_unit_test(the_limit_ends_it_at_a_whole_record),
        cmocka_unit_test(a_short_write_counts_whole_records),
        cmocka_unit_test(without_a_keeper_it_goes_on),
    };
    (void)alarm(120); /* a reader that does not end must fail the test, not hold it */
    return cmocka_run_group_tests(tests, NULL, NULL);
}
