/* Nodes to numbers, quantities, times and ids; see load.h. The grammar itself (D 6.1) is support's ratio and units. */
#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "load.h"

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool all_hex(const char *text)
{
    bool letter = false;
    for (; *text; text++) {
        if (!is_digit(*text) && !((*text | 0x20) >= 'a' && (*text | 0x20) <= 'f'))
            return false;
        letter |= !is_digit(*text);
    }
    return letter;
}

/* The classic slips in a number, with the text that was probably meant; `otherwise` when it is none of them. */
static void number_hint(const char *text, const char *otherwise, char *out, size_t room)
{
    size_t whole = 0, digits;
    snprintf(out, room, "; write it like %s", otherwise);
    if (strlen(text) > 60)
        return;
    size_t sign = text[0] == '-';
    digits = sign;
    while (is_digit(text[digits]))
        digits++;
    whole = digits;
    if (text[digits] == '.')
        for (digits++; is_digit(text[digits]); digits++)
            ;
    if (text[0] == '0' && text[1] == 'x')
        return;
    if (text[0] == '+') {
        snprintf(out, room, "; leave the + away: %s", text + 1);
    } else if (text[0] == '0' && text[1] == 'X') {
        snprintf(out, room, "; write the x small: 0x%s", text + 2);
    } else if (whole > sign && (text[digits] | 0x20) == 'e' &&
               text[digits + 1 + strspn(text + digits + 1, "0123456789")] == '\0') {
        snprintf(out, room, "; write it in full, without an exponent, or as 0x%s if it is hexadecimal", text);
    } else if (all_hex(text)) {
        snprintf(out, room, "; a hexadecimal number begins with 0x: 0x%s", text);
    } else if (text[sign] == '.' && is_digit(text[sign + 1])) {
        snprintf(out, room, "; write the 0 before the point: %.*s0%s", (int)sign, text, text + sign);
    } else if (whole > sign && text[whole] == ',' && is_digit(text[whole + 1])) {
        snprintf(out, room, "; the decimal sign is a point: %.*s.%s", (int)whole, text, text + whole + 1);
    } else if (whole > sign + 1 && text[sign] == '0') {
        size_t zeros = sign;
        while (text[zeros] == '0' && zeros + 1 < whole)
            zeros++;
        snprintf(out, room, "; without the zero: %.*s%s", (int)sign, text, text + zeros);
    } else if (whole > sign && (text[digits] == 'e' || text[digits] == 'E') &&
               (is_digit(text[digits + 1]) || text[digits + 1] == '-' || text[digits + 1] == '+')) {
        snprintf(out, room, "; write it in full, without an exponent");
    } else if (whole > sign && text[digits] == '\0' && text[digits - 1] == '.') {
        snprintf(out, room, "; without the point: %.*s", (int)whole, text);
    } else if (whole > sign && text[digits] && text[digits] != ' ' && text[digits] != '/' && text[digits] != '.' &&
               text[digits] != '\t' && text[digits] != '_' && text[digits] != ':') {
        snprintf(out, room, "; one space stands before the unit: %.*s %s", (int)digits, text, text + digits);
    }
}

static void refuse_number(struct load *load, const struct node *node, const char *what, const char *why)
{
    char hint[160];
    number_hint(node->text, "30 kg, -0.5 V or 12", hint, sizeof hint);
    load_say(load, node, "%s: \"%.60s\" is no number: %s%s", what, node->text, why, hint);
}

bool load_quantity(struct load *load, const struct node *node, const char *what, struct ratio *number,
                   const char **unit)
{
    if (!load_is(load, node, NODE_TEXT, what))
        return false;
    char word[UNIT_MAX + 1];
    const char *why = units_parse(node->text, node->length, number, word);
    if (why) {
        refuse_number(load, node, what, why);
        return false;
    }
    *unit = arena_text(&load->definitions->arena, word, strlen(word));
    if (!*unit)
        load->no_memory = true;
    return *unit != NULL;
}

bool load_ratio(struct load *load, const struct node *node, const char *what, struct ratio *number)
{
    if (!load_is(load, node, NODE_TEXT, what))
        return false;
    const char *why = ratio_parse(node->text, node->length, number);
    if (!why)
        return true;
    char hint[160], word[UNIT_MAX + 1];
    struct ratio other;
    number_hint(node->text, "12, -0.5, 1/3 or 0x3F", hint, sizeof hint);
    if (!units_parse(node->text, node->length, &other, word))
        load_say(load, node, "%s is a number without a unit; leave \"%s\" away", what, word);
    else
        load_say(load, node, "%s: \"%.60s\" is no number: %s%s", what, node->text, why, hint);
    return false;
}

bool load_whole(struct load *load, const struct node *node, const char *what, uint64_t least, uint64_t most,
                uint64_t *number)
{
    struct ratio ratio;
    if (!load_ratio(load, node, what, &ratio))
        return false;
    if (ratio.denominator != 1 || ratio.numerator < (tt_wide)least || ratio.numerator > (tt_wide)most) {
        load_say(load, node, "%s: \"%.60s\" is %s; give a whole number from %llu to %llu", what, node->text,
                 ratio.denominator != 1             ? "no whole number"
                 : ratio.numerator < (tt_wide)least ? "too small"
                                                    : "too large",
                 (unsigned long long)least, (unsigned long long)most);
        return false;
    }
    *number = (uint64_t)ratio.numerator;
    return true;
}

bool load_time(struct load *load, const struct node *node, const char *what, int64_t *nanoseconds)
{
    if (!load_is(load, node, NODE_TEXT, what))
        return false;
    const char *why = units_parse_time(node->text, node->length, nanoseconds);
    if (!why)
        return true;
    char hint[160];
    number_hint(node->text, "50 ms or 5 s", hint, sizeof hint);
    load_say(load, node, "%s: \"%.60s\" is no length of time: %s%s", what, node->text, why, hint);
    return false;
}

bool load_can_id(struct load *load, const struct node *node, const char *what, uint32_t *id)
{
    if (!load_is(load, node, NODE_TEXT, what))
        return false;
    struct ratio number;
    const char *why = ratio_parse(node->text, node->length, &number);
    bool hex = node->length > 2 && node->text[0] == '0' && node->text[1] == 'x';
    bool wide = hex && node->length == 2 + 8;
    if (why) {
        refuse_number(load, node, what, why);
    } else if (wide && number.numerator > 0x1FFFFFFF) {
        load_say(load, node, "%s is above 0x1FFFFFFF; a 29-bit id is at most that", what);
    } else if (wide) {
        *id = (uint32_t)number.numerator | DEF_ID_29;
        return true;
    } else if (!hex || node->length != 2 + 3) {
        if (number.denominator == 1 && number.numerator >= 0 && number.numerator <= 0x7FF)
            load_say(load, node, "%s: an 11-bit id is 0x and three hex digits, a 29-bit id 0x and eight; write 0x%03X",
                     what, (unsigned)number.numerator);
        else if (number.denominator == 1 && number.numerator > 0xFFFF && number.numerator <= 0x1FFFFFFF)
            load_say(load, node, "%s: an 11-bit id is 0x and three hex digits, a 29-bit id 0x and eight; write 0x%08X",
                     what, (unsigned)number.numerator);
        else
            load_say(load, node, "%s is no CAN id; write 0x and three hex digits, or eight for 29 bits", what);
    } else if (number.numerator > 0x7FF) {
        load_say(load, node, "%s is above 0x7FF; an 11-bit id is at most that, a 29-bit id has eight digits", what);
    } else {
        *id = (uint32_t)number.numerator;
        return true;
    }
    return false;
}

struct sortable {
    struct numbered entry;
    uint32_t order;
};

static int by_number(const void *left, const void *right)
{
    const struct sortable *a = left, *b = right;
    if (a->entry.number != b->entry.number)
        return a->entry.number < b->entry.number ? -1 : 1;
    return a->order < b->order ? -1 : 1;
}

bool load_numbered(struct load *load, const struct node *map, const char *what, uint64_t most,
                   struct numbered **entries, uint32_t *count)
{
    *count = 0;
    if (!load_is(load, map, NODE_MAP, what))
        return false;
    struct sortable *list = load_scratch(load, map->count, sizeof *list);
    *entries = load_scratch(load, map->count, sizeof **entries);
    if (!list || !*entries)
        return false;
    uint32_t read = 0;
    for (const struct node *value = map->first; value; value = value->next) {
        uint64_t number;
        if (load_whole(load, value->key, what, 0, most, &number)) {
            list[read] = (struct sortable){{number, value}, read};
            read++;
        }
    }
    qsort(list, read, sizeof *list, by_number);
    for (uint32_t i = 0; i < read; i++) {
        const struct node *key = list[i].entry.value->key;
        if (i > 0 && list[i].entry.number == list[i - 1].entry.number)
            load_say(load, key, "\"%.60s\" is the same number as \"%.60s\" in %s; a number stands once", key->text,
                     list[i - 1].entry.value->key->text,
                     load_line(load, load_place(list[i - 1].entry.value->key), key->file));
        else
            (*entries)[(*count)++] = list[i].entry;
    }
    return true;
}
