/* One field of a record (D 6.4) with exact scaling (D 2.7); see load.h. */
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
    {"curve", KEY_LATER},     {"when", KEY_LATER},
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
    if (type == 4) {
        load_say(load, found[KEY_TYPE],
                 "\"float\" is not in this version yet; it has unsigned, signed, text and bytes");
        f->good = false;
        type = FIELD_UNSIGNED;
    }
    bool number = type == FIELD_UNSIGNED || type == FIELD_SIGNED;
    if (found[KEY_LENGTH])
        f->good &= load_whole(load, found[KEY_LENGTH], number ? "length of a number" : "length", 1,
                              number ? 8 : TEXT_LENGTH_MAX, &length);
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
    if (found[KEY_MASK]) {
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

static tt_wide magnitude(tt_wide number)
{
    return number < 0 ? -number : number; /* ratios never hold -2^127 */
}

/*
 * factor and offset as whole numbers over one denominator, the least that both divide: value = (raw * factor + offset)
 * / denominator. Refuses what could leave 2^120.
 */
static void scale(struct field_load *f)
{
    struct load *load = f->load;
    struct ratio factor = ratio_whole(1), offset = ratio_whole(0), least;
    if (f->found[KEY_FACTOR])
        f->good &= load_ratio(load, f->found[KEY_FACTOR], "factor", &factor);
    if (f->found[KEY_OFFSET])
        f->good &= load_ratio(load, f->found[KEY_OFFSET], "offset", &offset);
    if (!f->good)
        return;
    const struct node *culprit = f->found[KEY_FACTOR] ? f->found[KEY_FACTOR] : f->found[KEY_OFFSET];
    if (factor.numerator == 0) {
        load_say(load, culprit, "a factor of 0 makes every value the same; leave it away for 1");
        f->good = false;
        return;
    }
    /* b / d reduced is p / q, and lcm(b, d) = b * q. */
    tt_wide denominator = 1, most = (tt_wide)ones(f->field->mask_bits), high;
    bool fits = ratio_make(factor.denominator, offset.denominator, &least) &&
                !__builtin_mul_overflow(factor.denominator, least.denominator, &denominator) &&
                denominator <= INT64_MAX &&
                !__builtin_mul_overflow(factor.numerator, denominator / factor.denominator, &f->field->factor) &&
                !__builtin_mul_overflow(offset.numerator, denominator / offset.denominator, &f->field->offset) &&
                !__builtin_mul_overflow(most, magnitude(f->field->factor), &high) &&
                !__builtin_add_overflow(high, magnitude(f->field->offset), &f->largest) && f->largest < LOAD_WIDE_BOUND;
    if (!fits) {
        load_say(load, culprit, "factor and offset have too many digits together; use fewer");
        f->good = false;
        f->largest = 0;
        return;
    }
    f->reading.denominator = denominator;
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
                                   .place = load_place(load, key)};
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
    static const enum field_key keys[] = {KEY_ORDER,  KEY_MASK,  KEY_FACTOR, KEY_OFFSET, KEY_UNIT,
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
                                     .place = load_place(load, node->key)};
    if (!f.reading.name)
        return false;
    place_in_record(&f, record->length, length_max);
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
    if (f.reading.kind == READING_NUMBER)
        load_flags(&f);
    return field->reading != DEF_NONE;
}
