/*
 * Following a record that still grows (D 5.3): a job's trace laid on disk in pieces, torn records among them, and read
 * after each piece, must tell the same as one run over the whole; and the verdict so far must disturb nothing.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "loader.h"
#include "pipeline.h"

#define TEXT_MAX 65536

/* What callbacks told: counts and a running sum of where they were, enough to see any difference. */
struct told {
    uint64_t frames, messages, exchanges, readings, steps, faults, events, sum;
};

static void on_frame(void *context, const struct frame *frame)
{
    struct told *told = context;
    told->frames++;
    told->sum = told->sum * 31 + frame->number + frame->offset;
}

static void on_message(void *context, const struct message *message)
{
    struct told *told = context;
    told->messages++;
    told->sum = told->sum * 31 + message->first_frame + message->received;
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct told *told = context;
    (void)content;
    told->exchanges++;
    told->sum = told->sum * 31 + (uint64_t)event->exchange->state;
}

static void on_reading(void *context, const struct reading_event *event)
{
    struct told *told = context;
    told->readings += event->kind == READING_VALUE;
}

static void on_step(void *context, const struct step_event *event)
{
    struct told *told = context;
    told->steps++;
    told->sum = told->sum * 31 + event->first_frame;
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    struct told *told = context;
    (void)stage, (void)reason, (void)frame;
    told->faults++;
}

static void on_event(void *context, const char *what, const struct frame *frame)
{
    struct told *told = context;
    (void)what, (void)frame;
    told->events++;
}

/* The verdict as text: each kept attempt's steps with answer and reason. */
static size_t verdict_words(const struct verdict *verdict, char *text, size_t room)
{
    size_t used = 0;
    for (uint32_t i = 0; i < verdict->attempts_kept; i++)
        for (uint32_t j = 0; j < verdict->definitions->step_count; j++) {
            const struct step_result *step = &verdict->attempts[i]->steps[j];
            used += (size_t)snprintf(text + used, room - used, "%u.%u %d %s %llu %llu\n", i, j, step->answer, step->reason,
                                     (unsigned long long)step->stretch.first_frame,
                                     (unsigned long long)step->last_frame);
            assert_true(used < room);
        }
    used += (size_t)snprintf(text + used, room - used, "%s\n", verdict->answer);
    assert_true(used < room);
    return used;
}

static void tell_words(void *context, const struct pipeline_result *result, int fd)
{
    static char text[TEXT_MAX];
    (void)context;
    size_t length = verdict_words(result->verdict, text, sizeof text);
    if (write(fd, text, length) != (ssize_t)length)
        _exit(1);
}

struct job {
    struct definitions definitions;
    uint8_t *trace;
    size_t length;
};

static void load(struct job *job, const char *folder)
{
    static struct diagnostics loud;
    char path[600];
    const char *definition = TT_SOURCE_DIR "/traces/definitions/seat-scale.yaml";
    diagnostics_init(&loud, stderr);
    memset(job, 0, sizeof *job);
    assert_int_equal(definitions_load(&definition, 1, &loud, &job->definitions), LOAD_OK);
    (void)snprintf(path, sizeof path, TT_SOURCE_DIR "/traces/jobs/%s/trace.pcap", folder);
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    job->trace = malloc(1 << 22);
    assert_non_null(job->trace);
    job->length = fread(job->trace, 1, 1 << 22, file);
    fclose(file);
    assert_true(job->length > 100);
}

static void unload(struct job *job)
{
    definitions_free(&job->definitions);
    free(job->trace);
}

static struct pipeline_listener listener_of(struct told *told)
{
    return (struct pipeline_listener){.context = told, .frame = on_frame, .message = on_message, .exchange = on_exchange,
                                      .reading = on_reading, .step = on_step, .fault = on_fault, .event = on_event};
}

static void append(int fd, const uint8_t *bytes, size_t length)
{
    assert_int_equal(write(fd, bytes, length), (ssize_t)length);
}

/* Follows copies of the job's trace, one bus each, laid down in pieces of the size; compares with one run over them. */
static void follow(struct job *job, uint32_t buses, size_t piece)
{
    static char whole[TEXT_MAX], so_far[TEXT_MAX], followed[TEXT_MAX];
    static struct diagnostics silent;
    char names[2][32];
    const char *paths[2];
    int fds[2];
    struct told once = {0}, grown = {0};
    struct pipeline_result result;
    struct pipeline *pipeline;
    diagnostics_init(&silent, NULL);
    for (uint32_t i = 0; i < buses; i++) {
        (void)snprintf(names[i], sizeof names[i], "/tmp/followXXXXXX");
        fds[i] = mkstemp(names[i]);
        assert_true(fds[i] >= 0);
        paths[i] = names[i];
        append(fds[i], job->trace, 24);
    }
    struct pipeline_listener listener = listener_of(&grown);
    struct pipeline_options options = {.traces = paths, .trace_count = buses, .definitions = &job->definitions,
                                       .judging = true, .hashing = true, .following = true, .bus = buses > 1 ? 1 : 0,
                                       .listener = &listener, .diagnostics = &silent};
    /* Marks bind to times of the whole record, which a growing one does not show yet: without them here. */
    assert_int_equal(pipeline_begin(&options, &pipeline, &result), 0);
    ssize_t length = 0;
    for (size_t at = 24, turn = 0; at < job->length; at += piece, turn++) {
        size_t now = job->length - at < piece ? job->length - at : piece;
        for (uint32_t i = 0; i < buses; i++)
            append(fds[i], job->trace + at, now);
        assert_int_equal(pipeline_advance(pipeline), 0);
        if (turn % 64 == 0 || at + piece >= job->length)
            length = pipeline_snapshot(pipeline, tell_words, NULL, so_far, sizeof so_far - 1);
        assert_true(length > 0);
    }
    so_far[length] = '\0';
    char none[8];
    assert_int_equal(pipeline_snapshot(pipeline, tell_words, NULL, none, sizeof none), -1);
    assert_int_equal(pipeline_finish(pipeline), 0);
    followed[verdict_words(result.verdict, followed, sizeof followed)] = '\0';
    assert_string_equal(followed, so_far);
    char sha256[DIGEST_TEXT];
    memcpy(sha256, result.sha256, sizeof sha256);
    pipeline_free(pipeline);

    listener.context = &once;
    options.following = false;
    assert_int_equal(pipeline_run(&options, &pipeline, &result), 0);
    whole[verdict_words(result.verdict, whole, sizeof whole)] = '\0';
    assert_string_equal(followed, whole);
    assert_string_equal(sha256, result.sha256);
    assert_memory_equal(&once, &grown, sizeof once);
    assert_true(once.frames > 100 && once.exchanges > 5);
    pipeline_free(pipeline);
    for (uint32_t i = 0; i < buses; i++) {
        (void)close(fds[i]);
        (void)unlink(names[i]);
    }
}

static void a_growing_trace_tells_what_the_whole_one_does(void **state)
{
    (void)state;
    static const char *const folders[] = {"clean", "refused-twice", "rezeroed-with-weight", "double-lucky-unmarked",
                                          "busy-bus", "clock-back-over-mark"};
    static const size_t pieces[] = {1000, 777, 32, 4096, 100000};
    for (size_t i = 0; i < sizeof folders / sizeof *folders; i++) {
        struct job job;
        load(&job, folders[i]);
        follow(&job, 1, pieces[i % 5]);
        follow(&job, 1, pieces[(i + 1) % 5]);
        unload(&job);
    }
}

static void two_growing_buses(void **state)
{
    (void)state;
    struct job job;
    load(&job, "clean");
    follow(&job, 2, 32 * 50);
    unload(&job);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_growing_trace_tells_what_the_whole_one_does),
        cmocka_unit_test(two_growing_buses),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
