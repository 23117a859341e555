/*
 * The definition language as the decoder sees it (D 6): a read-only model, made once by definitions_load (loader.h) in an
 * arena, borrowed by every stage for the whole run. Numbers are already exact and scaled: the hot path only multiplies,
 * adds and compares integers (D 2.7).
 *
 * A *reading* is anything with a name that a step, condition or listing can mean: a field, a flag of a field, a derived
 * sum. All readings of all files stand in one table, definitions.readings, and are told apart by their index.
 */
#ifndef TT_DEFINITIONS_MODEL_H
#define TT_DEFINITIONS_MODEL_H

#include "../decoder/support/arena.h"
#include "../decoder/support/digest.h"
#include "../decoder/support/ratio.h"
#include "../decoder/support/standard.h"
#include "../decoder/support/units.h"

#define DEF_NONE UINT32_MAX      /* no index */
#define DEF_NAME_MAX 200         /* bytes of a name (D 6.1) */
#define DEF_STEPS_MAX 64         /* steps of a procedure */
#define DEF_CONDITIONS_MAX 64
#define DEF_PARTS_MAX 32         /* parts of a derived sum (VALUE_PARTS_MAX of stages/record.h) */
#define DEF_NO_ID UINT32_MAX     /* no CAN id */
#define DEF_ID_29 0x80000000u    /* set in a CAN id word of a 29-bit id, as in linux/can.h */

/* Where something stands in a definition file, for messages and for walking back (D 2.4). line 0: nowhere. */
struct def_place {
    uint32_t file; /* index into definitions.files */
    uint32_t line, column; /* from 1 */
};

enum reading_kind { /* what one reading is */
    READING_NUMBER, /* has a value; may also have a named state */
    READING_TEXT,   /* ASCII or UTF-8 text of the field's bytes */
    READING_BYTES,  /* raw bytes, shown as hex */
    READING_FLAG,   /* yes or no */
};

/*
 * One reading. A READING_NUMBER's value is numerator/denominator with the denominator fixed here, so values of one
 * reading compare as integers.
 */
struct def_reading {
    const char *name;      /* "seat load.total", "zero point.results.state", "seat load.status.occupied" */
    const char *long_name; /* "seat scale/seat load.total" */
    const char *unit;      /* "" when none */
    uint32_t module;       /* index into definitions.modules */
    enum reading_kind kind;
    tt_wide denominator;   /* > 0, < 2^100; 1 for everything but numbers */
    struct def_name *names;/* named states, sorted by number (raw); NULL without */
    uint32_t name_count;
    struct def_place place;
};

struct def_name {
    uint64_t number; /* of the raw number after mask (D 6.4) */
    const char *text;
};

struct def_flag {
    uint64_t mask;    /* flag is yes when (number & mask) != 0; exactly one bit is set in practice */
    uint32_t reading; /* READING_FLAG */
};

enum field_type { FIELD_UNSIGNED, FIELD_SIGNED, FIELD_TEXT, FIELD_BYTES, FIELD_FLOAT };

/* A stretch of a curve (D 6.4): for numbers from <= raw <= to the value numerator is (raw - from) * slope + base. */
struct def_curve_piece {
    int64_t from, to; /* of the raw number, after its sign */
    tt_wide slope, base;
};

/* One field of a record (D 6.4). */
struct def_field {
    uint32_t byte;   /* from the first byte after what the answer echoes */
    uint32_t length; /* bytes; text and bytes: DEF_NONE = all the rest */
    enum field_type type;
    bool little;     /* order: little */
    uint64_t mask;   /* selected bits of the length bytes; all ones over the length when not given */
    uint32_t mask_bits; /* number of selected bits, 1..64 */
    tt_wide factor, offset; /* value numerator = raw * factor + offset over the reading's denominator; |result| < 2^120 */
                            /* a float m * 2^e: factor holds the twos that a negative e takes out (record.c) */
    struct def_curve_piece *curve; /* NULL: factor and offset; else ascending pieces, no value outside all of them */
    uint32_t curve_count;
    uint32_t when_field; /* DEF_NONE, or an earlier field of this record that must have... */
    uint64_t when_is;    /* ...this raw number, else the field is not there (paged records) */
    uint64_t *absent; /* raw numbers that mean "no value" (not connected, not available) */
    uint32_t absent_count;
    bool has_valid;
    tt_wide valid_low, valid_high; /* numerators over the reading's denominator, ends included */
    struct def_flag *flags;
    uint32_t flag_count;
    uint32_t reading;
};

/* A sum over fields of the same record (D 6.8); exists only if every part has a value (D 7.6). */
struct def_derived {
    uint32_t *fields; /* indexes into record.fields, at least one */
    tt_wide *factors; /* per part: its numerator times this is over the derived reading's denominator and unit */
    uint32_t field_count;
    uint32_t reading;
};

/* What an example says of one reading (D 6.3). */
struct def_given {
    uint32_t reading;
    struct ratio value;   /* when is_number: in the reading's unit */
    bool is_number;
    const char *text;     /* else a state name, yes/no, or text; "absent" for no value */
    struct def_place place;
};

struct def_example {
    const uint8_t *bytes;
    uint32_t length;
    struct def_given *gives;
    uint32_t given_count;
    struct def_place place;
};

/* The bytes of one kind of answer, part of a routine or broadcast. */
struct def_record {
    const char *name;  /* "seat load", "zero point.results", "airbag lamp" */
    uint32_t length;   /* bytes after the echo; DEF_NONE when not given */
    struct def_field *fields;
    uint32_t field_count;
    struct def_derived *derived;
    uint32_t derived_count;
    struct def_example *examples;
    uint32_t example_count;
    struct def_place place;
};

struct def_identifier { /* services 22 and 2E (D 6.3) */
    uint16_t key;
    const char *name;
    struct def_record record;
};

/* PART_START to PART_RESULTS are the sub-functions of RoutineControl 0x31. A control's `set` (any parameter but
 * returnControlToECU) and a write's `write` are PART_START: they are what opens an attempt (D 7.3); `return` is PART_STOP. */
enum action_part { PART_START = 1, PART_STOP = 2, PART_RESULTS = 3 };

struct def_action_part {
    bool defined;                 /* has a request or answer block */
    struct def_record answer;
    struct def_record request;    /* field_count 0 when not given; its fields are readings "zero point.start request.FIELD" */
};

/* ISO 15765-2:2016 8.3.2 (D 6.5). Extended and mixed have one address byte before the PCI. */
enum address_format { ADDRESS_NORMAL, ADDRESS_NORMAL_FIXED, ADDRESS_EXTENDED, ADDRESS_MIXED };

enum action_kind {
    ACTION_ROUTINE,       /* 31 01/02/03 with a two-byte routine identifier; iso14230 by local identifier: 31/32/33, one byte */
    ACTION_ROUTINE_ADDRESS, /* iso14230: 38/39/3A with a three-byte address */
    ACTION_CONTROL,       /* 2F with a two-byte identifier; part set or return */
    ACTION_CONTROL_LOCAL, /* iso14230: 30 with a one-byte local identifier */
    ACTION_WRITE,         /* 2E with a two-byte identifier */
    ACTION_WRITE_LOCAL,   /* iso14230: 3B with a one-byte local identifier */
};

struct def_action {
    enum action_kind kind;
    uint32_t key; /* routine identifier, local identifier, address or identifier, as kind says */
    const char *name;
    uint32_t module;
    struct def_action_part parts[4]; /* by enum action_part; [0] unused */
};

struct def_broadcast { /* plain frames, never transport */
    uint32_t id; /* CAN id word */
    const char *name;
    struct def_record record; /* byte counts from frame byte 0 */
};

struct def_code {
    uint32_t code; /* three-byte DTC */
    const char *text;
};

struct def_module {
    const char *name;
    uint32_t file;
    enum dialect dialect;
    enum address_format format;
    uint32_t request_id, response_id; /* CAN id words */
    uint32_t functional_id;           /* CAN id word; DEF_NO_ID when not given */
    uint8_t request_byte, response_byte; /* extended: N_TA of each direction; mixed: N_AE, the same in both */
    uint8_t functional_byte;
    int64_t p2, p2_star, n_cr;        /* ns; the standards' defaults when not given */
    struct def_identifier *identifiers; /* services 22, 2E; sorted by key */
    uint32_t identifier_count;
    struct def_identifier *local_identifiers; /* iso14230: 21, 3B; one-byte keys, sorted */
    uint32_t local_identifier_count;
    struct def_identifier *identification; /* iso14230: 1A; one-byte keys, sorted */
    uint32_t identification_count;
    struct def_broadcast *broadcasts; /* sorted by id */
    uint32_t broadcast_count;
    struct def_code *codes; /* sorted by code */
    uint32_t code_count;
};

/* A limit pair over one reading, turned into numerators once (D 2.7): low_n <= n <= high_n means inside, ends
 * included; n < low_n is below, n > high_n is above. A missing end is the smallest or largest tt_wide. */
struct def_limits {
    bool has_low, has_high;
    struct ratio low, high; /* as written, in `unit`, for printing */
    const char *unit;       /* as written */
    tt_wide low_n, high_n;  /* ceil(low), floor(high) over the reading's denominator and unit */
    /* less guard (D 7.7): inside with safety margin iff safe_low_n <= n <= safe_high_n. Equal to low_n/high_n without guard. */
    tt_wide safe_low_n, safe_high_n;
};

struct def_condition {
    const char *text;    /* the condition's own words, as a mark names it */
    uint32_t reading;    /* DEF_NONE: only a person can state it */
    struct def_limits limits; /* when a reading with `between` is given */
    const char **is; uint32_t is_count; /* when a reading with `is` is given */
    struct def_place place;
};

enum step_kind { STEP_READING, STEP_ACTION, STEP_ANSWERED, STEP_CODES, STEP_IDENTITY, STEP_RECORD };
enum codes_tested { TESTED_NOT_ASKED, TESTED_SINCE_CLEAR, TESTED_THIS_CYCLE };

struct def_step {
    const char *name;
    enum step_kind kind;
    bool opens_attempt;
    uint32_t module; /* whose answers count for actions, answered, codes */
    struct def_place place;

    /* STEP_READING, STEP_IDENTITY */
    uint32_t reading;
    bool has_steady;
    int64_t steady_for, steady_gap; /* ns; gap 2.5 s when not given */
    struct ratio within;            /* full width, in the reading's unit; only with numbers */
    const char *within_unit;        /* as written */
    tt_wide within_n;               /* floor over the reading's denominator; largest - smallest <= within_n fits */
    bool has_between;
    struct def_limits limits;
    struct ratio guard;
    const char *guard_unit;
    bool has_guard;
    const char **is;                /* state names that are inside; texts "yes"/"no" for flags */
    uint32_t is_count;
    bool has_above, has_below;      /* select */
    tt_wide above_n, below_n;       /* meets select iff n > above: n >= above_n, and n < below: n <= below_n */
    struct ratio above, below;
    const char *select_unit;
    const char *applied;            /* as written ("30 kg"), printed only; NULL when not given */
    const char *mark;               /* name of the moment; NULL when not given */
    int64_t wait;                   /* ns, 30 s when not given */
    const char *equals_mark;        /* STEP_IDENTITY: name of the identity mark */

    /* STEP_ACTION */
    uint32_t action;                /* index into definitions.actions */
    uint32_t outcome;               /* reading, DEF_NONE without outcome */
    enum action_part outcome_part;  /* which answer carries it */
    const char **confirmed; uint32_t confirmed_count; /* state names */
    const char **waiting; uint32_t waiting_count;

    /* STEP_ANSWERED */
    uint8_t service;                /* request SID */

    /* STEP_CODES (STEP_RECORD uses none of this) */
    bool none_present, none_stored; /* iso14230: `none in: [present, stored]` */
    uint8_t none_with;              /* DTC status bits; iso14230: 0 */
    enum codes_tested tested;
};

struct def_file {
    const char *path;  /* as given, for messages only */
    const char *name;  /* last path component, for outputs */
    const char *bytes; /* the whole file, NUL behind it */
    size_t length;
    char sha256[DIGEST_TEXT];
};

struct definitions {
    struct arena arena;
    struct def_file *files;
    uint32_t file_count;
    struct def_module *modules;
    uint32_t module_count;
    struct def_action *actions; /* of all modules */
    uint32_t action_count;
    struct def_reading *readings;
    uint32_t reading_count;
    struct def_condition *conditions;
    uint32_t condition_count;
    struct def_step *steps;
    uint32_t step_count;
    uint32_t main_module; /* whose bare names conditions and procedure use; DEF_NONE without a procedure */
};

/* Identifier, routine, broadcast, code text of a module; NULL when not described. O(log n). */
const struct def_identifier *definitions_identifier(const struct def_module *module, uint16_t key);
const struct def_identifier *definitions_local_identifier(const struct def_module *module, uint8_t key);
const struct def_identifier *definitions_identification(const struct def_module *module, uint8_t key);
const struct def_action *definitions_action(const struct definitions *definitions, uint32_t module, enum action_kind kind,
                                            uint32_t key);
const struct def_action *definitions_routine(const struct definitions *definitions, uint32_t module, uint16_t key);
const struct def_broadcast *definitions_broadcast(const struct def_module *module, uint32_t id);
const char *definitions_code_text(const struct def_module *module, uint32_t code);
/* Text of a named state of this reading, NULL when the raw number has no name. */
const char *definitions_state(const struct def_reading *reading, uint64_t raw);

#endif
