/* Steps that an answer decides: actions (D 7.9), answered services, trouble codes (D 7.10), and their order (D 7.5). */
#include "step_look.h"

#include <string.h>

/*
 * "`codes` and `answered` count only answers that come after each step listed before them first had its evidence."
 * Everything seen so far came before now, so a step's state is simply emptied when a step before it first has evidence.
 */
void look_evident(struct look *look, uint32_t index)
{
    for (uint32_t i = index + 1; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind == STEP_ANSWERED) {
            kept_answer_free(&step->answered.first);
            memset(&step->answered, 0, sizeof step->answered);
        } else if (step->def->kind == STEP_CODES) {
            kept_answer_free(&step->codes.answer);
            kept_answer_free(&step->codes.listing);
            memset(&step->codes, 0, sizeof step->codes);
        }
    }
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
                    look_evident(look, i);
            }
        } else {
            action->silent_starts++;
        }
    }
}

static bool among(const char *name, const char *const *names, uint32_t count)
{
    for (uint32_t i = 0; name && i < count; i++)
        if (strcmp(name, names[i]) == 0)
            return true;
    return false;
}

void look_outcome(struct look *look, uint32_t reading, const char *name, const struct note *note, const uint8_t *answer,
                  uint32_t length)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_ACTION || step->def->outcome != reading)
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
        } else if (!was_confirmed) {
            kept_answer_set(&action->run_first, note, answer, length);
            look_evident(look, i);
        }
    }
}

void look_service(struct look *look, const struct note *note, const uint8_t *answer)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_ANSWERED || step->def->service != note->service || step->def->module != note->module)
            continue;
        struct look_answered *answered = &step->answered;
        if (note->refused) {
            answered->refused++;
            answered->last_nrc = note->nrc;
        } else if (!note->positive) {
            answered->silent++;
        } else {
            answered->positive++;
            if (!answered->first.has) {
                kept_answer_set(&answered->first, note, answer, note->extra);
                look_evident(look, i);
            }
        }
    }
}

void look_codes(struct look *look, const struct note *note, const uint8_t *answer, const struct setting *settings)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_CODES || step->def->module != note->module)
            continue;
        struct look_codes *codes = &step->codes;
        uint64_t bit = UINT64_C(1) << step->index;
        const struct setting *setting = &settings[note->module];
        if (note->codes.covers & bit) {
            bool first = !codes->covered;
            codes->covered = true;
            codes->lists = note->codes.lists & bit;
            codes->unreported = note->codes.unreported & bit;
            codes->unasked = note->codes.untested_unasked & bit;
            codes->untested = note->codes.untested & bit;
            codes->mask = note->codes.mask;
            codes->setting_off = setting->off;
            codes->off_serial = setting->off ? setting->off_serial : 0;
            codes->on_serial = setting->on_serial;
            codes->cleared = false;
            codes->contradicted = false;
            kept_answer_free(&codes->listing);
            kept_answer_set(&codes->answer, note, answer, note->extra);
            if (first)
                look_evident(look, i);
        } else if (note->codes.lists & bit) {
            /* It lists a code that the step says is not there, whatever was asked. */
            codes->contradicted = true;
            codes->cleared = false;
            kept_answer_set(&codes->listing, note, answer, note->extra);
        } else if (!codes->covered) {
            codes->narrow++;
            codes->narrow_mask = note->codes.mask;
            codes->shared = note->codes.shared;
        }
    }
}

void look_clear(struct look *look, const struct note *note)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_CODES || step->def->module != note->module)
            continue;
        struct look_codes *codes = &step->codes;
        const struct kept_answer *answer = codes->contradicted ? &codes->listing : &codes->answer;
        /* A clear that was not answered may have acted when it was asked; an answered one is over with its answer. */
        uint64_t clear_frame = note->positive ? note->last_frame : note->request_frame;
        if (answer->has && clear_frame > answer->last_frame)
            codes->cleared = true;
    }
}

void look_setting_refused(struct look *look, uint64_t serial, bool on)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_codes *codes = &look->steps[i].codes;
        if (look->steps[i].def->kind != STEP_CODES || !codes->covered)
            continue;
        if (on && codes->on_serial == serial)
            codes->setting_off = true;
        else if (!on && codes->off_serial == serial)
            codes->setting_off = false;
    }
}
