/*
 * definitions/loader.h and model.h: files to a model with exact numbers. Every expected number below was worked out by
 * hand; the arithmetic stands beside it. 1 lb = 0.45359237 kg (international yard and pound agreement, 1959).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "digest.h"
#include "loader.h"

#define HEAD "taretrace: 1\nmodule: {name: seat scale, address: {request: 0x5E3, response: 0x6C5}}\n"
#define WIDE_MAX ((tt_wide)(((unsigned __int128)1 << 127) - 1))

struct loaded { /* files written for one test, and what came of them */
    struct definitions definitions;
    struct diagnostics diagnostics;
    enum load_result result;
    char *said;
    size_t said_length;
};

static void load_texts(struct loaded *loaded, size_t count, const char *const *texts)
{
    char names[4][32];
    const char *paths[4];
    assert_true(count <= 4);
    for (size_t i = 0; i < count; i++) {
        strcpy(names[i], "/tmp/test_definitions_XXXXXX");
        int fd = mkstemp(names[i]);
        assert_true(fd >= 0);
        assert_int_equal(write(fd, texts[i], strlen(texts[i])), strlen(texts[i]));
        close(fd);
        paths[i] = names[i];
    }
    loaded->said = NULL;
    FILE *out = open_memstream(&loaded->said, &loaded->said_length);
    assert_non_null(out);
    diagnostics_init(&loaded->diagnostics, out);
    loaded->result = definitions_load(paths, count, &loaded->diagnostics, &loaded->definitions);
    fclose(out);
    for (size_t i = 0; i < count; i++)
        unlink(names[i]);
}

static void load_text(struct loaded *loaded, const char *text)
{
    load_texts(loaded, 1, &text);
    if (loaded->result != LOAD_OK)
        fprintf(stderr, "%s", loaded->said);
    assert_int_equal(loaded->result, LOAD_OK);
}

static void unload(struct loaded *loaded)
{
    definitions_free(&loaded->definitions);
    free(loaded->said);
}

static uint32_t reading(const struct definitions *definitions, const char *name)
{
    for (uint32_t i = 0; i < definitions->reading_count; i++)
        if (strcmp(definitions->readings[i].name, name) == 0)
            return i;
    fail_msg("no reading %s", name);
    return DEF_NONE;
}

static void same_ratio(struct ratio ratio, int64_t numerator, int64_t denominator)
{
    assert_true(ratio.numerator == numerator);
    assert_true(ratio.denominator == denominator);
}

/* D 6.3's own example. */
static void load_example(struct definitions *definitions)
{
    const char *path = TT_SOURCE_DIR "/definitions/examples/seat-scale.yaml";
    struct diagnostics diagnostics;
    diagnostics_init(&diagnostics, stderr);
    assert_int_equal(definitions_load(&path, 1, &diagnostics, definitions), LOAD_OK);
    definitions_lint(definitions, &diagnostics);
    assert_int_equal(diagnostics.errors + diagnostics.warnings + diagnostics.remarks, 0);
}

static void example_module_and_names(void **state)
{
    (void)state;
    static const char *const names[] = {"seat load.front left",
                                        "seat load.front right",
                                        "seat load.rear left",
                                        "seat load.rear right",
                                        "seat load.supply",
                                        "seat load.status",
                                        "seat load.status.occupied",
                                        "seat load.status.belt latched",
                                        "seat load.status.sensor fault",
                                        "seat load.total",
                                        "zero point.start.info",
                                        "zero point.results.state",
                                        "airbag lamp.off lamp"};
    struct definitions definitions;
    load_example(&definitions);
    assert_int_equal(definitions.file_count, 1);
    assert_string_equal(definitions.files[0].name, "seat-scale.yaml");
    char sum[DIGEST_TEXT];
    assert_true(digest_of(definitions.files[0].bytes, definitions.files[0].length, sum));
    assert_string_equal(definitions.files[0].sha256, sum);
    assert_int_equal(definitions.module_count, 1);
    const struct def_module *module = &definitions.modules[0];
    assert_string_equal(module->name, "seat scale");
    assert_int_equal(module->request_id, 0x5E3);
    assert_int_equal(module->response_id, 0x6C5);
    assert_int_equal(module->functional_id, 0x7DF);
    assert_int_equal(module->p2, 50000000);
    assert_int_equal(module->p2_star, 5000000000);
    assert_int_equal(module->n_cr, 1000000000);
    assert_int_equal(definitions.main_module, 0);

    assert_int_equal(definitions.reading_count, sizeof names / sizeof *names);
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        char long_name[100];
        snprintf(long_name, sizeof long_name, "seat scale/%s", names[i]);
        assert_string_equal(definitions.readings[i].name, names[i]);
        assert_string_equal(definitions.readings[i].long_name, long_name);
        assert_int_equal(definitions.readings[i].kind,
                         strncmp(names[i], "seat load.status.", 17) ? READING_NUMBER : READING_FLAG);
        assert_int_equal(definitions.readings[i].module, 0);
    }
    const struct def_reading *lamp = &definitions.readings[12];
    assert_int_equal(lamp->place.line, 32); /* counted in the file */
    assert_int_equal(lamp->place.column, 14);
    assert_string_equal(definitions_state(lamp, 0), "dark");
    assert_string_equal(definitions_state(lamp, 1), "lit");
    assert_null(definitions_state(lamp, 2));
    assert_string_equal(definitions_state(lamp, 3), "unknown");
    assert_string_equal(definitions_code_text(module, 0x9A4254), "calibration missing");
    assert_null(definitions_code_text(module, 0x9A4253));
    definitions_free(&definitions);
}

static void example_record(void **state)
{
    (void)state;
    struct definitions definitions;
    load_example(&definitions);
    const struct def_module *module = &definitions.modules[0];
    assert_null(definitions_identifier(module, 0x3C41));
    const struct def_identifier *identifier = definitions_identifier(module, 0x3C40);
    assert_non_null(identifier);
    const struct def_record *record = &identifier->record;
    assert_string_equal(record->name, "seat load");
    assert_int_equal(record->length, 8);
    assert_int_equal(record->field_count, 6);
    static const uint32_t bytes[] = {0, 1, 3, 4};
    for (int i = 0; i < 4; i++) {
        const struct def_field *corner = &record->fields[i];
        assert_int_equal(corner->byte, bytes[i]);
        assert_int_equal(corner->length, 2);
        assert_int_equal(corner->mask, i % 2 ? 0x0FFF : 0xFFF0);
        assert_int_equal(corner->mask_bits, 12);
        /* raw / 10 - 100 = (raw * 1 - 1000) / 10 */
        assert_int_equal(definitions.readings[corner->reading].denominator, 10);
        assert_true(corner->factor == 1 && corner->offset == -1000);
        assert_int_equal(corner->absent_count, 1);
        assert_int_equal(corner->absent[0], 0xFFF);
        assert_false(corner->little || corner->has_valid || corner->flag_count);
        assert_string_equal(definitions.readings[corner->reading].unit, "kg");
    }
    const struct def_field *supply = &record->fields[4], *status = &record->fields[5];
    assert_true(supply->byte == 6 && supply->length == 1 && supply->mask == 0xFF && supply->mask_bits == 8);
    assert_true(supply->factor == 1 && supply->offset == 0);
    assert_int_equal(definitions.readings[supply->reading].denominator, 10);
    assert_int_equal(status->flag_count, 3);
    for (uint32_t i = 0; i < record->field_count; i++) /* no field waits for another one */
        assert_int_equal(record->fields[i].when_field, DEF_NONE);
    static const uint64_t flags[] = {0x01, 0x02, 0x80};
    for (int i = 0; i < 3; i++) {
        assert_int_equal(status->flags[i].mask, flags[i]);
        assert_int_equal(status->flags[i].reading, 6 + i);
    }

    assert_int_equal(record->derived_count, 1);
    const struct def_derived *total = &record->derived[0];
    assert_int_equal(total->field_count, 4);
    for (uint32_t i = 0; i < 4; i++) { /* tenths of kg stay tenths of kg */
        assert_int_equal(total->fields[i], i);
        assert_true(total->factors[i] == 1);
    }
    assert_int_equal(definitions.readings[total->reading].denominator, 10);

    assert_int_equal(record->example_count, 1);
    const struct def_example *example = &record->examples[0];
    static const uint8_t expected[] = {0x40, 0xB3, 0xE8, 0x3E, 0x83, 0xDE, 0x7B, 0x00};
    assert_int_equal(example->length, 8);
    assert_memory_equal(example->bytes, expected, 8);
    assert_int_equal(example->given_count, 3);
    assert_true(example->gives[0].is_number && example->gives[1].is_number && !example->gives[2].is_number);
    same_ratio(example->gives[0].value, 5, 2);
    same_ratio(example->gives[1].value, 123, 10);
    assert_string_equal(example->gives[2].text, "no");
    assert_int_equal(example->gives[2].reading, reading(&definitions, "seat load.status.occupied"));

    const struct def_broadcast *lamp = definitions_broadcast(module, 0x3D0);
    assert_non_null(lamp);
    assert_null(definitions_broadcast(module, 0x3D1));
    assert_true(lamp->record.length == DEF_NONE && lamp->record.fields[0].byte == 2 &&
                lamp->record.fields[0].mask_bits == 2);
    definitions_free(&definitions);
}

static void example_procedure(void **state)
{
    (void)state;
    struct definitions definitions;
    load_example(&definitions);
    assert_int_equal(definitions.condition_count, 3);
    assert_string_equal(definitions.conditions[1].text, "Seat empty and dry, nothing beneath it");
    assert_int_equal(definitions.conditions[1].reading, DEF_NONE);
    const struct def_condition *supply = &definitions.conditions[2];
    assert_int_equal(supply->reading, reading(&definitions, "seat load.supply"));
    assert_true(supply->limits.low_n == 115 && supply->limits.high_n == 148); /* 11.5 V, 14.8 V in tenths */
    same_ratio(supply->limits.low, 23, 2);
    same_ratio(supply->limits.high, 74, 5);
    assert_string_equal(supply->limits.unit, "V");

    assert_int_equal(definitions.step_count, 6);
    const struct def_step *zero = &definitions.steps[0], *empty = zero + 1, *weight = zero + 2, *lamp = zero + 3;
    const struct def_action *action = definitions_routine(&definitions, 0, 0x0242);
    assert_non_null(action);
    assert_null(definitions_routine(&definitions, 0, 0x0243));
    assert_null(definitions_routine(&definitions, 1, 0x0242));
    assert_true(zero->kind == STEP_ACTION && zero->opens_attempt && &definitions.actions[zero->action] == action);
    assert_int_equal(zero->outcome, reading(&definitions, "zero point.results.state"));
    assert_int_equal(zero->outcome_part, PART_RESULTS);
    assert_true(zero->confirmed_count == 1 && zero->waiting_count == 1);
    assert_string_equal(zero->confirmed[0], "done");
    assert_string_equal(zero->waiting[0], "running");
    assert_true(action->parts[PART_START].defined && !action->parts[PART_STOP].defined &&
                action->parts[PART_RESULTS].defined);

    assert_true(empty->kind == STEP_READING && !empty->opens_attempt && empty->has_steady && empty->has_between);
    assert_int_equal(empty->steady_for, 2000000000);
    assert_int_equal(empty->steady_gap, 2500000000); /* D 7.6 */
    assert_true(empty->within_n == 2);               /* 0.2 kg in tenths */
    assert_true(empty->limits.low_n == -14 && empty->limits.high_n == 14);
    assert_true(empty->limits.safe_low_n == -14 && empty->limits.safe_high_n == 14 && !empty->has_guard);
    assert_null(empty->applied);
    assert_null(empty->mark);

    assert_int_equal(weight->reading, empty->reading);
    assert_string_equal(weight->applied, "30 kg");
    assert_string_equal(weight->mark, "weight on");
    assert_int_equal(weight->wait, 30000000000);                                    /* D 7.8 */
    assert_true(weight->has_above && !weight->has_below && weight->above_n == 131); /* > 13.0 kg: from 13.1 kg on */
    assert_true(weight->limits.low_n == 266 && weight->limits.high_n == 334);
    assert_true(weight->has_guard && weight->limits.safe_low_n == 267 && weight->limits.safe_high_n == 333);
    same_ratio(weight->guard, 1, 10);

    assert_int_equal(lamp->reading, reading(&definitions, "airbag lamp.off lamp"));
    assert_true(lamp->is_count == 1 && !lamp->has_between && lamp->has_steady);
    assert_string_equal(lamp->is[0], "lit");
    assert_true(zero[4].kind == STEP_ANSWERED && zero[4].service == 0x14 && zero[4].module == 0);
    assert_true(zero[5].kind == STEP_CODES && zero[5].none_with == 0x09 && zero[5].tested == TESTED_SINCE_CLEAR);
    definitions_free(&definitions);
}

static void scaling_uses_the_least_denominator(void **state)
{
    (void)state;
    struct loaded loaded;
    load_text(&loaded,
              HEAD "identifiers:\n  0x1000:\n    name: a\n    fields:\n"
                   "      quarter: {byte: 0, factor: 1/4, offset: 1/6}\n"        /* lcm(4, 6) = 12: 3 raw + 2 over 12 */
                   "      decimal: {byte: 0, factor: 0.25, offset: -0.125}\n"    /* 1/4, -1/8: 2 raw - 1 over 8 */
                   "      fall: {byte: 0, length: 8, factor: -2.5, offset: 7}\n" /* -5 raw + 14 over 2 */
                   "      plain: {byte: 0, length: 3, order: little, type: signed}\n"
                   "      gaps: {byte: 0, mask: 0xB6}\n"
                   "      fine: {byte: 0, factor: 0.000000000000000001}\n"        /* 10^-18 */
                   "      third: {byte: 0, factor: 2/6, valid: [-1/3, 0.34]}\n"); /* raw over 3: -1, floor(1.02) = 1 */
    const struct def_record *record = &loaded.definitions.modules[0].identifiers[0].record;
    const struct def_reading *readings = loaded.definitions.readings;
    const struct def_field *field = record->fields;
    assert_int_equal(record->field_count, 7);
    assert_true(readings[0].denominator == 12 && field[0].factor == 3 && field[0].offset == 2);
    assert_true(readings[1].denominator == 8 && field[1].factor == 2 && field[1].offset == -1);
    assert_true(readings[2].denominator == 2 && field[2].factor == -5 && field[2].offset == 14);
    assert_true(field[2].mask == UINT64_MAX && field[2].mask_bits == 64);
    assert_true(field[3].little && field[3].type == FIELD_SIGNED && field[3].mask == 0xFFFFFF &&
                field[3].mask_bits == 24);
    assert_true(field[4].mask == 0xB6 && field[4].mask_bits == 5); /* 1011 0110 */
    assert_true(readings[5].denominator == 1000000000000000000 && field[5].factor == 1);
    assert_true(readings[6].denominator == 3 && field[6].factor == 1 && field[6].has_valid);
    assert_true(field[6].valid_low == -1 && field[6].valid_high == 1);
    unload(&loaded);
}

#define STEPS(fields, steps) HEAD "identifiers:\n  0x1000:\n    name: a\n    fields:\n" fields "procedure:\n" steps

static void limits_become_thresholds_without_rounding_in(void **state)
{
    (void)state;
    struct loaded loaded;
    load_text(&loaded,
              STEPS("      tenths: {byte: 0, factor: 0.1, offset: -100, unit: kg}\n"
                    "      pounds: {byte: 0, length: 2, factor: 0.01, unit: lb}\n"
                    "      thirds: {byte: 0, length: 2, factor: 1/3}\n",
                    /* -14.5 tenths: ceil -14; -0.5: floor -1. With 50 g = 0.5 tenths less on each side: -14, -1. */
                    "  - {step: a, reading: a.tenths, steady: {for: 1 s, within: 0.25 kg}, between: [-1.45 kg, -0.05 "
                    "kg], guard: 50 g}\n"
                    /* 26.6 kg + 0.05: 266.5, ceil 267; 33.4 - 0.05: 333.5, floor 333. Above 13.05: from 131;
                       below 60.05: to 600. */
                    "  - {step: b, reading: a.tenths, steady: {for: 1 s, within: 99 g}, between: [26.6 kg, 33.4 kg], "
                    "guard: 0.05 kg,\n"
                    "     select: {above: 13.05 kg, below: 60.05 kg}}\n"
                    /* 10 / 0.45359237 = 22.0462..., 20 / 0.45359237 = 44.0924...: hundredths 2205 to 4409; within 1 kg
                       = 2.2046 lb: 220. */
                    "  - {step: c, reading: a.pounds, steady: {for: 1 s, within: 1 kg}, between: [10 kg, 20 kg]}\n"
                    /* 2 lb = 0.90718474 kg stays 200 hundredths exactly; below 2 lb: to 199. */
                    "  - {step: d, reading: a.pounds, steady: {for: 1 s, within: 0.01 lb}, between: [0.90718474 kg, no "
                    "limit],\n"
                    "     select: {above: 0 lb, below: 2 lb}}\n"
                    /* thirds: 1/3 is 1; 0.6666666 is 1.9999998: floor 1; above 1/3: from 2; below 2/3: to 1 would be
                       empty, so 4/3: to 3. */
                    "  - {step: e, reading: a.thirds, steady: {for: 60 s, within: 0, gap: 100 ms}, between: [no limit, "
                    "0.6666666],\n"
                    "     select: {above: 1/3, below: 4/3}}\n"));
    const struct def_step *step = loaded.definitions.steps;
    assert_int_equal(loaded.definitions.step_count, 5);
    assert_true(step[0].limits.low_n == -14 && step[0].limits.high_n == -1);
    assert_true(step[0].limits.safe_low_n == -14 && step[0].limits.safe_high_n == -1);
    assert_true(step[0].within_n == 2);
    assert_string_equal(step[0].guard_unit, "g");
    assert_true(step[1].limits.low_n == 266 && step[1].limits.high_n == 334);
    assert_true(step[1].limits.safe_low_n == 267 && step[1].limits.safe_high_n == 333);
    assert_true(step[1].within_n == 0 && step[1].above_n == 131 && step[1].below_n == 600);
    assert_true(step[2].limits.low_n == 2205 && step[2].limits.high_n == 4409 && step[2].within_n == 220);
    assert_string_equal(step[2].limits.unit, "kg");
    same_ratio(step[2].limits.low, 10, 1);
    assert_true(step[3].limits.has_low && !step[3].limits.has_high);
    assert_true(step[3].limits.low_n == 200 && step[3].limits.high_n == WIDE_MAX &&
                step[3].limits.safe_high_n == WIDE_MAX);
    assert_true(step[3].above_n == 1 && step[3].below_n == 199 && step[3].within_n == 1);
    assert_true(!step[4].limits.has_low && step[4].limits.low_n == -WIDE_MAX - 1 && step[4].limits.high_n == 1);
    assert_true(step[4].above_n == 2 && step[4].below_n == 3 && step[4].within_n == 0);
    assert_int_equal(step[4].steady_for, 60000000000);
    assert_int_equal(step[4].steady_gap, 100000000);
    unload(&loaded);
}

/*
 * Facts of the trade (common practice, no source): an empty seat within 0.97 lb of zero, and 27.5 to 41.23 lb with a 66
 * lb weight; in pounds and in kilograms, on a scale in hundredths.
 */
static void trade_limits_in_both_units(void **state)
{
    (void)state;
    struct loaded loaded;
    load_text(&loaded,
              STEPS("      lb: {byte: 0, length: 2, type: signed, factor: 0.01, unit: lb}\n"
                    "      kg: {byte: 0, length: 2, type: signed, factor: 0.01, unit: kg}\n",
                    "  - {step: a, reading: a.lb, steady: {for: 1 s, within: 1 lb}, between: [-0.97 lb, 0.97 lb]}\n"
                    "  - {step: b, reading: a.lb, steady: {for: 1 s, within: 1 lb}, between: [27.5 lb, 41.23 lb], "
                    "select: {above: 5 lb}}\n"
                    /* 0.97 * 0.45359237 = 0.4399845989: 43. 27.5: 12.473790175: 1248. 41.23: 18.7016134151: 1870. */
                    "  - {step: c, reading: a.kg, steady: {for: 1 s, within: 1 lb}, between: [-0.97 lb, 0.97 lb]}\n"
                    "  - {step: d, reading: a.kg, steady: {for: 1 s, within: 1 lb}, between: [27.5 lb, 41.23 lb], "
                    "select: {above: 5 lb}}\n"));
    static const int low[] = {-97, 2750, -43, 1248}, high[] = {97, 4123, 43, 1870};
    for (int i = 0; i < 4; i++) {
        const struct def_limits *limits = &loaded.definitions.steps[i].limits;
        assert_true(limits->low_n == low[i] && limits->high_n == high[i]);
    }
    /* 5 lb = 2.26796185 kg: above it from 227 hundredths on; 1 lb = 0.45359237 kg: 45. */
    assert_true(loaded.definitions.steps[3].above_n == 227 && loaded.definitions.steps[3].within_n == 45);
    unload(&loaded);
}

static void sums_convert_their_parts(void **state)
{
    (void)state;
    struct loaded loaded;
    load_text(&loaded, HEAD "identifiers:\n  0x1000:\n    name: a\n    fields:\n"
                            "      left: {byte: 0, factor: 1/8, offset: -12.5, unit: lb}\n" /* (raw - 100) / 8 lb */
                            "      right: {byte: 1, factor: 10, unit: g}\n"
                            "      small: {byte: 2, unit: oz}\n"
                            "    derived:\n"
                            "      total: {sum: [right, left], unit: kg}\n"
                            "      ounces: {sum: [small, left], unit: oz}\n"
                            "      same: {sum: [right]}\n");
    const struct def_record *record = &loaded.definitions.modules[0].identifiers[0].record;
    const struct def_reading *readings = loaded.definitions.readings;
    assert_true(readings[0].denominator == 8 && record->fields[0].factor == 1 && record->fields[0].offset == -100);
    assert_int_equal(record->derived_count, 3);
    /* 1 g = 1/1000 kg; 1/8 lb = 0.05669904625 kg = 45359237 / 800000000 kg. Over 800000000: 800000 and 45359237. */
    const struct def_derived *total = &record->derived[0];
    assert_int_equal(readings[total->reading].denominator, 800000000);
    assert_true(total->fields[0] == 1 && total->factors[0] == 800000);
    assert_true(total->fields[1] == 0 && total->factors[1] == 45359237);
    /* 1/8 lb is 2 oz: whole ounces. */
    assert_int_equal(readings[record->derived[1].reading].denominator, 1);
    assert_true(record->derived[1].factors[0] == 1 && record->derived[1].factors[1] == 2);
    assert_string_equal(readings[record->derived[2].reading].unit, "g");
    unload(&loaded);
}

#define DISPLAY                                                                                                        \
    "taretrace: 1\nmodule: {name: display, address: {request: 0x5E4, response: 0x6C6}, functional: {id: 0x7DF}}\n"     \
    "identifiers:\n  0x1000: {name: a, fields: {b: {byte: 0}}}\n  0x0FFF: {name: c, fields: {b: {byte: 0}}}\n"         \
    "routines:\n  0x0243: {name: test}\n  0x0242: {name: zero}\n"
#define SCALE                                                                                                          \
    "taretrace: 1\nmodule: {name: seat scale, address: {request: 0x5E3, response: 0x6C5}, functional: {id: 0x7DF}}\n"  \
    "identifiers:\n  0x1000: {name: a, fields: {b: {byte: 0}}}\nroutines:\n  0x0242: {name: zero}\n"

static void names_of_several_files(void **state)
{
    (void)state;
    struct loaded loaded;
    const char *texts[] = {DISPLAY,
                           SCALE "procedure:\n"
                                 "  - {step: 1, reading: a.b, steady: {for: 1 s, within: 0}, between: [0, 1]}\n"
                                 "  - {step: 2, reading: display/a.b, steady: {for: 1 s, within: 0}, between: [0, 1]}\n"
                                 "  - {step: 3, reading: display/c.b, steady: {for: 1 s, within: 0}, between: [0, 1]}\n"
                                 "  - {step: 4, action: display/zero}\n"
                                 "  - {step: 5, action: zero, opens attempt: yes}\n"
                                 "  - {step: 6, answered: TesterPresent, module: display}\n"
                                 "  - {step: 7, codes: {none with: 1, tested: this cycle}}\n"
                                 "  - {step: 8, identity: {reading: seat scale/a.b, equals mark: vin}}\n"};
    load_texts(&loaded, 2, texts);
    assert_int_equal(loaded.result, LOAD_OK);
    const struct definitions *definitions = &loaded.definitions;
    assert_int_equal(definitions->main_module, 1);
    const struct def_step *step = definitions->steps;
    assert_string_equal(definitions->readings[step[0].reading].long_name, "seat scale/a.b");
    assert_string_equal(definitions->readings[step[1].reading].long_name, "display/a.b");
    assert_string_equal(definitions->readings[step[2].reading].long_name, "display/c.b");
    static const uint32_t modules[] = {1, 0, 0, 0, 1, 0, 1, 1};
    for (int i = 0; i < 8; i++)
        assert_int_equal(step[i].module, modules[i]);
    assert_ptr_equal(&definitions->actions[step[3].action], definitions_routine(definitions, 0, 0x0242));
    assert_ptr_equal(&definitions->actions[step[4].action], definitions_routine(definitions, 1, 0x0242));
    assert_string_equal(definitions_routine(definitions, 0, 0x0243)->name, "test");
    assert_int_equal(step[6].tested, TESTED_THIS_CYCLE);
    assert_string_equal(step[7].equals_mark, "vin");
    assert_string_equal(definitions_identifier(&definitions->modules[0], 0x0FFF)->name, "c"); /* sorted by key */
    unload(&loaded);
}

/* The same files the other way round: what is bare, and what `module:` means, hangs on the file and not on its place. */
static void order_of_files_is_free(void **state)
{
    (void)state;
    struct loaded loaded;
    const char *texts[] = {SCALE "procedure:\n"
                                 "  - {step: 1, reading: a.b, steady: {for: 1 s, within: 0}, between: [0, 1]}\n"
                                 "  - {step: 2, codes: {none with: 1}, module: display}\n"
                                 "  - {step: 3, answered: TesterPresent}\n",
                           DISPLAY};
    load_texts(&loaded, 2, texts);
    assert_int_equal(loaded.result, LOAD_OK);
    const struct def_step *step = loaded.definitions.steps;
    assert_int_equal(loaded.definitions.main_module, 0);
    assert_string_equal(loaded.definitions.readings[step[0].reading].long_name, "seat scale/a.b");
    assert_true(step[0].module == 0 && step[1].module == 1 && step[2].module == 0);
    assert_int_equal(step[1].tested, TESTED_NOT_ASKED);
    unload(&loaded);
}

static void timing_and_its_defaults(void **state)
{
    (void)state;
    struct loaded loaded;
    /* ISO 14229-2: P2server_max 50 ms, P2*server_max 5000 ms; ISO 15765-2: N_Cr 1000 ms. */
    load_text(&loaded, HEAD);
    const struct def_module *module = loaded.definitions.modules;
    assert_true(module->p2 == 50000000 && module->p2_star == 5000000000 && module->n_cr == 1000000000);
    assert_int_equal(module->functional_id, DEF_NO_ID);
    assert_int_equal(loaded.definitions.main_module, DEF_NONE);
    unload(&loaded);
    load_text(&loaded, "taretrace: 1\nmodule: {name: x, address: {request: 0x001, response: 0x7FF},\n"
                       "  timing: {p2: 0.040 s, p2 star: 4.5 s, n_cr: 900.5 ms}}\n");
    module = loaded.definitions.modules;
    assert_true(module->p2 == 40000000 && module->p2_star == 4500000000 && module->n_cr == 900500000);
    assert_true(module->request_id == 1 && module->response_id == 0x7FF);
    unload(&loaded);
}

static void refuse(size_t count, const char *const *texts, const char *words)
{
    struct loaded loaded;
    load_texts(&loaded, count, texts);
    if (loaded.result != LOAD_MISTAKES || loaded.diagnostics.errors == 0)
        fail_msg("loaded, without \"%s\"", words);
    assert_int_equal(loaded.definitions.reading_count, 0); /* nothing is left that could be used */
    assert_int_equal(loaded.definitions.step_count, 0);
    if (!strstr(loaded.said, words))
        fail_msg("\"%s\" does not stand in: %s", words, loaded.said);
    unload(&loaded);
}

static void several_files_that_do_not_fit(void **state)
{
    (void)state;
    refuse(2, (const char *[]){SCALE, SCALE}, "another file has a module \"seat scale\" too");
    refuse(2, (const char *[]){DISPLAY "procedure: []\n", SCALE "conditions: []\n"}, "have them in one file only");
    refuse(2, (const char *[]){DISPLAY, SCALE "broadcasts:\n  0x6C6: {name: x}\n"},
           "0x6C6 is the response id of \"display\"");
    refuse(2, (const char *[]){DISPLAY, SCALE "procedure: [{step: a, answered: TesterPresent, module: dispaly}]\n"},
           "did you mean \"display\"?");
    refuse(2, (const char *[]){DISPLAY, SCALE "procedure: [{step: a, action: test}]\n"}, "there is no action \"test\"");
    /* "display/a" in one module and "a" in module "display": one full name for two things. */
    refuse(2, (const char *[]){DISPLAY, SCALE "  0x1: {name: display/zero}\nprocedure: []\n"}, "can mean two actions");
    refuse(2, (const char *[]){DISPLAY, "taretrace: 1\nmodule: {name: x, address: {request: 0x1, response: 0x2}}\n"},
           "write 0x001");
    refuse(2,
           (const char *[]){DISPLAY, "taretrace: 1\nmodule: {name: x, address: {request: 0x001, response: 0x002}}\n"
                                     "identifiers:\n  1: {name: display/a, fields: {b: {byte: 0}}}\nprocedure: []\n"},
           "can mean two readings");
}

static void files_that_cannot_be_read(void **state)
{
    (void)state;
    static const char *const paths[][1] = {{"/nowhere/seat.yaml"}, {"/tmp"}};
    for (int i = 0; i < 2; i++) {
        struct definitions definitions;
        struct diagnostics diagnostics;
        char *said = NULL;
        size_t length;
        FILE *out = open_memstream(&said, &length);
        diagnostics_init(&diagnostics, out);
        assert_int_equal(definitions_load(paths[i], 1, &diagnostics, &definitions), LOAD_CANNOT_OPEN);
        fclose(out);
        assert_int_equal(diagnostics.errors, 1);
        assert_non_null(strstr(said, paths[i][0]));
        definitions_free(&definitions);
        free(said);
    }
}

/* A file of exactly 4 MiB is read; one byte more is not. */
static void size_of_a_file(void **state)
{
    (void)state;
    struct loaded loaded;
    char *text = malloc(DEF_FILE_MAX + 2);
    assert_non_null(text);
    memset(text, '\n', DEF_FILE_MAX + 1);
    text[DEF_FILE_MAX + 1] = '\0';
    memcpy(text, HEAD, strlen(HEAD));
    refuse(1, (const char *[]){text}, "larger than 4 MiB");
    text[DEF_FILE_MAX] = '\0';
    load_text(&loaded, text);
    unload(&loaded);
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(example_module_and_names),
        cmocka_unit_test(example_record),
        cmocka_unit_test(example_procedure),
        cmocka_unit_test(scaling_uses_the_least_denominator),
        cmocka_unit_test(limits_become_thresholds_without_rounding_in),
        cmocka_unit_test(trade_limits_in_both_units),
        cmocka_unit_test(sums_convert_their_parts),
        cmocka_unit_test(names_of_several_files),
        cmocka_unit_test(order_of_files_is_free),
        cmocka_unit_test(timing_and_its_defaults),
        cmocka_unit_test(several_files_that_do_not_fit),
        cmocka_unit_test(files_that_cannot_be_read),
        cmocka_unit_test(size_of_a_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
