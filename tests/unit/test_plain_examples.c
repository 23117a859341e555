/*
 * A whole run over every example job with the fast path of plain records (stages/plain.h) and without it: what every
 * stage tells, in its order, and the verdict must be the same, with the job's marks and without, with frames listened to
 * and not.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "loader.h"
#include "pipeline.h"

#define JOBS TT_SOURCE_DIR "/traces/jobs"

/* Everything told, as a running sum of text (FNV-1a): one difference anywhere changes it. */
struct told {
    uint64_t sum, lines;
};

__attribute__((format(printf, 2, 3))) static void tell(struct told *told, const char *format, ...)
{
    char line[1024];
    va_list arguments;
    va_start(arguments, format);
    int length = vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    assert_true(length >= 0 && length < (int)sizeof line);
    for (int i = 0; i <= length; i++)
        told->sum = (told->sum ^ (uint8_t)line[i]) * UINT64_C(0x100000001b3);
    told->lines++;
}

#define LONG(number) ((long long)(number))

static void on_frame(void *context, const struct frame *frame)
{
    tell(context, "frame %lld %lld %lld %u %x %u %lld %u", LONG(frame->number), LONG(frame->time), LONG(frame->elapsed),
         frame->epoch, (unsigned)frame->id, frame->length, LONG(frame->offset), frame->data[0]);
}

static void on_message(void *context, const struct message *message)
{
    tell(context, "message %lld %lld %lld %lld %u %u %x %d %d", LONG(message->first_frame), LONG(message->last_frame),
         LONG(message->last_time), LONG(message->last_elapsed), message->last_epoch, message->received,
         message->remarks, message->state, message->reason);
    for (uint32_t i = 0; i < message->segment_count; i++)
        tell(context, "at %lld", LONG(message->segments[i].offset));
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    tell(context, "exchange %lld %d %d %lld %d", LONG(event->exchange->serial), event->exchange->state,
         event->exchange->nrc, LONG(event->exchange->response.last_frame), content->kind);
}

static void on_reading(void *context, const struct reading_event *event)
{
    tell(context, "reading %d %lld %lld", event->kind, LONG(event->message->last_frame),
         event->value ? LONG(event->value->numerator) : 0);
}

static void on_step(void *context, const struct step_event *event)
{
    tell(context, "step %d %u %lld %lld %lld %d", event->kind, event->part, LONG(event->attempt),
         LONG(event->first_frame), LONG(event->last_frame), event->judged);
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    tell(context, "fault %s %s %lld %x", stage, reason, frame ? LONG(frame->number) : 0,
         frame ? (unsigned)frame->id : 0);
}

static void on_event(void *context, const char *what, const struct frame *frame)
{
    tell(context, "event %s %lld", what, frame ? LONG(frame->number) : 0);
}

static struct told run(const char *folder, const struct definitions *definitions, bool marked, bool frames,
                       bool without_plain)
{
    static struct diagnostics silent;
    char trace[600], path[600];
    struct told told = {.sum = UINT64_C(0xcbf29ce484222325)};
    struct marks marks;
    struct pipeline *pipeline;
    struct pipeline_result result;
    diagnostics_init(&silent, NULL);
    (void)snprintf(trace, sizeof trace, "%s/trace.pcap", folder);
    (void)snprintf(path, sizeof path, "%s/marks.jsonl", folder);
    if (marked)
        assert_int_equal(marks_load(&marks, path, &silent), 0);
    struct pipeline_listener listener = {.context = &told, .frame = frames ? on_frame : NULL, .message = on_message,
                                         .exchange = on_exchange, .reading = on_reading, .step = on_step,
                                         .fault = on_fault, .event = on_event};
    int code = pipeline_run(&(struct pipeline_options){.trace = trace, .definitions = definitions, .judging = true,
                                                       .hashing = true, .marks = marked ? &marks : NULL,
                                                       .without_plain = without_plain, .listener = &listener,
                                                       .diagnostics = &silent},
                            &pipeline, &result);
    tell(&told, "end %d %d %lld %lld %lld %lld %s", code, result.status, LONG(result.frames), LONG(result.bytes),
         LONG(result.first_time), LONG(result.last_time), result.sha256);
    for (uint32_t i = 0; !code && i < result.verdict->attempts_kept; i++)
        for (uint32_t j = 0; j < definitions->step_count; j++)
            tell(&told, "%d %s", result.verdict->attempts[i]->steps[j].answer,
                 result.verdict->attempts[i]->steps[j].reason);
    if (!code)
        tell(&told, "%s", result.verdict->answer);
    pipeline_free(pipeline);
    if (marked)
        marks_free(&marks);
    return told;
}

/* The one definition file that a job's scenario names: "definitions: [seat-scale.yaml]". */
static bool load(const char *folder, struct definitions *definitions)
{
    static struct diagnostics silent;
    char path[600], line[300], name[300] = "";
    const char *paths[] = {path};
    diagnostics_init(&silent, NULL);
    (void)snprintf(path, sizeof path, "%s/scenario.yaml", folder);
    FILE *scenario = fopen(path, "r");
    if (!scenario)
        return false;
    while (!name[0] && fgets(line, sizeof line, scenario))
        (void)sscanf(line, "definitions: [%299[^],]", name);
    fclose(scenario);
    (void)snprintf(path, sizeof path, TT_SOURCE_DIR "/traces/definitions/%s", name);
    return name[0] && definitions_load(paths, 1, &silent, definitions) == LOAD_OK;
}

static void every_example_is_the_same(void **state)
{
    (void)state;
    uint32_t compared = 0, with_marks = 0;
    DIR *jobs = opendir(JOBS);
    assert_non_null(jobs);
    for (struct dirent *entry; (entry = readdir(jobs)) != NULL;) {
        char folder[400], path[600];
        struct definitions definitions;
        if (entry->d_name[0] == '.')
            continue;
        (void)snprintf(folder, sizeof folder, JOBS "/%s", entry->d_name);
        (void)snprintf(path, sizeof path, "%s/marks.jsonl", folder);
        if (!load(folder, &definitions))
            fail_msg("%s: its definitions cannot be loaded", folder);
        bool has_marks = access(path, R_OK) == 0;
        for (unsigned turn = 0; turn < (has_marks ? 4u : 2u); turn++) {
            struct told fast = run(folder, &definitions, turn & 2, turn & 1, false);
            struct told plainly = run(folder, &definitions, turn & 2, turn & 1, true);
            if (fast.sum != plainly.sum || fast.lines != plainly.lines)
                fail_msg("%s: not the same with and without the fast path (turn %u)", folder, turn);
            assert_true(fast.lines > 0);
        }
        definitions_free(&definitions);
        compared++;
        with_marks += has_marks;
    }
    closedir(jobs);
    assert_true(compared >= 100 && with_marks >= 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(every_example_is_the_same)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
