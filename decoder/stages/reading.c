/*
 * Answers and broadcasts to readings (reading.h). An answer to several identifiers is split in two rounds: first every place
 * is found and its identifier compared with the one asked for, and only when all fit is anything read. A length that is
 * described wrongly must not turn bytes of one identifier into values of another.
 */
#include "reading.h"

#include "../support/bytes.h"

void reading_init(struct reading_stage *stage, const struct definitions *definitions,
                  void (*emit)(void *context, const struct reading_event *event), void *context)
{
    *stage = (struct reading_stage){.definitions = definitions, .emit = emit, .context = context};
    for (uint32_t i = 0; definitions && i < definitions->module_count; i++) {
        const struct def_module *module = &definitions->modules[i];
        for (uint32_t j = 0; j < module->broadcast_count; j++) {
            const struct def_broadcast *broadcast = &module->broadcasts[j];
            if (broadcast->id >= READING_BROADCAST_IDS)
                continue;
            struct reading_broadcast *entry = &stage->broadcasts[broadcast->id];
            if (entry->broadcast)
                entry->shared = true;
            else
                *entry = (struct reading_broadcast){.broadcast = broadcast, .module = i};
        }
    }
}

/* What stays the same over the values of one record. */
struct record_context {
    struct reading_stage *stage;
    struct reading_event event;
};

static void emit_value(void *context, const struct value *value)
{
    struct record_context *record = context;
    record->event.value = value;
    record->stage->emit(record->stage->context, &record->event);
}

/* Everything that is no value: kind, what is wrong, bytes there, bytes needed. */
static void tell(struct reading_stage *stage, const struct reading_event *about, enum reading_event_kind kind, const char *reason,
                 size_t length, uint32_t needed)
{
    struct reading_event event = *about;
    event.kind = kind;
    event.value = NULL;
    event.reason = reason;
    event.length = (uint32_t)length;
    event.needed = needed;
    stage->emit(stage->context, &event);
}

/* One record at payload position about->base, and what did not fit. */
static void read_record(struct reading_stage *stage, const struct reading_event *about, const struct def_record *record,
                        const uint8_t *bytes, size_t length)
{
    struct record_context context = {.stage = stage, .event = *about};
    struct record_result result;
    context.event.kind = READING_VALUE;
    record_decode(stage->definitions, record, bytes, length, emit_value, &context, &result);
    bool shorter = record->length != DEF_NONE && length < record->length;
    if (result.missing_fields > 0 || shorter)
        tell(stage, about, READING_FAULT, "shorter than described", length,
             shorter && record->length > result.needed ? record->length : result.needed);
    else if (result.longer && (record->length != DEF_NONE || !about->broadcast)) /* of a frame one may describe a part */
        tell(stage, about, READING_REMARK, "longer than described", length,
             record->length != DEF_NONE ? record->length : result.needed);
}

static const struct def_module *module_of(const struct reading_stage *stage, uint32_t module)
{
    return stage->definitions && module < stage->definitions->module_count ? &stage->definitions->modules[module] : NULL;
}

/* Bytes behind this identifier: described, or fixed by a standard; DEF_NONE when nobody says. */
static uint32_t length_of(const struct def_identifier *identifier, uint16_t key)
{
    if (identifier && identifier->record.length != DEF_NONE)
        return identifier->record.length;
    switch (key) {
    case 0xF186: return 1;  /* activeDiagnosticSession (ISO 14229-1 annex C; from memory) */
    case 0xF190: return 17; /* VIN (ISO 3779) */
    default: return DEF_NONE;
    }
}

static void read_identifier(struct reading_stage *stage, const struct reading_event *about,
                            const struct def_identifier *identifier, const uint8_t *bytes, size_t length)
{
    if (identifier)
        read_record(stage, about, &identifier->record, bytes, length);
    else
        tell(stage, about, READING_UNKNOWN, "identifier not described", length, 0);
}

/* Walks question and answer together. With `read` false it only looks; returns what does not fit, or NULL. */
static const char *split(struct reading_stage *stage, const struct reading_event *about, const struct exchange *exchange,
                         bool read)
{
    const struct def_module *module = module_of(stage, about->module);
    const struct message *answer = about->message;
    struct bytes asked = bytes_of(exchange->request_bytes, exchange->request_kept);
    struct bytes said = bytes_of(answer->bytes, answer->received);
    bytes_skip(&asked, 1);
    bytes_skip(&said, 1);
    while (asked.left >= 2) {
        uint16_t key = bytes_be16(&asked);
        uint16_t echoed = bytes_be16(&said);
        if (said.bad)
            return "cannot be split: the answer ends before all identifiers asked for";
        if (echoed != key)
            return "cannot be split: another identifier than asked for where the next one should begin";
        const struct def_identifier *identifier = module ? definitions_identifier(module, key) : NULL;
        uint32_t length = length_of(identifier, key);
        bool last = asked.left < 2;
        if (length == DEF_NONE && !last)
            return "cannot be split: the length of an identifier before the last is not described";
        if (last) /* takes the rest: what is missing or too much is told where it is read */
            length = (uint32_t)said.left;
        struct reading_event part = *about;
        part.base = answer->received - (uint32_t)said.left;
        part.has_key = true;
        part.key = key;
        const uint8_t *bytes = bytes_take(&said, length);
        if (said.bad)
            return "cannot be split: the answer ends before all identifiers asked for";
        if (read)
            read_identifier(stage, &part, identifier, bytes, length);
    }
    return NULL;
}

static void read_answer(struct reading_stage *stage, struct reading_event *about, const struct exchange *exchange,
                        const struct service_content *content)
{
    if (exchange->request_length > 3) {
        const char *wrong = split(stage, about, exchange, false);
        if (wrong)
            tell(stage, about, READING_FAULT, wrong, about->message->received, 0);
        else
            (void)split(stage, about, exchange, true);
        return;
    }
    const struct def_module *module = module_of(stage, about->module);
    about->has_key = true;
    about->key = content->identifier;
    about->base = content->data_offset;
    struct bytes data = bytes_of(about->message->bytes, about->message->received);
    bytes_skip(&data, content->data_offset);
    read_identifier(stage, about, module ? definitions_identifier(module, content->identifier) : NULL, data.at, data.left);
}

static void read_routine(struct reading_stage *stage, struct reading_event *about, const struct service_content *content)
{
    about->has_key = true;
    about->key = content->identifier;
    about->base = content->data_offset;
    struct bytes data = bytes_of(about->message->bytes, about->message->received);
    bytes_skip(&data, content->data_offset);
    const struct def_action *action = module_of(stage, about->module)
        ? definitions_routine(stage->definitions, about->module, content->identifier) : NULL;
    uint8_t part = content->sub_function;
    if (!action)
        tell(stage, about, READING_UNKNOWN, "routine not described", data.left, 0);
    else if (part >= PART_START && part <= PART_RESULTS && action->parts[part].defined)
        read_record(stage, about, &action->parts[part].answer, data.at, data.left);
    else if (data.left > 0)
        tell(stage, about, READING_UNKNOWN, "answer of this part of the routine not described", data.left, 0);
}

void reading_push_answer(struct reading_stage *stage, const struct exchange_event *event, const struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    const struct message *answer = event->response;
    if (event->kind != EXCHANGE_EVENT_CLOSED || !exchange || !answer || !exchange->has_response)
        return;
    struct bytes cursor = bytes_of(answer->bytes, answer->received);
    if (answer->state != MESSAGE_COMPLETE || exchange->nrc != 0 || bytes_u8(&cursor) == 0x7F)
        return;
    struct reading_event about = {.module = exchange->module, .message = answer, .exchange = exchange};
    if (content->malformed) {
        if (content->kind == SERVICE_READ || content->kind == SERVICE_ROUTINE)
            tell(stage, &about, READING_FAULT, content->malformed, answer->received, 0);
    } else if (content->kind == SERVICE_READ) {
        read_answer(stage, &about, exchange, content);
    } else if (content->kind == SERVICE_ROUTINE) {
        read_routine(stage, &about, content);
    } else if (content->kind == SERVICE_OTHER) {
        tell(stage, &about, READING_UNKNOWN, "service not decoded", cursor.left, 0);
    }
}

static void read_broadcast(struct reading_stage *stage, struct reading_event *about, uint32_t module,
                           const struct def_broadcast *broadcast, const struct frame *frame)
{
    about->module = module;
    read_record(stage, about, &broadcast->record, frame->data, frame->length);
}

void reading_push_frame(struct reading_stage *stage, const struct frame *frame)
{
    if (frame->extended || frame->remote || frame->id >= READING_BROADCAST_IDS || frame->length > sizeof frame->data)
        return;
    const struct reading_broadcast *entry = &stage->broadcasts[frame->id];
    if (!entry->broadcast)
        return;
    struct segment segment = {.length = frame->length, .offset = frame->data_offset, .file = frame->file};
    struct message message = {
        .bus = frame->bus, .module = entry->module, .direction = DIRECTION_RESPONSE, .id = frame->id,
        .first_frame = frame->number, .last_frame = frame->number, .first_time = frame->time, .last_time = frame->time,
        .first_elapsed = frame->elapsed, .last_elapsed = frame->elapsed,
        .first_epoch = frame->epoch, .last_epoch = frame->epoch,
        .length = frame->length, .received = frame->length, .bytes = frame->data, .segments = &segment, .segment_count = 1,
        .record_offset = frame->offset, .file = frame->file, .state = MESSAGE_COMPLETE,
    };
    struct reading_event about = {.message = &message, .broadcast = true};
    read_broadcast(stage, &about, entry->module, entry->broadcast, frame);
    for (uint32_t i = entry->module + 1; entry->shared && i < stage->definitions->module_count; i++) {
        const struct def_broadcast *other = definitions_broadcast(&stage->definitions->modules[i], frame->id);
        message.module = i;
        if (other)
            read_broadcast(stage, &about, i, other, frame);
    }
}
