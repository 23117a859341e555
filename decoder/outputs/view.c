/* See view.h. Keys and their order: D 9.3. */
#include "view.h"

#include <string.h>

#include "../stages/service_fields.h"
#include "../support/text.h"

const char view_frame_columns[] = "frame,time,seconds,bus,id,form,bytes,length,flags,class,error";
const char view_message_columns[] =
    "time,seconds,bus,first_frame,last_frame,id,address_byte,length,bytes,state,reason,remarks";
const char view_exchange_columns[] =
    "time,seconds,bus,first_frame,last_frame,module,service,service_name,request,responses,"
    "state,nrc,nrc_name,pending,functional";

const char *view_module_name(const struct view *view, uint32_t module)
{
    if (view->definitions && module < view->definitions->module_count)
        return view->definitions->modules[module].name;
    return view->pipeline && *view->pipeline ? pipeline_module_name(*view->pipeline, module) : "";
}

const char *view_reading_name(const struct view *view, const struct def_reading *reading)
{
    const struct definitions *definitions = view->definitions;
    return definitions->module_count == 1 || reading->module == definitions->main_module ? reading->name
                                                                                        : reading->long_name;
}

void view_put_file(const struct view *view, struct sink *sink, uint32_t file)
{
    char room[PIPELINE_FILE_NAME];
    sink_text(sink, pipeline_file_name(view->pipeline ? *view->pipeline : NULL, file, room));
}

const char *view_bus_name(const struct view *view, uint32_t bus)
{
    return pipeline_bus_name(view->pipeline ? *view->pipeline : NULL, bus);
}

void view_head(const struct view *view, struct row *row, const char *bus, int64_t time, uint64_t first_frame,
               uint64_t last_frame)
{
    row_time(row, "time", time);
    row_seconds(row, "seconds", time - *view->start);
    row_word(row, "bus", bus);
    if (first_frame)
        row_unsigned(row, "first_frame", first_frame);
    else
        row_null(row, "first_frame");
    if (last_frame)
        row_unsigned(row, "last_frame", last_frame);
    else
        row_null(row, "last_frame");
}

/* ---- frame ---- */

/* In text the fields behind `bytes` stand only where they say something, so that a classic frame is as short as D 9.2
 * shows it. */
static void put_frame_rest(struct row *row, const struct frame *frame, const char *wrong)
{
    bool always = row->form != ROW_TEXT;
    char words[FRAME_ERROR_TEXT];
    if (always || (frame->remote && !frame->error))
        row_unsigned(row, "length", wrong ? 0 : frame->length);
    if (frame->fd && (frame->brs || frame->esi))
        row_text(row, "flags", frame->brs && frame->esi ? "brs esi" : frame->brs ? "brs" : "esi");
    else if (always)
        row_null(row, "flags");
    if (frame->error && !wrong)
        row_hex_number(row, "class", frame->error & 0x1FFFFFFF, 3);
    else if (always)
        row_null(row, "class");
    if (frame->error && !wrong)
        (void)frame_error_text(frame, words, sizeof words);
    if (wrong || frame->error)
        row_text(row, "error", wrong ? wrong : words);
    else if (always)
        row_null(row, "error");
}

void view_frame(const struct view *view, struct sink *sink, enum row_form form, const struct frame *frame,
                const char *wrong)
{
    bool has_data = !wrong && (!frame->remote || frame->error);
    struct row row;
    row_begin(&row, sink, form, "frame");
    row_unsigned(&row, "frame", frame->number);
    row_time(&row, "time", frame->time);
    row_seconds(&row, "seconds", frame->time - *view->start);
    row_word(&row, "bus", view_bus_name(view, frame->bus));
    if (frame->error || (wrong && frame->id == 0 && !frame->extended))
        row_null(&row, "id");
    else
        row_hex_number(&row, "id", frame->id, frame->extended ? 8 : 3);
    row_word(&row, "form", wrong           ? "unreadable"
                           : frame->error  ? "error"
                           : frame->remote ? "remote"
                           : frame->fd     ? "fd"
                                           : "classic");
    row_hex(&row, "bytes", frame->data, has_data ? frame->length : 0);
    put_frame_rest(&row, frame, wrong);
    row_end(&row);
}

/* How many of a message's bytes are shown: a seed or key is not (D 8.6). `length` tells that something is there. */
static uint32_t shown_bytes(const struct view *view, const uint8_t *bytes, uint32_t count)
{
    if (view->secrets || count == 0 || (bytes[0] & 0xBF) != 0x27) /* SecurityAccess, question or answer */
        return count;
    uint32_t secret = service_secret_offset(bytes, count);
    return secret < count ? secret : count;
}

/* ---- message ---- */

/* All remarks as one text, "; " between them. */
static void put_remarks_text(struct row *row, unsigned remarks)
{
    char text[512];
    size_t used = 0;
    for (unsigned bit = 0; bit < REMARK_COUNT; bit++) {
        if (!(remarks & 1u << bit))
            continue;
        const char *word = message_remark_text(bit);
        size_t length = strlen(word);
        if (used + length + 2 > sizeof text)
            break;
        if (used) {
            memcpy(text + used, "; ", 2);
            used += 2;
        }
        memcpy(text + used, word, length);
        used += length;
    }
    row_text_of(row, "remarks", text, used);
}

static void put_remarks(struct row *row, unsigned remarks)
{
    if (row->form != ROW_JSON) {
        if (remarks)
            put_remarks_text(row, remarks);
        else
            row_null(row, "remarks");
        return;
    }
    row_key(row, "remarks");
    sink_char(row->sink, '[');
    bool first = true;
    for (unsigned bit = 0; bit < REMARK_COUNT && remarks >> bit; bit++) {
        if (!(remarks & 1u << bit))
            continue;
        if (!first)
            sink_char(row->sink, ',');
        first = false;
        text_json(row->sink, message_remark_text(bit), strlen(message_remark_text(bit)));
    }
    sink_char(row->sink, ']');
}

void view_message(const struct view *view, struct sink *sink, enum row_form form, const struct message *message)
{
    struct row row;
    row_begin(&row, sink, form, "message");
    view_head(view, &row, view_bus_name(view, message->bus), message->last_time, message->first_frame,
              message->last_frame);
    row_hex_number(&row, "id", message->id & ~DEF_ID_29, message->id & DEF_ID_29 ? 8 : 3); /* D 9.3 */
    if (message->has_address_byte)
        row_hex_number(&row, "address_byte", message->address_byte, 2);
    else
        row_null(&row, "address_byte");
    row_unsigned(&row, "length", message->length);
    row_hex(&row, "bytes", message->bytes, shown_bytes(view, message->bytes, message->received));
    row_word(&row, "state", message->state == MESSAGE_COMPLETE ? "complete" : "abandoned");
    row_word(&row, "reason", message->state == MESSAGE_COMPLETE ? NULL : message_reason_text(message->reason));
    put_remarks(&row, message->remarks);
    row_end(&row);
}

/* ---- exchange ---- */

/* One question or answer as a JSON object. */
static void put_part(struct sink *sink, const struct span *span, const uint8_t *bytes, uint32_t kept, uint32_t length)
{
    char time[TEXT_TIME_MAX];
    sink_put(sink, "{\"first_frame\":", 15);
    sink_unsigned(sink, span->first_frame);
    sink_put(sink, ",\"last_frame\":", 14);
    sink_unsigned(sink, span->last_frame);
    sink_put(sink, ",\"time\":\"", 9);
    sink_put(sink, time, text_time(span->last_time, time));
    sink_put(sink, "\",\"bytes\":\"", 11);
    sink_hex(sink, bytes, kept);
    sink_put(sink, "\",\"length\":", 11);
    sink_unsigned(sink, length);
    sink_char(sink, '}');
}

static uint32_t pending_kept(const struct exchange *exchange)
{
    return exchange->pending_count < EXCHANGE_PENDING_KEPT ? (uint32_t)exchange->pending_count : EXCHANGE_PENDING_KEPT;
}

static void put_responses(const struct view *view, struct row *row, const struct exchange *exchange,
                          const struct message *response)
{
    bool json = row->form == ROW_JSON, final = exchange->has_response && response;
    uint32_t pending = pending_kept(exchange), count = pending + (final ? 1 : 0);
    uint32_t shown = final ? shown_bytes(view, response->bytes, response->received) : 0;
    bool quoted = row->form == ROW_TEXT && count > 1; /* text: the answers between spaces */
    row_key(row, "responses");
    if (json || quoted)
        sink_char(row->sink, json ? '[' : '"');
    for (uint32_t i = 0; i < count; i++) {
        const struct exchange_pending *asked = &exchange->pending[i < pending ? i : 0];
        if (i > 0)
            sink_char(row->sink, json ? ',' : ' ');
        if (json && i < pending)
            put_part(row->sink, &asked->span, asked->bytes, sizeof asked->bytes, sizeof asked->bytes);
        else if (json)
            put_part(row->sink, &exchange->response, response->bytes, shown, response->length);
        else if (i < pending)
            sink_hex(row->sink, asked->bytes, sizeof asked->bytes);
        else
            sink_hex(row->sink, response->bytes, shown);
    }
    if (json || quoted)
        sink_char(row->sink, json ? ']' : '"');
}

/* The newest of an exchange's messages. */
static const struct span *last_span(const struct exchange *exchange)
{
    if (exchange->has_response)
        return &exchange->response;
    if (exchange->pending_count > 0)
        return &exchange->pending[pending_kept(exchange) - 1].span;
    return &exchange->request;
}

struct fields_context {
    struct sink *sink;
    bool first;
};

/* {"kind":"answer","name":"DTC","index":1,"value":8429577,"text":"B00A0-09","remark":null}; bytes are hex text. */
static void put_field(void *context, const struct service_field *field)
{
    struct fields_context *fields = context;
    struct row row;
    if (!fields->first)
        sink_char(fields->sink, ',');
    fields->first = false;
    row_begin(&row, fields->sink, ROW_JSON, field->of_answer ? "answer" : "request");
    row_word(&row, "name", field->name);
    if (field->index)
        row_unsigned(&row, "index", field->index);
    else
        row_null(&row, "index");
    if (field->kind == SERVICE_FIELD_NUMBER)
        row_unsigned(&row, "value", field->number);
    else if (field->kind == SERVICE_FIELD_TEXT)
        row_text_of(&row, "value", field->bytes, field->length);
    else if (field->kind == SERVICE_FIELD_MASKED)
        row_null(&row, "value");
    else
        row_hex(&row, "value", field->bytes, field->length);
    row_text(&row, "text", field->text);
    row_text(&row, "remark", field->remark);
    row_end_inner(&row);
}

static void put_fields(struct row *row, const struct exchange_event *event, bool secrets)
{
    struct fields_context fields = {.sink = row->sink, .first = true};
    row_key(row, "fields");
    sink_char(row->sink, '[');
    service_fields(event, secrets, put_field, &fields);
    sink_char(row->sink, ']');
}

void view_exchange(const struct view *view, struct sink *sink, enum row_form form, const struct exchange_event *event)
{
    const struct exchange *exchange = event->exchange;
    const struct span *last = last_span(exchange);
    bool asked = exchange->request_length > 0;
    uint32_t asked_shown = asked ? shown_bytes(view, exchange->request_bytes, exchange->request_kept) : 0;
    struct row row;
    row_begin(&row, sink, form, "exchange");
    view_head(view, &row, view_bus_name(view, exchange->bus), last->last_time,
              asked ? exchange->request.first_frame : last->first_frame, last->last_frame);
    row_text(&row, "module", view_module_name(view, exchange->module));
    row_hex_number(&row, "service", exchange->service, 2);
    row_word(&row, "service_name", standard_service_name(exchange->dialect, exchange->service));
    if (!asked) {
        row_null(&row, "request");
    } else if (form == ROW_JSON) {
        row_key(&row, "request");
        put_part(sink, &exchange->request, exchange->request_bytes, asked_shown, exchange->request_length);
    } else {
        row_hex(&row, "request", exchange->request_bytes, asked_shown);
    }
    put_responses(view, &row, exchange, event->response);
    row_word(&row, "state", exchange_state_text(exchange->state));
    if (exchange->nrc)
        row_hex_number(&row, "nrc", exchange->nrc, 2);
    else
        row_null(&row, "nrc");
    row_word(&row, "nrc_name", exchange->nrc ? standard_nrc_name(exchange->dialect, exchange->nrc) : NULL);
    row_unsigned(&row, "pending", exchange->pending_count);
    row_bool(&row, "functional", exchange->functional);
    if (form == ROW_JSON) {
        const char *warning;
        (void)service_warning(exchange, &warning);
        row_word(&row, "warning", warning);
    }
    if (view->fields && form == ROW_JSON)
        put_fields(&row, event, view->secrets);
    row_end(&row);
}

/* ---- reading ---- */

/* The first segment that reaches beyond payload position `at`. */
static uint32_t segment_at(const struct message *message, uint32_t at)
{
    uint32_t low = 0, high = message->segment_count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (message->segments[middle].start + message->segments[middle].length <= at)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* The file places of length payload bytes from `at`: one per segment they touch. */
static void put_places(const struct view *view, struct row *row, const struct message *message, uint32_t at,
                       uint32_t length, bool *first)
{
    for (uint32_t i = segment_at(message, at); i < message->segment_count && length > 0; i++) {
        const struct segment *segment = &message->segments[i];
        if (at < segment->start)
            return;
        uint32_t skipped = at - segment->start, here = segment->length - skipped;
        here = here < length ? here : length;
        if (!*first)
            sink_char(row->sink, ',');
        *first = false;
        if (row->form == ROW_JSON) {
            sink_put(row->sink, "{\"file\":\"", 9);
            view_put_file(view, row->sink, segment->file);
            sink_put(row->sink, "\",\"offset\":", 11);
            sink_unsigned(row->sink, segment->offset + skipped);
            sink_put(row->sink, ",\"length\":", 10);
            sink_unsigned(row->sink, here);
            sink_char(row->sink, '}');
        } else {
            view_put_file(view, row->sink, segment->file);
            sink_char(row->sink, ':');
            sink_unsigned(row->sink, segment->offset + skipped);
            sink_char(row->sink, '+');
            sink_unsigned(row->sink, here);
        }
        at += here;
        length -= here;
    }
}

const char *view_value_remark(const struct value *value, bool exact)
{
    if (value->state == VALUE_ABSENT)
        return "no value";
    if (value->state == VALUE_INVALID)
        return "outside the valid range";
    return exact ? NULL : "rounded to 18 places";
}

void view_reading(const struct view *view, struct sink *sink, enum row_form form, const struct reading_event *event)
{
    const struct value *value = event->value;
    const struct message *message = event->message;
    const struct def_reading *reading = &view->definitions->readings[value->reading];
    bool numeric = value->has_number, exact = true;
    struct row row;
    row_begin(&row, sink, form, "reading");
    view_head(view, &row, view_bus_name(view, message->bus), message->last_time, message->first_frame,
              message->last_frame);
    row_text(&row, "module", view_module_name(view, reading->module));
    row_text(&row, "name", reading->name);
    if (numeric) {
        exact = row_number(&row, "value", value->numerator, reading->denominator);
        row_bool(&row, "exact", exact);
    } else {
        row_null(&row, "value");
        row_null(&row, "exact");
    }
    row_text(&row, "unit", reading->unit[0] ? reading->unit : NULL);
    if (reading->kind == READING_TEXT && value->bytes)
        row_text_of(&row, "text", value->bytes, value->length);
    else
        row_text(&row, "text", value->name);
    if (value->bytes)
        row_hex(&row, "raw", value->bytes, value->length);
    else
        row_null(&row, "raw");
    row_key(&row, "at");
    if (form == ROW_JSON)
        sink_char(sink, '[');
    bool first = true;
    for (uint32_t i = 0; i < value->at_count; i++)
        put_places(view, &row, message, event->base + value->at[i].offset, value->at[i].length, &first);
    if (form == ROW_JSON)
        sink_char(sink, ']');
    row_word(&row, "remark", view_value_remark(value, exact));
    row_end(&row);
}
