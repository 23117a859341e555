/* See transport.h: conversations, their memory, and the words for reasons and remarks. */
#include <stdlib.h>

#include "transport_conversation.h"

#define IDS_11_BIT 2048u
#define TIMEOUT_MAX (10 * 365 * INT64_C(86400) * TT_SECOND) /* what FRAME_ELAPSED_MAX leaves */

const char *message_reason_text(enum message_reason reason)
{
    static const char *const texts[] = {
        [REASON_SEQUENCE] = "sequence", [REASON_TIMEOUT] = "timeout", [REASON_INTERRUPTED] = "interrupted",
        [REASON_OVERFLOW] = "overflow", [REASON_UNANSWERED] = "unanswered", [REASON_CUT] = "cut",
        [REASON_TOO_LONG] = "too long", [REASON_CROWDED_OUT] = "crowded out",
    };
    return (size_t)reason < sizeof texts / sizeof *texts ? texts[reason] : NULL;
}

const char *message_remark_text(unsigned bit_index)
{
    static const char *const texts[REMARK_COUNT] = {
        "first frame length below the minimum", "32-bit length for up to 4,095 bytes", "no flow control seen",
        "receiver asked to wait", "reserved STmin", "clock went back inside",
    };
    return bit_index < REMARK_COUNT ? texts[bit_index] : NULL;
}

bool transport_reserve_segments(struct transport *transport, size_t count)
{
    if (count <= transport->segment_room)
        return true;
    size_t room = transport->segment_room * 2 > count ? transport->segment_room * 2 : count;
    struct segment *segments = realloc(transport->segments, room * sizeof *segments);
    if (!segments)
        return false;
    transport->segments = segments;
    transport->segment_room = room;
    return true;
}

void transport_release(struct transport *transport, struct transport_conversation *one)
{
    transport->held -= one->payload.room + one->places.room;
    buffer_free(&one->payload);
    buffer_free(&one->places);
}

bool transport_init(struct transport *transport, uint32_t longest,
                    void (*emit)(void *context, const struct transport_event *event), void *context)
{
    *transport = (struct transport){.first_open = NONE, .last_open = NONE, .next_deadline = INT64_MAX,
                                    .longest = longest, .emit = emit, .context = context};
    transport->by_id = malloc(IDS_11_BIT * sizeof *transport->by_id);
    if (!transport->by_id || !transport_reserve_segments(transport, 16)) {
        transport_free(transport);
        return false;
    }
    for (uint32_t id = 0; id < IDS_11_BIT; id++)
        transport->by_id[id] = NONE;
    return true;
}

static void add_conversation(struct transport *transport, const struct transport_pair *pair, uint32_t id,
                             enum direction direction, uint32_t partner)
{
    transport->conversations[transport->count++] = (struct transport_conversation){
        .message = {.module = pair->module, .direction = direction, .id = id},
        .n_cr = pair->n_cr, .n_bs = pair->n_bs, .partner = partner,
        .next_shared = NONE, .before = NONE, .after = NONE};
}

static void add_functional(struct transport *transport, const struct transport_pair *pair)
{
    uint32_t index = transport->count;
    uint32_t *link = &transport->by_id[pair->functional_id];
    add_conversation(transport, pair, pair->functional_id, DIRECTION_FUNCTIONAL, NONE);
    while (*link != NONE)
        link = &transport->conversations[*link].next_shared;
    *link = index;
}

static bool taken(const struct transport *transport, uint32_t id)
{
    return transport->by_id[id] != NONE;
}

const char *transport_add_pair(struct transport *transport, const struct transport_pair *pair)
{
    bool functional = pair->functional_id != UINT32_MAX;
    uint32_t more = functional ? 3 : 2;
    if (pair->request_id >= IDS_11_BIT || pair->response_id >= IDS_11_BIT ||
        (functional && pair->functional_id >= IDS_11_BIT))
        return "identifier over 0x7FF: only 11-bit identifiers are read by this version";
    if (pair->request_id == pair->response_id)
        return "request and response have the same identifier";
    if (taken(transport, pair->request_id) || taken(transport, pair->response_id))
        return "identifier is already in use";
    if (functional && (pair->functional_id == pair->request_id || pair->functional_id == pair->response_id ||
                       (taken(transport, pair->functional_id) &&
                        transport->conversations[transport->by_id[pair->functional_id]].partner != NONE)))
        return "functional identifier is already in use as a request or response";
    if (pair->n_cr <= 0 || pair->n_cr > TIMEOUT_MAX || pair->n_bs <= 0 || pair->n_bs > TIMEOUT_MAX)
        return "timeout out of range";
    if (transport->count + more > TRANSPORT_CONVERSATIONS)
        return "more than 4,096 conversations";
    if (transport->count + more > transport->room) {
        uint32_t room = transport->room * 2 > 16 ? transport->room * 2 : 16;
        struct transport_conversation *grown = realloc(transport->conversations, room * sizeof *grown);
        if (!grown)
            return "no memory";
        transport->conversations = grown;
        transport->room = room;
    }
    uint32_t request = transport->count;
    transport->by_id[pair->request_id] = request;
    add_conversation(transport, pair, pair->request_id, DIRECTION_REQUEST, request + 1);
    transport->by_id[pair->response_id] = request + 1;
    add_conversation(transport, pair, pair->response_id, DIRECTION_RESPONSE, request);
    if (functional)
        add_functional(transport, pair);
    return NULL;
}

void transport_free(struct transport *transport)
{
    for (uint32_t i = 0; i < transport->count; i++)
        transport_release(transport, &transport->conversations[i]);
    free(transport->conversations);
    free(transport->by_id);
    free(transport->segments);
    transport->conversations = NULL;
    transport->by_id = NULL;
    transport->segments = NULL;
    transport->count = transport->room = 0;
    transport->segment_room = 0;
}
