/*
 * The ruler of the live view (D 9.6): a step's limits drawn to scale, and the reading as a mark on it.
 *
 *     24 ------[26.6 ~=========#=======~ 33.4]------ 36 kg
 *
 * The mark is # and never stands on the wrong side of a limit: the side is compared exactly (D 2.7), only the place
 * within it is drawn to scale. = is inside, ~ within the safety margin (too close to the limit), - outside. Beyond the
 * ruler's ends the mark is < or >.
 */
#ifndef TT_LIVE_RULER_H
#define TT_LIVE_RULER_H

#include "../support/sink.h"
#include "live_state.h"

/* Draws it in at most columns; nothing when the step has no number limits or there is no room (under 30 columns). */
void live_ruler(struct sink *sink, const struct live_reading *shown, size_t columns);
/* What its signs mean, for this step. */
void live_ruler_legend(struct sink *sink, const struct live_reading *shown);

#endif
