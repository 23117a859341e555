/*
 * Bits to values (D 6.4), through the loader: the input makes a definition file of a few fields, curves and a sum, and
 * the bytes of one answer. Every value is worked out a second time with GMP's fractions from the same numbers: mask
 * bits one by one, two's complement, IEEE 754 by its parts, straight lines of a curve, masses in kilograms.
 */
#define _GNU_SOURCE
#include <gmp.h>
#include <stdarg.h>
#include <string.h>

#include "../../decoder/stages/record.h"
#include "../../definitions/loader.h"
#include "fuzz.h"

#define FIELDS_MAX 5
#define POINTS_MAX 5
#define RECORD_MAX 24

enum kind { KIND_UNSIGNED, KIND_SIGNED, KIND_FLOAT, KIND_CURVE };

struct plan {
    enum kind kind;
    uint32_t byte, length;
    bool little, has_absent, has_valid;
    uint64_t mask, absent;
    uint32_t unit;               /* index into units */
    char factor[48], offset[48]; /* as written */
    uint32_t points;
    long numbers[POINTS_MAX];
    char values[POINTS_MAX][48];
    char low[48], high[48];
};

static const char *const units[] = {"kg", "g", "lb", "oz"};
/* 1 lb = 0.45359237 kg (international yard and pound agreement of 1959), 1 oz = 1/16 lb. */
static const char *const in_kilograms[] = {"1", "1/1000", "45359237/100000000", "45359237/1600000000"};

static struct plan plans[FIELDS_MAX];
static uint32_t plan_count;
static uint32_t parts_seen[FIELDS_MAX];
static bool sum_seen;
static const uint8_t *record_bytes;
static size_t record_length;

/* A number as the grammar has it, of at most nine digits on each side. */
static void take_number(struct bytes *input, char out[48], bool may_be_zero)
{
    uint32_t form = fuzz_choice(input, 8);
    unsigned long a = fuzz_number(input, 1 + fuzz_choice(input, 4)) % 1000000000, b = fuzz_number(input, 2);
    const char *sign = form & 1 ? "-" : "";
    if (!may_be_zero && a == 0)
        a = 1;
    if (form < 4)
        (void)snprintf(out, 48, "%s%lu", sign, a);
    else if (form < 6)
        (void)snprintf(out, 48, "%s%lu.%lu", sign, a, b);
    else
        (void)snprintf(out, 48, "%s%lu/%lu", sign, a, b + 1);
}

static void parse(mpq_t out, const char *text)
{
    char copy[64];
    const char *point = strchr(text, '.');
    if (!point) {
        FUZZ_CHECK(mpq_set_str(out, text, 10) == 0);
        mpq_canonicalize(out);
        return;
    }
    size_t before = (size_t)(point - text), behind = strlen(point + 1);
    memcpy(copy, text, before);
    memcpy(copy + before, point + 1, behind + 1);
    FUZZ_CHECK(mpz_set_str(mpq_numref(out), copy, 10) == 0);
    mpz_ui_pow_ui(mpq_denref(out), 10, behind);
    mpq_canonicalize(out);
}

/* Number of bits that the raw number has. */
static unsigned bits_of(const struct plan *plan)
{
    unsigned bits = 0;
    for (unsigned bit = 0; bit < 64; bit++)
        bits += plan->mask >> bit & 1;
    return plan->mask ? bits : 8 * plan->length;
}

/* The ends of `valid`, the lower one first. */
static void order(struct plan *plan)
{
    mpq_t low, high;
    char other[48];
    mpq_inits(low, high, NULL);
    parse(low, plan->low);
    parse(high, plan->high);
    if (mpq_cmp(low, high) > 0) {
        memcpy(other, plan->low, sizeof other);
        memcpy(plan->low, plan->high, sizeof other);
        memcpy(plan->high, other, sizeof other);
    }
    mpq_clears(low, high, NULL);
}

static void take_plan(struct bytes *input, struct plan *plan)
{
    memset(plan, 0, sizeof *plan);
    plan->kind = (enum kind)fuzz_choice(input, 4);
    plan->byte = fuzz_choice(input, 12);
    plan->length = plan->kind == KIND_FLOAT ? 4u << fuzz_choice(input, 2) : 1 + fuzz_choice(input, 8);
    uint32_t options = fuzz_choice(input, 64);
    plan->little = options & 1;
    plan->has_absent = options & 2;
    plan->has_valid = options & 4;
    plan->unit = options >> 3 & 3;
    if (plan->kind != KIND_FLOAT && options & 32)
        plan->mask = fuzz_number(input, plan->length);
    if (plan->has_absent) /* the loader refuses what can never come */
        plan->absent = fuzz_number(input, plan->length) & (UINT64_MAX >> (64 - bits_of(plan)));
    take_number(input, plan->factor, false);
    take_number(input, plan->offset, true);
    if (plan->has_valid) {
        take_number(input, plan->low, true);
        take_number(input, plan->high, true);
        order(plan);
    }
    if (plan->kind == KIND_CURVE) {
        unsigned bits = bits_of(plan) < 40 ? bits_of(plan) : 40;
        long span = (long)(((UINT64_C(1) << bits) - 1) / POINTS_MAX), number = 0;
        if (span < 2) { /* no room for points */
            plan->kind = KIND_UNSIGNED;
            return;
        }
        number = (long)(fuzz_number(input, 5) % (uint64_t)span);
        plan->points = 2 + fuzz_choice(input, POINTS_MAX - 1);
        for (uint32_t i = 0; i < plan->points; i++) {
            plan->numbers[i] = number;
            number += 1 + (long)(fuzz_number(input, 1 + fuzz_choice(input, 5)) % (uint64_t)(span - 1));
            take_number(input, plan->values[i], true);
        }
    }
}

static void put(char **at, char *end, const char *format, ...) TT_PRINTF(3, 4);
static void put(char **at, char *end, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    *at += vsnprintf(*at, (size_t)(end - *at), format, arguments);
    va_end(arguments);
    FUZZ_CHECK(*at < end);
}

static size_t write_yaml(char *text, size_t room, uint32_t sum_unit)
{
    static const char *const types[] = {"unsigned", "signed", "float", "unsigned"};
    char *at = text, *end = text + room;
    put(&at, end, "taretrace: 1\nmodule:\n  name: m\n  services: iso14229\n"
                  "  address: {format: normal, request: 0x5E3, response: 0x6C5}\n"
                  "identifiers:\n  0x1234:\n    name: r\n    fields:\n");
    for (uint32_t i = 0; i < plan_count; i++) {
        struct plan *plan = &plans[i];
        put(&at, end, "      f%u: {byte: %u, length: %u, type: %s, unit: %s, order: %s", i, plan->byte, plan->length,
            types[plan->kind], units[plan->unit], plan->little ? "little" : "big");
        if (plan->mask)
            put(&at, end, ", mask: 0x%llX", (unsigned long long)plan->mask);
        if (plan->has_absent)
            put(&at, end, ", absent: [0x%llX]", (unsigned long long)plan->absent);
        if (plan->has_valid)
            put(&at, end, ", valid: [%s %s, %s %s]", plan->low, units[plan->unit], plan->high, units[plan->unit]);
        if (plan->kind == KIND_CURVE) {
            put(&at, end, ", curve: [");
            for (uint32_t k = 0; k < plan->points; k++)
                put(&at, end, "%s[%ld, %s]", k ? ", " : "", plan->numbers[k], plan->values[k]);
            put(&at, end, "]");
        } else {
            put(&at, end, ", factor: %s, offset: %s", plan->factor, plan->offset);
        }
        put(&at, end, "}\n");
    }
    if (sum_unit >= sizeof units / sizeof *units)
        return (size_t)(at - text);
    put(&at, end, "    derived:\n      total: {sum: [");
    for (uint32_t i = 0; i < plan_count; i++)
        put(&at, end, "%sf%u", i ? ", " : "", i);
    put(&at, end, "], unit: %s}\n", units[sum_unit]);
    return (size_t)(at - text);
}

/* ---- a second time ---- */

static uint64_t raw_of(const struct plan *plan)
{
    uint64_t number = 0, closed = 0;
    for (uint32_t i = 0; i < plan->length; i++) {
        uint32_t place = plan->little ? i : plan->length - 1 - i; /* weight of this byte */
        number += (uint64_t)record_bytes[plan->byte + i] << (8 * place);
    }
    if (!plan->mask)
        return number;
    unsigned to = 0;
    for (unsigned bit = 0; bit < 64; bit++)
        if (plan->mask >> bit & 1)
            closed |= (number >> bit & 1) << to++;
    return closed;
}

/* IEEE 754-2008 3.4. *sure: the value is whole and below 2^40, so there must be one. False for NaN and infinity. */
static bool float_value(const struct plan *plan, uint64_t raw, mpq_t out, bool *sure)
{
    unsigned width = plan->length == 8 ? 52 : 23, exponents = plan->length == 8 ? 11 : 8;
    uint64_t fraction = raw & ((UINT64_C(1) << width) - 1);
    long exponent = (long)(raw >> width & ((1u << exponents) - 1)), bias = (1L << (exponents - 1)) - 1;
    bool negative = raw >> (8 * plan->length - 1) & 1;
    *sure = false;
    if (exponent == (1L << exponents) - 1)
        return false;
    mpz_set_ui(mpq_denref(out), 1);
    mpz_set_ui(mpq_numref(out), exponent ? fraction | UINT64_C(1) << width : fraction);
    long power = (exponent ? exponent : 1) - bias - (long)width;
    if (power >= 0)
        mpq_mul_2exp(out, out, (mp_bitcnt_t)power);
    else
        mpq_div_2exp(out, out, (mp_bitcnt_t)-power);
    *sure = mpz_cmp_ui(mpq_denref(out), 1) == 0 && mpz_sizeinbase(mpq_numref(out), 2) <= 40;
    if (negative)
        mpq_neg(out, out);
    return true;
}

enum expected { EXPECT_NO_VALUE, EXPECT_MAY, EXPECT_VALUE };

/* What the field's value must be, in its own unit. */
static enum expected value_of(const struct plan *plan, mpq_t out)
{
    uint64_t raw = raw_of(plan);
    mpz_t number;
    mpq_t factor, other;
    enum expected expected = EXPECT_VALUE;
    mpz_init(number);
    mpq_inits(factor, other, NULL);
    mpz_import(number, 1, -1, sizeof raw, 0, 0, &raw);
    if (plan->kind == KIND_SIGNED && raw >> (bits_of(plan) - 1) & 1) {
        mpz_t span;
        mpz_init_set_ui(span, 1);
        mpz_mul_2exp(span, span, bits_of(plan));
        mpz_sub(number, number, span);
        mpz_clear(span);
    }
    if (plan->kind == KIND_CURVE) {
        expected = EXPECT_NO_VALUE;
        for (uint32_t i = 0; i + 1 < plan->points && expected == EXPECT_NO_VALUE; i++) {
            long from = plan->numbers[i], to = plan->numbers[i + 1];
            if (mpz_cmp_si(number, from) < 0 || mpz_cmp_si(number, to) > 0)
                continue;
            parse(out, plan->values[i]);
            parse(other, plan->values[i + 1]);
            mpq_sub(other, other, out); /* rise over run times what is past `from` */
            mpq_set_z(factor, number);
            mpz_submul_ui(mpq_numref(factor), mpq_denref(factor), (unsigned long)from);
            mpq_mul(other, other, factor);
            mpq_set_si(factor, 1, (unsigned long)(to - from));
            mpq_mul(other, other, factor);
            mpq_add(out, out, other);
            expected = EXPECT_VALUE;
        }
    } else {
        bool sure = true;
        mpq_set_z(out, number);
        if (plan->kind == KIND_FLOAT)
            expected = !float_value(plan, raw, out, &sure) ? EXPECT_NO_VALUE : sure ? EXPECT_VALUE : EXPECT_MAY;
        parse(factor, plan->factor);
        parse(other, plan->offset);
        mpq_mul(out, out, factor);
        mpq_add(out, out, other);
    }
    mpz_clear(number);
    mpq_clears(factor, other, NULL);
    return expected;
}

static void set_value(mpq_t out, const struct value *value, const struct def_reading *reading)
{
    unsigned __int128 above = value->numerator < 0 ? -(unsigned __int128)value->numerator
                                                   : (unsigned __int128)value->numerator;
    unsigned __int128 below = (unsigned __int128)reading->denominator;
    mpz_import(mpq_numref(out), 1, -1, sizeof above, 0, 0, &above);
    mpz_import(mpq_denref(out), 1, -1, sizeof below, 0, 0, &below);
    if (value->numerator < 0)
        mpq_neg(out, out);
    mpq_canonicalize(out);
}

static bool inside(const struct plan *plan, mpq_t value)
{
    mpq_t end;
    mpq_init(end);
    parse(end, plan->low);
    bool good = mpq_cmp(value, end) >= 0;
    parse(end, plan->high);
    good = good && mpq_cmp(value, end) <= 0;
    mpq_clear(end);
    return good;
}

static void check_sum(const struct definitions *definitions, const struct value *value)
{
    mpq_t sum, part, weight;
    mpq_inits(sum, part, weight, NULL);
    bool sure = true, none = false;
    for (uint32_t i = 0; i < plan_count; i++) {
        enum expected expected = value_of(&plans[i], part);
        bool absent = plans[i].has_absent && raw_of(&plans[i]) == plans[i].absent;
        none = none || absent || expected == EXPECT_NO_VALUE || (plans[i].has_valid && !inside(&plans[i], part));
        sure = sure && expected == EXPECT_VALUE;
        parse(weight, in_kilograms[plans[i].unit]);
        mpq_mul(part, part, weight);
        mpq_add(sum, sum, part);
    }
    FUZZ_CHECK(!value->has_number || !none);
    FUZZ_CHECK(value->has_number || none || !sure);
    if (value->has_number) {
        const struct def_reading *reading = &definitions->readings[value->reading];
        set_value(part, value, reading);
        for (uint32_t i = 0; i < 4; i++)
            if (strcmp(reading->unit, units[i]) == 0)
                parse(weight, in_kilograms[i]);
        mpq_mul(part, part, weight);
        FUZZ_CHECK(mpq_equal(part, sum));
    }
    mpq_clears(sum, part, weight, NULL);
    sum_seen = true;
}

static void on_value(void *context, const struct value *value)
{
    const struct definitions *definitions = context;
    const struct def_reading *reading = &definitions->readings[value->reading];
    if (strcmp(reading->name, "r.total") == 0) {
        check_sum(definitions, value);
        return;
    }
    uint32_t index = (uint32_t)(reading->name[3] - '0');
    FUZZ_CHECK(strncmp(reading->name, "r.f", 3) == 0 && index < plan_count);
    const struct plan *plan = &plans[index];
    parts_seen[index]++;
    FUZZ_CHECK(plan->byte + plan->length <= record_length);
    FUZZ_CHECK(value->raw == raw_of(plan));
    bool absent = plan->has_absent && value->raw == plan->absent;
    FUZZ_CHECK((value->state == VALUE_ABSENT) == absent);
    if (absent)
        return;
    mpq_t expected, ours;
    mpq_inits(expected, ours, NULL);
    enum expected what = value_of(plan, expected);
    FUZZ_CHECK(value->has_number ? what != EXPECT_NO_VALUE : what != EXPECT_VALUE);
    if (value->has_number) {
        set_value(ours, value, reading);
        FUZZ_CHECK(mpq_equal(ours, expected));
        FUZZ_CHECK((value->state == VALUE_GOOD) == (!plan->has_valid || inside(plan, expected)));
    } else {
        FUZZ_CHECK(value->state == VALUE_INVALID);
    }
    mpq_clears(expected, ours, NULL);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static char text[8192];
    struct bytes input = bytes_of(data, size);
    struct definitions definitions;
    struct diagnostics silent;
    const char *path = "job/a.yaml";
    plan_count = 1 + fuzz_choice(&input, FIELDS_MAX);
    uint32_t sum_unit = fuzz_choice(&input, 8); /* half of them: no sum */
    for (uint32_t i = 0; i < plan_count; i++)
        take_plan(&input, &plans[i]);
    size_t length = write_yaml(text, sizeof text, sum_unit);
    diagnostics_init(&silent, getenv("TT_FUZZ_SHOW") ? stderr : NULL);
    fuzz_folder_arm();
    fuzz_folder_put("a.yaml", text, length);
    enum load_result result = definitions_load(&path, 1, &silent, &definitions);
    fuzz_folder_disarm();
    if (result == LOAD_OK) {
        struct record_result read;
        uint8_t *bytes = malloc(RECORD_MAX); /* exactly as many as there are: what is read beyond is seen */
        FUZZ_CHECK(bytes);
        record_length = input.left < RECORD_MAX ? input.left : RECORD_MAX;
        bytes = realloc(bytes, record_length ? record_length : 1);
        FUZZ_CHECK(bytes);
        if (record_length)
            memcpy(bytes, bytes_take(&input, record_length), record_length);
        record_bytes = bytes;
        memset(parts_seen, 0, sizeof parts_seen);
        sum_seen = false;
        record_decode(&definitions, &definitions.modules[0].identifiers[0].record, bytes, record_length, on_value,
                      &definitions, &read);
        bool all = true;
        for (uint32_t i = 0; i < plan_count; i++) {
            bool fits = plans[i].byte + plans[i].length <= record_length;
            FUZZ_CHECK(parts_seen[i] == fits);
            all = all && fits;
        }
        FUZZ_CHECK(sum_seen == (all && sum_unit < sizeof units / sizeof *units));
        free(bytes);
    }
    definitions_free(&definitions);
    return 0;
}
