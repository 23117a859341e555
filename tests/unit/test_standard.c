/*
 * decoder/support/standard.h. Sources beside each check; rows marked so are from memory of the standard.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "standard.h"

static void services_by_name_and_number(void **state)
{
    (void)state;
    /* ISO 14229-1:2020 service names and which have a sub-function: FACTS 3.1. */
    static const struct {
        uint8_t sid;
        const char *name;
    } rows[] = {
        {0x10, "DiagnosticSessionControl"},      {0x11, "ECUReset"},
        {0x14, "ClearDiagnosticInformation"},   {0x19, "ReadDTCInformation"},
        {0x22, "ReadDataByIdentifier"},         {0x23, "ReadMemoryByAddress"},
        {0x24, "ReadScalingDataByIdentifier"},  {0x27, "SecurityAccess"},
        {0x28, "CommunicationControl"},          {0x29, "Authentication"},
        {0x2A, "ReadDataByPeriodicIdentifier"}, {0x2C, "DynamicallyDefineDataIdentifier"},
        {0x2E, "WriteDataByIdentifier"},        {0x2F, "InputOutputControlByIdentifier"},
        {0x31, "RoutineControl"},                {0x34, "RequestDownload"},
        {0x35, "RequestUpload"},                {0x36, "TransferData"},
        {0x37, "RequestTransferExit"},          {0x38, "RequestFileTransfer"},
        {0x3D, "WriteMemoryByAddress"},         {0x3E, "TesterPresent"},
        {0x83, "AccessTimingParameter"},         {0x84, "SecuredDataTransmission"},
        {0x85, "ControlDTCSetting"},             {0x86, "ResponseOnEvent"},
        {0x87, "LinkControl"},
    };
    const char *const *names;
    assert_int_equal(standard_service_names(DIALECT_ISO14229, &names), sizeof rows / sizeof *rows);
    unsigned named = 0;
    for (unsigned sid = 0; sid < 256; sid++) {
        const char *name = NULL;
        for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
            if (rows[i].sid == sid)
                name = rows[i].name;
        if (sid >= 0x01 && sid <= 0x0A) { /* OBD has its names in both dialects, and no one judges by them */
            assert_non_null(standard_service_name(DIALECT_ISO14229, (uint8_t)sid));
            assert_null(name);
            continue;
        }
        if (!name) {
            assert_null(standard_service_name(DIALECT_ISO14229, (uint8_t)sid));
            continue;
        }
        assert_string_equal(standard_service_name(DIALECT_ISO14229, (uint8_t)sid), name);
        assert_string_equal(names[named++], name);
        assert_int_equal(standard_service_by_name(DIALECT_ISO14229, name), sid);
    }
    assert_int_equal(standard_service_by_name(DIALECT_ISO14229, "ReadDataByIdentifierX"), 0);
    assert_int_equal(standard_service_by_name(DIALECT_ISO14229, ""), 0);
}

static void nrc_names(void **state)
{
    (void)state;
    /* ISO 14229-1:2020 annex A as FACTS 3.8 lists it. */
    static const struct {
        uint8_t nrc;
        const char *name;
    } rows[] = {
        {0x10, "generalReject"},
        {0x11, "serviceNotSupported"},
        {0x12, "subFunctionNotSupported"},
        {0x13, "incorrectMessageLengthOrInvalidFormat"},
        {0x14, "responseTooLong"},
        {0x21, "busyRepeatRequest"},
        {0x22, "conditionsNotCorrect"},
        {0x24, "requestSequenceError"},
        {0x25, "noResponseFromSubnetComponent"},
        {0x26, "failurePreventsExecutionOfRequestedAction"},
        {0x31, "requestOutOfRange"},
        {0x33, "securityAccessDenied"},
        {0x34, "authenticationRequired"},
        {0x35, "invalidKey"},
        {0x36, "exceedNumberOfAttempts"},
        {0x37, "requiredTimeDelayNotExpired"},
        {0x38, "secureDataTransmissionRequired"},
        {0x39, "secureDataTransmissionNotAllowed"},
        {0x3A, "secureDataVerificationFailed"},
        {0x58, "ownershipVerificationFailed"},
        {0x59, "challengeCalculationFailed"},
        {0x5A, "settingAccessRightsFailed"},
        {0x5B, "sessionKeyCreation/derivationFailed"},
        {0x5C, "configurationDataUsageFailed"},
        {0x5D, "deAuthenticationFailed"},
        {0x70, "uploadDownloadNotAccepted"},
        {0x71, "transferDataSuspended"},
        {0x72, "generalProgrammingFailure"},
        {0x73, "wrongBlockSequenceCounter"},
        {0x78, "requestCorrectlyReceived-ResponsePending"},
        {0x7E, "subFunctionNotSupportedInActiveSession"},
        {0x7F, "serviceNotSupportedInActiveSession"},
        {0x81, "rpmTooHigh"},
        {0x82, "rpmTooLow"},
        {0x83, "engineIsRunning"},
        {0x84, "engineIsNotRunning"},
        {0x85, "engineRunTimeTooLow"},
        {0x86, "temperatureTooHigh"},
        {0x87, "temperatureTooLow"},
        {0x88, "vehicleSpeedTooHigh"},
        {0x89, "vehicleSpeedTooLow"},
        {0x8A, "throttlePedalTooHigh"},
        {0x8B, "throttlePedalTooLow"},
        {0x8C, "transmissionRangeNotInNeutral"},
        {0x8D, "transmissionRangeNotInGear"},
        {0x8F, "brakeSwitchNotClosed"},
        {0x90, "shifterLeverNotInPark"},
        {0x91, "torqueConverterClutchLocked"},
        {0x92, "voltageTooHigh"},
        {0x93, "voltageTooLow"},
        {0x94, "resourceTemporarilyNotAvailable"},
    };
    size_t at = 0;
    for (unsigned nrc = 1; nrc < 256; nrc++) {
        const char *name = standard_nrc_name(DIALECT_ISO14229, (uint8_t)nrc);
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
        assert_string_equal(standard_status_bit_name(bit), bits[bit]);
    assert_null(standard_status_bit_name(8));
    /* FACTS 3.3, 3.4. */
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x31, 1), "startRoutine");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x31, 2), "stopRoutine");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x31, 3), "requestRoutineResults");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x10, 3), "extendedDiagnosticSession");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x19, 0x0A), "reportSupportedDTC");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x27, 0x5F), "requestSeed");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x27, 0x60), "sendKey");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x10, 0x40), "vehicleManufacturerSpecific");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x10, 0x7E), "systemSupplierSpecific");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14229, 0x85, 2), "off");
    assert_null(standard_sub_function_name(DIALECT_ISO14229, 0x10, 0x7F));
    assert_null(standard_sub_function_name(DIALECT_ISO14229, 0x31, 4));
    assert_null(standard_sub_function_name(DIALECT_ISO14229, 0x22, 1));
}

static void dtc_text_both_ways(void **state)
{
    (void)state;
    char text[9], expected[9];
    uint32_t code;
    bool two_byte;
    /* Published rule of ISO 15031-6 / SAE J2012, FACTS 5: bits 15-14 letter, 13-12 digit, the rest three hex digits. */
    for (unsigned number = 0; number < 65536; number++) {
        snprintf(expected, sizeof expected, "%c%u%03X",
                 number < 0x4000   ? 'P'
                 : number < 0x8000 ? 'C'
                 : number < 0xC000 ? 'B'
                                   : 'U',
                 number / 0x1000 % 4, number % 0x1000);
        standard_dtc_text(number, true, text);
        assert_string_equal(text, expected);
        assert_true(standard_parse_dtc(text, &code, &two_byte));
        assert_int_equal(code, number);
        assert_true(two_byte);
        snprintf(expected + 5, sizeof expected - 5, "-%02X", number % 251);
        standard_dtc_text(number << 8 | number % 251, false, text);
        assert_string_equal(text, expected);
        assert_true(standard_parse_dtc(text, &code, &two_byte));
        assert_int_equal(code, number << 8 | number % 251);
        assert_false(two_byte);
    }
    /* Rows of FACTS 5. */
    static const struct {
        uint32_t code;
        const char *text;
    } rows[] = {
        {0x80A009, "B00A0-09"}, {0x80A04A, "B00A0-4A"}, {0x80A063, "B00A0-63"},
        {0x80A087, "B00A0-87"}, {0xC10000, "U0100-00"}, {0x56789A, "C1678-9A"},
        {0xA5B6C7, "B25B6-C7"}, {0xFFFFFF, "U3FFF-FF"}, {0x000000, "P0000-00"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        standard_dtc_text(rows[i].code, false, text);
        assert_string_equal(text, rows[i].text);
        assert_true(standard_parse_dtc(rows[i].text, &code, &two_byte));
        assert_int_equal(code, rows[i].code);
    }
    standard_dtc_text(0x0133, true, text);
    assert_string_equal(text, "P0133");
    assert_true(standard_parse_dtc("b00a0:09", &code, &two_byte));
    assert_int_equal(code, 0x80A009);
    static const char *const wrong[] = {"",        "P",        "P013",     "P01333",    "A0133",  "P4133", "P013G",
                                        "P0133-0", "P0133+09", "P0133-0G", "P0133-099", " P0133", "P-133"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_false(standard_parse_dtc(wrong[i], &code, &two_byte));
}

static char vin_check(const char *text)
{
    return standard_vin_check((const uint8_t *)text, strlen(text));
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
    assert_true(standard_vin_well_formed((const uint8_t *)"1M8GDM9AXKP042788", 17));
    assert_false(standard_vin_well_formed((const uint8_t *)"1M8GDM9AXKP042788", 16));
    assert_false(standard_vin_well_formed((const uint8_t *)"\xff" "M8GDM9AXKP042788", 17));
    assert_false(standard_vin_well_formed(NULL, 0));
}

/* FACTS 4, which are Scapy's kwp.py and ISO 14230-3 by it: another service behind the same number. */
static void names_of_iso14230(void **state)
{
    (void)state;
    static const struct {
        uint8_t sid;
        const char *name;
    } rows[] = {
        {0x10, "StartDiagnosticSession"},       {0x18, "ReadDiagnosticTroubleCodesByStatus"},
        {0x1A, "ReadECUIdentification"},        {0x21, "ReadDataByLocalIdentifier"},
        {0x30, "InputOutputControlByLocalIdentifier"}, {0x31, "StartRoutineByLocalIdentifier"},
        {0x32, "StopRoutineByLocalIdentifier"}, {0x33, "RequestRoutineResultsByLocalIdentifier"},
        {0x38, "StartRoutineByAddress"},        {0x3B, "WriteDataByLocalIdentifier"},
        {0x14, "ClearDiagnosticInformation"},   {0x3E, "TesterPresent"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_string_equal(standard_service_name(DIALECT_ISO14230, rows[i].sid), rows[i].name);
        assert_int_equal(standard_service_by_name(DIALECT_ISO14230, rows[i].name), rows[i].sid);
    }
    assert_null(standard_service_name(DIALECT_ISO14230, 0x19));
    assert_null(standard_service_name(DIALECT_ISO14229, 0x21));
    assert_int_equal(standard_service_by_name(DIALECT_ISO14230, "RoutineControl"), 0);
    const char *const *names;
    size_t count = standard_service_names(DIALECT_ISO14230, &names);
    for (size_t i = 0; i < count; i++)
        assert_string_equal(standard_service_name(DIALECT_ISO14230, standard_service_by_name(DIALECT_ISO14230, names[i])),
                            names[i]);
    assert_string_equal(standard_nrc_name(DIALECT_ISO14230, 0x23), "routineNotComplete");
    assert_string_equal(standard_nrc_name(DIALECT_ISO14230, 0x80), "serviceNotSupportedInActiveDiagnosticMode");
    assert_string_equal(standard_nrc_name(DIALECT_ISO14230, 0x7E), "reserved");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14230, 0x10, 0x81), "defaultSession");
    assert_string_equal(standard_sub_function_name(DIALECT_ISO14230, 0x3E, 0x02), "noResponse");
    assert_null(standard_sub_function_name(DIALECT_ISO14230, 0x31, 0x01));
}

/* FACTS 3.5 and 3.6. */
static void identifiers_and_routines(void **state)
{
    (void)state;
    assert_string_equal(standard_identifier_name(0xF190), "VIN");
    assert_string_equal(standard_identifier_name(0xF18C), "ECUSerialNumber");
    assert_string_equal(standard_identifier_name(0xF19B), "calibrationDate");
    assert_null(standard_identifier_name(0x3C40));
    assert_string_equal(standard_routine_name(0xE200), "executeSPL");
    assert_string_equal(standard_routine_name(0xE201), "deployLoopRoutineID");
    assert_null(standard_routine_name(0x0242));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(services_by_name_and_number),
        cmocka_unit_test(nrc_names),
        cmocka_unit_test(sub_function_and_status_names),
        cmocka_unit_test(dtc_text_both_ways),
        cmocka_unit_test(vin_check_characters),
        cmocka_unit_test(names_of_iso14230),
        cmocka_unit_test(identifiers_and_routines),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
