/*
 * Only in the control builds of the tests (CAPTURE_PROBE): makes the reader process try one forbidden call on its bus
 * socket, once, after the filter stands and after the first frames were written. The call is named in the environment
 * variable CAPTURE_PROBE. The production program contains none of this.
 */
#ifndef TT_CAPTURE_PROBE_H
#define TT_CAPTURE_PROBE_H

/* Before the filter: what an attempt needs is opened here. */
void probe_prepare(int bus, int trace);
/* Does nothing after the first time. What the call returned goes to stderr where no filter forbids it. */
void probe_attempt(void);

#endif
