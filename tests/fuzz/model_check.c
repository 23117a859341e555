/* See model_check.h. */
#include "model_check.h"

#include <string.h>

#include "../../decoder/stages/record.h"
#include "../../decoder/support/text.h"
#include "fuzz.h"

#define BOUND ((tt_wide)1 << 120) /* definitions/load.h: no numerator of a reading reaches it */

struct decoding {
    const struct definitions *definitions;
    const struct def_record *record;
    const uint8_t *bytes;
    size_t length;
    uint32_t emitted;
};

static void on_value(void *context, const struct value *value)
{
    struct decoding *decoding = context;
    FUZZ_CHECK(value->reading < decoding->definitions->reading_count);
    const struct def_reading *reading = &decoding->definitions->readings[value->reading];
    FUZZ_CHECK(value->numerator < BOUND && value->numerator > -BOUND);
    FUZZ_CHECK(!value->has_number || reading->kind == READING_NUMBER);
    FUZZ_CHECK(value->state != VALUE_ABSENT || !value->has_number);
    FUZZ_CHECK(value->at_count >= 1 && value->at_count <= VALUE_PARTS_MAX);
    for (uint32_t i = 0; i < value->at_count; i++)
        FUZZ_CHECK((uint64_t)value->at[i].offset + value->at[i].length <= decoding->length);
    if (value->bytes)
        FUZZ_CHECK(value->bytes == decoding->bytes + value->at[0].offset && value->length == value->at[0].length);
    if (reading->kind == READING_FLAG && value->name)
        FUZZ_CHECK(strcmp(value->name, "yes") == 0 || strcmp(value->name, "no") == 0);
    decoding->emitted++;
}

static void check_name(const char *name)
{
    /* A full name joins up to four given ones. */
    FUZZ_CHECK(name && name[0] && text_is_clean(name, strlen(name)) && strlen(name) <= 5 * DEF_NAME_MAX);
}

static void check_record(const struct definitions *definitions, const struct def_record *record, const uint8_t *bytes,
                         size_t length)
{
    for (uint32_t i = 0; i < record->field_count; i++) {
        const struct def_field *field = &record->fields[i];
        bool number = field->type != FIELD_TEXT && field->type != FIELD_BYTES;
        FUZZ_CHECK(field->reading < definitions->reading_count);
        FUZZ_CHECK(!number || (field->length >= 1 && field->length <= 8 && field->mask_bits >= 1 &&
                               field->mask_bits == (uint32_t)__builtin_popcountll(field->mask)));
        FUZZ_CHECK(field->when_field == DEF_NONE || field->when_field < i);
        for (uint32_t k = 1; k < field->curve_count; k++)
            FUZZ_CHECK(field->curve[k - 1].to <= field->curve[k].from && field->curve[k].from <= field->curve[k].to);
        for (uint32_t k = 0; k < field->flag_count; k++)
            FUZZ_CHECK(field->flags[k].reading < definitions->reading_count && field->flags[k].mask);
    }
    for (uint32_t i = 0; i < record->derived_count; i++) {
        const struct def_derived *derived = &record->derived[i];
        FUZZ_CHECK(derived->field_count >= 1 && derived->field_count <= DEF_PARTS_MAX);
        for (uint32_t k = 0; k < derived->field_count; k++)
            FUZZ_CHECK(derived->fields[k] < record->field_count);
    }
    struct record_result result;
    for (size_t most = 0; most < 2; most++) { /* nothing, and all */
        struct decoding decoding = {definitions, record, bytes, most ? length : 0, 0};
        record_decode(definitions, record, bytes, decoding.length, on_value, &decoding, &result);
    }
    for (uint32_t i = 0; i < record->example_count; i++) {
        const struct def_example *example = &record->examples[i];
        struct decoding decoding = {definitions, record, example->bytes, example->length, 0};
        record_decode(definitions, record, example->bytes, example->length, on_value, &decoding, &result);
        for (uint32_t k = 0; k < example->given_count; k++)
            FUZZ_CHECK(example->gives[k].reading < definitions->reading_count);
    }
}

static void check_identifiers(const struct definitions *definitions, const struct def_identifier *list, uint32_t count,
                              const uint8_t *bytes, size_t length)
{
    for (uint32_t i = 0; i < count; i++) {
        FUZZ_CHECK(i == 0 || list[i - 1].key < list[i].key);
        check_name(list[i].name);
        check_record(definitions, &list[i].record, bytes, length);
    }
}

static void check_limits(const struct def_limits *limits)
{
    FUZZ_CHECK(limits->has_low || limits->has_high);
    FUZZ_CHECK(limits->safe_low_n >= limits->low_n && limits->safe_high_n <= limits->high_n);
}

static void check_step(const struct definitions *definitions, const struct def_step *step)
{
    check_name(step->name);
    FUZZ_CHECK(step->kind == STEP_RECORD || step->module == DEF_NONE || step->module < definitions->module_count);
    switch (step->kind) {
    case STEP_READING:
    case STEP_IDENTITY:
        FUZZ_CHECK(step->reading < definitions->reading_count);
        if (step->has_between)
            check_limits(&step->limits);
        FUZZ_CHECK(!step->has_steady || step->steady_for > 0);
        FUZZ_CHECK(step->kind != STEP_READING || step->has_between || step->is_count > 0);
        break;
    case STEP_ACTION:
        FUZZ_CHECK(step->action < definitions->action_count);
        FUZZ_CHECK(step->outcome == DEF_NONE ||
                   (step->outcome < definitions->reading_count && step->confirmed_count > 0));
        break;
    default:
        break;
    }
}

void model_check(const struct definitions *definitions, const uint8_t *bytes, size_t length)
{
    for (uint32_t i = 0; i < definitions->reading_count; i++) {
        const struct def_reading *reading = &definitions->readings[i];
        check_name(reading->name);
        check_name(reading->long_name);
        FUZZ_CHECK(reading->denominator > 0 && reading->denominator < (tt_wide)1 << 100);
        FUZZ_CHECK(reading->module < definitions->module_count && reading->unit);
        for (uint32_t k = 0; k < reading->name_count; k++)
            FUZZ_CHECK(definitions_state(reading, reading->names[k].number) == reading->names[k].text);
    }
    for (uint32_t i = 0; i < definitions->module_count; i++) {
        const struct def_module *module = &definitions->modules[i];
        check_name(module->name);
        FUZZ_CHECK(module->p2 > 0 && module->p2_star > 0 && module->n_cr > 0);
        check_identifiers(definitions, module->identifiers, module->identifier_count, bytes, length);
        check_identifiers(definitions, module->local_identifiers, module->local_identifier_count, bytes, length);
        check_identifiers(definitions, module->identification, module->identification_count, bytes, length);
        for (uint32_t k = 0; k < module->broadcast_count; k++) {
            FUZZ_CHECK(definitions_broadcast(module, module->broadcasts[k].id) == &module->broadcasts[k]);
            check_record(definitions, &module->broadcasts[k].record, bytes, length);
        }
        for (uint32_t k = 0; k < module->code_count; k++)
            FUZZ_CHECK(definitions_code_text(module, module->codes[k].code) == module->codes[k].text);
    }
    for (uint32_t i = 0; i < definitions->action_count; i++) {
        const struct def_action *action = &definitions->actions[i];
        FUZZ_CHECK(definitions_action(definitions, action->module, action->kind, action->key) == action);
        for (unsigned part = PART_START; part <= PART_RESULTS; part++) {
            check_record(definitions, &action->parts[part].answer, bytes, length);
            check_record(definitions, &action->parts[part].request, bytes, length);
        }
    }
    FUZZ_CHECK(definitions->step_count <= DEF_STEPS_MAX && definitions->condition_count <= DEF_CONDITIONS_MAX);
    for (uint32_t i = 0; i < definitions->step_count; i++)
        check_step(definitions, &definitions->steps[i]);
    for (uint32_t i = 0; i < definitions->condition_count; i++) {
        const struct def_condition *condition = &definitions->conditions[i];
        FUZZ_CHECK(condition->reading == DEF_NONE || condition->reading < definitions->reading_count);
        if (condition->reading != DEF_NONE && condition->is_count == 0)
            check_limits(&condition->limits);
    }
}
