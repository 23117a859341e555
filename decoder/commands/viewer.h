/*
 * The live view of a growing job (D 9.6), shared by watch and record: reads what is new four times a second, shows it
 * as a page or, without a terminal, as lines, and takes keys. It only ever reads the record and adds marks: whatever
 * becomes of it, the recording goes on.
 */
#ifndef TT_VIEWER_H
#define TT_VIEWER_H

#include <sys/types.h>

#include "../support/diagnostics.h"

struct viewer_request {
    const char *job;       /* a job folder, or (with a recorder) one that is still to be made */
    bool asks;             /* keys are taken; false for --no-input */
    pid_t recorder;        /* the recorder started for it; 0: none, the view only watches */
    int recorder_said;     /* file in which the recorder's messages collect; -1 */
    struct diagnostics *diagnostics;
};

/*
 * Runs until the person leaves, or nothing more can come. With a recorder: Ctrl-C, or q and y, sends it SIGINT once,
 * and its end is waited for and shown; Ctrl-C again kills it. Returns an exit code: the recorder's own when it has
 * ended.
 */
TT_MUST_USE int viewer_run(const struct viewer_request *request);

#endif
