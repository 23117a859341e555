/* decoder/evidence/mark_check.h: what may be noted. VINs: the worked examples of 49 CFR 565.15(c) and of NHTSA's guide.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "loader.h"
#include "mark_check.h"

static struct definitions definitions;
static struct diagnostics silent;

static int load(void **state)
{
    const char *path = TT_SOURCE_DIR "/traces/definitions/seat-scale.yaml";
    (void)state;
    diagnostics_init(&silent, NULL);
    return definitions_load(&path, 1, &silent, &definitions) == LOAD_OK ? 0 : -1;
}

static int unload(void **state)
{
    (void)state;
    definitions_free(&definitions);
    return 0;
}

static void displayed(const char *text, const char *name, const char *value, const char *unit)
{
    struct new_mark mark;
    new_mark_init(&mark, MARK_DISPLAYED, 0);
    bool good = new_mark_displayed(&mark, text, &silent);
    assert_int_equal(good, name != NULL);
    if (!good)
        return;
    assert_string_equal(mark.name, name);
    assert_string_equal(mark.value, value);
    assert_string_equal(mark.unit, unit);
}

static void what_was_displayed_is_taken_apart(void **state)
{
    (void)state;
    displayed("seat load.total = 29.8 kg", "seat load.total", "29.8", "kg");
    displayed("a = b = -0.50", "a = b", "-0.50", ""); /* the last one divides (D 6.1); digits stay as displayed */
    displayed("a = 0x10 %", "a", "0x10", "%");
    displayed("a=1", NULL, NULL, NULL);
    displayed(" = 1", NULL, NULL, NULL);
    displayed("a = ", NULL, NULL, NULL);
    displayed("a = 1,5 kg", NULL, NULL, NULL);
    displayed("a = 01", NULL, NULL, NULL);
    displayed("a = 1  kg", NULL, NULL, NULL);
}

static void identity(const char *text, const char *name, const char *value)
{
    struct new_mark mark;
    new_mark_init(&mark, MARK_IDENTITY, 0);
    bool good = new_mark_identity(&mark, text, &silent);
    assert_int_equal(good, name != NULL);
    if (good) {
        assert_string_equal(mark.name, name);
        assert_string_equal(mark.value, value);
    }
}

static void identities_are_taken_apart(void **state)
{
    (void)state;
    identity("work order=4711", "work order", "4711");
    identity("work order  =  47=11", "work order", "47=11"); /* the first sign divides */
    identity("work order", NULL, NULL);
    identity("=1", NULL, NULL);
    identity("a= ", NULL, NULL);
}

/* Puts a VIN through; the mark's value, or NULL. remarks: how many were made. */
static const char *vin(const char *text, uint64_t remarks)
{
    static struct new_mark mark;
    struct diagnostics heard;
    diagnostics_init(&heard, NULL);
    new_mark_init(&mark, MARK_IDENTITY, 0);
    mark.name = "vin";
    mark.value = text;
    bool good = new_mark_check(&mark, &definitions, &heard);
    assert_int_equal(heard.remarks, remarks);
    assert_int_equal(heard.errors, good ? 0 : 1);
    return good ? mark.value : NULL;
}

static void vins(void **state)
{
    (void)state;
    assert_string_equal(vin("1M8GDM9AXKP042788", 0), "1M8GDM9AXKP042788");
    assert_string_equal(vin("1g4ah59h45g118341", 0), "1G4AH59H45G118341");
    assert_string_equal(vin("1J9RP1A36A1644345", 0), "1J9RP1A36A1644345");
    assert_string_equal(vin("1J9RP1A37A1644345", 1),
                        "1J9RP1A37A1644345"); /* a check digit is not required everywhere */
    assert_null(vin("1M8GDM9AXKP04278", 0));
    assert_null(vin("1M8GDM9AXKPO42788", 0));
    assert_null(vin("1M8GDM9AXKP04278-", 0));
    assert_null(vin("1M8GDM9AXKP04278\xc3\xa9", 0));
}

static bool checks(enum mark_kind kind, const char *name, const char *value, const char *unit,
                   const struct definitions *known)
{
    struct new_mark mark;
    new_mark_init(&mark, kind, 0);
    mark.name = name;
    mark.value = value;
    mark.unit = unit;
    return new_mark_check(&mark, known, &silent);
}

static void names_are_those_of_the_definitions(void **state)
{
    (void)state;
    assert_true(checks(MARK_MOMENT, "weight on", "", "", &definitions));
    assert_false(checks(MARK_MOMENT, "Weight on", "", "", &definitions)); /* the judge compares case */
    assert_true(checks(MARK_MOMENT, "anything", "", "", NULL));
    assert_true(checks(MARK_CONDITION, "Seat empty and dry, nothing beneath it", "no", "", &definitions));
    assert_false(checks(MARK_CONDITION, "Seat empty and dry", "no", "", &definitions));
    assert_false(checks(MARK_CONDITION, "Level ground", "Yes", "", &definitions));
    assert_true(checks(MARK_DISPLAYED, "seat load.total", "29.8", "kg", &definitions));
    assert_true(checks(MARK_DISPLAYED, "seat scale/seat load.total", "29800", "g", &definitions));
    assert_false(checks(MARK_DISPLAYED, "seat load.total", "29.8", "", &definitions));
    assert_false(checks(MARK_DISPLAYED, "seat load.total", "29.8", "s", &definitions));
    assert_false(checks(MARK_DISPLAYED, "seat load.status.occupied", "1", "", &definitions));
    assert_true(checks(MARK_IDENTITY, "jack number", "7", "", &definitions)); /* other numbers are free */
    assert_false(checks(MARK_IDENTITY, "vim", "7", "", &definitions));       /* but no slip of a known one */
    assert_true(checks(MARK_WEIGHT, "W-1", "66.1", "lb", &definitions));
    assert_false(checks(MARK_WEIGHT, "W-1", "0", "kg", &definitions));
    assert_false(checks(MARK_WEIGHT, "", "30", "kg", &definitions));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_displayed_is_taken_apart),
        cmocka_unit_test(identities_are_taken_apart),
        cmocka_unit_test(vins),
        cmocka_unit_test(names_are_those_of_the_definitions),
    };
    return cmocka_run_group_tests(tests, load, unload);
}
