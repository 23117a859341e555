/*
 * Doubtful but loadable things (D 6.2): limits no value can meet or miss, fields that cut through each other, steps
 * that can never be confirmed. Works on the finished model alone.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../decoder/support/shortage.h"
#include "loader.h"
#include "mistakes.h"

#define LINT_RANGE_MAX ((tt_wide)1 << 120) /* no numerator of a reading reaches it */
#define PAIRS_MOST     512 /* fields of one record that are compared with each other */

struct range { /* the numerators a reading can take; low > high: unknown */
    tt_wide low, high;
};

struct lint {
    const struct definitions *definitions;
    struct mistakes mistakes;
    struct range *ranges; /* by reading */
};

#define WARN(lint, place, ...) mistakes_add(&(lint)->mistakes, SEVERITY_WARNING, place, __VA_ARGS__)

static bool is_number(const struct def_field *field)
{
    return field->type != FIELD_TEXT && field->type != FIELD_BYTES;
}

/* Ends of a line between two numbers, either way up. */
static struct range between(tt_wide a, tt_wide b)
{
    return a < b ? (struct range){a, b} : (struct range){b, a};
}

/* All values of a curve lie between those of its points. */
static struct range curve_range(const struct def_field *field)
{
    struct range range = {0, 0};
    for (uint32_t i = 0; i < field->curve_count; i++) {
        const struct def_curve_piece *piece = &field->curve[i];
        struct range part = between(piece->base, piece->base + ((tt_wide)piece->to - piece->from) * piece->slope);
        range.low = i == 0 || part.low < range.low ? part.low : range.low;
        range.high = i == 0 || part.high > range.high ? part.high : range.high;
    }
    return range;
}

/* Ends of the values, less what `valid` takes away (values outside it are no samples). A float's are not known. */
static struct range field_range(const struct def_field *field)
{
    if (field->type == FIELD_FLOAT && !field->has_valid)
        return (struct range){1, 0};
    tt_wide top = field->mask_bits >= 64 ? (tt_wide)UINT64_MAX : ((tt_wide)1 << field->mask_bits) - 1;
    tt_wide low = 0, high = top;
    if (field->type == FIELD_SIGNED) {
        high = top / 2; /* 2^(n-1) - 1 */
        low = -high - 1;
    }
    struct range range = field->type == FIELD_FLOAT ? (struct range){1 - LINT_RANGE_MAX, LINT_RANGE_MAX - 1}
                         : field->curve
                             ? curve_range(field)
                             : between(low * field->factor + field->offset, high * field->factor + field->offset);
    if (field->has_valid && field->valid_low > range.low)
        range.low = field->valid_low;
    if (field->has_valid && field->valid_high < range.high)
        range.high = field->valid_high;
    return range;
}

/* Fields first: sums are made of them. */
static void range_record(struct lint *lint, const struct def_record *record)
{
    for (uint32_t i = 0; i < record->field_count; i++) {
        const struct def_field *field = &record->fields[i];
        if (is_number(field))
            lint->ranges[field->reading] = field_range(field);
    }
    for (uint32_t i = 0; i < record->derived_count; i++) {
        const struct def_derived *derived = &record->derived[i];
        struct range sum = {0, 0};
        bool known = true;
        for (uint32_t j = 0; j < derived->field_count; j++) { /* factors of units are positive */
            const struct range *part = &lint->ranges[record->fields[derived->fields[j]].reading];
            known &= part->low <= part->high;
            if (!known)
                break;
            sum.low += part->low * derived->factors[j];
            sum.high += part->high * derived->factors[j];
        }
        lint->ranges[derived->reading] = known ? sum : (struct range){1, 0};
    }
}

/* Bits of byte `byte` of the record that a number field takes. */
static uint8_t bits_in_byte(const struct def_field *field, uint32_t byte)
{
    if (byte < field->byte || byte - field->byte >= field->length)
        return 0;
    uint32_t place = byte - field->byte;
    uint32_t shift = 8 * (field->little ? place : field->length - 1 - place);
    return (uint8_t)(field->mask >> shift);
}

/* One field inside the other is a second look at the same bits; cutting through is a slip. */
static bool cut_through(const struct def_field *a, const struct def_field *b)
{
    bool common = false, only_a = false, only_b = false;
    uint32_t first = a->byte < b->byte ? a->byte : b->byte;
    uint32_t a_end = a->byte + a->length, b_end = b->byte + b->length, end = a_end > b_end ? a_end : b_end;
    if (a_end <= b->byte || b_end <= a->byte)
        return false;
    for (uint32_t byte = first; byte < end; byte++) {
        uint8_t in_a = bits_in_byte(a, byte), in_b = bits_in_byte(b, byte);
        common |= (in_a & in_b) != 0;
        only_a |= (in_a & ~in_b) != 0;
        only_b |= (in_b & ~in_a) != 0;
    }
    return common && only_a && only_b;
}

/* Of two pages the bits may well overlap. */
static bool on_other_pages(const struct def_field *a, const struct def_field *b)
{
    return a->when_field != DEF_NONE && a->when_field == b->when_field && a->when_is != b->when_is;
}

static void lint_record(struct lint *lint, const struct def_record *record)
{
    const struct def_reading *readings = lint->definitions->readings;
    range_record(lint, record);
    if (record->field_count > PAIRS_MOST)
        return;
    for (uint32_t i = 1; i < record->field_count; i++) {
        for (uint32_t j = 0; j < i; j++) {
            const struct def_field *a = &record->fields[j], *b = &record->fields[i];
            if (!is_number(a) || !is_number(b) || on_other_pages(a, b) || !cut_through(a, b))
                continue;
            WARN(lint, readings[b->reading].place, "the bits of this field and of \"%.200s\" (line %u) overlap in part",
                 readings[a->reading].name, readings[a->reading].place.line);
            break;
        }
    }
}

struct named_record {
    const char *name;
    struct def_place place;
};

static int by_name(const void *left, const void *right)
{
    const struct named_record *a = left, *b = right;
    int order = strcmp(a->name, b->name);
    if (order == 0 && a->place.file != b->place.file)
        return a->place.file < b->place.file ? -1 : 1;
    return order ? order : a->place.line < b->place.line ? -1 : a->place.line > b->place.line;
}

/* Two identifiers or broadcasts of one name cannot be told apart in a listing. */
static void lint_names(struct lint *lint, const struct def_module *module)
{
    size_t count = 0, room = (size_t)module->identifier_count + module->local_identifier_count +
                             module->identification_count + module->broadcast_count;
    struct named_record *names = room ? malloc(room * sizeof *names) : NULL;
    if (!names)
        return;
    const struct def_identifier *lists[] = {module->identifiers, module->local_identifiers, module->identification};
    const uint32_t counts[] = {module->identifier_count, module->local_identifier_count, module->identification_count};
    for (size_t list = 0; list < 3; list++)
        for (uint32_t i = 0; i < counts[list]; i++)
            names[count++] = (struct named_record){lists[list][i].name, lists[list][i].record.place};
    for (uint32_t i = 0; i < module->broadcast_count; i++)
        names[count++] = (struct named_record){module->broadcasts[i].name, module->broadcasts[i].record.place};
    qsort(names, count, sizeof *names, by_name);
    for (size_t i = 1; i < count; i++) {
        bool here = names[i].place.file == names[i - 1].place.file;
        if (strcmp(names[i].name, names[i - 1].name) == 0)
            WARN(lint, names[i].place, "\"%.200s\" is also the name of what line %u%s%.200s describes", names[i].name,
                 names[i - 1].place.line, here ? "" : " of ",
                 here ? "" : lint->definitions->files[names[i - 1].place.file].name);
    }
    free(names);
}

static void lint_identifiers(struct lint *lint, const struct def_identifier *list, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++)
        lint_record(lint, &list[i].record);
}

static void lint_modules(struct lint *lint)
{
    const struct definitions *definitions = lint->definitions;
    for (uint32_t i = 0; i < definitions->module_count; i++) {
        const struct def_module *module = &definitions->modules[i];
        lint_identifiers(lint, module->identifiers, module->identifier_count);
        lint_identifiers(lint, module->local_identifiers, module->local_identifier_count);
        lint_identifiers(lint, module->identification, module->identification_count);
        for (uint32_t j = 0; j < module->broadcast_count; j++)
            lint_record(lint, &module->broadcasts[j].record);
        lint_names(lint, module);
    }
    for (uint32_t i = 0; i < definitions->action_count; i++) {
        for (int part = PART_START; part <= PART_RESULTS; part++) {
            lint_record(lint, &definitions->actions[i].parts[part].answer);
            lint_record(lint, &definitions->actions[i].parts[part].request);
        }
    }
}

/* low..high against what the reading can take. */
static void lint_limits(struct lint *lint, uint32_t reading, const struct def_limits *limits, struct def_place place)
{
    const struct def_reading *named = &lint->definitions->readings[reading];
    struct range range = lint->ranges[reading];
    char low[RATIO_TEXT_MAX], high[RATIO_TEXT_MAX];
    bool exact;
    if (range.low > range.high)
        return;
    ratio_print(range.low, named->denominator, low, &exact);
    ratio_print(range.high, named->denominator, high, &exact);
    if (limits->low_n > range.high || limits->high_n < range.low)
        WARN(lint, place, "no value can lie between these limits: \"%.200s\" goes from %s to %s %s", named->name, low,
             high, named->unit);
    else if (limits->safe_low_n > limits->safe_high_n)
        WARN(lint, place, "no value of \"%.200s\" lies between these limits: they are closer than its steps",
             named->name);
    else if (limits->low_n <= range.low && limits->high_n >= range.high)
        WARN(lint, place, "every value lies between these limits: \"%.200s\" goes from %s to %s %s", named->name, low,
             high, named->unit);
}

/* What can be told from ranges alone; overlap with other steps is the loader's matter. */
static void lint_reading_step(struct lint *lint, const struct def_step *step)
{
    if (step->applied && !step->mark)
        WARN(lint, step->place,
             "\"applied\" without \"mark\": nobody can state the weight, so this step is never confirmed");
    if (step->has_between)
        lint_limits(lint, step->reading, &step->limits, step->place);
    struct range range = lint->ranges[step->reading];
    bool out_of_reach =
        (step->has_above && step->above_n > range.high) || (step->has_below && step->below_n < range.low);
    if (range.low <= range.high && out_of_reach)
        WARN(lint, step->place, "no value of \"%.200s\" can meet \"select\"",
             lint->definitions->readings[step->reading].name);
    else if (step->has_between && ((step->has_above && step->above_n > step->limits.safe_high_n) ||
                                   (step->has_below && step->below_n < step->limits.safe_low_n)))
        WARN(lint, step->place,
             "no value that meets \"select\" lies inside \"between\", so this step is never confirmed");
}

static void lint_procedure(struct lint *lint)
{
    const struct definitions *definitions = lint->definitions;
    const struct def_step *action = NULL;
    bool opens = false;
    for (uint32_t i = 0; i < definitions->condition_count; i++) {
        const struct def_condition *condition = &definitions->conditions[i];
        if (condition->reading != DEF_NONE && condition->is_count == 0)
            lint_limits(lint, condition->reading, &condition->limits, condition->place);
    }
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (step->kind == STEP_READING)
            lint_reading_step(lint, step);
        if (step->kind == STEP_ACTION && !action)
            action = step;
        opens |= step->opens_attempt;
        if (step->kind == STEP_CODES && step->tested == TESTED_NOT_ASKED)
            WARN(lint, step->place, "without \"tested\" a code that was cleared and not tested again counts as gone");
    }
    if (action && !opens)
        WARN(lint, action->place,
             "no step has \"opens attempt: yes\", so doing this again leaves earlier proofs standing");
    if (definitions->main_module != DEF_NONE && definitions->step_count == 0)
        WARN(lint, (struct def_place){definitions->modules[definitions->main_module].file, 0, 0},
             "there are conditions but no step, so nothing can be judged");
}

void definitions_lint(const struct definitions *definitions, struct diagnostics *diagnostics)
{
    struct lint lint = {.definitions = definitions};
    struct arena arena;
    arena_init(&arena, (size_t)256 << 20);
    lint.ranges = arena_take(&arena, definitions->reading_count * sizeof *lint.ranges);
    if (lint.ranges && mistakes_init(&lint.mistakes, &arena, definitions->files, definitions->file_count)) {
        for (uint32_t i = 0; i < definitions->reading_count; i++)
            lint.ranges[i] = (struct range){1, 0};
        lint_modules(&lint);
        lint_procedure(&lint);
        mistakes_tell(&lint.mistakes, diagnostics);
        if (lint.mistakes.no_memory) /* told */
            shortage_note();
    } else {
        shortage_note();
        diagnostics_say(diagnostics, SEVERITY_WARNING, NULL, "memory ran out; doubtful things were not looked for");
    }
    arena_free(&arena);
}
