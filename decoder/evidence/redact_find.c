/* See redact_find.h. */
#include "redact_find.h"

#include <string.h>

#include "../support/bytes.h"
#include "../support/standard.h"

#define VIN_IDENTIFIER 0xF190u    /* ISO 14229-1:2020 annex C */
#define SERIAL_IDENTIFIER 0xF18Cu
#define VIN 17u

struct finding {
    const struct definitions *definitions;
    const struct message *message;
    const struct redact_places *found;
};

static void tell(const struct finding *finding, enum secret_kind kind, size_t start, size_t length, bool whole)
{
    if (length)
        finding->found->place(finding->found->context, kind, (uint32_t)start, (uint32_t)length, whole);
}

/* How long the data of an identifier are; SIZE_MAX when nobody says. */
static size_t length_of(const struct finding *finding, uint16_t identifier)
{
    const struct definitions *definitions = finding->definitions;
    uint32_t module = finding->message->module;
    const struct def_identifier *described =
        definitions && module < definitions->module_count
            ? definitions_identifier(&definitions->modules[module], identifier) : NULL;
    if (described && described->record.length != DEF_NONE)
        return described->record.length;
    return identifier == VIN_IDENTIFIER ? VIN : SIZE_MAX;
}

/* A VIN behind its identifier where lengths before it are not known. */
static void look_for_vin(const struct finding *finding, size_t from)
{
    const struct message *message = finding->message;
    for (size_t i = from; i + 2 + VIN <= message->received; i++)
        if (message->bytes[i] == VIN_IDENTIFIER >> 8 && message->bytes[i + 1] == (VIN_IDENTIFIER & 0xFF) &&
            standard_vin_well_formed(message->bytes + i + 2, VIN))
            tell(finding, SECRET_VIN, i + 2, VIN, true);
}

/* Identifier, data, identifier, data, ... (answer of 22; request of 2E with one). */
static void walk_identifiers(const struct finding *finding, bool only_one)
{
    const struct message *message = finding->message;
    struct bytes cursor = bytes_of(message->bytes, message->received);
    bytes_skip(&cursor, 1);
    while (cursor.left >= 2) {
        uint16_t identifier = bytes_be16(&cursor);
        size_t length = only_one ? cursor.left : length_of(finding, identifier),
               start = message->received - cursor.left;
        bool known = length != SIZE_MAX;
        bool whole = message->state == MESSAGE_COMPLETE && (!known || length <= cursor.left);
        if (!known || length > cursor.left)
            length = cursor.left;
        if (identifier == VIN_IDENTIFIER || identifier == SERIAL_IDENTIFIER)
            tell(finding, identifier == VIN_IDENTIFIER ? SECRET_VIN : SECRET_SERIAL, start, length, whole);
        else if (!known)
            look_for_vin(finding, start);
        if (!known)
            return;
        bytes_skip(&cursor, length);
    }
}

void redact_find(const struct definitions *definitions, const struct message *message,
                 const struct redact_places *found)
{
    const struct finding finding = {definitions, message, found};
    bool whole = message->state == MESSAGE_COMPLETE;
    uint8_t service = message->received > 0 ? message->bytes[0] : 0;
    uint8_t second = message->received > 1 ? message->bytes[1] : 0;
    switch (service) {
    case 0x62:
        walk_identifiers(&finding, false);
        break;
    case 0x2E:
        walk_identifiers(&finding, true);
        break;
    case 0x49: /* SAE J1979 service 09, type 02: count of items, 17 characters, in old answers with zeros before */
        if (second == 0x02 && message->received > 3)
            tell(&finding, SECRET_VIN, 3, message->received - 3, whole);
        break;
    case 0x5A: /* ISO 14230-3 identification: 90 is the VIN by common practice, no source */
        if (second == 0x90 && message->received > 2)
            tell(&finding, SECRET_VIN, 2, message->received - 2, whole);
        break;
    case 0x67: /* requestSeed is odd, sendKey even (ISO 14229-1 SecurityAccess) */
        if (second % 2 == 1 && message->received > 2)
            tell(&finding, SECRET_SEED, 2, message->received - 2, whole);
        break;
    case 0x27:
        if (second % 2 == 0 && message->received > 2)
            tell(&finding, SECRET_KEY, 2, message->received - 2, whole);
        break;
    default:
        break;
    }
}

static bool ends_with(const char *name, const char *end)
{
    size_t length = strlen(name), wanted = strlen(end);
    return length > wanted && strcmp(name + length - wanted, end) == 0;
}

static enum secret_kind kind_of_mark(const char *mark, bool *good)
{
    *good = strcmp(mark, "vin") == 0 || strcmp(mark, "serial number") == 0;
    return strcmp(mark, "vin") == 0 ? SECRET_VIN : SECRET_SERIAL;
}

bool redact_is_named(const struct definitions *definitions, uint32_t reading, enum secret_kind *kind)
{
    const char *name = definitions->readings[reading].name;
    bool good = ends_with(name, ".vin") || ends_with(name, ".serial number");
    *kind = ends_with(name, ".vin") ? SECRET_VIN : SECRET_SERIAL;
    /* Compared with a mark of that name by a step (D 7.11). */
    for (uint32_t i = 0; !good && i < definitions->step_count; i++)
        if (definitions->steps[i].kind == STEP_IDENTITY && definitions->steps[i].reading == reading &&
            definitions->steps[i].equals_mark)
            *kind = kind_of_mark(definitions->steps[i].equals_mark, &good);
    return good;
}
