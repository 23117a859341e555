/* An explanation in words that a technician follows, one thing a line, from the value back to the file and forward to
 * the limit. */
#include "explain.h"

#include <string.h>

#include "../stages/service_fields.h"
#include "../support/text.h"

#define BYTES_SHOWN 64u

struct words {
    struct sink *sink;
    const struct explain *explain;
    const struct verdict_about *about;
    const struct definitions *definitions;
};

static void put(struct words *words, const char *text)
{
    sink_text(words->sink, text);
}

static void put_text(struct words *words, const char *text)
{
    text_terminal(words->sink, text, strlen(text));
}

static void put_number(struct words *words, uint64_t number)
{
    sink_unsigned(words->sink, number);
}

static void put_decimal(struct words *words, tt_wide numerator, tt_wide denominator)
{
    char text[RATIO_TEXT_MAX];
    bool exact;
    sink_put(words->sink, text, ratio_print(numerator, denominator, text, &exact));
    if (!exact)
        put(words, " (rounded to 18 places)");
}

static void put_unit(struct words *words, const char *unit)
{
    if (!unit || !unit[0])
        return;
    put(words, " ");
    put_text(words, unit);
}

static void put_bytes(struct words *words, const uint8_t *bytes, uint32_t count, uint32_t length)
{
    uint32_t shown = count < BYTES_SHOWN ? count : BYTES_SHOWN;
    for (uint32_t i = 0; i < shown; i++) {
        if (i)
            put(words, " ");
        sink_hex(words->sink, bytes + i, 1);
    }
    if (shown < length) {
        put(words, shown ? " and " : "");
        put_number(words, length - shown);
        put(words, " more bytes");
    }
}

static void put_time(struct words *words, int64_t time)
{
    char text[TEXT_TIME_MAX];
    size_t length = text_seconds(time - words->about->first_time, text);
    while (text[length - 1] == '0')
        length--;
    length -= text[length - 1] == '.';
    sink_put(words->sink, text, length);
    put(words, " s (");
    sink_put(words->sink, text, text_time(time, text));
    put(words, ")");
}

static void put_frames(struct words *words, uint64_t first, uint64_t last)
{
    put(words, first == last ? "frame " : "frames ");
    put_number(words, first);
    if (first != last) {
        put(words, " to ");
        put_number(words, last);
    }
}

static void put_definition(struct words *words, struct def_place place)
{
    if (!place.line || place.file >= words->definitions->file_count)
        return;
    put_text(words, words->definitions->files[place.file].name);
    put(words, ":");
    put_number(words, place.line);
}

static void put_id(struct words *words, uint32_t id)
{
    put(words, "0x");
    sink_hex_number(words->sink, id & ~DEF_ID_29, id & DEF_ID_29 ? 8 : 3);
}

static void put_file(struct words *words, uint32_t file)
{
    view_put_file(words->explain->view, words->sink, file);
}

/* "file:offset+length" of every stretch, as the listings write it. */
struct places {
    struct words *words;
    bool any;
};
static void put_place(void *context, uint32_t file, uint64_t offset, uint32_t length)
{
    struct places *places = context;
    put(places->words, places->any ? ", then " : "");
    places->any = true;
    put_file(places->words, file);
    put(places->words, " at byte ");
    put_number(places->words, offset);
    put(places->words, length == 1 ? ", 1 byte" : ", ");
    if (length != 1) {
        put_number(places->words, length);
        put(places->words, " bytes");
    }
}

/* ---- a value ---- */

static void put_value(struct words *words, const struct value *value)
{
    const struct def_reading *reading = &words->definitions->readings[value->reading];
    if (value->state == VALUE_ABSENT)
        put(words, "no value");
    else if (reading->kind == READING_TEXT && value->bytes)
        text_listing(words->sink, (const char *)value->bytes, value->length);
    else if (reading->kind == READING_BYTES && value->bytes)
        put_bytes(words, value->bytes, value->length, value->length);
    else if (value->has_number) {
        put_decimal(words, value->numerator, reading->denominator);
        put_unit(words, reading->unit);
        if (value->name) {
            put(words, ", which is called ");
            put_text(words, value->name);
        }
    } else if (value->name)
        put_text(words, value->name);
    else
        put(words, "no value");
    if (value->state == VALUE_INVALID)
        put(words, " (outside what the definition file calls valid)");
}

/* Raw number to value: the arithmetic in full. */
static void put_scaling(struct words *words, const struct def_field *field, const struct value *value)
{
    const struct def_reading *reading = &words->definitions->readings[field->reading];
    tt_wide number = value->raw;
    if (value->state == VALUE_ABSENT) {
        put(words, "        the definition file says that this number means: no value\n");
        return;
    }
    if (field->type == FIELD_SIGNED) {
        put(words, "        with its sign (");
        put_number(words, field->mask_bits);
        put(words, " bits, two's complement): ");
        if (field->mask_bits && value->raw >> (field->mask_bits - 1) & 1)
            number -= (tt_wide)1 << field->mask_bits;
        put_decimal(words, number, 1);
        put(words, "\n");
    }
    put(words, "        ");
    if (!value->has_number) {
        put(words, field->curve ? "the curve has no value there\n" : "that is no number that can be used\n");
        return;
    }
    if (field->curve) {
        uint32_t piece = 0;
        while (piece + 1 < field->curve_count && field->curve[piece].to < number)
            piece++;
        const struct def_curve_piece *at = &field->curve[piece];
        put(words, "on the curve's piece from ");
        put_decimal(words, at->from, 1);
        put(words, " to ");
        put_decimal(words, at->to, 1);
        put(words, ": (");
        put_decimal(words, number, 1);
        put(words, " - ");
        put_decimal(words, at->from, 1);
        put(words, ") x ");
        put_decimal(words, at->slope, reading->denominator);
        put(words, " + ");
        put_decimal(words, at->base, reading->denominator);
    } else {
        if (field->type == FIELD_FLOAT)
            put(words, "as an IEEE 754 number");
        else
            put_decimal(words, number, 1);
        put(words, " x ");
        put_decimal(words, field->factor, reading->denominator);
        put(words, field->offset < 0 ? " - " : " + ");
        put_decimal(words, field->offset < 0 ? -field->offset : field->offset, reading->denominator);
    }
    put(words, " = ");
    put_decimal(words, value->numerator, reading->denominator);
    put_unit(words, reading->unit);
    put(words, "\n");
}

static void put_field(struct words *words, const struct explain_item *item, const struct def_field *field,
                      const struct def_flag *flag, const struct value *value)
{
    const struct def_reading *reading = &words->definitions->readings[flag ? flag->reading : field->reading];
    struct places places = {.words = words};
    put(words, "    ");
    put_text(words, view_reading_name(words->explain->view, reading));
    put(words, ", described in ");
    put_definition(words, reading->place);
    put(words, "\n        bytes ");
    put_bytes(words, value->bytes, value->bytes ? value->length : 0, value->length);
    if (item->segment_count) {
        put(words, ": ");
        explain_places(item, item->base + value->at[0].offset, value->at[0].length, put_place, &places);
    }
    put(words, "\n");
    if (field->type == FIELD_TEXT || field->type == FIELD_BYTES)
        return;
    uint32_t width = value->length * 2;
    put(words, value->length == 1 ? "        as a number: 0x"
               : field->little    ? "        as a number, last byte first: 0x"
                                  : "        as a number, first byte first: 0x");
    sink_hex_number(words->sink, explain_number(field, value), (int)width);
    put(words, "\n        the bits of mask 0x");
    sink_hex_number(words->sink, field->mask, (int)width);
    put(words, ", closed up: 0x");
    sink_hex_number(words->sink, value->raw, 1);
    put(words, " = ");
    put_number(words, value->raw);
    put(words, "\n");
    if (flag) {
        put(words, "        bit 0x");
        sink_hex_number(words->sink, flag->mask, 2);
        put(words, " of that is ");
        put(words, value->state == VALUE_ABSENT ? "not told\n" : value->raw & flag->mask ? "set: yes\n" : "not set: no\n");
        return;
    }
    if (value->name) {
        put(words, "        that number is called ");
        put_text(words, value->name);
        put(words, "\n");
        if (field->factor == reading->denominator && field->offset == 0 && !field->curve && field->type == FIELD_UNSIGNED)
            return; /* a name for a number that is the value itself */
    }
    put_scaling(words, field, value);
}

static void put_sum(struct words *words, const struct explain_item *item, const struct explain_place *place)
{
    const struct def_reading *reading = &words->definitions->readings[item->reading];
    const struct def_derived *derived = place->derived;
    put(words, "    ");
    put_text(words, view_reading_name(words->explain->view, reading));
    put(words, " is the sum of ");
    put_number(words, derived->field_count);
    put(words, " fields, described in ");
    put_definition(words, reading->place);
    put(words, "\n");
    for (uint32_t i = 0; i < derived->field_count; i++) {
        struct value part;
        if (explain_part(words->definitions, item, place, i, &part))
            put_field(words, item, &place->record->fields[derived->fields[i]], NULL, &part);
    }
    put(words, "    sum:");
    for (uint32_t i = 0; i < derived->field_count; i++) {
        struct value part;
        if (!explain_part(words->definitions, item, place, i, &part) || !part.has_number) {
            put(words, i ? " + no value" : " no value");
            continue;
        }
        put(words, i ? " + " : " ");
        put_decimal(words, part.numerator, words->definitions->readings[part.reading].denominator);
        put_unit(words, words->definitions->readings[part.reading].unit);
    }
    put(words, " = ");
    put_value(words, &item->value);
    put(words, "\n");
}

/* ---- where it came from ---- */

static bool is_secret(const uint8_t *bytes, uint32_t count)
{
    return count > 0 && (bytes[0] & 0xBF) == 0x27;
}

/* Of SecurityAccess no seed and no key (D 8.6). */
static uint32_t shown_of(const uint8_t *bytes, uint32_t count)
{
    uint32_t secret = is_secret(bytes, count) ? service_secret_offset(bytes, count) : count;
    return secret < count ? secret : count;
}

static void put_question(struct words *words, const struct explain_item *item)
{
    const struct explain_question *question = &item->question;
    const char *name = standard_service_name(item->dialect, item->service);
    if (item->broadcast) {
        put(words, "It was broadcast: the module sends it unasked, in ");
        put_frames(words, item->first_frame, item->last_frame);
        put(words, " with the id ");
        put_id(words, item->id);
        put(words, ".\n");
        return;
    }
    if (question->there) {
        put(words, "The scan tool asked ");
        put_bytes(words, question->bytes, shown_of(question->bytes, question->kept), question->length);
        if (name) {
            put(words, " (");
            put(words, name);
            put(words, ")");
        }
        put(words, " in ");
        put_frames(words, question->first_frame, question->last_frame);
        put(words, ", at ");
        put_time(words, question->time);
        put(words, ".\n");
    } else {
        put(words, "No question for it is on record.\n");
    }
    if (item->of_request) {
        put(words, "    The value stands in the question itself: what the scan tool asked for, granted or not.\n");
        return;
    }
    put(words, "    The module \"");
    put_text(words, view_module_name(words->explain->view, item->module));
    put(words, "\" answered ");
    put_bytes(words, item->bytes, shown_of(item->bytes, item->received), item->length);
    put(words, " in ");
    put_frames(words, item->first_frame, item->last_frame);
    put(words, ", at ");
    put_time(words, item->time);
    if (item->state == EXCHANGE_LATE)
        put(words, ", later than allowed");
    put(words, ".\n");
}

static void put_item_frames(struct words *words, const struct explain_item *item)
{
    put(words, "    These frames carried it (offsets in bytes from the start of the file):\n");
    for (uint32_t i = 0; i < item->frame_count; i++) {
        const struct frame *frame = &item->frames[i];
        put(words, "        frame ");
        put_number(words, frame->number);
        put(words, ", bus ");
        put(words, view_bus_name(words->explain->view, frame->bus));
        put(words, ", id ");
        put_id(words, frame_id_word(frame));
        put(words, ": ");
        put_bytes(words, frame->data, is_secret(item->bytes, item->received) ? 0 : frame->length, frame->length);
        put(words, "; ");
        put_file(words, frame->file);
        put(words, ", its record at ");
        put_number(words, frame->offset);
        put(words, ", its data at ");
        put_number(words, frame->data_offset);
        put(words, "\n");
    }
    if (item->frames_left_out) {
        put(words, "        and ");
        put_number(words, item->frames_left_out);
        put(words, " more frames\n");
    }
}

/* ---- forward to the limit ---- */

static void put_ratio(struct words *words, struct ratio ratio, const char *unit)
{
    put_decimal(words, ratio.numerator, ratio.denominator);
    put_unit(words, unit);
}

static void put_limits(struct words *words, const struct def_limits *limits)
{
    if (limits->has_low)
        put_ratio(words, limits->low, limits->has_high ? "" : limits->unit);
    put(words, limits->has_low && limits->has_high ? " to " : limits->has_low ? " or more" : "at most ");
    if (limits->has_high)
        put_ratio(words, limits->high, limits->unit);
}

static void put_wanted(struct words *words, const struct def_step *step)
{
    if (step->is_count) {
        for (uint32_t i = 0; i < step->is_count; i++) {
            put(words, i == 0 ? "" : i + 1 == step->is_count ? " or " : ", ");
            put_text(words, step->is[i]);
        }
        return;
    }
    put_limits(words, &step->limits);
    put(words, ", ends included");
    if (step->has_guard && step->guard.numerator != 0) {
        put(words, ", less a safety margin of ");
        put_ratio(words, step->guard, step->guard_unit);
    }
}

static void put_step_line(struct words *words, const struct explain_item *item, const struct step_result *result,
                          uint32_t number)
{
    static const char *const uses[] = {
        "It belongs to what decided the step", "It belongs to another steady stretch of the step",
        "No steady stretch of the step holds it"};
    const struct def_step *step = result->step;
    put(words, "    step ");
    put_number(words, number);
    put(words, ", ");
    put_text(words, step->name);
    put(words, " (");
    put_definition(words, step->place);
    put(words, ")");
    if (step->kind == STEP_READING) {
        put(words, ": wanted ");
        put_wanted(words, step);
        put(words, "; this value is ");
        put(words, explain_stand_text(explain_stand_of(&item->value, step)));
    }
    put(words, ". ");
    put(words, uses[explain_use_of(item, result)]);
    put(words, ". The step is ");
    put(words, step_answer_text(result->answer));
    if (result->reason[0]) {
        put(words, ": ");
        put_text(words, result->reason);
    }
    put(words, ".\n");
}

static bool step_reads(const struct def_step *step, uint32_t reading)
{
    return ((step->kind == STEP_READING || step->kind == STEP_IDENTITY) && step->reading == reading) ||
           (step->kind == STEP_ACTION && step->outcome == reading);
}

static void put_use(struct words *words, const struct explain_item *item)
{
    const struct verdict *verdict = words->about->verdict;
    const struct attempt_result *attempt = explain_attempt(verdict, item);
    bool any = false;
    put(words, "\nWhat it was held against\n");
    for (uint32_t i = 0; i < verdict->attempts_kept; i++) {
        for (uint32_t j = 0; j < words->definitions->condition_count; j++) {
            const struct condition_result *condition = &verdict->attempts[i]->conditions[j];
            if (!condition->has_value || condition->condition->reading != item->reading ||
                condition->last_frame != item->last_frame || condition->bus != item->bus)
                continue;
            put(words, "    condition ");
            put_text(words, condition->condition->text);
            put(words, " of attempt ");
            put_number(words, verdict->attempts[i]->number);
            put(words, " (");
            put_definition(words, condition->condition->place);
            put(words, "): ");
            put(words, vouched_text(condition->vouched));
            put(words, "\n");
            any = true;
        }
    }
    for (uint32_t j = 0; attempt && j < words->definitions->step_count; j++) {
        if (!step_reads(&words->definitions->steps[j], item->reading))
            continue;
        if (!any || j == 0 || verdict->attempt_count > 1) {
            put(words, "    in attempt ");
            put_number(words, attempt->number);
            put(words, attempt->last ? ", which counts:\n" : ", which does not count any more:\n");
        }
        put_step_line(words, item, &attempt->steps[j], j + 1);
        any = true;
    }
    if (!any)
        put(words, attempt ? "    No step and no condition is about this value.\n"
                           : "    It lies before the first attempt, and no condition rests on it: nothing was judged by "
                             "it.\n");
}

/* ---- the whole ---- */

static void put_item(struct words *words, const struct explain_item *item)
{
    struct explain_place place;
    put(words, "\nQuestion and answer\n    ");
    put_question(words, item);
    put_item_frames(words, item);
    if (item->reading == DEF_NONE)
        return;
    put(words, "\nFrom bytes to value\n");
    if (!explain_find(words->definitions, item->reading, &place)) /* cannot be */
        return;
    if (place.derived)
        put_sum(words, item, &place);
    else
        put_field(words, item, place.field, place.flag, &item->value);
}

static void put_labels(struct words *words, unsigned labels)
{
    static const char *const names[] = {"asked for", "first", "lowest", "highest", "last", "deciding"};
    bool any = false;
    for (unsigned bit = 0; bit < sizeof names / sizeof names[0]; bit++) {
        if (!(labels & 1u << bit))
            continue;
        put(words, any ? ", " : "");
        put(words, names[bit]);
        any = true;
    }
}

static void put_head(struct words *words, const struct explain_item *item)
{
    if (item->reading == DEF_NONE)
        return;
    put_text(words, view_reading_name(words->explain->view, &words->definitions->readings[item->reading]));
    put(words, " = ");
    put_value(words, &item->value);
    put(words, ", at ");
    put_time(words, item->time);
    put(words, ", bus ");
    put(words, view_bus_name(words->explain->view, item->bus));
    put(words, ", ");
    put_frames(words, item->first_frame, item->last_frame);
    put(words, "\n");
}

static void put_step_head(struct words *words, const struct step_result *result, const struct attempt_result *attempt)
{
    const struct def_step *step = result->step;
    put_text(words, step->name);
    put(words, ": ");
    put(words, step_answer_text(result->answer));
    put(words, "\n");
    if (result->reason[0]) {
        put(words, "    why: ");
        put_text(words, result->reason);
        put(words, "\n");
    }
    put(words, "    described in ");
    put_definition(words, step->place);
    put(words, "; judged in attempt ");
    put_number(words, attempt->number);
    put(words, "\n");
    if (step->kind == STEP_READING) {
        put(words, "    wanted: ");
        put_wanted(words, step);
        put(words, "\n");
    }
    if (result->evidence == EVIDENCE_NONE) {
        put(words, "    Nothing in the record is evidence for it.\n");
    } else if (result->evidence == EVIDENCE_STRETCH) {
        put(words, "    It rests on ");
        put_number(words, result->stretch.samples);
        put(words, result->stretch.samples == 1 ? " value, in " : " values, in ");
        put_frames(words, result->stretch.first_frame, result->stretch.last_frame);
        put(words, ", from ");
        put_time(words, result->stretch.first_time);
        put(words, " to ");
        put_time(words, result->stretch.last_time);
        put(words, ". Its ends and extremes follow; taretrace explain JOB \"READING@FRAME\" tells any other.\n");
    }
    for (uint32_t i = 0; i < result->remark_count; i++) {
        put(words, "    remark: ");
        put_text(words, result->remarks[i]);
        put(words, "\n");
    }
}

void explain_text(struct sink *sink, const struct explain *explain, const struct verdict_about *about,
                  const struct attempt_result *attempt)
{
    struct words words = {sink, explain, about, about->definitions};
    if (explain->step)
        put_step_head(&words, explain->step, attempt);
    for (uint32_t i = 0; i < explain->item_count; i++) {
        const struct explain_item *item = &explain->items[i];
        if (explain->step) {
            put(&words, "\n-- ");
            put_labels(&words, item->labels);
            put(&words, " --\n");
        }
        put_head(&words, item);
        put_item(&words, item);
        if (!explain->step)
            put_use(&words, item);
    }
}
