/* Notes that steps do not wait for: code setting (D 7.10), losses (7.6, 7.13), marks (7.1). */
#include "step_judge.h"

#include <string.h>

/* On again by this exchange; what was asked after it to switch off stays undecided. */
void judge_setting_on(struct setting *setting, uint64_t serial)
{
    struct doubts later = {0};
    for (uint32_t i = 0; i < setting->off.count; i++)
        if (setting->off.serials[i] > serial)
            doubts_ask(&later, setting->off.serials[i]);
    *setting = (struct setting){.off = later};
}

void judge_setting_noted(struct judge *judge, const struct note *note)
{
    struct setting *setting = &judge->settings[note->module];
    if (!note->setting.closed) {
        if (!note->setting.on) { /* off from its request on, unless it is refused */
            setting->lifted = false;
            doubts_ask(&setting->off, note->serial);
        } else if (note->setting.suppressed && setting_is_off(setting)) {
            setting->lifted = true;
            setting->on_serial = note->serial;
        }
        return;
    }
    if (note->refused) {
        if (note->setting.on && setting->on_serial == note->serial)
            setting->lifted = false;
        else if (!note->setting.on)
            doubts_refused(&setting->off, note->serial);
        FOR_EACH_LOOK(judge, look)
            look_setting_refused(look, note->serial, note->setting.on);
    } else if (!note->setting.on) {
        doubts_settled(&setting->off, note->serial);
        setting->off.certain = setting->off.certain || note->positive;
    } else if (note->positive || (setting->lifted && setting->on_serial == note->serial)) {
        judge_setting_on(setting, note->serial);
    }
}

void judge_span(struct judge *judge, const struct gap *span)
{
    if (judge->span_count < SPANS_MAX) {
        judge->spans[judge->span_count++] = *span;
        return;
    }
    struct gap *last = &judge->spans[SPANS_MAX - 1];
    last->bus = GAP_EVERY_BUS;
    last->frame = span->frame < last->frame ? span->frame : last->frame;
    last->last_frame = UINT64_MAX;
}

void judge_gap_noted(struct judge *judge, const struct note *note)
{
    struct gap gap = {.kind = (enum gap_kind)note->index, .bus = note->bus, .between = note->gap.between, .frame = note->first_frame,
                      .last_frame = note->last_frame, .count = note->gap.count, .time = note->time};
    if (gap.kind == GAP_CLOCK || gap.kind == GAP_STEPPED || gap.kind == GAP_LOST || gap.kind == GAP_LINK ||
        gap.kind == GAP_RESET)
        FOR_EACH_LOOK(judge, look)
            look_break(look, gap.kind == GAP_RESET ? note->module : DEF_NONE,
                       gap.kind == GAP_RESET ? GAP_EVERY_BUS : gap.bus);
    if (gap.kind == GAP_CLOCK || gap.kind == GAP_STEPPED)
        FOR_EACH_LOOK(judge, look)
            look_clock_back(look);
    if (note->gap.quiet)
        return;
    gap_ring_add(judge->part_gaps, &gap);
    if (judge->attempt.gaps)
        gap_ring_add(judge->attempt.gaps, &gap);
}

void judge_mark_noted(struct judge *judge, const struct note *note)
{
    const struct mark *mark = judge->marks->by_time[note->index];
    judge->places[note->index] = (struct mark_place){judge->sequence};
    bool any = false;
    if (mark->kind == MARK_MOMENT)
        FOR_EACH_LOOK(judge, look)
            look_mark(look, mark, note->elapsed);
    struct step_event event = {
        .kind = STEP_EVENT_MARK, .part = judge->part, .attempt = judge->attempt.opened ? judge->attempt.number : 0,
        .time = mark->time, .mark = mark, .bound = true,
    };
    for (uint32_t i = 0; judge->emit && mark->kind == MARK_MOMENT && i < judge->definitions->step_count; i++) {
        const struct def_step *step = &judge->definitions->steps[i];
        if (step->kind == STEP_READING && step->mark && strcmp(step->mark, mark->name) == 0) {
            event.step = step;
            judge->emit(judge->emit_context, &event);
            any = true;
        }
    }
    if (judge->emit && !any)
        judge->emit(judge->emit_context, &event);
}
