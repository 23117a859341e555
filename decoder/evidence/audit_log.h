/*
 * Are all checkpoints there that the recorder must have made (D 11.3 "fewer checkpoints than recorded")? It makes one
 * each second, numbered from 1, and says so where one is late. stages/recorder_log.h finds what is wrong with the log's
 * form and chain; a log whose lines were taken out and chained anew is sound in itself, and is found out here.
 */
#ifndef TT_AUDIT_LOG_H
#define TT_AUDIT_LOG_H

#include "../support/support.h"

#define AUDIT_LOG_LINE_MAX (1u << 20)
/* Longest time between two neighbours without an event that says why: one second, and two more for a busy one. */
#define AUDIT_LOG_APART (3 * TT_SECOND)

struct audit_log {
    uint64_t fewer_line;  /* line before which checkpoints are missing; 0: none */
    char fewer[200];      /* how that is known; ends a sentence that begins with "line N" */
    bool has_last;
    int64_t last_time;    /* wall clock of the last checkpoint, or of the closing line; ns */
    bool ended;           /* there is a closing line */
};

/* Reads the log open at fd from its beginning up to the first line that breaks the numbering or the chain of lines.
 * False without memory or when it cannot be read (errno). */
TT_MUST_USE bool audit_log_read(struct audit_log *log, int fd);

#endif
