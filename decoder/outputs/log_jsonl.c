/* See log_jsonl.h. */
#include "log_jsonl.h"

#include <string.h>

#include "../stages/service.h"
#include "../support/bytes.h"
#include "../support/text.h"

#define QUESTION_SHOWN 16 /* bytes of a question repeated beside each code; the exchange has it whole */

static void begin(const struct view *view, struct row *row, struct sink *sink, const char *kind, const char *bus,
                  int64_t time, uint64_t first_frame, uint64_t last_frame)
{
    row_begin(row, sink, ROW_JSON, kind);
    view_head(view, row, bus, time, first_frame, last_frame);
}

void log_message(const struct view *view, struct sink *sink, const struct message *message)
{
    if (message->state == MESSAGE_ABANDONED)
        view_message(view, sink, ROW_JSON, message);
}

/* The entries of a list of codes: DTCHighByte, MiddleByte, LowByte, statusOfDTC (ISO 14229-1:2020 12.3); of ISO 14230-3
 * two bytes of code and one of status. */
static void put_codes(const struct view *view, struct sink *sink, const struct exchange_event *event,
                      const struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    const struct message *answer = event->response;
    struct bytes cursor = bytes_of(answer->bytes, answer->received);
    const struct def_module *module = view->definitions && exchange->module < view->definitions->module_count
                                          ? &view->definitions->modules[exchange->module]
                                          : NULL;
    uint32_t shown = exchange->request_kept < QUESTION_SHOWN ? exchange->request_kept : QUESTION_SHOWN;
    bytes_skip(&cursor, content->entries_offset);
    for (uint32_t i = 0; i < content->count; i++) {
        char text[9];
        struct row row;
        bool two_byte = content->kind == SERVICE_CODES_14230;
        uint32_t code = two_byte ? bytes_be16(&cursor) : bytes_be24(&cursor);
        uint8_t status = bytes_u8(&cursor);
        if (cursor.bad)
            return;
        const uint8_t raw[3] = {(uint8_t)(code >> 16), (uint8_t)(code >> 8), (uint8_t)code};
        standard_dtc_text(code, two_byte, text);
        begin(view, &row, sink, "code", view_bus_name(view, exchange->bus), exchange->response.last_time,
              exchange->response.first_frame,
              exchange->response.last_frame);
        row_text(&row, "module", view_module_name(view, exchange->module));
        row_text(&row, "code", text);
        row_hex(&row, "raw", two_byte ? raw + 1 : raw, two_byte ? 2 : 3);
        row_hex_number(&row, "status", status, 2);
        if (shown)
            row_hex(&row, "question", exchange->request_bytes, shown);
        else
            row_null(&row, "question"); /* an answer nobody asked for */
        row_text(&row, "text", module ? definitions_code_text(module, code) : NULL);
        row_end(&row);
    }
}

void log_exchange(const struct view *view, struct sink *sink, const struct exchange_event *event,
                  const struct service_content *content)
{
    view_exchange(view, sink, ROW_JSON, event);
    bool lists = content->kind == SERVICE_CODES || content->kind == SERVICE_CODES_14230;
    if (lists && !content->malformed && !content->is_count && event->response &&
        event->exchange->nrc == 0)
        put_codes(view, sink, event, content);
}

/* What an answer holds that is no reading: not described, or not as described. */
static void put_leftover(const struct view *view, struct sink *sink, const struct reading_event *event)
{
    const struct message *message = event->message;
    struct row row;
    begin(view, &row, sink,
          event->kind == READING_FAULT     ? "fault"
          : event->kind == READING_UNKNOWN ? "unknown"
                                           : "remark",
          view_bus_name(view, message->bus), message->last_time, message->first_frame, message->last_frame);
    row_word(&row, "stage", "reading");
    row_text(&row, "reason", event->reason);
    row_text(&row, "module", view_module_name(view, event->module));
    if (event->has_key)
        row_hex_number(&row, "identifier", event->key, 4);
    else
        row_null(&row, "identifier");
    row_unsigned(&row, "length", event->length);
    if (event->kind == READING_FAULT)
        row_unsigned(&row, "needed", event->needed);
    else
        row_null(&row, "needed");
    row_end(&row);
}

void log_reading(const struct view *view, struct sink *sink, const struct reading_event *event)
{
    if (event->kind == READING_VALUE)
        view_reading(view, sink, ROW_JSON, event);
    else
        put_leftover(view, sink, event);
}

static void put_attempt(struct row *row, const struct step_event *event)
{
    if (event->part)
        row_unsigned(row, "record_part", event->part);
    else
        row_null(row, "record_part");
    if (event->attempt)
        row_unsigned(row, "attempt", event->attempt);
    else
        row_null(row, "attempt");
}

/* Of a control `set` opens an attempt, of a write the write itself: PART_START (definitions/model.h). */
static const char *action_part_text(enum action_kind kind, enum action_part part)
{
    static const char *const routine[] = {"", "start", "stop", "results"}, *const control[] = {"", "set", "return", ""};
    switch (kind) {
    case ACTION_CONTROL:
    case ACTION_CONTROL_LOCAL:
        return control[part];
    case ACTION_WRITE:
    case ACTION_WRITE_LOCAL:
        return "write";
    default:
        return routine[part];
    }
}

static const char *action_kind_text(enum action_kind kind)
{
    return kind == ACTION_CONTROL || kind == ACTION_CONTROL_LOCAL ? "control"
           : kind == ACTION_WRITE || kind == ACTION_WRITE_LOCAL   ? "write"
                                                                  : "routine";
}

static void put_action(const struct view *view, struct row *row, const struct step_event *event)
{
        row_text(row, "module", view_module_name(view, event->action->module));
    row_text(row, "name", event->action->name);
    row_word(row, "action", action_kind_text(event->action->kind));
    row_word(row, "part", action_part_text(event->action->kind, event->action_part));
    put_attempt(row, event);
    row_word(row, "state", exchange_state_text(event->state));
    if (event->nrc)
        row_hex_number(row, "nrc", event->nrc, 2);
    else
        row_null(row, "nrc");
    enum dialect dialect = view->definitions->modules[event->action->module].dialect;
    row_word(row, "nrc_name", event->nrc ? standard_nrc_name(dialect, event->nrc) : NULL);
}

static void put_stretch(const struct view *view, struct row *row, const struct step_event *event)
{
    const struct stretch *stretch = event->stretch;
    const struct def_reading *reading = &view->definitions->readings[event->step->reading];
    bool exact = true;
    row_text(row, "step", event->step->name);
    put_attempt(row, event);
    if (stretch->state) {
        row_null(row, "lowest");
        row_null(row, "highest");
    } else {
        exact = row_number(row, "lowest", stretch->lowest, reading->denominator);
        exact = row_number(row, "highest", stretch->highest, reading->denominator) && exact;
    }
    row_text(row, "unit", reading->unit[0] ? reading->unit : NULL);
    row_unsigned(row, "samples", stretch->samples);
    row_time(row, "first_time", stretch->first_time);
    row_time(row, "last_time", stretch->last_time);
    row_text(row, "state", stretch->state);
    row_bool(row, "exact", exact);
    row_bool(row, "judged", event->judged);
}

static void put_mark(struct row *row, const struct step_event *event)
{
    const struct mark *mark = event->mark;
    row_unsigned(row, "line", mark->line);
    row_word(row, "mark", mark_kind_text(mark->kind));
    row_text(row, "name", mark->name);
    row_text(row, "text", mark->text);
    row_text(row, "value", mark->value);
    row_text(row, "unit", mark->unit);
    put_attempt(row, event);
    row_text(row, "step", event->step ? event->step->name : NULL);
    row_bool(row, "bound", event->bound);
    if (mark->covered == MARK_COVER_UNKNOWN) /* no recorder wrote checkpoints beside a bare trace (D 5.7, 11.2) */
        row_null(row, "covered");
    else
        row_bool(row, "covered", mark->covered == MARK_COVERED);
    row_word(row, "cover", mark_covered_text(mark->covered));
}

/* A mark belongs to no bus: with several it is left open. */
static const char *step_bus(const struct view *view, const struct step_event *event)
{
    bool mark = event->kind == STEP_EVENT_MARK;
    return mark && view->several ? NULL : view_bus_name(view, mark ? 0 : event->bus);
}

void log_step(const struct view *view, struct sink *sink, const struct step_event *event)
{
    static const char *const kinds[] = {"action", "stretch", "mark"};
    int64_t time = event->kind == STEP_EVENT_MARK ? event->mark->time : event->time;
    struct row row;
    begin(view, &row, sink, kinds[event->kind], step_bus(view, event), time, event->first_frame, event->last_frame);
    switch (event->kind) {
    case STEP_EVENT_ACTION:
        put_action(view, &row, event);
        break;
    case STEP_EVENT_STRETCH:
        put_stretch(view, &row, event);
        break;
    case STEP_EVENT_MARK:
        put_mark(&row, event);
        break;
    }
    row_end(&row);
}

void log_unbound_mark(const struct view *view, struct sink *sink, const struct mark *mark)
{
    log_step(view, sink, &(struct step_event){.kind = STEP_EVENT_MARK, .mark = mark});
}

/* The head of a line whose frame may be unknown. */
static void begin_at(const struct view *view, struct row *row, struct sink *sink, const char *kind,
                     const struct frame *frame)
{
    if (frame) {
        begin(view, row, sink, kind, view_bus_name(view, frame->bus), frame->time, frame->number, frame->number);
        return;
    }
    row_begin(row, sink, ROW_JSON, kind);
    row_null(row, "time");
    row_null(row, "seconds");
    row_word(row, "bus", view->several ? NULL : view_bus_name(view, 0));
    row_null(row, "first_frame");
    row_null(row, "last_frame");
}

void log_fault(const struct view *view, struct sink *sink, const char *stage, const char *reason,
               const struct frame *frame)
{
    struct row row;
    begin_at(view, &row, sink, "fault", frame);
    row_word(&row, "stage", stage);
    row_text(&row, "reason", reason);
    row_null(&row, "module");
    row_null(&row, "identifier");
    row_null(&row, "length");
    row_null(&row, "needed");
    row_end(&row);
}

/* What only the recorder's events have. */
static void put_recorded(struct row *row, const struct recorder_event *event)
{
    if (event && event->has_count)
        row_unsigned(row, "count", event->count);
    else
        row_null(row, "count");
    row_text(row, "detail", event && event->detail[0] ? event->detail : NULL);
    row_bool(row, "recorder", event != NULL);
}

void log_event(const struct view *view, struct sink *sink, const char *what, const struct frame *frame)
{
    struct row row;
    begin_at(view, &row, sink, "event", frame);
    row_text(&row, "what", what);
    put_recorded(&row, NULL);
    row_end(&row);
}

void log_recorded(const struct view *view, struct sink *sink, const struct recorder_event *event,
                  const struct frame *frame)
{
    struct row row;
    bool all = event->bus == RECORDER_ALL;
    begin(view, &row, sink, "event", all ? NULL : view_bus_name(view, frame->bus), event->time, all ? 0 : event->after,
          all || event->before == UINT64_MAX ? 0 : event->before);
    row_text(&row, "what", recorder_what_text(event->what));
    put_recorded(&row, event);
    row_end(&row);
}

static void put_displayed_value(const struct view *view, struct row *row, const struct displayed *displayed,
                                const struct displayed_value *value)
{
    struct row inner;
    if (!value->there) {
        sink_text(row->sink, "null");
        return;
    }
    row_begin(&inner, row->sink, ROW_JSON, "reading");
    if (displayed->reading->kind == READING_NUMBER)
        (void)row_number(&inner, "value", value->numerator, displayed->reading->denominator);
    else
        row_null(&inner, "value");
    row_text(&inner, "unit", displayed->reading->unit[0] ? displayed->reading->unit : NULL);
    row_text(&inner, "state", value->state);
    row_time(&inner, "time", value->time);
    row_word(&inner, "bus", view_bus_name(view, value->bus));
    row_unsigned(&inner, "first_frame", value->first_frame);
    row_unsigned(&inner, "last_frame", value->last_frame);
    row_end_inner(&inner);
}

void log_displayed(const struct view *view, struct sink *sink, const struct displayed *displayed)
{
    const struct mark *mark = displayed->mark;
    struct row row;
    begin(view, &row, sink, "displayed", view->several ? NULL : view_bus_name(view, 0), mark->time, 0, 0);
    row_unsigned(&row, "line", mark->line);
    row_text(&row, "name", mark->name);
    row_text(&row, "value", mark_said(mark));
    row_text(&row, "unit", mark->unit);
    row_word(&row, "answer", displayed_answer_text(displayed->answer));
    row_unsigned(&row, "readings", displayed->count);
    row_key(&row, "agreeing");
    put_displayed_value(view, &row, displayed, &displayed->agreeing);
    row_key(&row, "nearest");
    put_displayed_value(view, &row, displayed, &displayed->nearest);
    row_key(&row, "last");
    put_displayed_value(view, &row, displayed, &displayed->last);
    row_end(&row);
}

const char *trace_ended_text(enum trace_status status)
{
    return status == TRACE_TORN ? "torn" : status == TRACE_END ? "whole" : "damaged";
}

void log_end(struct sink *sink, const struct trace_facts *traces, uint32_t count, const char *passive,
             const char *limits_fixed)
{
    sink_text(sink, "{\"kind\":\"end\",\"passive\":");
    text_json(sink, passive, strlen(passive));
    sink_text(sink, ",\"limits_fixed_before_recording\":");
    text_json(sink, limits_fixed, strlen(limits_fixed));
    sink_text(sink, ",\"traces\":[");
    for (uint32_t i = 0; i < count; i++) {
        sink_text(sink, i ? ",{\"file\":" : "{\"file\":");
        text_json(sink, traces[i].name, strlen(traces[i].name));
        sink_text(sink, ",\"bus\":");
        text_json(sink, traces[i].bus, strlen(traces[i].bus));
        sink_text(sink, ",\"sha256\":\"");
        sink_text(sink, traces[i].sha256);
        sink_text(sink, "\",\"bytes\":");
        sink_unsigned(sink, traces[i].bytes);
        sink_text(sink, ",\"frames\":");
        sink_unsigned(sink, traces[i].frames);
        sink_text(sink, ",\"ended\":\"");
        sink_text(sink, trace_ended_text(traces[i].status));
        sink_text(sink, "\"}");
    }
    sink_text(sink, "]}\n");
}
