/* Trouble code text, status bits, vehicle identification numbers, negative response codes (standard.h). */
#include "standard.h"

#include <string.h>

/* ISO 14229-1:2020 annex A; ISO 14230-3 has its own meanings for some numbers and lacks others. */
static const char *nrc_14229(uint8_t nrc)
{
    static const char *const names[256] = {
        [0x00] = "positiveResponse",
        [0x10] = "generalReject",
        [0x11] = "serviceNotSupported",
        [0x12] = "subFunctionNotSupported",
        [0x13] = "incorrectMessageLengthOrInvalidFormat",
        [0x14] = "responseTooLong",
        [0x21] = "busyRepeatRequest",
        [0x22] = "conditionsNotCorrect",
        [0x24] = "requestSequenceError",
        [0x25] = "noResponseFromSubnetComponent",
        [0x26] = "failurePreventsExecutionOfRequestedAction",
        [0x31] = "requestOutOfRange",
        [0x33] = "securityAccessDenied",
        [0x34] = "authenticationRequired",
        [0x35] = "invalidKey",
        [0x36] = "exceedNumberOfAttempts",
        [0x37] = "requiredTimeDelayNotExpired",
        [0x38] = "secureDataTransmissionRequired",
        [0x39] = "secureDataTransmissionNotAllowed",
        [0x3A] = "secureDataVerificationFailed",
        [0x50] = "certificateVerificationFailed-InvalidTimePeriod",
        [0x51] = "certificateVerificationFailed-InvalidSignature",
        [0x52] = "certificateVerificationFailed-InvalidChainOfTrust",
        [0x53] = "certificateVerificationFailed-InvalidType",
        [0x54] = "certificateVerificationFailed-InvalidFormat",
        [0x55] = "certificateVerificationFailed-InvalidContent",
        [0x56] = "certificateVerificationFailed-InvalidScope",
        [0x57] = "certificateVerificationFailed-InvalidCertificate", /* revoked */
        [0x58] = "ownershipVerificationFailed",
        [0x59] = "challengeCalculationFailed",
        [0x5A] = "settingAccessRightsFailed",
        [0x5B] = "sessionKeyCreation/derivationFailed",
        [0x5C] = "configurationDataUsageFailed",
        [0x5D] = "deAuthenticationFailed",
        [0x70] = "uploadDownloadNotAccepted",
        [0x71] = "transferDataSuspended",
        [0x72] = "generalProgrammingFailure",
        [0x73] = "wrongBlockSequenceCounter",
        [0x78] = "requestCorrectlyReceived-ResponsePending",
        [0x7E] = "subFunctionNotSupportedInActiveSession",
        [0x7F] = "serviceNotSupportedInActiveSession",
        [0x81] = "rpmTooHigh",
        [0x82] = "rpmTooLow",
        [0x83] = "engineIsRunning",
        [0x84] = "engineIsNotRunning",
        [0x85] = "engineRunTimeTooLow",
        [0x86] = "temperatureTooHigh",
        [0x87] = "temperatureTooLow",
        [0x88] = "vehicleSpeedTooHigh",
        [0x89] = "vehicleSpeedTooLow",
        [0x8A] = "throttlePedalTooHigh",
        [0x8B] = "throttlePedalTooLow",
        [0x8C] = "transmissionRangeNotInNeutral",
        [0x8D] = "transmissionRangeNotInGear",
        [0x8F] = "brakeSwitchNotClosed",
        [0x90] = "shifterLeverNotInPark",
        [0x91] = "torqueConverterClutchLocked",
        [0x92] = "voltageTooHigh",
        [0x93] = "voltageTooLow",
        [0x94] = "resourceTemporarilyNotAvailable",
    };
    if (names[nrc])
        return names[nrc];
    if (nrc >= 0x95 && nrc <= 0xEF)
        return "reservedForSpecificConditionsNotCorrect";
    if (nrc >= 0xF0 && nrc <= 0xFE)
        return "vehicleManufacturerSpecificConditionsNotCorrect";
    return "ISOSAEReserved";
}

static const char *nrc_14230(uint8_t nrc)
{
    switch (nrc) {
    case 0x00: return "positiveResponse";
    case 0x10: return "generalReject";
    case 0x11: return "serviceNotSupported";
    case 0x12: return "subFunctionNotSupported-invalidFormat";
    case 0x21: return "busy-RepeatRequest";
    case 0x22: return "conditionsNotCorrectOrRequestSequenceError";
    case 0x23: return "routineNotComplete";
    case 0x31: return "requestOutOfRange";
    case 0x33: return "securityAccessDenied-securityAccessRequested";
    case 0x35: return "invalidKey";
    case 0x36: return "exceedNumberOfAttempts";
    case 0x37: return "requiredTimeDelayNotExpired";
    case 0x40: return "downloadNotAccepted";
    case 0x50: return "uploadNotAccepted";
    case 0x71: return "transferSuspended";
    case 0x78: return "reqCorrectlyRcvd-RspPending";
    case 0x80: return "serviceNotSupportedInActiveDiagnosticMode";
    case 0x9A: return "dataDecompressionFailed";
    case 0x9B: return "dataDecryptionFailed";
    case 0xA0: return "ecuNotResponding";
    case 0xA1: return "ecuAddressUnknown";
    default: return "reserved";
    }
}

const char *standard_nrc_name(enum dialect dialect, uint8_t nrc)
{
    return dialect == DIALECT_ISO14230 ? nrc_14230(nrc) : nrc_14229(nrc);
}

const char *standard_status_bit_name(unsigned bit)
{
    static const char *const names[8] = {
        "testFailed", "testFailedThisOperationCycle", "pendingDTC", "confirmedDTC", "testNotCompletedSinceLastClear",
        "testFailedSinceLastClear", "testNotCompletedThisOperationCycle", "warningIndicatorRequested",
    };
    return bit < 8 ? names[bit] : NULL;
}

/* Two highest bits: letter; next two: digit; then hex digits. */
void standard_dtc_text(uint32_t dtc, bool two_byte, char out[9])
{
    static const char hex[] = "0123456789ABCDEF";
    uint32_t code = two_byte ? dtc & 0xFFFF : dtc >> 8 & 0xFFFF;
    out[0] = "PCBU"[code >> 14];
    out[1] = hex[code >> 12 & 3];
    out[2] = hex[code >> 8 & 15];
    out[3] = hex[code >> 4 & 15];
    out[4] = hex[code & 15];
    out[5] = '\0';
    if (!two_byte) {
        out[5] = '-';
        out[6] = hex[dtc >> 4 & 15];
        out[7] = hex[dtc & 15];
        out[8] = '\0';
    }
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

bool standard_parse_dtc(const char *text, uint32_t *dtc, bool *two_byte)
{
    static const char letters[] = "PCBUpcbu";
    size_t length = strlen(text);
    if (length != 5 && length != 8)
        return false;
    const char *letter = strchr(letters, text[0]);
    if (!letter || text[1] < '0' || text[1] > '3' || (length == 8 && text[5] != '-' && text[5] != ':'))
        return false;
    uint32_t code = (uint32_t)(letter - letters) % 4 << 2 | (uint32_t)(text[1] - '0');
    for (size_t i = 2; i < length; i++) {
        if (i == 5)
            continue;
        int digit = hex_digit(text[i]);
        if (digit < 0)
            return false;
        code = code << 4 | (uint32_t)digit;
    }
    *dtc = code;
    *two_byte = length == 5;
    return true;
}

/* 49 CFR 565.15(c) table III: A to Z; 0 for I, O and Q, which no vehicle identification number has. */
static const uint8_t vin_letter[26] = {1, 2, 3, 4, 5, 6, 7, 8, 0, 1, 2, 3, 4, 5, 0, 7, 0, 9, 2, 3, 4, 5, 6, 7, 8, 9};

bool standard_vin_well_formed(const uint8_t *text, size_t length)
{
    if (length != 17)
        return false;
    for (size_t i = 0; i < length; i++) {
        bool digit = text[i] >= '0' && text[i] <= '9';
        bool letter = text[i] >= 'A' && text[i] <= 'Z' && vin_letter[text[i] - 'A'] != 0;
        if (!digit && !letter)
            return false;
    }
    return true;
}

char standard_vin_check(const uint8_t *text, size_t length)
{
    static const uint8_t weights[17] = {8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2};
    if (!standard_vin_well_formed(text, length))
        return 0;
    unsigned sum = 0;
    for (size_t i = 0; i < 17; i++)
        sum += weights[i] * (unsigned)(text[i] <= '9' ? text[i] - '0' : vin_letter[text[i] - 'A']);
    return "0123456789X"[sum % 11];
}
