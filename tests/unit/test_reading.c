/*
 * decoder/stages/reading.h. Definitions are made by hand in memory; expected places and values are worked out from
 * D 6.3, 6.4 and the layouts of FACTS 3.5 (71 type RID16 ...) and 3.7 (22 with several identifiers). One event is
 * written "value R=N@P" (reading R, numerator N, payload position P), "value R absent@P", "fault", "remark" or
 * "unknown" with the key, the reason and the length in brackets.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "reading.h"
#include "support_message.h"

static char text[4096];

static void note(void *context, const struct reading_event *event)
{
    (void)context;
    char part[300];
    static const char *const kinds[] = {"value", "fault", "unknown", "remark"};
    if (event->kind == READING_VALUE) {
        const struct value *value = event->value;
        unsigned position = event->base + value->at[0].offset;
        if (value->state == VALUE_ABSENT)
            snprintf(part, sizeof part, "value %u absent@%u", value->reading, position);
        else if (value->has_number)
            snprintf(part, sizeof part, "value %u=%lld@%u", value->reading, (long long)value->numerator, position);
        else
            snprintf(part, sizeof part, "value %u %.*s@%u", value->reading, (int)value->length,
                     (const char *)value->bytes, position);
        assert_non_null(event->message);
        assert_true(position + value->at[0].length <= event->message->received);
    } else {
        assert_null(event->value);
        snprintf(part, sizeof part, "%s %04x %s (%u)", kinds[event->kind], event->has_key ? event->key : 0xFFFF,
                 event->reason, event->length);
    }
    if (text[0])
        strcat(text, "; ");
    strcat(text, part);
    assert_true(strlen(text) < sizeof text - 400);
}

/* Module 0: identifiers 3C40 (2 bytes, one number), 3C41 (no length: one number), F190 (text), routine 0242, lamp 3D0.
 * Module 1: the same broadcast. */
static struct def_reading readings[8];
static struct def_field load_field = {.length = 2, .mask = 0xFFFF, .mask_bits = 16, .factor = 1, .when_field = DEF_NONE, .reading = 0};
static struct def_field open_field = {.length = 1, .mask = 0xFF, .mask_bits = 8, .factor = 1, .when_field = DEF_NONE, .reading = 1};
static struct def_field vin_field = {.length = DEF_NONE, .type = FIELD_TEXT, .when_field = DEF_NONE, .reading = 2};
static struct def_field state_field = {.length = 1, .mask = 0xFF, .mask_bits = 8, .factor = 1, .when_field = DEF_NONE, .reading = 3};
static struct def_field lamp_field = {.byte = 2, .length = 1, .mask = 0x03, .mask_bits = 2, .factor = 1, .when_field = DEF_NONE, .reading = 4};
static struct def_field lamp_field_1 = {
    .byte = 0, .length = 1, .mask = 0xFF, .mask_bits = 8, .factor = 1, .when_field = DEF_NONE, .reading = 5};
static struct def_identifier identifiers[] = {
    {.key = 0x3C40, .record = {.length = 2, .fields = &load_field, .field_count = 1}},
    {.key = 0x3C41, .record = {.length = DEF_NONE, .fields = &open_field, .field_count = 1}},
    {.key = 0xF190, .record = {.length = DEF_NONE, .fields = &vin_field, .field_count = 1}},
};
static struct def_broadcast lamp = {.id = 0x3D0,
                                    .record = {.length = DEF_NONE, .fields = &lamp_field, .field_count = 1}};
static struct def_broadcast lamp_1 = {.id = 0x3D0, .record = {.length = 1, .fields = &lamp_field_1, .field_count = 1}};
static struct def_module modules[] = {
    {.identifiers = identifiers, .identifier_count = 3, .broadcasts = &lamp, .broadcast_count = 1},
    {.broadcasts = &lamp_1, .broadcast_count = 1},
};
static struct def_action routine = {
    .kind = ACTION_ROUTINE, .key = 0x0242,
    .parts = {[PART_RESULTS] = {.defined = true, .answer = {.length = 1, .fields = &state_field, .field_count = 1}}},
};
static struct definitions definitions = {
    .modules = modules,
    .module_count = 2,
    .actions = &routine,
    .action_count = 1,
    .readings = readings,
    .reading_count = 8,
};

/* What the exchange and service stages would hand over; request "" for an answer nobody asked for. */
static void exchange_with(const struct definitions *given, const char *request, const char *answer,
                          enum exchange_state state, const char *expected)
{
    static struct reading_stage stage;
    uint8_t request_bytes[64], answer_bytes[64];
    uint32_t request_length = test_hex(request, request_bytes, sizeof request_bytes);
    uint32_t answer_length = test_hex(answer, answer_bytes, sizeof answer_bytes);
    struct message message = test_message(DIRECTION_RESPONSE, 0, 2, 2, 10, 10, answer_bytes, answer_length);
    struct exchange exchange = {
        .service = request_length ? request_bytes[0] : answer_bytes[0] - 0x40, .request_bytes = request_bytes,
        .request_kept = request_length, .request_length = request_length, .state = state, .has_response = true,
        .nrc = answer_bytes[0] == 0x7F ? answer_bytes[2] : 0,
    };
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange, .response = &message};
    struct service_content content;
    service_read(&event, &content);
    text[0] = '\0';
    reading_init(&stage, given, note, NULL);
    reading_push_answer(&stage, &event, &content);
    assert_string_equal(text, expected);
}

static void answered(const char *request, const char *answer, const char *expected)
{
    exchange_with(&definitions, request, answer, EXCHANGE_ANSWERED, expected);
}

static void one_identifier(void **state)
{
    (void)state;
    answered("22 3C 40", "62 3C 40 01 02", "value 0=258@3");
    answered("22 3C 41", "62 3C 41 07", "value 1=7@3");
    answered("22 12 34", "62 12 34 01 02 03", "unknown 1234 identifier not described (3)");
    answered("22 3C 40", "62 3C 40 01", "fault 3c40 shorter than described (1)");
    answered("22 3C 40", "62 3C 40", "fault 3c40 shorter than described (0)");
    answered("22 3C 40", "62 3C 40 01 02 03", "value 0=258@3; remark 3c40 longer than described (3)");
    /* D 8.4: a late answer counts like any other */
    exchange_with(&definitions, "22 3C 40", "62 3C 40 01 02", EXCHANGE_LATE, "value 0=258@3");
    exchange_with(&definitions, "", "62 3C 40 01 02", EXCHANGE_UNSOLICITED, "value 0=258@3");
    exchange_with(NULL, "22 3C 40", "62 3C 40 01 02", EXCHANGE_ANSWERED, "unknown 3c40 identifier not described (2)");
}

static void several_identifiers_are_split_by_length(void **state)
{
    (void)state;
    answered("22 3C 40 3C 41", "62 3C 40 01 02 3C 41 07", "value 0=258@3; value 1=7@7");
    answered("22 3C 40 3C 40", "62 3C 40 01 02 3C 40 01 03", "value 0=258@3; value 0=259@7");
    answered("22 3C 40 12 34", "62 3C 40 01 02 12 34 AA BB",
             "value 0=258@3; unknown 1234 identifier not described (2)");
    /* VIN: 17 characters (ISO 3779), though this definition gives no length; the example of 49 CFR 565.15(c) table V */
    answered("22 F1 90 3C 40",
             "62 F1 90 31 47 34 41 48 35 39 48 34 35 47 31 31 38 33 34 31 3C 40 00 05",
             "value 2 1G4AH59H45G118341@3; value 0=5@22");
    answered("22 3C 40 3C 40", "62 3C 40 01 02 3C 40 01",
             "value 0=258@3; fault 3c40 shorter than described (1)");
    answered("22 3C 40 3C 40", "62 3C 40 01 02 3C 40 01 03 FF",
             "value 0=258@3; value 0=259@7; remark 3c40 longer than described (3)");
}

/* Nothing is read of an answer that does not fit its question. */
static void what_cannot_be_split_gives_no_value(void **state)
{
    (void)state;
    answered("22 3C 41 3C 40", "62 3C 41 07 3C 40 01 02",
             "fault ffff cannot be split: the length of an identifier before the last is not described (8)");
    answered("22 12 34 3C 40", "62 12 34 07 3C 40 01 02",
             "fault ffff cannot be split: the length of an identifier before the last is not described (8)");
    answered("22 3C 40 3C 41", "62 3C 40 01 02 03 3C 41 07", /* a byte more than described */
             "fault ffff cannot be split: another identifier than asked for where the next one should begin (9)");
    answered("22 3C 40 3C 41", "62 3C 41 07 3C 40 01 02", /* another order */
             "fault ffff cannot be split: another identifier than asked for where the next one should begin (8)");
    answered("22 3C 40 3C 41", "62 3C 40 01 02", /* leaves one out */
             "fault ffff cannot be split: the answer ends before all identifiers asked for (5)");
    answered("22 3C 40 3C 41", "62 3C 40 01",
             "fault ffff cannot be split: the answer ends before all identifiers asked for (4)");
    answered("22 3C 40 3C", "62 3C 40 01 02", "fault ffff request ends inside an identifier (5)");
}

static void routines_by_part(void **state)
{
    (void)state;
    answered("31 03 02 42", "71 03 02 42 02", "value 3=2@4");
    answered("31 03 02 42", "71 03 02 42 02 00", "value 3=2@4; remark 0242 longer than described (2)");
    answered("31 03 02 42", "71 03 02 42", "fault 0242 shorter than described (0)");
    answered("31 01 02 42", "71 01 02 42", "");
    answered("31 01 02 42", "71 01 02 42 05", "unknown 0242 answer of this part of the routine not described (1)");
    answered("31 01 02 43", "71 01 02 43 05", "unknown 0243 routine not described (1)");
    answered("31 05 02 42", "71 05 02 42 05", "unknown 0242 answer of this part of the routine not described (1)");
    exchange_with(&definitions, "", "71 03 02", EXCHANGE_UNSOLICITED, "fault ffff answer shorter than its table (3)");
}

static void others_are_ignored_or_not_decoded(void **state)
{
    (void)state;
    exchange_with(&definitions, "22 3C 40", "7F 22 31", EXCHANGE_REFUSED, "");
    answered("3E 00", "7E 00", "");
    answered("10 03", "50 03 00 32 01 F4", "");
    answered("27 01", "67 01 AA BB", "unknown ffff service not decoded (3)");
    struct reading_stage stage;
    struct exchange exchange = {.service = 0x22, .state = EXCHANGE_OPEN};
    struct service_content content = {.kind = SERVICE_READ};
    text[0] = '\0';
    reading_init(&stage, &definitions, note, NULL);
    reading_push_answer(&stage, &(struct exchange_event){.kind = EXCHANGE_EVENT_REQUEST, .exchange = &exchange},
                        &content);
    exchange.state = EXCHANGE_MISSING;
    reading_push_answer(&stage, &(struct exchange_event){.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange},
                        &content);
    assert_string_equal(text, "");
}

static uint64_t seen_offset;
static void note_place(void *context, const struct reading_event *event)
{
    note(context, event);
    assert_true(event->broadcast);
    assert_null(event->exchange);
    assert_int_equal(event->message->segment_count, 1);
    seen_offset = event->message->segments[0].offset;
    assert_int_equal(event->message->first_frame, 77);
    assert_int_equal(event->module, event->message->module);
}

static void broadcasts(void **state)
{
    (void)state;
    struct reading_stage stage;
    reading_init(&stage, &definitions, note_place, NULL);
    struct frame frame = {.number = 77, .id = 0x3D0, .length = 3, .data = {9, 0, 0x05}, .data_offset = 1234};
    text[0] = '\0';
    reading_push_frame(&stage, &frame); /* both modules describe it */
    assert_string_equal(text, "value 4=1@2; value 5=9@0; remark ffff longer than described (3)");
    assert_int_equal(seen_offset, 1234);
    frame.length = 8; /* without `length` nothing is said of the bytes behind the fields */
    text[0] = '\0';
    reading_push_frame(&stage, &frame);
    assert_string_equal(text, "value 4=1@2; value 5=9@0; remark ffff longer than described (8)");
    frame.length = 1;
    text[0] = '\0';
    reading_push_frame(&stage, &frame);
    assert_string_equal(text, "fault ffff shorter than described (1); value 5=9@0");
    text[0] = '\0';
    frame.extended = true; /* the 29-bit id of the same number is another */
    reading_push_frame(&stage, &frame);
    frame.extended = false;
    frame.remote = true;
    reading_push_frame(&stage, &frame);
    frame.remote = false;
    frame.id = 0x3D1;
    reading_push_frame(&stage, &frame);
    frame.id = 0x13D0;
    reading_push_frame(&stage, &frame);
    assert_string_equal(text, "");
    reading_init(&stage, NULL, note_place, NULL);
    frame.id = 0x3D0;
    reading_push_frame(&stage, &frame);
    assert_string_equal(text, "");
}

/* Hostile bytes of every length and shape through service and reading: the sanitizers watch. */
static void ignore(void *context, const struct reading_event *event)
{
    uint64_t *sum = context;
    *sum += event->kind == READING_VALUE ? event->value->length : event->length;
}

static void any_bytes(void **state)
{
    (void)state;
    static struct reading_stage stage;
    uint64_t sum = 0;
    uint32_t seed = 99;
    static const uint8_t sids[] = {0x22, 0x31, 0x19, 0x10, 0x14, 0x2E, 0x85, 0x3E};
    static const uint8_t common[] = {0x3C, 0x40, 0x41, 0xF1, 0x90, 0x02, 0x42, 0x01};
    reading_init(&stage, &definitions, ignore, &sum);
    for (int i = 0; i < 100000; i++) {
        uint8_t raw[2][24];
        uint32_t length[2];
        for (int side = 0; side < 2; side++) {
            seed = seed * 1664525 + 1013904223;
            length[side] = (seed >> 16) % 24;
            for (int j = 0; j < 24; j++) {
                seed = seed * 1664525 + 1013904223;
                raw[side][j] = common[seed >> 29];
            }
            raw[side][0] = sids[(uint32_t)i % 8] + (side ? 0x40 : 0);
        }
        uint8_t *request = test_malloc(length[0] + 1), *answer = test_malloc(length[1] + 1);
        memcpy(request + 1, raw[0], length[0]); /* the end is what must be watched */
        memcpy(answer + 1, raw[1], length[1]);
        struct message message = test_message(DIRECTION_RESPONSE, 0, 2, 2, 10, 10, answer + 1, length[1]);
        struct exchange exchange = {.service = sids[(uint32_t)i % 8],
                                    .request_bytes = request + 1,
                                    .request_kept = length[0],
                                    .request_length = length[0] + (seed >> 30),
                                    .has_response = true};
        struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange, .response = &message};
        struct service_content content;
        service_read(&event, &content);
        if (!content.malformed)
            assert_true(content.data_offset + content.data_length <= length[1] &&
                        content.entries_offset +
                                (content.is_count || !content.entries_offset ? 0 : 4 * content.count) <=
                            length[1]);
        reading_push_answer(&stage, &event, &content);
        test_free(request);
        test_free(answer);
    }
    assert_true(sum > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_identifier),
        cmocka_unit_test(several_identifiers_are_split_by_length),
        cmocka_unit_test(what_cannot_be_split_gives_no_value),
        cmocka_unit_test(routines_by_part),
        cmocka_unit_test(others_are_ignored_or_not_decoded),
        cmocka_unit_test(broadcasts),
        cmocka_unit_test(any_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
