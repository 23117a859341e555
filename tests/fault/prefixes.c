/*
 * Every prefix and every single flipped bit of a trace, judged in one process (RELIABILITY list 12, 13, 24).
 *
 *   prefixes DEFINITIONS TRACE [EVERY]    each prefix of the trace (each EVERYth, and around the ends of its records; of
 *                                         every EVERY/8 + 1th record) is read to its last whole record, and its end is told
 *   flips DEFINITIONS TRACE               each bit flipped; prints "OFFSET.BIT CODE SHA-256" of verdict and log: the same
 *                                         lines from every compiler's build
 *
 * Named after what it is called as. Exit 0: all as it must be. It knows of a trace only what pcap-savefile(5) says: a
 * file header of 24 bytes, and records of 16 bytes and their captured length, little-endian.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "loader.h"
#include "log_jsonl.h"
#include "pipeline.h"
#include "verdict_json.h"

#define TRACE_MAX (1u << 20)

static uint8_t trace[TRACE_MAX];
static size_t trace_length;
static struct definitions definitions;
static struct diagnostics silent;
static unsigned long checks, failures;

static void check(bool good, const char *what, size_t where)
{
    checks++;
    if (good)
        return;
    if (failures++ < 20)
        printf("DIFFERENCE: %s at %zu\n", what, where);
}

/* The view and log of a run in progress. */
struct run {
    struct pipeline *pipeline;
    struct pipeline_result result;
    struct view view;
    struct sink log;
    bool logging;
};

static void on_message(void *context, const struct message *message)
{
    struct run *run = context;
    log_message(&run->view, &run->log, message);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct run *run = context;
    log_exchange(&run->view, &run->log, event, content);
}

static void on_reading(void *context, const struct reading_event *event)
{
    struct run *run = context;
    log_reading(&run->view, &run->log, event);
}

static void on_step(void *context, const struct step_event *event)
{
    struct run *run = context;
    log_step(&run->view, &run->log, event);
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    struct run *run = context;
    log_fault(&run->view, &run->log, stage, reason, frame);
}

static int judge(int fd, struct run *run)
{
    char path[40];
    const char *paths = path;
    const struct pipeline_listener listener = {.context = run, .message = on_message, .exchange = on_exchange,
                                               .reading = on_reading, .step = on_step, .fault = on_fault};
    (void)snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    run->view = (struct view){.definitions = &definitions,
                              .pipeline = (const struct pipeline *const *)&run->pipeline,
                              .start = &run->result.first_time};
    struct pipeline_options options = {.traces = &paths, .trace_count = 1, .definitions = &definitions, .judging = true,
                                       .listener = run->logging ? &listener : NULL, .diagnostics = &silent};
    return pipeline_run(&options, &run->pipeline, &run->result);
}

static int memory_file(const void *bytes, size_t length)
{
    int fd = memfd_create("trace", MFD_CLOEXEC);
    if (fd < 0 || write(fd, bytes, length) != (ssize_t)length) {
        perror("memfd");
        exit(1);
    }
    return fd;
}

/* Whole records in the first length bytes, and whether these end on a record's end. */
static uint64_t whole_records(size_t length, bool *clean)
{
    uint64_t count = 0;
    size_t at = 24;
    while (at + 16 <= length) {
        size_t captured = trace[at + 8] | (size_t)trace[at + 9] << 8;
        if (at + 16 + captured > length)
            break;
        at += 16 + captured;
        count++;
    }
    *clean = at == length;
    return count;
}

static void prefix(size_t length)
{
    struct run run = {0};
    bool clean;
    int fd = memory_file(trace, length);
    int code = judge(fd, &run);
    if (length < 24) {
        check(code == EXIT_BAD_INPUT, "a file without its header is refused", length);
    } else {
        uint64_t records = whole_records(length, &clean);
        check(code == 0, "a prefix is read", length);
        check(run.result.frames == records, "to its last whole record", length);
        check(run.result.status == (clean ? TRACE_END : TRACE_TORN), "its end is told", length);
        check(run.result.verdict != NULL && run.result.verdict->exit_code >= 0, "and judged", length);
    }
    pipeline_free(run.pipeline);
    (void)close(fd);
}

static int prefixes(unsigned every)
{
    bool clean;
    uint64_t before = 0;
    for (size_t length = 0; length <= trace_length; length++) {
        uint64_t now = whole_records(length, &clean);
        bool end = now != before && now % (every / 8 + 1) == 0; /* of a record: there and on both sides of it */
        if (end && length > 0)
            prefix(length - 1);
        if (end || length % every == 0 || length < 30 || length == trace_length)
            prefix(length);
        if (end && length < trace_length)
            prefix(length + 1);
        before = now;
    }
    printf("%lu checked\n", checks);
    return failures || !checks;
}

static void flip(size_t offset, unsigned bit)
{
    struct run run = {.logging = true};
    struct buffer told;
    struct sink verdict;
    char sha256[DIGEST_TEXT] = "-";
    buffer_init(&told, (size_t)64 << 20);
    trace[offset] ^= (uint8_t)(1u << bit);
    int fd = memory_file(trace, trace_length);
    trace[offset] ^= (uint8_t)(1u << bit);
    if (!sink_open_memory(&run.log, &told))
        exit(1);
    int code = judge(fd, &run);
    if (!sink_close(&run.log))
        exit(1);
    if (code == 0) {
        struct trace_facts facts = {.bus = "1", .sha256 = "", .bytes = run.result.bytes, .frames = run.result.frames,
                                    .status = run.result.status, .first_time = run.result.first_time,
                                    .last_time = run.result.last_time};
        struct verdict_about about = {.verdict = run.result.verdict, .definitions = &definitions, .traces = &facts,
                                      .trace_count = 1, .first_time = run.result.first_time,
                                      .last_time = run.result.last_time};
        if (!sink_open_memory(&verdict, &told))
            exit(1);
        verdict_json(&verdict, &about);
        if (!sink_close(&verdict))
            exit(1);
    }
    if (!digest_of(told.data, told.length, sha256))
        exit(1);
    printf("%zu.%u %d %s\n", offset, bit, code, sha256);
    buffer_free(&told);
    pipeline_free(run.pipeline);
    (void)close(fd);
}

static int flips(void)
{
    for (size_t offset = 0; offset < trace_length; offset++)
        for (unsigned bit = 0; bit < 8; bit++)
            flip(offset, bit);
    return 0;
}

int main(int argc, char **argv)
{
    const char *name = strrchr(argv[0], '/');
    name = name ? name + 1 : argv[0];
    if (argc < 3) {
        fprintf(stderr, "%s DEFINITIONS TRACE [EVERY]\n", name);
        return 64;
    }
    diagnostics_init(&silent, NULL);
    FILE *file = fopen(argv[2], "rb");
    if (!file || definitions_load((const char *const *)&argv[1], 1, &silent, &definitions) != LOAD_OK) {
        fprintf(stderr, "%s: cannot use %s or %s\n", name, argv[1], argv[2]);
        return 66;
    }
    trace_length = fread(trace, 1, sizeof trace, file);
    (void)fclose(file);
    int code = strcmp(name, "flips") == 0 ? flips() : prefixes(argc > 3 ? (unsigned)atoi(argv[3]) : 1);
    definitions_free(&definitions);
    return code;
}
