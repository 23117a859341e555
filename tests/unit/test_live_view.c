/*
 * The live view (D 9.6) against screens drawn by hand: the ruler's places worked out beside each case, pages as they
 * were meant to look, and what must hold on any screen.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "live_lines.h"
#include "live_ruler.h"
#include "live_view.h"
#include "live_words.h"
#include "loader.h"

static struct definitions definitions;
static struct diagnostics loud;

static int load(void **state)
{
    const char *path = TT_SOURCE_DIR "/traces/definitions/seat-scale.yaml";
    (void)state;
    diagnostics_init(&loud, stderr);
    return definitions_load(&path, 1, &loud, &definitions) == LOAD_OK ? 0 : -1;
}

static int unload(void **state)
{
    (void)state;
    definitions_free(&definitions);
    return 0;
}

/* ---- the ruler ---- */

static void draws(const struct live_reading *shown, size_t columns, const char *expected)
{
    struct buffer memory;
    struct sink sink;
    buffer_init(&memory, 65536);
    assert_true(sink_open_memory(&sink, &memory));
    live_ruler(&sink, shown, columns);
    assert_true(sink_close(&sink));
    assert_true(buffer_append(&memory, "", 1));
    assert_string_equal((const char *)memory.data, expected);
    buffer_free(&memory);
}

static struct live_reading reading_of_step(uint32_t step, int64_t tenths)
{
    return (struct live_reading){.step = &definitions.steps[step],
                                 .reading = &definitions.readings[definitions.steps[step].reading],
                                 .read = true, .has_value = true, .numerator = tenths};
}

/*
 * Limits 26.6 to 33.4 kg, margin 0.1: two fifths of 6.8 beyond them are 23.88 and 36.12, nearest whole kg 24 and 36. Of
 * 60 columns the numbers, unit, brackets and spaces take 21; 39 cells for 12 kg: 2.6 kg are 8 cells, 0.1 kg at least 1,
 * 6.6 kg 21 cells.
 */
static void the_mark_stands_where_the_value_is(void **state)
{
    (void)state;
    static const struct {
        int64_t tenths;
        const char *ruler;
    } cases[] = {
        {300, "24 --------[26.6 ~==========#==========~ 33.4]-------- 36 kg"}, /* 3.3 of 6.6 kg: cell 10 */
        {266, "24 --------[26.6 #=====================~ 33.4]-------- 36 kg"}, /* on the limit: inside */
        {267, "24 --------[26.6 ~#====================~ 33.4]-------- 36 kg"},
        {265, "24 -------#[26.6 ~=====================~ 33.4]-------- 36 kg"},
        {333, "24 --------[26.6 ~====================#~ 33.4]-------- 36 kg"},
        {334, "24 --------[26.6 ~=====================# 33.4]-------- 36 kg"},
        {335, "24 --------[26.6 ~=====================~ 33.4]#------- 36 kg"},
        {240, "24 #-------[26.6 ~=====================~ 33.4]-------- 36 kg"},
        {239, "24 <-------[26.6 ~=====================~ 33.4]-------- 36 kg"},
        {-500, "24 <-------[26.6 ~=====================~ 33.4]-------- 36 kg"},
        {360, "24 --------[26.6 ~=====================~ 33.4]-------# 36 kg"},
        {361, "24 --------[26.6 ~=====================~ 33.4]-------> 36 kg"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct live_reading shown = reading_of_step(2, cases[i].tenths);
        draws(&shown, 60, cases[i].ruler);
    }
}

/* -1.4 to 1.4: 1.12 beyond, in steps of 0.5: -2.5 and 2.5. 45 columns less 23 are 22 cells for 5 kg: 4, 12, 4; 2 left
 * over. */
static void without_margin_and_below_zero(void **state)
{
    (void)state;
    struct live_reading shown = reading_of_step(1, 0);
    draws(&shown, 45, "-2.5 ----[-1.4 =======#====== 1.4]---- 2.5 kg");
    shown.has_value = false;
    draws(&shown, 45, "-2.5 ----[-1.4 ============== 1.4]---- 2.5 kg");
    draws(&shown, 29, "");
}

/* At least 5 kg: a quarter beyond (3.75, in steps of 0.5: 4) and four quarters above (10). 40 - 11 = 29 cells: 4
 * and 24. */
static void one_limit(void **state)
{
    (void)state;
    struct def_step step = {.has_between = true, .limits = {.has_low = true, .low = {5, 1}, .unit = "kg", .low_n = 50,
                                                            .safe_low_n = 50}};
    struct def_reading reading = {.name = "r", .unit = "kg", .denominator = 10};
    struct live_reading shown = {.step = &step, .reading = &reading, .has_value = true, .numerator = 50};
    draws(&shown, 40, "4 ----[5 #======================== 10 kg");
    shown.numerator = 49;
    draws(&shown, 40, "4 ---#[5 ========================= 10 kg");
    shown.numerator = 1000;
    draws(&shown, 40, "4 ----[5 ========================> 10 kg");
}

/* Limits written in pounds, a reading in kg: 2 lb is 0.90718474 kg, so 907.18474 g are inside and 907 g are not. */
static void limits_in_another_unit(void **state)
{
    (void)state;
    struct def_step step = {.has_between = true,
                            .limits = {.has_low = true,
                                       .has_high = true,
                                       .low = {2, 1},
                                       .high = {4, 1},
                                       .unit = "lb",
                                       .low_n = 908,
                                       .high_n = 1814,
                                       .safe_low_n = 908,
                                       .safe_high_n = 1814}};
    struct def_reading reading = {.name = "r", .unit = "kg", .denominator = 1000};
    struct live_reading shown = {.step = &step, .reading = &reading, .has_value = true, .numerator = 907};
    /* 0.8 lb beyond, in steps of 0.2: 1.2 and 4.8; 40 - 17 = 23 cells for 1633 g: 363 g are 5, 906 g 12; 1 left over.
     */
    draws(&shown, 40, "1.2 ----#[2 ============= 4]----- 4.8 lb");
    shown.numerator = 908;
    draws(&shown, 40, "1.2 -----[2 #============ 4]----- 4.8 lb");
}

/* ---- pages ---- */

static struct live_verdict verdict;
static const struct live_key keys[] = {
    {'w', "", "weight on", true}, {'t', "note", NULL, false}, {'q', "leave", NULL, false}};

/* The scale is zeroed and reads well; the weight is to come. */
static struct live_state weight_to_come(void)
{
    verdict = (struct live_verdict){.there = true, .part_count = 1, .attempt = 1, .opened = true, .step_count = 6,
                                    .condition_count = 3};
    for (uint32_t i = 0; i < 6; i++)
        verdict.steps[i].answer = i < 2 ? STEP_CONFIRMED : STEP_NOT_CONFIRMED;
    strcpy(verdict.steps[0].reason, "the module answered 'done'");
    strcpy(verdict.steps[1].reason, "from 0 to 0.1 kg, steady for 3 s; limits -1.4 to 1.4 kg");
    verdict.steps[3].answer = STEP_CONTRADICTED; /* of the time before the moment: it means nothing yet */
    strcpy(verdict.steps[3].reason, "dark, steady for 4 s, not lit");
    strcpy(verdict.steps[4].reason, "not asked");
    strcpy(verdict.steps[5].reason, "not read");
    for (uint32_t i = 0; i < 3; i++)
        verdict.conditions[i].vouched = i < 2 ? VOUCHED_STATED : VOUCHED_SEEN;
    strcpy(verdict.conditions[0].reason, "a person said so");
    strcpy(verdict.conditions[1].reason, "a person said so");
    strcpy(verdict.conditions[2].reason, "12.3 V on the bus");
    struct live_state state = {.job = "job-7",
                               .path = "/tmp/job-7",
                               .recorder = LIVE_RECORDING,
                               .span = 125 * TT_SECOND,
                               .frames = 18422,
                               .buses = "can0",
                               .definitions = &definitions,
                               .verdict = &verdict,
                               .asked = true,
                               .answered = true,
                               .warning = "",
                               .shown = reading_of_step(2, 184),
                               .keys = keys,
                               .key_count = 3,
                               .condition = DEF_NONE,
                               .said = ""};
    state.shown.waits_mark = true;
    return state;
}

static void shows(const struct live_state *state, unsigned columns, unsigned rows, const char *expected)
{
    struct live_page page;
    char text[20000] = "";
    live_page_init(&page);
    assert_true(live_view(&page, state, columns, rows));
    for (unsigned i = 0; i < page.count; i++) {
        strcat(text, page.rows[i]);
        strcat(text, "\n");
    }
    assert_string_equal(text, expected);
    live_page_free(&page);
}

static void a_page_of_80_columns(void **state)
{
    (void)state;
    struct live_state live = weight_to_come();
    shows(&live, 80, 24,
          "Recording into job-7 for 2 min 5 s: 18422 frames on can0.\n"
          "\n"
          "Next:     Put the test weight (30 kg) on the seat. When all of it lies still and\n"
          "          nobody touches the seat, press w.\n"
          "So far:   The record still lacks 4 of 6 steps.\n"
          "\n"
          "seat load.total = 18.4 kg\n"
          "24 <-----------[26.6 ~=================================~ 33.4]------------ 36 kg\n"
          "counts from the moment \"weight on\"\n"
          "# now  = inside  ~ too close to a limit  - outside  < > beyond the ruler\n"
          "\n"
          "stated          Level ground: a person said so\n"
          "stated          Seat empty and dry, nothing beneath it: a person said so\n"
          "seen on the bus Supply voltage: 12.3 V on the bus\n"
          "confirmed       Zero point accepted: the module answered 'done'\n"
          "confirmed       Empty seat reads near zero: from 0 to 0.1 kg, steady for 3 s;\n"
          "                limits -1.4 to 1.4 kg\n"
          "not yet         Test weight reads within limits: waits for \"weight on\"\n"
          "not yet         Lamp lit with the test weight: waits for \"weight on\"\n"
          "not yet         Codes cleared: not asked\n"
          "not yet         No trouble codes left: not read\n"
          "\n"
          "Keys:     w  \"weight on\": all of it lies still, nobody touches the seat\n"
          "          t  note   q  leave\n");
}

/* Little room: signs, blank lines and reasons go, then steps far from the one at work. */
static void a_small_page(void **state)
{
    (void)state;
    struct live_state live = weight_to_come();
    shows(&live, 60, 12,
          "Recording into job-7 for 2 min 5 s: 18422 frames on can0.\n"
          "Next:     Put the test weight (30 kg) on the seat. When all\n"
          "          of it lies still and nobody touches the seat,\n"
          "          press w.\n"
          "So far:   The record still lacks 4 of 6 steps.\n"
          "seat load.total = 18.4 kg\n"
          "24 <-------[26.6 ~=====================~ 33.4]-------- 36 kg\n"
          "counts from the moment \"weight on\"\n"
          "not yet         Test weight reads within limits: waits ...\n"
          "Keys:     w  \"weight on\": all of it lies still, nobody\n"
          "          touches the seat\n"
          "          t  note   q  leave\n");
}

static void a_question_stands_above_what_is_next(void **state)
{
    (void)state;
    struct live_state live = weight_to_come();
    verdict.conditions[0].vouched = VOUCHED_NOBODY;
    live.condition = 0;
    live.shown.step = NULL;
    struct live_page page;
    live_page_init(&page);
    assert_true(live_view(&page, &live, 80, 24));
    assert_string_equal(page.rows[2], "Answer:   Is this so? \"Level ground\"");
    assert_true(page.strong[2]);
    assert_string_equal(page.rows[page.count - 1], "Keys:     y  yes   n  no   Enter  leave it unstated");
    live_page_free(&page);
}

/* On any screen: no row wider, no more rows, no control character, whatever the texts are. */
static void no_page_is_larger_than_its_screen(void **state)
{
    (void)state;
    static const char harm[] = "\x1b[2J\x9b\xff\xe2\x80\xae"
                               "a word\tof \xe6\xbc\xa2\xe5\xad\x97 and a verylongwordwithoutanyspaceinitthatmustbecut";
    struct live_state live = weight_to_come();
    live.job = live.path = live.buses = live.warning = live.said = harm;
    strcpy(verdict.steps[2].reason, harm);
    for (int kind = 0; kind < 4; kind++) {
        live.prompt = kind == 1 ? harm : NULL;
        live.typed = kind == 1 ? harm : NULL;
        live.question = kind == 2 ? harm : NULL;
        live.condition = kind == 3 ? 1 : DEF_NONE;
        for (unsigned columns = 1; columns < 140; columns += columns < 30 ? 1 : 7) {
            for (unsigned rows = 1; rows < 50; rows += rows < 14 ? 1 : 5) {
                struct live_page page;
                live_page_init(&page);
                assert_true(live_view(&page, &live, columns, rows));
                assert_true(page.count <= rows);
                for (unsigned i = 0; i < page.count; i++) {
                    assert_true(terminal_width(page.rows[i], strlen(page.rows[i])) <= columns);
                    for (const char *at = page.rows[i]; *at; at++)
                        assert_true((unsigned char)*at >= 0x20 && *at != 0x7F);
                }
                live_page_free(&page);
            }
        }
    }
}

/* ---- sentences ---- */

static void says(void (*words)(struct sink *sink, const struct live_state *state), const struct live_state *state,
                 const char *expected)
{
    struct buffer memory;
    struct sink sink;
    buffer_init(&memory, 65536);
    assert_true(sink_open_memory(&sink, &memory));
    words(&sink, state);
    assert_true(sink_close(&sink));
    assert_true(buffer_append(&memory, "", 1));
    assert_string_equal((const char *)memory.data, expected);
    buffer_free(&memory);
}

static void what_to_do_next(void **state)
{
    (void)state;
    struct live_state live = weight_to_come();
    live.frames = 0;
    says(live_words_next, &live,
         "No frame on this bus yet: is the ignition on, is the tap plugged in, is the bit rate right?");
    live = weight_to_come();
    live.asked = live.answered = live.shown.read = false;
    says(live_words_next, &live,
         "No answer from \"seat scale\" on this bus: gateway, wrong pair, wrong bit rate? (Before the scan "
         "tool talks to the module there is none.)");
    live.asked = true;
    says(live_words_next, &live,
         "The scan tool asks, but no answer from \"seat scale\" on this bus: gateway, wrong pair, wrong bit "
         "rate?");
    live = weight_to_come();
    verdict.steps[0].answer = verdict.steps[1].answer = STEP_NOT_CONFIRMED;
    strcpy(verdict.steps[0].reason, "never asked for");
    says(live_words_next, &live, "Start \"zero point\" with the scan tool.");
    strcpy(verdict.steps[0].reason, "still running when last asked ('running')");
    says(live_words_next, &live, "Wait, and let the scan tool ask how \"zero point\" ended.");
    verdict.steps[0].answer = STEP_CONTRADICTED;
    strcpy(verdict.steps[0].reason, "refused twice, never accepted");
    says(live_words_next, &live,
         "The module did not do it (refused twice, never accepted). Look at the conditions, then start "
         "\"zero point\" again with the scan tool.");
    live = weight_to_come();
    live.key_count = 0;
    says(live_words_next, &live,
         "Put the test weight (30 kg) on the seat. When all of it lies still and nobody touches the seat, "
         "note it: taretrace mark /tmp/job-7 --moment \"weight on\".");
    live = weight_to_come();
    verdict.steps[2].moments = 1;
    verdict.steps[2].answer = STEP_CONTRADICTED;
    strcpy(verdict.steps[2].reason, "35 kg");
    says(live_words_next, &live,
         "\"Test weight reads within limits\" is contradicted: 35 kg. Find out why before you go on; zeroing "
         "again begins a new attempt.");
    live = weight_to_come();
    verdict.steps[0].answer = STEP_CONTRADICTED;
    strcpy(verdict.steps[0].reason, "refused once, never accepted");
    verdict.nrc = 0x22; /* ISO 14229-1 annex A.1 */
    says(live_words_next, &live,
         "The module did not do it (refused once, never accepted, last with conditionsNotCorrect). Look at "
         "the conditions, then start \"zero point\" again with the scan tool.");
    live = weight_to_come();
    verdict.steps[1].answer = STEP_NOT_CONFIRMED;
    strcpy(verdict.steps[1].reason, "readings disagree: 1 steady inside the limits, 1 outside");
    says(live_words_next, &live,
         "\"Empty seat reads near zero\": the readings disagree, and more of them do not mend that. Zeroing "
         "again begins a new attempt.");
    /* A recorder that never opened a bus leaves no job to be judged. */
    live = weight_to_come();
    live.recorder = LIVE_NOBODY;
    says(live_words_next, &live, "Have the record judged: taretrace verify /tmp/job-7");
    live.buses = "";
    says(live_words_next, &live, "Nothing was recorded. Mend what the recorder says, and start it again.");
    /* The moment came 32 s ago (30 s to wait, 2 s to stand), and one that is older still. */
    live = weight_to_come();
    verdict.steps[2].moments = 1;
    verdict.steps[2].since_moment = 32 * TT_SECOND;
    says(live_words_next, &live,
         "Touch nothing, and let the scan tool go on showing \"seat load.total\" until it has stood steady for "
         "2 s. If something moved, press w once more when all lies still.");
    verdict.steps[2].since_moment++;
    says(live_words_next, &live,
         "The moment \"weight on\" was followed by no steady reading in time. Take it back (u, or taretrace "
         "mark --withdraw), and press w once more when all lies still.");
    live = weight_to_come();
    live.quiet = 7 * TT_SECOND + 1;
    says(live_words_next, &live, "No frame has come for 7 s: is the ignition still on, is the tap still plugged in?");
}

static void what_is_missing(void **state)
{
    (void)state;
    struct live_state live = weight_to_come();
    says(live_words_lacks, &live, "The record still lacks 4 of 6 steps.");
    verdict.conditions[0].vouched = VOUCHED_NOBODY;
    says(live_words_lacks, &live, "The record still lacks 4 of 6 steps. Nobody vouches for one condition.");
    for (uint32_t i = 0; i < 6; i++)
        verdict.steps[i].answer = STEP_CONFIRMED;
    verdict.conditions[0].vouched = VOUCHED_STATED;
    says(live_words_lacks, &live, "You can stop: all steps are confirmed.");
    verdict.part_count = 2; /* what one vehicle's part shows is no answer for the record (D 7.2) */
    says(live_words_lacks, &live,
         "All steps are confirmed for the last vehicle or unit; the record as a whole is not.");
    verdict.part_count = 1;
    live.recorder = LIVE_ENDED;
    says(live_words_lacks, &live, "Nothing is missing: all steps are confirmed.");
    verdict.conditions[0].vouched = VOUCHED_CONTRADICTED;
    says(live_words_lacks, &live,
         "The conditions are not met: \"Level ground\". All steps are confirmed, the job as a whole is not.");
}

static void the_steady_clock(void **state)
{
    (void)state;
    struct live_state live = weight_to_come();
    live.shown.waits_mark = false;
    live.shown.numerator = 300;
    live.shown.steady = 1499 * TT_MS; /* tenths are cut off: a time that was not reached is never shown */
    says(live_words_clock, &live, "steady for 1.4 s of 2 s");
    live.shown.counts = true;
    live.shown.steady = 3 * TT_SECOND;
    says(live_words_clock, &live, "steady for 3 s: long enough");
    live.shown.numerator = 266;
    says(live_words_clock, &live, "steady for 3 s: long enough, but too close to a limit");
    live.shown.numerator = 265;
    says(live_words_clock, &live, "steady for 3 s: long enough, but outside the limits");
    live.shown.numerator = 335; /* above, by half a step of the ruler */
    says(live_words_clock, &live, "steady for 3 s: long enough, but outside the limits");
    live.shown.numerator = 334;
    says(live_words_clock, &live, "steady for 3 s: long enough, but too close to a limit");
    live.shown.numerator = 265;
    live.shown.waits_select = true;
    says(live_words_clock, &live, "counts when it is above 13 kg");
    live.shown.age = 2600 * TT_MS;
    says(live_words_clock, &live, "not read for 2.6 s: let the scan tool show it all the time");
}

/* ---- lines ---- */

static void a_line_for_each_thing_that_changes(void **state)
{
    (void)state;
    static struct live_lines before;
    struct live_state live = weight_to_come();
    struct buffer memory;
    struct sink sink;
    memset(&before, 0, sizeof before);
    buffer_init(&memory, 65536);
    assert_true(sink_open_memory(&sink, &memory));
    live_lines(&before, &live, &sink);
    uint64_t first = sink.written;
    live_lines(&before, &live, &sink); /* nothing changed: nothing is said */
    assert_int_equal(sink.written, first);
    live.span = 130400 * TT_MS;
    verdict.steps[2].moments = verdict.steps[3].moments = 1;
    verdict.steps[2].answer = STEP_CONFIRMED;
    strcpy(verdict.steps[2].reason, "30 kg on the seat");
    live_lines(&before, &live, &sink);
    assert_true(sink_close(&sink) && buffer_append(&memory, "", 1));
    assert_string_equal(
        (const char *)memory.data + first,
        "130.4 s: confirmed: Test weight reads within limits: 30 kg on the seat\n"
        "130.4 s: contradicted: Lamp lit with the test weight: dark, steady for 4 s, not lit\n"
        "130.4 s: so far: The record still lacks 3 of 6 steps.\n"
        "130.4 s: next: \"Lamp lit with the test weight\" is contradicted: dark, steady for 4 s, not lit. Find out "
        "why before you go on; zeroing again begins a new attempt.\n");
    buffer_free(&memory);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_mark_stands_where_the_value_is),
        cmocka_unit_test(without_margin_and_below_zero),
        cmocka_unit_test(one_limit),
        cmocka_unit_test(limits_in_another_unit),
        cmocka_unit_test(a_page_of_80_columns),
        cmocka_unit_test(a_small_page),
        cmocka_unit_test(a_question_stands_above_what_is_next),
        cmocka_unit_test(no_page_is_larger_than_its_screen),
        cmocka_unit_test(what_to_do_next),
        cmocka_unit_test(what_is_missing),
        cmocka_unit_test(the_steady_clock),
        cmocka_unit_test(a_line_for_each_thing_that_changes),
    };
    return cmocka_run_group_tests(tests, load, unload);
}
