/*
 * Exchanges to what they say: the services of ISO 14229-1:2020, of ISO 14230-3 and the vehicle information of OBD, by
 * tables (service_table for what the program judges by, service_fields.h for the listing), not by one function a
 * service. Knows the standards, not the user's definitions. The module's dialect tells which table counts.
 */
#ifndef TT_SERVICE_H
#define TT_SERVICE_H

#include "exchange.h"

enum service_kind {
    SERVICE_OTHER,    /* its fields may be listed (service_fields.h), but nothing is judged by it */
    SERVICE_SESSION,  /* 10, iso14230 also 20: sub_function, is_default_session, p2, p2_star (ns) */
    SERVICE_RESET,    /* 11 (only as far as D 7.6 and 7.10 need it): sub_function */
    SERVICE_CLEAR,    /* 14: group */
    SERVICE_CODES,    /* 19 01 / 02 / 0A */
    SERVICE_READ,     /* 22 */
    SERVICE_WRITE,    /* 2E, iso14230 also 3B: an action; identifier (of 2E) */
    SERVICE_ROUTINE,  /* 31; iso14230: 31, 32, 33, 38, 39, 3A: an action; identifier (of the two-byte form) */
    SERVICE_TESTER_PRESENT, /* 3E */
    SERVICE_SETTING,  /* 85: sub_function 1 on, 2 off; group (iso14230) */
    SERVICE_CONTROL,  /* 2F, iso14230 also 30: an action; control_parameter, identifier (of 2F) */
    SERVICE_READ_LOCAL, /* iso14230 21: key */
    SERVICE_IDENTIFICATION, /* iso14230 1A: key */
    SERVICE_CODES_14230, /* iso14230 18: sub_function is the request's parameter; group, is_supported, count, entries */
    SERVICE_VEHICLE_INFORMATION, /* OBD 09: sub_function is the information type (02 VIN), data behind the item count */
    SERVICE_DEFINE,   /* 2C: sub_function 1 by identifier, 2 by memory address, 3 clear; identifier (0: clears all) */
    SERVICE_PERIODIC, /* 2A: sub_function is the transmission mode, 4 stops */
};

#define SERVICE_CODE_ENTRY 4       /* bytes of an entry of SERVICE_CODES: three DTC, one status */
#define SERVICE_CODE_ENTRY_14230 3 /* of SERVICE_CODES_14230: two DTC, one status */

/* What request and answer of one exchange say. Offsets count in the message's payload, SID included. */
struct service_content {
    enum service_kind kind;
    enum dialect dialect;
    uint8_t service, sub_function; /* sub_function without the suppress bit; of an action its part (enum action_part) */
    const char *malformed;         /* NULL, or what is wrong with the request or answer ("shorter than its table"): then only service is sure */
    uint32_t group;                /* CLEAR: three bytes, iso14230 two; CODES_14230, SETTING of iso14230: two */
    uint16_t identifier;           /* two-byte identifier of WRITE, ROUTINE, CONTROL, DEFINE, and READ with one identifier */
    uint32_t data_offset, data_length; /* of the answer: bytes behind the echo (what D 6.4 counts from) */
    /*
     * Actions: routines, controls, writes (D 6.6, 7.3), also from the request alone. definitions_action(definitions, module,
     * action_kind, key) is its description. Not set for what moves nothing: sub-functions of 31 other than 1 to 3, and the
     * reports among the control parameters of ISO 14230.
     */
    bool is_action;
    enum action_kind action_kind;
    uint32_t key;                  /* routine, local identifier, address, identifier; READ_LOCAL, IDENTIFICATION: theirs */
    uint8_t control_parameter;     /* CONTROL */
    uint32_t request_data_offset, request_data_length; /* of the request: bytes behind what the answer echoes, as kept */
    bool is_default_session;       /* SESSION: the module goes to its default session if it agrees */
    /* CODES */
    bool is_count, is_supported;   /* 19 01; 19 0A and 18 01 or 03 */
    bool has_mask;                 /* 19 01, 02: the request's DTCStatusMask is known */
    uint8_t mask;                  /* bits asked for by every question that could own the answer (D 7.10) */
    uint8_t narrow_mask;           /* bits asked for by any of them: a count above 0 speaks only of bits in here */
    uint8_t availability;
    uint32_t count;                /* 19 01: the number stated; else number of code entries */
    uint32_t entries_offset;       /* 19 02, 0A, 18: the entries */
    /* SESSION */
    int64_t p2, p2_star;
};

/* Reads an exchange whose final answer is positive (response given), or only its request (response NULL). */
void service_read(const struct exchange_event *event, struct service_content *content);

#endif
