/*
 * Names of ISO 14229-1:2020 and the small codes beside it: trouble code text (ISO 15031-6, SAE J2012) and the vehicle
 * identification number (ISO 3779, 49 CFR 565.15). Tables only; docs/services.md says which rows were seen in a text and
 * which are from memory.
 */
#include "service.h"

#include <string.h>

struct service_row {
    uint8_t sid;
    const char *name;
};

static const struct service_row services[] = {
    {0x10, "DiagnosticSessionControl"},       {0x11, "ECUReset"},
    {0x14, "ClearDiagnosticInformation"},     {0x19, "ReadDTCInformation"},
    {0x22, "ReadDataByIdentifier"},           {0x23, "ReadMemoryByAddress"},
    {0x24, "ReadScalingDataByIdentifier"},    {0x27, "SecurityAccess"},
    {0x28, "CommunicationControl"},           {0x29, "Authentication"},
    {0x2A, "ReadDataByPeriodicIdentifier"},   {0x2C, "DynamicallyDefineDataIdentifier"},
    {0x2E, "WriteDataByIdentifier"},          {0x2F, "InputOutputControlByIdentifier"},
    {0x31, "RoutineControl"},                 {0x34, "RequestDownload"},
    {0x35, "RequestUpload"},                  {0x36, "TransferData"},
    {0x37, "RequestTransferExit"},            {0x38, "RequestFileTransfer"},
    {0x3D, "WriteMemoryByAddress"},           {0x3E, "TesterPresent"},
    {0x83, "AccessTimingParameter"},          {0x84, "SecuredDataTransmission"},
    {0x85, "ControlDTCSetting"},              {0x86, "ResponseOnEvent"},
    {0x87, "LinkControl"},
};
#define SERVICE_COUNT (sizeof services / sizeof *services)

const char *service_name(uint8_t sid)
{
    for (size_t i = 0; i < SERVICE_COUNT; i++)
        if (services[i].sid == sid)
            return services[i].name;
    return NULL;
}

uint8_t service_by_name(const char *name)
{
    for (size_t i = 0; i < SERVICE_COUNT; i++)
        if (strcmp(services[i].name, name) == 0)
            return services[i].sid;
    return 0;
}

size_t service_names(const char *const **names)
{
    static const char *list[SERVICE_COUNT];
    for (size_t i = 0; i < SERVICE_COUNT; i++)
        list[i] = services[i].name;
    *names = list;
    return SERVICE_COUNT;
}

bool service_has_sub_function(uint8_t sid)
{
    return exchange_has_sub_function(sid);
}

const char *service_nrc_name(uint8_t nrc)
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

static const struct sub_function_row {
    uint8_t sid, sub_function;
    const char *name;
} sub_functions[] = {
    {0x10, 0x01, "defaultSession"},
    {0x10, 0x02, "programmingSession"},
    {0x10, 0x03, "extendedDiagnosticSession"},
    {0x10, 0x04, "safetySystemDiagnosticSession"},
    {0x11, 0x01, "hardReset"},
    {0x11, 0x02, "keyOffOnReset"},
    {0x11, 0x03, "softReset"},
    {0x11, 0x04, "enableRapidPowerShutDown"},
    {0x11, 0x05, "disableRapidPowerShutDown"},
    {0x19, 0x01, "reportNumberOfDTCByStatusMask"},
    {0x19, 0x02, "reportDTCByStatusMask"},
    {0x19, 0x03, "reportDTCSnapshotIdentification"},
    {0x19, 0x04, "reportDTCSnapshotRecordByDTCNumber"},
    {0x19, 0x05, "reportDTCStoredDataByRecordNumber"},
    {0x19, 0x06, "reportDTCExtDataRecordByDTCNumber"},
    {0x19, 0x07, "reportNumberOfDTCBySeverityMaskRecord"},
    {0x19, 0x08, "reportDTCBySeverityMaskRecord"},
    {0x19, 0x09, "reportSeverityInformationOfDTC"},
    {0x19, 0x0A, "reportSupportedDTC"},
    {0x19, 0x0B, "reportFirstTestFailedDTC"},
    {0x19, 0x0C, "reportFirstConfirmedDTC"},
    {0x19, 0x0D, "reportMostRecentTestFailedDTC"},
    {0x19, 0x0E, "reportMostRecentConfirmedDTC"},
    {0x19, 0x0F, "reportMirrorMemoryDTCByStatusMask"},
    {0x19, 0x10, "reportMirrorMemoryDTCExtDataRecordByDTCNumber"},
    {0x19, 0x11, "reportNumberOfMirrorMemoryDTCByStatusMask"},
    {0x19, 0x12, "reportNumberOfEmissionsOBDDTCByStatusMask"},
    {0x19, 0x13, "reportEmissionsOBDDTCByStatusMask"},
    {0x19, 0x14, "reportDTCFaultDetectionCounter"},
    {0x19, 0x15, "reportDTCWithPermanentStatus"},
    {0x19, 0x16, "reportDTCExtDataRecordByRecordNumber"},
    {0x19, 0x17, "reportUserDefMemoryDTCByStatusMask"},
    {0x19, 0x18, "reportUserDefMemoryDTCSnapshotRecordByDTCNumber"},
    {0x19, 0x19, "reportUserDefMemoryDTCExtDataRecordByDTCNumber"},
    {0x19, 0x1A, "reportSupportedDTCExtDataRecord"},
    {0x19, 0x42, "reportWWHOBDDTCByMaskRecord"},
    {0x19, 0x55, "reportWWHOBDDTCWithPermanentStatus"},
    {0x19, 0x56, "reportDTCInformationByDTCReadinessGroupIdentifier"},
    {0x28, 0x00, "enableRxAndTx"},
    {0x28, 0x01, "enableRxAndDisableTx"},
    {0x28, 0x02, "disableRxAndEnableTx"},
    {0x28, 0x03, "disableRxAndTx"},
    {0x28, 0x04, "enableRxAndDisableTxWithEnhancedAddressInformation"},
    {0x28, 0x05, "enableRxAndTxWithEnhancedAddressInformation"},
    {0x29, 0x00, "deAuthenticate"},
    {0x29, 0x01, "verifyCertificateUnidirectional"},
    {0x29, 0x02, "verifyCertificateBidirectional"},
    {0x29, 0x03, "proofOfOwnership"},
    {0x29, 0x04, "transmitCertificate"},
    {0x29, 0x05, "requestChallengeForAuthentication"},
    {0x29, 0x06, "verifyProofOfOwnershipUnidirectional"},
    {0x29, 0x07, "verifyProofOfOwnershipBidirectional"},
    {0x29, 0x08, "authenticationConfiguration"},
    {0x2C, 0x01, "defineByIdentifier"},
    {0x2C, 0x02, "defineByMemoryAddress"},
    {0x2C, 0x03, "clearDynamicallyDefinedDataIdentifier"},
    {0x31, 0x01, "startRoutine"},
    {0x31, 0x02, "stopRoutine"},
    {0x31, 0x03, "requestRoutineResults"},
    {0x3E, 0x00, "zeroSubFunction"},
    {0x83, 0x01, "readExtendedTimingParameterSet"},
    {0x83, 0x02, "setTimingParametersToDefaultValues"},
    {0x83, 0x03, "readCurrentlyActiveTimingParameters"},
    {0x83, 0x04, "setTimingParametersToGivenValues"},
    {0x85, 0x01, "on"},
    {0x85, 0x02, "off"},
    {0x86, 0x00, "stopResponseOnEvent"},
    {0x86, 0x01, "onDTCStatusChange"},
    {0x86, 0x02, "onTimerInterrupt"},
    {0x86, 0x03, "onChangeOfDataIdentifier"},
    {0x86, 0x04, "reportActivatedEvents"},
    {0x86, 0x05, "startResponseOnEvent"},
    {0x86, 0x06, "clearResponseOnEvent"},
    {0x86, 0x07, "onComparisonOfValues"},
    {0x86, 0x08, "reportMostRecentDtcOnStatusChange"},
    {0x86, 0x09, "reportDTCRecordInformationOnDtcStatusChange"},
    {0x87, 0x01, "verifyModeTransitionWithFixedParameter"},
    {0x87, 0x02, "verifyModeTransitionWithSpecificParameter"},
    {0x87, 0x03, "transitionMode"},
};

const char *service_sub_function_name(uint8_t sid, uint8_t sub_function)
{
    for (size_t i = 0; i < sizeof sub_functions / sizeof *sub_functions; i++)
        if (sub_functions[i].sid == sid && sub_functions[i].sub_function == sub_function)
            return sub_functions[i].name;
    if (sid == 0x27 && sub_function >= 0x01 && sub_function <= 0x7E) /* odd asks, the even one behind it answers */
        return sub_function & 1 ? "requestSeed" : "sendKey";
    if (sid == 0x10 || sid == 0x11 || sid == 0x28 || sid == 0x85 || sid == 0x87) {
        if (sub_function >= 0x40 && sub_function <= 0x5F)
            return "vehicleManufacturerSpecific";
        if (sub_function >= 0x60 && sub_function <= 0x7E)
            return "systemSupplierSpecific";
    }
    return NULL;
}

const char *service_status_bit_name(unsigned bit)
{
    static const char *const names[8] = {
        "testFailed", "testFailedThisOperationCycle", "pendingDTC", "confirmedDTC", "testNotCompletedSinceLastClear",
        "testFailedSinceLastClear", "testNotCompletedThisOperationCycle", "warningIndicatorRequested",
    };
    return bit < 8 ? names[bit] : NULL;
}

/* Two highest bits: letter; next two: digit; then hex digits. */
void service_dtc_text(uint32_t dtc, bool two_byte, char out[9])
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
    return c >= '0' && c <= '9' ? c - '0' : c >= 'A' && c <= 'F' ? c - 'A' + 10 : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

bool service_parse_dtc(const char *text, uint32_t *dtc, bool *two_byte)
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

bool service_vin_well_formed(const uint8_t *text, size_t length)
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

char service_vin_check(const uint8_t *text, size_t length)
{
    static const uint8_t weights[17] = {8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2};
    if (!service_vin_well_formed(text, length))
        return 0;
    unsigned sum = 0;
    for (size_t i = 0; i < 17; i++)
        sum += weights[i] * (unsigned)(text[i] <= '9' ? text[i] - '0' : vin_letter[text[i] - 'A']);
    return "0123456789X"[sum % 11];
}
