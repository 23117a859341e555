/*
 * The sentences of the live view (D 9.6): the next thing to do, and what the record still lacks, in the plain words of
 * D 3. Pure: a state in, one sentence to the sink, escaped for a terminal.
 */
#ifndef TT_LIVE_WORDS_H
#define TT_LIVE_WORDS_H

#include "../support/sink.h"
#include "live_state.h"

/* "Recording into job-7 for 2 min 5 s: 18422 frames on can0." */
void live_words_head(struct sink *sink, const struct live_state *state);
/* The next thing to do. */
void live_words_next(struct sink *sink, const struct live_state *state);
/* What the record still lacks; nothing while there is nothing to be judged. */
void live_words_lacks(struct sink *sink, const struct live_state *state);
/* What stands of one step: "confirmed", "contradicted", "not yet" while the record grows, ...; and why. */
const char *live_words_answer(const struct live_state *state, uint32_t step);
void live_words_reason(struct sink *sink, const struct live_state *state, uint32_t step);
/* The steady clock under the ruler, without its bar: "steady for 1.4 s of 2 s"; nothing without a shown reading. */
void live_words_clock(struct sink *sink, const struct live_state *state);
/* Does it count time now (and not only say why it does not)? */
bool live_words_clock_runs(const struct live_reading *shown);
/* Explains a key: what it is pressed for. */
void live_words_key(struct sink *sink, const struct live_state *state, const struct live_key *key);
/* "2 min 5 s", "3.5 s": a length of time for people, tenths cut off, never rounded up. */
void live_words_span(struct sink *sink, int64_t nanoseconds);
/* The reading's value with its unit, or its state; "no value". */
void live_words_value(struct sink *sink, const struct live_reading *shown);

#endif
