/* Identifiers defined on the bus (reading_dynamic.h). */
#include "reading_dynamic.h"

#include <string.h>

#include "../support/bytes.h"

#define DEFINE_BY_IDENTIFIER 1 /* sub-functions of 2C */
#define DEFINE_BY_MEMORY 2
#define DEFINE_CLEAR 3
#define POSITION_MAX 255       /* positionInSourceDataRecord is one byte, from 1; so is memorySize */
#define SOURCE_MAX (2 * POSITION_MAX)

const struct dynamic_identifier *dynamic_find(const struct dynamic_table *table, uint32_t module, uint16_t key)
{
    for (uint32_t i = 0; i < table->count; i++)
        if (table->identifiers[i].module == module && table->identifiers[i].key == key)
            return &table->identifiers[i];
    return NULL;
}

static void forget_one(struct dynamic_table *table, uint32_t index)
{
    table->count--;
    memmove(&table->identifiers[index], &table->identifiers[index + 1],
            (table->count - index) * sizeof *table->identifiers);
}

void dynamic_forget(struct dynamic_table *table, uint32_t module)
{
    for (uint32_t i = table->count; i-- > 0;)
        if (module == DEF_NONE || table->identifiers[i].module == module)
            forget_one(table, i);
}

/* The entry of this identifier, new if need be; NULL when the table is full. */
static struct dynamic_identifier *entry_of(struct dynamic_table *table, uint32_t module, uint16_t key)
{
    const struct dynamic_identifier *found = dynamic_find(table, module, key);
    if (found)
        return &table->identifiers[found - table->identifiers];
    if (table->count == DYNAMIC_MAX) {
        table->overflowed = true;
        return NULL;
    }
    struct dynamic_identifier *entry = &table->identifiers[table->count++];
    *entry = (struct dynamic_identifier){.module = module, .key = key};
    return entry;
}

static void make_unknown(struct dynamic_table *table, uint32_t module, uint16_t key, const char *why)
{
    struct dynamic_identifier *entry = entry_of(table, module, key);
    if (entry)
        entry->unknown = why;
}

/* 2C 01 id {source, position from 1, size}...: a further one adds to what was defined before. */
static void define(struct dynamic_identifier *entry, struct bytes pieces)
{
    while (pieces.left > 0) {
        struct dynamic_piece piece = {.source = bytes_be16(&pieces), .to = entry->length};
        uint8_t position = bytes_u8(&pieces);
        piece.size = bytes_u8(&pieces);
        if (pieces.bad || position == 0) {
            entry->unknown = "its definition on the bus is malformed";
            return;
        }
        if (entry->piece_count == DYNAMIC_PIECES) {
            entry->unknown = "its definition on the bus has more pieces than are kept";
            return;
        }
        piece.from = position - 1u;
        entry->pieces[entry->piece_count++] = piece;
        entry->length += piece.size;
    }
}

static void clear(struct dynamic_table *table, const struct exchange *exchange, uint16_t key)
{
    if (exchange->request_length < 4) {
        dynamic_forget(table, exchange->module);
        return;
    }
    const struct dynamic_identifier *found = dynamic_find(table, exchange->module, key);
    if (found)
        forget_one(table, (uint32_t)(found - table->identifiers));
}

/* Nobody knows whether the module acted: of a request that clears all, this holds for all. */
static void doubt(struct dynamic_table *table, const struct exchange *exchange, const struct service_content *content)
{
    static const char why[] = "defined or cleared on the bus without an answer: nobody knows what it holds";
    if (content->malformed || (content->sub_function == DEFINE_CLEAR && exchange->request_length < 4))
        for (uint32_t i = 0; i < table->count; i++)
            table->identifiers[i].unknown = table->identifiers[i].module == exchange->module
                ? why : table->identifiers[i].unknown;
    else
        make_unknown(table, exchange->module, content->identifier, why);
}

void dynamic_take(struct dynamic_table *table, const struct exchange_event *event,
                  const struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    if (exchange->nrc != 0)
        return; /* refused: nothing was done */
    bool asked = exchange->request_length > 0, whole = exchange->request_kept == exchange->request_length;
    if (!exchange->has_response || content->malformed || event->rival_count > 0 || (asked && !whole)) {
        doubt(table, exchange, content);
        return;
    }
    if (asked && content->sub_function == DEFINE_CLEAR) {
        clear(table, exchange, content->identifier);
        return;
    }
    struct dynamic_identifier *entry = entry_of(table, exchange->module, content->identifier);
    if (!entry)
        return;
    if (!asked) {
        entry->unknown = "the question that defined it on the bus was not seen";
    } else if (content->sub_function == DEFINE_BY_IDENTIFIER) {
        struct bytes pieces = bytes_of(exchange->request_bytes, exchange->request_kept);
        bytes_skip(&pieces, content->request_data_offset);
        define(entry, pieces);
    } else {
        entry->unknown = content->sub_function == DEFINE_BY_MEMORY ? "defined on the bus by memory address"
                                                                   : "defined on the bus in an unknown way";
    }
}

/* ---- reading one ---- */

struct decode {
    const struct dynamic_identifier *identifier;
    const struct def_record *record;
    uint16_t source;
    uint32_t count;
    void (*emit)(void *context, const struct value *value);
    void *context;
};

/* Where these bytes of the source stand in the defined record; false unless one piece holds them all. */
static bool place_of(const struct decode *decode, uint32_t offset, uint32_t length, uint32_t *at)
{
    for (uint32_t i = 0; i < decode->identifier->piece_count; i++) {
        const struct dynamic_piece *piece = &decode->identifier->pieces[i];
        if (piece->source == decode->source && offset >= piece->from && length <= piece->size &&
            offset - piece->from <= piece->size - length) {
            *at = piece->to + (offset - piece->from);
            return true;
        }
    }
    return false;
}

/* Whether the field is there at all is only known when what its `when` looks at is there. */
static bool selector_is_there(const struct decode *decode, const struct def_field *field)
{
    uint32_t at, steps = 0;
    for (; field->when_field != DEF_NONE; field = &decode->record->fields[field->when_field]) {
        const struct def_field *selector = &decode->record->fields[field->when_field];
        if (steps++ > decode->record->field_count || !place_of(decode, selector->byte, selector->length, &at))
            return false;
    }
    return true;
}

static bool is_of_field(const struct def_field *field, uint32_t reading)
{
    for (uint32_t i = 0; i < field->flag_count; i++)
        if (field->flags[i].reading == reading)
            return true;
    return field->reading == reading;
}

static bool selectors_are_there(const struct decode *decode, uint32_t reading)
{
    const struct def_record *record = decode->record;
    for (uint32_t i = 0; i < record->field_count; i++)
        if (is_of_field(&record->fields[i], reading))
            return selector_is_there(decode, &record->fields[i]);
    for (uint32_t i = 0; i < record->derived_count; i++)
        for (uint32_t j = 0; record->derived[i].reading == reading && j < record->derived[i].field_count; j++)
            if (!selector_is_there(decode, &record->fields[record->derived[i].fields[j]]))
                return false;
    return true;
}

static void emit_there(void *context, const struct value *value)
{
    struct decode *decode = context;
    struct value moved = *value;
    for (uint32_t i = 0; i < moved.at_count; i++)
        if (!place_of(decode, value->at[i].offset, value->at[i].length, &moved.at[i].offset))
            return;
    if (!selectors_are_there(decode, value->reading))
        return;
    decode->count++;
    decode->emit(decode->context, &moved);
}

static bool seen_before(const struct dynamic_identifier *identifier, uint32_t piece)
{
    for (uint32_t i = 0; i < piece; i++)
        if (identifier->pieces[i].source == identifier->pieces[piece].source)
            return true;
    return false;
}

uint32_t dynamic_decode(const struct definitions *definitions, const struct dynamic_identifier *identifier,
                        const uint8_t *bytes, size_t length, void (*emit)(void *context, const struct value *value),
                        void *context)
{
    struct decode decode = {.identifier = identifier, .emit = emit, .context = context};
    const struct def_module *module = &definitions->modules[identifier->module];
    for (uint32_t i = 0; i < identifier->piece_count; i++) {
        decode.source = identifier->pieces[i].source;
        const struct def_identifier *source = definitions_identifier(module, decode.source);
        if (!source || seen_before(identifier, i))
            continue;
        /* The source's record as far as it was asked for, zeros between; no value of the zeros is emitted. */
        uint8_t whole[SOURCE_MAX] = {0};
        uint32_t end = 0;
        for (uint32_t j = i; j < identifier->piece_count; j++) {
            const struct dynamic_piece *piece = &identifier->pieces[j];
            if (piece->source != decode.source || (size_t)piece->to + piece->size > length)
                continue;
            memcpy(whole + piece->from, bytes + piece->to, piece->size);
            end = piece->from + piece->size > end ? piece->from + piece->size : end;
        }
        struct record_result result;
        decode.record = &source->record;
        record_decode(definitions, decode.record, whole, end, emit_there, &decode, &result);
    }
    return decode.count;
}
