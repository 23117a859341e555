/*
 * The verdict as it is printed (D 7.14): a line a step, the answer first, then one sentence; conditions, earlier
 * attempts and what was lost beside it; the last line is the whole answer. Everything from files and bus is escaped for
 * a terminal.
 */
#ifndef TT_VERDICT_TEXT_H
#define TT_VERDICT_TEXT_H

#include "verdict_json.h"

/* width: columns to wrap at, with the rest of a line indented below its sentence; 0 never wraps (pipes and files). */
void verdict_text(struct sink *sink, const struct verdict_about *about, unsigned width);

#endif
