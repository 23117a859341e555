/*
 * A scene for tests of decoder/stages/exchange.h: messages go in one by one, and each event is noted as a word:
 * "ask#1" (a request opened exchange 1), "wait#1" (0x78), "#1 answered", "#1 refused 22" (closed, with the NRC of the
 * final answer), " or #2" (a rival), " again" (repeated), "broken" or "broken#1". Include cmocka.h before it.
 */
#ifndef TT_TEST_SUPPORT_EXCHANGE_H
#define TT_TEST_SUPPORT_EXCHANGE_H

#include "exchange.h"
#include "support_message.h"

struct scene {
    struct exchange_stage *stage;
    char text[4096];
    uint64_t frame;
    struct exchange last; /* of the last event */
    const struct message *response;
};

static inline void add(struct scene *scene, const char *format, ...)
{
    size_t used = strlen(scene->text);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(scene->text + used, sizeof scene->text - used, format, arguments);
    va_end(arguments);
}

static inline void note(void *context, const struct exchange_event *event)
{
    struct scene *scene = context;
    const struct exchange *exchange = event->exchange;
    unsigned long serial = exchange ? (unsigned long)exchange->serial : 0;
    if (scene->text[0])
        add(scene, "; ");
    switch (event->kind) {
    case EXCHANGE_EVENT_REQUEST:
        assert_int_equal(exchange->state, EXCHANGE_OPEN);
        add(scene, "ask#%lu", serial);
        break;
    case EXCHANGE_EVENT_PENDING:
        add(scene, "wait#%lu", serial);
        break;
    case EXCHANGE_EVENT_BROKEN:
        add(scene, serial ? "broken#%lu" : "broken", serial);
        break;
    case EXCHANGE_EVENT_CLOSED:
        assert_int_equal(exchange->has_response, event->response != NULL);
        add(scene, "#%lu %s", serial, exchange_state_text(exchange->state));
        if (exchange->nrc)
            add(scene, " %02x", exchange->nrc);
        break;
    }
    for (uint32_t i = 0; i < event->rival_count; i++)
        add(scene, " or #%lu", (unsigned long)event->rivals[i]->serial);
    if (event->repeated)
        add(scene, " again");
    if (exchange)
        scene->last = *exchange;
    scene->response = event->response;
}

static inline void push(struct scene *scene, enum transport_event_kind kind, const struct message *message)
{
    exchange_push(scene->stage, &(struct transport_event){.kind = kind, .message = message, .module = message->module});
}

static inline void say(struct scene *scene, enum direction direction, uint32_t module, int64_t ms, const char *hex)
{
    uint8_t bytes[64];
    uint32_t length = test_hex(hex, bytes, sizeof bytes);
    scene->frame++;
    struct message message = test_message(direction, module, scene->frame, scene->frame, ms, ms, bytes, length);
    push(scene, TRANSPORT_MESSAGE, &message);
}

static inline void ask(struct scene *scene, int64_t ms, const char *hex)
{
    say(scene, DIRECTION_REQUEST, 0, ms, hex);
}

static inline void answer(struct scene *scene, int64_t ms, const char *hex)
{
    say(scene, DIRECTION_RESPONSE, 0, ms, hex);
}

/* First frame of a segmented answer, and later its end. */
static inline uint64_t answer_starts(struct scene *scene, int64_t ms)
{
    scene->frame++;
    struct message message = test_message(DIRECTION_RESPONSE, 0, scene->frame, scene->frame, ms, ms, NULL, 0);
    message.length = 20;
    push(scene, TRANSPORT_STARTED, &message);
    return scene->frame;
}

static inline void answer_ends(struct scene *scene, uint64_t first_frame, int64_t first_ms, int64_t ms, const char *hex,
                        enum message_reason reason)
{
    uint8_t bytes[64];
    uint32_t length = test_hex(hex, bytes, sizeof bytes);
    scene->frame++;
    struct message message =
        test_message(DIRECTION_RESPONSE, 0, first_frame, scene->frame, first_ms, ms, bytes, length);
    message.state = reason == REASON_NONE ? MESSAGE_COMPLETE : MESSAGE_ABANDONED;
    message.reason = reason;
    push(scene, TRANSPORT_MESSAGE, &message);
}

static inline void ends(struct scene *scene, int64_t ms, const char *expected)
{
    exchange_finish(scene->stage, ms * TT_MS, 0);
    assert_string_equal(scene->text, expected);
    exchange_close(scene->stage);
}

/* A scene whose stage notes into it: the address must be the final one. */
#define SCENE(name, definitions, modules)                                                                            \
    struct scene name = {.frame = 0};                                                                                \
    name.stage = exchange_open(definitions, modules, note, &name);                                                   \
    assert_non_null(name.stage)

#endif
