/*
 * Adds one line to marks.jsonl of a job folder (D 5.6). Lines are only ever added: one write(2) of one whole line at
 * the end of the file, under a lock, so that two terminals cannot write into each other, and synced before it is called
 * noted. What stands there already is never changed, a torn line of an earlier crash included: it gets its line end,
 * and the new mark a line of its own.
 */
#ifndef TT_MARK_APPEND_H
#define TT_MARK_APPEND_H

#include "mark_check.h"

struct mark_receipt {
    uint32_t line;       /* of the new mark, from 1 */
    uint32_t torn_line;  /* the line before, when it is a torn one of an earlier crash: told; 0: none */
    bool growing;        /* the job's recorder is at work */
    bool recorded;       /* there is a recorder.jsonl */
};

/*
 * mark has passed new_mark_check. Returns 0, or an exit code, told: EXIT_CANNOT_OPEN (no such folder, or one that is no
 * job: neither a trace nor a recorder log in it), EXIT_BAD_INPUT (the job is sealed; the line to withdraw is not there,
 * is no mark, or is withdrawn already; a full or foreign marks.jsonl), EXIT_CANNOT_CREATE, EXIT_WRITE_FAILED (then the
 * file is as it was), EXIT_OUR_FAULT.
 */
TT_MUST_USE int mark_append(const char *job, const struct new_mark *mark, struct diagnostics *diagnostics,
                            struct mark_receipt *receipt);

#endif
