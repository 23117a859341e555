/* What a look has seen, as an answer and one sentence (D 7.7 to 7.10). */
#include "step_look.h"
#include "step_words.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool has_unmarked_evidence(const struct tally *tally)
{
    return tally->inside + tally->outside + tally->close > 0;
}

/* Why there is no judged stretch (D 7.8): never read, read too seldom, never steady, or never where select wants it. */
static void say_none(const struct look_step *step, const struct def_reading *reading, struct words *words)
{
    const struct def_step *def = step->def;
    char span[TEXT_TIME_MAX], need[TEXT_TIME_MAX], value[WORDS_VALUE_MAX], count[WORDS_TIMES_MAX];
    if (!step->reads) {
        words_add(words, "never read");
        return;
    }
    if (!step->samples) {
        words_add(words, "read %s, never with a value", words_times(step->reads, count));
        return;
    }
    text_span(def->steady_gap, need);
    if (step->tally.other) {
        words_add(words, "no steady reading");
        words_select(words, def);
        words_value(reading, step->tally.last_other.lowest, step->tally.last_other.state, value);
        words_add(words, "; the last one stood at %s", value);
    } else if (step->link == LINK_CLOSED) {
        words_add(words, "not steady before the load of a later step stood");
    } else if (def->has_steady && step->samples < STEADY_SAMPLES_MIN) {
        words_add(words, "read only %s; steady needs three readings over ", step->samples == 1 ? "once" : "twice");
        text_span(def->steady_for, span);
        words_add(words, "%s", span);
    } else if (def->has_steady && step->long_intervals * 2 >= step->samples - 1) {
        text_span((step->last_elapsed - step->first_elapsed) / (int64_t)(step->samples - 1), span);
        words_add(words, "read too seldom: every %s; steady needs one in %s", span, need);
    } else if (def->has_steady) {
        text_span(def->steady_for, span);
        words_add(words, "never steady for %s", span);
        words_select(words, def);
    } else {
        words_add(words, "never in a named state");
    }
}

static void say_stretch(const struct def_step *def, const struct def_reading *reading, const struct stretch *stretch,
                        struct words *words)
{
    char span[TEXT_TIME_MAX];
    words_range(words, reading, stretch);
    if (stretch->samples > 1) {
        text_span(stretch->last_time - stretch->first_time, span);
        words_add(words, ", steady for %s", span);
    }
    switch (stretch->standing) {
    case STANDING_INSIDE:
        break;
    case STANDING_BELOW:
        words_add(words, ": below the limit of ");
        words_limit(words, &def->limits, false);
        break;
    case STANDING_ABOVE:
        words_add(words, ": above the limit of ");
        words_limit(words, &def->limits, true);
        break;
    case STANDING_OTHER_STATE:
        words_add(words, ", not ");
        words_names(words, def->is, def->is_count);
        break;
    case STANDING_TOO_CLOSE:
        words_add(words, ": too close to the limit");
        words_limits(words, def);
        return;
    }
    if (stretch->standing == STANDING_INSIDE && def->has_between)
        words_limits(words, def);
}

static void say_gaps_of(struct step_result *result, const struct gaps *gaps)
{
    result->gaps = *gaps;
}

/* A moment of this step that stands where the clock went back: somebody pressed, but when is not known (D 7.1). */
static bool has_unbound_moment(const struct look *look, const struct def_step *def)
{
    const struct marks *marks = look->context->marks;
    for (uint32_t i = 0; marks && def->mark && i < marks->count; i++) {
        const struct mark *mark = &marks->list[i];
        if (mark->kind == MARK_MOMENT && mark->places > 1 && !mark->withdrawn_by && strcmp(mark->name, def->mark) == 0)
            return true;
    }
    return false;
}

/* Were samples dropped that this step's stretches, or those before its part, needed? */
static bool was_short_of(const struct look *look, uint32_t index)
{
    for (uint32_t i = 0; i <= index; i++)
        if (look->steps[i].def->kind == STEP_READING && look->steps[i].def->reading == look->steps[index].def->reading &&
            look->steps[i].steady.short_of)
            return true;
    return false;
}

static void unmarked_result(const struct look *look, uint32_t index, const struct def_reading *reading,
                            struct step_result *result)
{
    const struct look_step *step = &look->steps[index];
    const struct tally *tally = &step->tally;
    struct words words = words_in(result->reason);
    uint64_t judged = tally->inside + tally->outside + tally->close;
    result->answer = STEP_NOT_CONFIRMED;
    if (was_short_of(look, index)) {
        words_add(&words, "read more often than can be followed; shorten \"for\"");
        return;
    }
    if (!has_unmarked_evidence(tally)) {
        say_none(step, reading, &words);
        return;
    }
    const struct stretch *first = kept_list_at(&tally->list, 0);
    result->evidence = EVIDENCE_STRETCH;
    result->stretch = *first;
    say_gaps_of(result, &tally->first_gaps);
    struct stretch *all = kept_list_array(&tally->list);
    if (all && tally->list.kept > 1) {
        memmove(all, all + 1, (tally->list.kept - 1) * sizeof *all);
        result->also.list = all;
        result->also.kept = tally->list.kept - 1;
    } else {
        free(all);
    }
    result->also.count = judged - 1;
    if (tally->inside && tally->outside) {
        words_add(&words, "readings disagree: %llu steady inside the limits, %llu outside; the first ",
                  (unsigned long long)tally->inside, (unsigned long long)tally->outside);
        say_stretch(step->def, reading, first, &words);
        return;
    }
    if (tally->close) {
        const struct stretch *shown = first;
        for (uint32_t i = 0; i < tally->list.kept; i++) {
            const struct stretch *one = kept_list_at(&tally->list, i);
            if (one->standing == STANDING_TOO_CLOSE) {
                shown = one;
                break;
            }
        }
        say_stretch(step->def, reading, shown, &words);
        return;
    }
    if (tally->outside) {
        result->answer = STEP_CONTRADICTED;
        say_stretch(step->def, reading, first, &words);
    } else if (has_unbound_moment(look, step->def)) {
        words_add(&words, "reading inside, but its moment stands where the clock went back: ");
        say_stretch(step->def, reading, first, &words);
    } else if (step->def->applied) { /* at best not confirmed (D 7.8) */
        words_add(&words, "reading inside, weight not stated: ");
        say_stretch(step->def, reading, first, &words);
    } else {
        result->answer = STEP_CONFIRMED;
        say_stretch(step->def, reading, first, &words);
    }
    if (judged > 1)
        words_add(&words, " (first of %llu steady stretches)", (unsigned long long)judged);
}

/* One press of the key, judged for itself (D 7.8). */
static void try_result(const struct look_step *step, const struct look_try *try, const struct def_reading *reading,
                       struct try_result *result)
{
    const struct def_step *def = step->def;
    struct words words = words_in(result->reason);
    char span[TEXT_TIME_MAX];
    result->mark = try->mark;
    result->time = try->mark->time;
    result->answer = STEP_NOT_CONFIRMED;
    if (try->judged) {
        result->has_stretch = true;
        result->stretch = try->stretch;
        result->bus = try->stretch.bus;
        result->first_frame = try->stretch.first_frame;
        result->last_frame = try->stretch.last_frame;
    }
    text_span(def->wait, span);
    const char *cover = mark_covered_text(try->mark->covered);
    if (cover) /* in front: it must not be cut off (D 11.2) */
        words_add(&words, "moment %s: ", cover);
    if (try->mark->withdrawn_by) {
        result->left_out = true;
        words_withdrawn(&words, try->mark);
    } else if (try->crowded) {
        words_add(&words, "more than %u moments at once: not followed", TRIES_OPEN_MAX);
    } else if (try->short_of) {
        words_add(&words, "read more often than can be followed; shorten \"for\"");
    } else if (try->clock_back) {
        words_add(&words, "the clock went back after the moment: how long after it the reading stood is unknown");
    } else if (!try->read) {
        result->left_out = true;
        words_add(&words, "not read within %s of the moment", span);
    } else if (!try->judged) {
        words_add(&words, "no steady reading began within %s of the moment", span);
    } else if (!step_meets_select(def, try->stretch.lowest) || !step_meets_select(def, try->stretch.highest)) {
        if (step->last_meeting <= try->sequence)
            result->answer = STEP_CONTRADICTED;
        words_add(&words, "stood at ");
        words_range_plain(&words, reading, &try->stretch);
        words_add(&words, " after the moment");
        if (step->last_meeting <= try->sequence) {
            words_add(&words, " and never read");
            words_select(&words, def);
            words_add(&words, " from then on");
        }
    } else {
        if (try->stretch.standing == STANDING_INSIDE)
            result->answer = STEP_CONFIRMED;
        else if (try->stretch.standing != STANDING_TOO_CLOSE)
            result->answer = STEP_CONTRADICTED;
        if (def->applied && result->answer == STEP_CONFIRMED)
            words_add(&words, "%s on the seat, read ", def->applied);
        say_stretch(def, reading, &try->stretch, &words);
    }
}

static void marked_result(const struct look_step *step, const struct def_reading *reading, struct step_result *result)
{
    struct kept_list kept;
    kept_list_init(&kept, sizeof(struct try_result));
    uint64_t answers[4] = {0};
    const struct look_try *deciding = NULL;
    struct try_result first = {0};
    for (uint32_t i = 0; i < step->try_count; i++) {
        struct try_result one = {0};
        try_result(step, &step->tries[i], reading, &one);
        kept_list_add(&kept, &one);
        if (one.left_out)
            continue;
        if (!deciding) {
            deciding = &step->tries[i];
            first = one;
        }
        answers[one.answer]++;
    }
    result->tries.list = kept_list_array(&kept);
    result->tries.kept = result->tries.list ? kept.kept : 0;
    result->tries.count = kept.count + step->tries_over;
    kept_list_free(&kept);
    struct words words = words_in(result->reason);
    result->answer = STEP_NOT_CONFIRMED;
    if (!deciding) {
        bool withdrawn = false;
        for (uint32_t i = 0; i < step->try_count; i++)
            withdrawn = withdrawn || step->tries[i].mark->withdrawn_by;
        words_add(&words, withdrawn ? "every moment was withdrawn or had no reading after it"
                                    : "never read after the moment");
        return;
    }
    if (first.has_stretch) {
        result->evidence = EVIDENCE_STRETCH;
        result->stretch = first.stretch;
        say_gaps_of(result, &deciding->gaps);
    }
    uint64_t all = answers[STEP_CONFIRMED] + answers[STEP_CONTRADICTED] + answers[STEP_NOT_CONFIRMED];
    if (step->tries_over)
        words_add(&words, "more than %u moments in one attempt; the first: ", TRIES_MAX);
    else if (answers[first.answer] == all)
        result->answer = first.answer;
    else
        words_add(&words, "the %llu moments disagree; the first: ", (unsigned long long)all);
    words_add(&words, "%s", first.reason);
}

static void action_result(const struct look_step *step, struct step_result *result)
{
    const struct look_action *action = &step->action;
    const struct def_step *def = step->def;
    char count[WORDS_TIMES_MAX];
    struct words words = words_in(result->reason);
    result->answer = STEP_NOT_CONFIRMED;
    bool only_refused = action->refused_starts && !action->positive_starts && !action->silent_starts;
    if (def->outcome == DEF_NONE) {
        kept_answer_evidence(result, &action->first_start);
        if (action->positive_starts) {
            result->answer = STEP_CONFIRMED;
            words_add(&words, "the module accepted it");
        } else if (only_refused) {
            result->answer = STEP_CONTRADICTED;
            words_add(&words, "refused %s, never accepted", words_times(action->refused_starts, count));
        } else {
            words_add(&words, action->silent_starts ? "asked, but no answer was seen" : "never asked for");
        }
        return;
    }
    switch (action->last) {
    case OUTCOME_CONFIRMED:
        result->answer = STEP_CONFIRMED;
        kept_answer_evidence(result, &action->run_first);
        words_add(&words, "the module answered '%s'", action->last_name);
        break;
    case OUTCOME_WAITING:
        kept_answer_evidence(result, &action->last_answer);
        words_add(&words, "still running when last asked ('%s')", action->last_name);
        break;
    case OUTCOME_OTHER:
        result->answer = STEP_CONTRADICTED;
        kept_answer_evidence(result, &action->last_answer);
        words_add(&words, "the module answered '%s'", action->last_name);
        break;
    case OUTCOME_UNNAMED:
        kept_answer_evidence(result, &action->last_answer);
        words_add(&words, "the module answered a state that the definition does not name");
        break;
    case OUTCOME_NONE:
        if (only_refused) {
            result->answer = STEP_CONTRADICTED;
            words_add(&words, "refused %s, never accepted", words_times(action->refused_starts, count));
        } else if (action->positive_starts) {
            words_add(&words, "accepted, but its outcome was never read");
        } else {
            words_add(&words, action->silent_starts ? "asked, but no answer was seen" : "never asked for");
        }
        break;
    }
    if (action->refused_questions)
        words_add(&words, "; its result was asked for and refused %s", words_times(action->refused_questions, count));
}

static void answered_result(const struct look_answered *answered, enum dialect dialect, struct step_result *result)
{
    char count[WORDS_TIMES_MAX];
    struct words words = words_in(result->reason);
    result->answer = STEP_NOT_CONFIRMED;
    kept_answer_evidence(result, &answered->first);
    if (answered->positive) {
        result->answer = STEP_CONFIRMED;
        words_add(&words, "the module answered");
        if (answered->positive > 1)
            words_add(&words, " (%s)", words_times(answered->positive, count));
    } else if (answered->refused && !answered->silent) {
        result->answer = STEP_CONTRADICTED;
        words_add(&words, "refused %s, last with %s", words_times(answered->refused, count),
                  standard_nrc_name(dialect, answered->last_nrc));
    } else {
        words_add(&words, answered->silent ? "asked, but no answer was seen"
                                           : "not asked after the steps before it had their evidence");
    }
}

/* What the step wants none of. */
static void say_wanted(const struct def_step *def, struct words *words)
{
    if (def->none_present || def->none_stored) /* ISO 14230-3 */
        words_add(words, "the state %s%s%s", def->none_present ? "present" : "",
                  def->none_present && def->none_stored ? " or " : "", def->none_stored ? "stored" : "");
    else
        words_add(words, "status bits 0x%02x", def->none_with);
}

static void codes_result(const struct def_step *def, const struct look_codes *codes, struct step_result *result)
{
    struct words words = words_in(result->reason);
    result->answer = STEP_NOT_CONFIRMED;
    kept_answer_evidence(result, codes->contradicted ? &codes->listing : &codes->answer);
    if (!codes->covered && !codes->contradicted) {
        if (codes->narrow && (def->none_present || def->none_stored))
            words_add(&words, "the scan tool did not ask for the codes of all groups");
        else if (codes->narrow && codes->shared)
            words_add(&words, "the answer could belong to another question; sure of status bits 0x%02x only, 0x%02x wanted",
                      codes->narrow_mask, def->none_with);
        else if (codes->narrow)
            words_add(&words, "the scan tool asked for status bits 0x%02x only, 0x%02x wanted", codes->narrow_mask,
                      def->none_with);
        else
            words_add(&words, "codes not read after the steps before it had their evidence");
        return;
    }
    if (doubts_hold(&codes->cleared)) {
        words_add(&words, "codes were cleared after they were last read");
        return;
    }
    if (codes->contradicted || codes->lists) {
        result->answer = STEP_CONTRADICTED;
        words_add(&words, codes->contradicted ? "a later answer still tells of a code with "
                                              : "the module lists a code with ");
        say_wanted(def, &words);
        return;
    }
    if (codes->torn) /* absence of evidence is no pass (D 2.5): what it told could contradict */
        words_add(&words, "codes were read again (frames %llu to %llu), and what the module told cannot be read",
                  (unsigned long long)codes->torn_first, (unsigned long long)codes->torn_last);
    else if (codes->setting_off)
        words_add(&words, "the storing of codes was switched off when they were read");
    else if (codes->unreported)
        words_add(&words, "the module does not report this: a wanted status bit lies outside its availability mask");
    else if (def->tested != TESTED_NOT_ASKED && codes->unasked)
        words_add(&words, "the scan tool did not ask whether the tests had run");
    else if (def->tested != TESTED_NOT_ASKED && codes->untested)
        words_add(&words, "cleared, not tested again yet");
    else {
        result->answer = STEP_CONFIRMED;
        words_add(&words, "no code with ");
        say_wanted(def, &words);
        if (def->tested != TESTED_NOT_ASKED)
            words_add(&words, ", and the tests have run");
        else if (codes->unasked)
            words_put(result->remarks[result->remark_count++], "the scan tool did not ask whether the tests had run");
    }
}

void look_result(const struct look *look, uint32_t index, struct step_result *result)
{
    const struct look_step *step = &look->steps[index];
    memset(result, 0, sizeof *result);
    result->step = step->def;
    switch (step->def->kind) {
    case STEP_READING: {
        const struct def_reading *reading = &look->context->definitions->readings[step->def->reading];
        if (step->try_count)
            marked_result(step, reading, result);
        else
            unmarked_result(look, index, reading, result);
        break;
    }
    case STEP_ACTION:
        action_result(step, result);
        break;
    case STEP_ANSWERED:
        answered_result(&look_choose(look, index)->answered,
                        look->context->definitions->modules[step->def->module].dialect, result);
        break;
    case STEP_CODES:
        codes_result(step->def, &look_choose(look, index)->codes, result);
        break;
    case STEP_IDENTITY: /* judged over the whole part (step_part.c) */
    case STEP_RECORD:
        result->answer = STEP_RECORDED;
        break;
    }
}

void step_result_free(struct step_result *result)
{
    free(result->bytes);
    free((char *)result->text);
    free(result->also.list);
    free(result->tries.list);
    memset(result, 0, sizeof *result);
}
