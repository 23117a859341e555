/*
 * taretrace-record: records CAN interfaces without transmitting (D 10). This file is the order in which things happen:
 * links set and judged, sockets opened, privileges dropped, only then the job made and its first line written, sockets
 * bound, and the two processes begun.
 */
#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "../decoder/support/interrupt.h"
#include "bus_socket.h"
#include "filter.h"
#include "job.h"
#include "keeper.h"
#include "lines.h"
#include "link.h"
#include "privileges.h"
#include "reader.h"
#include "trace_format.h"

struct run {
    struct options options;
    struct diagnostics diagnostics;
    struct link_facts facts[BUSES_MAX];
    struct link_counters counters[BUSES_MAX];
    int bus[BUSES_MAX];
    unsigned open_count;
    uint32_t buffer[BUSES_MAX];
    struct definitions definitions;
    struct job job;
    struct log log;
};

static int open_buses(struct run *run)
{
    int code = 0;
    for (unsigned b = 0; !code && b < run->options.interface_count; b++)
        code = link_prepare(&run->options, run->options.interfaces[b], &run->facts[b], &run->diagnostics);
    for (unsigned b = 0; !code && b < run->options.interface_count; b++) {
        code = bus_socket_open(run->options.interfaces[b], &run->bus[b], &run->buffer[b], &run->diagnostics);
        run->open_count += run->bus[b] >= 0;
    }
    return code;
}

/* The first line, which fixes the definitions, is on disk before the first frame can come. */
static int write_start(struct run *run)
{
    struct start_bus buses[BUSES_MAX];
    struct clocks now;
    clocks_read(&now);
    for (unsigned b = 0; b < run->options.interface_count; b++)
        buses[b] = (struct start_bus){&run->facts[b], run->job.name[b], run->buffer[b],
                                      bus_socket_bears(run->buffer[b], run->facts[b].bitrate)};
    if (!log_open(&run->log, run->job.log) ||
        !lines_start(&run->log, &now, filter_is_on(), run->options.accept_acknowledging, buses,
                     run->options.interface_count, &run->definitions) ||
        fsync(run->job.log) != 0) {
        diagnostics_say(&run->diagnostics, SEVERITY_ERROR, run->job.path,
                        RECORDER_LOG_NAME " cannot be written: %s; nothing is recorded",
                        strerror(run->log.error ? run->log.error : errno));
        return EXIT_WRITE_FAILED;
    }
    return 0;
}

static int bind_buses(struct run *run)
{
    int code = 0;
    for (unsigned b = 0; !code && b < run->options.interface_count; b++) {
        /* What was sent before is not of this recording. */
        if (!link_read_counters(run->facts[b].name, &run->counters[b])) {
            diagnostics_say(&run->diagnostics, SEVERITY_ERROR, run->facts[b].name,
                            "its counters cannot be read; see whether it is still there (ip link)");
            return EXIT_CANNOT_OPEN;
        }
        code = bus_socket_bind(run->bus[b], run->facts[b].name, run->facts[b].index, &run->diagnostics);
    }
    return code;
}

static void close_buses(struct run *run)
{
    for (unsigned b = 0; b < run->open_count; b++)
        (void)close(run->bus[b]);
    run->open_count = 0;
}

static void say_bus(struct run *run, unsigned b)
{
    const struct link_facts *facts = &run->facts[b];
    uint32_t bears = bus_socket_bears(run->buffer[b], facts->bitrate);
    if (facts->is_virtual)
        diagnostics_say(&run->diagnostics, SEVERITY_REMARK, facts->name,
                        "listens on a virtual link, receive buffer %u KiB; passive cannot be proven here",
                        run->buffer[b] / 1024);
    else
        diagnostics_say(&run->diagnostics, SEVERITY_REMARK, facts->name,
                        "listens at %u bit/s, %s, %s; the receive buffer bears %u.%u s of a full bus without reading",
                        facts->bitrate, facts->listen_only ? "listen-only" : "NOT listen-only",
                        facts->state ? facts->state : "state unknown", bears / 1000, bears % 1000 / 100);
    if (!facts->is_virtual && !facts->listen_only)
        diagnostics_say(&run->diagnostics, SEVERITY_WARNING, facts->name,
                        "this computer takes part in the bus: it acknowledges frames and can raise error frames; "
                        "the record says so first");
}

/* Who starts this program waits for its "recording": then frames are taken, under the filter. */
static void wait_until_ready(const struct shared *shared)
{
    for (int i = 0; i < 400 && !atomic_load(&shared->ready) && atomic_load(&shared->why) == READER_RUNS; i++)
        (void)poll(NULL, 0, 5);
}

/* Two processes from here on. */
static int record(struct run *run)
{
    int ends[2];
    struct shared *shared = shared_make();
    if (!shared || pipe(ends) != 0) {
        diagnostics_say(&run->diagnostics, SEVERITY_ERROR, NULL, "no memory or descriptors left: %s; close other "
                        "programs and run again", strerror(errno));
        return EXIT_OUR_FAULT;
    }
    for (unsigned b = 0; b < run->options.interface_count; b++)
        atomic_store(&shared->bus[b].bytes, TRACE_FILE_HEADER);
    pid_t reader = fork();
    if (reader == 0) {
        struct reader_setup setup = {.shared = shared, .bus_count = run->options.interface_count,
                                     .keeper_pipe = ends[0]};
        (void)close(ends[1]);
        for (unsigned b = 0; b < setup.bus_count; b++) {
            setup.bus[b] = run->bus[b];
            setup.trace[b] = run->job.trace[b];
            setup.is_virtual[b] = run->facts[b].is_virtual;
        }
        /* The log stays open, for its lock alone: the filter lets nobody write to it. */
        filter_exit(reader_run(&setup));
    }
    (void)close(ends[0]);
    close_buses(run);
    if (reader < 0) {
        diagnostics_say(&run->diagnostics, SEVERITY_ERROR, NULL, "no second process can be started: %s; close other "
                        "programs and run again", strerror(errno));
        return EXIT_OUR_FAULT;
    }
    wait_until_ready(shared);
    for (unsigned b = 0; b < run->options.interface_count; b++)
        say_bus(run, b);
    diagnostics_say(&run->diagnostics, SEVERITY_REMARK, run->job.path,
                    "recording; Ctrl-C ends it. Should this program be killed, process %ld goes on recording: "
                    "kill %ld ends it", (long)reader, (long)reader);
    const struct keeper_setup setup = {.shared = shared, .options = &run->options, .job = &run->job,
                                       .facts = run->facts, .counters = run->counters, .log = &run->log,
                                       .diagnostics = &run->diagnostics, .reader = reader};
    return keeper_run(&setup);
}

static int run_all(struct run *run)
{
    int code = open_buses(run);
    if (!code)
        code = privileges_drop(&run->diagnostics);
    /* No path that the user named is opened above this line. */
    if (!code && !filter_trial()) {
        diagnostics_say(&run->diagnostics, SEVERITY_ERROR, "taretrace-record",
                        "this kernel takes no system call filter (seccomp); nothing is recorded without it, use a "
                        "kernel built with CONFIG_SECCOMP_FILTER");
        code = EXIT_OUR_FAULT;
    }
    if (!code)
        code = job_load_definitions(&run->options, &run->definitions, &run->diagnostics);
    if (!code)
        code = job_make(&run->job, &run->options, &run->definitions, &run->diagnostics);
    if (code)
        return code;
    code = write_start(run);
    if (!code)
        code = bind_buses(run);
    if (code)
        job_remove(&run->job, &run->definitions);
    else
        code = record(run);
    return code;
}

int main(int argc, char **argv)
{
    static struct run run = {.job = {.folder = -1, .log = -1}};
    diagnostics_init(&run.diagnostics, stderr);
    int code = options_read(&run.options, argc, argv, &run.diagnostics);
    if (code)
        return code;
    if (run.options.help || run.options.version) {
        (void)fputs(run.options.help ? options_help : "taretrace-record " TT_VERSION "\n", stdout);
        return fflush(stdout) == 0 ? 0 : EXIT_WRITE_FAILED;
    }
    (void)signal(SIGPIPE, SIG_IGN); /* a closed terminal ends nothing */
    (void)signal(SIGXFSZ, SIG_IGN); /* a limit on file sizes is an error of write(2) */
    interrupt_watch();
    code = run_all(&run);
    close_buses(&run);
    definitions_free(&run.definitions);
    if (run.log.sink.room)
        log_close(&run.log);
    job_close(&run.job);
    return code;
}
