/* The chart of the report: readings, states and what happened against time (D 9.7). Everything told by colour is told
 * by shape, pattern or text too, so that it survives a black-and-white printer. */
#include "report_drawing.h"

#define PANEL 2300      /* height of a plot, tenths */
#define PANELS_MAX 4u
#define BANDS_MAX 8u

/* ---- a number against time ---- */

static void widen(struct draw_scale *scale, tt_wide numerator, bool *any)
{
    if (!*any || numerator < scale->low)
        scale->low = numerator;
    if (!*any || numerator > scale->high)
        scale->high = numerator;
    *any = true;
}

static bool limits_of(const struct def_step *step, uint32_t reading)
{
    return step->kind == STEP_READING && step->has_between && step->reading == reading;
}

static void scale_of(const struct page *page, const struct report_followed *followed, struct draw_scale *scale)
{
    const struct definitions *definitions = page->definitions;
    bool any = false;
    if (followed->track.samples) {
        widen(scale, followed->track.smallest.numerator, &any);
        widen(scale, followed->track.largest.numerator, &any);
    }
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (limits_of(step, followed->reading) && step->limits.has_low)
            widen(scale, step->limits.low_n, &any);
        if (limits_of(step, followed->reading) && step->limits.has_high)
            widen(scale, step->limits.high_n, &any);
    }
    scale->denominator = definitions->readings[followed->reading].denominator;
    tt_wide margin = (scale->high - scale->low) / 12;
    if (margin == 0)
        margin = scale->denominator;
    scale->low -= margin;
    scale->high += margin;
}

/* Limits as bands: hatched one way for the first step on this reading, the other way for the next. */
static void put_bands(struct page *page, const struct report_followed *followed, const struct draw_scale *scale)
{
    const struct definitions *definitions = page->definitions;
    unsigned bands = 0;
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (!limits_of(step, followed->reading) || bands == BANDS_MAX)
            continue;
        int64_t top = step->limits.has_high ? draw_y(scale, step->limits.high_n) : scale->top;
        int64_t bottom = step->limits.has_low ? draw_y(scale, step->limits.low_n) : scale->bottom;
        draw_box(page->sink, bands % 2 ? "band two" : "band one", DRAW_LEFT, top, DRAW_RIGHT, bottom);
        if (step->limits.has_high)
            draw_line(page->sink, "limit", DRAW_LEFT, top, DRAW_RIGHT, top);
        if (step->limits.has_low)
            draw_line(page->sink, "limit", DRAW_LEFT, bottom, DRAW_RIGHT, bottom);
        bands++;
    }
    /* The words go on top of every band, and keep apart from each other. */
    int64_t above = -DRAW_LANE;
    for (uint32_t i = 0; i < definitions->step_count && bands; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (!limits_of(step, followed->reading))
            continue;
        int64_t top = step->limits.has_high ? draw_y(scale, step->limits.high_n) : scale->top;
        int64_t y = top - 40 < scale->top + 110 ? scale->top + 110 : top - 40;
        while (above >= 0 && y < above + 130 && y > above - 130)
            y += 130;
        above = y;
        draw_text(page->sink, "note", "end", DRAW_RIGHT - 30, y);
        page_put(page, "limits of step ");
        page_number(page, i + 1);
        draw_text_end(page->sink);
    }
}

static void put_point(struct page *page, const struct draw_time *time, const struct draw_scale *scale,
                      const struct chart_point *point, char command)
{
    sink_char(page->sink, command);
    draw_length(page->sink, draw_x(time, point->x));
    sink_char(page->sink, ' ');
    draw_length(page->sink, draw_y(scale, point->numerator));
}

/* First, then the extremes in their order, then last: the line passes every one of them. */
static void put_bucket(struct page *page, const struct draw_time *time, const struct draw_scale *scale,
                       const struct chart_bucket *bucket, bool begins)
{
    const struct chart_point *one = &bucket->smallest, *two = &bucket->largest, *before = &bucket->first;
    if (one->x > two->x) {
        one = &bucket->largest;
        two = &bucket->smallest;
    }
    const struct chart_point *points[] = {one, two, &bucket->last};
    put_point(page, time, scale, &bucket->first, begins ? 'M' : 'L');
    for (size_t i = 0; i < 3; i++) {
        if (points[i]->x == before->x && points[i]->numerator == before->numerator)
            continue;
        put_point(page, time, scale, points[i], 'L');
        before = points[i];
    }
    if (begins && bucket->samples == 1) /* a sample on its own is a dot: a line of no length with round ends */
        page_put(page, "h0");
}

static void put_track(struct page *page, const struct draw_time *time, const struct report_followed *followed,
                      const struct draw_scale *scale)
{
    const struct chart_track *track = &followed->track;
    bool begins = true;
    page_put(page, "<path class=\"track\" d=\"");
    for (uint32_t i = 0; i < CHART_BUCKETS; i++) {
        const struct chart_bucket *bucket = &track->buckets[i];
        if (bucket->samples == 0)
            continue;
        put_bucket(page, time, scale, bucket, begins || bucket->broken_before);
        begins = false;
    }
    page_put(page, "\"/>\n");
}

/* The stretch that decided a step, as a box around its part of the line. */
static void put_decided(struct page *page, const struct draw_time *time, const struct report_followed *followed,
                        const struct draw_scale *scale)
{
    const struct verdict *verdict = page->about->verdict;
    for (uint32_t i = 0; i < verdict->attempts_kept; i++) {
        const struct attempt_result *attempt = verdict->attempts[i];
        for (uint32_t j = 0; j < page->definitions->step_count; j++) {
            const struct step_result *step = &attempt->steps[j];
            const struct stretch *stretch = &step->stretch;
            if (step->evidence != EVIDENCE_STRETCH || step->step->reading != followed->reading || stretch->state)
                continue;
            int64_t left = draw_x(time, report_x(page->report, stretch->first_time, stretch->first_frame));
            int64_t right = draw_x(time, report_x(page->report, stretch->last_time, stretch->last_frame));
            int64_t top = draw_y(scale, stretch->highest) - 50, bottom = draw_y(scale, stretch->lowest) + 50;
            draw_box(page->sink, attempt->last ? "decides" : "decided", left - 20, top, right + 20, bottom);
            draw_text(page->sink, "word", "middle", (left + right) / 2,
                      top - 50 < scale->top + 100 ? bottom + 120 : top - 50);
            page_put(page, "step ");
            page_number(page, j + 1);
            draw_text_end(page->sink);
        }
    }
}

static int64_t put_panel(struct page *page, const struct draw_time *time, const struct report_followed *followed,
                         int64_t top)
{
    const struct def_reading *reading = &page->definitions->readings[followed->reading];
    struct draw_scale scale = {.top = top + 170, .bottom = top + PANEL};
    scale_of(page, followed, &scale);
    draw_text(page->sink, "title", "start", DRAW_LEFT - 900, top + 110);
    draw_words(page, view_reading_name(page->report->view, reading));
    if (reading->unit[0]) {
        page_put(page, " in ");
        draw_words(page, reading->unit);
    }
    draw_text_end(page->sink);
    draw_scale_axis(page, &scale);
    put_bands(page, followed, &scale);
    put_track(page, time, followed, &scale);
    put_decided(page, time, followed, &scale);
    return top + PANEL + 60;
}

/* Where each attempt begins: a line through everything. */
static void put_attempts(struct page *page, const struct draw_time *time, int64_t top, int64_t bottom)
{
    const struct verdict *verdict = page->about->verdict;
    for (uint32_t i = 0; i < verdict->attempts_kept; i++) {
        const struct attempt_result *attempt = verdict->attempts[i];
        if (!attempt->opened)
            continue;
        int64_t x = draw_x(time, report_x(page->report, attempt->first_time, attempt->first_frame));
        draw_line(page->sink, attempt->last ? "attempt" : "attempt old", x, top, x, bottom);
        draw_text(page->sink, "word", x > DRAW_RIGHT - 900 ? "end" : "start", x > DRAW_RIGHT - 900 ? x - 30 : x + 30,
                  top + 10);
        page_put(page, "attempt ");
        page_number(page, attempt->number);
        if (verdict->part_count > 1) {
            page_put(page, ", part ");
            page_number(page, attempt->part);
        }
        draw_text_end(page->sink);
    }
}

/* ---- the figure ---- */

static const char patterns[] =
    "<defs>\n"
    "<pattern id=\"p-one\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">"
    "<path class=\"hatch\" d=\"M-1 1l2-2M0 6l6-6M5 7l2-2\"/></pattern>\n"
    "<pattern id=\"p-two\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">"
    "<path class=\"hatch\" d=\"M-1 5l2 2M0 0l6 6M5-1l2 2\"/></pattern>\n"
    "<pattern id=\"p-dots\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\">"
    "<circle class=\"dot\" cx=\"2\" cy=\"2\" r=\"1\"/></pattern>\n"
    "<pattern id=\"p-dense\" width=\"4\" height=\"4\" patternUnits=\"userSpaceOnUse\">"
    "<path class=\"hatch strong\" d=\"M0 2h4M2 0v4\"/></pattern>\n"
    "</defs>\n";

static void put_summary(struct page *page)
{
    const struct report *report = page->report;
    for (uint32_t i = 0; i < report->followed_count; i++) {
        const struct report_followed *followed = &report->followed[i];
        const struct def_reading *reading = &page->definitions->readings[followed->reading];
        if (!followed->charted)
            continue;
        page_put(page, "<p>");
        page_text(page, view_reading_name(report->view, reading));
        if (!followed->track.samples) {
            page_put(page, " was never read.</p>\n");
            continue;
        }
        page_put(page, " was read ");
        page_times(page, followed->track.samples);
        page_put(page, ". Smallest: ");
        page_value(page, followed->track.smallest.numerator, reading);
        page_put(page, " in frame ");
        page_number(page, followed->track.smallest.frame);
        page_put(page, "; largest: ");
        page_value(page, followed->track.largest.numerator, reading);
        page_put(page, " in frame ");
        page_number(page, followed->track.largest.frame);
        page_put(page, ".");
        if (followed->absent || followed->invalid) {
            page_put(page, " Besides, ");
            page_count(page, followed->absent + followed->invalid, "answer");
            page_put(page, " gave no value that can be used.");
        }
        page_put(page, "</p>\n");
    }
}

static void put_key(struct page *page)
{
    static const struct {
        const char *drawing, *words;
    } rows[] = {
        {"<path class=\"track\" d=\"m-10 3 6-6 6 4 8-3\"/>",
         "the reading, each value as the module gave it; where the line "
         "is interrupted (dotted in the row \"no values\"), nothing was read for longer than the step allows, or "
         "something was lost"},
        {"<rect class=\"band two\" x=\"-10\" y=\"-5\" width=\"20\" height=\"10\"/><path class=\"limit\" "
         "d=\"m-10-5h20m-20 "
         "10h20\"/>",
         "between dashed lines: the limits of a step"},
        {"<rect class=\"decides\" x=\"-9\" y=\"-4\" width=\"18\" height=\"8\"/>",
         "the steady stretch that decided the step "
         "named beside it (dotted: in an attempt that does not count any more)"},
        {"<path class=\"attempt\" d=\"m0-7v14\"/>", "an attempt begins: the zero was started and not refused"},
        {"<circle class=\"sign full\" r=\"4\"/>", "a start of an action"},
        {"<circle class=\"sign\" r=\"3.5\"/>", "a stop, a question for results, or an identity written"},
        {"<path class=\"sign\" d=\"m-4 -4 8 8m0 -8-8 8\"/>", "refused"},
        {"<path class=\"sign full\" d=\"m0 -4.5 4.5 8h-9z\"/>", "noted by a person"},
        {"<path class=\"sign full\" d=\"m0 -5 5 5-5 5-5-5z\"/>", "trouble codes cleared"},
        {"<path class=\"sign\" d=\"m-4 -4h8v8h-8z\"/>", "trouble codes read"},
        {"<path class=\"sign full\" d=\"m-4.5 -4h9l-4.5 8z\"/>", "lost, reset, or noted by the recorder"},
        {"<path class=\"sign\" d=\"m-5 -5h10v10h-10z\"/><path class=\"sign\" d=\"m0 -4v5m0 1.5v1.2\"/>",
         "danger: pyrotechnics "
         "asked for"},
        {"<rect class=\"tick-refused\" x=\"-1.5\" y=\"-7\" width=\"3\" height=\"14\"/>", "any refused question"},
        {"<rect class=\"tick-lost\" x=\"-1.5\" y=\"-7\" width=\"3\" height=\"14\"/>", "something lost or broken"},
    };
    page_put(page, "<p>In the chart; numbers are those of the list below:</p>\n<ul class=\"key\">");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        page_put(page, "<li><svg aria-hidden=\"true\" viewBox=\"-12 -8 24 16\">");
        page_put(page, rows[i].drawing);
        page_put(page, "</svg> ");
        page_put(page, rows[i].words);
        page_put(page, "</li>\n");
    }
    page_put(page, "</ul>\n");
    if (page->report->clock_stepped)
        page_put(page, "<p>The clock went back during the record: the chart runs on by elapsed time, in which backward "
                       "steps count as nothing, so its seconds differ from the times in the tables behind that "
                       "point.</p>\n");
}

void page_chart(struct page *page)
{
    const struct report *report = page->report;
    struct draw_time time;
    uint32_t panels = 0;
    int64_t height = 160 + 230, y = 160;
    draw_time_of(&time, page);
    for (uint32_t i = 0; i < report->followed_count; i++) {
        panels += report->followed[i].charted && panels < PANELS_MAX;
    }
    height += draw_lanes_height(report);
    height += (int64_t)panels * (PANEL + 60) + (time.cut_count ? 120 : 0);
    page_put(page, "<section>\n<h2>Against time</h2>\n");
    if (page->about->last_time == page->about->first_time && !report_notes_kept(report)) {
        page_put(page, "<p>There is nothing to draw: the record holds no time.</p>\n</section>\n");
        return;
    }
    put_summary(page);
    page_put(page, "<p class=\"wider\">This screen is narrower than the chart and some tables: they go on to the right, push "
                   "them sideways.</p>\n<figure>\n<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Chart against time\">\n"
                   "<svg role=\"img\" aria-labelledby=\"chart-title chart-text\" viewBox=\"0 0 760 ");
    draw_length(page->sink, height);
    page_put(page, "\">\n<title id=\"chart-title\">Readings and what happened, against time</title>\n"
                   "<desc id=\"chart-text\">All that the chart shows stands in words in the paragraph above it and in "
                   "the tables of this page.</desc>\n");
    page_put(page, patterns);
    int64_t bottom = height - 230 - (time.cut_count ? 120 : 0);
    draw_time_axis(page, &time, 160, bottom);
    put_attempts(page, &time, 110, bottom);
    uint32_t drawn = 0;
    for (uint32_t i = 0; i < report->followed_count; i++)
        if (report->followed[i].charted && drawn < PANELS_MAX) {
            y = put_panel(page, &time, &report->followed[i], y);
            drawn++;
        }
    (void)draw_lanes(page, &time, y);
    page_put(page, "</svg>\n</div>\n<figcaption>Seconds from the first frame of the record.</figcaption>\n</figure>\n");
    put_key(page);
    page_put(page, "</section>\n");
}
