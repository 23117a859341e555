/* Parts and attempts (D 7.2, 7.3), and which look each note goes to (D 7.5). */
#include "step_judge.h"
#include "step_words.h"

#include <stdlib.h>
#include <string.h>

static uint32_t step_count(const struct judge *judge)
{
    return judge->definitions->step_count;
}

void judge_attempt_clear(struct attempt *attempt)
{
    look_close(&attempt->from_request);
    look_close(&attempt->from_evidence);
    look_close(&attempt->before);
    free(attempt->gaps);
    free(attempt->values);
    kept_list_free(&attempt->refused);
    memset(attempt, 0, sizeof *attempt);
    kept_list_init(&attempt->refused, sizeof(struct try_result));
}

/* An attempt whose looks begin now. Steps from the opening one on; all steps when nothing opens attempts. */
static void attempt_begin(struct judge *judge, uint64_t number)
{
    struct attempt *attempt = &judge->attempt;
    uint32_t first = judge->opening == DEF_NONE ? 0 : judge->opening;
    attempt->number = number;
    attempt->sequence = judge->sequence;
    attempt->gaps = calloc(1, sizeof *attempt->gaps);
    attempt->values = calloc(judge->definitions->condition_count + 1, sizeof *attempt->values);
    attempt->context = (struct look_context){
        .definitions = judge->definitions, .marks = judge->marks, .part = judge->part, .attempt = number, .sequence = &judge->sequence, .frame = &judge->frame,
        .gaps = attempt->gaps, .windows = &judge->windows, .emit = judge->emit, .emit_context = judge->emit_context,
    };
    if (!attempt->gaps || !attempt->values ||
        !look_open(&attempt->from_request, &attempt->context, first, step_count(judge) - first, true))
        judge->failed = true;
}

void judge_part_begin(struct judge *judge, uint64_t first_frame, int64_t first_time, const char *why)
{
    judge->part++;
    judge->part_first_frame = first_frame;
    judge->part_first_time = first_time;
    judge->attempts_in_part = 0;
    words_put(judge->part_why, why);
    memset(judge->part_gaps, 0, sizeof *judge->part_gaps);
    judge->part_context = (struct look_context){
        .definitions = judge->definitions, .marks = judge->marks, .part = judge->part, .attempt = 0, .sequence = &judge->sequence, .frame = &judge->frame,
        .gaps = judge->part_gaps, .windows = &judge->windows, .emit = judge->emit, .emit_context = judge->emit_context,
    };
    uint32_t before = judge->opening == DEF_NONE ? 0 : judge->opening;
    if (!look_open(&judge->before, &judge->part_context, 0, before, true))
        judge->failed = true;
    for (uint32_t i = 0; i < step_count(judge); i++) {
        kept_answer_free(&judge->identities[i].answer);
        kept_answer_free(&judge->identities[i].other_answer);
        memset(&judge->identities[i], 0, sizeof judge->identities[i]);
    }
    memset(judge->values, 0, judge->definitions->condition_count * sizeof *judge->values);
    attempt_begin(judge, 0);
}

/* Which result of the attempt holds: from the evidence on, if the opening step has any at the end (D 7.5). */
static const struct look *look_for(const struct attempt *attempt, uint32_t step, uint32_t opening, uint32_t *index)
{
    if (opening != DEF_NONE && step < opening) {
        *index = step;
        return &attempt->before;
    }
    if (attempt->has_evidence && step > opening) {
        *index = step - attempt->from_evidence.first;
        return &attempt->from_evidence;
    }
    *index = step - attempt->from_request.first;
    return &attempt->from_request;
}

/* Refused starts are the opening step's tries; without any other start they contradict it (D 7.3, 7.9). */
static void opening_result(const struct attempt *attempt, struct step_result *result)
{
    char count[WORDS_TIMES_MAX];
    result->tries.list = kept_list_array(&attempt->refused);
    result->tries.kept = result->tries.list ? attempt->refused.kept : 0;
    result->tries.count = attempt->refused.count;
    if (!attempt->opened) {
        struct words words = words_in(result->reason);
        result->answer = attempt->refused.count ? STEP_CONTRADICTED : STEP_NOT_CONFIRMED;
        if (attempt->refused.count)
            words_add(&words, "refused %s, never accepted", words_times(attempt->refused.count, count));
        else
            words_add(&words, "never asked for");
        return;
    }
    struct words words = {result->reason, strlen(result->reason)};
    if (attempt->refused.count)
        words_add(&words, "; refused %s beside the start that was not", words_times(attempt->refused.count, count));
}

/* Where a step's evidence lies; false without any. */
static bool evidence_place(const struct step_result *step, uint32_t *bus, uint64_t *first, uint64_t *last, int64_t *time)
{
    bool stretch = step->evidence == EVIDENCE_STRETCH;
    *bus = stretch ? step->stretch.bus : step->bus;
    *first = stretch ? step->stretch.first_frame : step->first_frame;
    *last = stretch ? step->stretch.last_frame : step->last_frame;
    *time = stretch ? step->stretch.last_time : step->time;
    return step->evidence != EVIDENCE_NONE;
}

/* What the recorder says of the frames of a step's evidence is named beside it (D 7.13). */
static void spans_beside(const struct judge *judge, struct step_result *step)
{
    uint32_t bus;
    uint64_t first, last;
    int64_t time;
    if (!evidence_place(step, &bus, &first, &last, &time))
        return;
    for (uint32_t i = 0; i < judge->span_count; i++)
        gaps_add(&step->gaps, &judge->spans[i], bus, first, last);
}

/*
 * What was lost between the opening request and the last evidence (D 7.13): on the bus of the request by frames, on
 * another one, whose frames have numbers of their own, by time.
 */
static void gaps_of_attempt(const struct gap_ring *ring, struct attempt_result *result, uint32_t steps)
{
    const unsigned kinds = 1u << GAP_CLOCK | 1u << GAP_STEPPED | 1u << GAP_LOST | 1u << GAP_LINK | 1u << GAP_BROKEN;
    uint64_t last = result->first_frame;
    int64_t last_time = result->first_time;
    for (uint32_t i = 0; i < steps; i++) {
        uint32_t bus;
        uint64_t first, frame;
        int64_t time;
        if (!evidence_place(&result->steps[i], &bus, &first, &frame, &time))
            continue;
        last = bus == result->bus && frame > last ? frame : last;
        last_time = time > last_time ? time : last_time;
        /* Every judged stretch is evidence, not only the one that is shown first; so is every moment's. */
        const struct step_result *step = &result->steps[i];
        for (uint32_t k = 0; k < step->also.kept + step->tries.kept; k++) {
            bool also = k < step->also.kept;
            const struct try_result *one = also ? NULL : &step->tries.list[k - step->also.kept];
            const struct stretch *stretch = also ? &step->also.list[k] : &one->stretch;
            if (!also && (!one->has_stretch || one->left_out))
                continue;
            last = stretch->bus == result->bus && stretch->last_frame > last ? stretch->last_frame : last;
            last_time = stretch->last_time > last_time ? stretch->last_time : last_time;
        }
    }
    memset(&result->gaps, 0, sizeof result->gaps);
    uint64_t from = ring->count > GAP_RING ? ring->count - GAP_RING : 0;
    for (uint64_t i = from; i < ring->count; i++) {
        const struct gap *gap = &ring->list[i % GAP_RING];
        bool elsewhere = gap->bus != result->bus && gap->bus != GAP_EVERY_BUS;
        if (!(kinds & 1u << gap->kind))
            continue;
        if (!elsewhere)
            gaps_add(&result->gaps, gap, result->bus, result->first_frame, last);
        else if (gap->time >= result->first_time && gap->time <= last_time)
            gaps_add(&result->gaps, gap, gap->bus, 0, UINT64_MAX);
    }
}

static void attempt_end(struct judge *judge, bool last, uint64_t last_frame, int64_t last_time)
{
    struct attempt *attempt = &judge->attempt;
    const struct definitions *definitions = judge->definitions;
    if (judge->failed)
        return;
    look_end(&attempt->from_request);
    if (attempt->has_evidence)
        look_end(&attempt->from_evidence);
    if (!attempt->opened && judge->opening != DEF_NONE) { /* the steps before it look at the whole part */
        look_close(&attempt->before);
        if (!look_copy(&attempt->before, &judge->before))
            judge->failed = true;
    }
    look_end(&attempt->before);
    struct attempt_result *result = calloc(1, sizeof *result);
    if (result) {
        result->conditions = calloc(definitions->condition_count + 1, sizeof *result->conditions);
        result->steps = calloc(definitions->step_count + 1, sizeof *result->steps);
    }
    if (!result || !result->conditions || !result->steps || attempt->from_request.failed || attempt->from_evidence.failed) {
        judge->failed = true;
        if (result) {
            free(result->conditions);
            free(result->steps);
            free(result);
        }
        return;
    }
    result->part = judge->part;
    result->number = attempt->number ? attempt->number : 1;
    result->last = last;
    result->opened = attempt->opened;
    result->answered = attempt->answered;
    result->bus = attempt->opened ? attempt->bus : judge->part_bus;
    result->first_frame = attempt->opened ? attempt->first_frame : judge->part_first_frame;
    result->first_time = attempt->opened ? attempt->first_time : judge->part_first_time;
    result->last_frame = last_frame;
    result->last_time = last_time;
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        uint32_t index;
        const struct look *look = look_for(attempt, i, judge->opening, &index);
        look_result(look, index, &result->steps[i]);
        if (definitions->steps[i].kind == STEP_IDENTITY)
            judge_identity_result(judge, i, &result->steps[i]);
        if (i == judge->opening)
            opening_result(attempt, &result->steps[i]);
        if (result->steps[i].evidence == EVIDENCE_ANSWER) /* what was lost inside it is named beside it (D 7.13) */
            gap_ring_read(judge->part_gaps, result->steps[i].bus, result->steps[i].first_frame,
                          result->steps[i].last_frame, ~0u, &result->steps[i].gaps);
        spans_beside(judge, &result->steps[i]);
    }
    judge_conditions(judge, attempt, result->conditions);
    gaps_of_attempt(attempt->gaps, result, definitions->step_count);
    verdict_add_attempt(judge, result);
}

void judge_part_end(struct judge *judge, uint64_t last_frame, int64_t last_time)
{
    struct attempt *attempt = &judge->attempt;
    /* Refused starts after the last opening belong to the last attempt. */
    for (uint32_t i = 0; i < judge->refused.kept; i++)
        kept_list_add(&attempt->refused, kept_list_at(&judge->refused, i));
    attempt->refused.count += judge->refused.count - judge->refused.kept;
    kept_list_free(&judge->refused);
    attempt_end(judge, true, last_frame, last_time);
    struct part_result part = {
        .number = judge->part, .first_frame = judge->part_first_frame, .last_frame = last_frame,
        .attempt_count = judge->attempts_in_part ? judge->attempts_in_part : 1,
    };
    words_put(part.why, judge->part_why);
    verdict_add_part(judge, &part);
    judge_identities_used(judge);
    judge_attempt_clear(attempt);
    look_close(&judge->before);
}

/* Ends the attempt that runs and opens the next one at the note's first frame. */
static void attempt_open(struct judge *judge, const struct note *note, const struct resolution *resolution)
{
    struct attempt *attempt = &judge->attempt;
    if (attempt->opened)
        attempt_end(judge, false, note->first_frame - 1, judge->last_time);
    judge_attempt_clear(attempt);
    judge->attempts_in_part++;
    attempt_begin(judge, judge->attempts_in_part);
    if (judge->failed)
        return;
    attempt->opened = true;
    attempt->answered = resolution->positive;
    attempt->answer_last_frame = resolution->positive ? resolution->answer_last_frame : 0;
    attempt->bus = note->bus;
    attempt->first_frame = note->first_frame;
    attempt->first_time = note->time;
    attempt->elapsed = note->elapsed;
    attempt->epoch = note->epoch;
    memcpy(attempt->values, judge->values, judge->definitions->condition_count * sizeof *attempt->values);
    kept_list_free(&attempt->refused);
    attempt->refused = judge->refused;
    kept_list_init(&judge->refused, sizeof(struct try_result));
    if (!look_copy(&attempt->before, &judge->before))
        judge->failed = true;
}

/* D 7.3: a start that was not refused opens an attempt at its request. */
static void start_noted(struct judge *judge, const struct note *note, const struct resolution *resolution)
{
    if (resolution->refused) {
        struct try_result refused = {
            .refused_start = true, .nrc = resolution->nrc, .bus = note->bus, .first_frame = resolution->answer_first_frame,
            .last_frame = resolution->answer_last_frame, .time = resolution->answer_time,
            .answer = STEP_CONTRADICTED,
        };
        struct words words = words_in(refused.reason);
        const char *name = standard_nrc_name(judge->definitions->modules[note->module].dialect, resolution->nrc);
        words_add(&words, "refused: %s (0x%02x)", name ? name : "unknown", resolution->nrc);
        kept_list_add(&judge->refused, &refused);
        return;
    }
    attempt_open(judge, note, resolution);
}

/*
 * A positive answer to a start that no request in the record asks for: the request was lost, or this is the late answer
 * to one that was given up. The module did start (D 7.3), so what was proved before is stale.
 */
static void started_noted(struct judge *judge, const struct note *note)
{
    struct attempt *attempt = &judge->attempt;
    struct resolution resolution = {
        .positive = true, .answer_first_frame = note->first_frame, .answer_last_frame = note->last_frame,
        .answer_time = note->time,
    };
    /* An outcome seen before shows that the running attempt's own start was accepted then: this is another one. */
    if (attempt->opened && !attempt->answered && !attempt->has_evidence &&
        attempt->from_request.steps[0].action.last == OUTCOME_NONE) {
        attempt->answered = true;
        attempt->answer_last_frame = note->last_frame;
    } else {
        attempt_open(judge, note, &resolution);
    }
}

static void sample_noted(struct judge *judge, const struct note *note)
{
    struct sample sample = {
        .numerator = note->sample.numerator, .state = note->sample.name, .time = note->time, .elapsed = note->elapsed,
        .bus = note->bus, .first_frame = note->first_frame, .last_frame = note->last_frame,
    };
    FOR_EACH_LOOK(judge, look)
        look_sample(look, note->index, &sample, note->sample.state);
    judge_condition_value(judge, note);
}

/* The opening step's evidence is the first of the last unbroken run of confirmed answers (D 7.9): where it begins, a look
 * begins; where the run breaks, that look is forgotten. */
static void opening_evidence(struct judge *judge, bool was_confirmed)
{
    struct attempt *attempt = &judge->attempt;
    const struct look_step *opening = &attempt->from_request.steps[0];
    bool confirmed = opening->def->outcome == DEF_NONE ? opening->action.first_start.has
                                                       : opening->action.last == OUTCOME_CONFIRMED;
    if (confirmed == was_confirmed)
        return;
    look_close(&attempt->from_evidence);
    attempt->has_evidence = false;
    attempt->from_request.speaks = true;
    if (!confirmed)
        return;
    if (!look_open(&attempt->from_evidence, &attempt->context, judge->opening + 1, step_count(judge) - judge->opening - 1,
                   true)) {
        judge->failed = true;
        return;
    }
    look_take_moments(&attempt->from_evidence, &attempt->from_request);
    if (!look_bounds_open(&attempt->from_evidence, judge->action_note.serial)) /* the evidence does not come after itself */
        judge->failed = true;
    attempt->has_evidence = true;
    attempt->from_request.speaks = false;
}

static void outcome_noted(struct judge *judge, const struct note *note)
{
    struct attempt *attempt = &judge->attempt;
    /* What was asked before this start, or answered before the module accepted it, cannot be its outcome. */
    bool stale = attempt->opened && (note->last_frame < attempt->answer_last_frame ||
                                     (!note->unsolicited && judge->action_note.request_frame < attempt->first_frame));
    bool opens = attempt->opened && judge->opening != DEF_NONE;
    bool was = opens && attempt->from_request.steps[0].action.last == OUTCOME_CONFIRMED;
    const char *name = note->sample.state == VALUE_GOOD ? note->sample.name : NULL;
    FOR_EACH_LOOK(judge, look) {
        if (stale && look == &attempt->from_request)
            continue;
        look_outcome(look, note->index, name, &judge->action_note, judge->action_bytes, judge->action_length, !note->unsolicited);
    }
    if (opens && judge->definitions->steps[judge->opening].outcome == note->index)
        opening_evidence(judge, was);
}

static void action_noted(struct judge *judge, const struct note *note, const uint8_t *extra)
{
    struct attempt *attempt = &judge->attempt;
    judge->action_note = *note;
    judge->action_length = 0;
    if (note->extra > judge->action_room) {
        uint8_t *grown = realloc(judge->action_bytes, note->extra);
        if (grown) {
            judge->action_bytes = grown;
            judge->action_room = note->extra;
        }
    }
    if (note->extra && note->extra <= judge->action_room) {
        memcpy(judge->action_bytes, extra, note->extra);
        judge->action_length = note->extra;
    }
    bool opens = attempt->opened && judge->opening != DEF_NONE;
    bool was = opens && attempt->from_request.steps[0].action.first_start.has;
    /* The answer to a start before this attempt's own is no answer to it, however late it comes. */
    bool earlier = attempt->opened && note->index == judge->opening_action && note->action.part == PART_START &&
                   note->request_frame < attempt->first_frame;
    if (!note->unsolicited && !earlier)
        FOR_EACH_LOOK(judge, look)
            look_action_closed(look, note, extra);
    if (opens && judge->definitions->steps[judge->opening].outcome == DEF_NONE)
        opening_evidence(judge, was);
    if (judge->emit) {
        struct step_event event = {
            .kind = STEP_EVENT_ACTION, .part = judge->part, .attempt = attempt->opened ? attempt->number : 0,
            .bus = note->bus, .first_frame = note->first_frame, .last_frame = note->last_frame, .time = note->time,
            .action = &judge->definitions->actions[note->index], .action_part = note->action.part,
            .state = note->action.state, .nrc = note->nrc,
        };
        judge->emit(judge->emit_context, &event);
    }
}

static void split(struct judge *judge, const struct note *note, const char *why)
{
    judge->split_follows = true;
    judge_part_end(judge, note->first_frame - 1, judge->last_time);
    judge->split_follows = false;
    judge->part_bus = note->bus;
    judge_part_begin(judge, note->first_frame, note->time, why);
}

void judge_note(struct judge *judge, const struct note *note, const uint8_t *extra, const struct resolution *resolution)
{
    if (judge->failed)
        return;
    judge->sequence++;
    judge->frame = note->last_frame;
    switch (note->kind) {
    case NOTE_START:
        start_noted(judge, note, resolution);
        break;
    case NOTE_IDENTITY_ASKED:
        if (resolution->split)
            split(judge, note, resolution->why);
        break;
    case NOTE_STARTED:
        started_noted(judge, note);
        break;
    case NOTE_SPLIT: {
        char why[VERDICT_REASON_MAX];
        struct words words = words_in(why);
        words_add(&words, "%.*s", (int)note->extra, (const char *)extra);
        split(judge, note, why);
        break;
    }
    case NOTE_ACTION:
        action_noted(judge, note, extra);
        break;
    case NOTE_SAMPLE:
        outcome_noted(judge, note);
        sample_noted(judge, note);
        break;
    case NOTE_TEXT:
        judge_identity_text(judge, note, extra);
        break;
    case NOTE_SERVICE:
        FOR_EACH_LOOK(judge, look)
            look_service(look, note, extra);
        break;
    case NOTE_CODES:
        FOR_EACH_LOOK(judge, look)
            look_codes(look, note, extra, judge->settings);
        break;
    case NOTE_CLEAR:
        FOR_EACH_LOOK(judge, look)
            look_clear(look, note);
        break;
    case NOTE_SETTING:
        judge_setting_noted(judge, note);
        break;
    case NOTE_DEFAULTS:
        judge_setting_on(&judge->settings[note->module], note->serial);
        break;
    case NOTE_WRITE:
        judge_identity_written(judge, note);
        break;
    case NOTE_GAP:
        judge_gap_noted(judge, note);
        break;
    case NOTE_MARK:
        judge_mark_noted(judge, note);
        break;
    }
    if (note->last_frame > judge->last_frame) {
        judge->last_frame = note->last_frame;
        judge->last_time = note->time;
    }
}
