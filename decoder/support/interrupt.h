/*
 * Ctrl-C, and a polite kill: asked for once, looked at where the work can stop without leaving half of something behind
 * (D 9.1: the first Ctrl-C ends cleanly). The second one ends the program at once, as the system does.
 */
#ifndef TT_INTERRUPT_H
#define TT_INTERRUPT_H

#include "support.h"

#define EXIT_INTERRUPTED 130 /* 128 + SIGINT, as a shell reports it */

/* From now on SIGINT, SIGTERM and SIGHUP are noted once each; signals that were ignored stay ignored. */
void interrupt_watch(void);
bool interrupt_asked(void);

#endif
