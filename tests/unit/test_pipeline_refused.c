/*
 * A recorded job judged with each read, sum and temporary file refused in turn (refused.h): the same verdict, or none and
 * an exit code (D 2.6, 7.13). What the recorder noted waits in temporary files until its frame comes; a loss that could
 * not be read again must not become a verdict without it.
 */
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "loader.h"
#include "pipeline.h"
#include "recorder_lines.h"
#include "recorder_log.h"
#include "refused.h"

static char folder[64], trace_path[96], log_path[96];
static char *said;
static size_t said_length;

static void copy_trace(void)
{
    static uint8_t bytes[1 << 20];
    FILE *from = fopen(TT_SOURCE_DIR "/traces/jobs/clean/trace.pcap", "rb"), *to = fopen(trace_path, "wb");
    assert_true(from && to);
    size_t length = fread(bytes, 1, sizeof bytes, from);
    assert_true(length > 1000 && length < sizeof bytes);
    assert_int_equal(fwrite(bytes, 1, length, to), length);
    fclose(from);
    assert_int_equal(fclose(to), 0);
    FILE *log = fopen(log_path, "wb");
    assert_non_null(log);
    assert_true(fputs(LINE_1 LINE_2 LINE_3 LINE_4 LINE_5 LINE_6 LINE_7, log) >= 0);
    assert_int_equal(fclose(log), 0);
}

/* Everything noted comes to whoever listens. */
static uint32_t events;

static void on_recorded(void *context, const struct recorder_event *event, const struct frame *place)
{
    (void)context, (void)event, (void)place;
    events++;
}

/* Judges the job with the which-th call refused; *words: the verdict, NULL without one; the caller frees it. */
static int judge(uint64_t which, uint64_t *made, char **words)
{
    struct definitions definitions;
    struct diagnostics diagnostics;
    struct recorder_log log;
    struct pipeline *pipeline;
    struct pipeline_result result;
    const char *definition = TT_SOURCE_DIR "/traces/definitions/seat-scale.yaml", *trace = trace_path;
    *words = NULL;
    FILE *told = spared = open_memstream(&said, &said_length);
    diagnostics_init(&diagnostics, told);
    assert_int_equal(definitions_load(&definition, 1, &diagnostics, &definitions), LOAD_OK);
    int fd = open(log_path, O_RDONLY | O_CLOEXEC);
    assert_true(fd >= 0);
    assert_int_equal(recorder_log_load(&log, fd, "recorder.jsonl", NULL, &diagnostics), 0);
    /* Its sums are of another trace: with them nothing here would be believed at all. */
    log.buses[0].check_count = 0;
    strcpy(log.buses[0].name, "1"); /* a bare trace's bus is called so */
    const struct pipeline_listener listener = {.recorded = on_recorded};
    struct pipeline_options options = {.listener = &listener, .traces = &trace, .trace_count = 1, .definitions = &definitions,
                                       .recorder = &log, .judging = true, .hashing = true,
                                       .diagnostics = &diagnostics};
    events = 0;
    refuse(which, EIO);
    int code = pipeline_run(&options, &pipeline, &result);
    *made = calls;
    refuse(0, 0);
    if (!code) {
        size_t length;
        FILE *out = open_memstream(words, &length);
        assert_true(out && result.verdict);
        for (uint32_t i = 0; i < result.verdict->attempts_kept; i++)
            for (uint32_t j = 0; j < definitions.step_count; j++) {
                const struct step_result *step = &result.verdict->attempts[i]->steps[j];
                fprintf(out, "%u.%u %d %s %llu %llu\n", i, j, (int)step->answer, step->reason,
                        (unsigned long long)step->stretch.first_frame, (unsigned long long)step->last_frame);
            }
        fprintf(out, "%s\n%s\n%u events\n", result.verdict->answer, result.sha256, events);
        fclose(out);
    }
    pipeline_free(pipeline);
    recorder_log_free(&log);
    close(fd);
    definitions_free(&definitions);
    fclose(told);
    return code;
}

static void a_verdict_is_whole_or_none(void **state)
{
    (void)state;
    uint64_t count, made;
    char *whole, *words;
    strcpy(folder, "/tmp/test_refused_XXXXXX");
    assert_non_null(mkdtemp(folder));
    (void)snprintf(trace_path, sizeof trace_path, "%s/trace-can0.pcap", folder);
    (void)snprintf(log_path, sizeof log_path, "%s/recorder.jsonl", folder);
    copy_trace();
    assert_int_equal(judge(0, &count, &whole), 0);
    free(said);
    assert_true(count > 4);
    assert_non_null(strstr(whole, "\n2 events\n")); /* lines 3 and 5 of the log */
    uint64_t refusals = 0;
    for (uint64_t n = 1; n <= count; n++) {
        int code = judge(n, &made, &words);
        if (code ? said_length == 0 : strcmp(words, whole) != 0)
            fail_msg("call %llu of %llu: code %d, said \"%s\", verdict:\n%s\nwanted:\n%s", (unsigned long long)n,
                     (unsigned long long)count, code, said, words, whole);
        refusals += code != 0;
        free(words);
        free(said);
    }
    assert_true(refusals > 2);
    free(whole);
    unlink(trace_path);
    unlink(log_path);
    rmdir(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_verdict_is_whole_or_none)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
