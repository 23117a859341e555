/*
 * Messages of two modules (ISO 14229 and ISO 14230) in hostile order to exchanges, and what they say: service_read,
 * the named fields with and without secrets, and readings by the example definition files, broadcasts and identifiers
 * defined on the bus included. Every message is as large as its bytes, so that one byte too many is seen.
 */
#include <string.h>

#include "../../decoder/stages/reading.h"
#include "../../decoder/stages/service_fields.h"
#include "../../definitions/loader.h"
#include "fuzz.h"

#define SERIALS 512

static struct definitions definitions;
static struct {
    struct exchange_stage *stage;
    struct reading_stage reading;
    uint8_t states[SERIALS]; /* 0 not seen, 1 open, 2 closed */
    uint64_t opened, closed;
    const struct message *message; /* at work */
} run;

int LLVMFuzzerInitialize(int *argument_count, char ***arguments);

int LLVMFuzzerInitialize(int *argument_count, char ***arguments)
{
    static const char *const paths[] = {TT_SOURCE_DIR "/definitions/examples/seat-scale.yaml",
                                        TT_SOURCE_DIR "/tests/fuzz/modules/local-identifiers.yaml",
                                        TT_SOURCE_DIR "/tests/fuzz/modules/every-service.yaml"};
    struct diagnostics diagnostics;
    (void)argument_count;
    (void)arguments;
    diagnostics_init(&diagnostics, stderr);
    char name[SERVICE_ROW_TEXT], request[SERVICE_ROW_TEXT], answer[SERVICE_ROW_TEXT];
    size_t rows = 0;
    while (service_layout_row(rows, name, request, answer))
        rows++;
    FUZZ_CHECK(rows > 50); /* the table of docs/services.md */
    FUZZ_CHECK(definitions_load(paths, sizeof paths / sizeof *paths, &diagnostics, &definitions) == LOAD_OK);
    return 0;
}

/* ---- what comes out ---- */

struct listing {
    const struct exchange_event *event;
    bool secrets, of_answer, any;
    uint32_t end;
};

static void on_field(void *context, const struct service_field *field)
{
    struct listing *listing = context;
    const struct exchange *exchange = listing->event->exchange;
    const uint8_t *bytes = field->of_answer ? listing->event->response->bytes : exchange->request_bytes;
    uint32_t length = field->of_answer ? listing->event->response->received : exchange->request_kept;
    if (listing->any && field->of_answer != listing->of_answer) {
        FUZZ_CHECK(field->of_answer); /* the request's first */
        listing->end = 1;
    }
    listing->any = true;
    listing->of_answer = field->of_answer;
    FUZZ_CHECK(field->name && field->name[0]);
    FUZZ_CHECK((uint64_t)field->offset + field->length <= length);
    FUZZ_CHECK(field->kind == SERVICE_FIELD_MASKED ? !listing->secrets && !field->bytes
                                                   : field->bytes == bytes + field->offset);
    /* In the order of the bytes, nothing left out: bits of one byte share it. */
    FUZZ_CHECK(field->offset <= listing->end);
    FUZZ_CHECK(field->offset + field->length >= listing->end);
    listing->end = field->offset + field->length;
    if (field->text)
        FUZZ_CHECK(strlen(field->text) < 2000); /* ended, and there to be read */
}

static void list_fields(const struct exchange_event *event, bool secrets)
{
    struct listing listing = {.event = event, .secrets = secrets, .end = 1}; /* the SID has no field */
    service_fields(event, secrets, on_field, &listing);
    if (listing.any) {
        uint32_t length = listing.of_answer ? event->response->received : event->exchange->request_kept;
        FUZZ_CHECK(listing.end == length);
    }
}

static void on_reading(void *context, const struct reading_event *event)
{
    (void)context;
    FUZZ_CHECK(event->module == DEF_NONE || event->module < definitions.module_count);
    if (event->kind == READING_VALUE) {
        const struct value *value = event->value;
        FUZZ_CHECK(value->reading < definitions.reading_count && event->message);
        for (uint32_t i = 0; i < value->at_count; i++)
            FUZZ_CHECK((uint64_t)event->base + value->at[i].offset + value->at[i].length <= event->message->received);
    }
    FUZZ_CHECK((event->kind == READING_FAULT || event->kind == READING_REMARK) <= (event->reason != NULL));
}

static void on_exchange(void *context, const struct exchange_event *event)
{
    const struct exchange *exchange = event->exchange;
    struct service_content content;
    const char *text;
    (void)context;
    FUZZ_CHECK(event->rival_count <= EXCHANGE_OPEN_MAX + EXCHANGE_UNANSWERED_MAX);
    if (event->kind == EXCHANGE_EVENT_BROKEN) {
        FUZZ_CHECK(event->response);
        return;
    }
    FUZZ_CHECK(exchange && exchange->serial >= 1);
    FUZZ_CHECK(exchange->request_kept <= exchange->request_length && exchange->request_kept <= EXCHANGE_REQUEST_KEPT);
    uint8_t *state = exchange->serial < SERIALS ? &run.states[exchange->serial] : NULL;
    (void)service_warning(exchange, &text);
    switch (event->kind) {
    case EXCHANGE_EVENT_REQUEST:
        FUZZ_CHECK(!state || *state == 0);
        FUZZ_CHECK(exchange->state == EXCHANGE_OPEN && !event->response);
        if (state)
            *state = 1;
        run.opened++;
        break;
    case EXCHANGE_EVENT_PENDING:
        FUZZ_CHECK(!state || *state == 1);
        FUZZ_CHECK(event->response == run.message && exchange->pending_count > 0);
        return;
    default: /* closed, once */
        FUZZ_CHECK(!state || *state == (exchange->state == EXCHANGE_UNSOLICITED ? 0 : 1));
        FUZZ_CHECK(exchange->state != EXCHANGE_OPEN && exchange->has_response == (event->response != NULL));
        if (exchange->state == EXCHANGE_ANSWERED)
            FUZZ_CHECK(event->response->received > 0 && event->response->bytes[0] == exchange->service + 0x40);
        if (exchange->state == EXCHANGE_REFUSED)
            FUZZ_CHECK(event->response->received >= 3 && event->response->bytes[1] == exchange->service &&
                       event->response->bytes[2] == exchange->nrc && exchange->nrc);
        FUZZ_CHECK((exchange->request_length == 0) == (exchange->state == EXCHANGE_UNSOLICITED));
        if (state)
            *state = 2;
        run.closed += exchange->state != EXCHANGE_UNSOLICITED;
    }
    service_read(event, &content);
    FUZZ_CHECK((uint64_t)content.request_data_offset + content.request_data_length <= exchange->request_kept);
    if (event->response)
        FUZZ_CHECK((uint64_t)content.data_offset + content.data_length <= event->response->received);
    if ((content.kind == SERVICE_CODES || content.kind == SERVICE_CODES_14230) && !content.is_count &&
        !content.malformed && event->response && exchange->nrc == 0)
        FUZZ_CHECK(content.entries_offset + (uint64_t)content.count *
                                                (content.kind == SERVICE_CODES ? SERVICE_CODE_ENTRY
                                                                               : SERVICE_CODE_ENTRY_14230) <=
                   event->response->received);
    list_fields(event, false);
    list_fields(event, true);
    if (event->kind == EXCHANGE_EVENT_REQUEST)
        reading_push_request(&run.reading, exchange, &content);
    else
        reading_push_answer(&run.reading, event, &content);
}

/* ---- what goes in ---- */

static void push_message(const struct message *like, const uint8_t *bytes, uint32_t length, enum message_reason reason,
                         bool started_first)
{
    struct message message = *like;
    uint8_t *copy = malloc(length ? length : 1);
    struct segment segment = {.start = 0, .length = length, .offset = 40};
    FUZZ_CHECK(copy);
    if (length)
        memcpy(copy, bytes, length);
    message.length = reason ? length + 1 : length;
    message.reason = reason;
    message.state = reason ? MESSAGE_ABANDONED : MESSAGE_COMPLETE;
    FUZZ_CHECK(service_secret_offset(copy, length) <= length);
    run.message = &message;
    if (started_first) {
        message.last_frame = message.first_frame;
        exchange_push(run.stage, &(struct transport_event){TRANSPORT_STARTED, &message, NULL, message.module, NULL});
        message.last_frame = message.first_frame + 1;
    }
    message.received = length;
    message.bytes = copy;
    message.segments = &segment;
    message.segment_count = length > 0;
    exchange_push(run.stage, &(struct transport_event){TRANSPORT_MESSAGE, &message, NULL, message.module, NULL});
    run.message = NULL;
    free(copy);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const int64_t steps[] = {0, TT_MS, 49 * TT_MS, 50 * TT_MS, 61 * TT_MS, 5 * TT_SECOND, 6 * TT_SECOND, 100};
    struct bytes input = bytes_of(data, size);
    struct message message = {.first_frame = 1, .last_frame = 1};
    uint8_t room[300];
    memset(&run.states, 0, sizeof run.states);
    run.opened = run.closed = 0;
    /* Nobody describes the modules (--pair), now and then. */
    const struct definitions *described = size % 8 == 7 ? NULL : &definitions;
    fuzz_shortage(1 + (unsigned)(size % 4));
    run.stage = exchange_open(described, definitions.module_count, on_exchange, NULL);
    fuzz_shortage(0);
    exchange_close(run.stage); /* with too little memory it is NULL */
    run.stage = exchange_open(described, definitions.module_count, on_exchange, NULL);
    FUZZ_CHECK(run.stage);
    reading_init(&run.reading, described, on_reading, NULL);
    while (input.left >= 3) {
        uint8_t kind = bytes_u8(&input), time = bytes_u8(&input), given = bytes_u8(&input);
        uint32_t length = given & 0x3F, repeat = given >> 6;
        const uint8_t *bytes = bytes_take(&input, length < input.left ? length : input.left);
        length = bytes ? (uint32_t)(input.at - bytes) : 0;
        if (bytes)
            memcpy(room, bytes, length);
        for (; repeat && length && length * 2 <= sizeof room; repeat--, length *= 2) /* long answers from few bytes */
            memcpy(room + length, room, length);
        message.module = (kind & 0x0F) % definitions.module_count;
        message.direction = kind & 0x10 ? DIRECTION_RESPONSE : kind & 0x20 ? DIRECTION_FUNCTIONAL : DIRECTION_REQUEST;
        message.first_frame = message.last_frame + 1;
        message.last_frame = message.first_frame;
        message.first_elapsed = message.last_elapsed += steps[time & 7];
        message.first_time = message.last_time = message.last_elapsed + 1000 * TT_SECOND;
        struct frame frame = {.number = message.first_frame, .elapsed = message.last_elapsed,
                              .time = message.last_time, .epoch = message.last_epoch};
        if (time >> 4 == 15) {
            frame.epoch = message.first_epoch = ++message.last_epoch;
            exchange_clock_back(run.stage, &frame);
        }
        if (kind >> 6 == 3) { /* a broadcast */
            frame.id = time & 8 ? 0x3D0 : (uint32_t)given << 3;
            frame.length = (uint8_t)(length < 8 ? length : 8);
            memcpy(frame.data, room, frame.length);
            reading_push_frame(&run.reading, &frame);
        } else {
            push_message(&message, room, length, kind >> 6 == 2 ? REASON_SEQUENCE : REASON_NONE, kind >> 6 == 1);
        }
        if (time >> 4 == 14)
            reading_forget(&run.reading, message.module);
    }
    exchange_finish(run.stage, message.last_elapsed, message.last_epoch);
    FUZZ_CHECK(run.opened == run.closed);
    exchange_close(run.stage);
    return 0;
}
