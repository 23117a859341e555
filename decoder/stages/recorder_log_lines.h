/* One line of recorder.jsonl taken apart; between recorder_log.c and recorder_log_lines.c alone. */
#ifndef TT_RECORDER_LOG_LINES_H
#define TT_RECORDER_LOG_LINES_H

#include "recorder_log.h"

/* The log while it is read. */
struct recorder_reading {
    struct recorder_log *log;
    struct diagnostics *diagnostics;
    const char *shown;
    struct mark_cover cover;
    bool covering;        /* there is something to hold checkpoints' marks against */
    uint64_t line;        /* the line at work, from 1 */
    uint64_t number;      /* of the last checkpoint */
    int64_t steady;       /* the steady clock at the line before that had one; -1 */
    bool late_told;       /* an event said that a checkpoint is late */
    bool proving;         /* no damage so far */
    bool ended;
    bool no_memory, no_room; /* the reading cannot go on */
    int errno_value;
};

/* Takes in one whole line (length bytes without its newline) that stands where the numbering and chain want it. */
void recorder_line(struct recorder_reading *reading, const char *text, size_t length, const char *previous);
/* Something is wrong with the line at work: the log proves nothing from here on. Only the first is kept. */
void recorder_damage(struct recorder_reading *reading, const char *format, ...) TT_PRINTF(2, 3);
/* The same, where the form is good and something is missing. */
void recorder_fewer(struct recorder_reading *reading, const char *format, ...) TT_PRINTF(2, 3);
/* Behind this frame of the bus (RECORDER_ALL: of each, behind the last proven checkpoint's) nothing is proven of
 * passivity. why: static text, NULL when the reason is told elsewhere. */
void recorder_doubt(struct recorder_log *log, uint32_t bus, uint64_t frames, const char *why);
/* Appends a span; past RECORDER_SPANS_MAX the last one is stretched. */
void recorder_span_add(struct recorder_log *log, enum recorder_span_kind kind, uint32_t bus, uint64_t first,
                       uint64_t last);
/* Appends an event to its bus, or to all. */
void recorder_event_add(struct recorder_reading *reading, const struct recorder_event *event);
/* Of every event whose end is open: it happened before the frame behind these. */
void recorder_events_close(struct recorder_reading *reading, uint32_t index, uint64_t frames);

#endif
