/*
 * decoder/stages/service.h. Sources beside each check; "FACTS" rows marked M there are from memory of the standard.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "service.h"
#include "support_message.h"

static void services_by_name_and_number(void **state)
{
    (void)state;
    /* ISO 14229-1:2020 service names and which have a sub-function: FACTS 3.1. */
    static const struct {
        uint8_t sid;
        const char *name;
        bool sub_function;
    } rows[] = {
        {0x10, "DiagnosticSessionControl", true},      {0x11, "ECUReset", true},
        {0x14, "ClearDiagnosticInformation", false},   {0x19, "ReadDTCInformation", true},
        {0x22, "ReadDataByIdentifier", false},         {0x23, "ReadMemoryByAddress", false},
        {0x24, "ReadScalingDataByIdentifier", false},  {0x27, "SecurityAccess", true},
        {0x28, "CommunicationControl", true},          {0x29, "Authentication", true},
        {0x2A, "ReadDataByPeriodicIdentifier", false}, {0x2C, "DynamicallyDefineDataIdentifier", true},
        {0x2E, "WriteDataByIdentifier", false},        {0x2F, "InputOutputControlByIdentifier", false},
        {0x31, "RoutineControl", true},                {0x34, "RequestDownload", false},
        {0x35, "RequestUpload", false},                {0x36, "TransferData", false},
        {0x37, "RequestTransferExit", false},          {0x38, "RequestFileTransfer", false},
        {0x3D, "WriteMemoryByAddress", false},         {0x3E, "TesterPresent", true},
        {0x83, "AccessTimingParameter", true},         {0x84, "SecuredDataTransmission", false},
        {0x85, "ControlDTCSetting", true},             {0x86, "ResponseOnEvent", true},
        {0x87, "LinkControl", true},
    };
    const char *const *names;
    assert_int_equal(service_names(&names), sizeof rows / sizeof *rows);
    unsigned named = 0;
    for (unsigned sid = 0; sid < 256; sid++) {
        const char *name = NULL;
        bool sub_function = false;
        for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
            if (rows[i].sid == sid) {
                name = rows[i].name;
                sub_function = rows[i].sub_function;
            }
        assert_int_equal(service_has_sub_function((uint8_t)sid), sub_function);
        if (!name) {
            assert_null(service_name((uint8_t)sid));
            continue;
        }
        assert_string_equal(service_name((uint8_t)sid), name);
        assert_string_equal(names[named++], name);
        assert_int_equal(service_by_name(name), sid);
    }
    assert_int_equal(service_by_name("ReadDataByIdentifierX"), 0);
    assert_int_equal(service_by_name(""), 0);
}

static void nrc_names(void **state)
{
    (void)state;
    /* ISO 14229-1:2020 annex A as FACTS 3.8 lists it. */
    static const struct {
        uint8_t nrc;
        const char *name;
    } rows[] = {
        {0x10, "generalReject"}, {0x11, "serviceNotSupported"}, {0x12, "subFunctionNotSupported"},
        {0x13, "incorrectMessageLengthOrInvalidFormat"}, {0x14, "responseTooLong"}, {0x21, "busyRepeatRequest"},
        {0x22, "conditionsNotCorrect"}, {0x24, "requestSequenceError"}, {0x25, "noResponseFromSubnetComponent"},
        {0x26, "failurePreventsExecutionOfRequestedAction"}, {0x31, "requestOutOfRange"}, {0x33, "securityAccessDenied"},
        {0x34, "authenticationRequired"}, {0x35, "invalidKey"}, {0x36, "exceedNumberOfAttempts"},
        {0x37, "requiredTimeDelayNotExpired"}, {0x38, "secureDataTransmissionRequired"},
        {0x39, "secureDataTransmissionNotAllowed"}, {0x3A, "secureDataVerificationFailed"},
        {0x58, "ownershipVerificationFailed"}, {0x59, "challengeCalculationFailed"}, {0x5A, "settingAccessRightsFailed"},
        {0x5B, "sessionKeyCreation/derivationFailed"}, {0x5C, "configurationDataUsageFailed"}, {0x5D, "deAuthenticationFailed"},
        {0x70, "uploadDownloadNotAccepted"}, {0x71, "transferDataSuspended"}, {0x72, "generalProgrammingFailure"},
        {0x73, "wrongBlockSequenceCounter"}, {0x78, "requestCorrectlyReceived-ResponsePending"},
        {0x7E, "subFunctionNotSupportedInActiveSession"}, {0x7F, "serviceNotSupportedInActiveSession"},
        {0x81, "rpmTooHigh"}, {0x82, "rpmTooLow"}, {0x83, "engineIsRunning"}, {0x84, "engineIsNotRunning"},
        {0x85, "engineRunTimeTooLow"}, {0x86, "temperatureTooHigh"}, {0x87, "temperatureTooLow"},
        {0x88, "vehicleSpeedTooHigh"}, {0x89, "vehicleSpeedTooLow"}, {0x8A, "throttlePedalTooHigh"},
        {0x8B, "throttlePedalTooLow"}, {0x8C, "transmissionRangeNotInNeutral"}, {0x8D, "transmissionRangeNotInGear"},
        {0x8F, "brakeSwitchNotClosed"}, {0x90, "shifterLeverNotInPark"}, {0x91, "torqueConverterClutchLocked"},
        {0x92, "voltageTooHigh"}, {0x93, "voltageTooLow"}, {0x94, "resourceTemporarilyNotAvailable"},
    };
    size_t at = 0;
    for (unsigned nrc = 1; nrc < 256; nrc++) {
        const char *name = service_nrc_name((uint8_t)nrc);
        assert_non_null(name);
        if (at < sizeof rows / sizeof *rows && rows[at].nrc == nrc)
            assert_string_equal(name, rows[at++].name);
        else if (nrc >= 0x50 && nrc <= 0x57)
            assert_memory_equal(name, "certificateVerificationFailed", 29);
        else if (nrc >= 0x95 && nrc <= 0xEF)
            assert_string_equal(name, "reservedForSpecificConditionsNotCorrect");
        else if (nrc >= 0xF0 && nrc <= 0xFE)
            assert_string_equal(name, "vehicleManufacturerSpecificConditionsNotCorrect");
        else /* 01-0F,15-20,23,27-30,32,3B-4F,5E-6F,74-77,79-7D,80,8E,FF */
            assert_string_equal(name, "ISOSAEReserved");
    }
    assert_int_equal(at, sizeof rows / sizeof *rows);
}

static void sub_function_and_status_names(void **state)
{
    (void)state;
    /* ISO 14229-1:2020 D.2: FACTS 3.4, status bits 0..7. */
    static const char *const bits[] = {
        "testFailed", "testFailedThisOperationCycle", "pendingDTC", "confirmedDTC", "testNotCompletedSinceLastClear",
        "testFailedSinceLastClear", "testNotCompletedThisOperationCycle", "warningIndicatorRequested",
    };
    for (unsigned bit = 0; bit < 8; bit++)
        assert_string_equal(service_status_bit_name(bit), bits[bit]);
    assert_null(service_status_bit_name(8));
    /* FACTS 3.3, 3.4. */
    assert_string_equal(service_sub_function_name(0x31, 1), "startRoutine");
    assert_string_equal(service_sub_function_name(0x31, 2), "stopRoutine");
    assert_string_equal(service_sub_function_name(0x31, 3), "requestRoutineResults");
    assert_string_equal(service_sub_function_name(0x10, 3), "extendedDiagnosticSession");
    assert_string_equal(service_sub_function_name(0x19, 0x0A), "reportSupportedDTC");
    assert_string_equal(service_sub_function_name(0x27, 0x5F), "requestSeed");
    assert_string_equal(service_sub_function_name(0x27, 0x60), "sendKey");
    assert_string_equal(service_sub_function_name(0x10, 0x40), "vehicleManufacturerSpecific");
    assert_string_equal(service_sub_function_name(0x10, 0x7E), "systemSupplierSpecific");
    assert_string_equal(service_sub_function_name(0x85, 2), "off");
    assert_null(service_sub_function_name(0x10, 0x7F));
    assert_null(service_sub_function_name(0x31, 4));
    assert_null(service_sub_function_name(0x22, 1));
}

static void dtc_text_both_ways(void **state)
{
    (void)state;
    char text[9], expected[9];
    uint32_t code;
    bool two_byte;
    /* Published rule of ISO 15031-6 / SAE J2012, FACTS 5: bits 15-14 letter, 13-12 digit, the rest three hex digits. */
    for (unsigned number = 0; number < 65536; number++) {
        snprintf(expected, sizeof expected, "%c%u%03X", number < 0x4000 ? 'P' : number < 0x8000 ? 'C' : number < 0xC000 ? 'B' : 'U',
                 number / 0x1000 % 4, number % 0x1000);
        service_dtc_text(number, true, text);
        assert_string_equal(text, expected);
        assert_true(service_parse_dtc(text, &code, &two_byte));
        assert_int_equal(code, number);
        assert_true(two_byte);
        snprintf(expected + 5, sizeof expected - 5, "-%02X", number % 251);
        service_dtc_text(number << 8 | number % 251, false, text);
        assert_string_equal(text, expected);
        assert_true(service_parse_dtc(text, &code, &two_byte));
        assert_int_equal(code, number << 8 | number % 251);
        assert_false(two_byte);
    }
    /* Rows of FACTS 5. */
    static const struct {
        uint32_t code;
        const char *text;
    } rows[] = {
        {0x80A009, "B00A0-09"}, {0x80A04A, "B00A0-4A"}, {0x80A063, "B00A0-63"}, {0x80A087, "B00A0-87"}, {0xC10000, "U0100-00"},
        {0x56789A, "C1678-9A"}, {0xA5B6C7, "B25B6-C7"}, {0xFFFFFF, "U3FFF-FF"}, {0x000000, "P0000-00"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        service_dtc_text(rows[i].code, false, text);
        assert_string_equal(text, rows[i].text);
        assert_true(service_parse_dtc(rows[i].text, &code, &two_byte));
        assert_int_equal(code, rows[i].code);
    }
    service_dtc_text(0x0133, true, text);
    assert_string_equal(text, "P0133");
    assert_true(service_parse_dtc("b00a0:09", &code, &two_byte));
    assert_int_equal(code, 0x80A009);
    static const char *const wrong[] = {"", "P", "P013", "P01333", "A0133", "P4133", "P013G", "P0133-0", "P0133+09", "P0133-0G",
                                        "P0133-099", " P0133", "P-133"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_false(service_parse_dtc(wrong[i], &code, &two_byte));
}

static char vin_check(const char *text)
{
    return service_vin_check((const uint8_t *)text, strlen(text));
}

static void vin_check_characters(void **state)
{
    (void)state;
    /* FACTS 6: public worked example; code test; 49 CFR 565.15(c) table V; NHTSA guide. */
    assert_int_equal(vin_check("1M8GDM9AXKP042788"), 'X');
    assert_int_equal(vin_check("11111111111111111"), '1');
    assert_int_equal(vin_check("1G4AH59H45G118341"), '4');
    assert_int_equal(vin_check("1J9RP1A36A1644345"), '6');
    assert_int_equal(vin_check("1G4AH59H45G118342"), '6'); /* last digit one more: weight 2, so two more */
    /* ISO 3779: no I, O, Q; 17 characters. */
    assert_int_equal(vin_check("1M8GDM9AXKP04278"), 0);
    assert_int_equal(vin_check("1M8GDM9AXKP0427888"), 0);
    assert_int_equal(vin_check("IM8GDM9AXKP042788"), 0);
    assert_int_equal(vin_check("1M8GDM9AXKPO42788"), 0);
    assert_int_equal(vin_check("1Q8GDM9AXKP042788"), 0);
    assert_int_equal(vin_check("1m8GDM9AXKP042788"), 0);
    assert_int_equal(vin_check("1M8GDM9A KP042788"), 0);
    assert_true(service_vin_well_formed((const uint8_t *)"1M8GDM9AXKP042788", 17));
    assert_false(service_vin_well_formed((const uint8_t *)"1M8GDM9AXKP042788", 16));
    assert_false(service_vin_well_formed((const uint8_t *)"\xff" "M8GDM9AXKP042788", 17));
    assert_false(service_vin_well_formed(NULL, 0));
}

/* One exchange as the exchange stage hands it over; answer NULL: only its request. request "": unsolicited. */
static struct service_content content_with(const char *request, const char *answer, const char *rival_1, const char *rival_2)
{
    static uint8_t request_bytes[64], answer_bytes[64], rival_bytes[2][64];
    static struct exchange exchange, rivals[2];
    static struct message message;
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange};
    uint32_t length = test_hex(request, request_bytes, sizeof request_bytes);
    exchange = (struct exchange){.service = request_bytes[0], .request_bytes = length ? request_bytes : NULL,
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
    struct service_content c = content_of("10 03", "50 03 00 32 01 F4"); /* FACTS 3.7: 50 ms and 5000 ms, in 1 and 10 ms */
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
        cmocka_unit_test(services_by_name_and_number),
        cmocka_unit_test(nrc_names),
        cmocka_unit_test(sub_function_and_status_names),
        cmocka_unit_test(dtc_text_both_ways),
        cmocka_unit_test(vin_check_characters),
        cmocka_unit_test(sessions_and_resets),
        cmocka_unit_test(clears),
        cmocka_unit_test(codes),
        cmocka_unit_test(codes_with_rival_questions),
        cmocka_unit_test(reads_writes_and_routines),
        cmocka_unit_test(a_request_seen_in_part_says_what_it_holds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
