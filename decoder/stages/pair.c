/* See pair.h. */
#include "pair.h"

#include <stdio.h>
#include <string.h>

/* "0x" and exactly count hex digits. */
static bool parse_hex(const char *text, size_t length, size_t count, uint32_t *number)
{
    *number = 0;
    if (length != 2 + count || text[0] != '0' || text[1] != 'x')
        return false;
    for (size_t i = 2; i < length; i++) {
        const char *digits = "0123456789abcdef", *at = text[i] ? strchr(digits, text[i] | 0x20) : NULL;
        if (!at)
            return false;
        *number = *number << 4 | (uint32_t)(at - digits);
    }
    return true;
}

/* One side: an id, and perhaps its address byte. */
static bool parse_side(const char *text, size_t length, uint32_t *id, bool *has_byte, uint8_t *byte)
{
    const char *slash = memchr(text, '/', length);
    size_t id_length = slash ? (size_t)(slash - text) : length;
    uint32_t number = 0;
    *has_byte = slash != NULL;
    if (slash && !parse_hex(slash + 1, length - id_length - 1, 2, &number))
        return false;
    *byte = (uint8_t)number;
    if (parse_hex(text, id_length, 3, id))
        return *id <= 0x7FF;
    if (!parse_hex(text, id_length, 8, id) || *id > 0x1FFFFFFF)
        return false;
    *id |= DEF_ID_29;
    return true;
}

const char *pair_parse(const char *text, struct transport_pair *pair)
{
    bool request_has, response_has;
    *pair = (struct transport_pair){.functional_id = DEF_NO_ID, .n_cr = TT_SECOND, .n_bs = TT_SECOND};
    const char *colon = strchr(text, ':');
    if (!colon || !parse_side(text, (size_t)(colon - text), &pair->request_id, &request_has, &pair->request_byte) ||
        !parse_side(colon + 1, strlen(colon + 1), &pair->response_id, &response_has, &pair->response_byte))
        return "write two ids of three or eight hex digits like 0x5E3:0x6C5, the question's first, each perhaps with its "
               "address byte like 0x5E3/0x12";
    if (request_has != response_has)
        return "give the address byte of both sides, or of none";
    /* A listener need not know which of the two formats it is: the byte stands in the same place. */
    pair->format = request_has ? ADDRESS_EXTENDED : ADDRESS_NORMAL;
    return NULL;
}

bool pair_has_bytes(const struct transport_pair *pair)
{
    return pair->format == ADDRESS_EXTENDED || pair->format == ADDRESS_MIXED;
}

static int put_id(char *text, size_t room, uint32_t word)
{
    return word & DEF_ID_29 ? snprintf(text, room, "0x%08x", (unsigned)(word & ~DEF_ID_29))
                            : snprintf(text, room, "0x%03x", (unsigned)word);
}

void pair_text(const struct transport_pair *pair, char out[PAIR_TEXT_MAX])
{
    char request[24], response[24];
    int used = put_id(request, sizeof request, pair->request_id);
    if (pair_has_bytes(pair))
        (void)snprintf(request + used, sizeof request - (size_t)used, "/0x%02x", pair->request_byte);
    used = put_id(response, sizeof response, pair->response_id);
    if (pair_has_bytes(pair))
        (void)snprintf(response + used, sizeof response - (size_t)used, "/0x%02x", pair->response_byte);
    (void)snprintf(out, PAIR_TEXT_MAX, "%.16s:%.16s", request, response);
}
