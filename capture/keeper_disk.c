/* The keeper's work on the disk: room ahead, syncing, reading back. See keeper_state.h. */
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "keeper_state.h"
#include "trace_format.h"

#define AHEAD (16u << 20)    /* bytes of each trace: 24 s of the fastest classic bus */
#define AHEAD_LEAST (64u << 10)
#define LOG_LEFT (128u << 10) /* of the reserve of recorder.jsonl: below it more is taken */
#define LOG_NEEDED (32u << 10) /* for the last events and the end */

static bool no_reserve(int error)
{
    return error == EOPNOTSUPP || error == ENOSYS || error == EINVAL;
}

/* As much as there is, down to a little. True when the reserve grew, or none is possible on this file system. */
static bool extend(struct keeper *keeper, unsigned b, uint64_t bytes)
{
    struct kept_bus *bus = &keeper->bus[b];
    for (uint64_t more = AHEAD; more >= AHEAD_LEAST; more /= 2) {
        if (bytes + more <= bus->room)
            return false;
        int error = job_reserve(keeper->setup->job->trace[b], bytes + more);
        if (error == 0 || no_reserve(error)) {
            bus->room = error ? UINT64_MAX : bytes + more;
            return true;
        }
    }
    return false;
}

static void reserve_trace(struct keeper *keeper, unsigned b)
{
    struct kept_bus *bus = &keeper->bus[b];
    uint64_t bytes = atomic_load(&keeper->shared->bus[b].bytes);
    if (bus->room == UINT64_MAX || bus->room >= bytes + AHEAD / 2)
        return;
    /* Nothing more to be had: the reader may use what there is, and ends at a whole record. */
    bool grew = extend(keeper, b, bytes);
    atomic_store(&keeper->shared->bus[b].limit, grew ? UINT64_MAX : bus->room);
}

static void reserve_log(struct keeper *keeper)
{
    uint64_t used = keeper->setup->log->bytes;
    if (keeper->log_room >= used + LOG_LEFT)
        return;
    int error = job_reserve(keeper->setup->job->log, used + JOB_LOG_ROOM);
    if (error == 0)
        keeper->log_room = used + JOB_LOG_ROOM;
    else if (no_reserve(error))
        keeper->log_room = UINT64_MAX;
    else if (keeper->log_room < used + LOG_NEEDED && !keeper->why)
        keeper->why = RECORDER_DISK_FULL; /* while the end can still be written */
}

void keeper_reserve(struct keeper *keeper)
{
    if (keeper->setup->job->no_reserve)
        return;
    for (unsigned b = 0; b < keeper->bus_count; b++)
        reserve_trace(keeper, b);
    reserve_log(keeper);
}

/* After a failed sync the kernel may have thrown the pages away and call the next one good: it is not asked again. */
static void note_sync_failed(struct keeper *keeper, uint32_t b, const char *file, int error)
{
    struct event event = {.what = RECORDER_SYNC_FAILED, .bus = b};
    if (b != EVENT_NO_BUS) {
        event.after = keeper->bus[b].follow.frames;
        event.before = event.after + 1;
    }
    (void)snprintf(event.detail, sizeof event.detail, "%s: %s; what is on disk is not known from here on", file,
                   strerror(error));
    keeper_note(keeper, &event);
}

void keeper_secure(struct keeper *keeper, unsigned b, uint64_t bytes)
{
    struct kept_bus *bus = &keeper->bus[b];
    const struct job *job = keeper->setup->job;
    if (!bus->follow_failed && !trace_follow_to(&bus->follow, bytes)) {
        bus->follow_failed = true;
        struct event event = {.what = RECORDER_WRITE_FAILED, .bus = b, .after = bus->follow.frames,
                              .before = bus->follow.frames + 1};
        (void)snprintf(event.detail, sizeof event.detail, "%s cannot be read back: %s", job->name[b],
                       strerror(errno));
        keeper_note(keeper, &event);
    }
    if (!bus->sync_failed && fdatasync(job->trace[b]) != 0) {
        bus->sync_failed = true;
        note_sync_failed(keeper, b, job->name[b], errno);
    }
}

void keeper_sync_log(struct keeper *keeper)
{
    if (keeper->log_sync_failed || fdatasync(keeper->setup->job->log) == 0)
        return;
    keeper->log_sync_failed = true;
    note_sync_failed(keeper, EVENT_NO_BUS, RECORDER_LOG_NAME, errno);
}

void keeper_trim(struct keeper *keeper, unsigned b)
{
    const struct kept_bus *bus = &keeper->bus[b];
    /* Cutting to the length it has frees the reserve; a torn record of a failed write of ours goes with it. */
    if (!bus->follow_failed && bus->follow.bytes >= TRACE_FILE_HEADER)
        (void)!ftruncate(keeper->setup->job->trace[b], (off_t)bus->follow.bytes);
}
