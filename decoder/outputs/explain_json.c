/* An explanation as one JSON document; docs/report.md has its keys. */
#include "explain.h"

#include <stdio.h>
#include <string.h>

#include "../stages/service_fields.h"
#include "../support/text.h"
#include "json.h"

struct document {
    struct json json;
    const struct explain *explain;
    const struct verdict_about *about;
    const struct definitions *definitions;
};

static void put_definition(struct document *document, struct def_place place)
{
    struct json *json = &document->json;
    if (!place.line || place.file >= document->definitions->file_count) {
        json_nothing(json, "definition");
        return;
    }
    json_open(json, "definition", '{');
    json_text(json, "file", document->definitions->files[place.file].name);
    json_unsigned(json, "line", place.line);
    json_unsigned(json, "column", place.column);
    json_close(json, '}');
}

static void put_file(struct document *document, uint32_t file)
{
    char name[PIPELINE_FILE_NAME];
    const struct view *view = document->explain->view;
    json_text(&document->json, "file", pipeline_file_name(view->pipeline ? *view->pipeline : NULL, file, name));
}

static void put_place(void *context, uint32_t file, uint64_t offset, uint32_t length)
{
    struct document *document = context;
    json_open(&document->json, NULL, '{');
    put_file(document, file);
    json_unsigned(&document->json, "offset", offset);
    json_unsigned(&document->json, "length", length);
    json_close(&document->json, '}');
}

static void put_value(struct document *document, const struct value *value)
{
    const struct def_reading *reading = &document->definitions->readings[value->reading];
    struct json *json = &document->json;
    if (value->has_number) {
        bool exact = json_number(json, "value", value->numerator, reading->denominator);
        json_bool(json, "exact", exact);
    } else {
        json_nothing(json, "value");
        json_nothing(json, "exact");
    }
    json_text(json, "unit", reading->unit[0] ? reading->unit : NULL);
    if (reading->kind == READING_TEXT && value->bytes) {
        /* json_text wants an end; a text of the bus has none */
        char text[4096];
        (void)snprintf(text, sizeof text, "%.*s", (int)(value->length < 4095 ? value->length : 4095),
                       (const char *)value->bytes);
        json_text(json, "text", text);
    } else {
        json_text(json, "text", value->name);
    }
    json_text(json, "remark", value->state == VALUE_ABSENT    ? "no value"
                              : value->state == VALUE_INVALID ? "outside the valid range"
                                                              : NULL);
}

static void put_scaling(struct document *document, const struct def_field *field, const struct value *value)
{
    const struct def_reading *reading = &document->definitions->readings[field->reading];
    struct json *json = &document->json;
    tt_wide number = value->raw;
    if (field->type == FIELD_SIGNED && field->mask_bits && value->raw >> (field->mask_bits - 1) & 1)
        number -= (tt_wide)1 << field->mask_bits;
    (void)json_number(json, "signed", number, 1);
    if (field->curve) {
        uint32_t piece = 0;
        while (piece + 1 < field->curve_count && field->curve[piece].to < number)
            piece++;
        json_open(json, "curve", '{');
        (void)json_number(json, "from", field->curve[piece].from, 1);
        (void)json_number(json, "to", field->curve[piece].to, 1);
        (void)json_number(json, "slope", field->curve[piece].slope, reading->denominator);
        (void)json_number(json, "base", field->curve[piece].base, reading->denominator);
        json_close(json, '}');
    } else {
        (void)json_number(json, "factor", field->factor, reading->denominator);
        (void)json_number(json, "offset", field->offset, reading->denominator);
    }
}

static void put_field(struct document *document, const struct explain_item *item, const struct def_field *field,
                      const struct def_flag *flag, const struct value *value)
{
    static const char *const types[] = {"unsigned", "signed", "text", "bytes", "float"};
    const struct def_reading *reading = &document->definitions->readings[flag ? flag->reading : field->reading];
    struct json *json = &document->json;
    json_open(json, NULL, '{');
    json_text(json, "name", view_reading_name(document->explain->view, reading));
    put_definition(document, reading->place);
    json_hex(json, "bytes", value->bytes, value->bytes ? value->length : 0);
    json_open(json, "at", '[');
    explain_places(item, item->base + value->at[0].offset, value->at[0].length, put_place, document);
    json_close(json, ']');
    json_text(json, "type", types[field->type]);
    if (field->type != FIELD_TEXT && field->type != FIELD_BYTES) {
        json_text(json, "order", field->little ? "little" : "big");
        json_hex_number(json, "number", explain_number(field, value), (int)value->length * 2);
        json_hex_number(json, "mask", field->mask, (int)value->length * 2);
        json_unsigned(json, "raw", value->raw);
        if (flag)
            json_hex_number(json, "flag", flag->mask, 2);
        else
            put_scaling(document, field, value);
    }
    put_value(document, value);
    json_close(json, '}');
}

static void put_fields(struct document *document, const struct explain_item *item)
{
    struct explain_place place;
    json_open(&document->json, "fields", '[');
    if (explain_find(document->definitions, item->reading, &place) && place.derived) {
        for (uint32_t i = 0; i < place.derived->field_count; i++) {
            struct value part;
            if (explain_part(document->definitions, item, &place, i, &part))
                put_field(document, item, &place.record->fields[place.derived->fields[i]], NULL, &part);
        }
    } else if (place.field) {
        put_field(document, item, place.field, place.flag, &item->value);
    }
    json_close(&document->json, ']');
}

/* Of SecurityAccess no seed and no key (D 8.6). */
static uint32_t shown_of(const uint8_t *bytes, uint32_t count)
{
    if (count == 0 || (bytes[0] & 0xBF) != 0x27)
        return count;
    uint32_t secret = service_secret_offset(bytes, count);
    return secret < count ? secret : count;
}

static void put_question(struct document *document, const struct explain_item *item)
{
    const struct explain_question *question = &item->question;
    struct json *json = &document->json;
    if (!question->there) {
        json_nothing(json, "question");
        return;
    }
    json_open(json, "question", '{');
    json_hex_number(json, "service", item->service, 2);
    json_text(json, "service_name", standard_service_name(item->dialect, item->service));
    json_hex(json, "bytes", question->bytes, shown_of(question->bytes, question->kept));
    json_unsigned(json, "length", question->length);
    json_unsigned(json, "first_frame", question->first_frame);
    json_unsigned(json, "last_frame", question->last_frame);
    json_time(json, "time", question->time);
    json_close(json, '}');
}

static void put_frames(struct document *document, const struct explain_item *item)
{
    struct json *json = &document->json;
    bool secret = item->received > 0 && (item->bytes[0] & 0xBF) == 0x27;
    json_open(json, "frames", '[');
    for (uint32_t i = 0; i < item->frame_count; i++) {
        const struct frame *frame = &item->frames[i];
        json_open(json, NULL, '{');
        json_unsigned(json, "frame", frame->number);
        json_time(json, "time", frame->time);
        json_hex_number(json, "id", frame->id, frame->extended ? 8 : 3);
        json_hex(json, "bytes", frame->data, secret ? 0 : frame->length);
        put_file(document, frame->file);
        json_unsigned(json, "record_offset", frame->offset);
        json_unsigned(json, "data_offset", frame->data_offset);
        json_close(json, '}');
    }
    json_close(json, ']');
    json_unsigned(json, "frames_left_out", item->frames_left_out);
}

static void put_limit(struct document *document, const struct def_step *step)
{
    struct json *json = &document->json;
    if (step->kind != STEP_READING) {
        json_nothing(json, "limit");
        return;
    }
    json_open(json, "limit", '{');
    if (step->is_count) {
        json_open(json, "is", '[');
        for (uint32_t i = 0; i < step->is_count; i++)
            json_text(json, NULL, step->is[i]);
        json_close(json, ']');
    } else {
        const struct def_limits *limits = &step->limits;
        if (limits->has_low)
            (void)json_number(json, "low", limits->low.numerator, limits->low.denominator);
        else
            json_nothing(json, "low");
        if (limits->has_high)
            (void)json_number(json, "high", limits->high.numerator, limits->high.denominator);
        else
            json_nothing(json, "high");
        json_text(json, "unit", limits->unit && limits->unit[0] ? limits->unit : NULL);
        if (step->has_guard)
            (void)json_number(json, "guard", step->guard.numerator, step->guard.denominator);
        else
            json_nothing(json, "guard");
        json_text(json, "guard_unit",
                  step->has_guard && step->guard_unit && step->guard_unit[0] ? step->guard_unit : NULL);
    }
    json_close(json, '}');
}

static bool step_reads(const struct def_step *step, uint32_t reading)
{
    return ((step->kind == STEP_READING || step->kind == STEP_IDENTITY) && step->reading == reading) ||
           (step->kind == STEP_ACTION && step->outcome == reading);
}

static void put_uses(struct document *document, const struct explain_item *item)
{
    static const char *const uses[] = {"decides", "other stretch", "none"};
    const struct attempt_result *attempt = explain_attempt(document->about->verdict, item);
    struct json *json = &document->json;
    json_open(json, "steps", '[');
    for (uint32_t i = 0; attempt && i < document->definitions->step_count; i++) {
        const struct step_result *result = &attempt->steps[i];
        if (!step_reads(result->step, item->reading))
            continue;
        json_open(json, NULL, '{');
        json_text(json, "step", result->step->name);
        json_unsigned(json, "part", attempt->part);
        json_unsigned(json, "attempt", attempt->number);
        json_bool(json, "counts", attempt->last);
        put_definition(document, result->step->place);
        put_limit(document, result->step);
        json_text(json, "standing", result->step->kind == STEP_READING
                                        ? explain_stand_text(explain_stand_of(&item->value, result->step))
                                        : NULL);
        json_text(json, "use", uses[explain_use_of(item, result)]);
        json_text(json, "answer", step_answer_text(result->answer));
        json_text(json, "reason", result->reason);
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_labels(struct document *document, unsigned labels)
{
    static const char *const names[] = {"asked for", "first", "lowest", "highest", "last", "deciding"};
    json_open(&document->json, "shown_as", '[');
    for (unsigned bit = 0; bit < sizeof names / sizeof names[0]; bit++)
        if (labels & 1u << bit)
            json_text(&document->json, NULL, names[bit]);
    json_close(&document->json, ']');
}

static void put_item(struct document *document, const struct explain_item *item)
{
    struct json *json = &document->json;
    char seconds[TEXT_TIME_MAX];
    json_open(json, NULL, '{');
    put_labels(document, item->labels);
    if (item->reading != DEF_NONE) {
        const struct def_reading *reading = &document->definitions->readings[item->reading];
        json_text(json, "reading", view_reading_name(document->explain->view, reading));
        put_definition(document, reading->place);
        put_value(document, &item->value);
    } else {
        json_nothing(json, "reading");
    }
    json_text(json, "module", view_module_name(document->explain->view, item->module));
    json_text(json, "bus", view_bus_name(document->explain->view, item->bus));
    json_time(json, "time", item->time);
    (void)text_seconds(item->time - document->about->first_time, seconds);
    json_text(json, "seconds", seconds);
    json_unsigned(json, "first_frame", item->first_frame);
    json_unsigned(json, "last_frame", item->last_frame);
    json_bool(json, "broadcast", item->broadcast);
    json_bool(json, "in_question", item->of_request);
    put_question(document, item);
    json_hex_number(json, "id", item->id & ~DEF_ID_29, item->id & DEF_ID_29 ? 8 : 3);
    if (item->has_address_byte)
        json_hex_number(json, "address_byte", item->address_byte, 2);
    else
        json_nothing(json, "address_byte");
    json_hex(json, "message", item->bytes, shown_of(item->bytes, item->received));
    json_unsigned(json, "length", item->length);
    put_frames(document, item);
    if (item->reading != DEF_NONE) {
        put_fields(document, item);
        put_uses(document, item);
    }
    json_close(json, '}');
}

void explain_json(struct sink *sink, const struct explain *explain, const struct verdict_about *about,
                  const struct attempt_result *attempt)
{
    struct document document = {.explain = explain, .about = about, .definitions = about->definitions};
    struct json *json = &document.json;
    json_begin(json, sink);
    json_open(json, NULL, '{');
    json_unsigned(json, "format", 1);
    json_text(json, "version", TT_VERSION);
    if (explain->step) {
        const struct step_result *result = explain->step;
        json_text(json, "step", result->step->name);
        json_unsigned(json, "part", attempt->part);
        json_unsigned(json, "attempt", attempt->number);
        put_definition(&document, result->step->place);
        put_limit(&document, result->step);
        json_text(json, "answer", step_answer_text(result->answer));
        json_text(json, "reason", result->reason);
    } else {
        json_nothing(json, "step");
    }
    json_open(json, "values", '[');
    for (uint32_t i = 0; i < explain->item_count; i++)
        put_item(&document, &explain->items[i]);
    json_close(json, ']');
    json_close(json, '}');
    json_end(json);
}
