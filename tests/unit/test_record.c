/*
 * decoder/stages/record.h, the rules of D 6.4. Worked by hand; the seat load example is that of D 6.3 (0x40B - 1000 =
 * 35, 0x3E8 - 1000 = 0, 0x3E8 - 1000 = 0, 0x3DE - 1000 = -10: 25 tenths, 2.5 kg; 0x7B = 123 tenths of a volt).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "record.h"
#include "support_message.h"

struct seen {
    struct value values[32];
    uint32_t count;
};

static void keep(void *context, const struct value *value)
{
    struct seen *seen = context;
    assert_true(seen->count < 32);
    seen->values[seen->count++] = *value;
}

static struct seen decode(const struct definitions *definitions, const struct def_record *record, const char *hex,
                          struct record_result *result)
{
    struct seen seen = {.count = 0};
    uint8_t stack[64];
    uint32_t length = test_hex(hex, stack, sizeof stack);
    uint8_t *bytes = test_malloc(length ? length : 1); /* so that the sanitizer sees a read past the end */
    memcpy(bytes, stack, length);
    record_decode(definitions, record, bytes, length, keep, &seen, result);
    for (uint32_t i = 0; i < seen.count; i++)
        if (seen.values[i].bytes) { /* keep the place, not the freed bytes */
            assert_true(seen.values[i].bytes >= bytes &&
                        seen.values[i].bytes + seen.values[i].length <= bytes + length);
            assert_int_equal(seen.values[i].bytes - bytes, seen.values[i].at[0].offset);
        }
    test_free(bytes);
    return seen;
}

static struct def_reading readings[32];
static struct definitions definitions = {.readings = readings, .reading_count = 32};

/* A number of `length` bytes at byte 0, value = raw. */
static struct def_field number(uint32_t byte, uint32_t length, uint64_t mask)
{
    uint64_t all = length == 8 ? UINT64_MAX : (UINT64_C(1) << 8 * length) - 1;
    struct def_field field = {.byte = byte, .length = length, .mask = mask ? mask : all, .factor = 1};
    field.mask_bits = (uint32_t)__builtin_popcountll(field.mask);
    return field;
}

/* Decodes one field alone; it must fit. */
static struct value one(struct def_field *field, const char *hex)
{
    struct def_record record = {.length = DEF_NONE, .fields = field, .field_count = 1};
    struct record_result result;
    struct seen seen = decode(&definitions, &record, hex, &result);
    assert_int_equal(seen.count, 1);
    return seen.values[0];
}

static void masks_close_up(void **state)
{
    (void)state;
    static const struct {
        const char *hex;
        uint32_t length;
        uint64_t mask, raw;
    } cases[] = {
        {"B6", 1, 0x66, 7}, /* D 6.4: 0xB6 with 0x66 is 7: bits 1,2,5,6 of 10110110 are 1,1,1,0 */
        {"40 B3", 2, 0xFFF0, 0x40B},
        {"40 B3", 2, 0x0FFF, 0x0B3},
        {"FF", 1, 0x81, 3},
        {"80", 1, 0x81, 2},
        {"7E", 1, 0x81, 0},
        {"12 34 56 78", 4, 0, 0x12345678},
        {"12 34 56 78", 4, 0xF000000F, 0x18},
        {"01 02 03 04 05 06 07 08", 8, 0, UINT64_C(0x0102030405060708)},
        {"80 00 00 00 00 00 00 01", 8, UINT64_C(0x8000000000000001), 3},
        {"12 34 56", 3, 0x00FF00, 0x34},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct def_field field = number(0, cases[i].length, cases[i].mask);
        struct value value = one(&field, cases[i].hex);
        assert_int_equal(value.raw, cases[i].raw);
        assert_true(value.has_number && value.state == VALUE_GOOD && value.numerator == (tt_wide)cases[i].raw);
    }
}

/* Closing up bit by bit, for every mask of one byte and every byte. */
static void masks_against_a_bit_by_bit_count(void **state)
{
    (void)state;
    for (unsigned mask = 1; mask < 256; mask++)
        for (unsigned byte = 0; byte < 256; byte += 3) {
            unsigned expected = 0, to = 0;
            for (unsigned bit = 0; bit < 8; bit++)
                if (mask >> bit & 1)
                    expected |= (byte >> bit & 1) << to++;
            struct def_field field = number(0, 1, mask);
            struct def_record record = {.length = DEF_NONE, .fields = &field, .field_count = 1};
            struct seen seen = {.count = 0};
            struct record_result result;
            record_decode(&definitions, &record, &(uint8_t){(uint8_t)byte}, 1, keep, &seen, &result);
            assert_int_equal(seen.values[0].raw, expected);
        }
}

static void the_sign_is_the_highest_selected_bit(void **state)
{
    (void)state;
    static const struct {
        const char *hex;
        uint32_t length;
        uint64_t mask, raw;
        int64_t value;
    } cases[] = {
        {"FF", 1, 0, 0xFF, -1}, {"80", 1, 0, 0x80, -128}, {"7F", 1, 0, 0x7F, 127}, {"FF F0", 2, 0xFFF0, 0xFFF, -1},
        {"80 00", 2, 0xFFF0, 0x800, -2048}, {"7F F0", 2, 0xFFF0, 0x7FF, 2047},
        {"B6", 1, 0x66, 7, 7}, {"60", 1, 0x66, 0xC, -4}, /* selected 1,1,0,0: 12 - 16 */
        {"01", 1, 0x01, 1, -1}, {"FF FF FF FF FF FF FF FF", 8, 0, UINT64_MAX, -1},
        {"80 00 00 00 00 00 00 00", 8, 0, UINT64_C(1) << 63, INT64_MIN},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct def_field field = number(0, cases[i].length, cases[i].mask);
        field.type = FIELD_SIGNED;
        struct value value = one(&field, cases[i].hex);
        assert_int_equal(value.raw, cases[i].raw);
        assert_true(value.numerator == cases[i].value);
    }
}

static void byte_order(void **state)
{
    (void)state;
    struct def_field field = number(1, 3, 0);
    assert_int_equal(one(&field, "00 12 34 56").raw, 0x123456);
    field.little = true;
    assert_int_equal(one(&field, "00 12 34 56").raw, 0x563412);
    field.mask = 0xF00000; /* the mask comes after the order */
    field.mask_bits = 4;
    assert_int_equal(one(&field, "00 12 34 56").raw, 0x5);
}

static void factor_offset_and_the_largest_numbers(void **state)
{
    (void)state;
    struct def_field field = number(0, 8, 0);
    field.factor = -3;
    field.offset = 7;
    struct value value = one(&field, "FF FF FF FF FF FF FF FF");
    assert_true(value.numerator == 7 - 3 * (tt_wide)UINT64_MAX);
    field.type = FIELD_SIGNED;
    value = one(&field, "FF FF FF FF FF FF FF FE");
    assert_true(value.numerator == 13);
}

static void absent_and_names_compare_the_number_after_the_mask(void **state)
{
    (void)state;
    uint64_t absent[] = {0xFFF};
    struct def_field field = number(0, 2, 0xFFF0);
    field.absent = absent;
    field.absent_count = 1;
    field.type = FIELD_SIGNED; /* the sign comes later: 0xFFF is absent, not -1 */
    struct value value = one(&field, "FF F7");
    assert_int_equal(value.state, VALUE_ABSENT);
    assert_false(value.has_number);
    assert_int_equal(value.raw, 0xFFF);
    assert_int_equal(one(&field, "FF E7").state, VALUE_GOOD);

    struct def_name names[] = {{0, "dark"}, {1, "lit"}, {3, "unknown"}}; /* the lamp of D 6.3 */
    readings[0] = (struct def_reading){.kind = READING_NUMBER, .names = names, .name_count = 3};
    struct def_field lamp = number(2, 1, 0x03);
    assert_string_equal(one(&lamp, "00 00 FD").name, "lit");
    assert_string_equal(one(&lamp, "00 00 03").name, "unknown");
    assert_null(one(&lamp, "00 00 02").name);
    readings[0] = (struct def_reading){.kind = READING_NUMBER};
}

static void valid_flags_the_value_and_keeps_it(void **state)
{
    (void)state;
    struct def_field field = number(0, 1, 0);
    field.has_valid = true;
    field.valid_low = 10;
    field.valid_high = 20;
    static const uint8_t in[] = {10, 15, 20}, out[] = {9, 21, 0, 255};
    char hex[3];
    for (size_t i = 0; i < sizeof in; i++) {
        snprintf(hex, sizeof hex, "%02X", in[i]);
        assert_int_equal(one(&field, hex).state, VALUE_GOOD);
    }
    for (size_t i = 0; i < sizeof out; i++) {
        snprintf(hex, sizeof hex, "%02X", out[i]);
        struct value value = one(&field, hex);
        assert_int_equal(value.state, VALUE_INVALID);
        assert_true(value.has_number && value.numerator == out[i]);
    }
}

static void text_and_bytes_take_their_place_or_the_rest(void **state)
{
    (void)state;
    struct def_field field = {.byte = 1, .length = DEF_NONE, .type = FIELD_TEXT};
    struct value value = one(&field, "00 41 42 43");
    assert_int_equal(value.length, 3);
    assert_int_equal(value.at[0].offset, 1);
    assert_int_equal(value.at[0].length, 3);
    assert_false(value.has_number);
    field.length = 2;
    field.type = FIELD_BYTES;
    assert_int_equal(one(&field, "00 41 42 43").length, 2);
}

/* The whole of D 6.3's seat load. */
static struct def_field seat[6];
static struct def_flag seat_flags[] = {{0x01, 6}, {0x02, 7}, {0x80, 8}};
static uint64_t not_connected[] = {0xFFF};
static uint32_t corners[] = {0, 1, 2, 3};
static tt_wide ones[] = {1, 1, 1, 1};
static struct def_derived total = {.fields = corners, .factors = ones, .field_count = 4, .reading = 9};

static struct def_record seat_load(void)
{
    static const uint32_t bytes[4] = {0, 1, 3, 4};
    for (uint32_t i = 0; i < 4; i++) {
        seat[i] = number(bytes[i], 2, i % 2 ? 0x0FFF : 0xFFF0);
        seat[i].offset = -1000; /* over 10: factor 0.1, offset -100 */
        seat[i].absent = not_connected;
        seat[i].absent_count = 1;
        seat[i].reading = i;
    }
    seat[4] = number(6, 1, 0);
    seat[4].reading = 4;
    seat[5] = number(7, 1, 0);
    seat[5].reading = 5;
    seat[5].flags = seat_flags;
    seat[5].flag_count = 3;
    return (struct def_record){.length = 8, .fields = seat, .field_count = 6, .derived = &total, .derived_count = 1};
}

static void the_seat_load_of_the_design(void **state)
{
    (void)state;
    struct def_record record = seat_load();
    struct record_result result;
    struct seen seen = decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B 00", &result);
    static const int64_t numerators[] = {35, 0, 0, -10, 123, 0};
    assert_int_equal(seen.count, 10);
    for (uint32_t i = 0; i < 6; i++) {
        assert_int_equal(seen.values[i].reading, i);
        assert_true(seen.values[i].numerator == numerators[i]);
    }
    for (uint32_t i = 6; i < 9; i++) {
        assert_int_equal(seen.values[i].reading, i);
        assert_string_equal(seen.values[i].name, "no");
        assert_int_equal(seen.values[i].at[0].offset, 7);
    }
    assert_int_equal(seen.values[9].reading, 9);
    assert_true(seen.values[9].has_number && seen.values[9].numerator == 25);
    assert_null(seen.values[9].bytes);
    assert_int_equal(seen.values[9].at_count, 4);
    assert_int_equal(seen.values[9].at[3].offset, 4);
    assert_int_equal(seen.values[9].at[3].length, 2);
    assert_int_equal(result.missing_fields, 0);
    assert_int_equal(result.needed, 8);
    assert_false(result.longer);

    seen = decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B 82", &result);
    assert_string_equal(seen.values[6].name, "no");
    assert_string_equal(seen.values[7].name, "yes");
    assert_string_equal(seen.values[8].name, "yes");
}

/* D 7.6: a derived value exists only if every part has one. */
static void a_sum_needs_every_part(void **state)
{
    (void)state;
    struct def_record record = seat_load();
    struct record_result result;
    struct seen seen =
        decode(&definitions, &record, "40 BF FF 3E 83 DE 7B 00", &result); /* front right not connected */
    assert_int_equal(seen.values[1].state, VALUE_ABSENT);
    assert_int_equal(seen.values[9].state, VALUE_ABSENT);
    assert_false(seen.values[9].has_number);
    assert_int_equal(seen.values[9].at_count, 4);
    seat[2].has_valid = true;
    seat[2].valid_low = 1;
    seat[2].valid_high = 100;
    seen = decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B 00", &result); /* rear left 0: invalid */
    assert_int_equal(seen.values[2].state, VALUE_INVALID);
    assert_int_equal(seen.values[9].state, VALUE_ABSENT);
    tt_wide factors[] = {1, 1, 10, 1}; /* rear left in other units */
    struct def_derived other = total;
    other.factors = factors;
    record = seat_load();
    record.derived = &other;
    seen = decode(&definitions, &record, "40 B3 E8 3F 03 DE 7B 00", &result); /* 35 + 0 + 10 x 8 - 10 */
    assert_true(seen.values[9].numerator == 105);
}

static void flags_of_an_absent_number_are_absent(void **state)
{
    (void)state;
    struct def_record record = seat_load();
    uint64_t absent[] = {0xFF};
    seat[5].absent = absent;
    seat[5].absent_count = 1;
    struct record_result result;
    struct seen seen = decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B FF", &result);
    for (uint32_t i = 5; i < 9; i++) {
        assert_int_equal(seen.values[i].state, VALUE_ABSENT);
        assert_null(seen.values[i].name);
    }
}

static void short_and_long_answers(void **state)
{
    (void)state;
    struct def_record record = seat_load();
    struct record_result result;
    struct seen seen = decode(&definitions, &record, "40 B3 E8 3E 83", &result);
    assert_int_equal(seen.count, 3); /* rear right ends at byte 6: it, supply and status do not fit, so no sum */
    assert_int_equal(result.missing_fields, 3);
    assert_int_equal(result.needed, 8);
    seen = decode(&definitions, &record, "", &result);
    assert_int_equal(seen.count, 0);
    assert_int_equal(result.missing_fields, 6);
    seen = decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B 00 AA", &result);
    assert_int_equal(seen.count, 10);
    assert_true(result.longer);
    record.length = DEF_NONE;
    (void)decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B 00 AA", &result);
    assert_true(result.longer);
    (void)decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B 00", &result);
    assert_false(result.longer);
    record.length = 12; /* described longer than its fields */
    (void)decode(&definitions, &record, "40 B3 E8 3E 83 DE 7B 00 AA", &result);
    assert_false(result.longer);

    struct def_field rest = {.byte = 2, .length = DEF_NONE, .type = FIELD_TEXT};
    record = (struct def_record){.length = DEF_NONE, .fields = &rest, .field_count = 1};
    seen = decode(&definitions, &record, "00 00", &result);
    assert_int_equal(seen.count, 0);
    assert_int_equal(result.missing_fields, 1);
    assert_int_equal(result.needed, 3);
    seen = decode(&definitions, &record, "00 00 41 42", &result);
    assert_int_equal(seen.count, 1);
    assert_false(result.longer);
    struct def_field far = number(UINT32_MAX - 1, 8, 0);
    record.fields = &far;
    seen = decode(&definitions, &record, "00", &result);
    assert_int_equal(seen.count, 0);
    assert_int_equal(result.needed, UINT32_MAX);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(masks_close_up),
        cmocka_unit_test(masks_against_a_bit_by_bit_count),
        cmocka_unit_test(the_sign_is_the_highest_selected_bit),
        cmocka_unit_test(byte_order),
        cmocka_unit_test(factor_offset_and_the_largest_numbers),
        cmocka_unit_test(absent_and_names_compare_the_number_after_the_mask),
        cmocka_unit_test(valid_flags_the_value_and_keeps_it),
        cmocka_unit_test(text_and_bytes_take_their_place_or_the_rest),
        cmocka_unit_test(the_seat_load_of_the_design),
        cmocka_unit_test(a_sum_needs_every_part),
        cmocka_unit_test(flags_of_an_absent_number_are_absent),
        cmocka_unit_test(short_and_long_answers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
