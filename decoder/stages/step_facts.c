/* What an answer says about a question of the procedure, before it becomes a note: trouble codes (D 7.10) and the
 * identities that split a record (D 7.2). */
#include "step_facts.h"
#include "step_words.h"
#include "../support/bytes.h"

#include <stdlib.h>
#include <string.h>

static bool is_named_code(const struct def_module *module, uint32_t code)
{
    return definitions_code_text(module, code) != NULL;
}

/* D 7.10, for one step: what this answer says about its question. */
void facts_codes(const struct def_module *module, const struct def_step *step, uint64_t bit,
                        const struct service_content *content, const struct message *answer, bool asked, struct note *note)
{
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
        lists = content->count > 0 && content->has_mask && (content->narrow_mask & ~wanted) == 0;
    } else {
        struct bytes entries = bytes_of(answer->bytes, answer->received);
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

void identities_written(struct identities *identities, uint32_t module, uint16_t identifier)
{
    if (identifier == VIN_IDENTIFIER)
        identities->vins[module].known = false;
    if (identifier == SERIAL_IDENTIFIER)
        identities->serials[module].known = false;
}

static bool serial_well_formed(const uint8_t *text, uint32_t length)
{
    bool letters = false;
    for (uint32_t i = 0; i < length; i++) {
        if (text[i] < 0x20 || text[i] > 0x7E)
            return false;
        letters = letters || text[i] != ' ';
    }
    return letters && length <= IDENTITY_KEPT;
}

/* A well-formed VIN or serial number was answered. True when it is another than the one known: the record splits (D 7.2). */
static bool identity_answered(struct identities *identities, uint32_t module, bool vin, const uint8_t *text, uint32_t length,
                              char why[VERDICT_REASON_MAX])
{
    while (length && (text[length - 1] == 0 || text[length - 1] == ' ' || text[length - 1] == 0xFF))
        length--;
    if (vin ? !service_vin_well_formed(text, length) : !serial_well_formed(text, length))
        return false;
    struct known_identity *known = vin ? &identities->vins[module] : &identities->serials[module];
    bool split = known->known && (known->length != length || memcmp(known->text, text, length) != 0);
    if (split) {
        struct words words = words_in(why);
        words_add(&words, "%s answered two %s: '%.*s', then '%.*s'", identities->definitions->modules[module].name,
                  vin ? "VINs" : "serial numbers", (int)known->length, (const char *)known->text, (int)length,
                  (const char *)text);
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
bool identities_read(struct identities *identities, const struct exchange_event *event, char why[VERDICT_REASON_MAX])
{
    const struct exchange *exchange = event->exchange;
    struct bytes asked = bytes_of(exchange->request_bytes, exchange->request_kept);
    struct bytes answer = bytes_of(event->response->bytes, event->response->received);
    bool split = false;
    bytes_skip(&asked, 1);
    bytes_skip(&answer, 1);
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

