/* The first sentences of the report: what is confirmed, contradicted, not confirmed, and what the record lacks. */
#include "report_page.h"

#include <string.h>

#include "../support/text.h"

#define NAMED 16u /* steps, conditions named in one sentence */

/* The parts the answer is about: the chosen one, or all. */
static bool part_counts(const struct verdict *verdict, const struct part_result *part)
{
    return verdict->chosen_part == 0 || verdict->chosen_part == part->number;
}

/* ---- steps by answer ---- */

static uint64_t count_steps(struct page *page, enum step_answer answer)
{
    const struct verdict *verdict = page->about->verdict;
    uint64_t count = 0;
    for (uint32_t i = 0; i < verdict->parts_kept; i++) {
        const struct attempt_result *last = page_last_attempt(verdict, verdict->parts[i].number);
        for (uint32_t j = 0; last && part_counts(verdict, &verdict->parts[i]) && j < page->definitions->step_count; j++)
            count += last->steps[j].answer == answer;
    }
    return count;
}

/* Conditions that the record or a person says were not met stand beside the contradicted steps; none: nothing. */
static void put_failed_conditions(struct page *page)
{
    const struct verdict *verdict = page->about->verdict;
    uint32_t named = 0;
    for (uint32_t i = 0; i < verdict->parts_kept; i++) {
        const struct attempt_result *last = page_last_attempt(verdict, verdict->parts[i].number);
        for (uint32_t j = 0; last && part_counts(verdict, &verdict->parts[i]) && j < page->definitions->condition_count;
             j++) {
            const struct condition_result *condition = &last->conditions[j];
            if (condition->vouched != VOUCHED_CONTRADICTED || named >= NAMED)
                continue;
            page_put(page, named++ ? "<li>condition " : "<ul><li>condition ");
            page_put(page, "<strong>");
            page_text(page, condition->condition->text);
            page_put(page, "</strong>");
            if (condition->reason[0]) {
                page_put(page, ": ");
                page_text(page, condition->reason);
            }
            page_put(page, "</li>");
        }
    }
    if (named)
        page_put(page, "</ul>");
}

/* A weighing that a person took back is left out of account, not out of sight. */
static void put_withdrawn(struct page *page, const struct step_result *step)
{
    uint64_t count = 0;
    for (uint32_t i = 0; i < step->tries.kept; i++) {
        const struct try_result *one = &step->tries.list[i];
        count += one->left_out && one->has_stretch && one->mark && one->mark->withdrawn_by;
    }
    if (!count)
        return;
    page_put(page, "; ");
    page_count(page, count, "other steady reading");
    page_put(page, " a person took back afterwards, see the tries of the step");
}

static void put_steps(struct page *page, enum step_answer answer, const char *head)
{
    const struct verdict *verdict = page->about->verdict;
    uint64_t count = count_steps(page, answer);
    if (count == 0 && answer == STEP_RECORDED)
        return;
    page_put(page, "<dt>");
    page_put(page, head);
    page_put(page, "</dt>\n<dd>");
    if (count == 0) {
        page_put(page, "No step.");
        if (answer == STEP_CONTRADICTED)
            put_failed_conditions(page);
        page_put(page, "</dd>\n");
        return;
    }
    page_count(page, count, "step");
    page_put(page, ":<ul>");
    uint32_t named = 0;
    for (uint32_t i = 0; i < verdict->parts_kept && named < NAMED; i++) {
        const struct attempt_result *last = page_last_attempt(verdict, verdict->parts[i].number);
        for (uint32_t j = 0; last && part_counts(verdict, &verdict->parts[i]) && j < page->definitions->step_count;
             j++) {
            const struct step_result *step = &last->steps[j];
            if (step->answer != answer || named++ >= NAMED)
                continue;
            page_put(page, "<li>");
            if (verdict->part_count > 1) {
                page_put(page, "part ");
                page_number(page, last->part);
                page_put(page, ": ");
            }
            page_put(page, "<strong>");
            page_text(page, step->step->name);
            page_put(page, "</strong>");
            if (step->reason[0]) {
                page_put(page, ": ");
                page_text(page, step->reason);
            }
            put_withdrawn(page, step);
            page_put(page, "</li>");
        }
    }
    page_put(page, "</ul>");
    if (answer == STEP_CONTRADICTED)
        put_failed_conditions(page);
    page_put(page, "</dd>\n");
}

/* ---- conditions ---- */

static void put_conditions(struct page *page, enum vouched vouched, const char *sentence)
{
    const struct verdict *verdict = page->about->verdict;
    uint32_t named = 0;
    for (uint32_t i = 0; i < verdict->parts_kept; i++) {
        const struct attempt_result *last = page_last_attempt(verdict, verdict->parts[i].number);
        if (!last || !part_counts(verdict, &verdict->parts[i]))
            continue;
        for (uint32_t j = 0; j < page->definitions->condition_count && named < NAMED; j++) {
            if (last->conditions[j].vouched != vouched)
                continue;
            page_put(page, named++ ? "; " : sentence);
            page_text(page, last->conditions[j].condition->text);
        }
    }
    if (named)
        page_put(page, ".</li>");
}

/* ---- what the record lacks ---- */

static void put_lacking(struct page *page)
{
    const struct report *report = page->report;
    const struct verdict_about *about = page->about;
    bool any = false;
    page_put(page, "<dt>What the record lacks</dt>\n<dd><ul>");
    for (uint32_t i = 0; i < about->record_note_count; i++) {
        page_put(page, "<li>");
        page_sentence(page, about->record_notes[i]);
        page_put(page, ".</li>");
    }
    put_conditions(page, VOUCHED_NOBODY, "<li>Nobody vouches for: ");
    for (uint32_t i = 0; i < about->trace_count; i++) {
        if (about->traces[i].status == TRACE_END)
            continue;
        page_put(page, "<li>The trace of bus ");
        page_text(page, about->traces[i].bus);
        page_put(page, about->traces[i].status == TRACE_TORN
                           ? " is cut off in the middle of a record: what came then is not known.</li>"
                           : " is damaged and was read up to the damage.</li>");
    }
    for (uint32_t i = 0; i < report->event_count; i++) {
        page_put(page, "<li>");
        page_sentence(page, report->events[i].what);
        page_put(page, ": ");
        page_times(page, report->events[i].count);
        page_put(page, ".</li>");
        any = true;
    }
    if (report->broken.total) {
        page_put(page, "<li>");
        page_number(page, report->broken.total);
        page_put(page, report->broken.total == 1 ? " message or frame" : " messages or frames");
        page_put(page, " could not be used.</li>");
        any = true;
    }
    if (report->unanswered || report->cut) {
        page_put(page, "<li>To ");
        page_count(page, report->unanswered + report->cut, "question");
        page_put(page, " no answer is on record, first in frame ");
        page_number(page, report->unanswered_frame);
        page_put(page, " at ");
        page_seconds(page, report->unanswered_time);
        page_put(page, ".</li>");
        any = true;
    }
    if (!any && report->lost.total == 0)
        page_put(page, "<li>No loss, no broken message and no missing answer was noted.</li>");
    page_put(page, "<li>What no bus carried: see \"What this does not claim\".</li></ul></dd>\n");
}

static void put_recording(struct page *page)
{
    const struct verdict_about *about = page->about;
    page_put(page, "<dt>How it was recorded</dt>\n<dd><ul><li>Passive: ");
    page_text(page, about->passive);
    page_put(page, !about->recorded
                       ? ". No recorder of ours wrote this trace: nobody watched whether the recording kept "
                         "silent.</li>"
                   : strcmp(about->passive, "yes") == 0
                       ? ". The recorder could not transmit, and checked that from the start to the end.</li>"
                       : ". What speaks for and against it stands above, and in recorder.jsonl.</li>");
    page_put(page, "<li>Limits fixed before the recording: ");
    page_text(page, about->limits_fixed);
    page_put(page, strcmp(about->limits_fixed, "yes") == 0
                       ? ". The definition files are those whose sums the recorder wrote down at the start.</li>"
                   : strcmp(about->limits_fixed, "no") == 0
                       ? ". The definition files are not those that lay there when the recording began.</li>"
                       : ". Nothing shows whether the definition files are older than the recording.</li>");
    page_put(page, "<li>The times of frames may be off by up to ");
    page_span(page, about->stamp_uncertainty);
    page_put(page, about->recorded ? ", says the recorder.</li></ul></dd>\n"
                                   : ", which is taken for a trace of unknown "
                                     "origin.</li></ul></dd>\n");
}

static void put_warnings(struct page *page)
{
    const struct report *report = page->report;
    uint64_t shown = report->warning_count < REPORT_WARNINGS ? report->warning_count : REPORT_WARNINGS;
    if (shown == 0)
        return;
    page_put(page, "<section class=\"danger\">\n<h2>Danger: pyrotechnics</h2>\n<p>Requests that concern the firing of "
                   "airbags or belt tensioners are in this record:</p>\n<ul>");
    for (uint64_t i = 0; i < shown; i++) {
        const struct report_warning *warning = &report->warnings[i];
        page_put(page, "<li><strong>");
        page_text(page, warning->text);
        page_put(page, "</strong>, ");
        page_text(page, view_module_name(report->view, warning->module));
        page_put(page, ", at ");
        page_time(page, warning->time);
        page_put(page, ", frames ");
        page_frames(page, warning->first_frame, warning->last_frame);
        page_put(page, "; ");
        if (warning->nrc) {
            page_put(page, "the module refused (");
            page_text(page, standard_nrc_name(warning->dialect, warning->nrc));
            page_put(page, ")");
        } else {
            page_put(page, warning->state == EXCHANGE_ANSWERED || warning->state == EXCHANGE_LATE
                               ? "the module agreed"
                               : "no answer is on record");
        }
        page_put(page, "</li>");
    }
    page_put(page, "</ul>\n");
    page_more(page, report->warning_count - shown, "such requests");
    page_put(page, "</section>\n");
}

static void put_when(struct page *page)
{
    const struct verdict_about *about = page->about;
    char text[TEXT_TIME_MAX];
    uint64_t frames = 0;
    for (uint32_t i = 0; i < about->trace_count; i++)
        frames += about->traces[i].frames;
    page_put(page, "<p>");
    if (frames == 0) {
        page_put(page, "The record holds no frames.</p>\n");
        return;
    }
    page_put(page, "Recorded from ");
    (void)text_time(about->first_time, text);
    sink_put(page->sink, text, 10);
    sink_char(page->sink, ' ');
    sink_put(page->sink, text + 11, 8);
    page_put(page, " to ");
    (void)text_time(about->last_time, text);
    sink_put(page->sink, text, 10);
    sink_char(page->sink, ' ');
    sink_put(page->sink, text + 11, 8);
    page_put(page, " by the recording computer's clock (UTC), ");
    page_span(page, about->last_time - about->first_time);
    page_put(page, ", ");
    page_count(page, frames, "frame");
    page_put(page, ". In this page times count in seconds from the first frame; behind them stands the time of day in "
                   "UTC.</p>\n");
}

/* Who reads only this must know that the zero was tried more than once. */
static void put_earlier(struct page *page)
{
    const struct verdict *verdict = page->about->verdict;
    bool any = false;
    for (uint32_t i = 0; i < verdict->parts_kept; i++) {
        const struct part_result *part = &verdict->parts[i];
        if (!part_counts(verdict, part) || part->attempt_count < 2)
            continue;
        page_put(page, any ? "" : "<dt>Earlier attempts</dt>\n<dd><ul>");
        any = true;
        page_put(page, "<li>");
        if (verdict->part_count > 1) {
            page_put(page, "part ");
            page_number(page, part->number);
            page_put(page, ": ");
        }
        page_count(page, part->attempt_count - 1, "earlier attempt");
        page_put(page, ", counting for nothing since the zero was started again; the answers above are those of the "
                       "last one. Under \"Steps\" stands how the earlier ones ended.</li>");
    }
    page_put(page, any ? "</ul></dd>\n" : "");
}

void page_opening(struct page *page)
{
    const struct verdict *verdict = page->about->verdict;
    page_put(page, "<header>\n<h1>Occupant scale job");
    if (page->definitions->main_module != DEF_NONE) {
        page_put(page, ": ");
        page_text(page, page->definitions->modules[page->definitions->main_module].name);
    }
    page_put(page, "</h1>\n");
    if (page->about->took_part)
        page_put(page,
                 "<p class=\"loss\"><strong>The recorder took part in the bus: it acknowledged frames.</strong></p>\n");
    page_put(page, "<p class=\"whole ");
    page_put(page, verdict->exit_code == EXIT_CONFIRMED       ? "yes"
                   : verdict->exit_code == EXIT_CONTRADICTED ? "no"
                                                             : "open");
    page_put(page, "\"><strong>");
    page_sentence(page, verdict->answer);
    page_put(page, ".</strong></p>\n");
    if (verdict->part_count > 1) {
        page_put(page, "<p>The record holds ");
        page_number(page, verdict->part_count);
        page_put(page, " parts, which belong to different modules or vehicles");
        if (verdict->chosen_part) {
            page_put(page, "; part ");
            page_number(page, verdict->chosen_part);
            page_put(page, " was chosen");
        }
        page_put(page, ".</p>\n");
    }
    if (page->about->bus_name) {
        page_put(page, "<p>Judged by bus ");
        page_text(page, page->about->bus_name);
        page_put(page, " alone.</p>\n");
    }
    put_when(page);
    page_put(page, "</header>\n");
    put_warnings(page);
    page_put(page, "<section>\n<h2>In short</h2>\n<dl class=\"short\">\n");
    put_steps(page, STEP_CONTRADICTED, "Contradicted by the record");
    put_steps(page, STEP_NOT_CONFIRMED, "Not confirmed");
    put_steps(page, STEP_CONFIRMED, "Confirmed by the record");
    put_steps(page, STEP_RECORDED, "Noted, not judged");
    put_earlier(page);
    put_lacking(page);
    put_recording(page);
    page_put(page, "</dl>\n</section>\n");
}
