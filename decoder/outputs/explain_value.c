/* See explain_words.h: pieces of text, and how a value follows from its bytes. */
#include "explain_words.h"

#include <string.h>

#include "../support/text.h"

#define BYTES_SHOWN 64u

void explain_put(struct explain_words *words, const char *text)
{
    sink_text(words->sink, text);
}

void explain_put_text(struct explain_words *words, const char *text)
{
    text_terminal(words->sink, text, strlen(text));
}

void explain_put_number(struct explain_words *words, uint64_t number)
{
    sink_unsigned(words->sink, number);
}

void explain_put_decimal(struct explain_words *words, tt_wide numerator, tt_wide denominator)
{
    char text[RATIO_TEXT_MAX];
    bool exact;
    sink_put(words->sink, text, ratio_print(numerator, denominator, text, &exact));
    if (!exact)
        explain_put(words, " (rounded to 18 places)");
}

void explain_put_unit(struct explain_words *words, const char *unit)
{
    if (!unit || !unit[0])
        return;
    explain_put(words, " ");
    explain_put_text(words, unit);
}

void explain_put_bytes(struct explain_words *words, const uint8_t *bytes, uint32_t count, uint32_t length)
{
    uint32_t shown = count < BYTES_SHOWN ? count : BYTES_SHOWN;
    for (uint32_t i = 0; i < shown; i++) {
        if (i)
            explain_put(words, " ");
        sink_hex(words->sink, bytes + i, 1);
    }
    if (shown < length) {
        explain_put(words, shown ? " and " : "");
        explain_put_number(words, length - shown);
        explain_put(words, " more bytes");
    }
}

void explain_put_time(struct explain_words *words, int64_t time)
{
    char text[TEXT_TIME_MAX];
    size_t length = text_seconds(time - words->about->first_time, text);
    while (text[length - 1] == '0')
        length--;
    length -= text[length - 1] == '.';
    sink_put(words->sink, text, length);
    explain_put(words, " s (");
    sink_put(words->sink, text, text_time(time, text));
    explain_put(words, ")");
}

void explain_put_frames(struct explain_words *words, uint64_t first, uint64_t last)
{
    explain_put(words, first == last ? "frame " : "frames ");
    explain_put_number(words, first);
    if (first != last) {
        explain_put(words, " to ");
        explain_put_number(words, last);
    }
}

void explain_put_definition(struct explain_words *words, struct def_place place)
{
    if (!place.line || place.file >= words->definitions->file_count)
        return;
    explain_put_text(words, words->definitions->files[place.file].name);
    explain_put(words, ":");
    explain_put_number(words, place.line);
}

void explain_put_id(struct explain_words *words, uint32_t id)
{
    explain_put(words, "0x");
    sink_hex_number(words->sink, id & ~DEF_ID_29, id & DEF_ID_29 ? 8 : 3);
}

void explain_put_file(struct explain_words *words, uint32_t file)
{
    view_put_file(words->explain->view, words->sink, file);
}

/* "file:offset+length" of every stretch, as the listings write it. */
struct places {
    struct explain_words *words;
    bool any;
};
static void put_place(void *context, uint32_t file, uint64_t offset, uint32_t length)
{
    struct places *places = context;
    explain_put(places->words, places->any ? ", then " : "");
    places->any = true;
    explain_put_file(places->words, file);
    explain_put(places->words, " at byte ");
    explain_put_number(places->words, offset);
    explain_put(places->words, length == 1 ? ", 1 byte" : ", ");
    if (length != 1) {
        explain_put_number(places->words, length);
        explain_put(places->words, " bytes");
    }
}

/* ---- a value ---- */

void explain_put_value(struct explain_words *words, const struct value *value)
{
    const struct def_reading *reading = &words->definitions->readings[value->reading];
    if (value->state == VALUE_ABSENT)
        explain_put(words, "no value");
    else if (reading->kind == READING_TEXT && value->bytes)
        text_listing(words->sink, (const char *)value->bytes, value->length);
    else if (reading->kind == READING_BYTES && value->bytes)
        explain_put_bytes(words, value->bytes, value->length, value->length);
    else if (value->has_number) {
        explain_put_decimal(words, value->numerator, reading->denominator);
        explain_put_unit(words, reading->unit);
        if (value->name) {
            explain_put(words, ", which is called ");
            explain_put_text(words, value->name);
        }
    } else if (value->name)
        explain_put_text(words, value->name);
    else
        explain_put(words, "no value");
    if (value->state == VALUE_INVALID)
        explain_put(words, " (outside what the definition file calls valid)");
}

/* Raw number to value: the arithmetic in full. */
static void put_scaling(struct explain_words *words, const struct def_field *field, const struct value *value)
{
    const struct def_reading *reading = &words->definitions->readings[field->reading];
    tt_wide number = value->raw;
    if (value->state == VALUE_ABSENT) {
        explain_put(words, "        the definition file says that this number means: no value\n");
        return;
    }
    if (field->type == FIELD_SIGNED) {
        explain_put(words, "        with its sign (");
        explain_put_number(words, field->mask_bits);
        explain_put(words, " bits, two's complement): ");
        if (field->mask_bits && value->raw >> (field->mask_bits - 1) & 1)
            number -= (tt_wide)1 << field->mask_bits;
        explain_put_decimal(words, number, 1);
        explain_put(words, "\n");
    }
    explain_put(words, "        ");
    if (!value->has_number) {
        explain_put(words, field->curve ? "the curve has no value there\n" : "that is no number that can be used\n");
        return;
    }
    if (field->curve) {
        uint32_t piece = 0;
        while (piece + 1 < field->curve_count && field->curve[piece].to < number)
            piece++;
        const struct def_curve_piece *at = &field->curve[piece];
        explain_put(words, "on the curve's piece from ");
        explain_put_decimal(words, at->from, 1);
        explain_put(words, " to ");
        explain_put_decimal(words, at->to, 1);
        explain_put(words, ": (");
        explain_put_decimal(words, number, 1);
        explain_put(words, " - ");
        explain_put_decimal(words, at->from, 1);
        explain_put(words, ") x ");
        explain_put_decimal(words, at->slope, reading->denominator);
        explain_put(words, " + ");
        explain_put_decimal(words, at->base, reading->denominator);
    } else {
        if (field->type == FIELD_FLOAT)
            explain_put(words, "as an IEEE 754 number");
        else
            explain_put_decimal(words, number, 1);
        explain_put(words, " x ");
        explain_put_decimal(words, field->factor, reading->denominator);
        explain_put(words, field->offset < 0 ? " - " : " + ");
        explain_put_decimal(words, field->offset < 0 ? -field->offset : field->offset, reading->denominator);
    }
    explain_put(words, " = ");
    explain_put_decimal(words, value->numerator, reading->denominator);
    explain_put_unit(words, reading->unit);
    explain_put(words, "\n");
}

void explain_put_field(struct explain_words *words, const struct explain_item *item, const struct def_field *field,
                       const struct def_flag *flag, const struct value *value)
{
    const struct def_reading *reading = &words->definitions->readings[flag ? flag->reading : field->reading];
    struct places places = {.words = words};
    explain_put(words, "    ");
    explain_put_text(words, view_reading_name(words->explain->view, reading));
    explain_put(words, ", described in ");
    explain_put_definition(words, reading->place);
    explain_put(words, "\n        bytes ");
    explain_put_bytes(words, value->bytes, value->bytes ? value->length : 0, value->length);
    if (item->segment_count) {
        explain_put(words, ": ");
        explain_places(item, item->base + value->at[0].offset, value->at[0].length, put_place, &places);
    }
    explain_put(words, "\n");
    if (field->type == FIELD_TEXT || field->type == FIELD_BYTES)
        return;
    uint32_t width = value->length * 2;
    explain_put(words, value->length == 1 ? "        as a number: 0x"
               : field->little    ? "        as a number, last byte first: 0x"
                                  : "        as a number, first byte first: 0x");
    sink_hex_number(words->sink, explain_number(field, value), (int)width);
    explain_put(words, "\n        the bits of mask 0x");
    sink_hex_number(words->sink, field->mask, (int)width);
    explain_put(words, ", closed up: 0x");
    sink_hex_number(words->sink, value->raw, 1);
    explain_put(words, " = ");
    explain_put_number(words, value->raw);
    explain_put(words, "\n");
    if (flag) {
        explain_put(words, "        bit 0x");
        sink_hex_number(words->sink, flag->mask, 2);
        explain_put(words, " of that is ");
        explain_put(words, value->state == VALUE_ABSENT ? "not told\n"
                   : value->raw & flag->mask    ? "set: yes\n"
                                                : "not set: no\n");
        return;
    }
    if (value->name) {
        explain_put(words, "        that number is called ");
        explain_put_text(words, value->name);
        explain_put(words, "\n");
        if (field->factor == reading->denominator && field->offset == 0 && !field->curve &&
            field->type == FIELD_UNSIGNED)
            return; /* a name for a number that is the value itself */
    }
    put_scaling(words, field, value);
}

void explain_put_sum(struct explain_words *words, const struct explain_item *item, const struct explain_place *place)
{
    const struct def_reading *reading = &words->definitions->readings[item->reading];
    const struct def_derived *derived = place->derived;
    explain_put(words, "    ");
    explain_put_text(words, view_reading_name(words->explain->view, reading));
    explain_put(words, " is the sum of ");
    explain_put_number(words, derived->field_count);
    explain_put(words, " fields, described in ");
    explain_put_definition(words, reading->place);
    explain_put(words, "\n");
    for (uint32_t i = 0; i < derived->field_count; i++) {
        struct value part;
        if (explain_part(words->definitions, item, place, i, &part))
            explain_put_field(words, item, &place->record->fields[derived->fields[i]], NULL, &part);
    }
    explain_put(words, "    sum:");
    for (uint32_t i = 0; i < derived->field_count; i++) {
        struct value part;
        if (!explain_part(words->definitions, item, place, i, &part) || !part.has_number) {
            explain_put(words, i ? " + no value" : " no value");
            continue;
        }
        explain_put(words, i ? " + " : " ");
        explain_put_decimal(words, part.numerator, words->definitions->readings[part.reading].denominator);
        explain_put_unit(words, words->definitions->readings[part.reading].unit);
    }
    explain_put(words, " = ");
    explain_put_value(words, &item->value);
    explain_put(words, "\n");
}
