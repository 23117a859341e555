/*
 * What comes after what (D 7.5): "`codes` and `answered` count only answers that come after each step listed before them
 * first had its evidence (a reading: when its first judged stretch first counted; an answer: its last frame; no
 * evidence: no bound)."
 */
#include "step_look.h"

#include <stdlib.h>
#include <string.h>

static bool is_ordered(const struct look_step *step)
{
    return step->def->kind == STEP_ANSWERED || step->def->kind == STEP_CODES;
}

static void state_free(struct bound_state *state)
{
    kept_answer_free(&state->answered.first);
    kept_answer_free(&state->codes.answer);
    kept_answer_free(&state->codes.listing);
}

static const struct bound_state *state_of(const struct look_step *step, uint64_t bound)
{
    for (uint32_t i = 0; i < step->state_count; i++)
        if (step->states[i].bound == bound)
            return &step->states[i];
    return NULL;
}

/* The bounds that may still turn out to be the right ones for one step: at most one more per evidence before it. */
struct possible {
    uint64_t bounds[1 + 3 * DEF_STEPS_MAX];
    uint32_t count;
};

static void possible_add(struct possible *possible, uint64_t bound)
{
    for (uint32_t i = 0; i < possible->count; i++)
        if (possible->bounds[i] == bound)
            return;
    if (possible->count < sizeof possible->bounds / sizeof *possible->bounds)
        possible->bounds[possible->count++] = bound;
}

/* What the evidence of the steps before index leaves possible. Evidence of readings and actions may still be voided, so
 * both with it and without it are; that of answered and codes steps follows from their own bound. */
static void bounds_possible(const struct look *look, uint32_t index, struct possible *possible)
{
    *possible = (struct possible){.bounds = {look->evident_before}, .count = 1};
    for (uint32_t i = 0; i < index; i++) {
        const struct look_step *step = &look->steps[i];
        struct possible before = *possible;
        possible->count = 0;
        if (is_ordered(step)) {
            for (uint32_t k = 0; k < before.count; k++) {
                const struct bound_state *state = state_of(step, before.bounds[k]);
                possible_add(possible, state && state->evident > before.bounds[k] ? state->evident : before.bounds[k]);
            }
            continue;
        }
        const uint64_t evidence[] = {0, step->evident, step->evident_marked, step->evident_maybe};
        for (size_t n = 0; n < sizeof evidence / sizeof *evidence; n++)
            for (uint32_t k = 0; k < before.count; k++)
                possible_add(possible, evidence[n] > before.bounds[k] ? evidence[n] : before.bounds[k]);
    }
}

static void states_prune(const struct look *look, struct look_step *step, uint32_t index)
{
    struct possible possible;
    bounds_possible(look, index, &possible);
    uint32_t kept = 0;
    for (uint32_t i = 0; i < step->state_count; i++) {
        bool wanted = step->states[i].bound == 0;
        for (uint32_t k = 0; k < possible.count && !wanted; k++)
            wanted = possible.bounds[k] == step->states[i].bound;
        if (wanted)
            step->states[kept++] = step->states[i];
        else
            state_free(&step->states[i]);
    }
    step->state_count = kept;
}

static bool state_add(struct look *look, uint32_t index, uint64_t bound, uint64_t serial)
{
    struct look_step *step = &look->steps[index];
    if (state_of(step, bound))
        return true;
    if (step->state_count == step->state_room)
        states_prune(look, step, index);
    if (step->state_count >= step->state_room - step->state_room / 4) { /* so that pruning pays for itself */
        uint32_t room = step->state_room ? step->state_room * 2 : 4;
        struct bound_state *grown = realloc(step->states, room * sizeof *grown);
        if (!grown) {
            look->failed = true;
            return false;
        }
        step->states = grown;
        step->state_room = room;
    }
    step->states[step->state_count++] = (struct bound_state){
        .bound = bound, .serial = serial, .frame = *look->context->frame};
    return true;
}

bool look_bounds_open(struct look *look, uint64_t serial)
{
    for (uint32_t i = 0; i < look->count; i++) {
        if (!is_ordered(&look->steps[i]))
            continue;
        if (look->steps[i].state_count)
            look->steps[i].states[0].serial = serial;
        else if (!state_add(look, i, 0, serial))
            return false;
    }
    return true;
}

void look_evident(struct look *look, uint32_t index, uint64_t serial)
{
    for (uint32_t i = index + 1; i < look->count; i++) /* LOOK_NONE + 1 is 0 */
        if (is_ordered(&look->steps[i]))
            (void)state_add(look, i, *look->context->sequence, serial);
}

const struct bound_state *look_choose(const struct look *look, uint32_t index)
{
    uint64_t bound = look->evident_before;
    const struct bound_state *state = NULL;
    for (uint32_t i = 0; i <= index; i++) {
        const struct look_step *step = &look->steps[i];
        uint64_t evident = step->try_count ? step->evident_marked : step->evident;
        if (is_ordered(step)) {
            state = state_of(step, bound);
            state = state ? state : &step->states[0]; /* cannot be: every bound got its state when it began */
            evident = state->evident;
        }
        bound = evident > bound ? evident : bound;
    }
    return state;
}
