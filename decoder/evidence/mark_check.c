/* See mark_check.h. */
#include "mark_check.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "../support/sink.h"
#include "../support/text.h"

#define LISTED_MAX 5u /* names told when none is near */

void new_mark_init(struct new_mark *mark, enum mark_kind kind, int64_t time)
{
    *mark = (struct new_mark){.kind = kind, .time = time, .name = "", .text = "", .value = "", .unit = ""};
}

static bool refuse(struct diagnostics *diagnostics, const char *format, ...) TT_PRINTF(2, 3);
static bool refuse(struct diagnostics *diagnostics, const char *format, ...)
{
    char what[1400];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    diagnostics_say(diagnostics, SEVERITY_ERROR, NULL, "%s; nothing was noted", what);
    return false;
}

/* ---- taking apart ---- */

/* Copies length bytes into the mark's room at *used, NUL behind. False when they do not fit. */
static bool keep(struct new_mark *mark, size_t *used, const char *text, size_t length, const char **kept)
{
    if (length >= sizeof mark->room - *used)
        return false;
    memcpy(mark->room + *used, text, length);
    mark->room[*used + length] = '\0';
    *kept = mark->room + *used;
    *used += length + 1;
    return true;
}

/* "29.8 kg" into value and unit. The digits stay as they were typed: what the scan tool showed is the evidence. */
static bool take_number(struct new_mark *mark, size_t *used, const char *text, struct diagnostics *diagnostics)
{
    struct ratio number;
    char unit[UNIT_MAX + 1];
    const char *space = strchr(text, ' '), *comma = strchr(text, ',');
    size_t length = strlen(text), digits = space ? (size_t)(space - text) : length;
    const char *wrong = units_parse(text, length, &number, unit);
    if (wrong && comma)
        return refuse(diagnostics, "\"%.80s\" is no number: the decimal sign is a point, as in 29.8 kg", text);
    if (wrong)
        return refuse(diagnostics, "\"%.80s\" is no number with a unit (%s); write one like 29.8 kg", text, wrong);
    return (keep(mark, used, text, digits, &mark->value) && keep(mark, used, unit, strlen(unit), &mark->unit)) ||
           refuse(diagnostics, "\"%.80s\" is too long", text);
}

bool new_mark_displayed(struct new_mark *mark, const char *text, struct diagnostics *diagnostics)
{
    const char *sign = NULL;
    for (const char *at = strstr(text, " = "); at; at = strstr(at + 1, " = "))
        sign = at;
    size_t used = 0;
    if (!sign || sign == text)
        return refuse(diagnostics,
                      "\"%.80s\" is not of the form \"READING = NUMBER UNIT\", like \"seat load.total = 29.8 kg\"",
                      text);
    if (!keep(mark, &used, text, (size_t)(sign - text), &mark->name))
        return refuse(diagnostics, "the name of the reading is too long");
    return take_number(mark, &used, sign + 3, diagnostics);
}

bool new_mark_identity(struct new_mark *mark, const char *text, struct diagnostics *diagnostics)
{
    const char *sign = strchr(text, '='), *end = sign, *value = sign ? sign + 1 : NULL;
    size_t used = 0;
    while (end && end > text && end[-1] == ' ')
        end--;
    while (value && *value == ' ')
        value++;
    if (!sign || end == text || !*value)
        return refuse(diagnostics, "\"%.80s\" is not of the form NAME=VALUE, like \"work order=4711\"", text);
    return (keep(mark, &used, text, (size_t)(end - text), &mark->name) &&
            keep(mark, &used, value, strlen(value), &mark->value)) ||
           refuse(diagnostics, "the text is longer than %d bytes", MARK_TEXT_MAX);
}

bool new_mark_mass(struct new_mark *mark, const char *text, struct diagnostics *diagnostics)
{
    size_t used = 0;
    return take_number(mark, &used, text, diagnostics);
}

/* ---- texts ---- */

static bool check_text(const char *what, const char *text, size_t most, struct diagnostics *diagnostics)
{
    size_t length = strlen(text);
    if (length > most)
        return refuse(diagnostics, "%s has %zu bytes, at most %zu can be noted", what, length, most);
    if (!text_is_clean(text, length))
        return refuse(diagnostics, "%s holds control characters or bytes that are no UTF-8; type it again", what);
    return true;
}

/* ISO 3779; the check digit by 49 CFR 565.15(c), which holds in North America only. */
static bool check_vin(struct new_mark *mark, struct diagnostics *diagnostics)
{
    char vin[18] = "";
    size_t length = strlen(mark->value), used = strlen(mark->name) + 1;
    if (length != 17)
        return refuse(diagnostics, "a VIN has 17 characters, \"%.40s\" has %zu", mark->value, length);
    for (size_t i = 0; i < length; i++) {
        char c = mark->value[i];
        vin[i] = c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
        if (strchr("IOQ", vin[i]))
            return refuse(diagnostics, "a VIN never holds %c; look again, %c is meant", vin[i],
                          vin[i] == 'I' ? '1' : '0');
    }
    char should = standard_vin_check((const uint8_t *)vin, length);
    if (!should)
        return refuse(diagnostics, "\"%.40s\" is no VIN: only capital letters and digits", mark->value);
    if (vin[8] != should)
        diagnostics_say(diagnostics, SEVERITY_REMARK, NULL,
                        "the 9th character of this VIN is %c; where VINs carry a check digit (North America, China) it "
                        "would be %c: look at it once more, and withdraw the mark if a character is wrong",
                        vin[8], should);
    if (mark->name != mark->room) /* the name is a literal then, and the room is free */
        used = 0;
    return keep(mark, &used, vin, length, &mark->value);
}

/* ---- names ---- */

/* The names that the definitions know for one kind of mark, each once. Owned by the caller of collect. */
struct names {
    const char **list;
    size_t count;
};

static void add_name(struct names *names, const char *name)
{
    if (!name)
        return;
    for (size_t i = 0; i < names->count; i++)
        if (strcmp(names->list[i], name) == 0)
            return;
    names->list[names->count++] = name;
}

static struct names collect(const struct definitions *definitions, enum mark_kind kind)
{
    size_t most = 2 + (kind == MARK_DISPLAYED ? 2 * (size_t)definitions->reading_count
                                              : definitions->condition_count + definitions->step_count);
    struct names names = {calloc(most, sizeof *names.list), 0};
    if (!names.list)
        return names;
    if (kind == MARK_IDENTITY) {
        add_name(&names, "vin");
        add_name(&names, "work order");
    }
    for (uint32_t i = 0; i < definitions->step_count && kind != MARK_CONDITION; i++)
        add_name(&names, kind == MARK_MOMENT     ? definitions->steps[i].mark
                         : kind == MARK_IDENTITY ? definitions->steps[i].equals_mark
                                                 : NULL);
    for (uint32_t i = 0; i < definitions->condition_count && kind == MARK_CONDITION; i++)
        add_name(&names, definitions->conditions[i].text);
    /* Readings are unique already; looking for each name among all before would take the square of their number. */
    for (uint32_t i = 0; i < definitions->reading_count && kind == MARK_DISPLAYED; i++) {
        names.list[names.count++] = definitions->readings[i].name;
        names.list[names.count++] = definitions->readings[i].long_name;
    }
    return names;
}

/* The first few of them, for a message. */
static void list_names(const struct names *names, char *out, size_t room)
{
    size_t used = 0;
    out[0] = '\0';
    for (size_t i = 0; i < names->count && i < LISTED_MAX && used < room; i++)
        used += (size_t)snprintf(out + used, room - used, "%s\"%.120s\"", i ? ", " : "", names->list[i]);
    if (names->count > LISTED_MAX && used < room)
        (void)snprintf(out + used, room - used, " and %zu more", names->count - LISTED_MAX);
}

/* what: "moment", ...; strict: a name that nobody knows is refused, else only one that looks like a slip is. */
static bool check_name(const struct new_mark *mark, const struct definitions *definitions, const char *what,
                       bool strict, struct diagnostics *diagnostics)
{
    char some[800];
    struct names names = collect(definitions, mark->kind);
    if (!names.list)
        return refuse(diagnostics, "memory ran out; close other programs and try again");
    bool good = false;
    for (size_t i = 0; i < names.count && !good; i++)
        good = strcmp(names.list[i], mark->name) == 0;
    const char *near = good ? NULL : diagnostics_nearest(mark->name, names.list, names.count);
    if (!good && near) {
        (void)refuse(diagnostics, "the definition files know no %s \"%.200s\", did you mean \"%.200s\"?", what,
                     mark->name, near);
    } else if (!good && strict) {
        list_names(&names, some, sizeof some);
        (void)refuse(diagnostics, names.count ? "the definition files know no %s \"%.200s\"; they know %s"
                                              : "the definition files know no %s at all, so \"%.200s\" would count for "
                                                "nothing; note it as a text%s", what, mark->name, some);
    } else {
        good = true;
    }
    free(names.list);
    return good;
}

/* The unit that was displayed must be one in which this reading can be. */
static bool check_displayed(const struct new_mark *mark, const struct definitions *definitions,
                            struct diagnostics *diagnostics)
{
    const struct def_reading *reading = NULL;
    struct ratio shown, converted;
    for (uint32_t i = 0; i < definitions->reading_count && !reading; i++)
        if (strcmp(definitions->readings[i].name, mark->name) == 0 ||
            strcmp(definitions->readings[i].long_name, mark->name) == 0)
            reading = &definitions->readings[i];
    if (!reading || ratio_parse(mark->value, strlen(mark->value), &shown))
        return true; /* told before */
    if (reading->kind != READING_NUMBER)
        return refuse(diagnostics, "\"%.200s\" has no number to compare with; note what was displayed as a text",
                      mark->name);
    if (reading->unit[0] && !mark->unit[0])
        return refuse(diagnostics, "say the unit too, as it was displayed: \"%.200s = %.40s %s\"", mark->name,
                      mark->value, reading->unit);
    if (!units_convert(shown, mark->unit, reading->unit, &converted))
        return refuse(diagnostics, "\"%.200s\" is in %s, and %s cannot be converted to it", mark->name,
                      reading->unit[0] ? reading->unit : "no unit", mark->unit);
    return true;
}

static bool check_weight(const struct new_mark *mark, struct diagnostics *diagnostics)
{
    struct ratio mass, kilograms;
    if (!mark->name[0])
        return refuse(diagnostics, "say the weight's own number too, as it stands on it");
    if (ratio_parse(mark->value, strlen(mark->value), &mass) || mass.numerator <= 0 ||
        !units_convert(mass, mark->unit, "kg", &kilograms))
        return refuse(diagnostics, "the mass of a weight is a number above 0 with kg, g, lb or oz, like 30 kg");
    return true;
}

bool new_mark_check(struct new_mark *mark, const struct definitions *definitions, struct diagnostics *diagnostics)
{
    bool good = check_text("the name", mark->name, DEF_NAME_MAX, diagnostics) &&
                check_text("the text", mark->text, MARK_TEXT_MAX, diagnostics) &&
                check_text("the value", mark->value, MARK_TEXT_MAX, diagnostics);
    if (!good)
        return false;
    switch (mark->kind) {
    case MARK_NOTE:
        return mark->text[0] || refuse(diagnostics, "the text is empty");
    case MARK_CHALLENGE:
        return mark->text[0] || refuse(diagnostics, "the challenge is empty");
    case MARK_WITHDRAWAL:
        return mark->text[0] || refuse(diagnostics, "a withdrawal needs its reason");
    case MARK_WEIGHT:
        return check_weight(mark, diagnostics);
    case MARK_MOMENT:
        return !definitions || check_name(mark, definitions, "moment", true, diagnostics);
    case MARK_DISPLAYED:
        return !definitions || (check_name(mark, definitions, "reading", true, diagnostics) &&
                                check_displayed(mark, definitions, diagnostics));
    case MARK_CONDITION:
        if (strcmp(mark->value, "yes") != 0 && strcmp(mark->value, "no") != 0)
            return refuse(diagnostics, "a condition is stated by yes or no, not by \"%.40s\"", mark->value);
        return !definitions || check_name(mark, definitions, "condition", true, diagnostics);
    case MARK_IDENTITY:
        if (!mark->value[0])
            return refuse(diagnostics, "the value of \"%.200s\" is empty", mark->name);
        if (definitions && !check_name(mark, definitions, "identity", false, diagnostics))
            return false;
        return strcmp(mark->name, "vin") != 0 || check_vin(mark, diagnostics);
    }
    return true;
}

/* ---- in words ---- */

static void put_quoted(struct sink *sink, const char *before, const char *text)
{
    sink_text(sink, before);
    sink_char(sink, '"');
    text_terminal(sink, text, strlen(text));
    sink_char(sink, '"');
}

void new_mark_words(struct sink *sink, const struct new_mark *mark)
{
    switch (mark->kind) {
    case MARK_NOTE: put_quoted(sink, "note ", mark->text); break;
    case MARK_MOMENT: put_quoted(sink, "the moment ", mark->name); break;
    case MARK_DISPLAYED:
        put_quoted(sink, "the scan tool displayed ", mark->name);
        sink_text(sink, " = ");
        break;
    case MARK_IDENTITY:
        text_terminal(sink, mark->name, strlen(mark->name));
        put_quoted(sink, " ", mark->value);
        break;
    case MARK_CONDITION:
        put_quoted(sink, "the condition ", mark->name);
        sink_text(sink, strcmp(mark->value, "yes") == 0 ? " holds: yes" : " does not hold: no");
        break;
    case MARK_WEIGHT:
        put_quoted(sink, "test weight number ", mark->name);
        sink_text(sink, ", weighed mass ");
        break;
    case MARK_CHALLENGE: put_quoted(sink, "a third party's challenge ", mark->text); break;
    case MARK_WITHDRAWAL:
        sink_text(sink, "line ");
        sink_unsigned(sink, mark->withdraws);
        put_quoted(sink, " is withdrawn, because ", mark->text);
        break;
    }
    if (mark->kind == MARK_DISPLAYED || mark->kind == MARK_WEIGHT) {
        text_terminal(sink, mark->value, strlen(mark->value));
        if (mark->unit[0])
            sink_char(sink, ' ');
        text_terminal(sink, mark->unit, strlen(mark->unit));
    }
    if (mark->text[0] && mark->kind != MARK_NOTE && mark->kind != MARK_CHALLENGE && mark->kind != MARK_WITHDRAWAL)
        put_quoted(sink, ", with the remark ", mark->text);
}
