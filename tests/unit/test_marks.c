/* decoder/stages/marks.c: what a person noted is read strictly (D 5.6) and stands where D 7.1 says, or nowhere. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "marks.h"

/* Loads text through a file; what was said goes to said. */
static int load(struct marks *marks, const char *text, size_t length, char *said, size_t room)
{
    char path[] = "/tmp/test_marks_XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, length), length);
    assert_int_equal(close(fd), 0);
    FILE *out = tmpfile();
    assert_non_null(out);
    struct diagnostics diagnostics;
    diagnostics_init(&diagnostics, out);
    int result = marks_load(marks, path, &diagnostics);
    rewind(out);
    size_t got = fread(said, 1, room - 1, out);
    said[got] = '\0';
    (void)fclose(out);
    (void)unlink(path);
    return result;
}

static int load_text(struct marks *marks, const char *text, char said[4096])
{
    return load(marks, text, strlen(text), said, 4096);
}

static void a_file_is_read_in_order_and_sorted_by_time(void **state)
{
    (void)state;
    struct marks marks;
    char said[4096];
    const char *text =
        "{\"time\": \"2026-03-02T08:00:05Z\", \"kind\": \"moment\", \"name\": \"weight on\"}\n"
        "\n"
        "{\"time\": \"2026-03-02T08:00:01.5Z\", \"kind\": \"note\", \"text\": \"begun\"}\r\n"
        "{\"time\": \"2026-03-02T08:00:05Z\", \"kind\": \"displayed\", \"name\": \"seat load.total\", "
        "\"value\": \"29.8\", \"unit\": \"kg\"}\n"
        "{\"time\": \"2026-03-02T08:00:09Z\", \"kind\": \"withdrawal\", \"withdraws\": 1, \"text\": \"too early\"}";
    assert_int_equal(load_text(&marks, text, said), 0);
    assert_string_equal(said, "");
    assert_int_equal(marks.count, 4);
    assert_int_equal(marks.list[0].kind, MARK_MOMENT);
    assert_int_equal(marks.list[1].line, 3);
    assert_true(marks.list[1].time == INT64_C(1772438401500000000)); /* date -u -d 2026-03-02T08:00:01.5Z +%s%N */
    assert_string_equal(marks.list[2].value, "29.8");
    assert_ptr_equal(marks.list[0].withdrawn_by, &marks.list[3]);
    assert_null(marks.list[1].withdrawn_by);
    assert_ptr_equal(marks.by_time[0], &marks.list[1]);
    assert_ptr_equal(marks.by_time[1], &marks.list[0]); /* equal times: by line */
    assert_ptr_equal(marks.by_time[2], &marks.list[2]);
    assert_int_equal(marks.length, strlen(text));
    marks_free(&marks);
}

static void every_bad_line_is_told_with_its_place(void **state)
{
    (void)state;
    struct {
        const char *line, *needle;
    } cases[] = {
        {"not json", "no JSON"},
        {"[1]", "no JSON object"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\"}{}", "no JSON"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\",\"kind\":\"note\"}", "no JSON"},
        {"{\"kind\":\"note\"}", "no \"time\""},
        {"{\"time\":\"2026-03-02 08:00\",\"kind\":\"note\"}", "is no time"},
        {"{\"time\":\"2026-03-02T08:00:00Z\"}", "no \"kind\""},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"momnet\"}", "did you mean \"moment\""},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\",\"txet\":\"x\"}", "did you mean \"text\""},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"displayed\",\"name\":\"a\",\"value\":29.8}", "JSON number"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"displayed\",\"name\":\"a\",\"value\":\"29,8\"}", "no number"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"condition\",\"name\":\"a\",\"value\":\"maybe\"}", "yes"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"moment\"}", "needs a \"name\""},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"withdrawal\",\"withdraws\":1}", "reason"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"withdrawal\",\"withdraws\":2,\"text\":\"x\"}", "line 2"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"withdrawal\",\"withdraws\":3,\"text\":\"x\"}", "line 3"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"withdrawal\",\"withdraws\":\"1\",\"text\":\"x\"}",
         "whole number"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\",\"withdraws\":1}", "belongs to"},
        {"{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\",\"text\":\"\xff\"}", "no JSON"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char text[1024], said[4096];
        struct marks marks;
        (void)snprintf(text, sizeof text,
                       "{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\",\"text\":\"first\"}\n%s\n", cases[i].line);
        assert_int_equal(load_text(&marks, text, said), EXIT_BAD_INPUT);
        if (!strstr(said, cases[i].needle) || !strstr(said, ":2: "))
            fail_msg("'%s' was answered with '%s'", cases[i].line, said);
    }
}

static void all_bad_lines_are_told_in_one_run(void **state)
{
    (void)state;
    struct marks marks;
    char said[4096];
    assert_int_equal(load_text(&marks, "{x\n{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\"}\ny\n", said),
                     EXIT_BAD_INPUT);
    assert_non_null(strstr(said, ":1: "));
    assert_null(strstr(said, ":2: "));
    assert_non_null(strstr(said, ":3: "));
    /* Something else altogether gets one line. */
    assert_int_equal(load_text(&marks, "\n time,kind\nx,y\nx,y\n", said), EXIT_BAD_INPUT);
    assert_non_null(strstr(said, "is no marks file"));
    assert_ptr_equal(strchr(said, '\n'), said + strlen(said) - 1);
}

static void a_missing_file_and_too_many_marks_are_refused(void **state)
{
    (void)state;
    struct marks marks;
    struct diagnostics diagnostics;
    diagnostics_init(&diagnostics, NULL);
    assert_int_equal(marks_load(&marks, "/nonexistent/marks.jsonl", &diagnostics), EXIT_CANNOT_OPEN);
    const char *line = "{\"time\":\"2026-03-02T08:00:00Z\",\"kind\":\"note\"}\n";
    size_t one = strlen(line), most = MARKS_MAX;
    char *text = malloc((most + 1) * one), said[4096];
    assert_non_null(text);
    for (size_t i = 0; i <= most; i++)
        memcpy(text + i * one, line, one);
    assert_int_equal(load(&marks, text, most * one, said, sizeof said), 0);
    assert_int_equal(marks.count, most);
    marks_free(&marks);
    assert_int_equal(load(&marks, text, (most + 1) * one, said, sizeof said), EXIT_BAD_INPUT);
    assert_non_null(strstr(said, "more than 4096"));
    free(text);
}

/* ---- places: times of marks and frames in nanoseconds ---- */

struct told {
    char text[200];
};
static struct told told;
static int64_t frame_now;

static void note(void *context, const struct mark *mark)
{
    (void)context;
    size_t used = strlen(told.text);
    (void)snprintf(told.text + used, sizeof told.text - used, "%u@%lld ", mark->line, (long long)frame_now);
}

/* Binds marks at `at` to frames; gives "line@frame " for each, frame counted from 1, the end is frame 0. */
static const char *bind(const int *at, uint32_t mark_count, const int *frames, int frame_count, struct mark list[8])
{
    static struct mark *by_time[8];
    struct marks marks = {.list = list, .by_time = by_time, .count = mark_count};
    for (uint32_t i = 0; i < mark_count; i++) { /* ascending in these tests */
        list[i] = (struct mark){.line = i + 1, .time = at[i]};
        by_time[i] = &list[i];
    }
    struct mark_walk walk;
    mark_walk_init(&walk, &marks);
    for (int i = 0; i < frame_count; i++)
        marks_survey_time(&walk, frames[i]);
    marks_survey_end(&walk);
    told.text[0] = '\0';
    mark_walk_init(&walk, &marks);
    for (int i = 0; i < frame_count; i++) {
        frame_now = i + 1;
        marks_bind_time(&walk, frames[i], note, NULL);
    }
    frame_now = 0;
    marks_bind_end(&walk, note, NULL);
    return told.text;
}
#define BIND(marks_at, frames_at)                                                                                      \
    bind(marks_at, sizeof marks_at / sizeof *marks_at, frames_at, sizeof frames_at / sizeof *frames_at, list)

static void a_mark_stands_before_the_first_frame_not_earlier(void **state)
{
    (void)state;
    struct mark list[8];
    const int at[] = {5, 10, 12, 20, 25}, frames[] = {10, 11, 12, 12, 20};
    assert_string_equal(BIND(at, frames), "1@1 2@1 3@3 4@5 5@0 ");
    assert_true(list[0].outside);
    assert_false(list[1].outside);
    assert_false(list[3].outside);
    assert_true(list[4].outside);
}

static void a_mark_passed_twice_binds_to_nothing(void **state)
{
    (void)state;
    struct mark list[8];
    /* 10 .. 14, back to 12, on to 18: 13 and 14 are passed twice; 12 and 15 once. */
    const int at[] = {12, 13, 14, 15}, frames[] = {10, 12, 14, 12, 16, 18};
    assert_string_equal(BIND(at, frames), "1@2 4@5 ");
    assert_int_equal(list[1].places, 2);
    assert_int_equal(list[2].places, 2);
    /* The smallest step there is. */
    const int one[] = {14}, tick[] = {10, 14, 13, 16};
    assert_string_equal(BIND(one, tick), "");
}

static void a_clock_that_stays_back_binds_once(void **state)
{
    (void)state;
    struct mark list[8];
    /* The clock goes back an hour and stays there: what was noted before is passed once; after every frame: at the end.
     */
    const int at[] = {2, 101, 300}, frames[] = {100, 102, 1, 3};
    assert_string_equal(BIND(at, frames), "2@2 3@0 ");
    assert_int_equal(list[0].places, 2); /* before the first frame, or before the fourth: nobody can tell */
    assert_false(list[1].outside);
    assert_true(list[2].outside);
}

static void a_record_without_frames_puts_every_mark_at_its_end(void **state)
{
    (void)state;
    struct mark list[8];
    const int at[] = {1, 2};
    assert_string_equal(bind(at, 2, NULL, 0, list), "1@0 2@0 ");
    assert_true(list[0].outside && list[1].outside);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_file_is_read_in_order_and_sorted_by_time),
        cmocka_unit_test(every_bad_line_is_told_with_its_place),
        cmocka_unit_test(all_bad_lines_are_told_in_one_run),
        cmocka_unit_test(a_missing_file_and_too_many_marks_are_refused),
        cmocka_unit_test(a_mark_stands_before_the_first_frame_not_earlier),
        cmocka_unit_test(a_mark_passed_twice_binds_to_nothing),
        cmocka_unit_test(a_clock_that_stays_back_binds_once),
        cmocka_unit_test(a_record_without_frames_puts_every_mark_at_its_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
