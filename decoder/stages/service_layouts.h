/* The table of service_fields.h. Private to the service stage. */
#ifndef TT_SERVICE_LAYOUTS_H
#define TT_SERVICE_LAYOUTS_H

#include "../support/standard.h"

enum field_form {
    FIELD_END,
    FIELD_NUMBER_OF,   /* width bytes, most significant first */
    FIELD_SUB,         /* byte 1: sub-function; the request's suppress bit is a field of its own when set */
    FIELD_BITS,        /* width bits of the next byte, lowest is bit `shift`; the byte is passed at shift 0 */
    FIELD_SIZE_LENGTH, /* as BITS; how many bytes the SIZE fields have */
    FIELD_ADDRESS_LENGTH, /* the same for ADDRESS */
    FIELD_ADDRESS,
    FIELD_SIZE,
    FIELD_LENGTH,      /* width bytes: how many bytes the COUNTED fields have */
    FIELD_COUNTED,
    FIELD_COUNTED_TEXT,
    FIELD_BYTES_OF,    /* width bytes */
    FIELD_REST,        /* all the rest, may be none */
    FIELD_SECRET,      /* the same, masked */
    FIELD_TEXT_OF,     /* width characters */
    FIELD_VIN,         /* 17 characters */
    FIELD_DTC,         /* trouble code of three bytes, or two */
    FIELD_GROUP,       /* group of trouble codes, of three bytes or two */
    FIELD_STATUS,      /* ISO 14229-1 status of a trouble code, or a mask of it */
    FIELD_DATA_IDENTIFIER, /* two bytes */
    FIELD_ROUTINE,     /* two bytes */
    FIELD_SERVICE,     /* SID */
    FIELD_NRC,
    FIELD_REPEAT,      /* what follows repeats to the end */
    FIELD_MAY_END,     /* the message may end here */
};

struct field_name {
    uint32_t number;
    const char *text; /* NULL ends the list */
};

struct field_row {
    enum field_form form;
    const char *name;
    uint8_t width, shift;
    const struct field_name *names; /* of numbers and bits; NULL without */
};

/* First row that fits counts: byte 1, without its suppress bit, masked with select is selected. */
struct field_layout {
    enum { FOR_14229, FOR_14230, FOR_BOTH } dialect;
    uint8_t service, select, selected;
    const struct field_row *request, *answer; /* behind the SID; end with FIELD_END */
};

extern const struct field_layout field_layouts[];
extern const size_t field_layout_count;
extern const struct field_row field_refusal[]; /* behind 7F */

#endif
