/* What the report keeps of a long run (report_chart.h), what it says became of a trouble code (report_codes.c), and
 * text for HTML. Expected values: worked by hand; status bits and masks after ISO 14229-1:2020 D.2 and 12.3; character
 * references after the HTML standard. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "outputs/report_collect.h"
#include "support/text.h"

/* ---- thinning ---- */

/* The smallest and largest that the buckets still hold, the samples and breaks in all of them. */
struct held {
    tt_wide smallest, largest;
    uint64_t samples, breaks;
    int64_t last_x;
    bool ordered;
};

static struct held look(const struct chart_track *track)
{
    struct held held = {.ordered = true};
    for (uint32_t i = 0; i < CHART_BUCKETS; i++) {
        const struct chart_bucket *bucket = &track->buckets[i];
        if (bucket->samples == 0)
            continue;
        if (held.samples == 0 || bucket->smallest.numerator < held.smallest)
            held.smallest = bucket->smallest.numerator;
        if (held.samples == 0 || bucket->largest.numerator > held.largest)
            held.largest = bucket->largest.numerator;
        held.ordered = held.ordered && bucket->first.x <= bucket->last.x && bucket->first.x >= held.last_x &&
                       bucket->first.x / track->width == i && bucket->last.x / track->width == i;
        held.samples += bucket->samples;
        held.breaks += bucket->breaks + bucket->broken_before;
        held.last_x = bucket->last.x;
    }
    return held;
}

static void extremes_and_gaps_survive(void **state)
{
    (void)state;
    struct chart_track track;
    assert_true(chart_track_open(&track, 5 * TT_SECOND / 2));
    int64_t x = 0;
    for (uint64_t i = 1; i <= 200000; i++) { /* a value every 100 ms: five and a half hours */
        tt_wide value = i == 777 ? -5000 : i == 123456 ? 9000 : (tt_wide)(i % 3);
        x += i % 50000 == 0 ? 10 * TT_SECOND : 100 * TT_MS; /* four pauses */
        chart_track_add(&track, &(struct chart_point){value, x, i});
        if (i == 100)
            chart_track_break(&track); /* and something lost */
    }
    struct held held = look(&track);
    assert_true(held.smallest == -5000 && held.largest == 9000);
    assert_true(track.smallest.numerator == -5000 && track.smallest.frame == 777);
    assert_true(track.largest.numerator == 9000 && track.largest.frame == 123456);
    assert_int_equal(held.samples, 200000);
    assert_int_equal(held.breaks, 5);
    assert_int_equal(track.pause_count, 5);
    assert_true(held.ordered);
    assert_int_equal(held.last_x, x);
    chart_track_close(&track);
}

static void exactly_the_gap_is_none(void **state)
{
    (void)state;
    struct chart_track track;
    assert_true(chart_track_open(&track, 1000));
    chart_track_add(&track, &(struct chart_point){1, 0, 1});
    chart_track_add(&track, &(struct chart_point){1, 1000, 2}); /* D 7.6 includes equality */
    assert_int_equal(track.pause_count, 0);
    chart_track_add(&track, &(struct chart_point){1, 2001, 3});
    assert_int_equal(track.pause_count, 1);
    assert_true(track.pauses[0].from == 1000 && track.pauses[0].to == 2001);
    chart_track_add(&track, &(struct chart_point){1, 5, 4}); /* never backwards */
    assert_int_equal(track.last_x, 2001);
    chart_track_close(&track);
}

static void too_many_pauses_unite(void **state)
{
    (void)state;
    struct chart_track track;
    uint64_t united = 0;
    assert_true(chart_track_open(&track, TT_SECOND));
    for (uint64_t i = 0; i < 1000; i++)
        chart_track_add(&track, &(struct chart_point){0, (int64_t)i * 2 * TT_SECOND, i + 1});
    for (uint32_t i = 0; i < track.pause_count; i++) {
        united += track.pauses[i].count;
        assert_true(i == 0 || track.pauses[i - 1].to <= track.pauses[i].from);
    }
    assert_int_equal(united, 999);
    assert_true(track.pauses[0].from == 0 && track.pauses[track.pause_count - 1].to == 1998 * TT_SECOND);
    chart_track_close(&track);
}

static void the_longest_time_there_is(void **state)
{
    (void)state;
    struct chart_track track;
    static struct chart_lane lane;
    assert_true(chart_track_open(&track, TT_SECOND));
    chart_track_add(&track, &(struct chart_point){3, 0, 1});
    chart_track_add(&track, &(struct chart_point){4, INT64_MAX, 2});
    struct held held = look(&track);
    assert_true(held.smallest == 3 && held.largest == 4 && held.samples == 2);
    chart_track_close(&track);
    chart_lane_add(&lane, 5);
    chart_lane_add(&lane, INT64_MAX);
    uint64_t counted = 0;
    for (uint32_t i = 0; i < CHART_BUCKETS; i++)
        counted += lane.counts[i];
    assert_int_equal(counted, 2);
    assert_int_equal(lane.total, 2);
}

static void states_are_runs(void **state)
{
    (void)state;
    static struct chart_states states;
    for (int64_t i = 0; i < 3; i++)
        chart_states_add(&states, "dark", i, 1, 1, 10, false);
    chart_states_add(&states, "dark", 13, 2, 2, 10, false); /* 11 after the last: another run */
    chart_states_add(&states, "dark", 14, 3, 3, 10, true);  /* something was lost in between */
    chart_states_add(&states, NULL, 15, 4, 4, 10, false);
    chart_states_add(&states, NULL, 16, 5, 5, 10, false);
    assert_int_equal(states.count, 4);
    assert_true(chart_states_at(&states, 0)->from == 0 && chart_states_at(&states, 0)->to == 2);
    assert_null(chart_states_at(&states, 3)->state);
    for (int64_t i = 0; i < 500; i++)
        chart_states_add(&states, i % 2 ? "lit" : "dark", 20 + i, 6, 6, 10, false);
    assert_int_equal(chart_states_kept(&states), CHART_RUNS);
    for (uint32_t i = 1; i < CHART_RUNS; i++)
        assert_true(chart_states_at(&states, i - 1)->to <= chart_states_at(&states, i)->from);
    assert_int_equal(chart_states_at(&states, CHART_RUNS - 1)->from, 519);
}

/* ---- trouble codes ---- */

static const int64_t start = 0;
static const struct view view = {.start = &start};

/* An answer to 19 02 with this mask, or to 19 0A where supported is true; codes and status bytes as given. */
static void answer(struct report *report, uint8_t mask, bool supported, const uint8_t *entries, uint32_t count)
{
    uint8_t bytes[64] = {0x59, supported ? 0x0A : 0x02, 0xFF};
    memcpy(bytes + 3, entries, count * 4);
    const struct message message = {.bytes = bytes, .received = 3 + count * 4, .length = 3 + count * 4};
    const struct exchange exchange = {.service = 0x19, .has_response = true,
                                      .response = {.last_frame = report->read_count + 1}};
    const struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange, .response = &message};
    const struct service_content content = {.kind = SERVICE_CODES, .is_supported = supported, .has_mask = !supported,
                                            .mask = mask, .narrow_mask = mask, .availability = 0xFF, .count = count,
                                            .entries_offset = 3};
    report_codes_answer(report, &event, &content);
}

static void codes_change(void **state)
{
    (void)state;
    struct report *report = report_open(&view);
    assert_non_null(report);
    static const uint8_t first[] = {0, 0, 1, 0x09, 0, 0, 2, 0x09, 0, 0, 3, 0x08};
    static const uint8_t second[] = {0, 0, 1, 0x09, 0, 0, 3, 0x10, 0, 0, 4, 0x09};
    answer(report, 0xFF, false, first, 3);
    answer(report, 0x19, false, second, 3);
    assert_int_equal(report->code_count, 4);
    assert_false(report->codes[0].gone || report->codes[0].absent_before); /* still there */
    assert_true(report->codes[1].gone && report->codes[1].gone_tested);    /* bit 4 was asked for, too */
    assert_int_equal(report->codes[2].status, 0x10);                       /* never tested again */
    assert_true(report->codes[3].absent_before && !report->codes[3].gone); /* new */
    assert_true(report->codes[2].was_fault);
    answer(report, 0x01, false, first, 0); /* says nothing of a code whose bit 0 is not set */
    assert_false(report->codes[2].gone);
    assert_true(report->codes[0].gone && !report->codes[0].gone_tested);
    answer(report, 0x09, false, first, 1); /* and back */
    assert_false(report->codes[0].gone);
    report_close(report);
}

/* First listed as never tested, then tested in a list that would have it had it failed, or not been tested. */
static void a_test_that_passes_is_no_fault_gone(void **state)
{
    (void)state;
    struct report *report = report_open(&view);
    static const uint8_t untested[] = {0, 0, 1, 0x50};
    assert_non_null(report);
    answer(report, 0xFF, false, untested, 1);
    answer(report, 0xFF, false, untested, 0);
    assert_true(report->codes[0].gone && report->codes[0].gone_tested && !report->codes[0].was_fault);
    report_close(report);
}

static void a_count_takes_nothing_away(void **state)
{
    (void)state;
    struct report *report = report_open(&view);
    static const uint8_t one[] = {0, 0, 1, 0x09};
    assert_non_null(report);
    answer(report, 0x09, false, one, 1);
    const struct message message = {.bytes = (const uint8_t *)"\x59\x01\xff\x01\0\0", .received = 6, .length = 6};
    const struct exchange exchange = {.service = 0x19, .has_response = true};
    const struct exchange_event event = {.exchange = &exchange, .response = &message};
    const struct service_content content = {.kind = SERVICE_CODES, .is_count = true, .has_mask = true, .mask = 0xFF,
                                            .availability = 0xFF, .count = 0};
    report_codes_answer(report, &event, &content);
    assert_false(report->codes[0].gone);
    assert_int_equal(report->read_count, 2);
    report_close(report);
}

static void a_short_list_is_read_as_far_as_it_goes(void **state)
{
    (void)state;
    struct report *report = report_open(&view);
    assert_non_null(report);
    const struct message message = {.bytes = (const uint8_t *)"\x59\x02\xff\0\0\1\x09\0\0", .received = 9, .length = 9};
    const struct exchange exchange = {.service = 0x19, .has_response = true};
    const struct exchange_event event = {.exchange = &exchange, .response = &message};
    report_codes_answer(report, &event, &(struct service_content){.kind = SERVICE_CODES, .has_mask = true, .mask = 0xFF,
                                                                  .availability = 0xFF, .count = 500,
                                                                  .entries_offset = 3});
    assert_int_equal(report->code_count, 1);
    report_close(report);
}

/* ---- text for HTML ---- */

static void check_html(const char *text, size_t length, const char *expected)
{
    struct buffer memory;
    struct sink sink;
    buffer_init(&memory, 4096);
    assert_true(sink_open_memory(&sink, &memory));
    text_html(&sink, text, length);
    assert_true(sink_flush(&sink));
    assert_int_equal(memory.length, strlen(expected));
    assert_memory_equal(memory.data, expected, memory.length);
    assert_true(sink_close(&sink));
    buffer_free(&memory);
}

static void html_is_text(void **state)
{
    (void)state;
    check_html("<a href=\"x\" b='y'>&amp;", 23, "&lt;a href=&quot;x&quot; b=&#39;y&#39;&gt;&amp;amp;");
    check_html("\x1b[2J\r\n\0z", 8, "\\x1b[2J\\x0d\\x0a\\x00z");
    check_html("\xe2\x80\xae"
               "abc", 6, "\\xe2\\x80\\xae" "abc");           /* U+202E */
    check_html("\xff\xc0\xaf", 3, "\\xff\\xc0\\xaf");         /* no UTF-8 */
    check_html("\xef\xbf\xbf\xef\xb7\x90", 6, "\\xef\\xbf\\xbf\\xef\\xb7\\x90"); /* U+FFFF, U+FDD0 */
    check_html("\xc2\x85\x7f", 3, "\\xc2\\x85\\x7f");         /* C1, DEL */
    check_html("K\xc3\xb6ln \xd7\x90", 8, "K\xc3\xb6ln \xd7\x90");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(extremes_and_gaps_survive), cmocka_unit_test(exactly_the_gap_is_none),
        cmocka_unit_test(too_many_pauses_unite), cmocka_unit_test(the_longest_time_there_is),
        cmocka_unit_test(states_are_runs), cmocka_unit_test(codes_change),
        cmocka_unit_test(a_test_that_passes_is_no_fault_gone), cmocka_unit_test(a_count_takes_nothing_away),
        cmocka_unit_test(a_short_list_is_read_as_far_as_it_goes),
        cmocka_unit_test(html_is_text),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
