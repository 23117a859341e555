/* See verdict_text.h. Words for technicians: D 3. */
#include "verdict_text.h"

#include <string.h>

#include "../stages/service.h"
#include "../support/text.h"
#include "text_lines.h"

#define INDENT 16u      /* the sentence begins here; the answer stands before it */
#define ALSO_SHOWN 5u   /* further stretches printed; verdict.json and the log have them */
#define GAPS_SHOWN 5u
#define TRIES_SHOWN 8u

struct page {
    struct text_lines lines;
    const struct verdict_about *about;
};

/* ---- pieces of sentences ---- */

static void put_text(struct sink *line, const char *text)
{
    text_terminal(line, text, strlen(text));
}

static void put_frames(struct sink *line, uint64_t first, uint64_t last)
{
    if (!first && !last)
        return;
    sink_text(line, first == last ? " (frame " : " (frames ");
    sink_unsigned(line, first);
    if (first != last) {
        sink_text(line, " to ");
        sink_unsigned(line, last);
    }
    sink_char(line, ')');
}

/* "at 12.4 s", counted from the first frame. */
static void put_moment(struct page *page, int64_t time)
{
    char text[TEXT_TIME_MAX];
    text_span(time - page->about->first_time, text);
    sink_text(&page->lines.line, "at ");
    sink_text(&page->lines.line, text);
}

/* ---- what stands below a step or attempt ---- */

static void put_value(struct sink *line, tt_wide numerator, const struct def_reading *reading)
{
    char text[RATIO_TEXT_MAX];
    bool exact;
    sink_put(line, text, ratio_print(numerator, reading->denominator, text, &exact));
}

static void put_stretch(struct page *page, const struct stretch *stretch, const struct def_reading *reading)
{
    static const char *const standings[] = {"inside the limits", "below the limit", "above the limit", "another state",
                                            "too close to the limit"};
    char span[TEXT_TIME_MAX];
    struct sink *line = text_lines_begin(&page->lines);
    sink_text(line, "also ");
    if (stretch->state) {
        put_text(line, stretch->state);
    } else {
        put_value(line, stretch->lowest, reading);
        if (stretch->lowest != stretch->highest) {
            sink_text(line, " to ");
            put_value(line, stretch->highest, reading);
        }
        if (reading->unit[0]) {
            sink_char(line, ' ');
            put_text(line, reading->unit);
        }
    }
    if (stretch->samples > 1) {
        text_span(stretch->last_time - stretch->first_time, span);
        sink_text(line, ", steady for ");
        sink_text(line, span);
    }
    sink_text(line, ": ");
    sink_text(line, standings[stretch->standing]);
    put_frames(line, stretch->first_frame, stretch->last_frame);
    text_lines_end(&page->lines, "", INDENT);
}

static void put_more(struct page *page, uint64_t more, const char *what)
{
    if (more == 0)
        return;
    struct sink *line = text_lines_begin(&page->lines);
    sink_text(line, "and ");
    sink_unsigned(line, more);
    sink_text(line, " more ");
    sink_text(line, what);
    sink_text(line, "; the log has them all");
    text_lines_end(&page->lines, "", INDENT);
}

static void put_try(struct page *page, const struct try_result *one)
{
    struct sink *line = text_lines_begin(&page->lines);
    if (one->refused_start) {
        sink_text(line, "refused ");
        put_moment(page, one->time);
        sink_text(line, ": ");
        sink_text(line, standard_nrc_name(DIALECT_ISO14229, one->nrc));
        put_frames(line, one->first_frame, one->last_frame);
    } else {
        sink_text(line, one->left_out ? "moment left out, " : "moment ");
        put_moment(page, one->time);
        if (!one->left_out) {
            sink_text(line, ", ");
            sink_text(line, step_answer_text(one->answer));
        }
        sink_text(line, ": ");
        put_text(line, one->reason);
        put_frames(line, one->first_frame, one->last_frame);
    }
    text_lines_end(&page->lines, "", INDENT);
}

static bool several_buses(const struct verdict_about *about)
{
    for (uint32_t i = 1; i < about->trace_count; i++)
        if (about->traces[i].bus_index != about->traces[0].bus_index)
            return true;
    return false;
}

/* " (between frames 100 and 101 of can1)" */
static void put_gap_place(struct page *page, const struct gap *gap)
{
    struct sink *line = &page->lines.line;
    bool open = gap->last_frame == UINT64_MAX;
    sink_text(line, gap->between ? (open ? " (behind frame " : " (between frames ")
                    : open       ? " (from frame "
                    : gap->frame == gap->last_frame ? " (frame "
                                                    : " (frames ");
    sink_unsigned(line, gap->frame);
    if (open && !gap->between)
        sink_text(line, " on");
    if (!open && (gap->between || gap->frame != gap->last_frame)) {
        sink_text(line, gap->between ? " and " : " to ");
        sink_unsigned(line, gap->last_frame);
    }
    if (several_buses(page->about) && gap->bus != GAP_EVERY_BUS) {
        sink_text(line, " of ");
        put_text(line, verdict_bus_name(page->about, gap->bus));
    }
    sink_char(line, ')');
}

/* after: what a loss means here; label: the first column. */
static void put_gaps(struct page *page, const struct gaps *gaps, const char *label, const char *before,
                     const char *after)
{
    uint32_t shown = gaps->kept < GAPS_SHOWN ? gaps->kept : GAPS_SHOWN;
    for (uint32_t i = 0; i < shown; i++) {
        const struct gap *gap = &gaps->list[i];
        struct sink *line = text_lines_begin(&page->lines);
        sink_text(line, before);
        sink_text(line, gap_kind_text(gap->kind));
        if (gap->count) {
            sink_text(line, ", ");
            sink_unsigned(line, gap->count);
            sink_text(line, " of them");
        }
        if (gap->time) {
            sink_char(line, ' ');
            put_moment(page, gap->time);
        }
        put_gap_place(page, gap);
        sink_text(line, after);
        text_lines_end(&page->lines, label, INDENT);
    }
    put_more(page, gaps->count - shown, "such places");
}

static void put_evidence(struct sink *line, const struct step_result *step)
{
    if (step->evidence == EVIDENCE_STRETCH)
        put_frames(line, step->stretch.first_frame, step->stretch.last_frame);
    else if (step->evidence == EVIDENCE_ANSWER)
        put_frames(line, step->first_frame, step->last_frame);
}

static void put_step(struct page *page, const struct step_result *step)
{
    const struct definitions *definitions = page->about->definitions;
    struct sink *line = text_lines_begin(&page->lines);
    put_text(line, step->step->name);
    if (step->reason[0]) {
        sink_text(line, ": ");
        put_text(line, step->reason);
    }
    put_evidence(line, step);
    text_lines_end(&page->lines, step_answer_text(step->answer), INDENT);

    /* One moment is told by the sentence itself. */
    bool tells = step->tries.count > 1;
    for (uint32_t i = 0; i < step->tries.kept && !tells; i++)
        tells = step->tries.list[i].refused_start || step->tries.list[i].left_out;
    uint32_t shown = !tells ? 0 : step->tries.kept < TRIES_SHOWN ? step->tries.kept : TRIES_SHOWN;
    for (uint32_t i = 0; i < shown; i++)
        put_try(page, &step->tries.list[i]);
    put_more(page, tells ? step->tries.count - shown : 0, "tries");

    shown = step->also.kept < ALSO_SHOWN ? step->also.kept : ALSO_SHOWN;
    for (uint32_t i = 0; i < shown; i++)
        put_stretch(page, &step->also.list[i], &definitions->readings[step->step->reading]);
    put_more(page, step->also.count - shown, "steady stretches");
    put_gaps(page, &step->gaps, "", "within this, ", "");
    for (uint32_t i = 0; i < step->remark_count; i++)
        text_lines_put(&page->lines, "", INDENT, step->remarks[i]);
}

static void put_condition(struct page *page, const struct condition_result *condition)
{
    struct sink *line = text_lines_begin(&page->lines);
    put_text(line, condition->condition->text);
    if (condition->reason[0]) {
        sink_text(line, ": ");
        put_text(line, condition->reason);
    }
    if (condition->has_value)
        put_frames(line, condition->first_frame, condition->last_frame);
    text_lines_end(&page->lines, vouched_text(condition->vouched), INDENT);
}

/* ---- attempts and parts ---- */

static void put_attempt(struct page *page, const struct attempt_result *attempt, uint64_t count)
{
    const struct definitions *definitions = page->about->definitions;
    if (count > 1 || attempt->opened) {
        struct sink *line = text_lines_begin(&page->lines);
        sink_text(line, "Attempt ");
        sink_unsigned(line, attempt->number);
        sink_text(line, " of ");
        sink_unsigned(line, count);
        sink_text(line, " began ");
        put_moment(page, attempt->first_time);
        put_frames(line, attempt->first_frame, attempt->last_frame);
        if (count > 1)
            sink_text(line,
                      attempt->last ? ": the last one, it counts" : ": an earlier one, it does not count any more");
        if (attempt->opened && !attempt->answered)
            sink_text(line, "; no answer to its start was seen");
        text_lines_end(&page->lines, "", 0);
    }
    for (uint32_t i = 0; i < definitions->condition_count; i++)
        put_condition(page, &attempt->conditions[i]);
    for (uint32_t i = 0; i < definitions->step_count; i++)
        put_step(page, &attempt->steps[i]);
    put_gaps(page, &attempt->gaps, "in this attempt", "", "; what was asked in the gap is not known");
    sink_char(page->lines.sink, '\n');
}

static void put_part(struct page *page, const struct part_result *part)
{
    const struct verdict *verdict = page->about->verdict;
    if (verdict->part_count > 1) {
        struct sink *line = text_lines_begin(&page->lines);
        sink_text(line, "Part ");
        sink_unsigned(line, part->number);
        sink_text(line, " of ");
        sink_unsigned(line, verdict->part_count);
        put_frames(line, part->first_frame, part->last_frame);
        if (part->why[0]) {
            sink_text(line, ": ");
            put_text(line, part->why);
        }
        text_lines_end(&page->lines, "", 0);
    }
    uint64_t before = 0;
    for (uint32_t i = 0; i < verdict->attempts_kept; i++) {
        const struct attempt_result *attempt = verdict->attempts[i];
        if (attempt->part != part->number)
            continue;
        if (attempt->number > before + 1) {
            struct sink *line = text_lines_begin(&page->lines);
            sink_unsigned(line, attempt->number - before - 1);
            sink_text(line, " attempts in between are not listed; the log has their answers");
            text_lines_end(&page->lines, "", 0);
            sink_char(page->lines.sink, '\n');
        }
        before = attempt->number;
        put_attempt(page, attempt, part->attempt_count);
    }
}

static void put_trace(struct page *page, const struct trace_facts *trace)
{
    char span[TEXT_TIME_MAX], time[TEXT_TIME_MAX];
    struct sink *line = text_lines_begin(&page->lines);
    put_text(line, trace->name);
    if (page->about->trace_count > 1) {
        sink_text(line, ", bus ");
        put_text(line, trace->bus);
    }
    if (trace->original) {
        sink_text(line, ", interface ");
        sink_unsigned(line, trace->interface);
        if (trace->interface_name[0]) {
            sink_text(line, " (");
            put_text(line, trace->interface_name);
            sink_char(line, ')');
        }
        sink_text(line, " of a pcapng file");
    }
    sink_text(line, ": ");
    sink_unsigned(line, trace->frames);
    sink_text(line, " frames");
    if (trace->frames) {
        text_span(trace->last_time - trace->first_time, span);
        sink_text(line, " in ");
        sink_text(line, span);
        sink_text(line, ", from ");
        sink_put(line, time, text_time(trace->first_time, time) - 11); /* whole seconds */
        sink_char(line, 'Z');
    }
    if (trace->status != TRACE_END)
        sink_text(line, trace->status == TRACE_TORN ? "; its last record is torn" : "; damaged, read up to the damage");
    text_lines_end(&page->lines, "", 0);
}

/* ---- the recorder, and what the scan tool displayed ---- */

static void put_bus_value(struct page *page, const struct displayed *displayed, const struct displayed_value *value)
{
    struct sink *line = &page->lines.line;
    if (displayed->reading->kind == READING_NUMBER && !displayed->by_state) {
        put_value(line, value->numerator, displayed->reading);
        if (displayed->reading->unit[0]) {
            sink_char(line, ' ');
            put_text(line, displayed->reading->unit);
        }
    } else {
        put_text(line, value->state ? value->state : "a state without a name");
    }
    sink_char(line, ' ');
    put_moment(page, value->time);
    put_frames(line, value->first_frame, value->last_frame);
}

static void put_displayed(struct page *page, const struct displayed *displayed)
{
    const struct mark *mark = displayed->mark;
    const char *cover = mark_covered_text(mark->covered);
    struct sink *line = text_lines_begin(&page->lines);
    put_text(line, mark->name);
    sink_text(line, ": the scan tool displayed ");
    put_text(line, mark_said(mark));
    if (mark->unit[0]) {
        sink_char(line, ' ');
        put_text(line, mark->unit);
    }
    sink_char(line, ' ');
    put_moment(page, mark->time);
    if (cover) {
        sink_text(line, ", ");
        sink_text(line, cover);
    }
    switch (displayed->answer) {
    case DISPLAYED_AGREES:
        sink_text(line, "; the bus said ");
        put_bus_value(page, displayed, &displayed->agreeing);
        break;
    case DISPLAYED_DIFFERS:
        sink_text(line, "; in the 10 s before the bus said ");
        if (displayed->nearest.there && displayed->nearest.last_frame != displayed->last.last_frame) {
            put_bus_value(page, displayed, &displayed->nearest);
            sink_text(line, " at the nearest, and last ");
        }
        put_bus_value(page, displayed, &displayed->last);
        break;
    case DISPLAYED_NOT_READ:
        sink_text(line, "; in the 10 s before nothing of it was on the bus");
        break;
    case DISPLAYED_NOT_COMPARABLE:
        sink_text(line, "; it is not in the unit or form of this reading");
        break;
    case DISPLAYED_UNKNOWN:
        sink_text(line, "; the definition files have no reading of this name");
        break;
    case DISPLAYED_UNBOUND:
        sink_text(line, "; where it belongs in the record is not known");
        break;
    }
    text_lines_end(&page->lines, displayed->answer <= DISPLAYED_DIFFERS ? displayed_answer_text(displayed->answer) : "not compared",
             INDENT);
}

static void put_notes(struct page *page)
{
    const struct verdict_about *about = page->about;
    for (uint32_t i = 0; i < about->record_note_count; i++) {
        struct sink *line = text_lines_begin(&page->lines);
        sink_text(line, "Note: ");
        put_text(line, about->record_notes[i]);
        sink_char(line, '.');
        text_lines_end(&page->lines, "", 0);
    }
}

/* Passive, limits fixed, and how good the times are. */
static void put_record(struct page *page)
{
    const struct verdict_about *about = page->about;
    char span[TEXT_TIME_MAX];
    if (!about->recorded) {
        text_lines_put(&page->lines, "", 0, "Whether the recording was passive is not proven: no recorder of ours wrote this trace.");
    } else {
        struct sink *line = text_lines_begin(&page->lines);
        sink_text(line, "Passive: ");
        put_text(line, about->passive);
        sink_text(line, ". Limits fixed before recording: ");
        sink_text(line, about->limits_fixed);
        sink_char(line, '.');
        text_lines_end(&page->lines, "", 0);
    }
    struct sink *line = text_lines_begin(&page->lines);
    text_span(about->stamp_uncertainty, span);
    sink_text(line, "Times on the bus are taken as good to ");
    sink_text(line, span);
    sink_text(line, about->recorded ? "." : ": what a bare trace is given.");
    text_lines_end(&page->lines, "", 0);
}

void verdict_text(struct sink *sink, const struct verdict_about *about, unsigned width)
{
    struct page page = {.lines = {.sink = sink, .width = width}, .about = about};
    const struct verdict *verdict = about->verdict;
    buffer_init(&page.lines.memory, 1u << 20);
    put_notes(&page);
    for (uint32_t i = 0; i < about->trace_count; i++)
        put_trace(&page, &about->traces[i]);
    if (about->bus) {
        sink_text(text_lines_begin(&page.lines), "Judged by bus ");
        put_text(&page.lines.line, about->bus_name);
        sink_text(&page.lines.line, " alone");
        text_lines_end(&page.lines, "", 0);
    }
    sink_char(sink, '\n');
    uint32_t before = 0;
    for (uint32_t i = 0; i < verdict->parts_kept; i++) {
        if (verdict->parts[i].number > before + 1)
            text_lines_put(&page.lines, "", 0, "(parts in between are not listed)");
        before = verdict->parts[i].number;
        put_part(&page, &verdict->parts[i]);
    }
    for (uint32_t i = 0; about->displayed && i < about->displayed->count; i++)
        put_displayed(&page, &about->displayed->list[i]);
    if (about->displayed && about->displayed->count)
        sink_char(sink, '\n');
    text_lines_put(
        &page.lines, "", 0,
        "This compares the record with the limits in the definition file. It does not replace the vehicle maker's "
        "service information, local rules or a qualified technician, does not certify an airbag system, and cannot "
        "know what was not on the bus. Near airbags and belt tensioners keep the maker's waiting times, and never "
        "probe or repair their wiring.");
    put_record(&page);
    sink_char(sink, '\n');
    text_lines_put(&page.lines, "", 0, verdict->answer);
    buffer_free(&page.lines.memory);
}
