/*
 * The keeper (D 10.1): the process without a bus socket. It reserves room ahead, syncs each second, reads the traces
 * back to hash them, writes recorder.jsonl, watches links, clocks and marks, and tells on stderr what happens. Should
 * it die, the reader goes on.
 */
#ifndef TT_CAPTURE_KEEPER_H
#define TT_CAPTURE_KEEPER_H

#include <sys/types.h>
#include "job.h"
#include "link.h"
#include "log_lines.h"

struct keeper_setup {
    struct shared *shared;
    const struct options *options;
    const struct job *job;
    const struct link_facts *facts;       /* by bus */
    const struct link_counters *counters; /* by bus, from before the sockets were bound */
    struct log *log;                      /* the first line is written */
    struct diagnostics *diagnostics;
    pid_t reader;
};

/* Runs until the reader has ended, and closes the record. Returns the exit code of the program. */
int keeper_run(const struct keeper_setup *setup);

#endif
