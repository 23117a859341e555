/*
 * Exchanges to what they say (service.h), by one table: a row tells for a service, or one sub-function of it, where its
 * parts stand in request and answer. Positions count from the SID, which is byte 0, so position 0 means "has none".
 */
#include "service.h"

#include "../support/bytes.h"

#define ANY_SUB_FUNCTION 0xFF /* reserved with the suppress bit taken off: no request has it */

enum layout_dialect { UDS, KWP, BOTH }; /* ISO 14229-1, ISO 14230-3 */

/* What an action does. BY_SUB_FUNCTION: sub-function 1 to 3 of the request; BY_PARAMETER: the control parameter. */
enum layout_part { NO_ACTION, STARTS = PART_START, STOPS = PART_STOP, RESULTS = PART_RESULTS, BY_SUB_FUNCTION,
    BY_PARAMETER };

struct service_layout {
    enum layout_dialect dialect;
    uint8_t service, sub_function;
    enum service_kind kind;
    uint8_t request_least, answer_least; /* lengths without which the rest means nothing */
    enum layout_part part;
    enum action_kind action;
    uint8_t sub_function_at; /* request, of services whose byte 1 is no sub-function of ISO 14229: what says the same */
    uint8_t key_at, key_width; /* in both: identifier, routine, local identifier,
        address; a control's parameter follows it */
    uint8_t group_at;        /* request: of group_width bytes */
    uint8_t group_width;
    uint8_t mask_at;         /* request: DTCStatusMask */
    uint8_t availability_at; /* answer: DTCStatusAvailabilityMask */
    uint8_t count_at;        /* answer: two bytes */
    uint8_t entries_at;      /* answer: entries of entry_size each, up to the end */
    uint8_t entry_size;
    uint8_t stated_at;       /* answer: one byte, how many entries there are */
    uint8_t data_at;         /* answer: bytes the standard leaves to the maker; request of an action: the same */
    uint8_t timing_at;       /* answer: P2 in 1 ms, P2* in 10 ms, or nothing */
};

/* Message tables of ISO 14229-1:2020 and ISO 14230-3, as docs/services.md lists them with their sources. */
static const struct service_layout service_table[] = {
    {BOTH, 0x09, ANY_SUB_FUNCTION, SERVICE_VEHICLE_INFORMATION, 2, 2, .sub_function_at = 1, .data_at = 3},
    {UDS, 0x10, ANY_SUB_FUNCTION, SERVICE_SESSION, 2, 2, .timing_at = 2},
    {UDS, 0x11, ANY_SUB_FUNCTION, SERVICE_RESET, 2, .answer_least = 2},
    {UDS, 0x14, ANY_SUB_FUNCTION, SERVICE_CLEAR, 4, 1, .group_at = 1, .group_width = 3},
    {UDS, 0x19, 0x01, SERVICE_CODES, 3, 6, .mask_at = 2, .availability_at = 2, .count_at = 4},
    {UDS, 0x19, 0x02, SERVICE_CODES, 3, 3, .mask_at = 2, .availability_at = 2, .entries_at = 3,
     .entry_size = SERVICE_CODE_ENTRY},
    {UDS, 0x19, 0x0A, SERVICE_CODES, 2, 3, .availability_at = 2, .entries_at = 3, .entry_size = SERVICE_CODE_ENTRY},
    {UDS, 0x19, ANY_SUB_FUNCTION, SERVICE_OTHER, 2, .answer_least = 2},
    {UDS, 0x22, ANY_SUB_FUNCTION, SERVICE_READ, 3, 3, .key_at = 1, .key_width = 2, .data_at = 3},
    {UDS, 0x2A, ANY_SUB_FUNCTION, SERVICE_PERIODIC, 2, 1, .sub_function_at = 1},
    {UDS, 0x2C, 0x03, SERVICE_DEFINE, 2, 2, .key_at = 2, .key_width = 2},
    {UDS, 0x2C, ANY_SUB_FUNCTION, SERVICE_DEFINE, 4, 4, .key_at = 2, .key_width = 2, .data_at = 4},
    {UDS, 0x2E, ANY_SUB_FUNCTION, SERVICE_WRITE, 4, 3, STARTS, ACTION_WRITE, .key_at = 1, .key_width = 2, .data_at = 3},
    {UDS, 0x2F, ANY_SUB_FUNCTION, SERVICE_CONTROL, 4, 4, BY_PARAMETER, ACTION_CONTROL, .key_at = 1, .key_width = 2,
     .data_at = 4},
    {UDS, 0x31, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 4, 4, BY_SUB_FUNCTION, ACTION_ROUTINE, .key_at = 2, .key_width = 2,
     .data_at = 4},
    {UDS, 0x3E, ANY_SUB_FUNCTION, SERVICE_TESTER_PRESENT, 2, .answer_least = 2},
    {UDS, 0x85, ANY_SUB_FUNCTION, SERVICE_SETTING, 2, .answer_least = 2},

    {KWP, 0x10, ANY_SUB_FUNCTION, SERVICE_SESSION, 2, 2, .sub_function_at = 1},
    {KWP, 0x11, ANY_SUB_FUNCTION, SERVICE_RESET, 2, 1, .sub_function_at = 1},
    {KWP, 0x14, ANY_SUB_FUNCTION, SERVICE_CLEAR, 3, 1, .group_at = 1, .group_width = 2},
    {KWP, 0x18, ANY_SUB_FUNCTION, SERVICE_CODES_14230, 4, 2, .sub_function_at = 1, .group_at = 2, .group_width = 2,
     .stated_at = 1, .entries_at = 2, .entry_size = SERVICE_CODE_ENTRY_14230},
    {KWP, 0x1A, ANY_SUB_FUNCTION, SERVICE_IDENTIFICATION, 2, 2, .key_at = 1, .key_width = 1, .data_at = 2},
    {KWP, 0x20, ANY_SUB_FUNCTION, SERVICE_SESSION, 1, .answer_least = 1},
    {KWP, 0x21, ANY_SUB_FUNCTION, SERVICE_READ_LOCAL, 2, 2, .key_at = 1, .key_width = 1, .data_at = 2},
    {KWP, 0x22, ANY_SUB_FUNCTION, SERVICE_READ, 3, 3, .key_at = 1, .key_width = 2, .data_at = 3},
    {KWP, 0x2E, ANY_SUB_FUNCTION, SERVICE_WRITE, 4, 3, STARTS, ACTION_WRITE, .key_at = 1, .key_width = 2, .data_at = 3},
    {KWP, 0x2F, ANY_SUB_FUNCTION, SERVICE_CONTROL, 4, 4, BY_PARAMETER, ACTION_CONTROL, .key_at = 1, .key_width = 2,
     .data_at = 4},
    {KWP, 0x30, ANY_SUB_FUNCTION, SERVICE_CONTROL, 3, 3, BY_PARAMETER, ACTION_CONTROL_LOCAL, .key_at = 1,
     .key_width = 1,
     .data_at = 3},
    {KWP, 0x31, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 2, 2, STARTS, ACTION_ROUTINE, .key_at = 1, .key_width = 1,
     .data_at = 2},
    {KWP, 0x32, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 2, 2, STOPS, ACTION_ROUTINE, .key_at = 1, .key_width = 1,
     .data_at = 2},
    {KWP, 0x33, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 2, 2, RESULTS, ACTION_ROUTINE, .key_at = 1, .key_width = 1,
     .data_at = 2},
    {KWP, 0x38, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 4, 4, STARTS, ACTION_ROUTINE_ADDRESS, .key_at = 1, .key_width = 3,
     .data_at = 4},
    {KWP, 0x39, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 4, 4, STOPS, ACTION_ROUTINE_ADDRESS, .key_at = 1, .key_width = 3,
     .data_at = 4},
    {KWP, 0x3A, ANY_SUB_FUNCTION, SERVICE_ROUTINE, 4, 4, RESULTS, ACTION_ROUTINE_ADDRESS, .key_at = 1, .key_width = 3,
     .data_at = 4},
    {KWP, 0x3B, ANY_SUB_FUNCTION, SERVICE_WRITE, 3, 2, STARTS, ACTION_WRITE_LOCAL, .key_at = 1, .key_width = 1,
     .data_at = 2},
    {KWP, 0x3E, ANY_SUB_FUNCTION, SERVICE_TESTER_PRESENT, 1, 1, .sub_function_at = 1},
    {KWP, 0x85, ANY_SUB_FUNCTION, SERVICE_SETTING, 5, 1, .sub_function_at = 4, .group_at = 2, .group_width = 2},
};

static const struct service_layout *const table_end = service_table + sizeof service_table / sizeof *service_table;

static bool is_of(const struct service_layout *row, enum dialect dialect, uint8_t service)
{
    return row->service == service &&
           (row->dialect == BOTH || row->dialect == (dialect == DIALECT_ISO14230 ? KWP : UDS));
}

/* The first row of a service; the others of the same service and dialect stand right behind it. NULL: there is none. */
static const struct service_layout *first_layout(enum dialect dialect, uint8_t service)
{
    for (const struct service_layout *row = service_table; row < table_end; row++)
        if (is_of(row, dialect, service))
            return row;
    return NULL;
}

/* The row of a sub-function, from the service's first row (may be NULL) on. */
static const struct service_layout *layout_of(const struct service_layout *first, enum dialect dialect, uint8_t service,
                                              uint8_t sub_function)
{
    for (const struct service_layout *row = first; row && row < table_end && is_of(row, dialect, service); row++)
        if (row->sub_function == ANY_SUB_FUNCTION || row->sub_function == sub_function)
            return row;
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
 * The masks of every question that could own the answer (D 7.10). A rival whose mask is not known may have asked for
 * nothing in common, and for any bit.
 */
static void read_masks(const struct exchange_event *event, const struct service_layout *row,
                       struct service_content *content)
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
        if (length % row->entry_size != 0)
            return "list of codes ends inside a code";
        content->entries_offset = row->entries_at;
        content->count = (uint32_t)(length / row->entry_size);
    }
    if (row->stated_at) {
        struct bytes cursor = bytes_at(whole, row->stated_at);
        if (bytes_u8(&cursor) != content->count)
            return "list of codes has another length than it says";
    }
    if (row->data_at) { /* OBD with a type of no items ends before them */
        content->data_offset = whole.left < row->data_at ? (uint32_t)whole.left : row->data_at;
        content->data_length = (uint32_t)(whole.left - content->data_offset);
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

/*
 * Control parameters that only ask for the state (ISO 14230-3: 01 reportCurrentState seen; 02 reportIOConditions, 03
 * reportIOScaling,
     09 reportIOCalibrationParameters from memory). An answer to one must never pass for an accepted start.
 */
static bool only_reports(enum dialect dialect, uint8_t parameter)
{
    return dialect == DIALECT_ISO14230 && (parameter == 1 || parameter == 2 || parameter == 3 || parameter == 9);
}

static void read_action(const struct service_layout *row, struct service_content *content)
{
    enum layout_part part = row->part;
    if (part == BY_SUB_FUNCTION)
        part = content->sub_function >= PART_START && content->sub_function <= PART_RESULTS
            ? (enum layout_part)content->sub_function : NO_ACTION;
    else if (part == BY_PARAMETER)
        part = content->control_parameter == 0 ? STOPS
             : only_reports(content->dialect, content->control_parameter) ? NO_ACTION : STARTS;
    content->is_action = part != NO_ACTION;
    content->action_kind = row->action;
    if (content->is_action || row->part == BY_PARAMETER)
        content->sub_function = (uint8_t)part;
}

/* Parts of the request, or of an answer nobody asked for, at the same place. Returns what is wrong, or NULL. */
static const char *read_question(const struct exchange *exchange, struct bytes whole, const struct service_layout *row,
                                 struct service_content *content)
{
    if (row->group_at && exchange->request_length) {
        struct bytes cursor = bytes_at(whole, row->group_at);
        content->group = (uint32_t)bytes_unsigned(&cursor, row->group_width, false);
    }
    if (row->kind == SERVICE_READ && row->dialect == UDS && exchange->request_length) {
        if (exchange->request_kept < exchange->request_length)
            return "request not seen whole";
        if (exchange->request_length % 2 == 0)
            return "request ends inside an identifier";
        if (exchange->request_length > 3)
            return NULL; /* several identifiers: the reading stage splits the answer */
    }
    if (row->key_at) {
        struct bytes cursor = bytes_at(whole, row->key_at);
        content->key = (uint32_t)bytes_unsigned(&cursor, row->key_width, false);
        content->identifier = row->key_width == 2 ? (uint16_t)content->key : 0;
        content->control_parameter = row->part == BY_PARAMETER ? bytes_u8(&cursor) : 0;
    }
    if (row->part)
        read_action(row, content);
    if (row->data_at && exchange->request_length) {
        content->request_data_offset = whole.left < row->data_at ? (uint32_t)whole.left : row->data_at;
        content->request_data_length = (uint32_t)(whole.left - content->request_data_offset);
    }
    return NULL;
}

/* The byte that says what is to be done. An answer nobody asked for has it only where it repeats it. */
static uint8_t read_sub_function(const struct exchange *exchange, const struct service_layout *first,
                                 struct bytes question, bool asked)
{
    bool has_suppress_bit = exchange_has_sub_function(exchange->dialect, exchange->service);
    uint8_t at = has_suppress_bit ? 1 : first ? first->sub_function_at : 0;
    if (at == 0 || (!asked && at > exchange_echo_length(exchange->dialect, exchange->service)))
        return 0;
    struct bytes cursor = bytes_at(question, at);
    uint8_t sub_function = bytes_u8(&cursor);
    return has_suppress_bit && asked ? sub_function & 0x7F : sub_function;
}

/* What is known only of the sub-function's meaning. */
static void read_meaning(const struct service_layout *row, struct service_content *content)
{
    bool local = row->dialect == KWP;
    content->is_count = row->count_at != 0;
    if (row->kind == SERVICE_CODES)
        content->is_supported = row->mask_at == 0;
    else if (row->kind == SERVICE_CODES_14230)
        content->is_supported = content->sub_function == 1 || content->sub_function == 3;
    else if (row->kind == SERVICE_SESSION)
        content->is_default_session = content->sub_function == (local ? 0x81 : 0x01) || row->service == 0x20;
}

static const char *read_content(const struct exchange_event *event, const struct message *answer,
                                struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    bool asked = exchange->request_length > 0;
    struct bytes request = bytes_of(exchange->request_bytes, exchange->request_kept);
    struct bytes said = answer ? bytes_of(answer->bytes, answer->received) : bytes_of(NULL, 0);
    struct bytes question = asked ? request : said;

    const struct service_layout *first_row = first_layout(exchange->dialect, exchange->service);
    content->sub_function = read_sub_function(exchange, first_row, question, asked);
    const struct service_layout *row =
        layout_of(first_row, exchange->dialect, exchange->service, content->sub_function);
    if (!row)
        return NULL;
    content->kind = row->kind;
    if (asked && request.left < row->request_least)
        return exchange->request_kept < exchange->request_length ? "request not seen whole"
                                                                 : "request shorter than its table";
    if (!asked && said.left < row->answer_least)
        return answer ? "answer shorter than its table" : NULL;
    struct bytes first = said;
    if (answer && bytes_u8(&first) != exchange->service + 0x40)
        return "answer of another service";
    read_meaning(row, content);
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
    const struct exchange *exchange = event->exchange;
    *content = (struct service_content){.dialect = exchange->dialect, .service = exchange->service};
    const char *wrong = read_content(event, answer, content);
    if (wrong) /* nothing half-read may be taken for a statement */
        *content = (struct service_content){.kind = content->kind, .dialect = exchange->dialect,
                                            .service = exchange->service, .malformed = wrong};
}
