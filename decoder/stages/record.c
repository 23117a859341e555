/* Bytes to values (record.h, D 6.4). Integers only; nothing is kept. */
#include "record.h"

#define RECORD_FLOAT_BITS 40 /* floats of 2^40 and more have no value, as the loader counts on */

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
    return field->type != FIELD_TEXT && field->type != FIELD_BYTES;
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

/*
 * An IEEE 754 binary32 or binary64 number is m * 2^e. The loader put as many twos into the field's factor as fit, so a
 * negative e is taken out of the factor, and what is left out of m; a remainder means that it is not exact. False when
 * there is no value: not exact, 2^40 or more, infinite, not a number.
 */
static bool scale_float(const struct def_field *field, uint64_t raw, tt_wide *numerator)
{
    bool wide = field->length == 8;
    int fraction_bits = wide ? 52 : 23, bias = wide ? 1023 : 127, top = wide ? 0x7FF : 0xFF;
    int biased = (int)(raw >> fraction_bits) & top;
    uint64_t m = raw & ((UINT64_C(1) << fraction_bits) - 1);
    *numerator = field->offset;
    if (biased == 0 && m == 0)
        return true;
    if (biased == top || biased == 0) /* subnormal numbers end far behind the last place that a factor can have */
        return false;
    m |= UINT64_C(1) << fraction_bits;
    int e = biased - bias - fraction_bits;
    int zeros = __builtin_ctzll(m);
    m >>= zeros;
    e += zeros;
    if (e + 64 - __builtin_clzll(m) > RECORD_FLOAT_BITS)
        return false;
    tt_wide factor = field->factor;
    if (e < 0) {
        uint64_t low = (uint64_t)factor, high = (uint64_t)(factor >> 64);
        int twos = low ? __builtin_ctzll(low) : high ? 64 + __builtin_ctzll(high) : 0;
        if (twos < -e)
            return false;
        factor >>= -e; /* exact; right shift of a negative number is arithmetic in gcc and clang */
    } else {
        m <<= e; /* below 2^40 */
    }
    *numerator += (raw >> (8 * field->length - 1) & 1 ? -(tt_wide)m : (tt_wide)m) * factor;
    return true;
}

/* On the stretch of the curve that the number lies on; false outside all of them. */
static bool scale_curve(const struct def_field *field, tt_wide number, tt_wide *numerator)
{
    uint32_t low = 0, high = field->curve_count;
    while (low < high) { /* the first stretch that does not end before the number */
        uint32_t middle = low + (high - low) / 2;
        if (field->curve[middle].to < number)
            low = middle + 1;
        else
            high = middle;
    }
    if (low == field->curve_count || number < field->curve[low].from)
        return false;
    *numerator = (number - field->curve[low].from) * field->curve[low].slope + field->curve[low].base;
    return true;
}

/* False when the record's page is another than the field's, or cannot be seen. */
static bool is_there(const struct def_record *record, const struct def_field *field, const uint8_t *bytes,
                     size_t length)
{
    uint32_t taken;
    if (field->when_field == DEF_NONE)
        return true;
    const struct def_field *page = &record->fields[field->when_field];
    if (!place_of(page, length, &taken))
        return false;
    struct bytes cursor = bytes_of(bytes, length);
    bytes_skip(&cursor, page->byte);
    return close_up(bytes_unsigned(&cursor, taken, page->little), page->mask) == field->when_is;
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
    value->name = definitions_state(&definitions->readings[field->reading], value->raw);
    tt_wide number = value->raw;
    if (field->type == FIELD_SIGNED && field->mask_bits > 0 && value->raw >> (field->mask_bits - 1) & 1)
        number -= (tt_wide)1 << field->mask_bits;
    value->has_number = true;
    if (field->curve)
        value->has_number = scale_curve(field, number, &value->numerator);
    else if (field->type == FIELD_FLOAT)
        value->has_number = scale_float(field, value->raw, &value->numerator);
    else
        value->numerator = number * field->factor + field->offset;
    if (!value->has_number) {
        value->numerator = 0;
        value->state = VALUE_INVALID;
    } else if (field->has_valid && (value->numerator < field->valid_low || value->numerator > field->valid_high)) {
        value->state = VALUE_INVALID;
    }
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
        const struct def_field *field = &record->fields[derived->fields[i]];
        if (!is_there(record, field, bytes, length) || !read_field(definitions, field, bytes, length, &part))
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
        if (!is_there(record, field, bytes, length))
            continue;
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
