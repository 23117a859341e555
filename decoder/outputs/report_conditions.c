/* Who vouches for what: conditions, the zero before and after, and what the scan tool displayed beside the bus. */
#include "report_page.h"

#include <stdio.h>

#define DISPLAYED_SHOWN 60u

/* ---- conditions ---- */

static void put_condition(struct page *page, const struct condition_result *result)
{
    const struct def_condition *condition = result->condition;
    page_put(page, "<tr><th scope=\"row\">");
    page_text(page, condition->text);
    page_put(page, "</th><td>");
    page_text(page, vouched_text(result->vouched));
    page_put(page, "</td><td>");
    if (result->reason[0])
        page_sentence(page, result->reason);
    else
        page_put(page, "nothing");
    if (condition->reading != DEF_NONE && !condition->is_count && (condition->limits.has_low || condition->limits.has_high)) {
        const struct def_limits *limits = &condition->limits;
        page_put(page, "; wanted ");
        if (limits->has_low)
            page_ratio(page, limits->low, limits->has_high ? "" : limits->unit);
        page_put(page, limits->has_low && limits->has_high ? " to " : limits->has_low ? " or more" : "at most ");
        if (limits->has_high)
            page_ratio(page, limits->high, limits->unit);
    }
    page_put(page, "</td><td>");
    if (result->has_value)
        page_time(page, result->time);
    else if (result->mark)
        page_time(page, result->mark->time);
    else
        page_put(page, "none");
    page_put(page, "</td><td>");
    page_frames_on(page, result->bus, result->has_value ? result->first_frame : 0,
                   result->has_value ? result->last_frame : 0);
    page_put(page, "</td></tr>\n");
}

void page_conditions(struct page *page)
{
    const struct verdict *verdict = page->about->verdict;
    page_put(page, "<section>\n<h2>Conditions, and who vouches for them</h2>\n");
    if (page->definitions->condition_count == 0) {
        page_put(page, "<p>The definition files name no conditions.</p>\n</section>\n");
        return;
    }
    page_put(page, "<p>\"Stated\": a person noted it. \"Seen on the bus\": a reading shows it. \"Nobody\": the record "
                   "does not say.</p>\n");
    for (uint32_t i = 0; i < verdict->parts_kept; i++) {
        const struct attempt_result *last = page_last_attempt(verdict, verdict->parts[i].number);
        char caption[96];
        if (!last)
            continue;
        if (verdict->part_count > 1)
            (void)snprintf(caption, sizeof caption, "Conditions of part %u, at its last attempt",
                           verdict->parts[i].number);
        else
            (void)snprintf(caption, sizeof caption, "Conditions at the attempt that counts");
        page_table(page, caption, "Condition|Who vouches|What was said or read|Time|Frames");
        for (uint32_t j = 0; j < page->definitions->condition_count; j++)
            put_condition(page, &last->conditions[j]);
        page_table_end(page);
    }
    page_put(page, "</section>\n");
}

/* ---- zero before and after ---- */

static void put_zero_row(struct page *page, const char *head, const struct report_sample *sample,
                         const struct def_reading *reading)
{
    page_put(page, "<tr><th scope=\"row\">");
    page_put(page, head);
    page_put(page, "</th><td>");
    if (sample && sample->there) {
        page_value(page, sample->numerator, reading);
        page_put(page, "</td><td>");
        page_time(page, sample->time);
        page_put(page, "</td><td>");
        page_frames_on(page, sample->bus, sample->first_frame, sample->last_frame);
    } else {
        page_put(page, "not read</td><td>none</td><td>none");
    }
    page_put(page, "</td></tr>\n");
}

/* What another vehicle or unit was read to is neither before nor after the zero of this one (D 7.2). */
static const struct report_sample *of_part(const struct report_sample *sample, const struct part_result *part)
{
    bool inside = sample && sample->there && sample->last_frame <= part->last_frame &&
                  (part->number == 1 || sample->first_frame >= part->first_frame);
    return inside ? sample : NULL;
}

static void put_zero(struct page *page, const struct part_result *part, const struct attempt_result *attempt,
                     const struct step_result *step)
{
    const struct report *report = page->report;
    const struct def_reading *reading = &page->definitions->readings[step->step->reading];
    const struct report_followed *followed = report_followed_of(report, step->step->reading);
    const struct report_opening *opening = report_opening_of(report, attempt->first_frame);
    const bool several = page->about->verdict->part_count > 1;
    char caption[300];
    if (!followed)
        return;
    int used = snprintf(caption, sizeof caption, "%.200s before and after the zero of attempt %llu",
                        view_reading_name(report->view, reading), (unsigned long long)attempt->number);
    if (several) /* attempts count anew in each part */
        (void)snprintf(caption + used, sizeof caption - (size_t)used, ", part %u", attempt->part);
    page_table(page, caption, "When|Value|Time|Frames");
    put_zero_row(page, "Last value before the start was sent",
                 of_part(opening ? &opening->before[followed - report->followed] : NULL, part), reading);
    page_put(page, "<tr><th scope=\"row\">Steady afterwards, as judged by \"");
    page_text(page, step->step->name);
    page_put(page, "\"</th><td>");
    if (step->evidence == EVIDENCE_STRETCH) {
        page_value(page, step->stretch.lowest, reading);
        if (step->stretch.lowest != step->stretch.highest) {
            page_put(page, " to ");
            page_value(page, step->stretch.highest, reading);
        }
        page_put(page, "</td><td>");
        page_time(page, step->stretch.first_time);
        page_put(page, "</td><td>");
        page_frames_on(page, step->stretch.bus, step->stretch.first_frame, step->stretch.last_frame);
    } else {
        page_put(page, "none steady</td><td>none</td><td>none");
    }
    page_put(page, "</td></tr>\n");
    const struct report_sample *last =
        of_part(report_last(report, step->step->reading, several ? part->last_frame : UINT64_MAX), part);
    if (last || followed->count <= REPORT_RECENT) /* else it was so long ago that it is kept no more */
        put_zero_row(page, several ? "Last value of this part" : "Last value of the record", last, reading);
    page_table_end(page);
}

/* The first step that holds a number against limits after the zero: the empty seat, in most procedures. */
static const struct def_step *zero_step(struct page *page)
{
    bool opened = false;
    for (uint32_t i = 0; i < page->definitions->step_count; i++) {
        const struct def_step *step = &page->definitions->steps[i];
        if (opened && step->kind == STEP_READING && step->has_between)
            return step;
        opened = opened || step->opens_attempt;
    }
    return NULL;
}

void page_zero(struct page *page)
{
    const struct verdict *verdict = page->about->verdict;
    const struct def_step *step = zero_step(page);
    bool any = false;
    if (!step)
        return;
    page_put(page, "<section>\n<h2>Zero before and after</h2>\n");
    for (uint32_t i = 0; i < verdict->parts_kept; i++) {
        const struct attempt_result *last = page_last_attempt(verdict, verdict->parts[i].number);
        if (!last || !last->opened)
            continue;
        put_zero(page, &verdict->parts[i], last, &last->steps[step - page->definitions->steps]);
        any = true;
    }
    if (!any)
        page_put(page, "<p>No start of the zero was accepted: there is no before and after.</p>\n");
    page_put(page, "</section>\n");
}

/* ---- displayed beside bus ---- */

static void put_seen(struct page *page, const struct displayed *displayed, const struct displayed_value *value)
{
    if (value->state)
        page_text(page, value->state);
    else
        page_value(page, value->numerator, displayed->reading);
    page_put(page, " at ");
    page_time(page, value->time);
    page_put(page, ", ");
    page_frames_word(page, value->bus, value->first_frame, value->last_frame);
}

static void put_displayed(struct page *page, const struct displayed *displayed)
{
    const struct mark *mark = displayed->mark;
    page_put(page, "<tr><th scope=\"row\">");
    page_text(page, mark->name);
    page_put(page, "</th><td>");
    page_text(page, mark->value);
    page_put(page, " ");
    page_text(page, mark->unit);
    page_put(page, "<br>noted at ");
    page_time(page, mark->time);
    page_put(page, "</td><td>");
    if (displayed->answer == DISPLAYED_AGREES && displayed->agreeing.there) {
        put_seen(page, displayed, &displayed->agreeing);
    } else {
        const struct displayed_value *nearest = &displayed->nearest, *last = &displayed->last;
        if (nearest->there)
            put_seen(page, displayed, nearest);
        if (last->there && (!nearest->there || nearest->last_frame != last->last_frame)) {
            page_put(page, nearest->there ? "<br>last before the note: " : "");
            put_seen(page, displayed, last);
        }
        if (!nearest->there && !last->there)
            page_put(page, "nothing to compare with");
    }
    page_put(page, "</td><td>");
    page_text(page, displayed_answer_text(displayed->answer));
    page_put(page, "</td></tr>\n");
}

void page_displayed(struct page *page)
{
    const struct displayed_list *list = page->about->displayed;
    page_put(page, "<section>\n<h2>Displayed beside bus</h2>\n<p>");
    if (!list || list->count == 0) {
        page_put(page, "Nobody noted what the scan tool displayed.</p>\n</section>\n");
        return;
    }
    page_put(page, "What a person read off the scan tool's screen, beside "
                   "what the module said on the bus in the ");
    page_span(page, DISPLAYED_WINDOW);
    page_put(page,
             " before the note. It agrees when a value of the bus rounds to the digits that were displayed.</p>\n");
    page_table(page, "Displayed values beside the bus", "Reading|Displayed|On the bus|Do they agree");
    uint32_t shown = list->count < DISPLAYED_SHOWN ? list->count : DISPLAYED_SHOWN;
    for (uint32_t i = 0; i < shown; i++)
        put_displayed(page, &list->list[i]);
    page_table_end(page);
    page_more(page, list->count - shown, "displayed values");
    page_put(page, "</section>\n");
}
