/*
 * The front of the step stage: turns what the other stages say into notes, lets them wait where an answer is still to
 * come, and hands them to the judge in file order with what became of every request.
 */
#include "step.h"
#include "step_part.h"
#include "step_facts.h"
#include "step_queue.h"
#include "../support/bytes.h"
#include "../support/shortage.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

enum reading_use { USE_SAMPLE = 1, USE_TEXT = 2 };

#define WAITING_MAX 65536u        /* requests whose answer notes wait for, resolved ones included */

struct waiting {
    struct resolution resolution;
    bool resolved;
};

struct step_stage {
    const struct definitions *definitions;
    const struct marks *marks;
    struct judge *judge;
    struct step_queue queue;
    struct waiting *waiting; /* in order of their requests */
    uint32_t waiting_count, waiting_room;
    uint8_t *uses;           /* enum reading_use bits per reading */
    bool service_asked[256]; /* some step asks whether this service was answered */
    struct identities identities;
    uint64_t repeated;       /* serial of an answer that only repeats the one before it: no new sample; 0 */
    bool started, failed;
    int errno_value;
    uint8_t *extra;          /* for a text note: text, then answer */
    size_t extra_room;
};

static void fail(struct step_stage *stage, int why)
{
    if (!stage->failed)
        stage->errno_value = why;
    if (why == 0 || why == ENOMEM)
        shortage_note();
    stage->failed = true;
}

static struct waiting *waiting_of(struct step_stage *stage, uint64_t serial)
{
    /* Serials rise in the order of the requests, and so do these entries: the newest is nearly always meant. */
    for (uint32_t i = stage->waiting_count; i-- > 0 && stage->waiting[i].resolution.serial >= serial;)
        if (stage->waiting[i].resolution.serial == serial)
            return &stage->waiting[i];
    return NULL;
}

/* Judges queued notes up to the first whose request is still open. */
static void drain(struct step_stage *stage)
{
    struct note note;
    const uint8_t *extra;
    uint32_t done = 0;
    while (step_queue_peek(&stage->queue, &note, &extra)) {
        const struct resolution *resolution = NULL;
        if (note.kind == NOTE_START || note.kind == NOTE_IDENTITY_ASKED) {
            /* waiting entries stand in the order of their notes */
            struct waiting *waiting = &stage->waiting[done];
            if (!waiting->resolved)
                break;
            resolution = &waiting->resolution;
            done++;
        }
        judge_note(stage->judge, &note, extra, resolution);
        step_queue_drop(&stage->queue);
    }
    if (stage->queue.failed)
        fail(stage, stage->queue.errno_value);
    if (done) {
        stage->waiting_count -= done;
        memmove(stage->waiting, stage->waiting + done, stage->waiting_count * sizeof *stage->waiting);
    }
}

static void note_put(struct step_stage *stage, const struct note *note, const uint8_t *extra)
{
    if (!stage->started) {
        stage->started = true;
        judge_frames(stage->judge, note->bus, note->first_frame, note->time);
    }
    if (stage->queue.count == 0 && note->kind != NOTE_START && note->kind != NOTE_IDENTITY_ASKED)
        judge_note(stage->judge, note, extra, NULL);
    else if (!step_queue_put(&stage->queue, note, extra))
        fail(stage, stage->queue.errno_value);
}

static void note_wait(struct step_stage *stage, const struct note *note)
{
    if (stage->waiting_count == WAITING_MAX) { /* only a hostile record gets here: the oldest counts as not answered */
        stage->waiting[0].resolved = true;
        drain(stage);
    }
    if (stage->waiting_count == stage->waiting_room) {
        uint32_t room = stage->waiting_room ? stage->waiting_room * 2 : 8;
        struct waiting *grown = realloc(stage->waiting, room * sizeof *grown);
        if (!grown) {
            fail(stage, 0);
            return;
        }
        stage->waiting = grown;
        stage->waiting_room = room;
    }
    memset(&stage->waiting[stage->waiting_count], 0, sizeof *stage->waiting);
    stage->waiting[stage->waiting_count++].resolution.serial = note->serial;
    note_put(stage, note, NULL);
}

static struct note note_of(enum note_kind kind, const struct exchange *exchange, const struct span *span)
{
    return (struct note){
        .kind = kind, .module = exchange->module, .serial = exchange->serial, .first_frame = span->first_frame,
        .last_frame = span->last_frame, .time = span->last_time, .elapsed = span->last_elapsed,
        .epoch = span->last_epoch, .bus = exchange->bus, .request_frame = exchange->request.first_frame,
    };
}

static bool is_opening_action(const struct step_stage *stage, const struct def_action *action)
{
    for (uint32_t i = 0; i < stage->definitions->step_count; i++)
        if (stage->definitions->steps[i].opens_attempt &&
            &stage->definitions->actions[stage->definitions->steps[i].action] == action)
            return true;
    return false;
}

/* The described action that a request or answer is about; NULL when it is about none. */
static const struct def_action *action_of(const struct step_stage *stage, const struct exchange *exchange,
                                          const struct service_content *content)
{
    if (!content->is_action || content->malformed)
        return NULL;
    return definitions_action(stage->definitions, exchange->module, content->action_kind, content->key);
}

void step_push_request(struct step_stage *stage, const struct exchange *exchange, const struct service_content *content)
{
    /* A question of which the listener lost a part was asked all the same: what its beginning says counts. */
    const struct def_action *action = content->is_action
        ? definitions_action(stage->definitions, exchange->module, content->action_kind, content->key) : NULL;
    if (action && content->sub_function == PART_START && is_opening_action(stage, action)) {
        struct note note = note_of(NOTE_START, exchange, &exchange->request);
        note_wait(stage, &note);
    } else if (identities_asked(&stage->identities, exchange, content)) {
        struct note note = note_of(NOTE_IDENTITY_ASKED, exchange, &exchange->request);
        note_wait(stage, &note);
    } else if (content->kind == SERVICE_SETTING && !content->malformed && (content->sub_function == 1 || content->sub_function == 2)) {
        struct note note = note_of(NOTE_SETTING, exchange, &exchange->request);
        note.setting.on = content->sub_function == 1;
        note.setting.suppressed = exchange->suppress;
        note_put(stage, &note, NULL);
    } else if (content->kind == SERVICE_CLEAR) {
        struct note note = note_of(NOTE_CLEAR, exchange, &exchange->request);
        note_put(stage, &note, NULL);
    }
}

static void resolve(struct step_stage *stage, const struct exchange_event *event, const struct service_content *content,
                    bool positive)
{
    const struct exchange *exchange = event->exchange;
    struct waiting *waiting = stage->waiting_count ? waiting_of(stage, exchange->serial) : NULL;
    if (!waiting || waiting->resolved)
        return;
    waiting->resolved = true;
    waiting->resolution.positive = positive;
    waiting->resolution.refused = exchange->has_response && exchange->nrc;
    waiting->resolution.nrc = exchange->nrc;
    if (exchange->has_response) {
        waiting->resolution.answer_first_frame = exchange->response.first_frame;
        waiting->resolution.answer_last_frame = exchange->response.last_frame;
        waiting->resolution.answer_time = exchange->response.last_time;
    }
    if (positive)
        waiting->resolution.split = identities_read(&stage->identities, event, content, waiting->resolution.why);
    if (waiting == stage->waiting)
        drain(stage);
}

static void codes_push(struct step_stage *stage, const struct exchange_event *event, const struct service_content *content,
                       struct note *note)
{
    note->kind = NOTE_CODES;
    bool asked = event->exchange->state != EXCHANGE_UNSOLICITED;
    for (uint32_t i = 0; i < stage->definitions->step_count; i++) {
        const struct def_step *step = &stage->definitions->steps[i];
        if (step->kind == STEP_CODES && step->module == note->module)
            facts_codes(&stage->definitions->modules[note->module], step, UINT64_C(1) << i, content, event, asked,
                        note);
    }
    note->codes.mask = content->is_supported ? 0xFF : content->mask;
    note->codes.has_mask = content->has_mask;
    note->codes.shared = event->rival_count > 0;
    note->extra = event->response->received;
    note_put(stage, note, event->response->bytes);
}

/* An answer that tells of codes, and of which not all can be read (D 7.10: a later one can contradict). */
static void codes_torn(struct step_stage *stage, const struct note *at)
{
    struct note note = *at;
    note.kind = NOTE_CODES;
    note.extra = 0;
    memset(&note.codes, 0, sizeof note.codes);
    note.codes.torn = true;
    note_put(stage, &note, NULL);
}

static void gap_put(struct step_stage *stage, enum gap_kind kind, const struct note *at)
{
    struct note note = *at;
    note.kind = NOTE_GAP;
    note.index = (uint32_t)kind;
    note.extra = 0;
    memset(&note.gap, 0, sizeof note.gap);
    note_put(stage, &note, NULL);
}

/* An identity in an answer whose request the record lacks: another one than before splits the record right here. */
static void split_here(struct step_stage *stage, const struct exchange_event *event, const struct service_content *content,
                       const struct note *at)
{
    char why[VERDICT_REASON_MAX];
    if (!identities_read(&stage->identities, event, content, why))
        return;
    struct note note = *at;
    note.kind = NOTE_SPLIT;
    note.extra = (uint32_t)strlen(why);
    note_put(stage, &note, (const uint8_t *)why);
}

void step_push_answer(struct step_stage *stage, const struct exchange_event *event, const struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    bool positive = exchange->has_response && !exchange->nrc && event->response;
    bool asked = exchange->state != EXCHANGE_UNSOLICITED;
    resolve(stage, event, content, positive);
    if (event->repeated)
        stage->repeated = exchange->serial;

    /* By far the most frequent answer: what it says are its readings, which come by themselves. */
    if (content->kind == SERVICE_READ && positive && asked && !stage->service_asked[exchange->service])
        return;

    struct note note = note_of(NOTE_SERVICE, exchange, exchange->has_response ? &exchange->response : &exchange->request);
    note.positive = positive;
    note.refused = exchange->has_response && exchange->nrc;
    note.nrc = exchange->nrc;
    note.unsolicited = !asked;
    const uint8_t *answer = positive ? event->response->bytes : NULL;
    uint32_t length = positive ? event->response->received : 0;

    struct note told = note;
    const struct def_action *action = action_of(stage, exchange, content);
    if (action) {
        if (positive && !asked && content->sub_function == PART_START && is_opening_action(stage, action)) {
            told.kind = NOTE_STARTED;
            note_put(stage, &told, NULL);
        }
        told.kind = NOTE_ACTION;
        told.index = (uint32_t)(action - stage->definitions->actions);
        told.action.part = (enum action_part)content->sub_function;
        told.action.state = exchange->state;
        told.extra = length;
        note_put(stage, &told, answer);
        told = note;
    }
    switch (content->kind) {
    case SERVICE_READ:
    case SERVICE_READ_LOCAL:
    case SERVICE_IDENTIFICATION:
    case SERVICE_VEHICLE_INFORMATION:
        if (positive && !asked)
            split_here(stage, event, content, &note);
        if (note.refused)
            gap_put(stage, GAP_REFUSED, &note);
        else if (!positive && asked && exchange->state != EXCHANGE_CUT)
            gap_put(stage, GAP_MISSING, &note);
        break;
    case SERVICE_CODES:
    case SERVICE_CODES_14230:
        if (positive && !content->malformed)
            codes_push(stage, event, content, &told);
        else if (positive) {
            gap_put(stage, GAP_FAULT, &note);
            codes_torn(stage, &note);
        }
        break;
    case SERVICE_CLEAR:
        told.kind = NOTE_CLEAR;
        told.clear.closed = true;
        if (asked || positive)
            note_put(stage, &told, NULL);
        break;
    case SERVICE_SETTING:
        told.kind = NOTE_SETTING;
        told.setting.on = content->sub_function == 1 && !content->malformed;
        if (!asked && positive && content->sub_function == 2) /* its request is missing in the record; off it is */
            note_put(stage, &told, NULL);
        told.setting.closed = true;
        if (asked || positive)
            note_put(stage, &told, NULL);
        break;
    case SERVICE_RESET:
    case SERVICE_SESSION:
        if (!positive || (content->kind == SERVICE_SESSION && (content->malformed || !content->is_default_session)))
            break;
        told.kind = NOTE_DEFAULTS;
        note_put(stage, &told, NULL);
        if (content->kind == SERVICE_RESET)
            gap_put(stage, GAP_RESET, &note);
        break;
    case SERVICE_WRITE:
        if (positive && asked && !content->malformed) {
            told.kind = NOTE_WRITE;
            told.index = content->key | (content->action_kind == ACTION_WRITE_LOCAL ? NOTE_WRITE_LOCAL : 0);
            identities_written(&stage->identities, exchange->module, told.index);
            note_put(stage, &told, NULL);
        }
        break;
    default:
        break;
    }
    if (stage->service_asked[exchange->service] && asked) {
        note.service = exchange->service;
        note.extra = length;
        note_put(stage, &note, answer);
    }
}

static struct note note_of_message(enum note_kind kind, const struct message *message, uint32_t module)
{
    return (struct note){
        .kind = kind, .module = module, .first_frame = message->first_frame, .last_frame = message->last_frame,
        .time = message->last_time, .elapsed = message->last_elapsed, .epoch = message->last_epoch,
        .bus = message->bus,
    };
}

static void text_push(struct step_stage *stage, const struct reading_event *event)
{
    const struct value *value = event->value;
    struct note note = note_of_message(NOTE_TEXT, event->message, event->module);
    size_t need = (size_t)value->length + event->message->received;
    if (need > stage->extra_room) {
        uint8_t *grown = realloc(stage->extra, need);
        if (!grown) {
            fail(stage, 0);
            return;
        }
        stage->extra = grown;
        stage->extra_room = need;
    }
    note.index = value->reading;
    note.text.length = value->length;
    note.extra = (uint32_t)need;
    if (value->length)
        memcpy(stage->extra, value->bytes, value->length);
    if (event->message->received)
        memcpy(stage->extra + value->length, event->message->bytes, event->message->received);
    note_put(stage, &note, stage->extra);
}

void step_push_reading(struct step_stage *stage, const struct reading_event *event)
{
    if (event->kind == READING_FAULT) {
        struct note note = note_of_message(NOTE_GAP, event->message, event->module);
        note.index = GAP_FAULT;
        note_put(stage, &note, NULL);
        return;
    }
    if (event->kind != READING_VALUE)
        return;
    if (event->exchange && event->exchange->serial == stage->repeated)
        return; /* the same answer once more: it must not fill up a steady stretch */
    const struct value *value = event->value;
    uint8_t use = stage->uses[value->reading];
    if (use & USE_SAMPLE) {
        struct note note = note_of_message(NOTE_SAMPLE, event->message, event->module);
        note.index = value->reading;
        note.sample.numerator = value->numerator;
        note.sample.name = value->name;
        note.sample.state = value->state;
        note.unsolicited = event->exchange && event->exchange->state == EXCHANGE_UNSOLICITED;
        note_put(stage, &note, NULL);
    }
    if (use & USE_TEXT && value->state == VALUE_GOOD)
        text_push(stage, event);
}

void step_push_broken(struct step_stage *stage, const struct message *answer)
{
    const struct note note = note_of_message(NOTE_CODES, answer, answer->module);
    struct bytes cursor = bytes_of(answer->bytes, answer->received);
    uint8_t service = bytes_u8(&cursor), sub_function = bytes_u8(&cursor);
    bool codes = stage->definitions->modules[answer->module].dialect == DIALECT_ISO14230
                     ? service == 0x58
                     : service == 0x59 && (sub_function == 0x01 || sub_function == 0x02 || sub_function == 0x0A);
    if (codes)
        codes_torn(stage, &note);
}

void step_push_gap(struct step_stage *stage, enum gap_kind kind, uint32_t module, const struct frame *frame)
{
    struct note note = {
        .kind = NOTE_GAP, .module = module, .index = (uint32_t)kind, .first_frame = frame->number,
        .last_frame = frame->number, .time = frame->time, .elapsed = frame->elapsed, .epoch = frame->epoch,
        .bus = frame->bus,
    };
    note_put(stage, &note, NULL);
}

void step_push_loss(struct step_stage *stage, const struct gap *gap, const struct frame *at, bool quiet)
{
    struct note note = {
        .kind = NOTE_GAP, .module = DEF_NONE, .index = (uint32_t)gap->kind, .first_frame = gap->frame,
        .last_frame = gap->last_frame, .time = gap->time, .elapsed = at->elapsed, .epoch = at->epoch, .bus = gap->bus,
        .gap = {.count = gap->count, .between = gap->between, .quiet = quiet},
    };
    note_put(stage, &note, NULL);
}

void step_push_span(struct step_stage *stage, const struct gap *span)
{
    judge_span(stage->judge, span);
}

void step_push_mark(struct step_stage *stage, const struct mark *mark, const struct frame *following)
{
    struct note note = {.kind = NOTE_MARK, .module = DEF_NONE, .time = mark->time};
    for (uint32_t i = 0; i < stage->marks->count; i++)
        if (stage->marks->by_time[i] == mark)
            note.index = i;
    if (following) {
        note.elapsed = following->elapsed - (following->time - mark->time);
        note.epoch = following->epoch;
    } else {
        note.elapsed = INT64_MAX / 2; /* behind the last frame: nothing can follow */
    }
    note_put(stage, &note, NULL);
}

struct step_stage *step_open(const struct definitions *definitions, const struct marks *marks, uint32_t part,
                             void (*emit)(void *context, const struct step_event *event), void *context)
{
    struct step_stage *stage = calloc(1, sizeof *stage);
    if (!stage)
        return NULL;
    stage->definitions = definitions;
    stage->marks = marks;
    step_queue_init(&stage->queue);
    stage->judge = judge_open(definitions, marks, part, emit, context);
    stage->uses = calloc(definitions->reading_count + 1, 1);
    if (!identities_open(&stage->identities, definitions) || !stage->judge || !stage->uses) {
        step_close(stage);
        return NULL;
    }
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (step->kind == STEP_READING)
            stage->uses[step->reading] |= USE_SAMPLE;
        else if (step->kind == STEP_IDENTITY)
            stage->uses[step->reading] |= USE_TEXT;
        else if (step->kind == STEP_ACTION && step->outcome != DEF_NONE)
            stage->uses[step->outcome] |= USE_SAMPLE;
        else if (step->kind == STEP_ANSWERED)
            stage->service_asked[step->service] = true;
    }
    for (uint32_t i = 0; i < definitions->condition_count; i++)
        if (definitions->conditions[i].reading != DEF_NONE)
            stage->uses[definitions->conditions[i].reading] |= USE_SAMPLE;
    return stage;
}

const struct verdict *step_finish(struct step_stage *stage, const struct frame *last_frame)
{
    for (uint32_t i = 0; i < stage->waiting_count; i++)
        stage->waiting[i].resolved = true; /* what is still open at the end was not answered */
    drain(stage);
    if (stage->failed)
        return NULL;
    return judge_finish(stage->judge, last_frame ? last_frame->number : 0, last_frame ? last_frame->time : 0);
}

void step_is_copy(struct step_stage *stage)
{
    stage->queue.copied = true;
}

void step_close(struct step_stage *stage)
{
    if (!stage)
        return;
    judge_close(stage->judge);
    step_queue_free(&stage->queue);
    free(stage->waiting);
    free(stage->uses);
    identities_close(&stage->identities);
    free(stage->extra);
    free(stage);
}
