/* See reader.h. */
#define _GNU_SOURCE /* recvmmsg */
#include "reader.h"

#include <errno.h>
#include <linux/sock_diag.h>
#include <linux/time_types.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "../decoder/support/interrupt.h"
#include "filter.h"
#include "reader_notes.h"
#include "records.h"
#ifdef CAPTURE_PROBE
#include "probe.h"
#endif

#define BATCH 64
#define BATCHES_AT_ONCE 8 /* of one bus, before the others get their turn */
#define WAIT_MS 100              /* a signal that slips in just before poll is seen after this */
#define DRAIN_MOST (5 * TT_SECOND) /* at the end, should the clock be set back meanwhile */
#define CONTROL_ROOM (CMSG_SPACE(sizeof(struct __kernel_timespec)) + CMSG_SPACE(sizeof(uint32_t)) + 32)

struct bus {
    int fd, trace;
    bool open, hides_local;
    bool down;          /* ENETDOWN came; told when the socket is empty */
    uint64_t down_after;
    uint32_t drops;     /* of this socket, as far as they are told; wraps as the kernel's counter does */
    uint64_t frames, bytes, lost, local;
};

struct reader {
    struct shared *shared;
    struct notes notes;
    unsigned count;
    struct bus bus[BUSES_MAX];
    int64_t last_look;
    /* One batch. */
    uint8_t frame[BATCH][TRACE_CAN_FD];
    uint8_t control[BATCH][CONTROL_ROOM];
    struct iovec piece[BATCH];
    struct mmsghdr message[BATCH];
    uint8_t records[BATCH * RECORDS_LARGEST];
};

static int64_t clock_now(clockid_t clock)
{
    struct timespec now = {0};
    (void)clock_gettime(clock, &now);
    return (int64_t)now.tv_sec * TT_SECOND + now.tv_nsec;
}

static void end_with(struct reader *reader, enum reader_why why, unsigned bus, int error)
{
    if (atomic_load(&reader->shared->why) != READER_RUNS)
        return; /* the first reason counts */
    atomic_store(&reader->shared->why_bus, bus);
    atomic_store(&reader->shared->error, error);
    atomic_store(&reader->shared->why, (int)why);
}

static bool runs(const struct reader *reader)
{
    return atomic_load(&reader->shared->why) == READER_RUNS;
}

/* ---- one message ---- */

struct stamp {
    uint32_t seconds, nanoseconds;
    uint32_t drops;
    bool has_drops;
};

static void read_control(struct msghdr *header, struct stamp *stamp)
{
    bool stamped = false;
    *stamp = (struct stamp){0};
    for (struct cmsghdr *at = CMSG_FIRSTHDR(header); at; at = CMSG_NXTHDR(header, at)) {
        if (at->cmsg_level != SOL_SOCKET)
            continue;
        if (at->cmsg_type == SO_TIMESTAMPNS_NEW) {
            struct __kernel_timespec time;
            memcpy(&time, CMSG_DATA(at), sizeof time);
            stamp->seconds = (uint32_t)time.tv_sec;
            stamp->nanoseconds = (uint32_t)time.tv_nsec;
            stamped = true;
        } else if (at->cmsg_type == SO_RXQ_OVFL) {
            memcpy(&stamp->drops, CMSG_DATA(at), sizeof stamp->drops);
            stamp->has_drops = true;
        }
    }
    if (!stamped) {
        int64_t now = clock_now(CLOCK_REALTIME);
        stamp->seconds = (uint32_t)(now / TT_SECOND);
        stamp->nanoseconds = (uint32_t)(now % TT_SECOND);
    }
}

/* ---- writing ---- */

/* Writes length bytes, short writes gone on with. Returns what got into the file; *error gets 0 or why not all. */
static size_t write_out(int fd, const uint8_t *bytes, size_t length, int *error)
{
    size_t done = 0;
    *error = 0;
    while (done < length) {
        ssize_t put = write(fd, bytes + done, length - done);
        if (put > 0) {
            done += (size_t)put;
        } else if (put == 0 || errno != EINTR) {
            *error = put == 0 ? ENOSPC : errno;
            break;
        }
    }
    return done;
}

static bool means_full(int error)
{
    return error == ENOSPC || error == EDQUOT || error == EFBIG;
}

/* Writes the batch within the room there is. Returns the frames that are whole in the file. */
static uint64_t write_batch(struct reader *reader, unsigned b, size_t length)
{
    struct bus *bus = &reader->bus[b];
    uint64_t limit = atomic_load(&reader->shared->bus[b].limit), whole = 0;
    uint64_t room = limit > bus->bytes ? limit - bus->bytes : 0;
    size_t wanted = length;
    int error;
    if (wanted > room)
        wanted = records_whole(reader->records, length, (size_t)room, &whole);
    size_t kept = write_out(bus->trace, reader->records, wanted, &error);
    kept = records_whole(reader->records, wanted, kept, &whole);
    if (error && !means_full(error))
        end_with(reader, READER_WRITE_FAILED, b, error);
    else if (error || wanted < length)
        end_with(reader, READER_FULL, b, ENOSPC);
    bus->bytes += kept;
    return whole;
}

/* ---- a batch ---- */

static void note(struct reader *reader, unsigned b, enum reader_event_kind kind, uint64_t after, uint64_t before,
                 uint64_t count)
{
    const struct reader_event event = {.kind = kind, .bus = b, .after = after, .before = before, .count = count,
                                       .time = clock_now(CLOCK_REALTIME)};
    notes_add(&reader->notes, reader->shared, &event);
}

static void note_drops(struct reader *reader, unsigned b, uint32_t drops, uint64_t after)
{
    struct bus *bus = &reader->bus[b];
    uint32_t lost = drops - bus->drops;
    /* A stamp from before what SO_MEMINFO told already is older, not a wrap. */
    if (lost == 0 || lost > UINT32_MAX / 2)
        return;
    bus->drops = drops;
    bus->lost += lost;
    note(reader, b, READER_LOSS, after, after + 1, lost);
}

/* What happened goes into the ring before the frames count: who sees a frame counted has seen what lies before it. */
static void publish(struct reader *reader, unsigned b)
{
    struct bus *bus = &reader->bus[b];
    struct shared_bus *out = &reader->shared->bus[b];
    atomic_store_explicit(&out->lost, bus->lost, memory_order_release);
    atomic_store_explicit(&out->local, bus->local, memory_order_release);
    atomic_store_explicit(&out->bytes, bus->bytes, memory_order_release);
    atomic_store_explicit(&out->frames, bus->frames, memory_order_release);
}

/* Frames of this batch that were sent from this computer: one event for each run of them. */
static void note_local(struct reader *reader, unsigned b, uint64_t whole)
{
    struct bus *bus = &reader->bus[b];
    uint64_t run = 0;
    for (unsigned i = 0; i <= whole; i++) {
        if (i < whole && (reader->message[i].msg_hdr.msg_flags & (MSG_DONTROUTE | MSG_CONFIRM))) {
            run++;
            continue;
        }
        uint64_t last = bus->frames + i; /* number of the frame before this one */
        if (run && !bus->hides_local)
            note(reader, b, READER_LOCAL, last - run, last, run);
        bus->local += run;
        run = 0;
    }
}

/* `got` messages to the trace. *latest becomes the largest stamp seen. */
static void take_batch(struct reader *reader, unsigned b, unsigned got, int64_t *latest)
{
    struct bus *bus = &reader->bus[b];
    struct stamp stamp[BATCH];
    size_t length = 0;
    for (unsigned i = 0; i < got; i++) {
        read_control(&reader->message[i].msg_hdr, &stamp[i]);
        int64_t time = (int64_t)stamp[i].seconds * TT_SECOND + stamp[i].nanoseconds;
        if (time > *latest)
            *latest = time;
        /* Other lengths cannot come: CAN XL is not asked for. */
        size_t size = reader->message[i].msg_len == TRACE_CAN_FD ? TRACE_CAN_FD : TRACE_CAN_CLASSIC;
        length += records_put(reader->records + length, reader->frame[i], size, stamp[i].seconds,
                              stamp[i].nanoseconds);
    }
    uint64_t whole = write_batch(reader, b, length);
    for (unsigned i = 0; i < whole; i++) {
        if (stamp[i].has_drops)
            note_drops(reader, b, stamp[i].drops, bus->frames + i);
    }
    note_local(reader, b, whole);
    bus->frames += whole;
    publish(reader, b);
#ifdef CAPTURE_PROBE
    probe_attempt();
#endif
}

/* The socket is empty: what the kernel had to tell before is placed behind the last frame. */
static void note_empty(struct reader *reader, unsigned b)
{
    struct bus *bus = &reader->bus[b];
    if (bus->down) {
        bus->down = false;
        note(reader, b, READER_DOWN, bus->down_after, bus->frames + 1, 0);
    }
    atomic_fetch_add_explicit(&reader->shared->bus[b].emptied, 1, memory_order_release);
}

static void take_error(struct reader *reader, unsigned b, int error)
{
    struct bus *bus = &reader->bus[b];
    if (error == ENETDOWN) {
        if (!bus->down)
            bus->down_after = bus->frames;
        bus->down = true;
    } else if (error == ENODEV) {
        note(reader, b, READER_REMOVED, bus->frames, bus->frames + 1, 0);
        end_with(reader, READER_GONE, b, error);
    } else if (error != EINTR) {
        end_with(reader, READER_READ_FAILED, b, error);
        bus->open = false;
    }
}

/* Reads once. True while there may be more: a short batch may have ended at an error that comes with the next call. */
static bool read_bus(struct reader *reader, unsigned b, int64_t *latest)
{
    for (unsigned i = 0; i < BATCH; i++) {
        reader->message[i].msg_hdr.msg_controllen = CONTROL_ROOM;
        reader->message[i].msg_hdr.msg_flags = 0;
    }
    int got = recvmmsg(reader->bus[b].fd, reader->message, BATCH, MSG_DONTWAIT, NULL);
    if (got > 0)
        take_batch(reader, b, (unsigned)got, latest);
    else if (got < 0 && errno != EAGAIN)
        take_error(reader, b, errno);
    if (got < 0 && errno == EAGAIN)
        note_empty(reader, b);
    return got > 0 || (got < 0 && (errno == EINTR || errno == ENETDOWN || errno == ENODEV));
}

/* ---- drops that no frame tells ---- */

static bool socket_drops(int fd, uint32_t *drops)
{
    uint32_t info[SK_MEMINFO_VARS] = {0};
    socklen_t length = sizeof info;
    if (getsockopt(fd, SOL_SOCKET, SO_MEMINFO, info, &length) != 0 || length <= SK_MEMINFO_DROPS * sizeof *info)
        return false;
    *drops = info[SK_MEMINFO_DROPS];
    return true;
}

/*
 * Frames dropped behind the last one in the queue come with no message (RELIABILITY 3): asked for. They lie behind the
 * last frame only if the queue is found empty after asking; otherwise the next frames say where.
 */
static void look_for_drops(struct reader *reader, unsigned b, bool at_end)
{
    struct bus *bus = &reader->bus[b];
    uint32_t drops;
    int64_t latest = 0;
    if (!bus->open || !socket_drops(bus->fd, &drops) || drops == bus->drops)
        return;
    bool more = read_bus(reader, b, &latest);
    if (!more || at_end) {
        note_drops(reader, b, drops, bus->frames);
        publish(reader, b);
    }
}

static void look_each_second(struct reader *reader)
{
    int64_t now = clock_now(CLOCK_MONOTONIC);
    if (now - reader->last_look < TT_SECOND)
        return;
    reader->last_look = now;
    for (unsigned b = 0; b < reader->count; b++)
        look_for_drops(reader, b, false);
}

/* ---- the run ---- */

/* What the sockets held when the end was asked for; what came later is not of this recording. */
static void drain(struct reader *reader)
{
    int64_t asked = clock_now(CLOCK_REALTIME), began = clock_now(CLOCK_MONOTONIC);
    for (unsigned b = 0; b < reader->count; b++) {
        struct bus *bus = &reader->bus[b];
        int64_t latest = 0;
        while (bus->open && atomic_load(&reader->shared->why) != READER_WRITE_FAILED &&
               atomic_load(&reader->shared->why) != READER_FULL && latest <= asked &&
               clock_now(CLOCK_MONOTONIC) - began < DRAIN_MOST && read_bus(reader, b, &latest))
            ;
        look_for_drops(reader, b, true);
        if (bus->down)
            note_empty(reader, b);
    }
}

static void prepare(struct reader *reader, const struct reader_setup *setup)
{
    reader->shared = setup->shared;
    reader->count = setup->bus_count;
    for (unsigned b = 0; b < setup->bus_count; b++)
        reader->bus[b] = (struct bus){.fd = setup->bus[b], .trace = setup->trace[b], .open = true,
                                      .hides_local = setup->is_virtual[b], .bytes = TRACE_FILE_HEADER};
    for (unsigned i = 0; i < BATCH; i++) {
        reader->piece[i] = (struct iovec){reader->frame[i], sizeof reader->frame[i]};
        reader->message[i].msg_hdr = (struct msghdr){.msg_iov = &reader->piece[i], .msg_iovlen = 1,
                                                     .msg_control = reader->control[i],
                                                     .msg_controllen = CONTROL_ROOM};
    }
    reader->last_look = clock_now(CLOCK_MONOTONIC);
}

int reader_run(const struct reader_setup *setup)
{
    static struct reader reader; /* about 20 kB; nothing may be allocated under the filter */
    struct pollfd polled[BUSES_MAX + 1];
    prepare(&reader, setup);
    for (unsigned b = 0; b < reader.count; b++)
        polled[b] = (struct pollfd){.fd = setup->bus[b], .events = POLLIN};
    polled[reader.count] = (struct pollfd){.fd = setup->keeper_pipe};
#ifdef CAPTURE_PROBE
    probe_prepare(setup->bus[0], setup->trace[0]);
#endif
    int error = filter_install(setup->bus, reader.count, setup->trace, reader.count);
    if (error) {
        end_with(&reader, READER_READ_FAILED, 0, error);
        return EXIT_OUR_FAULT;
    }
    atomic_store(&reader.shared->ready, true);
    while (runs(&reader) && !interrupt_asked() && !atomic_load(&reader.shared->stop)) {
        int64_t latest = 0;
        int found = poll(polled, reader.count + 1, WAIT_MS);
        if (found < 0 && errno != EINTR) {
            end_with(&reader, READER_READ_FAILED, 0, errno);
            break;
        }
        if (found >= 0 && polled[reader.count].revents)
            polled[reader.count].fd = -1; /* the keeper is gone; the recording goes on until a signal */
        for (unsigned b = 0; found >= 0 && b < reader.count; b++) {
            unsigned batches = 0;
            if (!polled[b].revents)
                note_empty(&reader, b);
            while (polled[b].revents && batches++ < BATCHES_AT_ONCE && runs(&reader) &&
                   read_bus(&reader, b, &latest))
                ;
        }
        look_each_second(&reader);
        notes_flush(&reader.notes, reader.shared);
    }
    drain(&reader);
    notes_flush(&reader.notes, reader.shared);
    end_with(&reader, READER_STOPPED, 0, 0);
    return 0;
}
