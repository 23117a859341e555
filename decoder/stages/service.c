/*
 * Exchanges to what they say (service.h), by one table: a row tells for a service, or one sub-function of it, where its
 * parts stand in request and answer. Positions count from the SID, which is byte 0, so position 0 means "has none".
 */
#include "service.h"

#include "../support/bytes.h"

#define ANY_SUB_FUNCTION 0xFF /* reserved with the suppress bit taken off: no request has it */
#define CODE_ENTRY 4          /* three bytes DTC, one status */

struct service_layout {
    uint8_t service, sub_function;
    enum service_kind kind;
    uint8_t request_least, answer_least; /* lengths without which the rest means nothing */
    uint8_t identifier_at;   /* in both: two bytes */
    uint8_t group_at;        /* request: three bytes */
    uint8_t mask_at;         /* request: DTCStatusMask */
    uint8_t availability_at; /* answer: DTCStatusAvailabilityMask */
    uint8_t count_at;        /* answer: two bytes */
    uint8_t entries_at;      /* answer: CODE_ENTRY each, up to the end */
    uint8_t data_at;         /* answer: bytes the standard leaves to the maker */
    uint8_t timing_at;       /* answer: P2 in 1 ms, P2* in 10 ms, or nothing */
};

/* ISO 14229-1:2020 message tables, as docs/services.md lists them with their sources. */
static const struct service_layout service_table[] = {
    {0x10, ANY_SUB_FUNCTION, SERVICE_SESSION, 2, 2, .timing_at = 2},
    {0x11, ANY_SUB_FUNCTION, SERVICE_RESET, 2, .answer_least = 2},
    {0x14, ANY_SUB_FUNCTION, SERVICE_CLEAR, 4, 1, .group_at = 1},
    {0x19, 0x01, SERVICE_CODES, 3, 6, .mask_at = 2, .availability_at = 2, .count_at = 4},
    {0x19, 0x02, SERVICE_CODES, 3, 3, .mask_at = 2, .availability_at = 2, .entries_at = 3},
    {0x19, 0x0A, SERVICE_CODES, 2, 3, .availability_at = 2, .entries_at = 3},
    {0x19, ANY_SUB_FUNCTION, SERVICE_OTHER, 2, .answer_least = 2},
    {0x22, ANY_SUB_FUNCTION, SERVICE_READ, 3, 3, .identifier_at = 1, .data_at = 3},
    {0x2E, ANY_SUB_FUNCTION, SERVICE_WRITE, 4, 3, .identifier_at = 1},
    {0x31, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 4, 4, .identifier_at = 2, .data_at = 4},
    {0x3E, ANY_SUB_FUNCTION, SERVICE_TESTER_PRESENT, 2, .answer_least = 2},
    {0x85, ANY_SUB_FUNCTION, SERVICE_SETTING, 2, .answer_least = 2},
};

static const struct service_layout *layout_of(uint8_t service, uint8_t sub_function)
{
    for (size_t i = 0; i < sizeof service_table / sizeof *service_table; i++) {
        const struct service_layout *row = &service_table[i];
        if (row->service == service && (row->sub_function == ANY_SUB_FUNCTION || row->sub_function == sub_function))
            return row;
    }
    return NULL;
}

/* A cursor at that position; bad, so that it reads 0, when the bytes end before it. */
static struct bytes bytes_at(struct bytes whole, size_t position)
{
    bytes_skip(&whole, position);
    return whole;
}

/* DTCStatusMask of a request. False when it cannot be known. */
static bool request_mask(const struct exchange *exchange, uint8_t mask_at, uint8_t *mask)
{
    struct bytes cursor = bytes_at(bytes_of(exchange->request_bytes, exchange->request_kept), mask_at);
    *mask = bytes_u8(&cursor);
    return !cursor.bad;
}

/*
 * The masks of every question that could own the answer (D 7.10). A rival whose mask is not known may have asked for nothing
 * in common, and for any bit.
 */
static void read_masks(const struct exchange_event *event, const struct service_layout *row, struct service_content *content)
{
    content->has_mask = request_mask(event->exchange, row->mask_at, &content->mask);
    content->narrow_mask = content->has_mask ? content->mask : 0xFF;
    for (uint32_t i = 0; i < event->rival_count; i++) {
        const struct exchange *rival = event->rivals[i];
        uint8_t mask;
        bool known = rival->service == row->service && request_mask(rival, row->mask_at, &mask);
        content->mask &= known ? mask : 0x00;
        content->narrow_mask |= known ? mask : 0xFF;
    }
}

/* Parts of the answer. Returns what is wrong with it, or NULL. */
static const char *read_answer(struct bytes whole, const struct service_layout *row, struct service_content *content)
{
    if (whole.left < row->answer_least)
        return "answer shorter than its table";
    if (row->availability_at) {
        struct bytes cursor = bytes_at(whole, row->availability_at);
        content->availability = bytes_u8(&cursor);
    }
    if (row->count_at) {
        struct bytes cursor = bytes_at(whole, row->count_at);
        content->count = bytes_be16(&cursor);
    }
    if (row->entries_at) {
        size_t length = whole.left - row->entries_at;
        if (length % CODE_ENTRY != 0)
            return "list of codes ends inside a code";
        content->entries_offset = row->entries_at;
        content->count = (uint32_t)(length / CODE_ENTRY);
    }
    if (row->data_at) {
        content->data_offset = row->data_at;
        content->data_length = (uint32_t)(whole.left - row->data_at);
    }
    if (row->timing_at && whole.left > row->timing_at) { /* editions before 2013 end here */
        struct bytes cursor = bytes_at(whole, row->timing_at);
        uint16_t p2 = bytes_be16(&cursor), p2_star = bytes_be16(&cursor);
        if (cursor.bad)
            return "answer shorter than its table";
        content->p2 = p2 * TT_MS;
        content->p2_star = p2_star * 10 * TT_MS;
    }
    return NULL;
}

/* Parts that stand in the request, or at the same place in an answer nobody asked for. Returns what is wrong, or NULL. */
static const char *read_question(const struct exchange *exchange, struct bytes whole, const struct service_layout *row,
                                 struct service_content *content)
{
    if (row->group_at && exchange->request_length) {
        struct bytes cursor = bytes_at(whole, row->group_at);
        content->group = bytes_be24(&cursor);
    }
    if (row->kind == SERVICE_READ && exchange->request_length) {
        if (exchange->request_kept < exchange->request_length)
            return "request not seen whole";
        if (exchange->request_length % 2 == 0)
            return "request ends inside an identifier";
        if (exchange->request_length > 3)
            return NULL; /* several identifiers: the reading stage splits the answer */
    }
    if (row->identifier_at) {
        struct bytes cursor = bytes_at(whole, row->identifier_at);
        content->identifier = bytes_be16(&cursor);
    }
    return NULL;
}

static const char *read_content(const struct exchange_event *event, const struct message *answer,
                                struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    bool asked = exchange->request_length > 0;
    struct bytes request = bytes_of(exchange->request_bytes, exchange->request_kept);
    struct bytes said = answer ? bytes_of(answer->bytes, answer->received) : bytes_of(NULL, 0);
    struct bytes question = asked ? request : said;

    uint8_t sub_function = 0;
    if (service_has_sub_function(exchange->service)) {
        struct bytes second = bytes_at(question, 1);
        sub_function = asked ? bytes_u8(&second) & 0x7F : bytes_u8(&second);
    }
    content->sub_function = sub_function;
    const struct service_layout *row = layout_of(exchange->service, sub_function);
    if (!row)
        return NULL;
    content->kind = row->kind;
    if (asked && request.left < row->request_least)
        return exchange->request_kept < exchange->request_length ? "request not seen whole" : "request shorter than its table";
    if (!asked && said.left < row->answer_least)
        return answer ? "answer shorter than its table" : NULL;
    struct bytes first = said;
    if (answer && bytes_u8(&first) != exchange->service + 0x40)
        return "answer of another service";
    content->is_count = row->count_at != 0;
    content->is_supported = row->kind == SERVICE_CODES && row->mask_at == 0;
    const char *wrong = read_question(exchange, question, row, content);
    if (!wrong && row->mask_at)
        read_masks(event, row, content);
    if (!wrong && answer)
        wrong = read_answer(said, row, content);
    return wrong;
}

void service_read(const struct exchange_event *event, struct service_content *content)
{
    const struct message *answer = event->response;
    if (answer) {
        struct bytes cursor = bytes_of(answer->bytes, answer->received);
        if (bytes_u8(&cursor) == 0x7F) /* a refusal has no more to say than its code */
            answer = NULL;
    }
    *content = (struct service_content){.service = event->exchange->service};
    const char *wrong = read_content(event, answer, content);
    if (wrong) /* nothing half-read may be taken for a statement */
        *content = (struct service_content){.kind = content->kind, .service = content->service, .malformed = wrong};
}
