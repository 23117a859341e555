/*
 * Exchanges to what they say: ISO 14229-1:2020 services 10, 14, 19 01/02/0A, 22, 2E, 31 01/02/03, 3E, 85 and 7F, by one
 * table (service_table), not by one function a service. Knows the standard, not the user's definitions.
 */
#ifndef TT_SERVICE_H
#define TT_SERVICE_H

#include "exchange.h"

/* Names as ISO 14229-1 spells them; NULL when the standard has none. */
const char *service_name(uint8_t sid);                 /* "ReadDataByIdentifier" */
const char *service_nrc_name(uint8_t nrc);             /* "conditionsNotCorrect"; ranges: "ISOSAEReserved", "vehicleManufacturerSpecificConditionsNotCorrect" */
const char *service_sub_function_name(uint8_t sid, uint8_t sub_function); /* "startRoutine"; NULL */
bool service_has_sub_function(uint8_t sid);            /* byte 1 is a sub-function with the suppress bit */
uint8_t service_by_name(const char *name);             /* request SID, 0 when there is no such service */
/* All service names, for "did you mean"; count of them. */
size_t service_names(const char *const **names);
const char *service_status_bit_name(unsigned bit);     /* DTC status bits 0..7: "testFailed", ... (D.2) */
/* DTC text of ISO 15031-6 / SAE J2012: 0x80A009 -> "B00A0-09"; two-byte form without the suffix. out: at least 9 bytes. */
void service_dtc_text(uint32_t dtc, bool two_byte, char out[9]);
/* Reads it back; false when it is none. */
TT_MUST_USE bool service_parse_dtc(const char *text, uint32_t *dtc, bool *two_byte);
/* 17 characters without I, O, Q, all capital letters or digits (ISO 3779). */
bool service_vin_well_formed(const uint8_t *text, size_t length);
/* The check character that position 9 should have (49 CFR 565.15(c)); 0 when not well formed. */
char service_vin_check(const uint8_t *text, size_t length);

enum service_kind {
    SERVICE_OTHER,    /* nothing more is known: "not decoded: n bytes" */
    SERVICE_SESSION,  /* 10: sub_function, p2, p2_star (ns) */
    SERVICE_RESET,    /* 11 (only as far as D 7.6 and 7.10 need it): sub_function */
    SERVICE_CLEAR,    /* 14: group */
    SERVICE_CODES,    /* 19 01 / 02 / 0A */
    SERVICE_READ,     /* 22 */
    SERVICE_WRITE,    /* 2E: identifier */
    SERVICE_ROUTINE,  /* 31: part, identifier */
    SERVICE_TESTER_PRESENT, /* 3E */
    SERVICE_SETTING,  /* 85: sub_function 1 on, 2 off */
};

/* What request and answer of one exchange say. Offsets count in the message's payload, SID included. */
struct service_content {
    enum service_kind kind;
    uint8_t service, sub_function; /* sub_function without the suppress bit */
    const char *malformed;         /* NULL, or what is wrong with the request or answer ("shorter than its table"): then only service is sure */
    uint32_t group;                /* CLEAR */
    uint16_t identifier;           /* WRITE, ROUTINE, and READ with one identifier */
    uint32_t data_offset, data_length; /* of the answer: bytes behind the echo (READ with one identifier, ROUTINE) */
    /* CODES */
    bool is_count, is_supported;   /* 19 01; 19 0A */
    bool has_mask;                 /* 19 01, 02: the request's DTCStatusMask is known */
    uint8_t mask;                  /* bits asked for by every question that could own the answer (D 7.10) */
    uint8_t narrow_mask;           /* bits asked for by any of them: a count above 0 speaks only of bits in here */
    uint8_t availability;
    uint32_t count;                /* 19 01: the number stated; else number of code entries */
    uint32_t entries_offset;       /* 19 02, 0A: entries of 4 bytes (3 DTC, 1 status) */
    /* SESSION */
    int64_t p2, p2_star;
};

/* Reads an exchange whose final answer is positive (response given), or only its request (response NULL). */
void service_read(const struct exchange_event *event, struct service_content *content);

#endif
