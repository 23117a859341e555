/* One step of the procedure (D 7); private to definitions/. */
#ifndef TT_DEFINITIONS_LOAD_STEPS_H
#define TT_DEFINITIONS_LOAD_STEPS_H

#include "load.h"

/* False when the step has a mistake that leaves nothing to compare with other steps. */
TT_MUST_USE bool load_step(struct load *load, const struct node *node, struct def_step *step);

/* load_steps_answers.c: parts of a step whose action or module is known. False when there is a mistake. */
TT_MUST_USE bool load_outcome(struct load *load, const struct node *node, struct def_step *step);
TT_MUST_USE bool load_answered_step(struct load *load, const struct node *node, struct def_step *step);
TT_MUST_USE bool load_codes_step(struct load *load, const struct node *node, struct def_step *step);

#endif
