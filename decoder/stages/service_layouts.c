/*
 * Message layouts (service_layouts.h): what stands behind the service identifier, row by row. Sources by service in
 * docs/services.md; field names are those of the standards. To add a service is to add rows here and there.
 */
#include "service_layouts.h"

#define ROWS static const struct field_row
#define END {.form = FIELD_END}
#define REPEAT {.form = FIELD_REPEAT}
#define MAY_END {.form = FIELD_MAY_END}
#define NUMBER(name, width) {FIELD_NUMBER_OF, name, width, 0, NULL}
#define NAMED(name, width, names) {FIELD_NUMBER_OF, name, width, 0, names}
#define BITS(name, bits, shift, names) {FIELD_BITS, name, bits, shift, names}
#define SUB(name) {FIELD_SUB, name, 1, 0, NULL}
#define REST(name) {FIELD_REST, name, 0, 0, NULL}
#define SECRET(name) {FIELD_SECRET, name, 0, 0, NULL}
#define LENGTH(name, width) {FIELD_LENGTH, name, width, 0, NULL}
#define COUNTED(name) {FIELD_COUNTED, name, 0, 0, NULL}
#define COUNTED_TEXT(name) {FIELD_COUNTED_TEXT, name, 0, 0, NULL}
#define BYTES(name, width) {FIELD_BYTES_OF, name, width, 0, NULL}
#define TEXT(name, width) {FIELD_TEXT_OF, name, width, 0, NULL}
#define DTC {FIELD_DTC, "DTC", 3, 0, NULL}
#define DTC_2 {FIELD_DTC, "DTC", 2, 0, NULL}
#define STATUS(name) {FIELD_STATUS, name, 1, 0, NULL}
#define IDENTIFIER(name) {FIELD_DATA_IDENTIFIER, name, 2, 0, NULL}
#define FORMAT {FIELD_SIZE_LENGTH, "memorySizeLength", 4, 4, NULL}, {FIELD_ADDRESS_LENGTH, "memoryAddressLength", 4, \
    0, NULL}
#define ADDRESS {FIELD_ADDRESS, "memoryAddress", 0, 0, NULL}
#define SIZE {FIELD_SIZE, "memorySize", 0, 0, NULL}

static const struct field_name controls_14229[] = {
    {0, "returnControlToECU"}, {1, "resetToDefault"}, {2, "freezeCurrentState"}, {3, "shortTermAdjustment"}, {0, NULL}};
static const struct field_name controls_14230[] = {
    {0, "returnControlToECU"}, {1, "reportCurrentState"}, {4, "resetToDefault"}, {5, "freezeCurrentState"},
    {7, "shortTermAdjustment"}, {8, "longTermAdjustment"}, {0, NULL}};
static const struct field_name formats[] = {
    {0, "SAE_J2012-DA_DTCFormat_00"}, {1, "ISO_14229-1_DTCFormat"}, {2, "SAE_J1939-73_DTCFormat"},
    {3, "ISO_11992-4_DTCFormat"}, {4, "SAE_J2012-DA_DTCFormat_04"}, {0, NULL}};
static const struct field_name messages[] = {
    {1, "normalCommunicationMessages"}, {2, "networkManagementCommunicationMessages"},
    {3, "networkManagementCommunicationMessages normalCommunicationMessages"}, {0, NULL}};
static const struct field_name rates[] = {
    {1, "sendAtSlowRate"}, {2, "sendAtMediumRate"}, {3, "sendAtFastRate"}, {4, "stopSending"}, {0, NULL}};
static const struct field_name files[] = {
    {1, "addFile"}, {2, "deleteFile"}, {3, "replaceFile"}, {4, "readFile"}, {5, "readDir"}, {6, "resumeFile"}, {0,
     NULL}};
static const struct field_name required[] = {{1, "responseRequired"}, {2, "noResponse"}, {0, NULL}};
static const struct field_name settings[] = {{1, "on"}, {2, "off"}, {0, NULL}};
static const struct field_name definitions_14230[] = {
    {1, "defineByLocalIdentifier"}, {2, "defineByMemoryAddress"}, {3, "defineByCommonIdentifier"},
    {4, "clearDynamicallyDefinedLocalIdentifier"}, {0, NULL}};
static const struct field_name authentications[] = {
    {0x00, "requestAccepted"}, {0x01, "generalReject"}, {0x02, "authenticationConfigurationAPCE"},
    {0x03, "authenticationConfigurationACRWithAsymmetricCryptography"},
    {0x04, "authenticationConfigurationACRWithSymmetricCryptography"}, {0x10, "deAuthenticationSuccessful"},
    {0x11, "certificateVerifiedOwnershipVerificationNecessary"}, {0x12, "ownershipVerifiedAuthenticationComplete"},
    {0x13, "certificateVerified"}, {0, NULL}};
static const struct field_name types_obd[] = {
    {0x00, "supported"}, {0x01, "messageCountVIN"}, {0x02, "VIN"}, {0x03, "messageCountCALID"}, {0x04, "CALID"},
    {0x05, "messageCountCVN"}, {0x06, "CVN"}, {0x07, "messageCountIPT"}, {0x08, "IPT"}, {0x09, "messageCountECUNAME"},
    {0x0A, "ECUNAME"}, {0x0B, "IPTCompressionIgnition"}, {0, NULL}};

/* What many services share. */
ROWS nothing[] = {END};
ROWS rest_only[] = {REST("dataRecord"), END};

/* ---- ISO 14229-1:2020 ---- */
ROWS session[] = {SUB("diagnosticSessionType"), END};
ROWS session_answer[] = {SUB("diagnosticSessionType"), MAY_END, NUMBER("P2Server_max", 2), NUMBER("P2*Server_max", 2),
                         END};
ROWS reset[] = {SUB("resetType"), END};
ROWS reset_power_down[] = {SUB("resetType"), NUMBER("powerDownTime", 1), END};
ROWS clear[] = {{FIELD_GROUP, "groupOfDTC", 3, 0, NULL}, MAY_END, NUMBER("MemorySelection", 1), END};

ROWS codes_plain[] = {SUB("reportType"), END};
ROWS codes_mask[] = {SUB("reportType"), STATUS("DTCStatusMask"), END};
ROWS codes_mask_memory[] = {SUB("reportType"), STATUS("DTCStatusMask"), NUMBER("MemorySelection", 1), END};
ROWS codes_severity[] = {SUB("reportType"), NUMBER("DTCSeverityMask", 1), STATUS("DTCStatusMask"), END};
ROWS codes_of_code[] = {SUB("reportType"), DTC, END};
ROWS codes_snapshot[] = {SUB("reportType"), DTC, NUMBER("DTCSnapshotRecordNumber", 1), END};
ROWS codes_snapshot_memory[] = {SUB("reportType"), DTC, NUMBER("DTCSnapshotRecordNumber", 1),
                                NUMBER("MemorySelection", 1), END};
ROWS codes_stored[] = {SUB("reportType"), NUMBER("DTCStoredDataRecordNumber", 1), END};
ROWS codes_extended[] = {SUB("reportType"), DTC, NUMBER("DTCExtDataRecordNumber", 1), END};
ROWS codes_extended_memory[] = {SUB("reportType"), DTC, NUMBER("DTCExtDataRecordNumber", 1),
                                NUMBER("MemorySelection", 1), END};
ROWS codes_extended_record[] = {SUB("reportType"), NUMBER("DTCExtDataRecordNumber", 1), END};
ROWS codes_group_masks[] = {SUB("reportType"), NUMBER("FunctionalGroupIdentifier", 1), STATUS("DTCStatusMask"),
                            NUMBER("DTCSeverityMask", 1), END};
ROWS codes_group[] = {SUB("reportType"), NUMBER("FunctionalGroupIdentifier", 1), END};
ROWS codes_readiness[] = {SUB("reportType"), NUMBER("FunctionalGroupIdentifier", 1),
                          NUMBER("DTCReadinessGroupIdentifier", 1), END};
#define AVAILABLE STATUS("DTCStatusAvailabilityMask")
#define CODE DTC, STATUS("statusOfDTC")
ROWS count_answer[] = {SUB("reportType"), AVAILABLE, NAMED("DTCFormatIdentifier", 1, formats), NUMBER("DTCCount", 2),
                       END};
ROWS list_answer[] = {SUB("reportType"), AVAILABLE, REPEAT, CODE, END};
ROWS list_memory_answer[] = {SUB("reportType"), NUMBER("MemorySelection", 1), AVAILABLE, REPEAT, CODE, END};
ROWS snapshots_answer[] = {SUB("reportType"), REPEAT, DTC, NUMBER("DTCSnapshotRecordNumber", 1), END};
ROWS snapshot_answer[] = {SUB("reportType"), CODE, MAY_END, NUMBER("DTCSnapshotRecordNumber", 1),
                          NUMBER("DTCSnapshotRecordNumberOfIdentifiers", 1), REST("DTCSnapshotRecord"), END};
ROWS snapshot_memory_answer[] = {SUB("reportType"), NUMBER("MemorySelection", 1), CODE, MAY_END,
                                 NUMBER("DTCSnapshotRecordNumber", 1), NUMBER("DTCSnapshotRecordNumberOfIdentifiers",
                                     1),
                                 REST("DTCSnapshotRecord"), END};
ROWS stored_answer[] = {SUB("reportType"), NUMBER("DTCStoredDataRecordNumber", 1), MAY_END, CODE,
                        NUMBER("DTCStoredDataRecordNumberOfIdentifiers", 1), REST("DTCStoredDataRecord"), END};
ROWS extended_answer[] = {SUB("reportType"), CODE, MAY_END, NUMBER("DTCExtDataRecordNumber", 1),
                          REST("DTCExtDataRecord"), END};
ROWS extended_memory_answer[] = {SUB("reportType"), NUMBER("MemorySelection", 1), CODE, MAY_END,
                                 NUMBER("DTCExtDataRecordNumber", 1), REST("DTCExtDataRecord"), END};
ROWS extended_record_answer[] = {SUB("reportType"), NUMBER("DTCExtDataRecordNumber", 1), MAY_END, CODE,
                                 REST("DTCExtDataRecord"), END};
ROWS extended_supported_answer[] = {SUB("reportType"), AVAILABLE, NUMBER("DTCExtDataRecordNumber", 1), REPEAT, CODE,
                                    END};
ROWS severity_answer[] = {SUB("reportType"), AVAILABLE, REPEAT, NUMBER("DTCSeverity", 1), NUMBER("DTCFunctionalUnit",
                          1),
                          CODE, END};
ROWS counter_answer[] = {SUB("reportType"), REPEAT, DTC, NUMBER("DTCFaultDetectionCounter", 1), END};
ROWS group_masks_answer[] = {SUB("reportType"), NUMBER("FunctionalGroupIdentifier", 1), AVAILABLE,
                             NUMBER("DTCSeverityAvailabilityMask", 1), NAMED("DTCFormatIdentifier", 1, formats), REPEAT,
                             NUMBER("DTCSeverity", 1), CODE, END};
ROWS group_answer[] = {SUB("reportType"), NUMBER("FunctionalGroupIdentifier", 1), AVAILABLE,
                       NAMED("DTCFormatIdentifier", 1, formats), REPEAT, CODE, END};
ROWS readiness_answer[] = {SUB("reportType"), NUMBER("FunctionalGroupIdentifier", 1), AVAILABLE,
                           NAMED("DTCFormatIdentifier", 1, formats), NUMBER("DTCReadinessGroupIdentifier", 1), REPEAT,
                           CODE, END};

ROWS read[] = {REPEAT, IDENTIFIER("dataIdentifier"), END};
ROWS read_answer[] = {IDENTIFIER("dataIdentifier"), REST("dataRecord"), END};
ROWS memory[] = {FORMAT, ADDRESS, SIZE, END};
ROWS memory_data[] = {FORMAT, ADDRESS, SIZE, REST("dataRecord"), END};
ROWS one_identifier[] = {IDENTIFIER("dataIdentifier"), END};
ROWS scaling_answer[] = {IDENTIFIER("dataIdentifier"), NUMBER("scalingByte", 1), REST("scalingByteExtension"), END};
ROWS seed[] = {SUB("securityAccessType"), REST("securityAccessDataRecord"), END};
ROWS seed_answer[] = {SUB("securityAccessType"), SECRET("securitySeed"), END};
ROWS key[] = {SUB("securityAccessType"), SECRET("securityKey"), END};
ROWS key_answer[] = {SUB("securityAccessType"), END};
#define COMMUNICATION BITS("subnetNumber", 4, 4, NULL), BITS("reserved", 2, 2, NULL), BITS("communicationType", 2, \
    0, messages)
ROWS communication[] = {SUB("controlType"), COMMUNICATION, END};
ROWS communication_node[] = {SUB("controlType"), COMMUNICATION, NUMBER("nodeIdentificationNumber", 2), END};
ROWS communication_answer[] = {SUB("controlType"), END};
#define WITH_LENGTH(Name, name) LENGTH("lengthOf" Name, 2), COUNTED(name)
#define RETURNED SUB("authenticationTask"), NAMED("authenticationReturnParameter", 1, authentications)
ROWS task[] = {SUB("authenticationTask"), END};
ROWS task_verify[] = {SUB("authenticationTask"), NUMBER("communicationConfiguration", 1),
                      WITH_LENGTH("CertificateClient", "certificateClient"), WITH_LENGTH("ChallengeClient",
                          "challengeClient"), END};
ROWS task_proof[] = {SUB("authenticationTask"), WITH_LENGTH("ProofOfOwnershipClient", "proofOfOwnershipClient"),
                     WITH_LENGTH("EphemeralPublicKeyClient", "ephemeralPublicKeyClient"), END};
ROWS task_transmit[] = {SUB("authenticationTask"), NUMBER("certificateEvaluationId", 2),
                        WITH_LENGTH("CertificateData", "certificateData"), END};
ROWS task_challenge[] = {SUB("authenticationTask"), NUMBER("communicationConfiguration", 1),
                         BYTES("algorithmIndicator", 16), END};
ROWS task_own[] = {SUB("authenticationTask"), BYTES("algorithmIndicator", 16), WITH_LENGTH("ProofOfOwnershipClient",
                   "proofOfOwnershipClient"),
                   WITH_LENGTH("ChallengeClient", "challengeClient"), WITH_LENGTH("AdditionalParameter",
                       "additionalParameter"), END};
ROWS task_answer[] = {RETURNED, END};
ROWS task_verify_one_answer[] = {RETURNED, WITH_LENGTH("ChallengeServer", "challengeServer"),
                                 WITH_LENGTH("EphemeralPublicKeyServer", "ephemeralPublicKeyServer"), END};
ROWS task_verify_both_answer[] = {RETURNED, WITH_LENGTH("ChallengeServer", "challengeServer"),
                                  WITH_LENGTH("CertificateServer", "certificateServer"),
                                  WITH_LENGTH("ProofOfOwnershipServer", "proofOfOwnershipServer"),
                                      WITH_LENGTH("EphemeralPublicKeyServer", "ephemeralPublicKeyServer"), END};
ROWS task_proof_answer[] = {RETURNED, WITH_LENGTH("SessionKeyInfo", "sessionKeyInfo"), END};
ROWS task_challenge_answer[] = {RETURNED, BYTES("algorithmIndicator", 16), WITH_LENGTH("ChallengeServer",
                                "challengeServer"),
                                WITH_LENGTH("NeededAdditionalParameter", "neededAdditionalParameter"), END};
ROWS task_own_one_answer[] = {RETURNED, BYTES("algorithmIndicator", 16), WITH_LENGTH("SessionKeyInfo",
                              "sessionKeyInfo"), END};
ROWS task_own_both_answer[] = {RETURNED, BYTES("algorithmIndicator", 16), WITH_LENGTH("ProofOfOwnershipServer",
                               "proofOfOwnershipServer"),
                               WITH_LENGTH("SessionKeyInfo", "sessionKeyInfo"), END};
ROWS periodic[] = {NAMED("transmissionMode", 1, rates), REPEAT, NUMBER("periodicDataIdentifier", 1), END};
ROWS periodic_answer[] = {MAY_END, NUMBER("periodicDataIdentifier", 1), REST("dataRecord"), END};
#define DYNAMIC SUB("definitionType"), IDENTIFIER("dynamicallyDefinedDataIdentifier")
ROWS define[] = {DYNAMIC, REPEAT, IDENTIFIER("sourceDataIdentifier"), NUMBER("positionInSourceDataRecord", 1),
                 NUMBER("memorySize", 1), END};
ROWS define_memory[] = {DYNAMIC, FORMAT, REPEAT, ADDRESS, SIZE, END};
ROWS define_clear[] = {SUB("definitionType"), MAY_END, IDENTIFIER("dynamicallyDefinedDataIdentifier"), END};
ROWS define_answer[] = {DYNAMIC, END};
ROWS write[] = {IDENTIFIER("dataIdentifier"), REST("dataRecord"), END};
ROWS control[] = {IDENTIFIER("dataIdentifier"), NAMED("inputOutputControlParameter", 1, controls_14229),
                  REST("controlStateAndMask"), END};
ROWS routine[] = {SUB("routineControlType"), {FIELD_ROUTINE, "routineIdentifier", 2, 0, NULL},
                  REST("routineControlOptionRecord"), END};
ROWS routine_answer[] = {SUB("routineControlType"), {FIELD_ROUTINE, "routineIdentifier", 2, 0, NULL},
                         REST("routineStatusRecord"), END};
ROWS download[] = {NUMBER("dataFormatIdentifier", 1), FORMAT, ADDRESS, SIZE, END};
ROWS download_answer[] = {BITS("lengthFormatIdentifier", 4, 4, NULL), BITS("reserved", 4, 0, NULL),
                          REST("maxNumberOfBlockLength"), END};
ROWS transfer[] = {NUMBER("blockSequenceCounter", 1), REST("transferRequestParameterRecord"), END};
ROWS transfer_answer[] = {NUMBER("blockSequenceCounter", 1), REST("transferResponseParameterRecord"), END};
ROWS exit_request[] = {REST("transferRequestParameterRecord"), END};
ROWS exit_answer[] = {REST("transferResponseParameterRecord"), END};
#define FILE_PATH NAMED("modeOfOperation", 1, files), LENGTH("filePathAndNameLength", 2), \
    COUNTED_TEXT("filePathAndName")
#define COMPRESSION BITS("compressionMethod", 4, 4, NULL), BITS("encryptingMethod", 4, 0, NULL)
#define FILE_BLOCK NAMED("modeOfOperation", 1, files), LENGTH("lengthFormatIdentifier", 1), \
    COUNTED("maxNumberOfBlockLength"), COMPRESSION
ROWS file_write[] = {FILE_PATH, COMPRESSION, LENGTH("fileSizeParameterLength", 1), COUNTED("fileSizeUnCompressed"),
                     COUNTED("fileSizeCompressed"), END};
ROWS file_read[] = {FILE_PATH, COMPRESSION, END};
ROWS file_name[] = {FILE_PATH, END};
ROWS file_mode_answer[] = {NAMED("modeOfOperation", 1, files), END};
ROWS file_write_answer[] = {FILE_BLOCK, END};
ROWS file_read_answer[] = {FILE_BLOCK, LENGTH("fileSizeOrDirInfoParameterLength", 2),
                           COUNTED("fileSizeUncompressedOrDirInfoLength"), COUNTED("fileSizeCompressed"), END};
ROWS file_dir_answer[] = {FILE_BLOCK, LENGTH("fileSizeOrDirInfoParameterLength", 2),
                          COUNTED("fileSizeUncompressedOrDirInfoLength"), END};
ROWS zero[] = {SUB("zeroSubFunction"), END};
ROWS timing[] = {SUB("timingParameterAccessType"), END};
ROWS timing_set[] = {SUB("timingParameterAccessType"), REST("timingParameterRequestRecord"), END};
ROWS timing_answer[] = {SUB("timingParameterAccessType"), REST("timingParameterResponseRecord"), END};
#define SECURED NUMBER("administrativeParameter", 2), NUMBER("signatureEncryptionCalculation", 1), \
    NUMBER("signatureLength", 2), NUMBER("antiReplayCounter", 2)
ROWS secured[] = {SECURED, {FIELD_SERVICE, "internalMessageServiceRequestId", 1, 0, NULL}, REST("dataRecord"), END};
ROWS secured_answer[] = {SECURED, NUMBER("internalMessageServiceResponseId", 1), REST("dataRecord"), END};
ROWS setting[] = {SUB("DTCSettingType"), REST("DTCSettingControlOptionRecord"), END};
ROWS setting_answer[] = {SUB("DTCSettingType"), END};
ROWS event[] = {SUB("eventType"), NUMBER("eventWindowTime", 1), REST("eventTypeRecord"), END};
ROWS event_answer[] = {SUB("eventType"), NUMBER("numberOfIdentifiedEvents", 1), NUMBER("eventWindowTime", 1),
                       REST("eventTypeRecord"), END};
ROWS link_fixed[] = {SUB("linkControlType"), NUMBER("linkControlModeIdentifier", 1), END};
ROWS link_specific[] = {SUB("linkControlType"), NUMBER("linkRecord", 3), END};
ROWS link_only[] = {SUB("linkControlType"), END};

/* ---- OBD: SAE J1979, ISO 15031-5 ---- */
ROWS obd_parameters[] = {REPEAT, NUMBER("PID", 1), END};
ROWS obd_parameter_answer[] = {NUMBER("PID", 1), REST("dataRecord"), END};
ROWS obd_codes_answer[] = {NUMBER("numberOfDTC", 1), REPEAT, DTC_2, END};
ROWS obd_type[] = {NAMED("infoType", 1, types_obd), END};
#define ITEMS NAMED("infoType", 1, types_obd), NUMBER("numberOfDataItems", 1)
ROWS obd_supported_answer[] = {NAMED("infoType", 1, types_obd), NUMBER("supportedInfoTypes", 4), END};
ROWS obd_vin_answer[] = {ITEMS, {FIELD_VIN, "VIN", 17, 0, NULL}, END};
ROWS obd_calid_answer[] = {ITEMS, REPEAT, TEXT("CALID", 16), END};
ROWS obd_cvn_answer[] = {ITEMS, REPEAT, NUMBER("CVN", 4), END};
ROWS obd_name_answer[] = {ITEMS, TEXT("ECUNAME", 20), END};
ROWS obd_other_answer[] = {NAMED("infoType", 1, types_obd), REST("dataRecord"), END};

/* ---- ISO 14230-3 ---- */
ROWS kwp_session[] = {SUB("diagnosticSession"), REST("dataRecord"), END};
ROWS kwp_reset[] = {SUB("resetMode"), END};
ROWS kwp_reset_answer[] = {REST("resetStatus"), END};
ROWS kwp_group[] = {{FIELD_GROUP, "groupOfDTC", 2, 0, NULL}, END};
ROWS kwp_group_answer[] = {MAY_END, {FIELD_GROUP, "groupOfDTC", 2, 0, NULL}, END};
ROWS kwp_status_answer[] = {NUMBER("numberOfDTC", 1), REST("dataRecord"), END};
ROWS kwp_codes[] = {SUB("statusOfDTCRequest"), {FIELD_GROUP, "groupOfDTC", 2, 0, NULL}, END};
ROWS kwp_codes_answer[] = {NUMBER("numberOfDTC", 1), REPEAT, DTC_2, NUMBER("statusOfDTC", 1), END};
ROWS kwp_identification[] = {NUMBER("identificationOption", 1), END};
ROWS kwp_identification_answer[] = {NUMBER("identificationOption", 1), REST("dataRecord"), END};
ROWS kwp_local[] = {NUMBER("recordLocalIdentifier", 1), REST("transmissionMode"), END};
ROWS kwp_local_data[] = {NUMBER("recordLocalIdentifier", 1), REST("dataRecord"), END};
ROWS kwp_local_answer[] = {NUMBER("recordLocalIdentifier", 1), END};
ROWS kwp_common[] = {IDENTIFIER("recordCommonIdentifier"), REST("transmissionMode"), END};
ROWS kwp_common_data[] = {IDENTIFIER("recordCommonIdentifier"), REST("dataRecord"), END};
ROWS kwp_common_answer[] = {IDENTIFIER("recordCommonIdentifier"), END};
ROWS kwp_memory[] = {NUMBER("memoryAddress", 3), NUMBER("memorySize", 1), END};
ROWS kwp_memory_data[] = {NUMBER("memoryAddress", 3), NUMBER("memorySize", 1), REST("dataRecord"), END};
ROWS kwp_memory_answer[] = {NUMBER("memoryAddress", 3), END};
ROWS kwp_seed[] = {SUB("accessMode"), REST("accessParameter"), END};
ROWS kwp_seed_answer[] = {SUB("accessMode"), SECRET("seed"), END};
ROWS kwp_key[] = {SUB("accessMode"), SECRET("key"), END};
ROWS kwp_key_answer[] = {SUB("accessMode"), REST("securityAccessStatus"), END};
ROWS kwp_required[] = {MAY_END, NAMED("responseRequired", 1, required), END};
ROWS kwp_define[] = {NUMBER("dynamicallyDefinedLocalIdentifier", 1), NAMED("definitionMode", 1, definitions_14230),
                     REST("dataRecord"), END};
ROWS kwp_define_answer[] = {NUMBER("dynamicallyDefinedLocalIdentifier", 1), END};
ROWS kwp_control_common[] = {IDENTIFIER("inputOutputCommonIdentifier"),
                             NAMED("inputOutputControlParameter", 1, controls_14230), REST("controlState"), END};
ROWS kwp_control[] = {NUMBER("inputOutputLocalIdentifier", 1), NAMED("inputOutputControlParameter", 1, controls_14230),
                      REST("controlState"), END};
ROWS kwp_routine[] = {NUMBER("routineLocalIdentifier", 1), REST("routineParameter"), END};
ROWS kwp_routine_answer[] = {NUMBER("routineLocalIdentifier", 1), REST("routineStatus"), END};
ROWS kwp_address[] = {NUMBER("routineAddress", 3), REST("routineParameter"), END};
ROWS kwp_address_answer[] = {NUMBER("routineAddress", 3), REST("routineStatus"), END};
ROWS kwp_download[] = {NUMBER("memoryAddress", 3), COMPRESSION, NUMBER("unCompressedMemorySize", 3), END};
ROWS kwp_download_answer[] = {REST("maxNumberOfBlockLength"), END};
ROWS kwp_setting[] = {NAMED("responseRequired", 1, required), {FIELD_GROUP, "groupOfDTC", 2, 0, NULL},
                      NAMED("DTCSettingMode", 1, settings), END};
ROWS kwp_event[] = {NAMED("responseRequired", 1, required), NUMBER("eventWindowTime", 1), NUMBER("eventType", 1),
                    NUMBER("eventParameter", 1), NUMBER("serviceToRespond", 1), NUMBER("serviceParameter", 1), END};
ROWS kwp_event_answer[] = {NUMBER("numberOfActivatedEvents", 1), NUMBER("eventWindowTime", 1), NUMBER("eventType", 1),
                           REST("dataRecord"), END};

const struct field_row field_refusal[] = {
    {FIELD_SERVICE, "requestServiceId", 1, 0, NULL}, {FIELD_NRC, "negativeResponseCode", 1, 0, NULL}, END};

#define ANY(service, request, answer) {FOR_14229, service, 0, 0, request, answer}
#define ONE(service, sub_function, request, answer) {FOR_14229, service, 0xFF, sub_function, request, answer}
#define KWP(service, request, answer) {FOR_14230, service, 0, 0, request, answer}
#define OBD(service, request, answer) {FOR_BOTH, service, 0, 0, request, answer}
#define OBD_TYPE(type, answer) {FOR_BOTH, 0x09, 0xFF, type, obd_type, answer}

const struct field_layout field_layouts[] = {
    ANY(0x10, session, session_answer),
    ONE(0x11, 0x04, reset, reset_power_down),
    ANY(0x11, reset, reset),
    ANY(0x14, clear, nothing),
    ONE(0x19, 0x01, codes_mask, count_answer),
    ONE(0x19, 0x02, codes_mask, list_answer),
    ONE(0x19, 0x03, codes_plain, snapshots_answer),
    ONE(0x19, 0x04, codes_snapshot, snapshot_answer),
    ONE(0x19, 0x05, codes_stored, stored_answer),
    ONE(0x19, 0x06, codes_extended, extended_answer),
    ONE(0x19, 0x07, codes_severity, count_answer),
    ONE(0x19, 0x08, codes_severity, severity_answer),
    ONE(0x19, 0x09, codes_of_code, severity_answer),
    ONE(0x19, 0x0A, codes_plain, list_answer),
    ONE(0x19, 0x0B, codes_plain, list_answer),
    ONE(0x19, 0x0C, codes_plain, list_answer),
    ONE(0x19, 0x0D, codes_plain, list_answer),
    ONE(0x19, 0x0E, codes_plain, list_answer),
    ONE(0x19, 0x0F, codes_mask, list_answer),
    ONE(0x19, 0x10, codes_extended, extended_answer),
    ONE(0x19, 0x11, codes_mask, count_answer),
    ONE(0x19, 0x12, codes_mask, count_answer),
    ONE(0x19, 0x13, codes_mask, list_answer),
    ONE(0x19, 0x14, codes_plain, counter_answer),
    ONE(0x19, 0x15, codes_plain, list_answer),
    ONE(0x19, 0x16, codes_extended_record, extended_record_answer),
    ONE(0x19, 0x17, codes_mask_memory, list_memory_answer),
    ONE(0x19, 0x18, codes_snapshot_memory, snapshot_memory_answer),
    ONE(0x19, 0x19, codes_extended_memory, extended_memory_answer),
    ONE(0x19, 0x1A, codes_extended_record, extended_supported_answer),
    ONE(0x19, 0x42, codes_group_masks, group_masks_answer),
    ONE(0x19, 0x55, codes_group, group_answer),
    ONE(0x19, 0x56, codes_readiness, readiness_answer),
    ANY(0x22, read, read_answer),
    ANY(0x23, memory, rest_only),
    ANY(0x24, one_identifier, scaling_answer),
    {FOR_14229, 0x27, 1, 1, seed, seed_answer},
    {FOR_14229, 0x27, 1, 0, key, key_answer},
    ONE(0x28, 0x04, communication_node, communication_answer),
    ONE(0x28, 0x05, communication_node, communication_answer),
    ANY(0x28, communication, communication_answer),
    ONE(0x29, 0x00, task, task_answer),
    ONE(0x29, 0x01, task_verify, task_verify_one_answer),
    ONE(0x29, 0x02, task_verify, task_verify_both_answer),
    ONE(0x29, 0x03, task_proof, task_proof_answer),
    ONE(0x29, 0x04, task_transmit, task_answer),
    ONE(0x29, 0x05, task_challenge, task_challenge_answer),
    ONE(0x29, 0x06, task_own, task_own_one_answer),
    ONE(0x29, 0x07, task_own, task_own_both_answer),
    ONE(0x29, 0x08, task, task_answer),
    ANY(0x2A, periodic, periodic_answer),
    ONE(0x2C, 0x01, define, define_answer),
    ONE(0x2C, 0x02, define_memory, define_answer),
    ONE(0x2C, 0x03, define_clear, define_clear),
    ANY(0x2E, write, one_identifier),
    ANY(0x2F, control, control),
    ANY(0x31, routine, routine_answer),
    ANY(0x34, download, download_answer),
    ANY(0x35, download, download_answer),
    ANY(0x36, transfer, transfer_answer),
    ANY(0x37, exit_request, exit_answer),
    ONE(0x38, 0x01, file_write, file_write_answer),
    ONE(0x38, 0x02, file_name, file_mode_answer),
    ONE(0x38, 0x03, file_write, file_write_answer),
    ONE(0x38, 0x04, file_read, file_read_answer),
    ONE(0x38, 0x05, file_name, file_dir_answer),
    ANY(0x3D, memory_data, memory),
    ANY(0x3E, zero, zero),
    ONE(0x83, 0x04, timing_set, timing),
    ANY(0x83, timing, timing_answer),
    ANY(0x84, secured, secured_answer),
    ANY(0x85, setting, setting_answer),
    ANY(0x86, event, event_answer),
    ONE(0x87, 0x01, link_fixed, link_only),
    ONE(0x87, 0x02, link_specific, link_only),
    ONE(0x87, 0x03, link_only, link_only),

    OBD(0x01, obd_parameters, obd_parameter_answer),
    OBD(0x03, nothing, obd_codes_answer),
    OBD(0x04, nothing, nothing),
    OBD(0x07, nothing, obd_codes_answer),
    OBD_TYPE(0x00, obd_supported_answer),
    OBD_TYPE(0x02, obd_vin_answer),
    OBD_TYPE(0x04, obd_calid_answer),
    OBD_TYPE(0x06, obd_cvn_answer),
    OBD_TYPE(0x0A, obd_name_answer),
    OBD(0x09, obd_type, obd_other_answer),
    OBD(0x0A, nothing, obd_codes_answer),

    KWP(0x10, kwp_session, kwp_session),
    KWP(0x11, kwp_reset, kwp_reset_answer),
    KWP(0x14, kwp_group, kwp_group_answer),
    KWP(0x17, kwp_group, kwp_status_answer),
    KWP(0x18, kwp_codes, kwp_codes_answer),
    KWP(0x1A, kwp_identification, kwp_identification_answer),
    KWP(0x20, nothing, nothing),
    KWP(0x21, kwp_local, kwp_local_data),
    KWP(0x22, kwp_common, kwp_common_data),
    KWP(0x23, kwp_memory, rest_only),
    {FOR_14230, 0x27, 1, 1, kwp_seed, kwp_seed_answer},
    {FOR_14230, 0x27, 1, 0, kwp_key, kwp_key_answer},
    KWP(0x28, kwp_required, nothing),
    KWP(0x29, kwp_required, nothing),
    KWP(0x2C, kwp_define, kwp_define_answer),
    KWP(0x2E, kwp_common_data, kwp_common_answer),
    KWP(0x2F, kwp_control_common, kwp_control_common),
    KWP(0x30, kwp_control, kwp_control),
    KWP(0x31, kwp_routine, kwp_routine_answer),
    KWP(0x32, kwp_routine, kwp_routine_answer),
    KWP(0x33, kwp_routine, kwp_routine_answer),
    KWP(0x34, kwp_download, kwp_download_answer),
    KWP(0x35, kwp_download, kwp_download_answer),
    KWP(0x36, transfer, transfer_answer),
    KWP(0x37, exit_request, exit_answer),
    KWP(0x38, kwp_address, kwp_address_answer),
    KWP(0x39, kwp_address, kwp_address_answer),
    KWP(0x3A, kwp_address, kwp_address_answer),
    KWP(0x3B, kwp_local_data, kwp_local_answer),
    KWP(0x3D, kwp_memory_data, kwp_memory_answer),
    KWP(0x3E, kwp_required, nothing),
    KWP(0x85, kwp_setting, nothing),
    KWP(0x86, kwp_event, kwp_event_answer),
};
const size_t field_layout_count = sizeof field_layouts / sizeof *field_layouts;
