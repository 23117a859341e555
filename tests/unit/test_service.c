/*
 * decoder/stages/service.h. Sources beside each check; "FACTS" rows marked M there are from memory of the standard.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "service.h"
#include "support_message.h"

static enum dialect spoken; /* of the exchanges below */

/* One exchange as the exchange stage hands it over; answer NULL: only its request. request "": unsolicited. */
static struct service_content content_with(const char *request, const char *answer, const char *rival_1,
                                           const char *rival_2)
{
    static uint8_t request_bytes[64], answer_bytes[64], rival_bytes[2][64];
    static struct exchange exchange, rivals[2];
    static struct message message;
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange};
    uint32_t length = test_hex(request, request_bytes, sizeof request_bytes);
    exchange = (struct exchange){.dialect = spoken, .service = request_bytes[0], .request_bytes = length ? request_bytes : NULL,
                                 .request_kept = length, .request_length = length};
    if (answer) {
        uint32_t answer_length = test_hex(answer, answer_bytes, sizeof answer_bytes);
        message = test_message(DIRECTION_RESPONSE, 0, 2, 2, 10, 10, answer_bytes, answer_length);
        event.response = &message;
        exchange.has_response = true;
        if (!length)
            exchange.service = answer_bytes[0] == 0x7F ? answer_bytes[1] : answer_bytes[0] - 0x40;
    }
    const char *texts[2] = {rival_1, rival_2};
    for (int i = 0; i < 2; i++)
        if (texts[i]) {
            uint32_t rival_length = test_hex(texts[i], rival_bytes[i], sizeof rival_bytes[i]);
            rivals[i] = (struct exchange){.service = rival_bytes[i][0], .request_bytes = rival_bytes[i],
                                          .request_kept = rival_length, .request_length = rival_length};
            event.rivals[event.rival_count++] = &rivals[i];
        }
    struct service_content content;
    service_read(&event, &content);
    return content;
}

static struct service_content content_of(const char *request, const char *answer)
{
    return content_with(request, answer, NULL, NULL);
}

static void sessions_and_resets(void **state)
{
    (void)state;
    struct service_content c =
        content_of("10 03", "50 03 00 32 01 F4"); /* FACTS 3.7: 50 ms and 5000 ms, in 1 and 10 ms */
    assert_int_equal(c.kind, SERVICE_SESSION);
    assert_int_equal(c.sub_function, 3);
    assert_int_equal(c.p2, 50 * TT_MS);
    assert_int_equal(c.p2_star, 5000 * TT_MS);
    assert_null(c.malformed);
    c = content_of("10 83", "50 03"); /* without the record of times */
    assert_int_equal(c.sub_function, 3);
    assert_int_equal(c.p2, 0);
    assert_null(c.malformed);
    assert_non_null(content_of("10 03", "50 03 00").malformed);
    assert_non_null(content_of("10 03", "50 03 00 32 01").malformed);
    assert_non_null(content_of("10", NULL).malformed);
    c = content_of("11 01", "51 01");
    assert_int_equal(c.kind, SERVICE_RESET);
    assert_int_equal(c.sub_function, 1);
    c = content_of("3E 80", NULL);
    assert_int_equal(c.kind, SERVICE_TESTER_PRESENT);
    assert_int_equal(c.sub_function, 0);
    c = content_of("85 82", NULL);
    assert_int_equal(c.kind, SERVICE_SETTING);
    assert_int_equal(c.sub_function, 2);
    c = content_of("", "50 01 00 32 01 F4");
    assert_int_equal(c.kind, SERVICE_SESSION);
    assert_int_equal(c.sub_function, 1);
}

static void clears(void **state)
{
    (void)state;
    struct service_content c = content_of("14 FF FF 33", "54");
    assert_int_equal(c.kind, SERVICE_CLEAR);
    assert_int_equal(c.group, 0xFFFF33);
    assert_null(c.malformed);
    assert_non_null(content_of("14 FF FF", "54").malformed);
    assert_int_equal(content_of("", "54").group, 0);
}

static void codes(void **state)
{
    (void)state;
    /* Layouts: FACTS 3.4. */
    struct service_content c = content_of("19 02 09", "59 02 FF 80 A0 09 2F 9A 42 54 50");
    assert_int_equal(c.kind, SERVICE_CODES);
    assert_int_equal(c.sub_function, 2);
    assert_false(c.is_count);
    assert_false(c.is_supported);
    assert_true(c.has_mask);
    assert_int_equal(c.mask, 0x09);
    assert_int_equal(c.narrow_mask, 0x09);
    assert_int_equal(c.availability, 0xFF);
    assert_int_equal(c.count, 2);
    assert_int_equal(c.entries_offset, 3);
    c = content_of("19 02 09", "59 02 7B");
    assert_int_equal(c.count, 0);
    assert_int_equal(c.availability, 0x7B);
    assert_non_null(content_of("19 02 09", "59 02 FF 80 A0 09").malformed);
    assert_non_null(content_of("19 02 09", "59 02").malformed);
    assert_non_null(content_of("19 02", "59 02 FF").malformed);
    c = content_of("19 01 FF", "59 01 FB 01 01 02");
    assert_true(c.is_count);
    assert_int_equal(c.count, 0x0102);
    assert_int_equal(c.availability, 0xFB);
    assert_int_equal(c.mask, 0xFF);
    assert_non_null(content_of("19 01 FF", "59 01 FB 01 01").malformed);
    c = content_of("19 0A", "59 0A FF 80 A0 09 00");
    assert_true(c.is_supported);
    assert_false(c.has_mask);
    assert_int_equal(c.count, 1);
    c = content_of("19 06 80 A0 09 FF", "59 06 80 A0 09 00 01");
    assert_int_equal(c.kind, SERVICE_OTHER);
    assert_int_equal(c.sub_function, 6);
    c = content_of("", "59 02 FF 80 A0 09 2F"); /* nobody knows what was asked */
    assert_int_equal(c.kind, SERVICE_CODES);
    assert_false(c.has_mask);
    assert_int_equal(c.mask, 0);
    assert_int_equal(c.narrow_mask, 0xFF);
    assert_int_equal(c.count, 1);
}

/* D 7.10: covers only the bits that every possible question asked for. */
static void codes_with_rival_questions(void **state)
{
    (void)state;
    struct service_content c = content_with("19 02 0F", "59 02 FF", "19 02 09", "19 02 81");
    assert_int_equal(c.mask, 0x01);
    assert_int_equal(c.narrow_mask, 0x8F);
    c = content_with("19 02 FF", "59 02 FF", "19 02", NULL); /* asked for who knows what */
    assert_int_equal(c.mask, 0x00);
    assert_int_equal(c.narrow_mask, 0xFF);
}

static void reads_writes_and_routines(void **state)
{
    (void)state;
    struct service_content c = content_of("22 F1 90", "62 F1 90 31 32 33");
    assert_int_equal(c.kind, SERVICE_READ);
    assert_int_equal(c.identifier, 0xF190);
    assert_int_equal(c.data_offset, 3);
    assert_int_equal(c.data_length, 3);
    c = content_of("22 F1 90 F1 8C", "62 F1 90 31 F1 8C 32");
    assert_null(c.malformed);
    assert_int_equal(c.identifier, 0);
    assert_non_null(content_of("22 F1 90 F1", "62 F1 90 31").malformed);
    assert_non_null(content_of("22 F1", NULL).malformed);
    c = content_of("", "62 F1 90 31");
    assert_int_equal(c.identifier, 0xF190);
    assert_int_equal(c.data_length, 1);
    assert_non_null(content_of("", "62 F1").malformed);
    c = content_of("2E F1 90 31", "6E F1 90");
    assert_int_equal(c.kind, SERVICE_WRITE);
    assert_int_equal(c.identifier, 0xF190);
    assert_non_null(content_of("2E F1 90", "6E F1 90").malformed);
    c = content_of("31 81 02 42 07", "71 01 02 42 05 06");
    assert_int_equal(c.kind, SERVICE_ROUTINE);
    assert_int_equal(c.sub_function, 1);
    assert_int_equal(c.identifier, 0x0242);
    assert_int_equal(c.data_offset, 4);
    assert_int_equal(c.data_length, 2);
    assert_non_null(content_of("31 01 02", NULL).malformed);
    c = content_of("", "71 03 02 42 05");
    assert_int_equal(c.sub_function, 3);
    assert_int_equal(c.identifier, 0x0242);
    c = content_of("31 01 02 42", "7F 31 22"); /* refused: only the request says something */
    assert_null(c.malformed);
    assert_int_equal(c.identifier, 0x0242);
    assert_int_equal(c.data_length, 0);
    assert_non_null(content_of("31 01 02 42", "62 02 42 00").malformed);
    c = content_of("27 01", "67 01 11 22");
    assert_int_equal(c.kind, SERVICE_OTHER);
    assert_int_equal(c.sub_function, 1);
}

/* An action, from request and answer and from the request alone: kind, key, part, and the bytes behind the echo (D 6.4). */
static void acts(const char *request, const char *answer, enum action_kind kind, uint32_t key, unsigned part,
                 uint32_t offset, uint32_t request_length, uint32_t answer_length)
{
    for (int round = 0; round < 2; round++) {
        struct service_content c = content_of(request, round ? answer : NULL);
        assert_null(c.malformed);
        assert_true(c.is_action);
        assert_int_equal(c.action_kind, kind);
        assert_int_equal(c.key, key);
        assert_int_equal(c.sub_function, part);
        assert_int_equal(c.request_data_offset, offset);
        assert_int_equal(c.request_data_length, request_length);
        assert_int_equal(c.data_offset, round ? offset : 0);
        assert_int_equal(c.data_length, round ? answer_length : 0);
    }
}

/* ISO 14229-1:2020 31, 2F, 2E: FACTS 3.5, 3.7; which are starts: D 7.3. */
static void actions_of_iso14229(void **state)
{
    (void)state;
    acts("31 01 02 42 07 08", "71 01 02 42 05", ACTION_ROUTINE, 0x0242, PART_START, 4, 2, 1);
    acts("31 82 02 42", "71 02 02 42", ACTION_ROUTINE, 0x0242, PART_STOP, 4, 0, 0);
    acts("31 03 E2 01", "71 03 E2 01 00", ACTION_ROUTINE, 0xE201, PART_RESULTS, 4, 0, 1);
    acts("2F 3C 50 00", "6F 3C 50 00", ACTION_CONTROL, 0x3C50, PART_STOP, 4, 0, 0);
    acts("2F 3C 50 01", "6F 3C 50 01", ACTION_CONTROL, 0x3C50, PART_START, 4, 0, 0);
    acts("2F 3C 50 03 AA BB", "6F 3C 50 03 CC", ACTION_CONTROL, 0x3C50, PART_START, 4, 2, 1);
    acts("2E 3C 60 01 02", "6E 3C 60", ACTION_WRITE, 0x3C60, PART_START, 3, 2, 0);
    struct service_content c = content_of("31 04 02 42", "71 04 02 42");
    assert_false(c.is_action);
    assert_int_equal(c.kind, SERVICE_ROUTINE);
    assert_int_equal(content_of("2F 3C 50 03 AA", NULL).control_parameter, 3);
    assert_false(content_of("22 3C 50", "62 3C 50 00").is_action);
    assert_false(content_of("30 10 07", "70 10 07").is_action); /* reserved in ISO 14229 */
    assert_non_null(content_of("2F 3C 50", NULL).malformed);
    assert_false(content_of("2F 3C 50", NULL).is_action);
}

/* ISO 14230-3: FACTS 4. */
static void actions_of_iso14230(void **state)
{
    (void)state;
    spoken = DIALECT_ISO14230;
    acts("31 22 01", "71 22 05", ACTION_ROUTINE, 0x22, PART_START, 2, 1, 1);
    acts("32 22", "72 22", ACTION_ROUTINE, 0x22, PART_STOP, 2, 0, 0);
    acts("33 22", "73 22 00 01", ACTION_ROUTINE, 0x22, PART_RESULTS, 2, 0, 2);
    acts("38 12 34 56 01", "78 12 34 56", ACTION_ROUTINE_ADDRESS, 0x123456, PART_START, 4, 1, 0);
    acts("39 12 34 56", "79 12 34 56 09", ACTION_ROUTINE_ADDRESS, 0x123456, PART_STOP, 4, 0, 1);
    acts("3A 12 34 56", "7A 12 34 56 09", ACTION_ROUTINE_ADDRESS, 0x123456, PART_RESULTS, 4, 0, 1);
    acts("30 10 00", "70 10 00", ACTION_CONTROL_LOCAL, 0x10, PART_STOP, 3, 0, 0);
    acts("30 10 07 FF", "70 10 07 FE", ACTION_CONTROL_LOCAL, 0x10, PART_START, 3, 1, 1);
    acts("2F 10 11 08", "6F 10 11 08", ACTION_CONTROL, 0x1011, PART_START, 4, 0, 0);
    acts("3B 90 01 02", "7B 90", ACTION_WRITE_LOCAL, 0x90, PART_START, 2, 2, 0);
    acts("2E 10 11 01", "6E 10 11", ACTION_WRITE, 0x1011, PART_START, 3, 1, 0);
    struct service_content c = content_of("30 10 01", "70 10 01 55"); /* reportCurrentState moves nothing */
    assert_false(c.is_action);
    assert_int_equal(c.kind, SERVICE_CONTROL);
    assert_int_equal(c.control_parameter, 1);
    assert_int_equal(c.sub_function, 0);
    assert_non_null(content_of("38 12 34", NULL).malformed);
    assert_non_null(content_of("31", NULL).malformed);
    spoken = DIALECT_ISO14229;
}

/* ISO 14230-3: FACTS 4, 58 layout. */
static void services_of_iso14230(void **state)
{
    (void)state;
    spoken = DIALECT_ISO14230;
    struct service_content c = content_of("18 00 FF 00", "58 02 80 A0 60 01 33 E0");
    assert_int_equal(c.kind, SERVICE_CODES_14230);
    assert_null(c.malformed);
    assert_int_equal(c.sub_function, 0);
    assert_int_equal(c.group, 0xFF00);
    assert_false(c.is_supported);
    assert_int_equal(c.count, 2);
    assert_int_equal(c.entries_offset, 2);
    assert_true(content_of("18 01 FF 00", "58 00").is_supported);
    assert_true(content_of("18 03 80 00", "58 00").is_supported);
    assert_int_equal(content_of("18 03 80 00", "58 00").group, 0x8000);
    assert_non_null(content_of("18 00 FF 00", "58 02 80 A0 60").malformed); /* says two, lists one */
    assert_non_null(content_of("18 00 FF 00", "58 00 80 A0 60").malformed);
    assert_non_null(content_of("18 00 FF 00", "58 01 80 A0").malformed);
    assert_non_null(content_of("18 00 FF 00", "58").malformed);
    assert_non_null(content_of("18 00 FF", "58 00").malformed);
    c = content_of("14 FF 00", "54 FF 00");
    assert_int_equal(c.kind, SERVICE_CLEAR);
    assert_int_equal(c.group, 0xFF00);
    c = content_of("21 01", "61 01 AA BB");
    assert_int_equal(c.kind, SERVICE_READ_LOCAL);
    assert_int_equal(c.key, 0x01);
    assert_int_equal(c.data_offset, 2);
    assert_int_equal(c.data_length, 2);
    c = content_of("1A 90", "5A 90 31 31");
    assert_int_equal(c.kind, SERVICE_IDENTIFICATION);
    assert_int_equal(c.key, 0x90);
    c = content_of("22 10 11 01", "62 10 11 07"); /* behind the identifier: transmissionMode, no second one */
    assert_int_equal(c.kind, SERVICE_READ);
    assert_int_equal(c.identifier, 0x1011);
    assert_null(c.malformed);
    c = content_of("10 81", "50 81");
    assert_int_equal(c.sub_function, 0x81);
    assert_true(c.is_default_session);
    assert_false(content_of("10 89", "50 89").is_default_session);
    assert_true(content_of("20", "60").is_default_session);
    c = content_of("85 01 FF 00 02", "C5");
    assert_int_equal(c.kind, SERVICE_SETTING);
    assert_int_equal(c.sub_function, 2);
    assert_int_equal(content_of("", "C5").sub_function, 0); /* nobody knows which */
    assert_int_equal(content_of("3E 02", NULL).sub_function, 2);
    assert_int_equal(content_of("3E", "7E").kind, SERVICE_TESTER_PRESENT);
    c = content_of("19 02 09", "59 02 FF"); /* none of its services */
    assert_int_equal(c.kind, SERVICE_OTHER);
    assert_int_equal(c.sub_function, 0);
    spoken = DIALECT_ISO14229;
}

/* SAE J1979 09: FACTS 15. */
static void vehicle_information(void **state)
{
    (void)state;
    struct service_content c =
        content_of("09 02", "49 02 01 31 31 31 31 31 31 31 31 31 31 31 31 31 31 31 31 31");
    assert_int_equal(c.kind, SERVICE_VEHICLE_INFORMATION);
    assert_int_equal(c.sub_function, 2);
    assert_int_equal(c.data_offset, 3);
    assert_int_equal(c.data_length, 17);
    c = content_of("09 02", "49 02");
    assert_null(c.malformed);
    assert_int_equal(c.data_length, 0);
    c = content_of("", "49 02 01 31");
    assert_int_equal(c.sub_function, 2);
}

static void identifiers_made_on_the_bus(void **state)
{
    (void)state;
    struct service_content c = content_of("2C 01 F3 00 3C 40 01 02", "6C 01 F3 00");
    assert_int_equal(c.kind, SERVICE_DEFINE);
    assert_int_equal(c.sub_function, 1);
    assert_int_equal(c.identifier, 0xF300);
    c = content_of("2C 83", "6C 03");
    assert_null(c.malformed);
    assert_int_equal(c.sub_function, 3);
    assert_int_equal(c.identifier, 0);
    assert_int_equal(content_of("2C 03 F3 01", "6C 03 F3 01").identifier, 0xF301);
    c = content_of("2A 04 00", "6A");
    assert_int_equal(c.kind, SERVICE_PERIODIC);
    assert_int_equal(c.sub_function, 4);
}

static void a_request_seen_in_part_says_what_it_holds(void **state)
{
    (void)state;
    uint8_t bytes[] = {0x22, 0x3C, 0x40, 0x3C};
    struct exchange exchange = {.service = 0x22, .request_bytes = bytes, .request_kept = 4, .request_length = 9};
    struct exchange_event event = {.exchange = &exchange};
    struct service_content content;
    service_read(&event, &content);
    assert_non_null(content.malformed);
    uint8_t start[] = {0x31, 0x01, 0x02, 0x42, 0x00, 0x00};
    exchange = (struct exchange){.service = 0x31, .request_bytes = start, .request_kept = 6, .request_length = 12};
    service_read(&event, &content);
    assert_null(content.malformed);
    assert_int_equal(content.identifier, 0x0242);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sessions_and_resets),
        cmocka_unit_test(clears),
        cmocka_unit_test(codes),
        cmocka_unit_test(codes_with_rival_questions),
        cmocka_unit_test(reads_writes_and_routines),
        cmocka_unit_test(actions_of_iso14229),
        cmocka_unit_test(actions_of_iso14230),
        cmocka_unit_test(services_of_iso14230),
        cmocka_unit_test(vehicle_information),
        cmocka_unit_test(identifiers_made_on_the_bus),
        cmocka_unit_test(a_request_seen_in_part_says_what_it_holds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
