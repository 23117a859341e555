/* See explain.h: what is copied while the run goes, and how a value follows from its bytes. */
#include "explain.h"

#include <stdlib.h>
#include <string.h>

/* ---- what is looked for ---- */

static bool begin(struct explain *explain, const struct view *view)
{
    memset(explain, 0, sizeof *explain);
    explain->view = view;
    explain->reading = DEF_NONE;
    explain->ring = calloc(EXPLAIN_RING, sizeof *explain->ring);
    return explain->ring != NULL;
}

bool explain_open_reading(struct explain *explain, const struct view *view, uint32_t reading, uint64_t frame,
                          bool any_bus, uint32_t bus)
{
    if (!begin(explain, view))
        return false;
    explain->reading = reading;
    explain->frame = frame;
    explain->any_bus = any_bus;
    explain->bus = bus;
    return true;
}

bool explain_open_step(struct explain *explain, const struct view *view, const struct step_result *step)
{
    if (!begin(explain, view))
        return false;
    explain->step = step;
    if (step->evidence == EVIDENCE_STRETCH) {
        explain->reading = step->step->reading;
        explain->bus = step->stretch.bus;
    } else {
        explain->bus = step->bus;
        if (step->step->kind == STEP_ACTION)
            explain->reading = step->step->outcome;
        else if (step->step->kind == STEP_IDENTITY)
            explain->reading = step->step->reading;
    }
    return true;
}

void explain_close(struct explain *explain)
{
    for (uint32_t i = 0; i < explain->item_count; i++) {
        free(explain->items[i].bytes);
        free(explain->items[i].segments);
        free(explain->items[i].frames);
    }
    free(explain->ring);
    memset(explain, 0, sizeof *explain);
}

/* ---- copies ---- */

void explain_see_frame(struct explain *explain, const struct frame *frame)
{
    if (!frame->error && (explain->any_bus || frame->bus == explain->bus))
        explain->ring[explain->ring_count++ & (EXPLAIN_RING - 1)] = *frame;
}

static void take_frames(struct explain *explain, struct explain_item *item)
{
    uint64_t have = explain->ring_count < EXPLAIN_RING ? explain->ring_count : EXPLAIN_RING, there = 0;
    item->frames = calloc(EXPLAIN_FRAMES, sizeof *item->frames);
    if (!item->frames) {
        explain->failed = true;
        return;
    }
    for (uint64_t i = explain->ring_count - have; i < explain->ring_count; i++) {
        const struct frame *frame = &explain->ring[i & (EXPLAIN_RING - 1)];
        if (frame->number < item->first_frame || frame->number > item->last_frame || frame->bus != item->bus ||
            frame_id_word(frame) != item->id)
            continue;
        if (item->has_address_byte && (frame->length == 0 || frame->data[0] != item->address_byte))
            continue;
        there++;
        if (item->frame_count < EXPLAIN_FRAMES)
            item->frames[item->frame_count++] = *frame;
    }
    item->frames_left_out = there - item->frame_count;
}

static void take_question(struct explain_item *item, const struct exchange *exchange)
{
    struct explain_question *question = &item->question;
    item->service = exchange->service;
    item->dialect = exchange->dialect;
    item->state = exchange->state;
    question->there = exchange->request_length > 0;
    if (!question->there)
        return;
    question->length = exchange->request_length;
    question->kept = exchange->request_kept < EXPLAIN_REQUEST ? exchange->request_kept : EXPLAIN_REQUEST;
    memcpy(question->bytes, exchange->request_bytes, question->kept);
    question->first_frame = exchange->request.first_frame;
    question->last_frame = exchange->request.last_frame;
    question->time = exchange->request.last_time;
}

/* A new item from a message; NULL when there is no room for it. */
static struct explain_item *take(struct explain *explain, const struct message *message,
                                 const struct exchange *exchange, unsigned labels)
{
    if (explain->item_count == EXPLAIN_ITEMS)
        return NULL;
    struct explain_item *item = &explain->items[explain->item_count++];
    *item = (struct explain_item){.labels = labels, .reading = DEF_NONE, .bus = message->bus, .module = message->module,
                                  .id = message->id, .has_address_byte = message->has_address_byte,
                                  .address_byte = message->address_byte, .length = message->length,
                                  .received = message->received, .segment_count = message->segment_count,
                                  .first_frame = message->first_frame, .last_frame = message->last_frame,
                                  .time = message->last_time};
    item->bytes = malloc(message->received + 1);
    item->segments = calloc(message->segment_count + 1, sizeof *item->segments);
    if (!item->bytes || !item->segments) {
        explain->failed = true;
        return NULL;
    }
    if (message->received)
        memcpy(item->bytes, message->bytes, message->received);
    if (message->segment_count)
        memcpy(item->segments, message->segments, message->segment_count * sizeof *item->segments);
    if (exchange)
        take_question(item, exchange);
    take_frames(explain, item);
    return item;
}

static void take_value(struct explain_item *item, const struct reading_event *event)
{
    item->reading = event->value->reading;
    item->value = *event->value;
    item->base = event->base;
    item->broadcast = event->broadcast;
    item->of_request = !event->broadcast && event->message->segment_count == 0;
    uint32_t at = event->base + event->value->at[0].offset;
    item->value.bytes = event->value->bytes && at <= item->received && event->value->length <= item->received - at
                            ? item->bytes + at
                            : NULL;
}

/* ---- what is seen ---- */

void explain_see_exchange(struct explain *explain, const struct exchange_event *event)
{
    const struct step_result *step = explain->step;
    const struct exchange *exchange = event->exchange;
    if (!step || step->evidence != EVIDENCE_ANSWER || !event->response || !exchange->has_response ||
        exchange->bus != explain->bus || exchange->response.first_frame != step->first_frame ||
        exchange->response.last_frame != step->last_frame || explain->item_count)
        return;
    (void)take(explain, event->response, exchange, EXPLAIN_DECIDING);
}

/* Why a value of the wanted reading is to be shown; 0: it is not. */
static unsigned labels_of(const struct explain *explain, const struct reading_event *event)
{
    const struct message *message = event->message;
    const struct value *value = event->value;
    if (!explain->step)
        return explain->item_count == 0 && message->first_frame <= explain->frame &&
                       explain->frame <= message->last_frame
                   ? EXPLAIN_ASKED
                   : 0;
    const struct stretch *stretch = &explain->step->stretch;
    unsigned labels = 0, taken = 0;
    if (explain->step->evidence != EVIDENCE_STRETCH || value->state != VALUE_GOOD ||
        message->first_frame < stretch->first_frame || message->last_frame > stretch->last_frame)
        return 0;
    for (uint32_t i = 0; i < explain->item_count; i++)
        taken |= explain->items[i].labels;
    labels |= message->first_frame == stretch->first_frame ? EXPLAIN_FIRST : 0;
    labels |= message->last_frame == stretch->last_frame ? EXPLAIN_LAST : 0;
    if (!stretch->state && value->has_number) {
        labels |= value->numerator == stretch->lowest ? EXPLAIN_LOWEST : 0;
        labels |= value->numerator == stretch->highest ? EXPLAIN_HIGHEST : 0;
    }
    return labels & ~taken;
}

static void note_near(struct explain *explain, const struct message *message)
{
    if (message->last_frame < explain->frame)
        explain->near[0] = message->last_frame;
    else if (message->first_frame > explain->frame && !explain->near[1])
        explain->near[1] = message->first_frame;
}

void explain_see_reading(struct explain *explain, const struct reading_event *event)
{
    const struct message *message = event->message;
    if (event->kind != READING_VALUE || event->value->reading != explain->reading ||
        (!explain->any_bus && message->bus != explain->bus))
        return;
    if (explain->step && explain->step->evidence == EVIDENCE_ANSWER) {
        struct explain_item *item = explain->item_count ? &explain->items[0] : NULL;
        if (item && item->reading == DEF_NONE && item->last_frame == message->last_frame && message->segment_count)
            take_value(item, event);
        return;
    }
    unsigned labels = labels_of(explain, event);
    if (!explain->step)
        note_near(explain, message);
    struct explain_item *item = labels ? take(explain, message, event->exchange, labels) : NULL;
    if (item)
        take_value(item, event);
}

/* ---- how a value follows from its bytes ---- */

static bool find_in(const struct def_record *record, uint32_t reading, struct explain_place *place)
{
    *place = (struct explain_place){.record = record};
    for (uint32_t i = 0; i < record->field_count; i++) {
        const struct def_field *field = &record->fields[i];
        place->field = field;
        if (field->reading == reading)
            return true;
        for (uint32_t j = 0; j < field->flag_count; j++) {
            place->flag = &field->flags[j];
            if (place->flag->reading == reading)
                return true;
        }
        place->flag = NULL;
    }
    place->field = NULL;
    for (uint32_t i = 0; i < record->derived_count; i++) {
        place->derived = &record->derived[i];
        if (place->derived->reading == reading)
            return true;
    }
    return false;
}

static bool find_in_list(const struct def_identifier *list, uint32_t count, uint32_t reading,
                         struct explain_place *place)
{
    for (uint32_t i = 0; i < count; i++)
        if (find_in(&list[i].record, reading, place))
            return true;
    return false;
}

bool explain_find(const struct definitions *definitions, uint32_t reading, struct explain_place *place)
{
    const struct def_module *module = &definitions->modules[definitions->readings[reading].module];
    if (find_in_list(module->identifiers, module->identifier_count, reading, place) ||
        find_in_list(module->local_identifiers, module->local_identifier_count, reading, place) ||
        find_in_list(module->identification, module->identification_count, reading, place))
        return true;
    for (uint32_t i = 0; i < module->broadcast_count; i++)
        if (find_in(&module->broadcasts[i].record, reading, place))
            return true;
    for (uint32_t i = 0; i < definitions->action_count; i++) {
        const struct def_action *action = &definitions->actions[i];
        for (int part = PART_START; part <= PART_RESULTS; part++)
            if (find_in(&action->parts[part].answer, reading, place) ||
                find_in(&action->parts[part].request, reading, place))
                return true;
    }
    return false;
}

struct part_search {
    uint32_t reading;
    struct value value;
    bool found;
};

static void keep_part(void *context, const struct value *value)
{
    struct part_search *search = context;
    if (value->reading != search->reading || search->found)
        return;
    search->value = *value;
    search->found = true;
}

bool explain_part(const struct definitions *definitions, const struct explain_item *item,
                  const struct explain_place *place, uint32_t part, struct value *value)
{
    struct part_search search = {.reading = place->record->fields[place->derived->fields[part]].reading};
    struct record_result result;
    if (item->base > item->received)
        return false;
    record_decode(definitions, place->record, item->bytes + item->base, item->received - item->base, keep_part, &search,
                  &result);
    *value = search.value;
    return search.found;
}

uint64_t explain_number(const struct def_field *field, const struct value *value)
{
    struct bytes cursor = bytes_of(value->bytes, value->bytes ? value->length : 0);
    return bytes_unsigned(&cursor, value->length, field->little);
}

void explain_places(const struct explain_item *item, uint32_t at, uint32_t length,
                    void (*put)(void *context, uint32_t file, uint64_t offset, uint32_t length), void *context)
{
    for (uint32_t i = 0; i < item->segment_count && length > 0; i++) {
        const struct segment *segment = &item->segments[i];
        if (at < segment->start || at >= segment->start + segment->length)
            continue;
        uint32_t skipped = at - segment->start, here = segment->length - skipped;
        here = here < length ? here : length;
        put(context, segment->file, segment->offset + skipped, here);
        at += here;
        length -= here;
    }
}

/* ---- forward: to the limit ---- */

const char *explain_stand_text(enum explain_stand stand)
{
    static const char *const texts[] = {"inside", "below the limit", "above the limit", "too close to the limit",
                                        "another state", "no value"};
    return texts[stand];
}

static bool is_wanted(const char *name, const char *const *wanted, uint32_t count)
{
    for (uint32_t i = 0; name && i < count; i++)
        if (strcmp(name, wanted[i]) == 0)
            return true;
    return false;
}

enum explain_stand explain_stand_of(const struct value *value, const struct def_step *step)
{
    const struct def_limits *limits = &step->limits;
    if (value->state != VALUE_GOOD)
        return EXPLAIN_NO_VALUE;
    if (step->is_count)
        return is_wanted(value->name, step->is, step->is_count) ? EXPLAIN_INSIDE : EXPLAIN_OTHER;
    if (!value->has_number)
        return EXPLAIN_NO_VALUE;
    if (value->numerator < limits->low_n)
        return EXPLAIN_BELOW;
    if (value->numerator > limits->high_n)
        return EXPLAIN_ABOVE;
    return value->numerator >= limits->safe_low_n && value->numerator <= limits->safe_high_n ? EXPLAIN_INSIDE
                                                                                             : EXPLAIN_TOO_CLOSE;
}

static bool within(const struct explain_item *item, const struct stretch *stretch)
{
    return item->bus == stretch->bus && item->first_frame >= stretch->first_frame &&
           item->last_frame <= stretch->last_frame;
}

enum explain_use explain_use_of(const struct explain_item *item, const struct step_result *step)
{
    if (step->evidence == EVIDENCE_STRETCH && within(item, &step->stretch))
        return EXPLAIN_DECIDES;
    if (step->evidence == EVIDENCE_ANSWER && item->bus == step->bus && item->last_frame == step->last_frame)
        return EXPLAIN_DECIDES;
    for (uint32_t i = 0; i < step->also.kept; i++)
        if (within(item, &step->also.list[i]))
            return EXPLAIN_ALSO;
    return EXPLAIN_UNUSED;
}

const struct attempt_result *explain_attempt(const struct verdict *verdict, const struct explain_item *item)
{
    for (uint32_t i = 0; i < verdict->attempts_kept; i++) {
        const struct attempt_result *attempt = verdict->attempts[i];
        if (item->first_frame >= attempt->first_frame && item->last_frame <= attempt->last_frame)
            return attempt;
    }
    return NULL;
}
