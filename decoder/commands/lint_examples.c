/* See lint_examples.h. */
#include "lint_examples.h"

#include <stdio.h>
#include <string.h>

#include "../stages/record.h"

#define SHOWN_MAX 200

/* One example being run: what it says, and what came out. */
struct run {
    const struct definitions *definitions;
    struct diagnostics *diagnostics;
    const struct def_example *example;
    uint64_t met[4]; /* bit i: gives[i] came out; more than 256 given values are looked up one by one */
    uint64_t met_count;
};

/* The line of a file, for the caret. */
static void say_at(const struct run *run, struct def_place place, const char *what)
{
    const struct def_file *file = &run->definitions->files[place.file];
    const char *line = file->bytes, *end = file->bytes + file->length;
    for (uint32_t i = 1; i < place.line && line < end; i++) {
        const char *next = memchr(line, '\n', (size_t)(end - line));
        line = next ? next + 1 : end;
    }
    const char *stop = memchr(line, '\n', (size_t)(end - line));
    size_t length = (size_t)((stop ? stop : end) - line);
    if (length > 0 && line[length - 1] == '\r')
        length--;
    diagnostics_at(run->diagnostics, SEVERITY_ERROR, file->path, place.line, place.column, line, length, "%s", what);
}

/* What a value is, as the file would state it. */
static void describe(const struct def_reading *reading, const struct value *value, char out[SHOWN_MAX])
{
    char number[RATIO_TEXT_MAX];
    bool exact;
    if (value->state == VALUE_ABSENT) {
        (void)snprintf(out, SHOWN_MAX, "absent");
    } else if (value->state == VALUE_INVALID && !value->has_number) {
        (void)snprintf(out, SHOWN_MAX, "%.100s%sinvalid", value->name ? value->name : "", value->name ? ", " : "");
    } else if (value->name && !value->has_number) {
        (void)snprintf(out, SHOWN_MAX, "%s", value->name);
    } else if (value->has_number) {
        (void)ratio_print(value->numerator, reading->denominator, number, &exact);
        (void)snprintf(out, SHOWN_MAX, "%s%s%.40s%s%.60s%s%s", number, reading->unit[0] ? " " : "", reading->unit,
                       value->name ? " (" : "", value->name ? value->name : "", value->name ? ")" : "",
                       value->state == VALUE_INVALID ? ", outside valid" : "");
    } else if (reading->kind == READING_TEXT) {
        (void)snprintf(out, SHOWN_MAX, "%.*s", value->length < 100 ? (int)value->length : 100,
                       (const char *)value->bytes);
    } else {
        size_t used = 0;
        for (uint32_t i = 0; i < value->length && used + 4 < SHOWN_MAX; i++)
            used += (size_t)snprintf(out + used, SHOWN_MAX - used, "%02x", value->bytes[i]);
        out[used] = '\0';
    }
}

/* Hex text, spaces between bytes allowed, against bytes. */
static bool same_hex(const char *text, const uint8_t *bytes, uint32_t length)
{
    uint32_t at = 0;
    bool high = true;
    unsigned byte = 0;
    for (; *text; text++) {
        const char *digits = "0123456789abcdef", *digit;
        if (*text == ' ' && high)
            continue;
        digit = strchr(digits, *text | 0x20);
        if (!digit || at == length)
            return false;
        byte = byte << 4 | (unsigned)(digit - digits);
        if (!high && (uint8_t)byte != bytes[at++])
            return false;
        high = !high;
        byte = high ? 0 : byte;
    }
    return high && at == length;
}

static bool same(const struct def_reading *reading, const struct def_given *given, const struct value *value)
{
    if (given->is_number) {
        struct ratio number;
        return value->has_number && ratio_make(value->numerator, reading->denominator, &number) &&
               ratio_compare(number, given->value) == 0;
    }
    if (value->state == VALUE_ABSENT)
        return strcmp(given->text, "absent") == 0;
    if (value->state == VALUE_INVALID && !value->has_number && strcmp(given->text, "invalid") == 0)
        return true;
    if (value->name)
        return strcmp(given->text, value->name) == 0;
    if (reading->kind == READING_TEXT)
        return strlen(given->text) == value->length && memcmp(given->text, value->bytes, value->length) == 0;
    return reading->kind == READING_BYTES && same_hex(given->text, value->bytes, value->length);
}

static void on_value(void *context, const struct value *value)
{
    struct run *run = context;
    const struct def_reading *reading = &run->definitions->readings[value->reading];
    for (uint32_t i = 0; i < run->example->given_count; i++) {
        const struct def_given *given = &run->example->gives[i];
        if (given->reading != value->reading)
            continue;
        run->met_count++;
        if (i < 256)
            run->met[i / 64] |= UINT64_C(1) << i % 64;
        if (same(reading, given, value))
            continue;
        char shown[SHOWN_MAX], what[SHOWN_MAX + 300];
        describe(reading, value, shown);
        (void)snprintf(what, sizeof what, "these bytes give %s for %.200s; correct this value, or the field's byte, mask, factor or offset", shown, reading->name);
        say_at(run, given->place, what);
    }
}

static void run_example(const struct definitions *definitions, const struct def_record *record,
                        const struct def_example *example, struct diagnostics *diagnostics)
{
    struct run run = {.definitions = definitions, .diagnostics = diagnostics, .example = example};
    struct record_result result;
    char what[200];
    record_decode(definitions, record, example->bytes, example->length, on_value, &run, &result);
    if (result.missing_fields) {
        (void)snprintf(what, sizeof what,
                       "the example has %u bytes, but the fields need %u; give the bytes behind what the answer echoes",
                       (unsigned)example->length, (unsigned)result.needed);
        say_at(&run, example->place, what);
    } else if (record->length != DEF_NONE && example->length != record->length) {
        (void)snprintf(what, sizeof what, "the example has %u bytes, but length says %u; correct one of them", (unsigned)example->length,
                       (unsigned)record->length);
        say_at(&run, example->place, what);
    }
    for (uint32_t i = 0; run.met_count < example->given_count && i < example->given_count && i < 256; i++)
        if (!(run.met[i / 64] >> i % 64 & 1))
            say_at(&run, example->gives[i].place,
                   "these bytes give no such value: they are too few, or it has a part that does not fit; "
                   "give more bytes, or leave the value out");
}

static uint64_t run_record(const struct definitions *definitions, const struct def_record *record,
                           struct diagnostics *diagnostics)
{
    for (uint32_t i = 0; i < record->example_count; i++)
        run_example(definitions, record, &record->examples[i], diagnostics);
    return record->example_count;
}

static uint64_t run_identifiers(const struct definitions *definitions, const struct def_identifier *list,
                                uint32_t list_count, struct diagnostics *diagnostics)
{
    uint64_t count = 0;
    for (uint32_t i = 0; i < list_count; i++)
        count += run_record(definitions, &list[i].record, diagnostics);
    return count;
}

uint64_t lint_examples(const struct definitions *definitions, struct diagnostics *diagnostics)
{
    uint64_t count = 0;
    for (uint32_t i = 0; i < definitions->module_count; i++) {
        const struct def_module *module = &definitions->modules[i];
        count += run_identifiers(definitions, module->identifiers, module->identifier_count, diagnostics);
        count += run_identifiers(definitions, module->local_identifiers, module->local_identifier_count, diagnostics);
        count += run_identifiers(definitions, module->identification, module->identification_count, diagnostics);
        for (uint32_t j = 0; j < module->broadcast_count; j++)
            count += run_record(definitions, &module->broadcasts[j].record, diagnostics);
    }
    for (uint32_t i = 0; i < definitions->action_count; i++)
        for (int part = PART_START; part <= PART_RESULTS; part++)
            if (definitions->actions[i].parts[part].defined)
                count += run_record(definitions, &definitions->actions[i].parts[part].answer, diagnostics);
    return count;
}
