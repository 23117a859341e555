/*
 * The walk over the field rows (service_fields.h, service_layouts.h): one cursor over one message, one row after the
 * other. Where the bytes end inside a field, or go on behind the last, the rest is told as it is.
 */
#include "service_fields.h"

#include <stdio.h>
#include <string.h>

#include "../support/bytes.h"
#include "service_layouts.h"

#define TEXT_ROOM 256 /* all eight status bits by name need 200 */

struct walk {
    void (*emit)(void *context, const struct service_field *field);
    void *context;
    enum dialect dialect;
    uint8_t service;
    bool of_answer, secrets;
    const char *rest_remark;   /* on a record that holds more than its name says */
    struct bytes cursor;
    size_t whole;              /* bytes of the message */
    uint32_t index;            /* of the repetition, 0 outside one */
    uint32_t size_length, address_length;
    uint64_t counted;
    uint16_t identifier;
    char text[TEXT_ROOM], remark[TEXT_ROOM];
};

static const struct field_layout *layout_of(enum dialect dialect, uint8_t service, uint8_t second)
{
    for (size_t i = 0; i < field_layout_count; i++) {
        const struct field_layout *layout = &field_layouts[i];
        bool spoken = layout->dialect == FOR_BOTH ||
                      (layout->dialect == FOR_14230) == (dialect == DIALECT_ISO14230);
        if (spoken && layout->service == service && (second & layout->select) == layout->selected)
            return layout;
    }
    return NULL;
}

static struct service_field field_here(const struct walk *walk, const char *name, enum service_field_kind kind,
                                       size_t length)
{
    return (struct service_field){
        .name = name, .of_answer = walk->of_answer, .index = walk->index, .kind = kind, .bytes = walk->cursor.at,
        .offset = (uint32_t)(walk->whole - walk->cursor.left), .length = (uint32_t)length,
    };
}

static void tell_rest(struct walk *walk, const char *why)
{
    if (walk->cursor.left == 0)
        return;
    walk->index = 0;
    struct service_field field = field_here(walk, "notDecoded", SERVICE_FIELD_NOT_DECODED, walk->cursor.left);
    snprintf(walk->text, sizeof walk->text, "not decoded: %u bytes, %s", field.length, why);
    field.text = walk->text;
    walk->emit(walk->context, &field);
    bytes_skip(&walk->cursor, walk->cursor.left);
}

/* Names of the set bits, lowest first. */
static const char *status_text(struct walk *walk, uint64_t status)
{
    size_t used = 0;
    walk->text[0] = '\0';
    for (unsigned bit = 0; bit < 8; bit++)
        if (status >> bit & 1)
            used += (size_t)snprintf(walk->text + used, sizeof walk->text - used, "%s%s", used ? " " : "",
                                     standard_status_bit_name(bit));
    return walk->text;
}

/* Groups of ISO 14229-1 D.1 and ISO 14230-3; anything else of three bytes is one code. */
static const char *group_text(struct walk *walk, uint64_t group, unsigned width)
{
    static const struct field_name groups_14229[] = {
        {0xFFFF33, "emissions-related systems"}, {0xFFFFD0, "safety systems"}, {0xFFFFFE, "VOBD system"},
        {0xFFFFFF, "all groups"}, {0, NULL}};
    static const struct field_name groups_14230[] = {
        {0x0000, "all powertrain"}, {0x4000, "all chassis"}, {0x8000, "all body"}, {0xC000, "all network"},
        {0xFF00, "all groups"}, {0, NULL}};
    for (const struct field_name *row = width == 3 ? groups_14229 : groups_14230; row->text; row++)
        if (row->number == group)
            return row->text;
    standard_dtc_text((uint32_t)group, width == 2, walk->text);
    return walk->text;
}

static const char *sub_function_text(const struct walk *walk, uint8_t sub_function)
{
    uint8_t named = walk->service == 0x86 && walk->dialect == DIALECT_ISO14229 ? sub_function & 0x3F /* bit 6: store */
                                                                              : sub_function;
    return standard_sub_function_name(walk->dialect, walk->service, named);
}

static const char *number_text(struct walk *walk, const struct field_row *row, uint64_t number)
{
    switch (row->form) {
    case FIELD_SUB: return sub_function_text(walk, (uint8_t)number);
    case FIELD_DTC: standard_dtc_text((uint32_t)number, row->width == 2, walk->text); return walk->text;
    case FIELD_GROUP: return group_text(walk, number, row->width);
    case FIELD_STATUS: return status_text(walk, number);
    case FIELD_DATA_IDENTIFIER: return standard_identifier_name((uint16_t)number);
    case FIELD_ROUTINE: return standard_routine_name((uint16_t)number);
    case FIELD_SERVICE: return standard_service_name(walk->dialect, (uint8_t)number);
    case FIELD_NRC: return standard_nrc_name(walk->dialect, (uint8_t)number);
    default: break;
    }
    for (const struct field_name *name = row->names; name && name->text; name++)
        if (name->number == number)
            return name->text;
    return NULL;
}

/* ISO 3779, 49 CFR 565.15(c): a warning, never an error. */
static const char *vin_remark(struct walk *walk, const uint8_t *text, size_t length)
{
    char check = standard_vin_check(text, length);
    if (!check)
        return "no vehicle identification number (ISO 3779)";
    if (text[8] == (uint8_t)check)
        return NULL;
    snprintf(walk->remark, sizeof walk->remark, "check digit is %c, by 49 CFR 565.15(c) it should be %c", text[8],
             check);
    return walk->remark;
}

static void tell_number(struct walk *walk, const struct field_row *row, size_t width)
{
    if (width > 8) { /* an address of up to fifteen bytes */
        struct service_field field = field_here(walk, row->name, SERVICE_FIELD_BYTES, width);
        bytes_skip(&walk->cursor, width);
        walk->emit(walk->context, &field);
        return;
    }
    struct service_field field = field_here(walk, row->name, SERVICE_FIELD_NUMBER, width);
    field.number = bytes_unsigned(&walk->cursor, width, false);
    if (row->form == FIELD_SUB && !walk->of_answer && exchange_has_sub_function(walk->dialect, walk->service) &&
        (field.number & 0x80)) {
        struct service_field suppress = field;
        suppress.name = "suppressPosRspMsgIndicationBit";
        suppress.number = 1;
        walk->emit(walk->context, &suppress);
        field.number &= 0x7F;
    }
    if (row->form == FIELD_LENGTH)
        walk->counted = field.number;
    if (row->form == FIELD_DATA_IDENTIFIER)
        walk->identifier = (uint16_t)field.number;
    field.text = number_text(walk, row, field.number);
    walk->emit(walk->context, &field);
}

static void tell_bits(struct walk *walk, const struct field_row *row)
{
    struct service_field field = field_here(walk, row->name, SERVICE_FIELD_NUMBER, 1);
    struct bytes look = walk->cursor;
    field.number = bytes_u8(&look) >> row->shift & ((1u << row->width) - 1);
    if (row->form == FIELD_SIZE_LENGTH)
        walk->size_length = (uint32_t)field.number;
    if (row->form == FIELD_ADDRESS_LENGTH)
        walk->address_length = (uint32_t)field.number;
    if (row->shift == 0)
        walk->cursor = look;
    field.text = number_text(walk, row, field.number);
    walk->emit(walk->context, &field);
}

static void tell_bytes(struct walk *walk, const struct field_row *row, size_t length)
{
    struct service_field field = field_here(walk, row->name, SERVICE_FIELD_BYTES, length);
    bool vin = row->form == FIELD_VIN || (row->form == FIELD_REST && walk->of_answer && walk->service == 0x22 &&
                                          length == 17 && (walk->identifier == 0xF190 || walk->identifier == 0xF802));
    bool secret = row->form == FIELD_SECRET && !walk->secrets;
    if (vin || row->form == FIELD_TEXT_OF || row->form == FIELD_COUNTED_TEXT)
        field.kind = SERVICE_FIELD_TEXT;
    if (vin)
        field.remark = vin_remark(walk, field.bytes, length);
    else if (row->form == FIELD_REST)
        field.remark = walk->rest_remark;
    if (secret) {
        field.kind = SERVICE_FIELD_MASKED;
        field.bytes = NULL;
        snprintf(walk->text, sizeof walk->text, "masked: %u bytes", field.length);
        field.text = walk->text;
    }
    bytes_skip(&walk->cursor, length);
    if (length > 0)
        walk->emit(walk->context, &field);
}

/* Bytes this row takes; those that take bits of a byte need that byte. */
static uint64_t width_of(const struct walk *walk, const struct field_row *row)
{
    switch (row->form) {
    case FIELD_BITS: case FIELD_SIZE_LENGTH: case FIELD_ADDRESS_LENGTH: return 1;
    case FIELD_SIZE: return walk->size_length;
    case FIELD_ADDRESS: return walk->address_length;
    case FIELD_COUNTED: case FIELD_COUNTED_TEXT: return walk->counted;
    case FIELD_REST: case FIELD_SECRET: return walk->cursor.left;
    default: return row->width;
    }
}

static void tell_field(struct walk *walk, const struct field_row *row, size_t width)
{
    switch (row->form) {
    case FIELD_BITS: case FIELD_SIZE_LENGTH: case FIELD_ADDRESS_LENGTH:
        tell_bits(walk, row);
        break;
    case FIELD_COUNTED: case FIELD_COUNTED_TEXT: case FIELD_BYTES_OF: case FIELD_REST: case FIELD_SECRET:
    case FIELD_TEXT_OF: case FIELD_VIN:
        tell_bytes(walk, row, width);
        break;
    default:
        if (width > 0)
            tell_number(walk, row, width);
    }
}

/* Every turn of a repeated group takes at least one byte, or the walk ends. */
static void walk_rows(struct walk *walk, const struct field_row *row)
{
    const struct field_row *again = NULL;
    size_t left_before = 0;
    for (;; row++) {
        if (row->form == FIELD_END && again && walk->cursor.left > 0 && walk->cursor.left < left_before) {
            walk->index++;
            left_before = walk->cursor.left;
            row = again;
        } else if (row->form == FIELD_END) {
            break;
        } else if (row->form == FIELD_REPEAT) {
            if (walk->cursor.left == 0)
                return;
            again = row;
            walk->index = 1;
            left_before = walk->cursor.left;
        } else if (row->form == FIELD_MAY_END) {
            if (walk->cursor.left == 0)
                return;
        } else {
            uint64_t width = width_of(walk, row);
            if (width > walk->cursor.left) {
                char why[64];
                snprintf(why, sizeof why, "ends before the end of %s", row->name);
                tell_rest(walk, why);
                return;
            }
            tell_field(walk, row, (size_t)width);
        }
    }
    tell_rest(walk, "behind the last field of its table");
}

static void walk_message(struct walk *walk, const uint8_t *bytes, size_t length, const struct field_row *rows)
{
    walk->cursor = bytes_of(bytes, length);
    walk->whole = length;
    walk->index = 0;
    walk->counted = 0;
    walk->size_length = walk->address_length = 0;
    bytes_skip(&walk->cursor, 1);
    if (rows)
        walk_rows(walk, rows);
    else
        tell_rest(walk, "no table has this service");
}

void service_fields(const struct exchange_event *event, bool secrets,
                    void (*emit)(void *context, const struct service_field *field), void *context)
{
    const struct exchange *exchange = event->exchange;
    const struct message *answer = event->response;
    bool asked = exchange->request_length > 0 && exchange->request_kept > 0;
    struct bytes first = asked ? bytes_of(exchange->request_bytes, exchange->request_kept)
                       : answer ? bytes_of(answer->bytes, answer->received) : bytes_of(NULL, 0);
    bytes_skip(&first, 1);
    uint8_t second = bytes_u8(&first);
    if (asked && exchange_has_sub_function(exchange->dialect, exchange->service))
        second &= 0x7F;
    const struct field_layout *layout = layout_of(exchange->dialect, exchange->service, second);
    struct walk walk = {.emit = emit, .context = context, .dialect = exchange->dialect, .service = exchange->service,
                        .secrets = secrets};
    if (asked)
        walk_message(&walk, exchange->request_bytes, exchange->request_kept, layout ? layout->request : NULL);
    if (!answer)
        return;
    walk.of_answer = true;
    struct bytes said = bytes_of(answer->bytes, answer->received);
    if (bytes_u8(&said) == 0x7F) {
        walk_message(&walk, answer->bytes, answer->received, field_refusal);
        return;
    }
    if (exchange->service == 0x22 && exchange->dialect == DIALECT_ISO14229 && exchange->request_length > 3)
        walk.rest_remark = "holds the records of all identifiers asked for; definitions split it";
    walk_message(&walk, answer->bytes, answer->received, layout ? layout->answer : NULL);
}

uint32_t service_secret_offset(const uint8_t *bytes, uint32_t length)
{
    struct bytes cursor = bytes_of(bytes, length);
    uint8_t sid = bytes_u8(&cursor), level = bytes_u8(&cursor);
    bool secret = (sid == 0x27 && level % 2 == 0) || (sid == 0x67 && level % 2 == 1);
    return secret && !cursor.bad ? 2 : length;
}

enum service_warning service_warning(const struct exchange *exchange, const char **text)
{
    struct bytes cursor = bytes_of(exchange->request_bytes, exchange->request_kept);
    bytes_skip(&cursor, 1);
    uint8_t second = bytes_u8(&cursor);
    uint16_t routine = bytes_be16(&cursor);
    *text = NULL;
    if (exchange->dialect == DIALECT_ISO14230 || exchange->request_length == 0)
        return SERVICE_NO_WARNING;
    second &= 0x7F;
    if (exchange->service == 0x31 && second == PART_START && !cursor.bad && routine >= 0xE200 && routine <= 0xE2FF) {
        *text = routine == 0xE201 ? "DANGER: deployLoopRoutineID was started: it fires pyrotechnics (ISO 26021-2)"
              : routine == 0xE200 ? "DANGER: executeSPL was started: it prepares the firing of pyrotechnics (ISO 26021)"
                                  : "DANGER: a routine of the safety system was started (31 01 E2xx)";
        return SERVICE_SAFETY;
    }
    if (exchange->service == 0x27 && (second == 0x5F || second == 0x60)) {
        *text = "DANGER: access for the end-of-life activation of pyrotechnics was asked for (ISO 26021-2)";
        return SERVICE_SAFETY;
    }
    if (exchange->service == 0x10 && second == 0x04) {
        *text = "the safety system diagnostic session was asked for";
        return SERVICE_REMARK;
    }
    return SERVICE_NO_WARNING;
}

/* ---- the table as text ---- */

static void write_rows(const struct field_row *row, char out[SERVICE_ROW_TEXT])
{
    size_t used = 0;
    const char *close = "", *gap = "";
    out[0] = '\0';
    for (; row->form != FIELD_END && used < SERVICE_ROW_TEXT; row++) {
        char width[16] = "*";
        if (row->form == FIELD_REPEAT || row->form == FIELD_MAY_END) {
            used += (size_t)snprintf(out + used, SERVICE_ROW_TEXT - used, "%s%s", gap,
                                     row->form == FIELD_REPEAT ? "{" : "[");
            close = row->form == FIELD_REPEAT ? "}..." : "]";
            gap = "";
            continue;
        }
        if (row->form == FIELD_BITS || row->form == FIELD_SIZE_LENGTH || row->form == FIELD_ADDRESS_LENGTH)
            snprintf(width, sizeof width, "%u bits", row->width);
        else if (row->form == FIELD_ADDRESS || row->form == FIELD_SIZE || row->form == FIELD_COUNTED ||
                 row->form == FIELD_COUNTED_TEXT)
            snprintf(width, sizeof width, "n");
        else if (row->form != FIELD_REST && row->form != FIELD_SECRET)
            snprintf(width, sizeof width, "%u", row->width);
        used += (size_t)snprintf(out + used, SERVICE_ROW_TEXT - used, "%s%s %s%s", gap, row->name, width,
                                 row->form == FIELD_SECRET ? " masked" : "");
        gap = ", ";
    }
    if (used < SERVICE_ROW_TEXT)
        snprintf(out + used, SERVICE_ROW_TEXT - used, "%s", used ? close : "-");
}

bool service_layout_row(size_t index, char name[SERVICE_ROW_TEXT], char request[SERVICE_ROW_TEXT],
                        char answer[SERVICE_ROW_TEXT])
{
    if (index >= field_layout_count)
        return false;
    const struct field_layout *layout = &field_layouts[index];
    static const char *const dialects[] = {[FOR_14229] = "14229", [FOR_14230] = "14230", [FOR_BOTH] = "OBD"};
    enum dialect dialect = layout->dialect == FOR_14230 ? DIALECT_ISO14230 : DIALECT_ISO14229;
    char which[SERVICE_ROW_TEXT / 2] = "";
    if (layout->select == 0xFF) {
        const char *text = standard_sub_function_name(dialect, layout->service, layout->selected);
        snprintf(which, sizeof which, " %02X%s%s", layout->selected, text ? " " : "", text ? text : "");
    } else if (layout->select == 1) {
        snprintf(which, sizeof which, "%s", layout->selected ? " odd requestSeed" : " even sendKey");
    }
    const char *service = standard_service_name(dialect, layout->service);
    snprintf(name, SERVICE_ROW_TEXT, "%s | %02X %s%s", dialects[layout->dialect], layout->service,
             service ? service : "", which);
    write_rows(layout->request, request);
    write_rows(layout->answer, answer);
    return true;
}
