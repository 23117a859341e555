/* See redact_find.h. */
#include "redact_find.h"

#include <string.h>

#include "../support/bytes.h"
#include "../support/standard.h"

#define VIN_IDENTIFIER 0xF190u    /* ISO 14229-1:2020 annex C */
#define SERIAL_IDENTIFIER 0xF18Cu
#define FIRST_DEFINED 0xF200u      /* ISO 14229-1 annex C: periodic, dynamically defined */
#define LAST_DEFINED 0xF3FFu
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

static const struct def_module *module_of(const struct finding *finding)
{
    const struct definitions *definitions = finding->definitions;
    uint32_t module = finding->message->module;
    return definitions && module < definitions->module_count ? &definitions->modules[module] : NULL;
}

/* How long the data of an identifier are; SIZE_MAX when nobody says. */
static size_t length_of(const struct finding *finding, uint16_t identifier)
{
    const struct def_module *module = module_of(finding);
    const struct def_identifier *described = module ? definitions_identifier(module, identifier) : NULL;
    if (described && described->record.length != DEF_NONE)
        return described->record.length;
    return identifier == VIN_IDENTIFIER ? VIN : SIZE_MAX;
}

/* VIN_IDENTIFIER or SERIAL_IDENTIFIER when it stands at this place of the message, else 0. */
static uint16_t secret_at(const struct message *message, size_t at)
{
    struct bytes cursor = bytes_of(message->bytes + at, message->received - at);
    uint16_t identifier = bytes_be16(&cursor);
    return identifier == VIN_IDENTIFIER || identifier == SERIAL_IDENTIFIER ? identifier : 0;
}

/*
 * VIN and serial number behind their identifiers where lengths before them are not known. Nothing is decoded there, so
 * a pair of bytes that only looks like an identifier costs no answer; of one that is cut off, what is there counts.
 */
static void look_behind(const struct finding *finding, size_t from)
{
    const struct message *message = finding->message;
    for (size_t at = from; at + 2 < message->received; at++) {
        uint16_t identifier = secret_at(message, at);
        size_t start = at + 2, end = start, left = message->received - start;
        if (identifier == VIN_IDENTIFIER)
            tell(finding, SECRET_VIN, start, left < VIN ? left : VIN,
                 left >= VIN && standard_vin_well_formed(message->bytes + start, VIN));
        if (identifier != SERIAL_IDENTIFIER)
            continue;
        while (end < message->received && !secret_at(message, end))
            end++;
        tell(finding, SECRET_SERIAL, start, end - start, message->state == MESSAGE_COMPLETE);
    }
}

/* A VIN anywhere: in an identifier that a tester defined on the bus out of parts of others (2C). */
static void look_for_vin(const struct finding *finding, size_t from)
{
    for (size_t at = from; at + VIN <= finding->message->received; at++)
        if (standard_vin_well_formed(finding->message->bytes + at, VIN))
            tell(finding, SECRET_VIN, at, VIN, true);
}

/* Fields of a record at base that are named so: of a write, where no reading has the place of its value. */
static void look_in_fields(const struct finding *finding, const struct def_identifier *identifier, size_t base)
{
    const struct message *message = finding->message;
    for (uint32_t i = 0; identifier && i < identifier->record.field_count; i++) {
        const struct def_field *field = &identifier->record.fields[i];
        size_t start = base + field->byte, left = start < message->received ? message->received - start : 0;
        size_t length = field->length < left ? field->length : left; /* DEF_NONE: all the rest */
        bool whole = message->state == MESSAGE_COMPLETE && (field->length == DEF_NONE || field->length <= left);
        enum secret_kind kind;
        if (redact_is_named(finding->definitions, field->reading, &kind))
            tell(finding, kind, start, length, whole);
    }
}

/* Is what stands at this place an identifier that could follow? */
static bool may_follow(const struct finding *finding, size_t at)
{
    const struct message *message = finding->message;
    const struct def_module *module = module_of(finding);
    struct bytes cursor = bytes_of(message->bytes + at, message->received - at);
    uint16_t identifier = bytes_be16(&cursor);
    return secret_at(message, at) || (module && !cursor.bad && definitions_identifier(module, identifier));
}

/* The value of a VIN or serial number. More than was described belongs to it too, where nothing else can be meant. */
static bool tell_secret(const struct finding *finding, enum secret_kind kind, size_t start, size_t length, bool whole)
{
    const struct message *message = finding->message;
    size_t end = start + length;
    tell(finding, kind, start, length, whole);
    const uint8_t *written = message->bytes + start;
    uint32_t left = (uint32_t)length;
    bool proper = kind == SECRET_VIN && length == VIN && standard_vin_well_formed(written, VIN);
    secret_trim(&written, &left); /* nothing left: it was never written, and says nothing of where it ends */
    proper = proper || left == 0;
    if (end == message->received || proper || may_follow(finding, end))
        return false;
    tell(finding, kind, end, message->received - end, false);
    return true;
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
        bool is_vin = identifier == VIN_IDENTIFIER, to_the_end = false;
        if (known && (is_vin || identifier == SERIAL_IDENTIFIER))
            to_the_end = tell_secret(finding, is_vin ? SECRET_VIN : SECRET_SERIAL, start, length, whole);
        if (!known && identifier >= FIRST_DEFINED && identifier <= LAST_DEFINED)
            look_for_vin(finding, start);
        if (!known)
            look_behind(finding, start - 2); /* itself included */
        if (!known || to_the_end)
            return;
        bytes_skip(&cursor, length);
    }
}

void redact_find(const struct definitions *definitions, const struct message *message,
                 const struct redact_places *found)
{
    const struct finding finding = {definitions, message, found};
    const struct def_module *module = module_of(&finding);
    bool whole = message->state == MESSAGE_COMPLETE;
    uint8_t service = message->received > 0 ? message->bytes[0] : 0;
    uint8_t second = message->received > 1 ? message->bytes[1] : 0;
    switch (service) {
    case 0x62:
        walk_identifiers(&finding, false);
        break;
    case 0x2E:
        walk_identifiers(&finding, true);
        if (module && message->received > 3)
            look_in_fields(&finding, definitions_identifier(module, (uint16_t)(second << 8 | message->bytes[2])), 3);
        break;
    case 0x3B: /* ISO 14230-3 writeDataByLocalIdentifier; 90 as for 5A */
        if (second == 0x90 && message->received > 2)
            tell(&finding, SECRET_VIN, 2, message->received - 2, whole);
        if (module)
            look_in_fields(&finding, definitions_local_identifier(module, second), 2);
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
