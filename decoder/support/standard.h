/*
 * Words of the standards: ISO 14229-1:2020, ISO 14230-3, trouble code text (ISO 15031-6, SAE J2012) and the vehicle
 * identification number (ISO 3779, 49 CFR 565.15). Names only, no layouts: definition files and outputs need them as
 * much as the stages do. Nothing here allocates or keeps anything; every text is static. docs/services.md says which
 * rows were seen in a text and which are from memory.
 */
#ifndef TT_STANDARD_H
#define TT_STANDARD_H

#include "support.h"

/* Whose services a module speaks (D 6.7). Many numbers mean something else in the other one. */
enum dialect { DIALECT_ISO14229, DIALECT_ISO14230 };

/* Names as the standard spells them; NULL when it has none. Services 01 to 0A are OBD in both (SAE J1979). */
const char *standard_service_name(enum dialect dialect, uint8_t sid); /* "ReadDataByIdentifier" */
uint8_t standard_service_by_name(enum dialect dialect, const char *name); /* request SID; 0 when there is none */
/* All names of the dialect but those of OBD, for "did you mean"; count of them. */
size_t standard_service_names(enum dialect dialect, const char *const **names);
/* Never NULL: ranges are named too, as "ISOSAEReserved". */
const char *standard_nrc_name(enum dialect dialect, uint8_t nrc);
/* "startRoutine"; NULL. sub_function without the suppress bit of ISO 14229; in ISO 14230 the whole byte. */
const char *standard_sub_function_name(enum dialect dialect, uint8_t sid, uint8_t sub_function);
const char *standard_identifier_name(uint16_t identifier); /* ISO 14229-1 annex C: "VIN" of F190; NULL */
const char *standard_routine_name(uint16_t routine);       /* ISO 14229-1 annex F: "deployLoopRoutineID" of E201; NULL */
const char *standard_status_bit_name(unsigned bit);        /* DTC status bits 0..7 (D.2): "testFailed"; NULL above 7 */

/* Text of a trouble code: 0x80A009 -> "B00A0-09"; a two-byte code has no suffix. out: at least 9 bytes. */
void standard_dtc_text(uint32_t dtc, bool two_byte, char out[9]);
/* Reads it back; false when it is none. */
TT_MUST_USE bool standard_parse_dtc(const char *text, uint32_t *dtc, bool *two_byte);

/* 17 characters without I, O, Q, all capital letters or digits (ISO 3779). */
bool standard_vin_well_formed(const uint8_t *text, size_t length);
/* The check character that position 9 should have (49 CFR 565.15(c)); 0 when not well formed. It is required in North
 * America only: another one is worth a remark, never an error. */
char standard_vin_check(const uint8_t *text, size_t length);

#endif
