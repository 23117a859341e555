/* Names of services, sub-functions, identifiers and routines (standard.h). Tables only. */
#include "standard.h"

#include <string.h>

struct service_row {
    uint8_t sid;
    const char *name;
};

/* ISO 14229-1:2020 table 2; 83 is of the edition of 2013. */
static const struct service_row services_14229[] = {
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

/* ISO 14230-3, as an implementation of it lists them; 13, 20, 26, 32 by address, 81 to 83 from memory. */
static const struct service_row services_14230[] = {
    {0x10, "StartDiagnosticSession"},          {0x11, "ECUReset"},
    {0x12, "ReadFreezeFrameData"},             {0x13, "ReadDiagnosticTroubleCodes"},
    {0x14, "ClearDiagnosticInformation"},      {0x17, "ReadStatusOfDiagnosticTroubleCodes"},
    {0x18, "ReadDiagnosticTroubleCodesByStatus"}, {0x1A, "ReadECUIdentification"},
    {0x20, "StopDiagnosticSession"},           {0x21, "ReadDataByLocalIdentifier"},
    {0x22, "ReadDataByCommonIdentifier"},      {0x23, "ReadMemoryByAddress"},
    {0x26, "SetDataRates"},                    {0x27, "SecurityAccess"},
    {0x28, "DisableNormalMessageTransmission"}, {0x29, "EnableNormalMessageTransmission"},
    {0x2C, "DynamicallyDefineLocalIdentifier"}, {0x2E, "WriteDataByCommonIdentifier"},
    {0x2F, "InputOutputControlByCommonIdentifier"}, {0x30, "InputOutputControlByLocalIdentifier"},
    {0x31, "StartRoutineByLocalIdentifier"},   {0x32, "StopRoutineByLocalIdentifier"},
    {0x33, "RequestRoutineResultsByLocalIdentifier"}, {0x34, "RequestDownload"},
    {0x35, "RequestUpload"},                   {0x36, "TransferData"},
    {0x37, "RequestTransferExit"},             {0x38, "StartRoutineByAddress"},
    {0x39, "StopRoutineByAddress"},            {0x3A, "RequestRoutineResultsByAddress"},
    {0x3B, "WriteDataByLocalIdentifier"},      {0x3D, "WriteMemoryByAddress"},
    {0x3E, "TesterPresent"},                   {0x81, "StartCommunication"},
    {0x82, "StopCommunication"},               {0x83, "AccessTimingParameter"},
    {0x85, "ControlDTCSetting"},               {0x86, "ResponseOnEvent"},
};

/* SAE J1979 / ISO 15031-5 (names from memory). */
static const struct service_row services_obd[] = {
    {0x01, "RequestCurrentPowertrainDiagnosticData"}, {0x02, "RequestPowertrainFreezeFrameData"},
    {0x03, "RequestEmissionRelatedDiagnosticTroubleCodes"}, {0x04, "ClearEmissionRelatedDiagnosticInformation"},
    {0x05, "RequestOxygenSensorMonitoringTestResults"}, {0x06, "RequestOnBoardMonitoringTestResults"},
    {0x07, "RequestEmissionRelatedDiagnosticTroubleCodesDetectedDuringCurrentOrLastDrivingCycle"},
    {0x08, "RequestControlOfOnBoardSystem"},   {0x09, "RequestVehicleInformation"},
    {0x0A, "RequestEmissionRelatedDiagnosticTroubleCodesWithPermanentStatus"},
};

#define COUNT(table) (sizeof(table) / sizeof *(table))

static const struct service_row *services_of(enum dialect dialect, size_t *count)
{
    *count = dialect == DIALECT_ISO14230 ? COUNT(services_14230) : COUNT(services_14229);
    return dialect == DIALECT_ISO14230 ? services_14230 : services_14229;
}

static const char *name_in(const struct service_row *rows, size_t count, uint8_t sid)
{
    for (size_t i = 0; i < count; i++)
        if (rows[i].sid == sid)
            return rows[i].name;
    return NULL;
}

const char *standard_service_name(enum dialect dialect, uint8_t sid)
{
    size_t count;
    const struct service_row *rows = services_of(dialect, &count);
    const char *name = name_in(rows, count, sid);
    return name ? name : name_in(services_obd, COUNT(services_obd), sid);
}

uint8_t standard_service_by_name(enum dialect dialect, const char *name)
{
    size_t count;
    const struct service_row *rows = services_of(dialect, &count);
    for (size_t i = 0; i < count; i++)
        if (strcmp(rows[i].name, name) == 0)
            return rows[i].sid;
    return 0;
}

size_t standard_service_names(enum dialect dialect, const char *const **names)
{
    static const char *list[2][COUNT(services_14230)]; /* the longer table */
    size_t count;
    const struct service_row *rows = services_of(dialect, &count);
    for (size_t i = 0; i < count; i++)
        list[dialect][i] = rows[i].name;
    *names = list[dialect];
    return count;
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

static const char *sub_function_14229(uint8_t sid, uint8_t sub_function)
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

/* ISO 14230-3: the byte behind the SID where it says what is to be done. */
static const struct sub_function_row sub_functions_14230[] = {
    {0x10, 0x81, "defaultSession"},
    {0x10, 0x85, "programmingSession"},
    {0x10, 0x89, "standBySession"},
    {0x10, 0x90, "ecuPassiveSession"},
    {0x10, 0x92, "extendedDiagnosticSession"},
    {0x11, 0x01, "powerOnReset"},
    {0x11, 0x82, "nonvolatileMemoryReset"},
    {0x18, 0x00, "requestIdentified2ByteHexDTCAndStatus"},
    {0x18, 0x01, "requestSupported2ByteHexDTCAndStatus"}, /* 00 to 03: from memory */
    {0x18, 0x02, "requestIdentified2ByteHexDTCAndStatus-codes"},
    {0x18, 0x03, "requestSupported2ByteHexDTC"},
    {0x28, 0x01, "responseRequired"},
    {0x28, 0x02, "noResponse"},
    {0x29, 0x01, "responseRequired"},
    {0x29, 0x02, "noResponse"},
    {0x3E, 0x01, "responseRequired"},
    {0x3E, 0x02, "noResponse"},
    {0x85, 0x01, "responseRequired"},
    {0x85, 0x02, "noResponse"},
    {0x86, 0x01, "responseRequired"},
    {0x86, 0x02, "noResponse"},
};

const char *standard_sub_function_name(enum dialect dialect, uint8_t sid, uint8_t sub_function)
{
    if (dialect != DIALECT_ISO14230)
        return sub_function_14229(sid, sub_function);
    for (size_t i = 0; i < COUNT(sub_functions_14230); i++)
        if (sub_functions_14230[i].sid == sid && sub_functions_14230[i].sub_function == sub_function)
            return sub_functions_14230[i].name;
    return sid == 0x27 && sub_function ? (sub_function & 1 ? "requestSeed" : "sendKey") : NULL;
}

/* ISO 14229-1:2020 annex C; F80x of SAE J1979-2, from memory. */
static const struct identifier_row {
    uint16_t number;
    const char *name;
} identifiers[] = {
    {0xF180, "bootSoftwareIdentification"},
    {0xF181, "applicationSoftwareIdentification"},
    {0xF182, "applicationDataIdentification"},
    {0xF183, "bootSoftwareFingerprint"},
    {0xF184, "applicationSoftwareFingerprint"},
    {0xF185, "applicationDataFingerprint"},
    {0xF186, "activeDiagnosticSession"},
    {0xF187, "vehicleManufacturerSparePartNumber"},
    {0xF188, "vehicleManufacturerECUSoftwareNumber"},
    {0xF189, "vehicleManufacturerECUSoftwareVersionNumber"},
    {0xF18A, "systemSupplierIdentifier"},
    {0xF18B, "ECUManufacturingDate"},
    {0xF18C, "ECUSerialNumber"},
    {0xF18D, "supportedFunctionalUnits"},
    {0xF18E, "vehicleManufacturerKitAssemblyPartNumber"},
    {0xF18F, "RegulationXSoftwareIdentificationNumbers"},
    {0xF190, "VIN"},
    {0xF191, "vehicleManufacturerECUHardwareNumber"},
    {0xF192, "systemSupplierECUHardwareNumber"},
    {0xF193, "systemSupplierECUHardwareVersionNumber"},
    {0xF194, "systemSupplierECUSoftwareNumber"},
    {0xF195, "systemSupplierECUSoftwareVersionNumber"},
    {0xF196, "exhaustRegulationOrTypeApprovalNumber"},
    {0xF197, "systemNameOrEngineType"},
    {0xF198, "repairShopCodeOrTesterSerialNumber"},
    {0xF199, "programmingDate"},
    {0xF19A, "calibrationRepairShopCodeOrCalibrationEquipmentSerialNumber"},
    {0xF19B, "calibrationDate"},
    {0xF19C, "calibrationEquipmentSoftwareNumber"},
    {0xF19D, "ECUInstallationDate"},
    {0xF19E, "ODXFile"},
    {0xF19F, "entity"},
    {0xF802, "VIN"},
    {0xF804, "CALID"},
    {0xF806, "CVN"},
    {0xF80A, "ECUName"},
    {0xFA10, "numberOfEDRDevices"},
    {0xFA11, "EDRIdentification"},
    {0xFA12, "EDRDeviceAddressInformation"},
    {0xFF00, "UDSVersion"},
}, routines[] = { /* annex F */
    {0xE200, "executeSPL"},
    {0xE201, "deployLoopRoutineID"},
    {0xFF00, "eraseMemory"},
    {0xFF01, "checkProgrammingDependencies"},
};

static const char *identifier_in(const struct identifier_row *rows, size_t count, uint16_t number)
{
    for (size_t i = 0; i < count; i++)
        if (rows[i].number == number)
            return rows[i].name;
    return NULL;
}

const char *standard_identifier_name(uint16_t identifier)
{
    return identifier_in(identifiers, COUNT(identifiers), identifier);
}

const char *standard_routine_name(uint16_t routine)
{
    return identifier_in(routines, COUNT(routines), routine);
}
