/* A definition file's examples, run by the same code that decodes a trace (D 6.3: the file carries its own proof). */
#ifndef TT_LINT_EXAMPLES_H
#define TT_LINT_EXAMPLES_H

#include "../../definitions/model.h"
#include "../support/diagnostics.h"

/* Runs every example of every record. What does not come out as stated is an error at its place. Returns how many ran.
 */
uint64_t lint_examples(const struct definitions *definitions, struct diagnostics *diagnostics);

#endif
