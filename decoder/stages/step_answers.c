/* Steps that an answer decides: actions (D 7.9), answered services, trouble codes (D 7.10). */
#include "step_look.h"

#include <string.h>

static bool among(const char *name, const char *const *names, uint32_t count)
{
    for (uint32_t i = 0; name && i < count; i++)
        if (strcmp(name, names[i]) == 0)
            return true;
    return false;
}

/* Where the opening step has its evidence another look begins; without any it sets no bound. */
static void action_evident(struct look *look, uint32_t index, uint64_t serial)
{
    struct look_step *step = &look->steps[index];
    if (step->def->opens_attempt)
        return;
    step->evident = *look->context->sequence;
    look_evident(look, index, serial);
}

void look_action_closed(struct look *look, const struct note *note, const uint8_t *answer)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_ACTION || step->def->action != note->index)
            continue;
        struct look_action *action = &step->action;
        if (note->action.part == PART_RESULTS && note->refused)
            action->refused_questions++; /* listed, decides nothing (D 7.9) */
        if (note->action.part != PART_START)
            continue;
        if (note->refused) {
            action->refused_starts++;
        } else if (note->positive) {
            action->positive_starts++;
            if (!action->first_start.has) {
                kept_answer_set(&action->first_start, note, answer, note->extra);
                if (step->def->outcome == DEF_NONE)
                    action_evident(look, i, note->serial);
            }
        } else {
            action->silent_starts++;
        }
    }
}

void look_outcome(struct look *look, uint32_t reading, const char *name, const struct note *note, const uint8_t *answer,
                  uint32_t length, bool asked)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_ACTION || step->def->outcome != reading ||
            (!asked && among(name, step->def->confirmed, step->def->confirmed_count)))
            continue;
        struct look_action *action = &step->action;
        bool was_confirmed = action->last == OUTCOME_CONFIRMED;
        action->last = !name ? OUTCOME_UNNAMED
                       : among(name, step->def->confirmed, step->def->confirmed_count) ? OUTCOME_CONFIRMED
                       : among(name, step->def->waiting, step->def->waiting_count)     ? OUTCOME_WAITING
                                                                                       : OUTCOME_OTHER;
        action->last_name = name;
        kept_answer_set(&action->last_answer, note, answer, length);
        if (action->last != OUTCOME_CONFIRMED) {
            kept_answer_free(&action->run_first);
            step->evident = 0;
        } else if (!was_confirmed) {
            kept_answer_set(&action->run_first, note, answer, length);
            action_evident(look, i, note->serial);
        }
    }
}

static void answered_note(struct look_answered *answered, const struct note *note, const struct kept_answer *answer)
{
    if (note->refused) {
        answered->refused++;
        answered->last_nrc = note->nrc;
    } else if (!note->positive) {
        answered->silent++;
    } else {
        answered->positive++;
        if (!answered->first.has)
            kept_answer_copy(&answered->first, answer);
    }
}

/* The step first has evidence under this bound: that is a bound for the steps behind it. */
static void state_evident(struct look *look, uint32_t index, uint32_t state, uint64_t serial)
{
    struct bound_state *one = &look->steps[index].states[state];
    if (one->evident)
        return;
    one->evident = *look->context->sequence;
    look_evident(look, index, serial);
}

void look_service(struct look *look, const struct note *note, const uint8_t *answer)
{
    struct kept_answer kept = {0};
    kept_answer_set(&kept, note, answer, note->extra);
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_ANSWERED || step->def->service != note->service || step->def->module != note->module)
            continue;
        for (uint32_t k = 0; k < step->state_count; k++) {
            const struct bound_state *state = &step->states[k];
            /* What got no answer counts where it was asked. */
            bool before = !note->positive && !note->refused && note->request_frame < state->frame;
            if (state->serial == note->serial || state->bound == *look->context->sequence || before)
                continue;
            answered_note(&step->states[k].answered, note, &kept);
            if (state->answered.first.has)
                state_evident(look, i, k, note->serial);
        }
    }
    kept_answer_free(&kept);
}

static void codes_note(struct look_codes *codes, uint64_t bit, const struct note *note, const struct kept_answer *answer,
                       const struct setting *setting)
{
    if (note->codes.torn) {
        codes->torn = codes->covered;
        codes->torn_first = note->first_frame;
        codes->torn_last = note->last_frame;
    } else if (note->codes.covers & bit) {
        codes->covered = true;
        codes->torn = false;
        codes->lists = note->codes.lists & bit;
        codes->unreported = note->codes.unreported & bit;
        codes->unasked = note->codes.untested_unasked & bit;
        codes->untested = note->codes.untested & bit;
        codes->mask = note->codes.mask;
        codes->setting_off = setting_is_off(setting);
        codes->off_serial = !setting->off.certain && setting->off.count == 1 ? setting->off.serials[0] : 0;
        codes->on_serial = setting->lifted ? setting->on_serial : 0;
        codes->cleared = (struct doubts){0};
        codes->contradicted = false;
        kept_answer_free(&codes->listing);
        kept_answer_copy(&codes->answer, answer);
    } else if (note->codes.lists & bit) {
        /* It lists a code that the step says is not there, whatever was asked. */
        codes->contradicted = true;
        codes->cleared = (struct doubts){0};
        kept_answer_copy(&codes->listing, answer);
    } else if (!codes->covered) {
        codes->narrow++;
        codes->narrow_mask = note->codes.mask;
        codes->shared = note->codes.shared;
    }
}

void look_codes(struct look *look, const struct note *note, const uint8_t *answer, const struct setting *settings)
{
    struct kept_answer kept = {0};
    kept_answer_set(&kept, note, answer, note->extra);
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_CODES || step->def->module != note->module)
            continue;
        for (uint32_t k = 0; k < step->state_count; k++) {
            bool same = note->serial && step->states[k].serial == note->serial; /* 0: of no exchange */
            if (same || step->states[k].bound == *look->context->sequence)
                continue;
            codes_note(&step->states[k].codes, UINT64_C(1) << step->index, note, &kept, &settings[note->module]);
            if (step->states[k].codes.covered)
                state_evident(look, i, k, note->serial);
        }
    }
    kept_answer_free(&kept);
}

static void codes_clear(struct look_codes *codes, const struct note *note)
{
    if (!codes->covered && !codes->contradicted)
        return;
    if (!note->clear.closed)
        doubts_ask(&codes->cleared, note->serial); /* it may act from now on */
    else if (note->refused)
        doubts_refused(&codes->cleared, note->serial);
    else if (note->positive)
        codes->cleared.certain = true; /* answered after what was read */
    else
        doubts_settled(&codes->cleared, note->serial);
}

void look_clear(struct look *look, const struct note *note)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        for (uint32_t k = 0; step->def->kind == STEP_CODES && step->def->module == note->module && k < step->state_count; k++)
            codes_clear(&step->states[k].codes, note);
    }
}

void look_setting_refused(struct look *look, uint64_t serial, bool on)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        for (uint32_t k = 0; step->def->kind == STEP_CODES && k < step->state_count; k++) {
            struct look_codes *codes = &step->states[k].codes;
            if (!codes->covered)
                continue;
            if (on && codes->on_serial == serial)
                codes->setting_off = true;
            else if (!on && codes->off_serial == serial)
                codes->setting_off = false;
        }
    }
}
