/*
 * The end of a growing recorder.jsonl: is its recorder at work, and what did it note last? For the live view only; what
 * the log proves is judged by stages/recorder_log.h when the record is whole.
 */
#ifndef TT_RECORDER_TAIL_H
#define TT_RECORDER_TAIL_H

#include "../support/buffer.h"
#include "../support/support.h"

enum recorder_at { RECORDER_NOT_THERE, RECORDER_AT_WORK, RECORDER_HAS_ENDED, RECORDER_HAS_DIED };

struct recorder_tail {
    enum recorder_at at;
    uint64_t read;       /* bytes of the file, up to the last whole line */
    uint64_t lost;       /* frames that it counted as lost */
    uint64_t events;     /* lines of kind "event" */
    char warning[300];   /* the last event that matters to a person, in words; as it came: to be escaped */
    char why[60];        /* how it ended: "stopped", ... */
    bool ended;          /* the closing line was read */
    struct buffer piece; /* owned */
};

void recorder_tail_init(struct recorder_tail *tail);
/* Reads what was added to JOB/recorder.jsonl. True when something changed. */
bool recorder_tail_read(struct recorder_tail *tail, const char *job);
void recorder_tail_free(struct recorder_tail *tail);

#endif
