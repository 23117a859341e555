/* See live_state.h. */
#include "live_state.h"

#include <string.h>

void live_verdict_take(struct live_verdict *live, const struct verdict *verdict, bool mixed)
{
    const struct definitions *definitions = verdict->definitions;
    memset(live, 0, sizeof *live);
    if (verdict->attempts_kept == 0)
        return;
    const struct attempt_result *attempt = verdict->attempts[verdict->attempts_kept - 1];
    live->there = true;
    live->mixed = mixed;
    live->part_count = verdict->part_count;
    live->attempt = attempt->number;
    live->opened = attempt->opened;
    live->exit_code = verdict->exit_code;
    live->step_count = definitions->step_count < DEF_STEPS_MAX ? definitions->step_count : DEF_STEPS_MAX;
    live->condition_count =
        definitions->condition_count < DEF_CONDITIONS_MAX ? definitions->condition_count : DEF_CONDITIONS_MAX;
    for (uint32_t i = 0; i < live->step_count; i++) {
        const struct step_result *result = &attempt->steps[i];
        struct live_step *step = &live->steps[i];
        step->answer = result->answer;
        step->gaps = result->gaps.count;
        memcpy(step->reason, result->reason, sizeof step->reason);
        for (uint32_t j = 0; j < result->tries.kept; j++) {
            const struct try_result *one = &result->tries.list[j];
            live->refused += one->refused_start;
            live->nrc = one->refused_start ? one->nrc : live->nrc;
            if (one->refused_start || (one->mark && one->mark->withdrawn_by))
                continue;
            step->moments++;
            step->since_moment = attempt->last_time - one->time;
        }
    }
    for (uint32_t i = 0; i < live->condition_count; i++) {
        live->conditions[i].vouched = attempt->conditions[i].vouched;
        memcpy(live->conditions[i].reason, attempt->conditions[i].reason, sizeof live->conditions[i].reason);
    }
}

bool live_waits_moment(const struct live_verdict *live, const struct definitions *definitions, uint32_t index)
{
    const struct def_step *step = &definitions->steps[index];
    return step->kind == STEP_READING && step->mark && live->steps[index].moments == 0;
}

uint32_t live_current(const struct live_verdict *live)
{
    for (uint32_t i = 0; i < live->step_count; i++)
        if (live->steps[i].answer != STEP_CONFIRMED && live->steps[i].answer != STEP_RECORDED)
            return i;
    return live->step_count;
}

uint32_t live_shown_step(const struct live_verdict *live, const struct definitions *definitions)
{
    uint32_t count = definitions->step_count < DEF_STEPS_MAX ? definitions->step_count : DEF_STEPS_MAX;
    for (uint32_t i = live->there ? live_current(live) : 0; i < count; i++)
        if (definitions->steps[i].kind == STEP_READING && (!live->there || live->steps[i].answer != STEP_CONFIRMED))
            return i;
    return DEF_NONE;
}
