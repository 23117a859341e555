/* Bytes to values (record.h, D 6.4). Integers only; nothing is kept. */
#include "record.h"

/* Takes the selected bits and closes them up, lowest to bit 0 (0xB6 with 0x66 is 7). */
static uint64_t close_up(uint64_t number, uint64_t mask)
{
    if (mask == 0)
        return 0;
    int low = __builtin_ctzll(mask);
    uint64_t run = mask >> low;
    if ((run & (run + 1)) == 0) /* one run of bits, the common case */
        return (number & mask) >> low;
    uint64_t closed = 0;
    for (int to = 0; mask; mask &= mask - 1, to++)
        closed |= (number >> __builtin_ctzll(mask) & 1) << to;
    return closed;
}

static bool contains(const uint64_t *numbers, uint32_t count, uint64_t number)
{
    for (uint32_t i = 0; i < count; i++)
        if (numbers[i] == number)
            return true;
    return false;
}

static bool is_number(const struct def_field *field)
{
    return field->type == FIELD_UNSIGNED || field->type == FIELD_SIGNED;
}

/* How many of the `length` bytes there are the field takes; false when it does not fit. An empty rest is no text. */
static bool place_of(const struct def_field *field, size_t length, uint32_t *taken)
{
    if (field->byte >= length)
        return false;
    size_t rest = length - field->byte;
    if (field->length != DEF_NONE && field->length > rest)
        return false;
    *taken = field->length != DEF_NONE ? field->length : (uint32_t)rest;
    return true;
}

/* Reads one field into value; false when it does not fit. */
static bool read_field(const struct definitions *definitions, const struct def_field *field, const uint8_t *bytes,
                       size_t length, struct value *value)
{
    uint32_t taken;
    if (!place_of(field, length, &taken))
        return false;
    struct bytes cursor = bytes_of(bytes, length);
    bytes_skip(&cursor, field->byte);
    value->reading = field->reading;
    value->state = VALUE_GOOD;
    value->has_number = false;
    value->numerator = 0;
    value->raw = 0;
    value->name = NULL;
    value->bytes = cursor.at;
    value->length = taken;
    value->at_count = 1;
    value->at[0].offset = field->byte;
    value->at[0].length = taken;
    if (!is_number(field))
        return true;

    value->raw = close_up(bytes_unsigned(&cursor, taken, field->little), field->mask);
    if (contains(field->absent, field->absent_count, value->raw)) {
        value->state = VALUE_ABSENT;
        return true;
    }
    tt_wide number = value->raw;
    if (field->type == FIELD_SIGNED && field->mask_bits > 0 && value->raw >> (field->mask_bits - 1) & 1)
        number -= (tt_wide)1 << field->mask_bits;
    value->has_number = true;
    value->numerator = number * field->factor + field->offset;
    value->name = definitions_state(&definitions->readings[field->reading], value->raw);
    if (field->has_valid && (value->numerator < field->valid_low || value->numerator > field->valid_high))
        value->state = VALUE_INVALID;
    return true;
}

/* A field's flags share its place, and say nothing when it says nothing. */
static void emit_flags(const struct def_field *field, struct value *value,
                       void (*emit)(void *context, const struct value *value), void *context)
{
    value->has_number = false;
    value->numerator = 0;
    for (uint32_t i = 0; i < field->flag_count; i++) {
        const struct def_flag *flag = &field->flags[i];
        value->reading = flag->reading;
        value->name = value->state == VALUE_ABSENT ? NULL : (value->raw & flag->mask) != 0 ? "yes" : "no";
        emit(context, value);
    }
}

/* False when a part did not fit, so that there is nothing to tell. */
static bool read_derived(const struct definitions *definitions, const struct def_record *record,
                         const struct def_derived *derived, const uint8_t *bytes, size_t length, struct value *sum)
{
    *sum = (struct value){.reading = derived->reading, .state = VALUE_GOOD, .has_number = true};
    for (uint32_t i = 0; i < derived->field_count; i++) {
        struct value part;
        if (!read_field(definitions, &record->fields[derived->fields[i]], bytes, length, &part))
            return false;
        tt_wide product;
        if (part.state != VALUE_GOOD || !part.has_number ||
            __builtin_mul_overflow(part.numerator, derived->factors[i], &product) ||
            __builtin_add_overflow(sum->numerator, product, &sum->numerator))
            sum->state = VALUE_ABSENT;
        if (sum->at_count < VALUE_PARTS_MAX)
            sum->at[sum->at_count++] = part.at[0];
    }
    if (sum->state != VALUE_GOOD) {
        sum->has_number = false;
        sum->numerator = 0;
    }
    return true;
}

void record_decode(const struct definitions *definitions, const struct def_record *record, const uint8_t *bytes,
                   size_t length, void (*emit)(void *context, const struct value *value), void *context,
                   struct record_result *result)
{
    uint64_t needed = 0;
    bool takes_rest = false;
    *result = (struct record_result){0};
    for (uint32_t i = 0; i < record->field_count; i++) {
        const struct def_field *field = &record->fields[i];
        bool rest = field->length == DEF_NONE;
        uint64_t end = (uint64_t)field->byte + (rest ? 1 : field->length);
        takes_rest |= rest;
        needed = end > needed ? end : needed;
        struct value value;
        if (!read_field(definitions, field, bytes, length, &value)) {
            result->missing_fields++;
            continue;
        }
        emit(context, &value);
        emit_flags(field, &value, emit, context);
    }
    for (uint32_t i = 0; i < record->derived_count; i++) {
        struct value sum;
        if (read_derived(definitions, record, &record->derived[i], bytes, length, &sum))
            emit(context, &sum);
    }
    result->needed = needed < UINT32_MAX ? (uint32_t)needed : UINT32_MAX;
    result->longer = record->length != DEF_NONE ? length > record->length : !takes_rest && length > needed;
}
