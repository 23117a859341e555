/* A look as a whole: made, copied, taken apart (step_look.h). */
#include "step_look.h"

#include <stdlib.h>
#include <string.h>

/* Links of the same reading in listed order; the first of each chain is firm from the start. */
static void chain_build(struct look *look)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        step->next = LOOK_NONE;
        for (uint32_t k = i + 1; step->def->kind == STEP_READING && k < look->count; k++) {
            const struct def_step *other = look->steps[k].def;
            if (other->kind == STEP_READING && other->reading == step->def->reading) {
                step->next = k;
                break;
            }
        }
    }
    for (uint32_t i = 0; i < look->count; i++)
        look->steps[i].head = true;
    for (uint32_t i = 0; i < look->count; i++)
        if (look->steps[i].next != LOOK_NONE)
            look->steps[look->steps[i].next].head = false;
    for (uint32_t i = 0; i < look->count; i++)
        look->steps[i].link = look->steps[i].head ? LINK_FIRM : LINK_IDLE;
}

bool look_open(struct look *look, const struct look_context *context, uint32_t first, uint32_t count, bool speaks)
{
    memset(look, 0, sizeof *look);
    look->context = context;
    look->first = first;
    look->count = count;
    look->speaks = speaks;
    look->steps = calloc(count ? count : 1, sizeof *look->steps);
    if (!look->steps)
        return false;
    for (uint32_t i = 0; i < count; i++) {
        struct look_step *step = &look->steps[i];
        step->def = &context->definitions->steps[first + i];
        step->index = first + i;
        struct steady_rule rule = step_rule(step->def);
        steady_init(&step->steady, &rule);
        step->steady.budget = context->windows;
        kept_list_init(&step->tally.list, sizeof(struct stretch));
    }
    chain_build(look);
    return look_bounds_open(look, 0);
}

static bool step_copy(struct look_step *to, const struct look_step *from)
{
    *to = *from;
    to->tries = NULL;
    to->try_count = to->try_room = 0;
    bool well = steady_copy(&to->steady, &from->steady);
    kept_list_copy(&to->tally.list, &from->tally.list);
    to->action.run_first = (struct kept_answer){0};
    kept_answer_copy(&to->action.run_first, &from->action.run_first);
    to->action.last_answer = (struct kept_answer){0};
    kept_answer_copy(&to->action.last_answer, &from->action.last_answer);
    to->action.first_start = (struct kept_answer){0};
    kept_answer_copy(&to->action.first_start, &from->action.first_start);
    to->states = NULL;
    to->state_count = to->state_room = 0;
    if (from->state_count) {
        to->states = calloc(from->state_count, sizeof *to->states);
        if (!to->states)
            return false;
        to->state_count = to->state_room = from->state_count;
    }
    for (uint32_t i = 0; i < from->state_count; i++) {
        to->states[i] = from->states[i];
        to->states[i].answered.first = (struct kept_answer){0};
        kept_answer_copy(&to->states[i].answered.first, &from->states[i].answered.first);
        to->states[i].codes.answer = (struct kept_answer){0};
        kept_answer_copy(&to->states[i].codes.answer, &from->states[i].codes.answer);
        to->states[i].codes.listing = (struct kept_answer){0};
        kept_answer_copy(&to->states[i].codes.listing, &from->states[i].codes.listing);
    }
    if (from->try_count) {
        to->tries = calloc(from->try_count, sizeof *to->tries);
        if (!to->tries)
            return false;
        to->try_count = to->try_room = from->try_count;
        for (uint32_t i = 0; i < from->try_count; i++) {
            to->tries[i] = from->tries[i];
            well = steady_copy(&to->tries[i].steady, &from->tries[i].steady) && well;
        }
    }
    return well;
}

bool look_copy(struct look *to, const struct look *from)
{
    *to = *from;
    to->speaks = false;
    to->steps = calloc(from->count ? from->count : 1, sizeof *to->steps);
    if (!to->steps)
        return false;
    bool well = true;
    for (uint32_t i = 0; i < from->count; i++)
        well = step_copy(&to->steps[i], &from->steps[i]) && well;
    return well;
}

void look_close(struct look *look)
{
    for (uint32_t i = 0; look->steps && i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        steady_free(&step->steady);
        kept_list_free(&step->tally.list);
        for (uint32_t k = 0; k < step->try_count; k++)
            steady_free(&step->tries[k].steady);
        free(step->tries);
        kept_answer_free(&step->action.run_first);
        kept_answer_free(&step->action.last_answer);
        kept_answer_free(&step->action.first_start);
        for (uint32_t k = 0; k < step->state_count; k++) {
            kept_answer_free(&step->states[k].answered.first);
            kept_answer_free(&step->states[k].codes.answer);
            kept_answer_free(&step->states[k].codes.listing);
        }
        free(step->states);
    }
    free(look->steps);
    memset(look, 0, sizeof *look);
}
