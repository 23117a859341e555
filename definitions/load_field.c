/* One field of a record (D 6.4); see load.h. */
#include <stdio.h>
#include <string.h>

#include "load.h"

#define TEXT_LENGTH_MAX 4095
#define ABSENT_MAX      256 /* each raw number is compared with all */

enum field_key {
    KEY_BYTE,
    KEY_LENGTH,
    KEY_TYPE,
    KEY_ORDER,
    KEY_MASK,
    KEY_FACTOR,
    KEY_OFFSET,
    KEY_UNIT,
    KEY_ABSENT,
    KEY_NAMES,
    KEY_FLAGS,
    KEY_VALID,
    KEY_CURVE,
    KEY_WHEN,
    KEYS
};
static const struct key_rule rules[KEYS] = {
    {"byte", KEY_REQUIRED},   {"length", KEY_OPTIONAL}, {"type", KEY_OPTIONAL},   {"order", KEY_OPTIONAL},
    {"mask", KEY_OPTIONAL},   {"factor", KEY_OPTIONAL}, {"offset", KEY_OPTIONAL}, {"unit", KEY_OPTIONAL},
    {"absent", KEY_OPTIONAL}, {"names", KEY_OPTIONAL},  {"flags", KEY_OPTIONAL},  {"valid", KEY_OPTIONAL},
    {"curve", KEY_OPTIONAL},  {"when", KEY_OPTIONAL},
};
static const char *const type_words[] = {"unsigned", "signed", "text", "bytes", "float"};

struct field_load { /* one field on its way */
    struct load *load;
    const struct node *node;
    const struct node *found[KEYS];
    struct def_field *field;
    struct def_reading reading;
    tt_wide largest;
    bool good;
};

/* The largest number of so many bits. */
static uint64_t ones(uint32_t bits)
{
    return bits >= 64 ? UINT64_MAX : (UINT64_C(1) << bits) - 1;
}

/* byte, length, type, order, mask: where the raw number stands. */
static void place_in_record(struct field_load *f, uint32_t record_length, uint32_t length_max)
{
    const struct node *const *found = f->found;
    struct load *load = f->load;
    uint64_t byte = 0, length = 1, mask;
    size_t type = FIELD_UNSIGNED, order = 0;
    f->good &= found[KEY_BYTE] && load_whole(load, found[KEY_BYTE], "byte", 0, 0xFFFE, &byte);
    if (found[KEY_TYPE])
        f->good &= load_word(load, found[KEY_TYPE], "type", type_words, 5, &type);
    bool number = type == FIELD_UNSIGNED || type == FIELD_SIGNED || type == FIELD_FLOAT;
    if (type == FIELD_FLOAT)
        length = 4;
    if (found[KEY_LENGTH])
        f->good &= load_whole(load, found[KEY_LENGTH], number ? "length of a number" : "length", 1,
                              number ? 8 : TEXT_LENGTH_MAX, &length);
    if (f->good && type == FIELD_FLOAT && length != 4 && length != 8) {
        load_say(load, found[KEY_LENGTH], "a float has 4 or 8 bytes (IEEE 754); write one of them");
        f->good = false;
    }
    if (found[KEY_ORDER]) {
        static const char *const orders[] = {"big", "little"};
        f->good &= load_word(load, found[KEY_ORDER], "order", orders, 2, &order);
    }
    f->field->type = (enum field_type)type;
    f->field->byte = (uint32_t)byte;
    f->field->length = number || found[KEY_LENGTH] ? (uint32_t)length : DEF_NONE;
    f->field->little = order == 1;
    if (!f->good)
        return;

    uint64_t end = byte + (f->field->length == DEF_NONE ? 1 : length);
    if (record_length != DEF_NONE && end > record_length) {
        load_say(load, load_head(f->node),
                 "the field reaches byte %llu, but there are %u bytes, 0 to %u; correct \"byte\" or a \"length\"",
                 (unsigned long long)end - 1, record_length, record_length - 1);
        f->good = false;
    } else if (end > length_max) {
        load_say(load, load_head(f->node),
                 "the field reaches byte %llu, but there are at most %u bytes, 0 to %u; correct \"byte\" or \"length\"",
                 (unsigned long long)end - 1, length_max, length_max - 1);
        f->good = false;
    }
    if (!number)
        return;
    f->field->mask = ones(8 * (uint32_t)length);
    if (found[KEY_MASK] && type == FIELD_FLOAT) {
        load_say(load, found[KEY_MASK]->key,
                 "\"mask\" does not go with a float, which takes all its bits; take it away");
        f->good = false;
    } else if (found[KEY_MASK]) {
        f->good &= load_whole(load, found[KEY_MASK], "mask", 0, UINT64_MAX, &mask);
        if (f->good && (mask == 0 || mask > f->field->mask)) {
            load_say(load, found[KEY_MASK],
                     mask == 0 ? "a mask of 0 selects nothing; leave it away to take all bits"
                               : "the mask has bits beyond the %u byte(s) of the field; correct it or \"length\"",
                     (unsigned)length);
            f->good = false;
        }
        if (f->good)
            f->field->mask = mask;
    }
    f->field->mask_bits = (uint32_t)__builtin_popcountll(f->field->mask);
}

/* factor and offset, or the curve: number to value (load_scale.c). */
static void scale(struct field_load *f)
{
    const struct node *curve = f->found[KEY_CURVE];
    struct scale_source source = {f->node, f->found[KEY_FACTOR], f->found[KEY_OFFSET], curve};
    if (curve && f->field->type == FIELD_FLOAT) {
        load_say(f->load, curve->key, "\"curve\" is for whole numbers, and this field is of type float; take it away");
        f->good = false;
    }
    for (size_t i = KEY_FACTOR; curve && i <= KEY_OFFSET; i++) {
        if (f->found[i]) {
            load_say(f->load, f->found[i]->key,
                     "\"%s\" does not go with \"curve\", whose pairs are values already; take "
                     "one away",
                     rules[i].key);
            f->good = false;
        }
    }
    f->good = f->good && load_scale(f->load, &source, f->field, &f->reading.denominator, &f->largest);
}

/* when: the record's page must be the field's. Only fields above it and without a page of their own can tell it. */
static void load_when(struct field_load *f, const struct def_record *record, uint32_t index)
{
    static const struct key_rule when[] = {{"field", KEY_REQUIRED}, {"is", KEY_REQUIRED}};
    const struct node *found[2];
    struct load *load = f->load;
    uint64_t number;
    if (!f->found[KEY_WHEN] || !load_map(load, f->found[KEY_WHEN], "\"when\"", when, 2, found))
        return;
    bool good = found[1] && load_whole(load, found[1], "is (a number before factor, offset and sign)", 0, UINT64_MAX,
                                       &number);
    if (!found[0] || !load_is(load, found[0], NODE_TEXT, "field"))
        return;
    const struct def_field *page = NULL;
    uint32_t first = load_first_reading(load, record);
    uint32_t reading = load_find_here(load, f->reading.module, record, first, found[0]->text);
    if (reading != DEF_NONE && load->extras[reading].field < index) {
        f->field->when_field = load->extras[reading].field;
        page = &record->fields[f->field->when_field];
    }
    if (!page)
        load_say(load, found[0], "there is no field \"%.60s\" above this one%s", found[0]->text,
                 load_nearest_here(load, first, record, found[0]->text, true));
    else if (page->type != FIELD_UNSIGNED && page->type != FIELD_SIGNED)
        load_say(load, found[0], "\"%.60s\" is no whole number, so it cannot tell a page; name one that is",
                 found[0]->text);
    else if (page->when_field != DEF_NONE)
        load_say(load, found[0], "\"%.60s\" is not always there itself; a page is told by a field without \"when\"",
                 found[0]->text);
    else if (good && page->mask_bits && number > ones(page->mask_bits))
        load_say(load, found[1], "%.60s can never come; \"%.60s\" has %u bits, so its numbers end at 0x%llX",
                 found[1]->text, found[0]->text, page->mask_bits, (unsigned long long)ones(page->mask_bits));
    else if (good)
        f->field->when_is = number;
}

/* Compared before factor, offset and sign (D 6.4), so only numbers that the selected bits can hold make sense. */
static void load_absent(struct field_load *f)
{
    const struct node *list = f->found[KEY_ABSENT];
    struct load *load = f->load;
    if (!list || !load_is(load, list, NODE_LIST, "absent"))
        return;
    if (list->count > ABSENT_MAX) {
        load_say(load, list, "\"absent\" has more than %d entries; \"valid\" says it shorter", ABSENT_MAX);
        return;
    }
    f->field->absent = load_keep(load, list->count, sizeof *f->field->absent);
    for (const struct node *entry = list->first; entry && f->field->absent; entry = entry->next) {
        uint64_t number;
        if (!load_whole(load, entry, "a number under \"absent\" (before factor, offset and sign)", 0, UINT64_MAX,
                        &number))
            f->good = false;
        else if (f->field->mask_bits && number > ones(f->field->mask_bits))
            load_say(load, entry, "%.60s can never come; the field has %u bits, so its numbers end at 0x%llX",
                     entry->text, f->field->mask_bits, (unsigned long long)ones(f->field->mask_bits));
        else
            f->field->absent[f->field->absent_count++] = number;
    }
}

/* As absent; a name that can never come is a warning: the field may be described wider than this module uses it. */
static void load_names(struct field_load *f)
{
    struct load *load = f->load;
    struct numbered *entries;
    uint32_t count;
    if (!f->found[KEY_NAMES] ||
        !load_numbered(load, f->found[KEY_NAMES], "a number under \"names\" (before factor, offset and sign)",
                       UINT64_MAX, &entries, &count))
        return;
    f->reading.names = load_keep(load, count, sizeof *f->reading.names);
    for (uint32_t i = 0; i < count && f->reading.names; i++) {
        const struct node *key = entries[i].value->key;
        const char *text = load_text(load, entries[i].value, "a name");
        if (!text)
            continue;
        if (f->field->mask_bits && entries[i].number > ones(f->field->mask_bits))
            load_warn(load, key, "%.60s can never come; the field has %u bits, so its numbers end at 0x%llX", key->text,
                      f->field->mask_bits, (unsigned long long)ones(f->field->mask_bits));
        for (uint32_t j = 0; j < f->field->absent_count; j++)
            if (f->field->absent[j] == entries[i].number)
                load_warn(load, key, "%.60s stands under \"absent\" too; it has a name and no value", key->text);
        f->reading.names[f->reading.name_count++] = (struct def_name){entries[i].number, text};
    }
}

/* A yes/no reading for each flag. */
static void load_flags(struct field_load *f)
{
    struct load *load = f->load;
    struct numbered *entries;
    uint32_t count;
    uint64_t used = 0;
    if (!f->found[KEY_FLAGS] ||
        !load_numbered(load, f->found[KEY_FLAGS], "a mask under \"flags\"", UINT64_MAX, &entries, &count))
        return;
    f->field->flags = load_keep(load, count, sizeof *f->field->flags);
    for (uint32_t i = 0; i < count && f->field->flags; i++) {
        const struct node *key = entries[i].value->key;
        const char *text = load_text(load, entries[i].value, "a flag's name");
        if (!text)
            continue;
        if (entries[i].number == 0)
            load_say(load, key, "a flag of mask 0 could never be yes; give it its bit");
        else if (f->field->mask_bits && (entries[i].number & ~ones(f->field->mask_bits)))
            load_say(load, key,
                     "the flag's mask has bits beyond the %u bits of the field; count from the lowest bit that "
                     "\"mask\" selects",
                     f->field->mask_bits);
        if (entries[i].number & used)
            load_warn(load, key, "the flag shares bits with another one; give each its own");
        used |= entries[i].number;
        struct def_reading flag = {.name = load_join(load, f->reading.name, ".", text),
                                   .unit = "",
                                   .module = f->reading.module,
                                   .kind = READING_FLAG,
                                   .denominator = 1,
                                   .place = load_place(key)};
        if (!flag.name)
            return;
        f->field->flags[f->field->flag_count++] =
            (struct def_flag){entries[i].number, load_add_reading(load, flag, DEF_NONE, 0)};
    }
}

/* valid is in values (D 6.4), so it is scaled like a limit: ends included, never rounded inwards past a value. */
static void load_valid(struct field_load *f)
{
    struct def_limits limits;
    if (!f->found[KEY_VALID] || !f->good ||
        !load_limits(f->load, f->found[KEY_VALID], "valid", &f->reading, NULL, &limits, NULL, NULL))
        return;
    f->field->has_valid = true;
    f->field->valid_low = limits.low_n;
    f->field->valid_high = limits.high_n;
}

/* Text and bytes have none of the keys that make a number. */
static void refuse_number_keys(struct field_load *f)
{
    static const enum field_key keys[] = {KEY_ORDER,  KEY_MASK,  KEY_FACTOR, KEY_OFFSET, KEY_UNIT, KEY_CURVE,
                                          KEY_ABSENT, KEY_NAMES, KEY_FLAGS,  KEY_VALID};
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
        if (f->found[keys[i]])
            load_say(f->load, f->found[keys[i]]->key,
                     "\"%s\" is for numbers, and this field is of type %s; take it away", rules[keys[i]].key,
                     type_words[f->field->type]);
}

bool load_field(struct load *load, uint32_t module, const struct def_record *record, uint32_t length_max,
                const struct node *node, uint32_t index, struct def_field *field)
{
    struct field_load f = {.load = load, .node = node, .field = field, .good = true};
    const char *name = load_text(load, node->key, "a field's name");
    if (!name || !load_map(load, node, "a field", rules, KEYS, f.found))
        return false;
    field->when_field = DEF_NONE;
    f.reading = (struct def_reading){.name = load_join(load, record->name, ".", name),
                                     .unit = "",
                                     .module = module,
                                     .kind = READING_NUMBER,
                                     .denominator = 1,
                                     .place = load_place(node->key)};
    if (!f.reading.name)
        return false;
    place_in_record(&f, record->length, length_max);
    load_when(&f, record, index);
    if (field->type == FIELD_TEXT || field->type == FIELD_BYTES) {
        f.reading.kind = field->type == FIELD_TEXT ? READING_TEXT : READING_BYTES;
        refuse_number_keys(&f);
    } else {
        if (f.found[KEY_UNIT]) {
            const char *unit = load_text(load, f.found[KEY_UNIT], "unit");
            if (unit && (strlen(unit) > UNIT_MAX || strchr(unit, ' ')))
                load_say(load, f.found[KEY_UNIT], "a unit is one word of at most %d bytes; shorten it", UNIT_MAX);
            else if (unit)
                f.reading.unit = unit;
        }
        scale(&f);
        load_absent(&f);
        load_names(&f);
        load_valid(&f);
    }
    field->reading = load_add_reading(load, f.reading, index, f.largest);
    if (f.found[KEY_FLAGS] && field->type == FIELD_FLOAT)
        load_say(load, f.found[KEY_FLAGS]->key,
                 "\"flags\" do not go with a float, whose bits mean no flags; take them away");
    else if (f.reading.kind == READING_NUMBER)
        load_flags(&f);
    return field->reading != DEF_NONE;
}
