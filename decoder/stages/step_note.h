/*
 * What the step stage's front (step.c) tells its judge (step_part.c): one note per thing that can matter to a procedure,
 * without pointers into the trace, so that notes can wait in a queue. A note is followed by `extra` bytes (an answer's
 * payload, an identity's text). Inside the step stage only.
 */
#ifndef TT_STEP_NOTE_H
#define TT_STEP_NOTE_H

#include "step.h"

enum note_kind {
    NOTE_START,   /* request of the opening action; what became of it is resolved by serial (D 7.3) */
    NOTE_STARTED, /* a positive answer to a start whose request the record lacks: it was accepted all the same */
    NOTE_IDENTITY_ASKED, /* request that reads a VIN or serial number; resolved: does it split the record? (D 7.2) */
    NOTE_SPLIT,   /* another VIN or serial number in an answer whose request the record lacks; extra: why */
    NOTE_ACTION,  /* a closed exchange of a described routine; extra: the answer */
    NOTE_SAMPLE,  /* a reading of a number or flag that a step or condition uses */
    NOTE_TEXT,    /* a text reading that an identity step uses; extra: the text, then the answer */
    NOTE_SERVICE, /* a closed exchange of a service some step asks for; extra: the answer */
    NOTE_CODES,   /* a positive answer of service 19; extra: the answer */
    NOTE_CLEAR,   /* ClearDiagnosticInformation: request seen (closed false) or closed */
    NOTE_SETTING, /* ControlDTCSetting: request seen (closed false) or closed */
    NOTE_DEFAULTS,/* a positive 10 01 or 11: trouble code setting is on again */
    NOTE_WRITE,   /* an accepted write of an identifier */
    NOTE_GAP,
    NOTE_MARK,
};

#define NOTE_WRITE_LOCAL 0x10000u /* in the index of NOTE_WRITE: a local identifier of ISO 14230-3 */

struct note {
    enum note_kind kind;
    uint32_t extra;              /* bytes behind the note */
    uint32_t module;             /* DEF_NONE: all */
    uint32_t index;              /* action, reading, mark (place in marks.by_time), enum gap_kind; WRITE: identifier */
    uint64_t serial;             /* of the exchange */
    uint64_t first_frame, last_frame; /* of the answer, frame or request the note is about */
    int64_t time, elapsed;       /* of its last frame */
    uint32_t epoch;
    uint32_t bus;                /* index, of the frames */
    uint64_t request_frame;      /* CLEAR, ACTION, SERVICE: first frame of the request */
    bool positive;               /* a positive answer came */
    bool refused;                /* a negative one came */
    bool unsolicited;            /* an answer nobody asked for: it shows values, but proves no action */
    uint8_t nrc;
    union {
        struct {
            enum action_part part;
            enum exchange_state state;
        } action;
        struct {
            tt_wide numerator;
            const char *name;    /* of the definitions, or static */
            enum value_state state;
        } sample;
        struct {
            uint32_t length;     /* text bytes at the start of extra */
        } text;
        struct {
            /* one bit per step of the procedure */
            uint64_t covers;     /* the question is covered (D 7.10) */
            uint64_t lists;      /* a code with one of the step's bits is listed, or counted and none other can be meant */
            uint64_t unreported; /* a bit of the step lies outside the availability mask */
            uint64_t untested_unasked; /* the test-completed bits were not asked for */
            uint64_t untested;   /* a code that matters has not been tested (or is not in a list of all codes) */
            uint8_t mask;        /* bits asked for; 0xFF for a list of all */
            bool has_mask, count_above;
            bool shared;         /* another question could own this answer */
            bool torn;           /* codes were told, and not all of it came through: nothing else is known */
        } codes;
        struct {
            bool closed;
        } clear;
        struct {
            bool on, closed, suppressed;
        } setting;
        struct {
            uint64_t count;      /* of frames lost; 0: not known */
            bool between;        /* it lies behind first_frame and before last_frame */
            bool quiet;          /* ends stretches, and is told with the gap before it */
        } gap;                   /* of first_frame to last_frame */
        uint8_t service;
    };
};

/* What became of a request that notes wait for. */
struct resolution {
    uint64_t serial;
    bool refused;              /* START */
    uint8_t nrc;
    bool positive;
    uint64_t answer_first_frame, answer_last_frame; /* START: 0 when not answered */
    int64_t answer_time;
    bool split;                /* IDENTITY_ASKED */
    char why[VERDICT_REASON_MAX];
};

#endif
