/* decoder/outputs/verdict_json.c and verdict_text.c, with a verdict made by hand (D 9.5, 7.14). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>
#include <jansson.h>

#include "support_outputs.h"
#include "verdict_text.h"

/* A verdict of one attempt: an inside stretch, a refused and repeated action, codes; one condition stated. */
struct made {
    struct definitions definitions;
    struct def_condition conditions[1];
    struct def_step steps[3];
    struct mark mark, withdrawal;
    struct condition_result condition_results[1];
    struct step_result step_results[3];
    struct try_result tries[2];
    struct stretch also[7];
    struct attempt_result attempt, *attempts[1];
    struct part_result part;
    struct verdict verdict;
    struct trace_facts facts;
    struct verdict_about about;
};

static void make(struct made *made)
{
    memset(made, 0, sizeof *made);
    made->definitions = made_definitions;
    made->conditions[0] = (struct def_condition){.text = "Level ground", .reading = DEF_NONE};
    made->steps[0] =
        (struct def_step){.name = "Empty seat reads near zero",
                          .kind = STEP_READING,
                          .reading = 0,
                          .has_between = true,
                          .applied = "30 kg",
                          .limits = {.has_low = true, .has_high = true, .low = {-7, 5}, .high = {7, 5}, .unit = "kg"},
                          .has_guard = true,
                          .guard = {100, 1},
                          .guard_unit = "g"};
    made->steps[1] = (struct def_step){.name = "Zero point accepted", .kind = STEP_ACTION};
    made->steps[2] =
        (struct def_step){.name = "No codes", .kind = STEP_CODES, .none_with = 9, .tested = TESTED_SINCE_CLEAR};
    made->definitions.conditions = made->conditions;
    made->definitions.condition_count = 1;
    made->definitions.steps = made->steps;
    made->definitions.step_count = 3;
    made->withdrawal = (struct mark){.line = 4, .kind = MARK_WITHDRAWAL, .text = "foot on the sill"};
    made->mark = (struct mark){.line = 1, .kind = MARK_CONDITION, .time = MADE_START, .name = "Level ground"};
    made->condition_results[0] = (struct condition_result){.condition = &made->conditions[0], .vouched = VOUCHED_STATED,
                                                           .reason = "stated at the start", .mark = &made->mark};
    struct step_result *reading = &made->step_results[0];
    *reading = (struct step_result){.step = &made->steps[0],
                                    .answer = STEP_CONFIRMED,
                                    .reason = "from 0 to 0.1 kg",
                                    .evidence = EVIDENCE_STRETCH,
                                    .stretch = {.lowest = 0,
                                                .highest = 1,
                                                .samples = 7,
                                                .first_time = MADE_START + 1000000000,
                                                .last_time = MADE_START + 4000000000,
                                                .first_frame = 72,
                                                .last_frame = 125,
                                                .standing = STANDING_INSIDE}};
    for (int i = 0; i < 7; i++)
        made->also[i] = (struct stretch){.lowest = i, .highest = i, .samples = 3, .first_frame = 200, .last_frame = 210,
                                         .standing = STANDING_INSIDE};
    reading->also = (struct stretches){.list = made->also, .kept = 7, .count = 12};
    reading->gaps = (struct gaps){.list = {{.kind = GAP_BROKEN, .frame = 50, .last_frame = 50, .time = MADE_START + 2000000000}}, .kept = 1, .count = 1};
    made->tries[0] = (struct try_result){.refused_start = true, .nrc = 0x22, .first_frame = 43, .last_frame = 43,
                                         .time = MADE_START + 2850000000, .answer = STEP_CONTRADICTED};
    made->tries[1] = (struct try_result){.mark = &made->mark, .time = MADE_START + 5000000000, .left_out = true,
                                         .reason = "withdrawn: foot on the sill"};
    made->step_results[1] = (struct step_result){.step = &made->steps[1],
                                                 .answer = STEP_CONTRADICTED,
                                                 .reason = "the module answered 'seat not \x1b[31m empty'",
                                                 .evidence = EVIDENCE_ANSWER,
                                                 .bytes = (uint8_t *)"\x71\x03\x02\x42",
                                                 .byte_count = 4,
                                                 .first_frame = 69,
                                                 .last_frame = 69,
                                                 .time = MADE_START,
                                                 .tries = {.list = made->tries, .kept = 2, .count = 2}};
    made->step_results[2] = (struct step_result){.step = &made->steps[2], .answer = STEP_NOT_CONFIRMED,
                                                 .reason = "codes not read", .remarks = {"the scan tool did not ask"},
                                                 .remark_count = 1};
    made->attempt = (struct attempt_result){.part = 1, .number = 1, .last = true, .opened = true, .answered = true,
                                            .first_frame = 42, .last_frame = 322, .first_time = MADE_START + 2850000000,
                                            .last_time = MADE_START + 9000000000, .conditions = made->condition_results,
                                            .steps = made->step_results};
    made->attempts[0] = &made->attempt;
    made->part =
        (struct part_result){.number = 1, .first_frame = 1, .last_frame = 322, .attempt_count = 1, .exit_code = 1};
    made->verdict = (struct verdict){.definitions = &made->definitions,
                                     .parts = &made->part,
                                     .parts_kept = 1,
                                     .part_count = 1,
                                     .attempts = made->attempts,
                                     .attempts_kept = 1,
                                     .attempt_count = 1,
                                     .chosen_part = 1,
                                     .exit_code = 1,
                                     .answer = "contradicted: Zero point accepted"};
    made->facts = (struct trace_facts){.name = "trace-1.pcap", .bus = "1", .sha256 = "ab", .bytes = 10328, .frames = 322, .status = TRACE_END,
                                       .first_time = MADE_START, .last_time = MADE_START + 9000000000};
    made->about = (struct verdict_about){.verdict = &made->verdict,
                                         .definitions = &made->definitions,
                                         .traces = &made->facts,
                                         .trace_count = 1,
                                         .passive = "not proven",
                                         .limits_fixed = "unknown",
                                         .stamp_uncertainty = 10 * TT_MS,
                                         .first_time = MADE_START,
                                         .last_time = MADE_START + 9000000000};
}

/* Keys of an object in the order they were written, joined by spaces. */
static const char *keys(const json_t *object)
{
    static char text[600];
    const char *key;
    json_t *value;
    text[0] = '\0';
    json_object_foreach((json_t *)object, key, value) {
        (void)value;
        strcat(strcat(text, text[0] ? " " : ""), key);
    }
    return text;
}

static void verdict_json_has_its_keys_in_order(void **state)
{
    (void)state;
    struct made made;
    struct page_of page;
    make(&made);
    verdict_json(page_open(&page), &made.about);
    json_error_t error;
    json_t *root = json_loads(page_text(&page), JSON_REJECT_DUPLICATES, &error);
    assert_non_null(root);
    assert_string_equal(keys(root),
                        "format version passive traces definitions marks limits_fixed_before_recording recorder chosen_bus part_count "
                        "chosen_part parts displayed answer exit");
    json_t *part = json_array_get(json_object_get(root, "parts"), 0),
           *attempt = json_array_get(json_object_get(part, "attempts"), 0);
    assert_string_equal(keys(part), "part first_frame last_frame why exit attempt_count attempts");
    assert_string_equal(keys(attempt),
                        "attempt last opened answered first_frame last_frame first_time last_time conditions "
                        "steps gaps gap_count");
    json_t *steps = json_object_get(attempt, "steps"), *step = json_array_get(steps, 0);
    assert_string_equal(keys(step),
                        "step answer reason applied limit deciding also also_count tries try_count gaps gap_count "
                        "remarks");
    assert_string_equal(keys(json_object_get(step, "limit")), "low high unit guard exact");
    assert_string_equal(keys(json_object_get(step, "deciding")),
                        "lowest highest unit samples first_time last_time first_frame last_frame state exact");
    assert_string_equal(keys(json_object_get(json_array_get(steps, 1), "deciding")),
                        "bytes first_frame last_frame time text");
    assert_true(json_is_null(json_object_get(json_array_get(steps, 1), "limit")));
    assert_true(json_is_null(json_object_get(json_array_get(steps, 2), "deciding")));
    assert_int_equal(json_array_size(json_object_get(step, "also")), 7);
    assert_int_equal(json_integer_value(json_object_get(step, "also_count")), 12);
    json_t *codes = json_object_get(json_array_get(steps, 2), "limit");
    assert_string_equal(json_string_value(json_object_get(codes, "none_with")), "0x09");
    assert_string_equal(json_string_value(json_object_get(codes, "tested")), "since clear");
    json_decref(root);

    /* The digits themselves: a reader that makes floating point of them must not be asked. The guard is 100 g. */
    assert_non_null(strstr(page_text(&page), "\"low\": -1.4,"));
    assert_non_null(strstr(page_text(&page), "\"guard\": 0.1,"));
    assert_non_null(strstr(page_text(&page), "\"highest\": 0.1,"));
    assert_non_null(strstr(page_text(&page), "seat not \\u001b[31m empty"));
    assert_null(strchr(page_text(&page), '\x1b'));
    page_close(&page);
}

static void the_printed_verdict_reads_line_by_line(void **state)
{
    (void)state;
    struct made made;
    struct page_of page;
    make(&made);
    verdict_text(page_open(&page), &made.about, 0);
    const char *text = page_text(&page);
    assert_non_null(strstr(text, "trace-1.pcap: 322 frames in 9 s, from 2026-03-02T08:00:00Z\n"));
    assert_non_null(strstr(text, "\nAttempt 1 of 1 began at 2.85 s (frames 42 to 322)\n"));
    assert_non_null(strstr(text, "\nstated          Level ground: stated at the start\n"));
    assert_non_null(
        strstr(text, "\nconfirmed       Empty seat reads near zero: from 0 to 0.1 kg (frames 72 to 125)\n"));
    assert_non_null(strstr(text, "\n                within this, part of an answer was lost at 2 s (frame 50)\n"));
    assert_non_null(strstr(text, "\n                and 7 more steady stretches; the log has them all\n"));
    assert_non_null(strstr(
        text, "\ncontradicted    Zero point accepted: the module answered 'seat not \\x1b[31m empty' (frame 69)\n"));
    assert_non_null(strstr(text, "\n                refused at 2.85 s: conditionsNotCorrect (frame 43)\n"));
    assert_non_null(strstr(text, "\n                moment left out, at 5 s: withdrawn: foot on the sill\n"));
    assert_non_null(
        strstr(text, "\nnot confirmed   No codes: codes not read\n                the scan tool did not ask\n"));
    const char *last = "\n\ncontradicted: Zero point accepted\n";
    assert_string_equal(text + strlen(text) - strlen(last), last);
    page_close(&page);
}

/* Everything at 80 columns: no line is longer, and joined again it says the same as unwrapped. */
static void wrapping_changes_spaces_only(void **state)
{
    (void)state;
    struct made made;
    struct page_of wide, narrow;
    make(&made);
    made.conditions[0].text = "Sitz leer, trocken, nichts darunter \xc3\xa4\xc3\xb6\xc3\xbc\xc3\x9f und niemand im "
                              "Wagen, der sich bewegt oder anlehnt";
    verdict_text(page_open(&wide), &made.about, 0);
    verdict_text(page_open(&narrow), &made.about, 80);
    const char *a = page_text(&wide), *b = page_text(&narrow);
    size_t column = 0;
    for (const char *at = b; *at; at++) {
        column = *at == '\n' ? 0 : column + ((*at & 0xC0) != 0x80);
        assert_true(column <= 80);
    }
    for (;; a++, b++) {
        a += strspn(a, " \n");
        b += strspn(b, " \n");
        assert_int_equal(*a, *b);
        if (!*a)
            break;
    }
    page_close(&wide);
    page_close(&narrow);
}

static void earlier_attempts_and_other_parts_are_told(void **state)
{
    (void)state;
    struct made made;
    struct page_of page;
    make(&made);
    struct attempt_result second = made.attempt, other = made.attempt;
    struct attempt_result *attempts[] = {&made.attempt, &second, &other};
    struct part_result parts[2] = {made.part, made.part};
    made.attempt.last = false;
    second.number = 5; /* three between are not kept */
    second.answered = false;
    parts[0].attempt_count = 5;
    parts[1].number = other.part = 2;
    (void)strcpy(parts[1].why, "seat scale answered two VINs");
    made.verdict.parts = parts;
    made.verdict.parts_kept = 2;
    made.verdict.part_count = 2;
    made.verdict.attempts = attempts;
    made.verdict.attempts_kept = 3;
    verdict_text(page_open(&page), &made.about, 0);
    const char *text = page_text(&page);
    assert_non_null(
        strstr(text, "\nPart 1 of 2 (frames 1 to 322)\nAttempt 1 of 5 began at 2.85 s (frames 42 to 322): an earlier "
                     "one, it does not count any more\n"));
    assert_non_null(strstr(text, "\n3 attempts in between are not listed; the log has their answers\n"));
    assert_non_null(
        strstr(text, "\nAttempt 5 of 5 began at 2.85 s (frames 42 to 322): the last one, it counts; no answer to its "
                     "start was seen\n"));
    assert_non_null(strstr(text, "\nPart 2 of 2 (frames 1 to 322): seat scale answered two VINs\n"));
    page_close(&page);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(verdict_json_has_its_keys_in_order),
        cmocka_unit_test(the_printed_verdict_reads_line_by_line),
        cmocka_unit_test(wrapping_changes_spaces_only),
        cmocka_unit_test(earlier_attempts_and_other_parts_are_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
