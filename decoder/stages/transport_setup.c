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
        "8-bit single-frame length that 4 bits could state", "block size or STmin changed inside",
        "consecutive frames closer than STmin", "flow control later than 0.9 N_Bs",
        "consecutive frame later than 0.9 N_Cr",
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
                                    .longest = longest, .uncertainty = TRANSPORT_STAMP_UNCERTAINTY, .open_limit = TRANSPORT_OPEN_TOTAL, .emit = emit,
                                    .context = context};
    transport->by_id = malloc(IDS_11_BIT * sizeof *transport->by_id);
    if (!transport->by_id || !transport_reserve_segments(transport, 16)) {
        transport_free(transport);
        return false;
    }
    for (uint32_t id = 0; id < IDS_11_BIT; id++)
        transport->by_id[id] = NONE;
    return true;
}

/* ---- addresses ---- */

struct address {
    uint32_t id; /* CAN id word */
    uint8_t addressed, byte;
};

static bool is_id(uint32_t word)
{
    return word & DEF_ID_29 ? (word & ~DEF_ID_29) <= 0x1FFFFFFF : word < IDS_11_BIT;
}

/* Where the index of the first conversation of this id stands; NULL for a 29-bit id that is not in the table. */
static uint32_t *first_of(const struct transport *transport, uint32_t word)
{
    uint32_t id = word & ~DEF_ID_29;
    if (!(word & DEF_ID_29))
        return &transport->by_id[id];
    if (!transport->wide)
        return NULL;
    uint32_t mask = (1u << transport->wide_bits) - 1;
    for (uint32_t at = id * 2654435761u >> (32 - transport->wide_bits);; at = (at + 1) & mask) {
        if (transport->wide[at].index == NONE)
            return NULL;
        if (transport->wide[at].id == id)
            return &transport->wide[at].index;
    }
}

static uint32_t first_index(const struct transport *transport, uint32_t word)
{
    const uint32_t *first = first_of(transport, word);
    return first ? *first : NONE;
}

static uint32_t find(const struct transport *transport, const struct address *address)
{
    uint32_t index = first_index(transport, address->id);
    while (index != NONE && address->addressed &&
           transport->conversations[index].message.address_byte != address->byte)
        index = transport->conversations[index].next_on_id;
    return index;
}

static void put_wide(struct transport *transport, uint32_t id, uint32_t index)
{
    uint32_t mask = (1u << transport->wide_bits) - 1;
    uint32_t at = id * 2654435761u >> (32 - transport->wide_bits);
    while (transport->wide[at].index != NONE)
        at = (at + 1) & mask;
    transport->wide[at] = (struct transport_wide){.id = id, .index = index};
}

/* Room for so many more 29-bit ids. */
static bool reserve_wide(struct transport *transport, uint32_t more)
{
    uint32_t bits = transport->wide ? transport->wide_bits : 4;
    while ((1u << bits) < 2 * (transport->wide_count + more))
        bits++;
    if (transport->wide && bits == transport->wide_bits)
        return true;
    struct transport_wide *old = transport->wide;
    uint32_t old_size = old ? 1u << transport->wide_bits : 0;
    struct transport_wide *grown = malloc(sizeof *grown << bits);
    if (!grown)
        return false;
    for (uint32_t i = 0; i < 1u << bits; i++)
        grown[i].index = NONE;
    transport->wide = grown;
    transport->wide_bits = bits;
    for (uint32_t i = 0; i < old_size; i++)
        if (old[i].index != NONE)
            put_wide(transport, old[i].id, old[i].index);
    free(old);
    return true;
}

bool transport_module_of(const struct transport *transport, uint32_t id_word, uint32_t *module)
{
    bool found = false;
    if (!is_id(id_word))
        return false;
    for (uint32_t i = first_index(transport, id_word); i != NONE; i = transport->conversations[i].next_on_id) {
        const struct transport_conversation *one = &transport->conversations[i];
        if (one->partner == NONE)
            continue;
        *module = found && *module != one->message.module ? DEF_NONE : one->message.module;
        found = true;
    }
    return found;
}

/* ---- pairs ---- */

/* Room for conversations and ids was made. */
static void add_conversation(struct transport *transport, const struct transport_pair *pair,
                             const struct address *address, enum direction direction, uint32_t partner)
{
    uint32_t index = transport->count++;
    transport->conversations[index] = (struct transport_conversation){
        .message = {.module = pair->module, .direction = direction, .id = address->id,
                    .has_address_byte = address->addressed > 0, .address_byte = address->byte},
        .n_cr = pair->n_cr, .n_bs = pair->n_bs, .partner = partner, .addressed = address->addressed,
        .next_shared = NONE, .next_on_id = NONE, .before = NONE, .after = NONE};
    uint32_t same = find(transport, address);
    uint32_t *link = first_of(transport, address->id);
    if (same != NONE) { /* functional, shared */
        for (link = &transport->conversations[same].next_shared; *link != NONE;)
            link = &transport->conversations[*link].next_shared;
        *link = index;
    } else if (!link) {
        put_wide(transport, address->id & ~DEF_ID_29, index);
        transport->wide_count++;
    } else {
        while (*link != NONE)
            link = &transport->conversations[*link].next_on_id;
        *link = index;
    }
}

static struct address address_of(const struct transport_pair *pair, uint32_t id, uint8_t byte)
{
    bool addressed = pair->format == ADDRESS_EXTENDED || pair->format == ADDRESS_MIXED;
    return (struct address){.id = id, .addressed = addressed, .byte = addressed ? byte : 0};
}

static bool equal(const struct address *a, const struct address *b)
{
    return a->id == b->id && a->byte == b->byte;
}

/* Whether another pair uses this id with, and this one without, an address byte, or the other way round. */
static bool is_other_format(const struct transport *transport, const struct address *address)
{
    uint32_t index = first_index(transport, address->id);
    return index != NONE && transport->conversations[index].addressed != address->addressed;
}

/* addresses: request, response, functional (when there is one). Returns why they cannot be used, or NULL. */
static const char *check_addresses(const struct transport *transport, const struct address *addresses, uint32_t count)
{
    const struct address *request = &addresses[0], *response = &addresses[1], *functional = &addresses[2];
    for (uint32_t i = 0; i < count; i++)
        if (!is_id(addresses[i].id))
            return "identifier over 0x7FF, or over 0x1FFFFFFF for a 29-bit one";
    if (equal(request, response))
        return "request and response have the same identifier";
    for (uint32_t i = 0; i < count; i++)
        if (is_other_format(transport, &addresses[i]))
            return "identifier is already in use in a format with another number of address bytes";
    if (find(transport, request) != NONE || find(transport, response) != NONE)
        return "identifier is already in use";
    if (count < 3)
        return NULL;
    uint32_t there = find(transport, functional);
    if (equal(functional, request) || equal(functional, response) ||
        (there != NONE && transport->conversations[there].partner != NONE))
        return "functional identifier is already in use as a request or response";
    return NULL;
}

const char *transport_add_pair(struct transport *transport, const struct transport_pair *pair)
{
    const struct address addresses[3] = {address_of(pair, pair->request_id, pair->request_byte),
                                         address_of(pair, pair->response_id, pair->response_byte),
                                         address_of(pair, pair->functional_id, pair->functional_byte)};
    uint32_t more = pair->functional_id != DEF_NO_ID ? 3 : 2;
    const char *why = check_addresses(transport, addresses, more);
    if (why)
        return why;
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
    if (((addresses[0].id | addresses[1].id | (more == 3 ? addresses[2].id : 0)) & DEF_ID_29) &&
        !reserve_wide(transport, more))
        return "no memory";
    uint32_t request = transport->count;
    add_conversation(transport, pair, &addresses[0], DIRECTION_REQUEST, request + 1);
    add_conversation(transport, pair, &addresses[1], DIRECTION_RESPONSE, request);
    if (more == 3)
        add_conversation(transport, pair, &addresses[2], DIRECTION_FUNCTIONAL, NONE);
    return NULL;
}

void transport_free(struct transport *transport)
{
    for (uint32_t i = 0; i < transport->count; i++)
        transport_release(transport, &transport->conversations[i]);
    free(transport->conversations);
    free(transport->by_id);
    free(transport->wide);
    free(transport->segments);
    transport->conversations = NULL;
    transport->by_id = NULL;
    transport->wide = NULL;
    transport->segments = NULL;
    transport->count = transport->room = 0;
    transport->segment_room = 0;
}
