/*
 * The reader's system call filter (seccomp, D 10.2): an allow-list. What is not on it kills the process, calls of other
 * architectures too. After it the process can poll, receive, ask one socket counter, write to the trace files, read the
 * clock and end; nothing else, so it can neither send nor make a new way to.
 */
#ifndef TT_CAPTURE_FILTER_H
#define TT_CAPTURE_FILTER_H

#include "../decoder/support/support.h"

/*
 * Puts this process under the filter for good. buses and traces are bus_count and trace_count open descriptors.
 * Returns 0, or the errno value of what failed; the process is then not filtered and must not record.
 */
TT_MUST_USE int filter_install(const int *buses, unsigned bus_count, const int *traces, unsigned trace_count);
/* Ends a process under the filter, by the call alone: sanitizers put calls of their own before _exit(2). */
void filter_exit(int code);
/* Does this kernel take such a filter? Tried in a child. */
TT_MUST_USE bool filter_trial(void);
/* Is the filter compiled in? False only in the control build of the tests. */
bool filter_is_on(void);

#endif
