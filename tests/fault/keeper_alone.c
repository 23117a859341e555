/*
 * The keeper of taretrace-record (capture/keeper.h) without a bus: job folder, first line, checkpoints and end as in
 * capture/record.c, beside a reading process that writes numbered frames. For the fault walks: its calls can be made to
 * fail one by one (shim.c), which in the emulated bus would take hours.
 *
 *   keeper_alone JOB DEFINITIONS     prints "written N": frames the reading process wrote. Ends as taretrace-record would.
 *
 * The reading process makes its calls through syscall(2), so that no fault meant for the keeper strikes it.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include "capture/bus_socket.h"
#include "capture/job.h"
#include "capture/keeper.h"
#include "capture/lines.h"
#include "capture/records.h"
#include "decoder/support/interrupt.h"

#define EACH_NS 2000000L /* between two frames: 500 a second */

static void read_on(struct shared *shared, int trace)
{
    uint64_t bytes = TRACE_FILE_HEADER, frames = 0;
    while (!atomic_load(&shared->stop)) {
        uint8_t frame[16] = {0x45, 0x06, 0, 0, 8}, record[RECORDS_LARGEST]; /* identifier 0x645, 8 bytes */
        struct timespec now, pause = {.tv_nsec = EACH_NS};
        (void)clock_gettime(CLOCK_REALTIME, &now);
        frames++;
        for (int i = 0; i < 8; i++)
            frame[8 + i] = (uint8_t)(frames >> (8 * (7 - i)));
        size_t length = records_put(record, frame, sizeof frame, (uint32_t)now.tv_sec, (uint32_t)now.tv_nsec);
        if (syscall(SYS_write, trace, record, length) != (long)length) {
            atomic_store(&shared->error, errno);
            atomic_store(&shared->why, READER_WRITE_FAILED);
            return;
        }
        bytes += length;
        atomic_store(&shared->bus[0].bytes, bytes);
        atomic_store(&shared->bus[0].frames, frames);
        atomic_fetch_add(&shared->bus[0].emptied, 1);
        (void)nanosleep(&pause, NULL);
    }
    atomic_store(&shared->why, READER_STOPPED);
}

int main(int argc, char **argv)
{
    static struct job job = {.folder = -1, .log = -1};
    static struct log log;
    struct diagnostics diagnostics;
    struct definitions definitions = {0};
    struct options options = {.interfaces = {"none0"}, .interface_count = 1, .seconds = 1, .is_virtual = true};
    struct link_facts facts = {.name = "none0", .index = 999999, .is_can = true, .up = true, .is_virtual = true};
    struct link_counters counters = {0};
    struct clocks now;
    if (argc != 3)
        return EXIT_USAGE;
    options.into = argv[1];
    options.definitions[options.definition_count++] = argv[2];
    diagnostics_init(&diagnostics, stderr);
    struct shared *shared = shared_make();
    if (!shared)
        return EXIT_OUR_FAULT;
    int code = job_load_definitions(&options, &definitions, &diagnostics);
    if (!code)
        code = job_make(&job, &options, &definitions, &diagnostics);
    if (code)
        return code;
    clocks_read(&now);
    const struct start_bus start = {&facts, job.name[0], 1u << 20, bus_socket_bears(1u << 20, 500000)};
    if (!log_open(&log, job.log) || !lines_start(&log, &now, false, false, &start, 1, &definitions) ||
        fsync(job.log) != 0) {
        diagnostics_say(&diagnostics, SEVERITY_ERROR, job.path, "recorder.jsonl cannot be written");
        job_remove(&job, &definitions);
        return EXIT_WRITE_FAILED;
    }
    atomic_store(&shared->bus[0].bytes, TRACE_FILE_HEADER);
    atomic_store(&shared->bus[0].limit, UINT64_MAX);
    pid_t reader = (pid_t)syscall(SYS_fork);
    if (reader == 0) {
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL); /* the real one goes on; a test is to end */
        read_on(shared, job.trace[0]);
        syscall(SYS_exit_group, 0);
    }
    const struct keeper_setup setup = {.shared = shared, .options = &options, .job = &job, .facts = &facts,
                                       .counters = &counters, .log = &log, .diagnostics = &diagnostics,
                                       .reader = reader};
    code = keeper_run(&setup);
    (void)printf("written %llu\n", (unsigned long long)atomic_load(&shared->bus[0].frames));
    definitions_free(&definitions);
    log_close(&log);
    job_close(&job);
    return code;
}
