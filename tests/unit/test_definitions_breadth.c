/*
 * definitions/loader.h and model.h: address formats, both dialects, actions, included files (D 6.5 to 6.9). The ids are
 * those of ISO 15765-2:2016, 8.3.2 and table 8 (priority 6 in bits 28 to 26, then 0xDA, 0xDB, 0xCE or 0xCD, target,
 * source), worked by hand.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

#include "digest.h"
#include "loader.h"

#define HEAD "taretrace: 1\nmodule: {name: seat scale, address: {request: 0x5E3, response: 0x6C5}}\n"
#define FILES_MAX 12

static struct {
    char folder[64];
    char paths[FILES_MAX][128];
    uint32_t count;
    struct definitions definitions;
    struct diagnostics diagnostics;
    enum load_result result;
    char *said;
    size_t said_length;
} rig;

static void begin(void)
{
    memset(&rig, 0, sizeof rig);
    strcpy(rig.folder, "/tmp/test_definitions_XXXXXX");
    assert_non_null(mkdtemp(rig.folder));
}

static const char *put(const char *name, const char *text)
{
    assert_true(rig.count < FILES_MAX);
    char *path = rig.paths[rig.count++], folder[sizeof rig.folder];
    strcpy(folder, rig.folder);
    snprintf(path, sizeof rig.paths[0], "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
    return path;
}

/* Loads the first `given` files of the folder. */
static void load(uint32_t given, enum load_result result)
{
    const char *paths[FILES_MAX];
    for (uint32_t i = 0; i < given; i++)
        paths[i] = rig.paths[i];
    FILE *out = open_memstream(&rig.said, &rig.said_length);
    assert_non_null(out);
    diagnostics_init(&rig.diagnostics, out);
    rig.result = definitions_load(paths, given, &rig.diagnostics, &rig.definitions);
    definitions_lint(&rig.definitions, &rig.diagnostics);
    fclose(out);
    if (rig.result != result)
        fprintf(stderr, "%s", rig.said);
    assert_int_equal(rig.result, result);
}

static void end(void)
{
    definitions_free(&rig.definitions);
    free(rig.said);
    for (uint32_t i = 0; i < rig.count; i++)
        unlink(rig.paths[i]);
    assert_int_equal(rmdir(rig.folder), 0);
}

static void says(const char *words)
{
    if (!strstr(rig.said, words))
        fail_msg("\"%s\" does not stand in: %s", words, rig.said);
}

static void addresses(void **state)
{
    (void)state;
    static const struct {
        const char *address;
        enum address_format format;
        uint32_t request, response, functional;
        uint8_t request_byte, response_byte, functional_byte;
    } cases[] = {
        {"address: {request: 0x001, response: 0x7FF}", ADDRESS_NORMAL, 0x001, 0x7FF, DEF_NO_ID, 0, 0, 0},
        {"address: {request: 0x00000001, response: 0x1FFFFFFF}, functional: {id: 0x7DF}", ADDRESS_NORMAL, 0x80000001,
         0x9FFFFFFF, 0x7DF, 0, 0, 0},
        {"address: {format: normal-fixed, module: 0x53, tester: 0xF1}, functional: {id: 0x18DB33F1}",
         ADDRESS_NORMAL_FIXED, 0x98DA53F1, 0x98DAF153, 0x98DB33F1, 0, 0, 0},
        {"address: {format: normal-fixed, module: 0x53, tester: 0xF1, priority: 0}", ADDRESS_NORMAL_FIXED, 0x80DA53F1,
         0x80DAF153, DEF_NO_ID, 0, 0, 0},
        {"address: {format: normal-fixed, module: 0x53, tester: 0xF1, priority: 7}", ADDRESS_NORMAL_FIXED, 0x9CDA53F1,
         0x9CDAF153, DEF_NO_ID, 0, 0, 0},
        {"address: {format: extended, request: 0x6F1, request byte: 0x12, response: 0x612, response byte: 0xF1}, "
         "functional: {id: 0x6F1, byte: 0xDF}",
         ADDRESS_EXTENDED, 0x6F1, 0x612, 0x6F1, 0x12, 0xF1, 0xDF},
        {"address: {format: mixed, request: 0x5E3, response: 0x6C5, byte: 0x20}, functional: {id: 0x7DF}",
         ADDRESS_MIXED, 0x5E3, 0x6C5, 0x7DF, 0x20, 0x20, 0x20},
        {"address: {format: mixed, module: 0x53, tester: 0xF1, byte: 0x20}, functional: {id: 0x18CD33F1}",
         ADDRESS_MIXED, 0x98CE53F1, 0x98CEF153, 0x98CD33F1, 0x20, 0x20, 0x20},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[512];
        begin();
        snprintf(text, sizeof text, "taretrace: 1\nmodule: {name: a, %s}\n", cases[i].address);
        put("a.yaml", text);
        load(1, LOAD_OK);
        const struct def_module *module = &rig.definitions.modules[0];
        assert_int_equal(module->format, cases[i].format);
        assert_int_equal(module->request_id, cases[i].request);
        assert_int_equal(module->response_id, cases[i].response);
        assert_int_equal(module->functional_id, cases[i].functional);
        assert_int_equal(module->request_byte, cases[i].request_byte);
        assert_int_equal(module->response_byte, cases[i].response_byte);
        assert_int_equal(module->functional_byte, cases[i].functional_byte);
        end();
    }
}

static void ids_are_told_apart_by_their_bytes(void **state)
{
    (void)state;
    begin();
    put("a.yaml", "taretrace: 1\nmodule: {name: a, address: {format: extended, request: 0x6F1, request byte: 0x12, "
                  "response: 0x612, response byte: 0xF1}, functional: {id: 0x6F1, byte: 0xDF}}\n");
    put("b.yaml", "taretrace: 1\nmodule: {name: b, address: {format: extended, request: 0x6F1, request byte: 0x13, "
                  "response: 0x613, response byte: 0xF1}, functional: {id: 0x6F1, byte: 0xDF}}\n");
    load(2, LOAD_OK);
    end();
    begin();
    put("a.yaml", "taretrace: 1\nmodule: {name: a, address: {format: extended, request: 0x6F1, request byte: 0x12, "
                  "response: 0x612, response byte: 0xF1}}\n");
    put("b.yaml", "taretrace: 1\nmodule: {name: b, address: {format: extended, request: 0x6F1, request byte: 0x12, "
                  "response: 0x613, response byte: 0xF1}}\n");
    load(2, LOAD_MISTAKES);
    says("b.yaml:2:56: the id 0x6F1 with byte 0x12 is the request id of \"a\" already (line 2 of a.yaml)");
    end();
}

/* Sorted by CAN id word: an 11-bit id is another than the 29-bit id of the same number. */
static void broadcasts_by_id_word(void **state)
{
    (void)state;
    begin();
    put("a.yaml", HEAD "broadcasts:\n  0x00000100: {name: wide}\n  0x300: {name: high}\n  0x200: {name: low}\n"
                       "  0x1FFFFFFF: {name: last}\n");
    load(1, LOAD_OK);
    const struct def_module *module = &rig.definitions.modules[0];
    assert_int_equal(module->broadcast_count, 4);
    assert_string_equal(definitions_broadcast(module, 0x80000100)->name, "wide");
    assert_string_equal(definitions_broadcast(module, 0x300)->name, "high");
    assert_string_equal(definitions_broadcast(module, 0x200)->name, "low");
    assert_string_equal(definitions_broadcast(module, 0x9FFFFFFF)->name, "last");
    assert_null(definitions_broadcast(module, 0x100));
    end();
}

/* Found by kind and key whatever the order in the file; the same number means different things in each section. */
static void actions_by_kind_and_key(void **state)
{
    (void)state;
    static const struct {
        enum action_kind kind;
        uint32_t key;
        const char *name;
    } cases[] = {
        {ACTION_ROUTINE, 0x0A, "local"},         {ACTION_ROUTINE, 0x0B, "local 2"},
        {ACTION_ROUTINE_ADDRESS, 9, "address"},  {ACTION_ROUTINE_ADDRESS, 0xA0000C, "address 2"},
        {ACTION_CONTROL, 0x0C, "common control"}, {ACTION_CONTROL_LOCAL, 0x0A, "local control"},
        {ACTION_WRITE, 0x0D, "common write"},    {ACTION_WRITE_LOCAL, 0x0A, "local write"},
    };
    begin();
    put("a.yaml", "taretrace: 1\nwrites:\n  0x000D: {name: common write}\n  0x0A: {name: local write}\n"
                  "controls:\n  0x0A: {name: local control}\n  0x000C: {name: common control}\n"
                  "routines:\n  0xA0000C: {name: address 2}\n  0x0B: {name: local 2}\n  0x000009: {name: address}\n"
                  "  0x0A: {name: local}\n"
                  "local identifiers:\n  0x21: {name: mat}\nidentification:\n  0x90: {name: vehicle}\n"
                  "identifiers:\n  0x2190: {name: common}\n"
                  "module: {name: a, services: iso14230, address: {request: 0x5E3, response: 0x6C5}}\n");
    put("b.yaml", "taretrace: 1\nroutines: {0x0A: {name: other}}\n"
                  "module: {name: b, address: {request: 0x5E4, response: 0x6C4}}\n");
    load(2, LOAD_OK);
    assert_int_equal(rig.definitions.action_count, 9);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        const struct def_action *action = definitions_action(&rig.definitions, 0, cases[i].kind, cases[i].key);
        assert_non_null(action);
        assert_string_equal(action->name, cases[i].name);
    }
    assert_string_equal(definitions_routine(&rig.definitions, 1, 0x0A)->name, "other");
    assert_null(definitions_action(&rig.definitions, 1, ACTION_WRITE_LOCAL, 0x0A));
    assert_null(definitions_action(&rig.definitions, 0, ACTION_ROUTINE, 9));
    const struct def_module *module = &rig.definitions.modules[0];
    assert_int_equal(module->dialect, DIALECT_ISO14230);
    assert_string_equal(definitions_local_identifier(module, 0x21)->name, "mat");
    assert_null(definitions_local_identifier(module, 0x90));
    assert_string_equal(definitions_identification(module, 0x90)->name, "vehicle");
    assert_string_equal(definitions_identifier(module, 0x2190)->name, "common");
    end();
}

static void parts_of_actions(void **state)
{
    (void)state;
    begin();
    put("a.yaml", HEAD "controls:\n  0x4A20:\n    name: tare\n    set: {request: {mode: {byte: 0}}, answer: {state: "
                       "{byte: 0, names: {0: stored, 1: busy}}}}\n    return: {answer: {state: {byte: 1}}}\n"
                       "writes:\n  0xF1A1: {name: offset, write: {answer: {result: {byte: 0, names: {0: taken}}}}}\n"
                       "procedure:\n  - {step: a, opens attempt: yes, action: tare, outcome: {field: set.state, "
                       "confirmed: [stored], waiting: [busy]}}\n"
                       "  - {step: b, action: offset, outcome: {field: write.result, confirmed: [taken]}}\n");
    load(1, LOAD_OK);
    const struct def_action *tare = definitions_action(&rig.definitions, 0, ACTION_CONTROL, 0x4A20);
    assert_non_null(tare);
    assert_true(tare->parts[PART_START].defined && tare->parts[PART_STOP].defined);
    assert_false(tare->parts[PART_RESULTS].defined);
    assert_int_equal(tare->parts[PART_START].request.field_count, 1);
    assert_int_equal(tare->parts[PART_STOP].request.field_count, 0);
    assert_int_equal(tare->parts[PART_STOP].answer.fields[0].byte, 1);
    const struct def_step *step = &rig.definitions.steps[0];
    assert_true(step->opens_attempt && &rig.definitions.actions[step->action] == tare);
    assert_int_equal(step->outcome_part, PART_START);
    assert_string_equal(rig.definitions.readings[step->outcome].name, "tare.set.state");
    assert_int_equal(rig.definitions.steps[1].outcome_part, PART_START);
    assert_string_equal(rig.definitions.readings[tare->parts[PART_START].request.fields[0].reading].name,
                        "tare.set request.mode");
    end();
}

static void states_of_codes(void **state)
{
    (void)state;
    begin();
    put("a.yaml", "taretrace: 1\nmodule: {name: a, services: iso14230, address: {request: 0x5E3, response: 0x6C5}}\n"
                  "codes: {0x9A42: calibration}\nprocedure:\n  - {step: a, codes: {none in: [stored]}}\n"
                  "  - {step: b, codes: {none in: [present, stored], tested: since clear}}\n"
                  "  - {step: c, answered: StopDiagnosticSession}\n");
    load(1, LOAD_OK);
    const struct def_step *steps = rig.definitions.steps;
    assert_true(!steps[0].none_present && steps[0].none_stored && steps[0].none_with == 0);
    assert_int_equal(steps[0].tested, TESTED_NOT_ASKED);
    assert_true(steps[1].none_present && steps[1].none_stored);
    assert_int_equal(steps[1].tested, TESTED_SINCE_CLEAR);
    assert_int_equal(steps[2].service, 0x20);
    assert_string_equal(definitions_code_text(&rig.definitions.modules[0], 0x9A42), "calibration");
    end();
}

/* 0 -> 5, 10 -> 7, 30 -> 6: slopes 1/5 and -1/20, so all stands over 20. */
static void a_curve_over_one_denominator(void **state)
{
    (void)state;
    begin();
    put("a.yaml", HEAD "identifiers:\n  0x3C40:\n    name: load\n    fields:\n      a: {byte: 0, curve: [[0, 5], "
                       "[10, 7], [30, 6]]}\n      b: {byte: 1, when: {field: a, is: 3}}\n");
    load(1, LOAD_OK);
    const struct def_field *field = &rig.definitions.modules[0].identifiers[0].record.fields[0];
    assert_int_equal(field->curve_count, 2);
    assert_true(rig.definitions.readings[field->reading].denominator == 20);
    assert_true(field->curve[0].from == 0 && field->curve[0].to == 10);
    assert_true(field->curve[0].slope == 4 && field->curve[0].base == 100);
    assert_true(field->curve[1].from == 10 && field->curve[1].to == 30);
    assert_true(field->curve[1].slope == -1 && field->curve[1].base == 140);
    assert_int_equal(field->when_field, DEF_NONE);
    assert_int_equal(field[1].when_field, 0);
    assert_int_equal(field[1].when_is, 3);
    end();
}

/* 2^40 * 2^72 = 2^112, the documented bound. */
static void a_float_has_72_places(void **state)
{
    (void)state;
    begin();
    put("a.yaml", HEAD "identifiers:\n  0x3C40:\n    name: load\n    fields:\n      a: {byte: 0, type: float}\n");
    load(1, LOAD_OK);
    const struct def_field *field = &rig.definitions.modules[0].identifiers[0].record.fields[0];
    assert_int_equal(field->length, 4);
    tt_wide denominator = rig.definitions.readings[field->reading].denominator;
    assert_true(denominator == (tt_wide)1 << 72);
    assert_true(field->factor == denominator && field->offset == 0);
    end();
}

static void included_sections_count_as_the_files_own(void **state)
{
    (void)state;
    begin();
    put("seat.yaml", HEAD "include: [shared.yaml]\ncodes: {0x9A0001: own}\n"
                          "procedure: [{step: a, reading: shared load.load, is: [one]}]\n");
    put("display.yaml", "taretrace: 1\nmodule: {name: display, address: {request: 0x5E4, response: 0x6C4}}\n"
                        "include: [codes.yaml]\n");
    put("shared.yaml",
        "taretrace: 1\ninclude: [codes.yaml]\nidentifiers:\n  0x3C40: {name: shared load, fields: {load: "
        "{byte: 0, names: {1: one}}}}\n");
    put("codes.yaml", "taretrace: 1\ncodes: {0x9A0002: shared}\n");
    load(2, LOAD_OK);
    assert_int_equal(rig.definitions.file_count, 4); /* each once, those given first */
    assert_string_equal(rig.definitions.files[0].name, "seat.yaml");
    assert_string_equal(rig.definitions.files[1].name, "display.yaml");
    assert_string_equal(rig.definitions.files[2].name, "shared.yaml");
    assert_string_equal(rig.definitions.files[3].name, "codes.yaml");
    for (uint32_t i = 0; i < 4; i++) {
        char sum[DIGEST_TEXT];
        assert_true(digest_of(rig.definitions.files[i].bytes, rig.definitions.files[i].length, sum));
        assert_string_equal(rig.definitions.files[i].sha256, sum);
    }
    for (uint32_t i = 0; i < 2; i++)
        assert_string_equal(definitions_code_text(&rig.definitions.modules[i], 0x9A0002), "shared");
    assert_string_equal(definitions_code_text(&rig.definitions.modules[0], 0x9A0001), "own");
    assert_null(definitions_code_text(&rig.definitions.modules[1], 0x9A0001));
    const struct def_identifier *shared = definitions_identifier(&rig.definitions.modules[0], 0x3C40);
    assert_non_null(shared);
    assert_int_equal(shared->record.place.file, 2);
    assert_int_equal(shared->record.place.line, 4);
    end();
}

/* As a job folder has them side by side. */
static void included_files_may_be_given_too(void **state)
{
    (void)state;
    begin();
    put("codes.yaml", "taretrace: 1\ncodes: {0x9A0002: shared}\n");
    put("seat.yaml", HEAD "include: [codes.yaml]\n");
    load(2, LOAD_OK);
    assert_int_equal(rig.definitions.file_count, 2);
    assert_int_equal(rig.definitions.module_count, 1);
    assert_int_equal(rig.definitions.modules[0].code_count, 1);
    end();
    begin();
    put("codes.yaml", "taretrace: 1\ncodes: {0x9A0002: shared}\n");
    load(1, LOAD_MISTAKES);
    says("a definition file needs \"module\"; add it");
    end();
}

static void mistakes_of_included_files(void **state)
{
    (void)state;
    begin();
    put("seat.yaml", HEAD "include: [a.yaml]\n");
    put("a.yaml", "taretrace: 1\ninclude: [b.yaml]\n");
    put("b.yaml", "taretrace: 1\ninclude:\n  - a.yaml\n");
    load(1, LOAD_MISTAKES);
    says("b.yaml:3:5: \"a.yaml\" includes itself through others, which would never end; take this away\n");
    assert_int_equal(rig.diagnostics.errors, 1);
    end();
    begin();
    put("seat.yaml", HEAD "include: [codes.yaml]\ncodes: {0x9A0002: own}\n");
    put("codes.yaml", "taretrace: 1\ncodes:\n  0x9A0002: shared\n  0x9A0003: [a]\nmodule: {name: b}\n");
    load(1, LOAD_MISTAKES);
    says("codes.yaml:3:3: \"0x9A0002\" is the same number as \"0x9A0002\" in line 4 of seat.yaml; a number stands "
         "once");
    says("codes.yaml:4:13: the text of a trouble code must be a text, not a list");
    says("codes.yaml:5:1: an included file has no key \"module\"");
    assert_int_equal(rig.diagnostics.errors, 3);
    end();
    begin();
    put("seat.yaml", HEAD "include: [a.yaml]\nprocedure: [{step: a, reading: far.away, is: [one]}]\n");
    put("a.yaml", "taretrace: 1\ncodes: {0x9A0002: [}\n");
    load(1, LOAD_MISTAKES); /* what is missing may stand behind the syntax error */
    assert_int_equal(rig.diagnostics.errors, 1);
    says("a.yaml:2:20: ");
    end();
}

static void hostile_includes_end(void **state)
{
    (void)state;
    begin();
    put("seat.yaml", HEAD "include: [pipe, folder]\n");
    char pipe[96], folder[96];
    snprintf(pipe, sizeof pipe, "%s/pipe", rig.folder);
    snprintf(folder, sizeof folder, "%s/folder", rig.folder);
    assert_int_equal(mkfifo(pipe, 0600), 0);
    assert_int_equal(mkdir(folder, 0700), 0);
    load(1, LOAD_MISTAKES);
    says("\"pipe\" is no ordinary file; name one");
    says("\"folder\" is no ordinary file; name one");
    assert_int_equal(rig.diagnostics.errors, 2);
    unlink(pipe);
    rmdir(folder);
    end();
    begin(); /* nine deep */
    put("seat.yaml", HEAD "include: [i0]\n");
    for (int i = 0; i < 9; i++) {
        char name[8], text[64];
        snprintf(name, sizeof name, "i%d", i);
        snprintf(text, sizeof text, "taretrace: 1\ninclude: [i%d]\n", i + 1);
        put(name, i < 8 ? text : "taretrace: 1\n");
    }
    load(1, LOAD_MISTAKES);
    says("more than 8 deep");
    assert_int_equal(rig.diagnostics.errors, 1);
    end();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(addresses),
        cmocka_unit_test(ids_are_told_apart_by_their_bytes),
        cmocka_unit_test(broadcasts_by_id_word),
        cmocka_unit_test(actions_by_kind_and_key),
        cmocka_unit_test(parts_of_actions),
        cmocka_unit_test(states_of_codes),
        cmocka_unit_test(a_curve_over_one_denominator),
        cmocka_unit_test(a_float_has_72_places),
        cmocka_unit_test(included_sections_count_as_the_files_own),
        cmocka_unit_test(included_files_may_be_given_too),
        cmocka_unit_test(mistakes_of_included_files),
        cmocka_unit_test(hostile_includes_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
