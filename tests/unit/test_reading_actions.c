/*
 * decoder/stages/reading.h: what testers define on the bus (D 6.8), actions of every kind with the fields of their requests
 * (D 6.6), and the local identifiers of ISO 14230 (D 6.7). Places and values are worked by hand from D 6.4 and the
 * layouts in docs/services.md. Events are written as in test_reading.c.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "reading.h"
#include "support_message.h"

static char text[4096];
static uint32_t request_frames;

static void note(void *context, const struct reading_event *event)
{
    (void)context;
    char part[300];
    static const char *const kinds[] = {"value", "fault", "unknown", "remark"};
    if (event->kind == READING_VALUE) {
        const struct value *value = event->value;
        size_t used = (size_t)snprintf(part, sizeof part, "value %u=%lld", value->reading, (long long)value->numerator);
        for (uint32_t i = 0; i < value->at_count; i++) {
            uint32_t position = event->base + value->at[i].offset;
            assert_true(position + value->at[i].length <= event->message->received);
            used += (size_t)snprintf(part + used, sizeof part - used, "@%u", position);
        }
        if (event->message->direction == DIRECTION_REQUEST) {
            assert_int_equal(event->message->segment_count, 0);
            assert_int_equal(event->message->last_frame, 41);
            request_frames++;
        }
    } else {
        snprintf(part, sizeof part, "%s %x %s (%u)", kinds[event->kind], event->key, event->reason, event->length);
    }
    if (text[0])
        strcat(text, "; ");
    strcat(text, part);
    assert_true(strlen(text) < sizeof text - 400);
}

#define NUMBER_FIELD(at, size, index) \
    {.byte = at, .length = size, .mask = (size) == 2 ? 0xFFFF : 0xFF, .mask_bits = 8 * (size), .factor = 1, \
     .when_field = DEF_NONE, .reading = index}

/* Identifier 3C40: 0 at bytes 0-1, 1 at byte 2, 2 at bytes 3-4, 3 the sum of 0 and 2; 3C41: 4 at byte 0 (a page), 5 at byte
 * 1 on page 2, 10 the sum of 5. */
static struct def_reading readings[20];
static struct def_field load_fields[] = {NUMBER_FIELD(0, 2, 0), NUMBER_FIELD(2, 1, 1), NUMBER_FIELD(3, 2, 2)};
static uint32_t sum_fields[] = {0, 2};
static tt_wide sum_factors[] = {1, 1};
static struct def_derived sum = {.fields = sum_fields, .factors = sum_factors, .field_count = 2, .reading = 3};
static struct def_field page_fields[] = {
    NUMBER_FIELD(0, 1, 4),
    {.byte = 1, .length = 1, .mask = 0xFF, .mask_bits = 8, .factor = 1, .when_field = 0, .when_is = 2, .reading = 5},
};
static uint32_t page_sum_fields[] = {1};
static struct def_derived page_sum = {
    .fields = page_sum_fields, .factors = sum_factors, .field_count = 1, .reading = 10};
static struct def_identifier identifiers[] = {
    {.key = 0x3C40, .record = {.length = 5, .fields = load_fields, .field_count = 3, .derived = &sum, .derived_count = 1}},
    {.key = 0x3C41, .record = {.length = 2, .fields = page_fields, .field_count = 2, .derived = &page_sum,
                               .derived_count = 1}},
};
static struct def_field local_field = NUMBER_FIELD(1, 1, 6), identification_field = NUMBER_FIELD(0, 1, 7);
static struct def_identifier local = {.key = 0x21, .record = {.length = 2, .fields = &local_field, .field_count = 1}};
static struct def_identifier identification = {
    .key = 0x90, .record = {.length = 1, .fields = &identification_field, .field_count = 1}};
static struct def_field lamp_field = NUMBER_FIELD(9, 1, 11);
static struct def_broadcast lamp = {
    .id = DEF_ID_29 | 0x3D0, .record = {.length = DEF_NONE, .fields = &lamp_field, .field_count = 1}};
static struct def_module modules[] = {
    {.identifiers = identifiers, .identifier_count = 2},
    {.dialect = DIALECT_ISO14230, .identifiers = identifiers, .identifier_count = 2, .local_identifiers = &local,
     .local_identifier_count = 1, .broadcasts = &lamp, .broadcast_count = 1, .identification = &identification, .identification_count = 1},
};
static struct def_field asked_field = NUMBER_FIELD(0, 1, 8), said_field = NUMBER_FIELD(0, 1, 9);
#define ACTION(which, number, of, does) \
    {.kind = which, .key = number, .module = of, \
     .parts = {[does] = {.defined = true, .answer = {.length = 1, .fields = &said_field, .field_count = 1}, \
                         .request = {.length = 1, .fields = &asked_field, .field_count = 1}}}}
static struct def_action actions[] = {
    ACTION(ACTION_ROUTINE, 0x0242, 0, PART_START),  ACTION(ACTION_CONTROL, 0x3C50, 0, PART_START),
    ACTION(ACTION_WRITE, 0x3C60, 0, PART_START),    ACTION(ACTION_ROUTINE, 0x22, 1, PART_RESULTS),
    ACTION(ACTION_ROUTINE_ADDRESS, 0x123456, 1, PART_START), ACTION(ACTION_CONTROL_LOCAL, 0x10, 1, PART_STOP),
    ACTION(ACTION_WRITE_LOCAL, 0x91, 1, PART_START),
};
static struct definitions definitions = {
    .modules = modules, .module_count = 2, .actions = actions, .action_count = sizeof actions / sizeof *actions,
    .readings = readings, .reading_count = 20,
};
static struct reading_stage stage;

static void begin(void)
{
    for (int i = 0; i < 20; i++)
        readings[i] = (struct def_reading){.denominator = 1};
    text[0] = '\0';
    request_frames = 0;
    reading_init(&stage, &definitions, note, NULL);
}

/* One exchange of the module; answer "": none, in this state. */
static void happens(uint32_t module, const char *request, const char *answer, enum exchange_state state)
{
    uint8_t request_bytes[96], answer_bytes[96];
    uint32_t request_length = test_hex(request, request_bytes, sizeof request_bytes);
    uint32_t answer_length = test_hex(answer, answer_bytes, sizeof answer_bytes);
    struct message message = test_message(DIRECTION_RESPONSE, module, 50, 50, 10, 10, answer_bytes, answer_length);
    struct exchange exchange = {
        .module = module, .dialect = modules[module].dialect, .state = state, .request = {.last_frame = 41},
        .service = request_length ? request_bytes[0] : answer_bytes[0] - 0x40, .request_bytes = request_bytes,
        .request_kept = request_length, .request_length = request_length, .has_response = answer_length > 0,
        .nrc = answer_length && answer_bytes[0] == 0x7F ? answer_bytes[2] : 0,
    };
    struct exchange_event event = {.kind = EXCHANGE_EVENT_REQUEST, .exchange = &exchange};
    struct service_content content;
    if (request_length) {
        service_read(&event, &content);
        reading_push_request(&stage, &exchange, &content);
    }
    event.kind = EXCHANGE_EVENT_CLOSED;
    event.response = answer_length ? &message : NULL;
    service_read(&event, &content);
    reading_push_answer(&stage, &event, &content);
}

static void answered(const char *request, const char *answer)
{
    happens(0, request, answer, EXCHANGE_ANSWERED);
}

static void says(const char *expected)
{
    assert_string_equal(text, expected);
    text[0] = '\0';
}

/* Positions of 2C count from 1 (ISO 14229-1). */
static void defined_by_identifier(void **state)
{
    (void)state;
    begin();
    answered("22 F3 00", "62 F3 00 01 02");
    says("unknown f300 an identifier that testers define on the bus, and no definition was seen (2)");
    answered("2C 01 F3 00 3C 40 03 01 3C 40 01 02", "6C 01 F3 00"); /* byte 2, then bytes 0 and 1 */
    says("");
    answered("22 F3 00", "62 F3 00 07 01 02");
    says("value 0=258@4; value 1=7@3");
    answered("2C 01 F3 00 3C 40 04 02", "6C 01 F3 00"); /* adds bytes 3 and 4: now the sum is whole too */
    answered("22 F3 00", "62 F3 00 07 01 02 00 05");
    says("value 0=258@4; value 1=7@3; value 2=5@6; value 3=263@4@6");
    answered("22 F3 00", "62 F3 00 07 01 02 00");
    says("fault f300 not as long as it was defined on the bus (4)");
    happens(1, "22 F3 00", "62 F3 00 07 01 02 00 05", EXCHANGE_ANSWERED); /* of another module nothing is known */
    says("unknown f300 an identifier that testers define on the bus, and no definition was seen (5)");
    answered("22 3C 40 F3 00 3C 41", "62 3C 40 00 01 02 00 03 F3 00 07 01 02 00 05 3C 41 02 09"); /* split by its length */
    says("value 0=1@3; value 1=2@5; value 2=3@6; value 3=4@3@6; "
         "value 0=258@11; value 1=7@10; value 2=5@13; value 3=263@11@13; value 4=2@17; value 5=9@18; value 10=9@18");
}

/* Half a field, a field in two pieces, and a field whose page is not there, are no values. */
static void only_what_is_there_is_read(void **state)
{
    (void)state;
    begin();
    answered("2C 01 F3 01 3C 40 02 03", "6C 01 F3 01"); /* bytes 1 to 3: half of 0, 1, half of 2 */
    answered("22 F3 01", "62 F3 01 AA 07 BB");
    says("value 1=7@4");
    answered("2C 01 F3 02 3C 40 01 01 3C 40 02 01", "6C 01 F3 02"); /* bytes 0 and 1, each on its own */
    answered("22 F3 02", "62 F3 02 01 02");
    says("unknown f302 defined on the bus from bytes that nobody described (2)");
    answered("2C 01 F3 03 3C 41 02 01", "6C 01 F3 03"); /* without its page */
    answered("22 F3 03", "62 F3 03 09");
    says("unknown f303 defined on the bus from bytes that nobody described (1)");
    answered("2C 01 F3 04 12 34 01 02", "6C 01 F3 04"); /* a source nobody described */
    answered("22 F3 04", "62 F3 04 01 02");
    says("unknown f304 defined on the bus from bytes that nobody described (2)");
    answered("2C 01 F3 05 3C 40 FF FF", "6C 01 F3 05"); /* as far as the bytes of 2C reach */
    answered("2C 01 F3 06 3C 40 00 02", "6C 01 F3 06"); /* position 0 is none */
    answered("22 F3 06", "62 F3 06 01 02");
    says("unknown f306 its definition on the bus is malformed (2)");
}

static void cleared_doubted_forgotten(void **state)
{
    (void)state;
    begin();
    static const char not_seen[] = "unknown f300 an identifier that testers define on the bus, and no definition was seen (1)";
    static const char doubt[] =
        "unknown f300 defined or cleared on the bus without an answer: nobody knows what it holds (1)";
    static const char known[] = "value 1=7@3";
    for (int round = 0; round < 9; round++) {
        const char *expected = not_seen;
        dynamic_forget(&stage.dynamic, DEF_NONE);
        answered("2C 01 F3 00 3C 40 03 01", "6C 01 F3 00");
        switch (round) {
        case 0: answered("2C 03 F3 00", "6C 03 F3 00"); break;
        case 1: answered("2C 03", "6C 03"); break;
        case 2: answered("11 01", "51 01"); break;
        case 3: reading_forget(&stage, 0); break;
        case 4: answered("2C 01 F3 00 3C 40 01 02", "7F 2C 31"); expected = known; break; /* refused */
        case 5: happens(0, "2C 81 F3 00 3C 40 01 02", "", EXCHANGE_SUPPRESSED); expected = doubt; break;
        case 6: happens(0, "2C 03", "", EXCHANGE_MISSING); expected = doubt; break;
        case 7: answered("2C 03 F3 01", "6C 03 F3 01"); expected = known; break; /* another one */
        case 8: reading_forget(&stage, 1); expected = known; break; /* another module */
        }
        answered("22 F3 00", "62 F3 00 07");
        says(expected);
    }
    answered("2C 02 F3 07 11 10 01", "6C 02 F3 07");
    answered("22 F3 07", "62 F3 07 01");
    says("unknown f307 defined on the bus by memory address (1)");
    happens(0, "", "6C 01 F3 08", EXCHANGE_UNSOLICITED);
    answered("22 F3 08", "62 F3 08 01");
    says("unknown f308 the question that defined it on the bus was not seen (1)");
}

/* More than the table holds is unknown, and nothing breaks. */
static void too_many_definitions(void **state)
{
    (void)state;
    begin();
    for (unsigned i = 0; i < 3 * DYNAMIC_MAX; i++) {
        char request[64], answer[32];
        snprintf(request, sizeof request, "2C 01 F3 %02X 3C 40 03 01", i);
        snprintf(answer, sizeof answer, "6C 01 F3 %02X", i);
        answered(request, answer);
    }
    for (unsigned i = 0; i < DYNAMIC_PIECES + 4; i++)
        answered("2C 01 F3 00 3C 40 03 01", "6C 01 F3 00");
    says("");
    answered("22 F3 01", "62 F3 01 07");
    says("value 1=7@3");
    answered("22 F3 00", "62 F3 00 07");
    says("unknown f300 its definition on the bus has more pieces than are kept (1)");
    answered("22 F3 BF", "62 F3 BF 07");
    says("unknown f3bf more identifiers were defined on the bus than are kept (1)");
}

static void actions_and_their_requests(void **state)
{
    (void)state;
    begin();
    answered("31 01 02 42 05", "71 01 02 42 06");
    says("value 8=5@4; value 9=6@4");
    answered("31 81 02 42 05", "7F 31 22"); /* what was asked stands, granted or not */
    says("value 8=5@4");
    answered("2F 3C 50 03 05", "6F 3C 50 03 06");
    says("value 8=5@4; value 9=6@4");
    answered("2F 3C 50 00", "6F 3C 50 00");
    says("");
    answered("2F 3C 51 03", "6F 3C 51 03 01");
    says("unknown 3c51 control not described (1)");
    answered("2E 3C 60 05", "6E 3C 60 06");
    says("value 8=5@3; value 9=6@3");
    answered("2E 3C 61 05", "6E 3C 61");
    says("");
    answered("31 01 02 42", "71 01 02 42");
    says("fault 242 shorter than described (0); fault 242 shorter than described (0)");
    assert_int_equal(request_frames, 4);
}

static void iso14230(void **state)
{
    (void)state;
    begin();
    happens(1, "21 21", "61 21 00 07", EXCHANGE_ANSWERED);
    says("value 6=7@3");
    happens(1, "21 22", "61 22 00 07", EXCHANGE_ANSWERED);
    says("unknown 22 local identifier not described (2)");
    happens(1, "1A 90", "5A 90 07", EXCHANGE_ANSWERED);
    says("value 7=7@2");
    happens(1, "1A 91", "5A 91 07", EXCHANGE_ANSWERED);
    says("unknown 91 identification not described (1)");
    happens(1, "22 3C 41 01", "62 3C 41 02 07", EXCHANGE_ANSWERED); /* 01 is transmissionMode, not half an identifier */
    says("value 4=2@3; value 5=7@4; value 10=7@4");
    happens(1, "33 22 05", "73 22 06", EXCHANGE_ANSWERED);
    says("value 8=5@2; value 9=6@2");
    happens(1, "38 12 34 56 05", "78 12 34 56 06", EXCHANGE_ANSWERED);
    says("value 8=5@4; value 9=6@4");
    happens(1, "30 10 00 05", "70 10 00 06", EXCHANGE_ANSWERED);
    says("value 8=5@3; value 9=6@3");
    happens(1, "3B 91 05", "7B 91 06", EXCHANGE_ANSWERED);
    says("value 8=5@2; value 9=6@2");
    happens(1, "30 10 01", "70 10 01 06", EXCHANGE_ANSWERED); /* a report is no part of the action */
    says("unknown 10 answer of this part of the action not described (1)");
}

static void periodic_answers_are_pointed_out(void **state)
{
    (void)state;
    begin();
    answered("2A 01 00", "6A");
    says("remark 0 periodic answers are plain frames: read only where described as broadcast (1)");
    answered("2A 04 00", "6A");
    says("");
}

/* A 29-bit id, and a byte that only CAN FD has. */
static void wide_broadcasts(void **state)
{
    (void)state;
    begin();
    struct frame frame = {.number = 7, .id = 0x3D0, .extended = true, .length = 12, .data = {[9] = 5}};
    reading_push_frame(&stage, &frame);
    says("value 11=5@9");
    frame.extended = false; /* the 11-bit id of the same number is another */
    reading_push_frame(&stage, &frame);
    frame.extended = true;
    frame.id = 0x3D1;
    reading_push_frame(&stage, &frame);
    says("");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(defined_by_identifier),
        cmocka_unit_test(only_what_is_there_is_read),
        cmocka_unit_test(cleared_doubted_forgotten),
        cmocka_unit_test(too_many_definitions),
        cmocka_unit_test(actions_and_their_requests),
        cmocka_unit_test(iso14230),
        cmocka_unit_test(wide_broadcasts),
        cmocka_unit_test(periodic_answers_are_pointed_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
