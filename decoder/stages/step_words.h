/* Sentences for people, built into a fixed buffer (D 7.14). Cut at its end, never overrun. Inside the step stage only. */
#ifndef TT_STEP_WORDS_H
#define TT_STEP_WORDS_H

#include "../support/text.h"
#include "verdict.h"

#define WORDS_VALUE_MAX 128

struct words {
    char *out; /* VERDICT_REASON_MAX bytes */
    size_t used;
};

struct words words_in(char out[VERDICT_REASON_MAX]);
void words_add(struct words *words, const char *format, ...) TT_PRINTF(2, 3);
void words_put(char out[VERDICT_REASON_MAX], const char *text);
/* "once", "twice", "7 times"; returns out. */
#define WORDS_TIMES_MAX 32
const char *words_times(uint64_t count, char out[WORDS_TIMES_MAX]);
/* "withdrawn, stated afterwards: the seat was touched"; mark->withdrawn_by is there. */
void words_withdrawn(struct words *words, const struct mark *mark);
/* "29.8 kg", or the state. */
void words_value(const struct def_reading *reading, tt_wide numerator, const char *state, char out[WORDS_VALUE_MAX]);
/* "from 29.7 to 29.9 kg" / "at 29.8 kg" / "lit". The plain form leaves "from" and "at" out. */
void words_range(struct words *words, const struct def_reading *reading, const struct stretch *stretch);
void words_range_plain(struct words *words, const struct def_reading *reading, const struct stretch *stretch);
/* One end of a limit as written: "33.4 kg". */
void words_limit(struct words *words, const struct def_limits *limits, bool high);
/* "; limits 26.6 to 33.4 kg, safety margin 0.1 kg" */
void words_limits(struct words *words, const struct def_step *step);
/* " above 13 kg", " below 2 kg"; nothing without select. */
void words_select(struct words *words, const struct def_step *step);
/* "dark or lit" */
void words_names(struct words *words, const char *const *names, uint32_t count);

#endif
