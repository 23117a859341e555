/* The readings that the report follows: their newest samples, and what of them stretches and openings rest on. */
#include "report_collect.h"
#include "../support/shortage.h"

#include <stdlib.h>
#include <string.h>

#define GAP_DEFAULT (5 * TT_SECOND / 2) /* D 7.6 */

/* ---- which ---- */

static void follow(struct report *report, uint32_t reading, bool charted, bool states, int64_t gap)
{
    if (reading >= report->view->definitions->reading_count)
        return;
    uint8_t slot = report->slot[reading];
    if (slot == REPORT_NOT_FOLLOWED) {
        if (report->followed_count == REPORT_TRACKED) {
            report->followed_all = false;
            return;
        }
        struct report_followed *followed = &report->followed[report->followed_count];
        followed->recent = calloc(REPORT_RECENT, sizeof *followed->recent);
        if (!followed->recent || !chart_track_open(&followed->track, gap)) {
            shortage_note();
            report->followed_all = false;
            free(followed->recent);
            followed->recent = NULL;
            return;
        }
        followed->reading = reading;
        followed->gap = gap;
        slot = report->slot[reading] = (uint8_t)report->followed_count++;
    }
    struct report_followed *followed = &report->followed[slot];
    followed->charted = followed->charted || charted;
    followed->states = followed->states || states;
    if (gap < followed->gap)
        followed->gap = followed->track.gap = gap;
}

void report_follow_all(struct report *report)
{
    const struct definitions *definitions = report->view->definitions;
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (step->kind == STEP_READING)
            follow(report, step->reading, step->has_between, step->is_count > 0,
                   step->has_steady ? step->steady_gap : GAP_DEFAULT);
        else if (step->kind == STEP_IDENTITY)
            follow(report, step->reading, false, false, GAP_DEFAULT);
    }
    for (uint32_t i = 0; i < definitions->condition_count; i++) {
        const struct def_condition *condition = &definitions->conditions[i];
        if (condition->reading != DEF_NONE)
            follow(report, condition->reading, false, condition->is_count > 0, GAP_DEFAULT);
    }
}

/* ---- samples ---- */

void report_keep_sample(struct report_followed *followed, const struct reading_event *event, int64_t x)
{
    const struct value *value = event->value;
    const struct message *message = event->message;
    if (value->state != VALUE_GOOD) { /* it ends a steady stretch (D 7.6) */
        followed->absent += value->state == VALUE_ABSENT;
        followed->invalid += value->state == VALUE_INVALID;
        chart_track_break(&followed->track);
        followed->broken = true;
        return;
    }
    struct report_sample *sample = &followed->recent[followed->count++ % REPORT_RECENT];
    uint32_t kept = message->received < REPORT_BYTES ? message->received : REPORT_BYTES;
    *sample = (struct report_sample){.numerator = value->has_number ? value->numerator : 0, .x = x,
                                     .time = message->last_time, .state = value->name,
                                     .first_frame = message->first_frame, .last_frame = message->last_frame,
                                     .offset = message->record_offset, .file = message->file, .bus = message->bus,
                                     .length = message->length, .there = true};
    if (kept)
        memcpy(sample->bytes, message->bytes, kept);
    if (value->has_number && followed->charted)
        chart_track_add(&followed->track, &(struct chart_point){value->numerator, x, message->last_frame});
    if (followed->states)
        chart_states_add(&followed->runs, value->name, x, message->first_frame, message->last_frame, followed->gap,
                         followed->broken);
    followed->broken = false;
}

const struct report_followed *report_followed_of(const struct report *report, uint32_t reading)
{
    const struct definitions *definitions = report->view->definitions;
    if (!definitions || reading >= definitions->reading_count || report->slot[reading] == REPORT_NOT_FOLLOWED)
        return NULL;
    return &report->followed[report->slot[reading]];
}

const struct report_sample *report_last(const struct report *report, uint32_t reading, uint64_t last_frame)
{
    const struct report_followed *followed = report_followed_of(report, reading);
    uint64_t have = !followed ? 0 : followed->count < REPORT_RECENT ? followed->count : REPORT_RECENT;
    for (uint64_t back = 1; back <= have; back++) {
        const struct report_sample *sample = &followed->recent[(followed->count - back) % REPORT_RECENT];
        if (sample->last_frame <= last_frame)
            return sample;
    }
    return NULL;
}

const char *report_answer_of(const struct report *report, uint32_t bus, uint64_t last_frame)
{
    uint64_t have = report->answer_count < REPORT_ANSWERS ? report->answer_count : REPORT_ANSWERS;
    for (uint64_t i = 0; i < have; i++)
        if (report->answers[i].last_frame == last_frame && report->answers[i].bus == bus)
            return report->answers[i].state;
    return NULL;
}

/* ---- stretches and openings ---- */

/* The kept samples of a stretch, found again among the newest ones. */
void report_keep_stretch(struct report *report, const struct step_event *event)
{
    const struct report_followed *followed = report_followed_of(report, event->step->reading);
    const struct stretch *stretch = event->stretch;
    struct report_stretch *kept = &report->stretches[report->stretch_count++ % REPORT_STRETCHES];
    *kept = (struct report_stretch){.step = event->step, .first_frame = stretch->first_frame,
                                    .last_frame = stretch->last_frame};
    if (!followed)
        return;
    uint64_t have = followed->count < REPORT_RECENT ? followed->count : REPORT_RECENT;
    for (uint64_t i = followed->count - have; i < followed->count; i++) {
        const struct report_sample *sample = &followed->recent[i % REPORT_RECENT];
        if (sample->first_frame < stretch->first_frame || sample->last_frame > stretch->last_frame)
            continue;
        if (sample->first_frame == stretch->first_frame)
            kept->first = *sample;
        if (!stretch->state && sample->numerator == stretch->lowest && !kept->lowest.there)
            kept->lowest = *sample;
        if (!stretch->state && sample->numerator == stretch->highest && !kept->highest.there)
            kept->highest = *sample;
        if (sample->last_frame == stretch->last_frame)
            kept->last = *sample;
    }
}

const struct report_stretch *report_stretch_of(const struct report *report, const struct def_step *step,
                                               const struct stretch *stretch)
{
    uint64_t have = report->stretch_count < REPORT_STRETCHES ? report->stretch_count : REPORT_STRETCHES;
    for (uint64_t i = 0; i < have; i++) {
        const struct report_stretch *kept = &report->stretches[i];
        if (kept->step == step && kept->first_frame == stretch->first_frame && kept->last_frame == stretch->last_frame)
            return kept;
    }
    return NULL;
}

static bool opens(const struct definitions *definitions, uint32_t module, const struct service_content *content)
{
    for (uint32_t i = 0; definitions && i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (step->kind != STEP_ACTION || !step->opens_attempt)
            continue;
        const struct def_action *action = &definitions->actions[step->action];
        return action->module == module && action->kind == content->action_kind && action->key == content->key;
    }
    return false;
}

void report_keep_opening(struct report *report, uint32_t module, const struct service_content *content,
                         uint64_t first_frame)
{
    if (!opens(report->view->definitions, module, content))
        return;
    uint64_t number = report->opening_count++, half = REPORT_OPENINGS / 2;
    struct report_opening *opening = &report->openings[number < half ? number : half + (number - half) % half];
    *opening = (struct report_opening){.first_frame = first_frame};
    for (uint32_t i = 0; i < report->followed_count; i++) {
        const struct report_followed *followed = &report->followed[i];
        uint64_t have = followed->count < REPORT_RECENT ? followed->count : REPORT_RECENT;
        for (uint64_t back = 1; back <= have; back++) {
            const struct report_sample *sample = &followed->recent[(followed->count - back) % REPORT_RECENT];
            if (sample->last_frame >= first_frame)
                continue;
            opening->before[i] = *sample;
            break;
        }
    }
}

const struct report_opening *report_opening_of(const struct report *report, uint64_t first_frame)
{
    uint64_t have = report->opening_count < REPORT_OPENINGS ? report->opening_count : REPORT_OPENINGS;
    for (uint64_t i = 0; i < have; i++)
        if (report->openings[i].first_frame == first_frame)
            return &report->openings[i];
    return NULL;
}
