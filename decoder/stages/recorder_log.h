/*
 * recorder.jsonl (docs/recorder.schema.json): what the recorder knew beside the frames. Read once, line by line, before
 * the trace; what must be looked up again in the order of the frames (checkpoints, events) waits in unlinked temporary
 * files, so that memory does not grow with the recording (D 2.9).
 *
 * Every line carries the SHA-256 of the line before it. Up to the first line that breaks this chain, its numbering or its
 * form the log proves something ("proven"); behind it nothing is taken as proof any more, but what it says against the
 * recording (losses, transmissions) is still taken: a damaged log can only make a verdict weaker.
 */
#ifndef TT_RECORDER_LOG_H
#define TT_RECORDER_LOG_H

#include <stdio.h>

#include "frame.h"
#include "marks.h"

#define RECORDER_FILE_MAX (UINT64_C(1) << 30) /* bytes; a day of checkpoints of eight buses is about 160 MB */
#define RECORDER_LINE_MAX (1u << 20)
#define RECORDER_DEFINITIONS_MAX 256u
#define RECORDER_BUS_NAME 16u                 /* IFNAMSIZ of Linux net/if.h */
#define RECORDER_DETAIL 120u
#define RECORDER_STEPS_KEPT 4u
#define RECORDER_LATE (2 * TT_SECOND)         /* D 11.2 */
#define RECORDER_ALL UINT32_MAX               /* a bus index: concerns every bus */

enum recorder_what {
    NOTED_SOCKET_LOST, NOTED_CONTROLLER_LOST, NOTED_LINK_DOWN, NOTED_LINK_UP, NOTED_REMOVED,
    NOTED_BUS_OFF, NOTED_RESTARTED, NOTED_STATE, NOTED_NOT_LISTEN_ONLY, NOTED_LISTEN_ONLY,
    NOTED_SENT_HERE, NOTED_TRANSMITTED, NOTED_CLOCK_STEPPED, NOTED_CLOCK_LOOSE, NOTED_CLOCK_TIGHT,
    NOTED_DISK_FULL, NOTED_WRITE_FAILED, NOTED_SYNC_FAILED, NOTED_NO_GOOD_FRAME, NOTED_MARKS_CHANGED,
    NOTED_LATE_CHECKPOINT, NOTED_UNKNOWN /* of a later version: named, and judged as nothing */
};
const char *recorder_what_text(enum recorder_what what); /* the words of the log: "frames lost in the socket" */

enum recorder_damage {
    RECORDER_WHOLE,
    RECORDER_BROKEN, /* form, numbering, chain, or something behind the closing line */
    RECORDER_FEWER,  /* the chain holds, but checkpoints are missing: a number, or over RECORDER_SILENCE unsaid */
};
#define RECORDER_SILENCE (3 * TT_SECOND) /* of the steady clock between two checkpoints, without "checkpoint late" */

/* Something that happened on a bus, behind frame `after` and before frame `before`. */
struct recorder_event {
    enum recorder_what what;
    uint32_t bus;         /* index, or RECORDER_ALL */
    uint64_t line;        /* of recorder.jsonl; 0: no line says so, the counters of two checkpoints do */
    int64_t time;
    uint64_t after, before; /* frames; before UINT64_MAX: not before the end of the trace */
    uint64_t count;       /* of frames, where has_count */
    bool has_count;
    char detail[RECORDER_DETAIL];
};

/* A checkpoint of one bus: the first `bytes` of its trace hold `frames` frames and have this sum. */
struct recorder_check {
    uint64_t number;      /* of the checkpoint; UINT64_MAX: the closing line */
    uint64_t bytes, frames;
    char sha256[DIGEST_TEXT];
};

struct recorder_bus {
    char name[RECORDER_BUS_NAME];
    char file[64];        /* "trace-can0.pcap" */
    bool is_virtual;
    bool fd;
    uint64_t bitrate;     /* 0: not known */
    uint64_t frames, bytes;          /* of the last proven checkpoint or closing line */
    uint64_t socket_lost, controller_lost; /* totals said last */
    uint64_t accounted[2]; /* of those, by events: socket, controller */
    uint64_t owed[2];      /* of those, told from the counters before their event came */
    FILE *checks, *events; /* unlinked; NULL without any */
    uint64_t check_count, event_count;
    uint64_t checks_taken, events_taken; /* since the last rewind */
    uint64_t open_events;  /* events from here on may still lack their `before` */
    uint64_t last_after;   /* of its newest event */
    /* when the trace was read */
    bool differs;          /* a checkpoint's sum is another one */
    uint64_t agreed_frames; /* frames of the last checkpoint that agreed with the trace */
    uint64_t trace_frames;  /* frames in the trace */
};

/* A span of frames in which the recorder was not, or may not have been, a mere listener; or losses are not known. */
enum recorder_span_kind { RECORDER_SPAN_ACTIVE, RECORDER_SPAN_UNWATCHED };
struct recorder_span {
    enum recorder_span_kind kind;
    uint32_t bus;
    uint64_t first, last; /* frames; last UINT64_MAX: to the end */
};
#define RECORDER_SPANS_MAX 256u

struct recorder_definition {
    const char *file;     /* name in definitions/ */
    char sha256[DIGEST_TEXT];
};

struct recorder_log {
    struct arena arena;
    struct recorder_bus buses[FRAME_FILE_MAX];
    uint32_t bus_count;
    bool usable;          /* the first line could be read */
    uint64_t lines;       /* whole lines */
    uint64_t proven;      /* lines up to the first damage: all of `lines` when there is none */
    char damage[256];     /* what was wrong first, with its line; "" for nothing */
    enum recorder_damage damage_kind;
    bool torn;            /* the last line is cut off */
    /* from the first line */
    char version[32];
    int64_t start_time;
    bool synchronised;
    int64_t clock_error, stamp_uncertainty; /* ns; -1: not known */
    bool filter, acknowledging; /* send filter in force; it was accepted that the link acknowledges */
    bool listen_only;     /* of every bus */
    bool is_virtual;      /* some bus */
    const struct recorder_definition *definitions;
    uint32_t definition_count;
    /* how it went */
    uint64_t checkpoints; /* proven ones */
    int64_t last_time;    /* of the last proven checkpoint or closing line; of the first line without one */
    const char *why;      /* how it ended: "stopped", ...; NULL: it did not */
    uint64_t losses;      /* loss events */
    bool marks_changed;   /* what a checkpoint covered of marks.jsonl was changed afterwards */
    struct recorder_event steps[RECORDER_STEPS_KEPT]; /* of the clock, the first ones */
    uint64_t step_count;
    uint64_t unsynced;    /* "sync failed" */
    bool no_good_frame;
    bool clock_loose;     /* the clock was not synchronised at some time */
    /* passive (D 2.1) */
    uint64_t passive_until[FRAME_FILE_MAX]; /* by bus: it is in doubt behind this frame; UINT64_MAX: nowhere */
    const char *doubt;    /* the first reason that lies in the link itself; static text, NULL without one */
    struct recorder_span spans[RECORDER_SPANS_MAX];
    uint32_t span_count;
    uint64_t counted_events;
    bool unread;          /* something kept in a temporary file could not be read again: no answer may rest on this log */
};

/*
 * Reads the log open at fd (shown: its name for messages). marks: of the same job, may be NULL; their `covered` is set.
 * Returns 0, EXIT_CANNOT_OPEN, EXIT_BAD_INPUT (longer than any recording: told), EXIT_WRITE_FAILED (no room for a
 * temporary file) or EXIT_OUR_FAULT. Damage is no failure: log->damage, told nowhere yet. Free it in every case.
 */
TT_MUST_USE int recorder_log_load(struct recorder_log *log, int fd, const char *shown, struct marks *marks,
                                  struct diagnostics *diagnostics);
void recorder_log_free(struct recorder_log *log);
/* Index of the bus of this name; RECORDER_ALL when the log knows none. */
uint32_t recorder_log_bus(const struct recorder_log *log, const char *name);

/* Begins again at the first checkpoint and event of a bus. */
void recorder_log_rewind(struct recorder_log *log, uint32_t bus);
/* The next of its events, in the order of the log; of its checkpoints. False at the end, and with log->unread. */
TT_MUST_USE bool recorder_log_event(struct recorder_log *log, uint32_t bus, struct recorder_event *event);
TT_MUST_USE bool recorder_log_check(struct recorder_log *log, uint32_t bus, struct recorder_check *check);

/* What the trace says to the checkpoints: whether a sum agreed or differed; after it was read, the frames in it. */
void recorder_log_agrees(struct recorder_log *log, uint32_t bus, const struct recorder_check *check);
void recorder_log_differs(struct recorder_log *log, uint32_t bus, const struct recorder_check *check);
void recorder_log_trace_ended(struct recorder_log *log, uint32_t bus, uint64_t frames);

/* ---- what it all comes to, once the trace is read ---- */

/* The first line is that of the recorder: the second one carries its sum, or there is none. */
bool recorder_log_start_proven(const struct recorder_log *log);
#define RECORDER_PASSIVE_MAX 512u
/* "yes", "until frame 120", "until frame 120 on can1", "not proven" (D 2.1). */
void recorder_log_passive(const struct recorder_log *log, char out[RECORDER_PASSIVE_MAX]);
/* Was this definition file fixed before the recording (D 11.2)? Its name in definitions/ and its sum. */
bool recorder_log_fixed(const struct recorder_log *log, const char *file, const char *sha256);
/* Sentences on what the record lacks or says beside the frames: the index-th, or false. out: without full stop. */
#define RECORDER_NOTE_MAX 400u
TT_MUST_USE bool recorder_log_note(const struct recorder_log *log, uint32_t index, char out[RECORDER_NOTE_MAX]);

#endif
