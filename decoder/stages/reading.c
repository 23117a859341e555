/*
 * Answers and broadcasts to readings (reading.h). An answer to several identifiers is split in two rounds: first
 * every place is found and its identifier compared with the one asked for, and only when all fit is anything read. A
 * length that is described wrongly must not turn bytes of one identifier into values of another.
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
            if (broadcast->id >= READING_BROADCAST_IDS) {
                stage->has_wide_broadcasts = true;
                continue;
            }
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
static void tell(struct reading_stage *stage, const struct reading_event *about, enum reading_event_kind kind,
                 const char *reason, size_t length, uint32_t needed)
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
    else if (result.longer && (record->length != DEF_NONE || !about->broadcast)) /* a frame may be described in part */
        tell(stage, about, READING_REMARK, "longer than described", length,
             record->length != DEF_NONE ? record->length : result.needed);
}

static const struct def_module *module_of(const struct reading_stage *stage, uint32_t module)
{
    const struct definitions *definitions = stage->definitions;
    return definitions && module < definitions->module_count ? &definitions->modules[module] : NULL;
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

/* An identifier that was defined on the bus: the fields of its sources (D 6.8). */
static void read_dynamic(struct reading_stage *stage, const struct reading_event *about,
                         const struct dynamic_identifier *dynamic, const uint8_t *bytes, size_t length)
{
    if (dynamic->unknown) {
        tell(stage, about, READING_UNKNOWN, dynamic->unknown, length, 0);
        return;
    }
    struct record_context context = {.stage = stage, .event = *about};
    context.event.kind = READING_VALUE;
    if (length != dynamic->length)
        tell(stage, about, READING_FAULT, "not as long as it was defined on the bus", length, dynamic->length);
    else if (dynamic_decode(stage->definitions, dynamic, bytes, length, emit_value, &context) == 0)
        tell(stage, about, READING_UNKNOWN, "defined on the bus from bytes that nobody described", length, 0);
}

static const struct dynamic_identifier *dynamic_of(const struct reading_stage *stage, uint32_t module, uint16_t key)
{
    return module_of(stage, module) ? dynamic_find(&stage->dynamic, module, key) : NULL;
}

/* What was defined on the bus goes before what the file says: it is what the module sends (D 6.8). */
static void read_identifier(struct reading_stage *stage, const struct reading_event *about,
                            const struct def_identifier *identifier, const uint8_t *bytes, size_t length)
{
    const struct dynamic_identifier *dynamic = dynamic_of(stage, about->module, (uint16_t)about->key);
    if (dynamic)
        read_dynamic(stage, about, dynamic, bytes, length);
    else if (identifier)
        read_record(stage, about, &identifier->record, bytes, length);
    else if (about->key >= 0xF200 && about->key <= 0xF3FF) /* ISO 14229-1 annex C: periodic, dynamically defined */
        tell(stage, about, READING_UNKNOWN, stage->dynamic.overflowed
             ? "more identifiers were defined on the bus than are kept"
             : "an identifier that testers define on the bus, and no definition was seen", length, 0);
    else
        tell(stage, about, READING_UNKNOWN, "identifier not described", length, 0);
}

/* Walks question and answer together. With `read` false it only looks; returns what does not fit, or NULL. */
static const char *split(struct reading_stage *stage, const struct reading_event *about,
                         const struct exchange *exchange, bool read)
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
        const struct dynamic_identifier *dynamic = dynamic_of(stage, about->module, key);
        uint32_t length = !dynamic ? length_of(identifier, key) : dynamic->unknown ? DEF_NONE : dynamic->length;
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

static void read_several(struct reading_stage *stage, const struct reading_event *about,
                         const struct exchange *exchange)
{
    const char *wrong = split(stage, about, exchange, false);
    if (wrong)
        tell(stage, about, READING_FAULT, wrong, about->message->received, 0);
    else
        (void)split(stage, about, exchange, true);
}

/* The bytes behind the echo, and their place. */
static struct bytes data_of(struct reading_event *about, const struct service_content *content)
{
    struct bytes data = bytes_of(about->message->bytes, about->message->received);
    bytes_skip(&data, content->data_offset);
    about->has_key = true;
    about->key = content->key;
    about->base = content->data_offset;
    return data;
}

/* 22 of one identifier, 21 and 1A of ISO 14230. */
static void read_one(struct reading_stage *stage, struct reading_event *about, const struct service_content *content)
{
    const struct def_module *module = module_of(stage, about->module);
    struct bytes data = data_of(about, content);
    if (content->kind == SERVICE_READ) {
        read_identifier(stage, about, module ? definitions_identifier(module, content->identifier) : NULL, data.at,
                        data.left);
        return;
    }
    uint8_t key = (uint8_t)content->key;
    bool local = content->kind == SERVICE_READ_LOCAL;
    const struct def_identifier *described = !module ? NULL : local ? definitions_local_identifier(module, key)
                                                                    : definitions_identification(module, key);
    if (described)
        read_record(stage, about, &described->record, data.at, data.left);
    else
        tell(stage, about, READING_UNKNOWN, local ? "local identifier not described" : "identification not described",
             data.left, 0);
}

static const struct def_action *action_of(const struct reading_stage *stage, uint32_t module,
                                          const struct service_content *content)
{
    return module_of(stage, module)
        ? definitions_action(stage->definitions, module, content->action_kind, content->key) : NULL;
}

/* Routines, controls and writes (D 6.6). */
static void read_action(struct reading_stage *stage, struct reading_event *about, const struct service_content *content)
{
    struct bytes data = data_of(about, content);
    const struct def_action *action = action_of(stage, about->module, content);
    bool routine = content->kind == SERVICE_ROUTINE;
    uint8_t part = content->sub_function;
    if (action && content->is_action && action->parts[part].defined)
        read_record(stage, about, &action->parts[part].answer, data.at, data.left);
    else if (!action && (routine || data.left > 0)) /* a write and a control may have nothing to say */
        tell(stage, about, READING_UNKNOWN, routine ? "routine not described"
             : content->kind == SERVICE_CONTROL ? "control not described" : "write not described", data.left, 0);
    else if (data.left > 0)
        tell(stage, about, READING_UNKNOWN, routine ? "answer of this part of the routine not described"
                                                    : "answer of this part of the action not described", data.left, 0);
}

void reading_push_request(struct reading_stage *stage, const struct exchange *exchange,
                          const struct service_content *content)
{
    if (!content->is_action || content->malformed || exchange->request_length == 0 ||
        exchange->request_kept != exchange->request_length)
        return;
    const struct def_action *action = action_of(stage, exchange->module, content);
    if (!action)
        return;
    const struct def_record *record = &action->parts[content->sub_function].request;
    if (record->field_count == 0)
        return;
    const struct span *span = &exchange->request;
    struct message message = {
        .bus = exchange->bus, .module = exchange->module,
        .direction = exchange->functional ? DIRECTION_FUNCTIONAL : DIRECTION_REQUEST,
        .first_frame = span->first_frame, .last_frame = span->last_frame,
        .first_time = span->first_time, .last_time = span->last_time,
        .first_elapsed = span->first_elapsed, .last_elapsed = span->last_elapsed,
        .first_epoch = span->first_epoch, .last_epoch = span->last_epoch,
        .length = exchange->request_length, .received = exchange->request_kept, .bytes = exchange->request_bytes,
        .state = MESSAGE_COMPLETE,
    };
    struct reading_event about = {.module = exchange->module, .message = &message, .exchange = exchange,
                                  .has_key = true, .key = content->key, .base = content->request_data_offset};
    struct bytes data = bytes_of(message.bytes, message.received);
    bytes_skip(&data, content->request_data_offset);
    read_record(stage, &about, record, data.at, data.left);
}

void reading_forget(struct reading_stage *stage, uint32_t module)
{
    dynamic_forget(&stage->dynamic, module);
}

static bool is_positive(const struct exchange *exchange, const struct message *answer)
{
    struct bytes cursor = bytes_of(answer ? answer->bytes : NULL, answer ? answer->received : 0);
    return answer && exchange->has_response && answer->state == MESSAGE_COMPLETE && exchange->nrc == 0 &&
           bytes_u8(&cursor) != 0x7F;
}

void reading_push_answer(struct reading_stage *stage, const struct exchange_event *event,
                         const struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    const struct message *answer = event->response;
    if (event->kind != EXCHANGE_EVENT_CLOSED || !exchange)
        return;
    if (content->kind == SERVICE_DEFINE && module_of(stage, exchange->module))
        dynamic_take(&stage->dynamic, event, content);
    if (!is_positive(exchange, answer))
        return;
    struct reading_event about = {.module = exchange->module, .message = answer, .exchange = exchange};
    switch (content->kind) {
    case SERVICE_READ: case SERVICE_READ_LOCAL: case SERVICE_IDENTIFICATION:
        if (content->malformed)
            tell(stage, &about, READING_FAULT, content->malformed, answer->received, 0);
        else if (content->dialect == DIALECT_ISO14229 && exchange->request_length > 3)
            read_several(stage, &about, exchange);
        else
            read_one(stage, &about, content);
        break;
    case SERVICE_ROUTINE: case SERVICE_CONTROL: case SERVICE_WRITE:
        if (content->malformed)
            tell(stage, &about, READING_FAULT, content->malformed, answer->received, 0);
        else
            read_action(stage, &about, content);
        break;
    case SERVICE_PERIODIC: /* modes 1 to 3 send; what follows has no service identifier (ISO 14229-1) */
        if (content->sub_function >= 1 && content->sub_function <= 3)
            tell(stage, &about, READING_REMARK,
                 "periodic answers are plain frames: read only where described as broadcast",
                 answer->received, 0);
        break;
    case SERVICE_RESET:
        reading_forget(stage, exchange->module);
        break;
    case SERVICE_OTHER:
        tell(stage, &about, READING_UNKNOWN, "service not decoded", answer->received ? answer->received - 1 : 0, 0);
        break;
    default:
        break;
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
    if (frame->remote || frame->length > sizeof frame->data)
        return;
    uint32_t word = frame_id_word(frame);
    const struct reading_broadcast *entry = word < READING_BROADCAST_IDS ? &stage->broadcasts[word] : NULL;
    if (entry ? !entry->broadcast : !stage->has_wide_broadcasts)
        return;
    struct segment segment = {.length = frame->length, .offset = frame->data_offset, .file = frame->file};
    struct message message = {
        .bus = frame->bus,
        .direction = DIRECTION_RESPONSE,
        .id = word,
        .first_frame = frame->number,
        .last_frame = frame->number,
        .first_time = frame->time,
        .last_time = frame->time,
        .first_elapsed = frame->elapsed,
        .last_elapsed = frame->elapsed,
        .first_epoch = frame->epoch,
        .last_epoch = frame->epoch,
        .length = frame->length,
        .received = frame->length,
        .bytes = frame->data,
        .segments = &segment,
        .segment_count = 1,
        .record_offset = frame->offset,
        .file = frame->file,
        .state = MESSAGE_COMPLETE,
    };
    struct reading_event about = {.message = &message, .broadcast = true};
    /* Of an 11-bit id the first module that describes it is known, and whether there are more. */
    uint32_t first = entry ? entry->module : 0;
    uint32_t last = entry && !entry->shared ? first + 1 : stage->definitions->module_count;
    for (uint32_t i = first; i < last; i++) {
        const struct def_broadcast *broadcast = entry && i == first
            ? entry->broadcast : definitions_broadcast(&stage->definitions->modules[i], word);
        message.module = i;
        if (broadcast)
            read_broadcast(stage, &about, i, broadcast, frame);
    }
}
