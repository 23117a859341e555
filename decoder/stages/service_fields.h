/*
 * The parts of a request and its answer by name, for listings: every service and sub-function of ISO 14229-1:2020, of
 * ISO 14230-3, and the OBD services a seat job meets, by one table of field rows (service_layouts.c; docs/services.md
 * prints it, and a test holds the two together). What no source describes is one field, "notDecoded". Nothing is judged
 * by these fields: what verdicts rest on is read by service.h. No allocation, no state, nothing fails.
 */
#ifndef TT_SERVICE_FIELDS_H
#define TT_SERVICE_FIELDS_H

#include "service.h"

enum service_field_kind {
    SERVICE_FIELD_NUMBER,      /* number */
    SERVICE_FIELD_BYTES,       /* bytes, length */
    SERVICE_FIELD_TEXT,        /* bytes are characters: to be escaped where they go (D 8.7) */
    SERVICE_FIELD_MASKED,      /* a seed or a key: only its length is told (D 8.6) */
    SERVICE_FIELD_NOT_DECODED, /* bytes that no table describes; text says why */
};

struct service_field {
    const char *name;      /* the standard's, "dataIdentifier"; static */
    bool of_answer;        /* else of the request */
    uint32_t index;        /* which one of a repeated group, from 1; 0: not repeated */
    enum service_field_kind kind;
    uint64_t number;       /* NUMBER */
    const uint8_t *bytes;  /* every kind but MASKED: the field's bytes in the message; borrowed */
    uint32_t offset, length; /* in the payload, SID is byte 0; bits of a byte have that byte */
    const char *text;      /* what the number means ("startRoutine", "B00A0-09", "testFailed confirmedDTC"), or NULL; valid
                            * until the callback returns */
    const char *remark;    /* NULL, or what is odd about it: a VIN's check digit */
};

/* The fields of the request, then those of event->response (if any), each message in the order of its bytes. secrets: seeds
 * and keys of SecurityAccess are given too. Pending answers (7F .. 78) are not listed. */
void service_fields(const struct exchange_event *event, bool secrets,
                    void (*emit)(void *context, const struct service_field *field), void *context);

/* Where the seed or key begins in a message of SecurityAccess (request or answer), for whoever prints its bytes; length when
 * it has none, or is no such message. */
uint32_t service_secret_offset(const uint8_t *bytes, uint32_t length);

enum service_warning { SERVICE_NO_WARNING, SERVICE_REMARK, SERVICE_SAFETY };
/* What a person must be told of this request whatever came of it: pyrotechnics (ISO 26021-2: 31 E2xx, 27 5F/60), the safety
 * system session (10 04). *text is static, NULL without a warning. */
enum service_warning service_warning(const struct exchange *exchange, const char **text);

/* One row of docs/services.md; false behind the last. "request" and "answer" are written as in that table; room of at
 * least SERVICE_ROW_TEXT bytes each. */
#define SERVICE_ROW_TEXT 512
TT_MUST_USE bool service_layout_row(size_t index, char name[SERVICE_ROW_TEXT], char request[SERVICE_ROW_TEXT],
                                    char answer[SERVICE_ROW_TEXT]);

#endif
