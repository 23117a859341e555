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
    struct def_field field = {.byte = byte, .length = length, .mask = mask ? mask : all, .factor = 1,
                              .when_field = DEF_NONE};
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
    struct def_field field = {.byte = 1, .length = DEF_NONE, .type = FIELD_TEXT, .when_field = DEF_NONE};
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

    struct def_field rest = {.byte = 2, .length = DEF_NONE, .type = FIELD_TEXT, .when_field = DEF_NONE};
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

/* A float as the loader scales it: factor * 2^72 over a denominator of denominator * 2^72. */
static struct def_field binary(uint32_t length, int64_t factor)
{
    struct def_field field = number(0, length, 0);
    field.type = FIELD_FLOAT;
    field.factor = factor * ((tt_wide)1 << 72);
    return field;
}

/* IEEE 754 by hand: sign, exponent + 127 (1023), fraction. m * 2^e over 2^72 is m << (72 + e). */
static void floats_are_exact_or_invalid(void **state)
{
    (void)state;
    static const struct {
        const char *hex;
        uint32_t length;
        bool good;
        int64_t m;
        int e;
    } cases[] = {
        {"3F 80 00 00", 4, true, 1, 0},
        {"C2 28 00 00", 4, true, -42, 0},      /* 1.3125 * 2^5 */
        {"3D CC CC CD", 4, true, 13421773, -27}, /* nearest to 0.1 */
        {"00 00 00 00", 4, true, 0, 0},
        {"80 00 00 00", 4, true, 0, 0},
        {"53 7F FF FF", 4, true, 0xFFFFFF, 16}, /* the last below 2^40 */
        {"53 80 00 00", 4, false, 0, 0},        /* 2^40 */
        {"D3 80 00 00", 4, false, 0, 0},
        {"7F 80 00 00", 4, false, 0, 0},        /* infinity */
        {"FF 80 00 00", 4, false, 0, 0},
        {"7F C0 00 00", 4, false, 0, 0},        /* not a number */
        {"7F 80 00 01", 4, false, 0, 0},
        {"1B 80 00 00", 4, true, 1, -72},       /* exponent 0x37 = 55: 2^-72 */
        {"1B 00 00 00", 4, false, 0, 0},        /* 2^-73 */
        {"1B C0 00 00", 4, false, 0, 0},        /* 1.5 * 2^-72 */
        {"00 00 00 01", 4, false, 0, 0},        /* subnormal: 2^-149 */
        {"3F F8 00 00 00 00 00 00", 8, true, 3, -1},
        {"3F B9 99 99 99 99 99 9A", 8, true, 7205759403792794, -56}, /* nearest to 0.1 */
        {"42 6F FF FF FF FF FF FF", 8, true, 0x1FFFFFFFFFFFFF, -13}, /* the last below 2^40 */
        {"42 70 00 00 00 00 00 00", 8, false, 0, 0},
        {"7F F0 00 00 00 00 00 00", 8, false, 0, 0},
        {"7F F8 00 00 00 00 00 00", 8, false, 0, 0},
        {"00 00 00 00 00 00 00 01", 8, false, 0, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct def_field field = binary(cases[i].length, 1);
        struct value value = one(&field, cases[i].hex);
        if (value.has_number != cases[i].good)
            fail_msg("%s", cases[i].hex);
        assert_int_equal(value.state, cases[i].good ? VALUE_GOOD : VALUE_INVALID);
        if (cases[i].good)
            assert_true(value.numerator == (tt_wide)cases[i].m * ((tt_wide)1 << (72 + cases[i].e)));
        else
            assert_true(value.numerator == 0);
    }
    struct def_field scaled = binary(4, -3);
    scaled.offset = (tt_wide)5 << 72;
    scaled.has_valid = true;
    scaled.valid_low = 0;
    scaled.valid_high = (tt_wide)5 << 72;
    struct value value = one(&scaled, "3F 00 00 00"); /* 5 - 3 * 0.5 = 3.5 */
    assert_true(value.state == VALUE_GOOD && value.numerator == (tt_wide)7 << 71);
    value = one(&scaled, "40 00 00 00"); /* 5 - 6 = -1: kept, and no sample */
    assert_true(value.state == VALUE_INVALID && value.has_number && value.numerator == -((tt_wide)1 << 72));
    scaled.little = true;
    assert_true(one(&scaled, "00 00 00 3F").numerator == (tt_wide)7 << 71);
}

/* 10 -> 5, 20 -> 7, 30 -> 4 over 10: slopes 2/10 and -3/10. */
static void curves_have_no_value_outside(void **state)
{
    (void)state;
    static struct def_curve_piece pieces[] = {{10, 20, 2, 50}, {20, 30, -3, 70}};
    static const struct {
        const char *hex;
        int64_t numerator; /* -1: none */
    } cases[] = {{"09", -1}, {"0A", 50}, {"0B", 52}, {"14", 70}, {"15", 67}, {"1E", 40}, {"1F", -1}, {"FF", -1}};
    struct def_field field = number(0, 1, 0);
    field.curve = pieces;
    field.curve_count = 2;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct value value = one(&field, cases[i].hex);
        assert_int_equal(value.has_number, cases[i].numerator >= 0);
        assert_int_equal(value.state, cases[i].numerator >= 0 ? VALUE_GOOD : VALUE_INVALID);
        assert_true(value.numerator == (cases[i].numerator >= 0 ? cases[i].numerator : 0));
    }
    static struct def_curve_piece negative[] = {{-128, 0, 1, -128}, {0, 127, 2, 0}};
    field.curve = negative;
    field.type = FIELD_SIGNED;
    assert_true(one(&field, "80").numerator == -128);
    assert_true(one(&field, "FF").numerator == -1);
    assert_true(one(&field, "7F").numerator == 254);
    struct def_field wide = number(0, 8, 0); /* numbers past 2^63 are beyond every curve */
    wide.curve = pieces;
    wide.curve_count = 2;
    assert_false(one(&wide, "FF FF FF FF FF FF FF FF").has_number);
}

/* The seen readings' indexes as digits. */
static const char *seen_on(const struct def_record *record, const char *hex, struct record_result *result)
{
    static char text[33];
    struct seen seen = decode(&definitions, record, hex, result);
    for (uint32_t i = 0; i < seen.count; i++)
        text[i] = (char)('0' + seen.values[i].reading);
    text[seen.count] = '\0';
    return text;
}

static void fields_of_another_page_are_not_there(void **state)
{
    (void)state;
    static struct def_flag flag[] = {{1, 4}};
    static uint64_t absent[] = {3};
    static uint32_t parts[] = {1}, other[] = {2};
    static tt_wide one_each[] = {1};
    struct def_field fields[4] = {number(0, 1, 0xF0), number(1, 1, 0), number(1, 4, 0), number(2, 1, 0)};
    struct def_derived sums[2] = {{parts, one_each, 1, 5}, {other, one_each, 1, 6}};
    for (uint32_t i = 0; i < 4; i++)
        fields[i].reading = i;
    fields[0].absent = absent; /* the page is read all the same */
    fields[0].absent_count = 1;
    fields[1].when_field = fields[2].when_field = fields[3].when_field = 0;
    fields[1].when_is = fields[3].when_is = 1;
    fields[2].when_is = 3;
    fields[3].flags = flag;
    fields[3].flag_count = 1;
    struct def_record record = {
        .length = DEF_NONE, .fields = fields, .field_count = 4, .derived = sums, .derived_count = 2};
    struct record_result result;
    assert_string_equal(seen_on(&record, "1F 05 01", &result), "01345");
    assert_true(result.missing_fields == 0 && result.needed == 3 && !result.longer);
    assert_string_equal(seen_on(&record, "3F 00 00 00 07", &result), "026");
    assert_true(result.missing_fields == 0 && result.needed == 5 && !result.longer);
    assert_string_equal(seen_on(&record, "2F", &result), "0"); /* no page of these */
    assert_true(result.missing_fields == 0 && result.needed == 1 && !result.longer);
    assert_string_equal(seen_on(&record, "2F 00", &result), "0");
    assert_true(result.longer);
    assert_string_equal(seen_on(&record, "1F 05", &result), "015");
    assert_true(result.missing_fields == 1 && result.needed == 3);
    assert_string_equal(seen_on(&record, "", &result), ""); /* which page it was cannot be known */
    assert_true(result.missing_fields == 1 && result.needed == 1);
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
        cmocka_unit_test(floats_are_exact_or_invalid),
        cmocka_unit_test(curves_have_no_value_outside),
        cmocka_unit_test(fields_of_another_page_are_not_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
