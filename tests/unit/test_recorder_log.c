/* decoder/stages/recorder_log.c: what a recorder's log proves, and what a damaged one still says (D 2.1, 5, 11.2). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "recorder_log.h"
#include "recorder_lines.h"

#define WHOLE LINE_1 LINE_2 LINE_3 LINE_4 LINE_5 LINE_6 LINE_7

static int file_of(const char *text, size_t length)
{
    char path[] = "/tmp/test_recorder_XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, length), length);
    (void)unlink(path);
    return fd;
}

static void load(struct recorder_log *log, const char *text, struct marks *marks)
{
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    int fd = file_of(text, strlen(text));
    assert_int_equal(recorder_log_load(log, fd, "recorder.jsonl", marks, &silent), 0);
    assert_int_equal(close(fd), 0);
}

static void load_marks(struct marks *marks, const char *text)
{
    char path[] = "/tmp/test_recorder_marks_XXXXXX";
    int fd = mkstemp(path);
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    assert_int_equal(close(fd), 0);
    assert_int_equal(marks_load_from_job(marks, path, &silent), 0);
    (void)unlink(path);
}

static const char *passive(struct recorder_log *log, uint64_t frames)
{
    static char text[RECORDER_PASSIVE_MAX];
    if (log->bus_count)
        recorder_log_trace_ended(log, 0, frames);
    recorder_log_passive(log, text);
    return text;
}

static void a_whole_log_proves_what_it_says(void **state)
{
    (void)state;
    struct recorder_log log;
    struct marks marks;
    char note[RECORDER_NOTE_MAX];
    load_marks(&marks, MARK_LINES);
    load(&log, WHOLE, &marks);
    assert_string_equal(log.damage, "");
    assert_int_equal(log.damage_kind, RECORDER_WHOLE);
    assert_int_equal(log.lines, 7);
    assert_int_equal(log.proven, 7);
    assert_int_equal(log.checkpoints, 3);
    assert_string_equal(log.why, "stopped");
    assert_int_equal(log.stamp_uncertainty, 1500000);
    assert_int_equal(log.bus_count, 1);
    assert_string_equal(log.buses[0].name, "can0");
    assert_string_equal(log.buses[0].file, "trace-can0.pcap");
    assert_int_equal(log.buses[0].frames, 33);
    assert_string_equal(passive(&log, 33), "yes");
    assert_true(recorder_log_fixed(&log, "seat.yaml", SEAT_SUM));
    assert_false(recorder_log_fixed(&log, "seat.yaml", SUM_AT_10));
    assert_false(recorder_log_fixed(&log, "other.yaml", SEAT_SUM));
    assert_int_equal(marks.list[0].covered, MARK_COVERED);
    assert_int_equal(marks.list[1].covered, MARK_COVERED);
    assert_false(log.marks_changed);
    assert_true(recorder_log_note(&log, 0, note)); /* the loss and the step of the clock, and nothing else */
    assert_string_equal(note, "the recorder lost frames in 1 place; the log has them all");
    assert_true(recorder_log_note(&log, 1, note));
    assert_string_equal(note, "the clock of the recording computer stepped by +0.500000000 s: lengths of time across it "
                              "are not known");
    assert_false(recorder_log_note(&log, 2, note));
    recorder_log_free(&log);
    marks_free(&marks);
}

static void events_and_checkpoints_come_in_order_with_their_windows(void **state)
{
    (void)state;
    struct recorder_log log;
    struct recorder_event event;
    struct recorder_check check;
    load(&log, WHOLE, NULL);
    for (int round = 0; round < 2; round++) { /* again after a rewind */
        recorder_log_rewind(&log, 0);
        assert_true(recorder_log_event(&log, 0, &event));
        assert_int_equal(event.what, NOTED_SOCKET_LOST);
        assert_int_equal(event.after, 14);
        assert_int_equal(event.before, 17);
        assert_int_equal(event.count, 3);
        /* Of every bus: between the frames of the checkpoints around it, 20 and 30. */
        assert_true(recorder_log_event(&log, 0, &event));
        assert_int_equal(event.what, NOTED_CLOCK_STEPPED);
        assert_true(event.bus == RECORDER_ALL);
        assert_int_equal(event.after, 20);
        assert_int_equal(event.before, 31);
        assert_string_equal(event.detail, "+0.500000000");
        assert_false(recorder_log_event(&log, 0, &event));
        assert_true(recorder_log_check(&log, 0, &check));
        assert_int_equal(check.bytes, 24 + 32 * 10);
        assert_string_equal(check.sha256, SUM_AT_10);
        for (int i = 0; i < 3; i++)
            assert_true(recorder_log_check(&log, 0, &check));
        assert_true(check.number == UINT64_MAX); /* the closing line */
        assert_int_equal(check.frames, 33);
        assert_false(recorder_log_check(&log, 0, &check));
    }
    recorder_log_free(&log);
}

static void damage_ends_what_is_proven_there(void **state)
{
    (void)state;
    static const struct {
        const char *text, *damage, *passive;
        uint64_t proven;
    } rows[] = {
        {LINE_1 LINE_2 LINE_3 LINE_4 LINE_6 LINE_7, "line 5 is not numbered 5: a line is missing or was added",
         "until frame 20", 4},
        {LINE_1 LINE_2 LINE_3 LINE_4 LINE_5 LINE_6 LINE_7 LINE_7, "line 8 stands behind the closing line",
         "until frame 33", 7},
        {LINE_1 LINE_2 "[]\n" LINE_4, "line 3 is no JSON object", "until frame 10", 2},
        {LINE_1 LINE_2 "{\"line\":3}\n", "line 3 does not carry the sum of the line before it: one of the two was changed",
         "until frame 10", 2},
        {LINE_2 LINE_3, "line 1 is not numbered 1: a line is missing or was added", "not proven", 0},
        {LINE_1 LINE_1, "line 2 is not numbered 2: a line is missing or was added", "not proven", 1},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        load(&log, rows[i].text, NULL);
        assert_string_equal(log.damage, rows[i].damage);
        assert_int_equal(log.damage_kind, RECORDER_BROKEN);
        assert_int_equal(log.proven, rows[i].proven);
        assert_string_equal(passive(&log, 33), rows[i].passive);
        recorder_log_free(&log);
    }
}

static void a_torn_end_is_no_damage(void **state)
{
    (void)state;
    struct recorder_log log;
    const char whole[] = WHOLE;
    char text[sizeof whole];
    memcpy(text, whole, sizeof whole);
    text[strlen(text) - 1] = '\0'; /* the closing line lacks its newline only: it is not used */
    load(&log, text, NULL);
    assert_true(log.torn);
    assert_string_equal(log.damage, "");
    assert_null(log.why);
    assert_int_equal(log.lines, 6);
    assert_string_equal(passive(&log, 33), "until frame 30");
    /* Behind the last checkpoint losses are not known. */
    assert_int_equal(log.span_count, 1);
    assert_int_equal(log.spans[0].kind, RECORDER_SPAN_UNWATCHED);
    assert_int_equal(log.spans[0].first, 31);
    assert_true(log.spans[0].last == UINT64_MAX);
    recorder_log_free(&log);
}

static void the_trace_has_the_last_word(void **state)
{
    (void)state;
    struct recorder_log log;
    const struct recorder_check good = {.frames = 20};
    load(&log, WHOLE, NULL);
    recorder_log_agrees(&log, 0, &good);
    recorder_log_differs(&log, 0, &good);
    assert_string_equal(passive(&log, 33), "until frame 20");
    recorder_log_free(&log);
    load(&log, WHOLE, NULL);
    assert_string_equal(passive(&log, 34), "until frame 33"); /* frames behind the closing line */
    recorder_log_free(&log);
}

static void marks_that_changed_are_not_covered(void **state)
{
    (void)state;
    struct recorder_log log;
    struct marks marks;
    char text[] = MARK_LINES;
    *strstr(text, "\"b\"") = '\'';
    memcpy(strchr(text, '\''), "\"c\"", 3); /* the second line, after the recorder saw it */
    load_marks(&marks, text);
    load(&log, WHOLE, &marks);
    assert_int_equal(marks.list[0].covered, MARK_COVERED);
    assert_int_equal(marks.list[1].covered, MARK_COVER_BROKEN);
    assert_true(log.marks_changed);
    recorder_log_free(&log);
    marks_free(&marks);
    load(&log, WHOLE, NULL); /* taken away as a whole */
    assert_true(log.marks_changed);
    recorder_log_free(&log);
}

static void odd_files_are_read_without_harm(void **state)
{
    (void)state;
    static const char *const texts[] = {"", "\n", "{}\n", "null\n", "{\"line\":1,\"kind\":\"start\",\"previous\":null}\n",
                                        "{\"line\":1,\"kind\":\"start\",\"buses\":[1,2,{}],\"previous\":null}\n" LINE_2};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct recorder_log log;
        load(&log, texts[i], NULL);
        assert_false(log.usable);
        assert_false(recorder_log_start_proven(&log));
        assert_string_equal(passive(&log, 1), "not proven");
        recorder_log_free(&log);
    }
    /* A line longer than any recorder writes is refused, not kept in memory. */
    size_t length = 3u << 20;
    char *long_line = malloc(length);
    memset(long_line, ' ', length);
    struct recorder_log log;
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    int fd = file_of(long_line, length);
    assert_int_equal(recorder_log_load(&log, fd, "recorder.jsonl", NULL, &silent), EXIT_BAD_INPUT);
    assert_int_equal(silent.errors, 1);
    (void)close(fd);
    free(long_line);
    recorder_log_free(&log);
}

/* Found by fuzz_recorder: such a span ended before it began, so that no step's evidence ever lay in it. */
static void a_transmission_without_an_end_reaches_to_the_end(void **state)
{
    static const char *const places[] = {"\"bus\":\"can0\",\"what\":\"the link transmitted\",\"after_frame\":5",
                                         "\"bus\":null,\"what\":\"the link transmitted\",\"after_frame\":0,\"before_frame\":0",
        /* Of no bus the numbers of frames say nothing (D 2.1): not where it began, not where it ended. */
        "\"bus\":null,\"what\":\"the link transmitted\","
        "\"after_frame\":1000000000000,\"before_frame\":1000000000001",
        "\"bus\":null,\"what\":\"not listen-only\",\"after_frame\":0,\"before_frame\":1}\n"
        "{\"line\":3,\"kind\":\"event\",\"time\":\"2026-03-02T08:00:02.000000000Z\",\"bus\":null,"
        "\"what\":\"listen-only again\",\"after_frame\":1,\"before_frame\":2"};
    (void)state;
    for (size_t i = 0; i < sizeof places / sizeof *places; i++) {
        struct recorder_log log;
        char text[4000];
        snprintf(text, sizeof text, "%s{\"line\":2,\"kind\":\"event\",\"time\":\"2026-03-02T08:00:02.000000000Z\",%s}\n",
                 LINE_1, places[i]);
        load(&log, text, NULL);
        assert_true(log.span_count >= 1);
        assert_int_equal(log.spans[0].kind, RECORDER_SPAN_ACTIVE);
        assert_int_equal(log.spans[0].first, i ? 1 : 6);
        assert_true(log.spans[0].last == UINT64_MAX);
        recorder_log_free(&log);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_whole_log_proves_what_it_says),
        cmocka_unit_test(events_and_checkpoints_come_in_order_with_their_windows),
        cmocka_unit_test(damage_ends_what_is_proven_there),
        cmocka_unit_test(a_torn_end_is_no_damage),
        cmocka_unit_test(the_trace_has_the_last_word),
        cmocka_unit_test(marks_that_changed_are_not_covered),
        cmocka_unit_test(odd_files_are_read_without_harm),
        cmocka_unit_test(a_transmission_without_an_end_reaches_to_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
