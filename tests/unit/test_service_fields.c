/*
 * decoder/stages/service_fields.h, and that docs/services.md says what its table does. Field by field it is compared with
 * another implementation in tests/outside/services_against_scapy.py; here stand the edges: bytes missing or too many,
 * hostile lengths, masks, warnings.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "service_fields.h"
#include "support_message.h"

static char told[4096];

static void note(void *context, const struct service_field *field)
{
    size_t used = strlen(told);
    (void)context;
    if (used > sizeof told - 512) /* only the round of random bytes fills it */
        return;
    used += (size_t)snprintf(told + used, sizeof told - used, "%s%s%s", used ? "; " : "", field->of_answer ? "=" : "",
                             field->name);
    if (field->index)
        used += (size_t)snprintf(told + used, sizeof told - used, "#%u", field->index);
    if (field->kind == SERVICE_FIELD_NUMBER)
        used += (size_t)snprintf(told + used, sizeof told - used, " %llx", (unsigned long long)field->number);
    else
        used += (size_t)snprintf(told + used, sizeof told - used, " %u bytes", field->length);
    if (field->kind == SERVICE_FIELD_NOT_DECODED || field->kind == SERVICE_FIELD_MASKED)
        used += (size_t)snprintf(told + used, sizeof told - used, " (%s)", field->text);
    if (field->kind == SERVICE_FIELD_MASKED)
        assert_null(field->bytes);
    if (field->remark)
        snprintf(told + used, sizeof told - used, " !%s", field->remark);
}

static struct exchange exchange;
static uint8_t request_bytes[64];

static void says(enum dialect dialect, const char *request, const char *answer, bool secrets, const char *expected)
{
    uint8_t answer_bytes[64];
    uint32_t length = test_hex(request, request_bytes, sizeof request_bytes);
    uint32_t answer_length = test_hex(answer, answer_bytes, sizeof answer_bytes);
    struct message message = test_message(DIRECTION_RESPONSE, 0, 2, 2, 10, 10, answer_bytes, answer_length);
    exchange = (struct exchange){.dialect = dialect, .service = length ? request_bytes[0] : answer_bytes[0] - 0x40,
                                 .request_bytes = request_bytes, .request_kept = length, .request_length = length};
    struct exchange_event event = {.exchange = &exchange, .response = answer_length ? &message : NULL};
    told[0] = '\0';
    service_fields(&event, secrets, note, NULL);
    assert_string_equal(told, expected);
}

static void whole_and_broken_messages(void **state)
{
    (void)state;
    const enum dialect uds = DIALECT_ISO14229;
    says(uds, "10 83", "50 03 00 32 01 F4", false,
         "suppressPosRspMsgIndicationBit 1; diagnosticSessionType 3; =diagnosticSessionType 3; =P2Server_max 32; "
         "=P2*Server_max 1f4");
    says(uds, "10 03", "50 03", false, "diagnosticSessionType 3; =diagnosticSessionType 3");
    says(uds, "10 03", "50 03 00", false,
         "diagnosticSessionType 3; =diagnosticSessionType 3; "
         "=notDecoded 1 bytes (not decoded: 1 bytes, ends before the end of P2Server_max)");
    says(uds, "19 02 09", "59 02 FF 80 A0 09 2F 9A", false,
         "reportType 2; DTCStatusMask 9; =reportType 2; =DTCStatusAvailabilityMask ff; =DTC#1 80a009; =statusOfDTC#1 2f; "
         "=notDecoded 1 bytes (not decoded: 1 bytes, ends before the end of DTC)");
    says(uds, "11 01", "51 01 07", false,
         "resetType 1; =resetType 1; =notDecoded 1 bytes (not decoded: 1 bytes, behind the last field of its table)");
    says(uds, "BA 01 02", "FA 01", false,
         "notDecoded 2 bytes (not decoded: 2 bytes, no table has this service); "
         "=notDecoded 1 bytes (not decoded: 1 bytes, no table has this service)");
    says(uds, "19", "", false, ""); /* nothing behind the SID */
    says(uds, "22 3C 40", "7F 22 31", false, "dataIdentifier#1 3c40; =requestServiceId 22; =negativeResponseCode 31");
    says(uds, "", "62 3C 40 01", false, "=dataIdentifier 3c40; =dataRecord 1 bytes");
    says(uds, "22 F1 90 F1 8C", "62 F1 90 31 F1 8C 32", false,
         "dataIdentifier#1 f190; dataIdentifier#2 f18c; =dataIdentifier f190; "
         "=dataRecord 4 bytes !holds the records of all identifiers asked for; definitions split it");
}

/* Lengths that a message tells of itself are distrusted. */
static void hostile_lengths(void **state)
{
    (void)state;
    says(DIALECT_ISO14229, "38 04 FF FF 41", "", false,
         "modeOfOperation 4; filePathAndNameLength ffff; "
         "notDecoded 1 bytes (not decoded: 1 bytes, ends before the end of filePathAndName)");
    says(DIALECT_ISO14229, "23 FF 00", "", false,
         "memorySizeLength f; memoryAddressLength f; "
         "notDecoded 1 bytes (not decoded: 1 bytes, ends before the end of memoryAddress)");
    says(DIALECT_ISO14229, "23 00 01", "", false,
         "memorySizeLength 0; memoryAddressLength 0; "
         "notDecoded 1 bytes (not decoded: 1 bytes, behind the last field of its table)");
    /* A repeated group of no bytes must end. */
    says(DIALECT_ISO14229, "2C 02 F3 00 00 01 02", "", false,
         "definitionType 2; dynamicallyDefinedDataIdentifier f300; memorySizeLength 0; memoryAddressLength 0; "
         "notDecoded 2 bytes (not decoded: 2 bytes, behind the last field of its table)");
    says(DIALECT_ISO14229, "23 1F 00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F", "", false,
         "memorySizeLength 1; memoryAddressLength f; memoryAddress 15 bytes; memorySize f");
}

/* D 8.6. */
static void seeds_and_keys(void **state)
{
    (void)state;
    says(DIALECT_ISO14229, "27 01", "67 01 11 22", false,
         "securityAccessType 1; =securityAccessType 1; =securitySeed 2 bytes (masked: 2 bytes)");
    says(DIALECT_ISO14229, "27 01", "67 01 11 22", true,
         "securityAccessType 1; =securityAccessType 1; =securitySeed 2 bytes");
    says(DIALECT_ISO14229, "27 82 33 44 55", "67 02", false,
         "suppressPosRspMsgIndicationBit 1; securityAccessType 2; securityKey 3 bytes (masked: 3 bytes); "
         "=securityAccessType 2");
    says(DIALECT_ISO14230, "27 04 33", "67 04 34", false,
         "accessMode 4; key 1 bytes (masked: 1 bytes); =accessMode 4; =securityAccessStatus 1 bytes");
    const uint8_t seed[] = {0x67, 0x01, 0xAA}, key[] = {0x27, 0x02, 0xAA}, other[] = {0x67, 0x02, 0xAA}, none[] = {0x67};
    assert_int_equal(service_secret_offset(seed, 3), 2);
    assert_int_equal(service_secret_offset(key, 3), 2);
    assert_int_equal(service_secret_offset(other, 3), 3);
    assert_int_equal(service_secret_offset(none, 1), 1);
}

static enum service_warning warning_of(enum dialect dialect, const char *request)
{
    const char *text;
    uint32_t length = test_hex(request, request_bytes, sizeof request_bytes);
    exchange = (struct exchange){.dialect = dialect, .service = request_bytes[0], .request_bytes = request_bytes,
                                 .request_kept = length, .request_length = length};
    enum service_warning warning = service_warning(&exchange, &text);
    assert_int_equal(text != NULL, warning != SERVICE_NO_WARNING);
    return warning;
}

/* ISO 26021-2 identifiers within ISO 14229-1 (seen). */
static void warnings(void **state)
{
    (void)state;
    assert_int_equal(warning_of(DIALECT_ISO14229, "31 01 E2 00"), SERVICE_SAFETY);
    assert_int_equal(warning_of(DIALECT_ISO14229, "31 81 E2 01 00"), SERVICE_SAFETY);
    assert_int_equal(warning_of(DIALECT_ISO14229, "31 01 E2 FF"), SERVICE_SAFETY);
    assert_int_equal(warning_of(DIALECT_ISO14229, "27 5F"), SERVICE_SAFETY);
    assert_int_equal(warning_of(DIALECT_ISO14229, "27 E0 11"), SERVICE_SAFETY);
    assert_int_equal(warning_of(DIALECT_ISO14229, "10 04"), SERVICE_REMARK);
    assert_int_equal(warning_of(DIALECT_ISO14229, "31 03 E2 01"), SERVICE_NO_WARNING);
    assert_int_equal(warning_of(DIALECT_ISO14229, "31 01 E1 FF"), SERVICE_NO_WARNING);
    assert_int_equal(warning_of(DIALECT_ISO14229, "31 01 E3 00"), SERVICE_NO_WARNING);
    assert_int_equal(warning_of(DIALECT_ISO14229, "31 01 E2"), SERVICE_NO_WARNING);
    assert_int_equal(warning_of(DIALECT_ISO14229, "27 01"), SERVICE_NO_WARNING);
    assert_int_equal(warning_of(DIALECT_ISO14229, "10 03"), SERVICE_NO_WARNING);
    assert_int_equal(warning_of(DIALECT_ISO14230, "31 01 E2 01"), SERVICE_NO_WARNING); /* local identifier 01 */
}

/* Every row of the table is a row of the document, with its source, and the document has no more. */
static void the_document_is_the_table(void **state)
{
    (void)state;
    FILE *file = fopen(TT_SOURCE_DIR "/docs/services.md", "rb");
    assert_non_null(file);
    static char text[1 << 17];
    text[fread(text, 1, sizeof text - 1, file)] = '\0';
    fclose(file);
    char name[SERVICE_ROW_TEXT], request[SERVICE_ROW_TEXT], answer[SERVICE_ROW_TEXT];
    size_t rows = 0, documented = 0;
    for (; service_layout_row(rows, name, request, answer); rows++) {
        char line[4 * SERVICE_ROW_TEXT];
        snprintf(line, sizeof line, "\n| %s | %s | %s | ", name, request, answer);
        const char *found = strstr(text, line);
        if (!found)
            fail_msg("docs/services.md lacks the row:%s", line);
        const char *source = found + strlen(line), *end = strchr(source, '\n');
        assert_non_null(end);
        assert_true((size_t)(end - source) >= strlen("seen |"));
        char words[100];
        snprintf(words, sizeof words, "%.*s", (int)(end - source), source);
        assert_true(strstr(words, "seen") || strstr(words, "memory"));
    }
    assert_true(rows > 100);
    static const char *const dialects[] = {"\n| 14229 | ", "\n| OBD | ", "\n| 14230 | "};
    for (size_t i = 0; i < 3; i++)
        for (const char *at = text; (at = strstr(at, dialects[i])) != NULL; at++)
            documented++;
    assert_int_equal(documented, rows);
}

/* A request of which only the beginning was seen, and every length of a random message: nothing is read beyond it. */
static void any_bytes_are_read_within_bounds(void **state)
{
    (void)state;
    unsigned seed = 14229;
    for (int round = 0; round < 20000; round++) {
        uint8_t *bytes = malloc(40); /* of its exact size, so that a sanitizer sees a step beyond */
        uint32_t length = 1 + (uint32_t)rand_r(&seed) % 40;
        bytes = realloc(bytes, length);
        assert_non_null(bytes);
        for (uint32_t i = 0; i < length; i++)
            bytes[i] = (uint8_t)(rand_r(&seed) >> 3);
        struct message message = test_message(DIRECTION_RESPONSE, 0, 2, 2, 10, 10, bytes, length);
        exchange = (struct exchange){.dialect = (enum dialect)(round & 1), .service = bytes[0] & 0xBF,
                                     .request_bytes = bytes, .request_kept = round & 2 ? length : 0,
                                     .request_length = round & 2 ? length : 0};
        struct exchange_event event = {.exchange = &exchange, .response = round & 4 ? &message : NULL};
        struct service_content content;
        told[0] = '\0';
        service_fields(&event, false, note, NULL);
        service_read(&event, &content);
        assert_true(content.data_offset + content.data_length <= length);
        assert_true(content.request_data_offset + content.request_data_length <= length);
        free(bytes);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whole_and_broken_messages),
        cmocka_unit_test(hostile_lengths),
        cmocka_unit_test(seeds_and_keys),
        cmocka_unit_test(warnings),
        cmocka_unit_test(the_document_is_the_table),
        cmocka_unit_test(any_bytes_are_read_within_bounds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
