/* The bytes of one kind of answer: fields, derived sums, examples (D 6.3, 6.8); see load.h. */
#include <stdio.h>
#include <string.h>

#include "load.h"

void load_record(struct load *load, uint32_t module, const char *name, const struct node *head,
                 const struct record_source *source, struct def_record *record)
{
    uint64_t length;
    *record = (struct def_record){.name = name, .length = DEF_NONE, .place = load_place(head)};
    if (source->length && load_whole(load, source->length, "length", 1, source->length_max, &length))
        record->length = (uint32_t)length;
    const struct node *fields = source->fields;
    if (fields && load_is(load, fields, NODE_MAP, "\"fields\"")) {
        record->fields = load_keep(load, fields->count, sizeof *record->fields);
        for (const struct node *node = fields->first; node && record->fields; node = node->next) {
            uint32_t index = record->field_count;
            if (load_field(load, module, record, source->length_max, node, index, &record->fields[index]))
                record->field_count++;
            else
                record->fields[index] = (struct def_field){0};
        }
    }
    if (source->derived)
        load_derived(load, module, record, source->derived);
    if (source->examples)
        load_examples(load, module, record, source->examples);
}

uint32_t load_find_here(struct load *load, uint32_t module, const struct def_record *record, uint32_t first,
                        const char *name)
{
    char long_name[4 * (DEF_NAME_MAX + 8)];
    int length =
        snprintf(long_name, sizeof long_name, "%s/%s.%s", load->definitions->modules[module].name, record->name, name);
    if (length < 0 || (size_t)length >= sizeof long_name)
        return DEF_NONE;
    uint32_t index = names_find(&load->long_names, long_name);
    return index != DEF_NONE && index >= first ? index : DEF_NONE;
}

const char *load_nearest_here(struct load *load, uint32_t first, const struct def_record *record, const char *name,
                              bool fields_only)
{
    const struct definitions *definitions = load->definitions;
    size_t prefix = strlen(record->name) + 1;
    uint32_t count = 0, most = definitions->reading_count - first;
    if (load->mistakes.more || 16 * (uint64_t)most > load->nearest_budget)
        return "";
    load->nearest_budget -= most;
    const char **names = load_scratch(load, most, sizeof *names);
    for (uint32_t i = 0; names && i < most; i++)
        if (!fields_only || load->extras[first + i].field != DEF_NONE)
            names[count++] = definitions->readings[first + i].name + prefix;
    return names ? load_nearest(load, name, names, count) : "";
}

uint32_t load_first_reading(const struct load *load, const struct def_record *record)
{
    return record->field_count ? record->fields[0].reading : load->definitions->reading_count;
}

struct part { /* of a sum */
    const struct node *node;
    uint32_t reading;
    struct ratio step; /* what 1 of its numerator is in the sum's unit */
};

/* step of each part, and the least denominator that makes all of them whole; false on a mistake. */
static bool scale_parts(struct load *load, struct part *parts, uint32_t count, const char *unit, tt_wide *denominator)
{
    *denominator = 1;
    for (uint32_t i = 0; i < count; i++) {
        const struct def_reading *reading = &load->definitions->readings[parts[i].reading];
        struct ratio conversion, least, whole;
        if (!units_convert(ratio_whole(1), reading->unit, unit, &conversion)) {
            load_say(load, parts[i].node,
                     "the sum is in \"%s\", but \"%.60s\" %s%s%s; parts of a sum measure the same thing", unit,
                     parts[i].node->text, reading->unit[0] ? "is in \"" : "has no unit", reading->unit,
                     reading->unit[0] ? "\"" : "");
            return false;
        }
        if (!ratio_multiply(conversion, (struct ratio){1, reading->denominator}, &parts[i].step) ||
            !ratio_make(*denominator, parts[i].step.denominator, &least) ||
            !ratio_multiply((struct ratio){*denominator, 1}, (struct ratio){least.denominator, 1}, &whole) ||
            whole.numerator >= LOAD_DENOMINATOR_BOUND) {
            load_say(load, parts[i].node, "the parts of the sum have too many digits together; use fewer, or one unit");
            return false;
        }
        *denominator = whole.numerator;
    }
    return true;
}

/* Fills the model's sum: part numerator * factor adds up over one denominator. */
static bool sum_parts(struct load *load, struct def_derived *derived, const struct part *parts, uint32_t count,
                      tt_wide denominator, tt_wide *largest)
{
    derived->fields = load_keep(load, count, sizeof *derived->fields);
    derived->factors = load_keep(load, count, sizeof *derived->factors);
    if (!derived->fields || !derived->factors)
        return false;
    *largest = 0;
    for (uint32_t i = 0; i < count; i++) {
        tt_wide part;
        derived->fields[i] = load->extras[parts[i].reading].field;
        if (__builtin_mul_overflow(parts[i].step.numerator, denominator / parts[i].step.denominator,
                                   &derived->factors[i]) ||
            __builtin_mul_overflow(load->extras[parts[i].reading].largest, derived->factors[i], &part) ||
            __builtin_add_overflow(*largest, part, largest) || *largest >= LOAD_WIDE_BOUND) {
            load_say(load, parts[i].node, "the sum could grow past 2^120; use fewer digits");
            return false;
        }
    }
    derived->field_count = count;
    return true;
}

/* Looks the parts up; NULL when one is no number field of this record. */
static struct part *find_parts(struct load *load, uint32_t module, const struct def_record *record, uint32_t first,
                               const struct node *list)
{
    bool good = true;
    struct part *parts = load_scratch(load, list->count, sizeof *parts);
    uint32_t count = 0;
    for (const struct node *entry = list->first; entry && parts; entry = entry->next, count++) {
        if (!load_is(load, entry, NODE_TEXT, "a part of a sum"))
            return NULL;
        uint32_t reading = load_find_here(load, module, record, first, entry->text);
        parts[count] = (struct part){entry, reading, {0, 1}};
        if (reading == DEF_NONE || load->extras[reading].field == DEF_NONE) {
            load_say(load, entry, "there is no field \"%.60s\" beside this sum%s", entry->text,
                     load_nearest_here(load, first, record, entry->text, true));
            good = false;
        } else if (load->definitions->readings[reading].kind != READING_NUMBER) {
            load_say(load, entry, "\"%.60s\" is no number; a sum has number fields", entry->text);
            good = false;
        }
        for (uint32_t i = 0; i < count && reading != DEF_NONE; i++)
            if (parts[i].reading == reading) {
                load_say(load, entry, "\"%.60s\" is in this sum already; take one away", entry->text);
                good = false;
                break;
            }
    }
    return good ? parts : NULL;
}

/* Parts are fields of this record and no other sums: a sum of sums would hide which value was missing. */
static void load_sum(struct load *load, uint32_t module, struct def_record *record, uint32_t first,
                     const struct node *node)
{
    static const struct key_rule rules[] = {{"sum", KEY_REQUIRED}, {"unit", KEY_OPTIONAL}};
    const struct node *found[KEY_COUNT(rules)];
    const char *name = load_text(load, node->key, "the name of a derived reading");
    if (!name || !load_map(load, node, "a derived reading", rules, KEY_COUNT(rules), found) || !found[0] ||
        !load_is(load, found[0], NODE_LIST, "sum"))
        return;
    if (found[0]->count == 0 || found[0]->count > DEF_PARTS_MAX) {
        load_say(load, found[0], "a sum has 1 to %d parts, and here are %u; split it", DEF_PARTS_MAX, found[0]->count);
        return;
    }
    const char *unit = found[1] ? load_text(load, found[1], "unit") : NULL;
    struct part *parts = find_parts(load, module, record, first, found[0]);
    if (!parts || (found[1] && !unit))
        return;
    if (!unit)
        unit = load->definitions->readings[parts[0].reading].unit;
    tt_wide denominator, largest;
    struct def_derived derived = {0};
    if (!scale_parts(load, parts, found[0]->count, unit, &denominator) ||
        !sum_parts(load, &derived, parts, found[0]->count, denominator, &largest))
        return;
    struct def_reading reading = {.name = load_join(load, record->name, ".", name),
                                  .unit = unit,
                                  .module = module,
                                  .kind = READING_NUMBER,
                                  .denominator = denominator,
                                  .place = load_place(node->key)};
    if (!reading.name)
        return;
    derived.reading = load_add_reading(load, reading, DEF_NONE, largest);
    record->derived[record->derived_count++] = derived;
}

void load_derived(struct load *load, uint32_t module, struct def_record *record, const struct node *map)
{
    uint32_t first = load_first_reading(load, record);
    if (!load_is(load, map, NODE_MAP, "\"derived\""))
        return;
    record->derived = load_keep(load, map->count, sizeof *record->derived);
    for (const struct node *node = map->first; node && record->derived; node = node->next)
        load_sum(load, module, record, first, node);
}

/* "40 B3 E8" as bytes: two hex digits each, one space between or none. False when it is none. */
static bool parse_hex(const char *text, uint8_t *out, uint32_t *length)
{
    *length = 0;
    while (*text) {
        uint8_t byte = 0;
        for (int i = 0; i < 2; i++, text++) {
            char folded = (char)(*text | 0x20);
            if (*text >= '0' && *text <= '9')
                byte = (uint8_t)(byte << 4 | (*text - '0'));
            else if (folded >= 'a' && folded <= 'f')
                byte = (uint8_t)(byte << 4 | (folded - 'a' + 10));
            else
                return false;
        }
        out[(*length)++] = byte;
        if (*text == ' ' && text[1])
            text++;
    }
    return *length > 0;
}

/* A state name, "absent", yes or no, text, hex, or a quantity in the reading's unit. */
static void load_given(struct load *load, const struct node *node, uint32_t index, struct def_example *example)
{
    const struct def_reading *reading = &load->definitions->readings[index];
    struct def_given given = {.reading = index, .place = load_place(node)};
    if (!load_is(load, node, NODE_TEXT, "a value"))
        return;
    bool named = strcmp(node->text, "absent") == 0 || strcmp(node->text, "invalid") == 0;
    for (uint32_t i = 0; i < reading->name_count; i++)
        named |= strcmp(reading->names[i].text, node->text) == 0;
    if (reading->kind == READING_FLAG) {
        bool answer;
        if (!load_yes_no(load, node, "a flag", &answer))
            return;
    }
    if (reading->kind == READING_NUMBER && !named) {
        struct ratio written;
        given.is_number = true;
        if (!load_in_unit(load, node, "a value", reading, &written, NULL, &given.value))
            return;
    } else {
        given.text = arena_text(&load->definitions->arena, node->text, node->length);
        if (!given.text)
            load->no_memory = true;
    }
    if (reading->kind == READING_BYTES && given.text) { /* as hex digits, lower-case, without spaces */
        char *text = (char *)given.text, *to = text;
        for (const char *from = text; *from; from++)
            if (*from != ' ')
                *to++ = *from >= 'A' && *from <= 'F' ? (char)(*from + ('a' - 'A')) : *from;
        *to = '\0';
    }
    example->gives[example->given_count++] = given;
}

/* Only looked up here; lint runs it, with the decoder of records. */
static void load_example(struct load *load, uint32_t module, struct def_record *record, uint32_t first,
                         const struct node *node)
{
    static const struct key_rule rules[] = {{"bytes", KEY_REQUIRED}, {"gives", KEY_REQUIRED}};
    const struct node *found[KEY_COUNT(rules)];
    if (!load_map(load, node, "an example", rules, KEY_COUNT(rules), found) || !found[0] || !found[1] ||
        !load_is(load, found[0], NODE_TEXT, "bytes") || !load_is(load, found[1], NODE_MAP, "\"gives\""))
        return;
    uint8_t *bytes = load_keep(load, found[0]->length, 1);
    struct def_example *example = &record->examples[record->example_count];
    *example = (struct def_example){.bytes = bytes, .place = load_place(node)};
    example->gives = load_keep(load, found[1]->count, sizeof *example->gives);
    if (!bytes || !example->gives)
        return;
    if (!parse_hex(found[0]->text, bytes, &example->length)) {
        load_say(load, found[0], "these are no bytes; write pairs of hex digits, such as \"40 B3\"");
        return;
    }
    for (const struct node *value = found[1]->first; value; value = value->next) {
        uint32_t reading = load_find_here(load, module, record, first, value->key->text);
        if (reading == DEF_NONE)
            load_say(load, value->key, "nothing here is named \"%.60s\"%s", value->key->text,
                     load_nearest_here(load, first, record, value->key->text, false));
        else
            load_given(load, value, reading, example);
    }
    record->example_count++;
}

void load_examples(struct load *load, uint32_t module, struct def_record *record, const struct node *list)
{
    uint32_t first = load_first_reading(load, record);
    if (!load_is(load, list, NODE_LIST, "\"examples\""))
        return;
    record->examples = load_keep(load, list->count, sizeof *record->examples);
    for (const struct node *node = list->first; node && record->examples; node = node->next)
        load_example(load, module, record, first, node);
}
