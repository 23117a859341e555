/* The form of answers (exchange_answer.h). */
#include "exchange_answer.h"

#include <string.h>

#include "../support/bytes.h"

#define SUPPRESSIBLE 0x80 /* byte 1 has the suppress bit */

/* ISO 14229-1:2020; 2C 03 may leave the identifier out, and then so does its answer. */
static const uint8_t echoes_14229[256] = {
    [0x08] = 1, [0x09] = 1, /* SAE J1979: test or information type */
    [0x10] = 1 | SUPPRESSIBLE, [0x11] = 1 | SUPPRESSIBLE, [0x19] = 1 | SUPPRESSIBLE, [0x22] = 2, [0x24] = 2,
    [0x27] = 1 | SUPPRESSIBLE, [0x28] = 1 | SUPPRESSIBLE, [0x29] = 1 | SUPPRESSIBLE, [0x2C] = 3 | SUPPRESSIBLE,
    [0x2E] = 2, [0x2F] = 3, [0x31] = 3 | SUPPRESSIBLE, [0x36] = 1, [0x38] = 1, [0x3D] = 1,
    [0x3E] = 1 | SUPPRESSIBLE, [0x83] = 1 | SUPPRESSIBLE, [0x85] = 1 | SUPPRESSIBLE, [0x86] = 1 | SUPPRESSIBLE,
    [0x87] = 1 | SUPPRESSIBLE,
};

/* ISO 14230-3: mode, local or common identifier (with the parameter of a control), address. */
static const uint8_t echoes_14230[256] = {
    [0x08] = 1, [0x09] = 1, [0x10] = 1, [0x1A] = 1, [0x21] = 1, [0x22] = 2, [0x27] = 1, [0x2C] = 1, [0x2E] = 2, [0x2F] = 3,
    [0x30] = 2, [0x31] = 1, [0x32] = 1, [0x33] = 1, [0x38] = 3, [0x39] = 3, [0x3A] = 3, [0x3B] = 1, [0x3D] = 3,
};

uint32_t exchange_echo_length(enum dialect dialect, uint8_t sid)
{
    return dialect == DIALECT_ISO14230 ? echoes_14230[sid] : (uint32_t)echoes_14229[sid] & ~(uint32_t)SUPPRESSIBLE;
}

bool exchange_has_sub_function(enum dialect dialect, uint8_t sid)
{
    return dialect == DIALECT_ISO14229 && (echoes_14229[sid] & SUPPRESSIBLE);
}

bool answer_is_unwanted(enum dialect dialect, uint8_t sid, uint8_t second)
{
    if (dialect == DIALECT_ISO14229)
        return exchange_has_sub_function(dialect, sid) && (second & 0x80);
    return second == 0x02 && (sid == 0x28 || sid == 0x29 || sid == 0x3E || sid == 0x85 || sid == 0x86); /* noResponse */
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

#define ECHO_MAX 3

/*
 * Reads the echo into out (zeros behind it). False when the bytes are not there. A request's suppress bit is not
 * echoed; an answer is taken as it is.
 */
static bool read_echo(struct bytes cursor, const struct exchange *exchange, uint32_t length, bool is_request,
                      uint8_t out[ECHO_MAX])
{
    bytes_skip(&cursor, 1);
    memset(out, 0, ECHO_MAX);
    for (uint32_t i = 0; i < length; i++)
        out[i] = bytes_u8(&cursor);
    if (is_request && exchange_has_sub_function(exchange->dialect, exchange->service))
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
    struct bytes request = bytes_of(exchange->request_bytes, exchange->request_kept);
    uint32_t length = exchange_echo_length(exchange->dialect, exchange->service);
    if (exchange->service == 0x2C && exchange->dialect == DIALECT_ISO14229 && exchange->request_length == 2)
        length = 1; /* clears all dynamic identifiers: there is none to repeat */
    uint8_t asked[ECHO_MAX], echoed[ECHO_MAX];
    return read_echo(request, exchange, length, true, asked) &&
           read_echo(bytes_of(answer->bytes, answer->received), exchange, length, false, echoed) &&
           memcmp(asked, echoed, ECHO_MAX) == 0;
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
