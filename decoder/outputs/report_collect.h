/*
 * The collector behind report_html.h: what it keeps of a run, for the files that write the page (report_*.c). Every
 * list is bounded; what does not fit is counted, and log.jsonl has it.
 */
#ifndef TT_REPORT_COLLECT_H
#define TT_REPORT_COLLECT_H

#include "report_chart.h"
#include "report_html.h"

#define REPORT_TRACKED 12   /* readings followed: those of steps, then those of conditions */
#define REPORT_BYTES 32     /* of an answer kept beside a sample */
#define REPORT_RECENT 2048  /* newest samples of each followed reading */
#define REPORT_NOTES 240    /* what happened: the first and last half */
#define REPORT_STRETCHES 512
#define REPORT_OPENINGS 100
#define REPORT_CODES 256
#define REPORT_CODE_READS 64
#define REPORT_WARNINGS 32
#define REPORT_FAULTS 64
#define REPORT_IDENTITIES 24
#define REPORT_IDENTITY_TEXT 64
#define REPORT_SHIFTS 64
#define REPORT_UNKNOWN 32
#define REPORT_ANSWERS 512
#define REPORT_PENDING 256
#define FAULT_BITS 0x0D /* testFailed, pendingDTC, confirmedDTC of ISO 14229-1 D.2: a fault is or was there */
#define REPORT_EVENTS 32
#define REPORT_NOT_FOLLOWED 0xFF

/* One value of a followed reading with where it came from. */
struct report_sample {
    tt_wide numerator;
    int64_t x, time;
    const char *state;        /* named state, yes or no; NULL */
    uint64_t first_frame, last_frame;
    uint64_t offset;          /* record header of first_frame in file */
    uint32_t file, bus;
    uint32_t length;          /* of the answer; the first REPORT_BYTES are kept */
    uint8_t bytes[REPORT_BYTES];
    bool there;
};

struct report_followed {
    uint32_t reading;         /* index into definitions.readings */
    bool charted;             /* a number that a step holds against limits */
    bool states;              /* a step or condition asks for its named state */
    int64_t gap;
    struct chart_track track;
    struct chart_states runs;
    struct report_sample *recent; /* ring of REPORT_RECENT, owned */
    uint64_t count;           /* samples so far */
    uint64_t absent, invalid; /* values that are no samples */
    bool broken;
};

enum report_note_kind {
    NOTE_ACTION, NOTE_CODES, NOTE_CLEAR, NOTE_MARK, NOTE_EVENT, NOTE_RECORDED, NOTE_DANGER, NOTE_WRITE
};

/* Something that happened, for the list beside the chart. */
struct report_note {
    enum report_note_kind kind;
    int64_t x, time;
    uint64_t first_frame, last_frame; /* 0: none */
    uint32_t bus, module;
    const struct def_action *action;
    enum action_part part;
    enum exchange_state state;
    uint8_t nrc;
    enum dialect dialect;
    const struct mark *mark;
    bool bound;
    const char *what;         /* EVENT, RECORDED, DANGER: static */
    uint64_t count;           /* RECORDED: of frames lost; 0: not known */
    char detail[RECORDER_DETAIL]; /* RECORDED: in the recorder's words */
    uint32_t codes;           /* CODES: how many were listed or counted */
    bool is_count;
    uint16_t identifier;      /* WRITE */
};

/* What a counting stretch rests on: its samples at the ends and extremes. */
struct report_stretch {
    const struct def_step *step;
    uint64_t first_frame, last_frame;
    struct report_sample first, last, lowest, highest;
};

/* What stood before a start of the opening action that was not refused. */
struct report_opening {
    uint64_t first_frame;     /* of the request */
    struct report_sample before[REPORT_TRACKED];
};

/* A list of codes the module gave, as far as changes are told by it. */
struct report_code_read {
    uint32_t module, bus;
    int64_t time;
    uint64_t first_frame, last_frame;
    uint32_t count;
    uint8_t mask;             /* bits that every question asked for; 0xFF: all codes (19 0A) */
    bool has_mask, is_count, two_byte;
    uint8_t service, sub_function;
};
struct report_code {
    uint32_t module, code;
    bool two_byte;
    uint8_t first_status, status;     /* when first and last listed */
    int64_t first_time, time;
    uint64_t first_frame, frame;      /* answer that listed it first and last */
    uint64_t first_read, last_read;   /* number of that answer */
    bool gone;                        /* a later answer that would have listed it did not */
    bool gone_tested;                 /* ...and that answer would have listed it too had its test not run */
    bool was_fault;                   /* some answer listed it with a fault bit */
    bool absent_before;               /* an earlier answer would have listed it, and did not */
    uint64_t gone_frame;
    int64_t gone_time;
};

struct report_fault {
    const char *stage, *reason; /* static */
    uint64_t count, first_frame, last_frame;
    int64_t first_time, last_time;
};

struct report_identity {
    uint32_t module;
    uint32_t reading;         /* DEF_NONE: by the standard's name of identifier */
    uint16_t identifier;
    char text[REPORT_IDENTITY_TEXT];
    uint32_t length;          /* of the whole text */
    uint64_t first_frame, last_frame;
    int64_t time;
    uint64_t count;
};

struct report_warning {
    const char *text;         /* static */
    uint32_t module, bus;
    uint64_t first_frame, last_frame;
    int64_t time;
    enum exchange_state state;
    uint8_t nrc;
    enum dialect dialect;
};

/* How often a module asked for more time before it answered an action, or in place of an answer. */
struct report_pending {
    uint64_t frame, count;
    uint32_t bus;
};

struct report_event_count {
    const char *what; /* static */
    uint64_t count;
};

/* The named state that an action's answer gave. */
struct report_answer {
    uint64_t last_frame;
    uint32_t bus;
    const char *state;
};

/* An identifier or routine that no definition describes. */
struct report_unknown {
    uint32_t module, key;
    bool has_key;
    const char *reason;
    uint64_t count, first_frame;
};

/* From a frame on, x = time + shift (D 8.5: another shift behind each step of the clock). */
struct report_shift {
    uint64_t frame;
    uint32_t bus;
    int64_t shift;
};

struct report {
    const struct view *view;
    struct report_followed followed[REPORT_TRACKED];
    uint32_t followed_count;
    bool followed_all;        /* false: there were more */
    uint8_t *slot;            /* by reading: index into followed, or REPORT_NOT_FOLLOWED; owned */
    struct report_note notes[REPORT_NOTES];
    uint64_t note_count;
    bool settled;             /* notes are in order of time now, from notes[0] on */
    struct report_stretch stretches[REPORT_STRETCHES]; /* the newest ones, by number modulo */
    uint64_t stretch_count;
    struct report_opening openings[REPORT_OPENINGS];   /* the first and last half */
    uint64_t opening_count;
    struct report_code_read reads[REPORT_CODE_READS];
    uint64_t read_count;
    struct report_code codes[REPORT_CODES];
    uint32_t code_count;
    uint64_t codes_left_out;
    uint64_t clear_count, clear_frame, clear_read; /* last positive answer to a clear; code answers before it */
    int64_t clear_time;
    struct report_warning warnings[REPORT_WARNINGS];
    uint64_t warning_count;
    struct report_fault faults[REPORT_FAULTS];
    uint32_t fault_count;
    uint64_t faults_left_out;
    struct report_identity identities[REPORT_IDENTITIES];
    uint32_t identity_count;
    uint64_t identities_left_out;
    struct report_unknown unknown[REPORT_UNKNOWN];
    uint32_t unknown_count;
    uint64_t unknown_left_out;
    struct report_event_count events[REPORT_EVENTS];
    uint32_t event_count;
    struct report_answer answers[REPORT_ANSWERS]; /* the newest ones */
    uint64_t answer_count;
    struct report_pending pending[REPORT_PENDING]; /* the newest ones */
    uint64_t pending_count;
    uint64_t unanswered_frame; /* the first question without an answer on record */
    int64_t unanswered_time;
    struct chart_lane refused, lost, broken, missing;
    uint64_t questions, answered, refused_in_time, unanswered, late, suppressed, cut; /* each question is one of the others */
    uint64_t unsolicited;    /* answers that nobody asked for */
    struct report_shift shifts[REPORT_SHIFTS];
    uint32_t shift_count;
    bool clock_stepped;
    int64_t shift, latest_x;  /* the shift at this point of the run */
};

/* Where a moment at or behind a frame stands; frame 0: by the last shift. */
int64_t report_x(const struct report *report, int64_t time, uint64_t frame);
/* Kept entries in order. */
uint32_t report_notes_kept(const struct report *report);
const struct report_note *report_note_at(const struct report *report, uint32_t index);
/* Puts them in order of time: what an answer decided late comes late. Afterwards nothing more is kept. */
void report_settle(struct report *report);
const struct report_opening *report_opening_of(const struct report *report, uint64_t first_frame);
const struct report_stretch *report_stretch_of(const struct report *report, const struct def_step *step,
                                               const struct stretch *stretch);
/* The newest kept sample of a reading that ended in last_frame or before; NULL when it is not followed, was never read,
 * or is kept no more. */
const struct report_sample *report_last(const struct report *report, uint32_t reading, uint64_t last_frame);
const struct report_followed *report_followed_of(const struct report *report, uint32_t reading);

/* The named state in the answer that ends with this frame; NULL. */
const char *report_answer_of(const struct report *report, uint32_t bus, uint64_t last_frame);

/* How often the module asked for more time: by the note's last frame. */
uint64_t report_pending_of(const struct report *report, uint32_t bus, uint64_t frame);

/* report_follow.c, called while the run goes. */
void report_follow_all(struct report *report);
void report_keep_sample(struct report_followed *followed, const struct reading_event *event, int64_t x);
void report_keep_stretch(struct report *report, const struct step_event *event);
/* A start that was not refused: what was read before its request, if it opens attempts. */
void report_keep_opening(struct report *report, uint32_t module, const struct service_content *content,
                         uint64_t first_frame);

/* report_codes.c: an answer that lists or counts codes. */
void report_codes_answer(struct report *report, const struct exchange_event *event,
                         const struct service_content *content);

#endif
