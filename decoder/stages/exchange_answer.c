/* The form of answers (exchange_answer.h). */
#include "exchange_answer.h"

#include <string.h>

#include "../support/bytes.h"

enum exchange_echo exchange_echo_of(uint8_t sid)
{
    /* ISO 14229-1:2020 services with a sub-function byte (FACTS 3.1), and those whose answer begins with an identifier. */
    static const uint8_t echoes[256] = {
        [0x10] = EXCHANGE_ECHO_SUB_FUNCTION, [0x11] = EXCHANGE_ECHO_SUB_FUNCTION, [0x19] = EXCHANGE_ECHO_SUB_FUNCTION,
        [0x22] = EXCHANGE_ECHO_IDENTIFIER,   [0x24] = EXCHANGE_ECHO_IDENTIFIER,   [0x27] = EXCHANGE_ECHO_SUB_FUNCTION,
        [0x28] = EXCHANGE_ECHO_SUB_FUNCTION, [0x29] = EXCHANGE_ECHO_SUB_FUNCTION, [0x2C] = EXCHANGE_ECHO_SUB_FUNCTION,
        [0x2E] = EXCHANGE_ECHO_IDENTIFIER,   [0x2F] = EXCHANGE_ECHO_IDENTIFIER,   [0x31] = EXCHANGE_ECHO_ROUTINE,
        [0x3E] = EXCHANGE_ECHO_SUB_FUNCTION, [0x83] = EXCHANGE_ECHO_SUB_FUNCTION, [0x85] = EXCHANGE_ECHO_SUB_FUNCTION,
        [0x86] = EXCHANGE_ECHO_SUB_FUNCTION, [0x87] = EXCHANGE_ECHO_SUB_FUNCTION,
    };
    return (enum exchange_echo)echoes[sid];
}

bool exchange_has_sub_function(uint8_t sid)
{
    enum exchange_echo echo = exchange_echo_of(sid);
    return echo == EXCHANGE_ECHO_SUB_FUNCTION || echo == EXCHANGE_ECHO_ROUTINE;
}

struct answer_form answer_form_of(const struct message *answer)
{
    struct answer_form form = {.kind = ANSWER_NONE};
    struct bytes cursor = bytes_of(answer->bytes, answer->received);
    uint8_t sid = bytes_u8(&cursor);
    if (sid == 0x7F) {
        form.service = bytes_u8(&cursor);
        form.nrc = bytes_u8(&cursor);
        form.kind = form.nrc != 0 ? ANSWER_NEGATIVE : ANSWER_NONE; /* 0 too when the bytes are not there */
    } else if (sid & 0x40) {
        form.service = sid - 0x40;
        form.kind = ANSWER_POSITIVE;
    }
    return form;
}

static uint32_t echo_length(uint8_t sid)
{
    static const uint8_t lengths[] = {
        [EXCHANGE_ECHO_NOTHING] = 0, [EXCHANGE_ECHO_SUB_FUNCTION] = 1,
        [EXCHANGE_ECHO_IDENTIFIER] = 2, [EXCHANGE_ECHO_ROUTINE] = 3,
    };
    return lengths[exchange_echo_of(sid)];
}

/*
 * Reads the echo into out (zeros behind it). False when the bytes are not there. A request's suppress bit is not echoed; an
 * answer is taken as it is.
 */
static bool read_echo(const uint8_t *bytes, uint32_t length, uint8_t sid, bool is_request, uint8_t out[3])
{
    struct bytes cursor = bytes_of(bytes, length);
    bytes_skip(&cursor, 1);
    memset(out, 0, 3);
    for (uint32_t i = 0; i < echo_length(sid); i++)
        out[i] = bytes_u8(&cursor);
    if (is_request && exchange_has_sub_function(sid))
        out[0] &= 0x7F;
    return !cursor.bad;
}

bool answer_could_be_of(const struct exchange *exchange, const struct message *answer)
{
    if (exchange->request.last_frame >= answer->first_frame)
        return false;
    struct bytes said = bytes_of(answer->bytes, answer->received);
    uint8_t sid = bytes_u8(&said);
    if (sid == 0x7F)
        return bytes_u8(&said) == exchange->service && !said.bad;
    if (!(sid & 0x40) || sid - 0x40 != exchange->service)
        return false;
    uint8_t asked[3], echoed[3];
    return read_echo(exchange->request_bytes, exchange->request_kept, exchange->service, true, asked) &&
           read_echo(answer->bytes, answer->received, exchange->service, false, echoed) && memcmp(asked, echoed, 3) == 0;
}

bool answer_remember(struct answer_memory *memory, uint8_t service, const struct message *answer)
{
    uint64_t sum = UINT64_C(0xcbf29ce484222325);
    for (uint32_t i = 0; i < answer->received; i++)
        sum = (sum ^ answer->bytes[i]) * UINT64_C(0x100000001b3);
    uint32_t at = 0;
    while (at < ANSWER_MEMORY && !(memory->last[at].used && memory->last[at].service == service))
        at++;
    bool equal = at < ANSWER_MEMORY && memory->last[at].length == answer->received && memory->last[at].sum == sum;
    if (at == ANSWER_MEMORY) {
        at = memory->next;
        memory->next = (memory->next + 1) % ANSWER_MEMORY;
    }
    memory->last[at].used = true;
    memory->last[at].service = service;
    memory->last[at].length = answer->received;
    memory->last[at].sum = sum;
    return equal;
}
