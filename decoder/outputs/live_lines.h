/*
 * The live view where no page can be drawn (D 9.6): a line for each thing that changes, and nothing otherwise. Pure but
 * for what was told before.
 */
#ifndef TT_LIVE_LINES_H
#define TT_LIVE_LINES_H

#include "../support/sink.h"
#include "live_state.h"

struct live_lines {
    bool begun;
    enum live_recorder recorder;
    bool any_frame;
    bool there;              /* a verdict was told */
    bool closed;             /* what stayed unconfirmed in the end was told */
    uint64_t attempt, part_count, refused;
    bool opened;
    enum step_answer answers[DEF_STEPS_MAX];
    enum vouched vouched[DEF_CONDITIONS_MAX];
    char next[700], lacks[700], warning[400];
};

/* Puts a line for each thing that differs from what was told before. */
void live_lines(struct live_lines *before, const struct live_state *state, struct sink *sink);

#endif
