/* What an answer says about a question of the procedure, before it becomes a note: trouble codes (D 7.10) and the
 * identities that split a record (D 7.2). */
#include "step_facts.h"
#include "step_words.h"
#include "../support/bytes.h"
#include "../support/standard.h"

#include <stdlib.h>
#include <string.h>

static bool is_named_code(const struct def_module *module, uint32_t code)
{
    return definitions_code_text(module, code) != NULL;
}

/* 18 statusOfDTCRequest group: 00 to 03, identified or supported codes, of all groups (FF00; FFFF from memory). */
static bool asks_all_14230(const struct exchange *exchange)
{
    struct bytes cursor = bytes_of(exchange->request_bytes, exchange->request_kept);
    uint8_t service = bytes_u8(&cursor), parameter = bytes_u8(&cursor);
    uint16_t group = bytes_be16(&cursor);
    return !cursor.bad && service == 0x18 && parameter <= 3 && (group == 0xFF00 || group == 0xFFFF);
}

/*
 * ISO 14230-3 service 18 (from memory: statusOfDTC bits 6 and 5 are the storage state, 0 not detected, 1 stored and not
 * present, 2 maturing, 3 stored and present; bit 4 set: the test has not run). "maturing" counts as present. A list of
 * identified codes of all groups covers the question; only a list of all supported codes (01, 03) shows that tests ran.
 */
static void facts_codes_14230(const struct def_module *module, const struct def_step *step, uint64_t bit,
                              const struct service_content *content, const struct exchange_event *event, bool asked,
                              struct note *note)
{
    /* A step that asks in the terms of the other dialect is never covered. */
    bool covers = asked && (step->none_present || step->none_stored) && asks_all_14230(event->exchange);
    for (uint32_t i = 0; i < event->rival_count; i++) /* only what every question that could own the answer asked for */
        covers = covers && asks_all_14230(event->rivals[i]);
    bool lists = false, untested = false;
    uint32_t named_seen = 0;
    struct bytes entries = bytes_of(event->response->bytes, event->response->received);
    bytes_skip(&entries, content->entries_offset);
    while (entries.left >= SERVICE_CODE_ENTRY_14230) {
        uint32_t code = bytes_be16(&entries);
        uint8_t status = bytes_u8(&entries), storage = status >> 5 & 3;
        bool matters = module->code_count == 0 || is_named_code(module, code);
        lists = lists || (step->none_present && storage >= 2) || (step->none_stored && (storage & 1));
        named_seen += module->code_count && matters;
        untested = untested || (matters && (status & 0x10));
    }
    untested = untested || named_seen < module->code_count;
    note->codes.covers |= covers ? bit : 0;
    note->codes.lists |= lists ? bit : 0;
    note->codes.untested_unasked |= content->is_supported ? 0 : bit;
    note->codes.untested |= untested ? bit : 0;
}

/* D 7.10, for one step: what this answer says about its question. */
void facts_codes(const struct def_module *module, const struct def_step *step, uint64_t bit,
                        const struct service_content *content, const struct exchange_event *event, bool asked, struct note *note)
{
    if (content->kind == SERVICE_CODES_14230) {
        facts_codes_14230(module, step, bit, content, event, asked, note);
        return;
    }
    uint8_t wanted = step->none_with;
    uint8_t tested = step->tested == TESTED_THIS_CYCLE ? 0x50 : 0x10; /* testNotCompleted..., ISO 14229-1 Annex D.2 */
    bool all = content->is_supported && asked;
    bool mask_known = content->has_mask && asked;
    uint8_t mask = all ? 0xFF : mask_known ? content->mask : 0;
    bool covers = all || (mask_known && (mask & wanted) == wanted);
    bool lists = false, untested = false;
    uint32_t named_seen = 0;
    if (content->is_count) {
        covers = covers && content->count == 0;
        lists = content->count > 0 && content->has_mask && content->narrow_mask && (content->narrow_mask & ~wanted) == 0;
    } else {
        struct bytes entries = bytes_of(event->response->bytes, event->response->received);
        bytes_skip(&entries, content->entries_offset);
        while (entries.left >= 4) {
            uint32_t code = bytes_be24(&entries);
            uint8_t status = bytes_u8(&entries);
            bool matters = module->code_count == 0 || is_named_code(module, code);
            lists = lists || (status & wanted);
            named_seen += module->code_count && matters;
            untested = untested || (matters && (status & tested));
        }
        /* A list of all codes that lacks a named one does not show that its test has run. */
        untested = untested || (content->is_supported && named_seen < module->code_count);
    }
    uint8_t reported = step->tested == TESTED_NOT_ASKED ? wanted : wanted | tested;
    note->codes.covers |= covers ? bit : 0;
    note->codes.lists |= lists ? bit : 0;
    note->codes.unreported |= (reported & ~content->availability) ? bit : 0;
    note->codes.untested_unasked |= (mask & tested) != tested ? bit : 0;
    note->codes.untested |= untested ? bit : 0;
}

bool identities_open(struct identities *identities, const struct definitions *definitions)
{
    identities->definitions = definitions;
    identities->vins = calloc(definitions->module_count + 1, sizeof *identities->vins);
    identities->serials = calloc(definitions->module_count + 1, sizeof *identities->serials);
    return identities->vins && identities->serials;
}

void identities_close(struct identities *identities)
{
    free(identities->vins);
    free(identities->serials);
    memset(identities, 0, sizeof *identities);
}

/* "vin", "serial number": what D 7.2 goes by where identifiers have no standard meaning. 0: neither. */
enum identity_kind { IDENTITY_NONE, IDENTITY_VIN, IDENTITY_SERIAL };

static enum identity_kind field_identity(const struct definitions *definitions, const struct def_record *record,
                                         uint32_t field)
{
    size_t prefix = strlen(record->name) + 1;
    const char *name = definitions->readings[record->fields[field].reading].name;
    if (strlen(name) <= prefix)
        return IDENTITY_NONE;
    return strcmp(name + prefix, "vin") == 0             ? IDENTITY_VIN
           : strcmp(name + prefix, "serial number") == 0 ? IDENTITY_SERIAL
                                                         : IDENTITY_NONE;
}

static const struct def_identifier *local_of(const struct identities *identities, uint32_t module, bool identification,
                                             uint32_t key)
{
    const struct def_module *described = &identities->definitions->modules[module];
    return identification ? definitions_identification(described, (uint8_t)key)
                          : definitions_local_identifier(described, (uint8_t)key);
}

static bool local_has_identity(const struct identities *identities, const struct def_identifier *identifier)
{
    for (uint32_t i = 0; identifier && i < identifier->record.field_count; i++)
        if (field_identity(identities->definitions, &identifier->record, i) != IDENTITY_NONE)
            return true;
    return false;
}

void identities_written(struct identities *identities, uint32_t module, uint32_t key)
{
    bool local = key & NOTE_WRITE_LOCAL;
    const struct def_identifier *identifier = local ? local_of(identities, module, false, key) : NULL;
    for (uint32_t i = 0; identifier && i < identifier->record.field_count; i++) {
        enum identity_kind kind = field_identity(identities->definitions, &identifier->record, i);
        if (kind == IDENTITY_VIN)
            identities->vins[module].known = false;
        else if (kind == IDENTITY_SERIAL)
            identities->serials[module].known = false;
    }
    if (!local && key == VIN_IDENTIFIER)
        identities->vins[module].known = false;
    if (!local && key == SERIAL_IDENTIFIER)
        identities->serials[module].known = false;
}

bool identities_asked(const struct identities *identities, const struct exchange *exchange,
                      const struct service_content *content)
{
    struct bytes cursor = bytes_of(exchange->request_bytes, exchange->request_kept);
    switch (content->kind) {
    case SERVICE_READ:
        bytes_skip(&cursor, 1);
        while (cursor.left >= 2) {
            uint16_t identifier = bytes_be16(&cursor);
            if (identifier == VIN_IDENTIFIER || identifier == SERIAL_IDENTIFIER)
                return true;
        }
        return false;
    case SERVICE_VEHICLE_INFORMATION:
        return content->sub_function == OBD_VIN;
    case SERVICE_READ_LOCAL:
    case SERVICE_IDENTIFICATION:
        return local_has_identity(identities, local_of(identities, exchange->module,
                                                       content->kind == SERVICE_IDENTIFICATION, content->key));
    default:
        return false;
    }
}

/* Text or a binary number (the standard leaves F18C open), but not an empty memory: blanks, all 00, all FF are trimmed off. */
static bool serial_well_formed(const uint8_t *text, uint32_t length)
{
    bool something = false;
    for (uint32_t i = 0; i < length; i++)
        something = something || (text[i] != 0 && text[i] != ' ' && text[i] != 0xFF);
    return something && length <= IDENTITY_KEPT;
}

/* For a sentence: the text, or its bytes in hex when it is none. */
static void identity_words(struct words *words, const uint8_t *text, uint32_t length)
{
    bool plain = true;
    for (uint32_t i = 0; i < length; i++)
        plain = plain && text[i] >= 0x20 && text[i] <= 0x7E;
    if (plain)
        words_add(words, "'%.*s'", (int)length, (const char *)text);
    for (uint32_t i = 0; !plain && i < length; i++)
        words_add(words, "%02x", text[i]);
}

/* A well-formed VIN or serial number was answered. True when it is another than the one known: the record splits (D 7.2). */
static bool identity_answered(struct identities *identities, uint32_t module, bool vin, const uint8_t *text, uint32_t length,
                              char why[VERDICT_REASON_MAX])
{
    while (length && (text[length - 1] == 0 || text[length - 1] == ' ' || text[length - 1] == 0xFF))
        length--;
    if (vin ? !standard_vin_well_formed(text, length) : !serial_well_formed(text, length))
        return false;
    struct known_identity *known = vin ? &identities->vins[module] : &identities->serials[module];
    bool split = known->known && (known->length != length || memcmp(known->text, text, length) != 0);
    if (split) {
        struct words words = words_in(why);
        words_add(&words, "%s answered two %s: ", identities->definitions->modules[module].name,
                  vin ? "VINs" : "serial numbers");
        identity_words(&words, known->text, known->length);
        words_add(&words, ", then ");
        identity_words(&words, text, length);
        /* The new part knows nothing of the vehicle before it. */
        memset(identities->vins, 0, identities->definitions->module_count * sizeof *identities->vins);
        memset(identities->serials, 0, identities->definitions->module_count * sizeof *identities->serials);
    }
    known->known = true;
    known->length = length;
    memcpy(known->text, text, length);
    return split;
}

/* Walks a positive answer of service 22 in the order of its request, as far as lengths are known. */
static bool identifiers_read(struct identities *identities, const struct exchange_event *event, char why[VERDICT_REASON_MAX])
{
    const struct exchange *exchange = event->exchange;
    struct bytes asked = bytes_of(exchange->request_bytes, exchange->request_kept);
    struct bytes answer = bytes_of(event->response->bytes, event->response->received);
    bool split = false;
    bytes_skip(&answer, 1);
    if (exchange->state == EXCHANGE_UNSOLICITED) /* nobody asked: one identifier, the one it names */
        asked = bytes_of(answer.at, answer.left < 2 ? 0 : 2);
    else
        bytes_skip(&asked, 1);
    while (asked.left >= 2) {
        uint16_t identifier = bytes_be16(&asked);
        if (bytes_be16(&answer) != identifier || answer.bad)
            return split;
        const struct def_identifier *described =
            definitions_identifier(&identities->definitions->modules[exchange->module], identifier);
        size_t length = asked.left < 2                                           ? answer.left
                        : described && described->record.length != DEF_NONE      ? described->record.length
                        : identifier == VIN_IDENTIFIER                           ? VIN_LENGTH
                                                                                 : SIZE_MAX;
        if (length > answer.left)
            return split;
        const uint8_t *text = bytes_take(&answer, length);
        if ((identifier == VIN_IDENTIFIER || identifier == SERIAL_IDENTIFIER) && length <= UINT16_MAX)
            split = identity_answered(identities, exchange->module, identifier == VIN_IDENTIFIER, text, (uint32_t)length,
                                      why) || split;
    }
    return split;
}


/* The fields of a local record that are named as identities. */
static bool local_read(struct identities *identities, uint32_t module, const struct def_record *record,
                       struct bytes data, char why[VERDICT_REASON_MAX])
{
    bool split = false;
    for (uint32_t i = 0; i < record->field_count; i++) {
        const struct def_field *field = &record->fields[i];
        enum identity_kind kind = field_identity(identities->definitions, record, i);
        struct bytes cursor = data;
        if (kind == IDENTITY_NONE || field->byte > cursor.left)
            continue;
        bytes_skip(&cursor, field->byte);
        size_t length = field->length == DEF_NONE ? cursor.left : field->length;
        const uint8_t *text = bytes_take(&cursor, length);
        if (text && length <= UINT16_MAX)
            split = identity_answered(identities, module, kind == IDENTITY_VIN, text, (uint32_t)length, why) || split;
    }
    return split;
}

bool identities_read(struct identities *identities, const struct exchange_event *event,
                     const struct service_content *content, char why[VERDICT_REASON_MAX])
{
    uint32_t module = event->exchange->module;
    struct bytes data = bytes_of(event->response->bytes, event->response->received);
    if (content->kind == SERVICE_READ)
        return identifiers_read(identities, event, why);
    if (content->malformed)
        return false;
    bytes_skip(&data, content->data_offset);
    if (content->kind == SERVICE_VEHICLE_INFORMATION && content->sub_function == OBD_VIN)
        return identity_answered(identities, module, true, data.at, (uint32_t)data.left, why);
    if (content->kind != SERVICE_READ_LOCAL && content->kind != SERVICE_IDENTIFICATION)
        return false;
    const struct def_identifier *identifier =
        local_of(identities, module, content->kind == SERVICE_IDENTIFICATION, content->key);
    return identifier && local_read(identities, module, &identifier->record, data, why);
}
