/* See report_html.h and report_collect.h: what is kept while the run goes. */
#include "report_collect.h"

#include <stdlib.h>
#include <string.h>

#include "../stages/service_fields.h"


struct report *report_open(const struct view *view)
{
    struct report *report = calloc(1, sizeof *report);
    if (!report)
        return NULL;
    report->view = view;
    report->followed_all = true;
    uint32_t readings = view->definitions ? view->definitions->reading_count : 0;
    report->slot = malloc(readings + 1);
    if (!report->slot) {
        free(report);
        return NULL;
    }
    memset(report->slot, REPORT_NOT_FOLLOWED, readings + 1);
    if (view->definitions)
        report_follow_all(report);
    return report;
}

void report_close(struct report *report)
{
    if (!report)
        return;
    for (uint32_t i = 0; i < report->followed_count; i++) {
        free(report->followed[i].recent);
        chart_track_close(&report->followed[i].track);
    }
    free(report->slot);
    free(report);
}

/* ---- time ---- */

/* The first frame's time is known when the first event comes, not when the report is opened. */
static int64_t shift_here(struct report *report)
{
    if (!report->clock_stepped)
        report->shift = -*report->view->start;
    return report->shift;
}

static int64_t x_here(struct report *report, int64_t time)
{
    int64_t x;
    if (__builtin_add_overflow(time, shift_here(report), &x) || x < 0)
        x = 0;
    if (x > report->latest_x)
        report->latest_x = x;
    return x;
}

int64_t report_x(const struct report *report, int64_t time, uint64_t frame)
{
    int64_t shift = -*report->view->start, x;
    for (uint32_t i = 0; i < report->shift_count && (frame == 0 || report->shifts[i].frame <= frame); i++)
        shift = report->shifts[i].shift;
    if (__builtin_add_overflow(time, shift, &x) || x < 0)
        x = 0;
    return x < report->latest_x ? x : report->latest_x;
}

static void clock_stepped(struct report *report, const struct frame *frame)
{
    int64_t shift;
    if (__builtin_sub_overflow(frame->elapsed, frame->time, &shift))
        shift = 0;
    report->shift = shift;
    report->clock_stepped = true;
    if (report->shift_count < REPORT_SHIFTS)
        report->shifts[report->shift_count++] = (struct report_shift){frame->number, frame->bus, shift};
}

/* ---- what happened ---- */

static void keep_note(struct report *report, const struct report_note *note)
{
    uint64_t number = report->note_count++, half = REPORT_NOTES / 2;
    report->notes[number < half ? number : half + (number - half) % half] = *note;
}

uint32_t report_notes_kept(const struct report *report)
{
    return report->note_count < REPORT_NOTES ? (uint32_t)report->note_count : REPORT_NOTES;
}

const struct report_note *report_note_at(const struct report *report, uint32_t index)
{
    uint64_t half = REPORT_NOTES / 2, number = index;
    if (report->settled)
        return &report->notes[index];
    if (index >= half && report->note_count > REPORT_NOTES)
        number = report->note_count - REPORT_NOTES + index;
    return &report->notes[number < half ? number : half + (number - half) % half];
}

void report_settle(struct report *report)
{
    struct report_note ordered[REPORT_NOTES];
    uint32_t kept = report_notes_kept(report);
    if (kept == 0)
        return;
    for (uint32_t i = 0; i < kept; i++) {
        const struct report_note *note = report_note_at(report, i);
        uint32_t at = i;
        for (; at > 0 && ordered[at - 1].x > note->x; at--)
            ordered[at] = ordered[at - 1];
        ordered[at] = *note;
    }
    memcpy(report->notes, ordered, kept * sizeof ordered[0]);
    report->settled = true;
}

static void break_all(struct report *report)
{
    for (uint32_t i = 0; i < report->followed_count; i++) {
        chart_track_break(&report->followed[i].track);
        report->followed[i].broken = true;
    }
}

static void count_fault(struct report *report, const char *stage, const char *reason, uint64_t frame, int64_t time)
{
    for (uint32_t i = 0; i < report->fault_count; i++) {
        struct report_fault *fault = &report->faults[i];
        if (strcmp(fault->reason, reason) != 0 || strcmp(fault->stage, stage) != 0)
            continue;
        fault->count++;
        fault->last_frame = frame;
        fault->last_time = time;
        return;
    }
    if (report->fault_count == REPORT_FAULTS)
        report->faults_left_out++;
    else
        report->faults[report->fault_count++] = (struct report_fault){stage, reason, 1, frame, frame, time, time};
}

void report_fault(struct report *report, const char *stage, const char *reason, const struct frame *frame)
{
    if (frame)
        chart_lane_add(&report->broken, x_here(report, frame->time));
    count_fault(report, stage, reason, frame ? frame->number : 0, frame ? frame->time : 0);
}

void report_message(struct report *report, const struct message *message)
{
    if (message->state != MESSAGE_ABANDONED)
        return;
    chart_lane_add(&report->broken, x_here(report, message->last_time));
    count_fault(report, "message", message_reason_text(message->reason), message->last_frame, message->last_time);
}

static void count_event(struct report *report, const char *what)
{
    for (uint32_t i = 0; i < report->event_count; i++) {
        if (strcmp(report->events[i].what, what) != 0)
            continue;
        report->events[i].count++;
        return;
    }
    if (report->event_count < REPORT_EVENTS) /* there are fewer texts of this kind */
        report->events[report->event_count++] = (struct report_event_count){what, 1};
}

void report_event(struct report *report, const char *what, const struct frame *frame)
{
    struct report_note note = {.kind = NOTE_EVENT, .what = what, .module = DEF_NONE};
    bool back = strcmp(what, "the clock went back") == 0;
    if (back && frame)
        clock_stepped(report, frame);
    if (frame) {
        note.time = frame->time;
        note.first_frame = note.last_frame = frame->number;
        note.bus = frame->bus;
        note.x = x_here(report, frame->time);
        chart_lane_add(&report->lost, note.x);
    }
    break_all(report);
    keep_note(report, &note);
    count_event(report, what);
}

/* What of the recorder's notes ends a stretch of readings (D 7.6): losses, and whatever interrupts the link or the
 * clock. */
static bool interrupts(enum recorder_what what)
{
    switch (what) {
    case NOTED_SOCKET_LOST:
    case NOTED_CONTROLLER_LOST:
    case NOTED_LINK_DOWN:
    case NOTED_LINK_UP:
    case NOTED_REMOVED:
    case NOTED_BUS_OFF:
    case NOTED_RESTARTED:
    case NOTED_CLOCK_STEPPED:
    case NOTED_DISK_FULL:
    case NOTED_WRITE_FAILED:
        return true;
    default:
        return false;
    }
}

void report_recorded(struct report *report, const struct recorder_event *event, const struct frame *frame)
{
    struct report_note note = {.kind = NOTE_RECORDED, .what = recorder_what_text(event->what), .module = DEF_NONE,
                               .time = event->time, .bus = event->bus == RECORDER_ALL ? 0 : event->bus,
                               .count = event->has_count ? event->count : 0};
    if (frame && frame->number) { /* drawn by the frame it follows: the recorder's clock may be another one's */
        note.first_frame = note.last_frame = frame->number;
        note.x = x_here(report, frame->time);
    } else {
        note.x = 0;
    }
    memcpy(note.detail, event->detail, sizeof note.detail);
    if (interrupts(event->what)) {
        chart_lane_add(&report->lost, note.x);
        break_all(report);
    }
    keep_note(report, &note);
}

/* ---- exchanges ---- */

static void keep_warning(struct report *report, const struct exchange *exchange, struct report_note note)
{
    const char *text;
    if (service_warning(exchange, &text) != SERVICE_SAFETY)
        return;
    note.kind = NOTE_DANGER;
    note.what = text;
    keep_note(report, &note);
    if (report->warning_count++ >= REPORT_WARNINGS)
        return;
    report->warnings[report->warning_count - 1] = (struct report_warning){
        .text = text, .module = exchange->module, .bus = exchange->bus, .first_frame = exchange->request.first_frame,
        .last_frame = exchange->has_response ? exchange->response.last_frame : exchange->request.last_frame,
        .time = exchange->request.last_time, .state = exchange->state, .nrc = exchange->nrc,
        .dialect = exchange->dialect};
}

static void keep_identity(struct report *report, uint32_t module, uint32_t reading, uint16_t identifier,
                          const void *text, uint32_t length, const struct message *message)
{
    uint32_t kept = length < REPORT_IDENTITY_TEXT ? length : REPORT_IDENTITY_TEXT;
    for (uint32_t i = 0; i < report->identity_count; i++) {
        struct report_identity *known = &report->identities[i];
        if (known->module != module || known->reading != reading || known->identifier != identifier ||
            known->length != length || memcmp(known->text, text, kept) != 0)
            continue;
        known->count++;
        known->last_frame = message->last_frame;
        return;
    }
    if (report->identity_count == REPORT_IDENTITIES) {
        report->identities_left_out++;
        return;
    }
    struct report_identity *identity = &report->identities[report->identity_count++];
    *identity = (struct report_identity){.module = module, .reading = reading, .identifier = identifier,
                                         .length = length, .first_frame = message->first_frame,
                                         .last_frame = message->last_frame, .time = message->last_time, .count = 1};
    memcpy(identity->text, text, kept);
}

/* Identifiers F180 to F19F name hardware, software and vehicle (ISO 14229-1 annex C); described ones come as readings.
 */
static void look_for_identity(struct report *report, const struct exchange_event *event,
                              const struct service_content *content)
{
    const struct definitions *definitions = report->view->definitions;
    uint32_t module = event->exchange->module;
    if (content->kind != SERVICE_READ || content->identifier < 0xF180 || content->identifier > 0xF19F)
        return;
    if (definitions && module < definitions->module_count &&
        definitions_identifier(&definitions->modules[module], content->identifier))
        return;
    struct bytes cursor = bytes_of(event->response->bytes, event->response->received);
    bytes_skip(&cursor, content->data_offset);
    const uint8_t *text = bytes_take(&cursor, content->data_length);
    for (uint32_t i = 0; text && i < content->data_length; i++)
        if (text[i] < 0x20 || text[i] > 0x7E)
            return;
    if (text && content->data_length > 0)
        keep_identity(report, module, DEF_NONE, content->identifier, text, content->data_length, event->response);
}

static void note_unanswered(struct report *report, const struct exchange *exchange)
{
    if (report->unanswered_frame)
        return;
    report->unanswered_frame = exchange->request.first_frame;
    report->unanswered_time = exchange->request.last_time;
}

uint64_t report_pending_of(const struct report *report, uint32_t bus, uint64_t frame)
{
    uint64_t have = report->pending_count < REPORT_PENDING ? report->pending_count : REPORT_PENDING;
    for (uint64_t i = 0; i < have; i++)
        if (report->pending[i].frame == frame && report->pending[i].bus == bus)
            return report->pending[i].count;
    return 0;
}

static void count_exchange(struct report *report, const struct exchange *exchange)
{
    report->questions += exchange->state != EXCHANGE_UNSOLICITED;
    switch (exchange->state) {
    case EXCHANGE_ANSWERED:
        report->answered++;
        break;
    case EXCHANGE_REFUSED:
        report->refused_in_time++;
        break;
    case EXCHANGE_SUPPRESSED:
        report->suppressed++;
        break;
    case EXCHANGE_UNSOLICITED:
        report->unsolicited++;
        break;
    case EXCHANGE_LATE:
        report->late++;
        break;
    case EXCHANGE_MISSING:
    case EXCHANGE_ASKED_AGAIN:
        report->unanswered++;
        note_unanswered(report, exchange);
        chart_lane_add(&report->missing, x_here(report, exchange->request.last_time));
        break;
    case EXCHANGE_CUT:
        report->cut++;
        note_unanswered(report, exchange);
        chart_lane_add(&report->missing, x_here(report, exchange->request.last_time));
        break;
    default:
        break;
    }
    if (exchange->nrc)
        chart_lane_add(&report->refused, x_here(report, exchange->response.last_time));
}

void report_exchange(struct report *report, const struct exchange_event *event, const struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    const struct span *last = exchange->has_response ? &exchange->response : &exchange->request;
    struct report_note note = {.time = last->last_time, .first_frame = exchange->request_length
                                                                            ? exchange->request.first_frame
                                                                            : last->first_frame,
                               .last_frame = last->last_frame, .bus = exchange->bus, .module = exchange->module,
                               .state = exchange->state, .nrc = exchange->nrc, .dialect = exchange->dialect};
    note.x = x_here(report, note.time);
    count_exchange(report, exchange);
    keep_warning(report, exchange, note);
    if (content->is_action && content->sub_function == PART_START && exchange->nrc == 0 && exchange->request_length)
        report_keep_opening(report, exchange->module, content, exchange->request.first_frame);
    if (exchange->pending_count && content->is_action)
        report->pending[report->pending_count++ % REPORT_PENDING] =
            (struct report_pending){last->last_frame, exchange->pending_count, exchange->bus};
    if (content->kind == SERVICE_WRITE && content->identifier >= 0xF180 && content->identifier <= 0xF19F) {
        note.kind = NOTE_WRITE; /* identities are written: VIN, serial number */
        note.identifier = content->identifier;
        keep_note(report, &note);
    }
    bool codes = content->kind == SERVICE_CODES || content->kind == SERVICE_CODES_14230;
    if (codes || content->kind == SERVICE_CLEAR) {
        bool positive = exchange->has_response && exchange->nrc == 0 && !content->malformed;
        note.kind = codes ? NOTE_CODES : NOTE_CLEAR;
        note.codes = positive ? content->count : 0;
        note.is_count = content->is_count;
        keep_note(report, &note);
        if (positive && !codes) {
            report->clear_count++;
            report->clear_frame = exchange->response.last_frame;
            report->clear_time = exchange->response.last_time;
            report->clear_read = report->read_count;
        }
    }
    if (!event->response || !exchange->has_response || exchange->nrc || content->malformed)
        return;
    if (codes)
        report_codes_answer(report, event, content);
    look_for_identity(report, event, content);
}

/* ---- readings ---- */

static void keep_unknown(struct report *report, const struct reading_event *event)
{
    for (uint32_t i = 0; i < report->unknown_count; i++) {
        struct report_unknown *known = &report->unknown[i];
        if (known->module == event->module && known->has_key == event->has_key && known->key == event->key) {
            known->count++;
            return;
        }
    }
    if (report->unknown_count == REPORT_UNKNOWN)
        report->unknown_left_out++;
    else
        report->unknown[report->unknown_count++] = (struct report_unknown){
            event->module, event->key, event->has_key, event->reason, 1, event->message->first_frame};
}

/* Services whose answers may say how an action stands (service.h): ISO 14229 2F and 31, ISO 14230 30 to 3A. */
static bool is_action(const struct exchange *exchange)
{
    return exchange->service == 0x2F || (exchange->service >= 0x30 && exchange->service <= 0x3A);
}

void report_reading(struct report *report, const struct reading_event *event)
{
    if (event->kind == READING_UNKNOWN) {
        keep_unknown(report, event);
        return;
    }
    if (event->kind == READING_FAULT) {
        chart_lane_add(&report->broken, x_here(report, event->message->last_time));
        count_fault(report, "reading", event->reason, event->message->last_frame, event->message->last_time);
        return;
    }
    if (event->kind != READING_VALUE)
        return;
    const struct value *value = event->value;
    uint8_t slot = report->slot[value->reading];
    if (slot != REPORT_NOT_FOLLOWED)
        report_keep_sample(&report->followed[slot], event, x_here(report, event->message->last_time));
    const struct def_reading *reading = &report->view->definitions->readings[value->reading];
    if (value->name && event->exchange && reading->kind == READING_NUMBER && is_action(event->exchange))
        report->answers[report->answer_count++ % REPORT_ANSWERS] =
            (struct report_answer){event->message->last_frame, event->message->bus, value->name};
    if (reading->kind == READING_TEXT && value->bytes && value->state == VALUE_GOOD && event->exchange &&
        event->message->segment_count > 0)
        keep_identity(report, event->module, value->reading, 0, value->bytes, value->length, event->message);
}

/* ---- steps ---- */

void report_step(struct report *report, const struct step_event *event)
{
    struct report_note note = {.first_frame = event->first_frame, .last_frame = event->last_frame, .time = event->time,
                               .module = DEF_NONE, .state = event->state, .nrc = event->nrc};
    switch (event->kind) {
    case STEP_EVENT_STRETCH:
        report_keep_stretch(report, event);
        return;
    case STEP_EVENT_ACTION:
        note.kind = NOTE_ACTION;
        note.action = event->action;
        note.part = event->action_part;
        note.module = event->action->module;
        note.dialect = report->view->definitions->modules[event->action->module].dialect;
        break;
    case STEP_EVENT_MARK: {
        const struct report_note *last =
            report->note_count ? report_note_at(report, report_notes_kept(report) - 1) : NULL;
        if (last && last->kind == NOTE_MARK && last->mark == event->mark)
            return; /* a moment of several steps comes once for each */
        note.kind = NOTE_MARK;
        note.mark = event->mark;
        note.bound = event->bound;
        note.time = event->mark->time;
        break;
    }
    }
    note.x = x_here(report, note.time);
    keep_note(report, &note);
}
