/* Each step with its evidence down to raw bytes and frame numbers, and the attempts that do not count any more. */
#include "report_page.h"

#include <stdio.h>
#include <string.h>

#include "../stages/service_fields.h"

#define ALSO_SHOWN 12u
#define TRIES_SHOWN 12u
#define EARLIER_SHOWN 8u

static const char *const standings[] = {"inside", "below the limit", "above the limit", "another state",
                                        "too close to the limit"};

static void begin_row(struct page *page, const char *head)
{
    page_put(page, "<tr><th scope=\"row\">");
    page_put(page, head);
    page_put(page, "</th><td>");
}

static void end_row(struct page *page)
{
    page_put(page, "</td></tr>\n");
}

static void put_names(struct page *page, const char *const *names, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++) {
        page_put(page, i == 0 ? "" : i + 1 == count ? " or " : ", ");
        page_text(page, names[i]);
    }
}

/* What counts with the safety margin: the values of the reading itself at both ends. */
static void put_safe(struct page *page, const struct def_limits *limits, const struct def_reading *reading)
{
    page_put(page, limits->has_low ? "from " : "up to ");
    if (limits->has_low)
        page_value(page, limits->safe_low_n, reading);
    if (limits->has_high) {
        page_put(page, limits->has_low ? " to " : "");
        page_value(page, limits->safe_high_n, reading);
    }
    page_put(page, limits->has_low && !limits->has_high ? " on" : "");
}

/* Limits in another unit than the reading: once more in the reading's, exactly. */
static void put_converted(struct page *page, const struct def_limits *limits, const struct def_reading *reading)
{
    struct ratio low = limits->low, high = limits->high;
    const char *unit = limits->unit ? limits->unit : "";
    if (strcmp(unit, reading->unit) == 0 ||
        (limits->has_low && !units_convert(limits->low, unit, reading->unit, &low)) ||
        (limits->has_high && !units_convert(limits->high, unit, reading->unit, &high)))
        return;
    page_put(page, " (");
    if (limits->has_low)
        page_ratio(page, low, limits->has_high ? "" : reading->unit);
    page_put(page, limits->has_low && limits->has_high ? " to " : limits->has_low ? " or more" : "at most ");
    if (limits->has_high)
        page_ratio(page, high, reading->unit);
    page_put(page, ")");
}

static void put_limit(struct page *page, const struct def_step *step)
{
    static const char *const tested[] = {"", ", and its test has run since the last clear",
                                         ", and its test has run in this cycle"};
    const struct def_limits *limits = &step->limits;
    if (step->kind == STEP_READING && step->has_between) {
        begin_row(page, "Limit");
        if (limits->has_low)
            page_ratio(page, limits->low, limits->has_high ? "" : limits->unit);
        page_put(page, limits->has_low && limits->has_high ? " to " : limits->has_low ? " or more" : "at most ");
        if (limits->has_high)
            page_ratio(page, limits->high, limits->unit);
        put_converted(page, limits, &page->definitions->readings[step->reading]);
        page_put(page, ", ends included");
        if (step->has_guard && step->guard.numerator != 0) {
            page_put(page, "; less a safety margin of ");
            page_ratio(page, step->guard, step->guard_unit);
            page_put(page, " at each end: ");
            put_safe(page, limits, &page->definitions->readings[step->reading]);
        }
        end_row(page);
    } else if (step->kind == STEP_READING && step->is_count) {
        begin_row(page, "Wanted");
        put_names(page, step->is, step->is_count);
        end_row(page);
    } else if (step->kind == STEP_CODES) {
        begin_row(page, "Wanted");
        if (step->none_present || step->none_stored) {
            page_put(page, "no code that is ");
            page_put(page, step->none_present && step->none_stored ? "present or stored"
                           : step->none_present                   ? "present"
                                                                  : "stored");
        } else {
            page_put(page, "no code with status bits 0x");
            sink_hex_number(page->sink, step->none_with, 2);
        }
        page_put(page, tested[step->tested]);
        end_row(page);
    } else if (step->kind == STEP_ACTION && step->confirmed_count) {
        begin_row(page, "Wanted");
        page_put(page, "the module answers ");
        put_names(page, step->confirmed, step->confirmed_count);
        end_row(page);
    }
    if (step->kind == STEP_READING && (step->has_above || step->has_below)) {
        begin_row(page, "Looks at");
        page_put(page, step->has_above ? "values above " : "values below ");
        page_ratio(page, step->has_above ? step->above : step->below, step->select_unit);
        if (step->has_above && step->has_below) {
            page_put(page, " and below ");
            page_ratio(page, step->below, step->select_unit);
        }
        end_row(page);
    }
    if (step->kind == STEP_READING && step->has_steady) {
        begin_row(page, "Steady means");
        page_put(page, "for ");
        page_span(page, step->steady_for);
        if (!step->is_count) {
            page_put(page, " within ");
            page_ratio(page, step->within, page->definitions->readings[step->reading].unit);
        }
        page_put(page, ", a value at least every ");
        page_span(page, step->steady_gap);
        end_row(page);
    }
    if (step->applied) {
        begin_row(page, "Weight named");
        page_text(page, step->applied);
        page_put(page, " in the definition file; never compared with the reading, as a seat carries part of a weight "
                       "elsewhere");
        end_row(page);
    }
}

static void put_range(struct page *page, const struct stretch *stretch, const struct def_reading *reading)
{
    if (stretch->state) {
        page_text(page, stretch->state);
        return;
    }
    page_value(page, stretch->lowest, reading);
    if (stretch->lowest != stretch->highest) {
        page_put(page, " to ");
        page_value(page, stretch->highest, reading);
    }
}

/* One sample with its bytes: "29.8 kg at 17.2 s, bytes 62 3c 40 ..., frames 210 to 212, trace-1.pcap at byte 5432". */
static void put_sample(struct page *page, const struct report_sample *sample, const struct def_reading *reading)
{
    if (sample->state)
        page_text(page, sample->state);
    else
        page_value(page, sample->numerator, reading);
    page_put(page, " at ");
    page_time(page, sample->time);
    page_put(page, "<br>bytes ");
    page_bytes(page, sample->bytes, sample->length < REPORT_BYTES ? sample->length : REPORT_BYTES, sample->length);
    page_put(page, "<br>");
    page_frames_word(page, sample->bus, sample->first_frame, sample->last_frame);
    page_put(page, ", ");
    page_place(page, sample->file, sample->offset);
}

static void put_samples(struct page *page, const struct step_result *step, const struct def_reading *reading)
{
    const struct report_stretch *kept = report_stretch_of(page->report, step->step, &step->stretch);
    if (!kept)
        return;
    const struct {
        const char *name;
        const struct report_sample *sample;
    } samples[] = {
        {"first", &kept->first}, {"lowest", &kept->lowest}, {"highest", &kept->highest}, {"last", &kept->last}};
    for (size_t i = 0; i < 4; i++) {
        const struct report_sample *sample = samples[i].sample;
        bool told = !sample->there; /* with one before it that is the same value of the same frames */
        for (size_t j = 0; j < i; j++)
            told = told || (samples[j].sample->there && samples[j].sample->last_frame == sample->last_frame);
        if (told)
            continue;
        page_put(page, "<tr><th scope=\"row\">");
        page_sentence(page, samples[i].name);
        for (size_t j = i + 1; j < 4; j++)
            if (samples[j].sample->there && samples[j].sample->last_frame == sample->last_frame) {
                page_put(page, ", ");
                page_put(page, samples[j].name);
            }
        page_put(page, " value</th><td>");
        put_sample(page, sample, reading);
        end_row(page);
    }
}

static void put_deciding(struct page *page, const struct step_result *step)
{
    if (step->evidence == EVIDENCE_STRETCH) {
        const struct def_reading *reading = &page->definitions->readings[step->step->reading];
        const struct stretch *stretch = &step->stretch;
        begin_row(page, "Read");
        page_put(page, "<strong>");
        put_range(page, stretch, reading);
        page_put(page, "</strong>");
        if (stretch->samples > 1) {
            page_put(page, ", steady for ");
            page_span(page, stretch->last_time - stretch->first_time);
        }
        page_put(page, ", ");
        page_count(page, stretch->samples, "value");
        end_row(page);
        begin_row(page, "When");
        page_time(page, stretch->first_time);
        if (stretch->samples > 1) {
            page_put(page, " to ");
            page_time(page, stretch->last_time);
        }
        end_row(page);
        begin_row(page, "Frames");
        page_frames_on(page, stretch->bus, stretch->first_frame, stretch->last_frame);
        end_row(page);
        put_samples(page, step, reading);
    } else if (step->evidence == EVIDENCE_ANSWER) {
        uint32_t shown = step->bytes ? step->byte_count : 0;
        if (shown && (step->bytes[0] & 0xBF) == 0x27) /* SecurityAccess: no seed, no key (D 8.6) */
            shown = service_secret_offset(step->bytes, step->byte_count);
        if (step->text) {
            begin_row(page, "Read");
            page_put(page, "<strong>");
            page_text(page, step->text);
            page_put(page, "</strong>");
            end_row(page);
        }
        begin_row(page, "Answer of the module");
        page_put(page, "bytes ");
        page_bytes(page, step->bytes, shown, step->byte_count);
        end_row(page);
        if (step->step->kind == STEP_CODES) {
            begin_row(page, "Codes in it");
            page_code_list(page, step->step->module, step->bytes, shown);
            end_row(page);
        }
        begin_row(page, "When");
        page_time(page, step->time);
        end_row(page);
        begin_row(page, "Frames");
        page_frames_on(page, step->bus, step->first_frame, step->last_frame);
        end_row(page);
    } else if (step->step->kind == STEP_RECORD) {
        begin_row(page, "Noted");
        page_put(page, "every list of trouble codes, in the part \"Trouble codes\" below; nothing is judged by it");
        end_row(page);
    } else {
        begin_row(page, "Evidence");
        page_put(page, "none in the record");
        end_row(page);
    }
}

static void put_table(struct page *page, const char *what, const char *which, const char *heads)
{
    char caption[128];
    (void)snprintf(caption, sizeof caption, "%s of %s", what, which);
    page_table(page, caption, heads);
}

static void put_tries(struct page *page, const struct step_result *step, const char *which)
{
    const struct tries *tries = &step->tries;
    uint32_t shown = tries->kept < TRIES_SHOWN ? tries->kept : TRIES_SHOWN;
    if (shown == 0)
        return;
    put_table(page, "Tries", which, "Time|What|Answer of this try|Frames");
    for (uint32_t i = 0; i < shown; i++) {
        const struct try_result *one = &tries->list[i];
        page_put(page, "<tr><th scope=\"row\">");
        page_time(page, one->time);
        page_put(page, "</th><td>");
        page_put(page, one->refused_start ? "start refused: " : one->left_out ? "moment, left out: " : "moment: ");
        if (one->refused_start)
            page_text(page, standard_nrc_name(page->definitions->modules[step->step->module].dialect, one->nrc));
        else
            page_text(page, one->reason);
        if (one->mark && one->mark->withdrawn_by && strncmp(one->reason, "withdrawn", 9) != 0) {
            page_put(page, "; withdrawn: ");
            page_text(page, one->mark->withdrawn_by->text);
        }
        if (one->left_out && one->has_stretch) { /* what does not count is shown all the same */
            page_put(page, "; it read ");
            put_range(page, &one->stretch, &page->definitions->readings[step->step->reading]);
            page_put(page, ", steady for ");
            page_span(page, one->stretch.last_time - one->stretch.first_time);
            page_put(page, ": ");
            page_put(page, standings[one->stretch.standing]);
        }
        page_put(page, "</td><td>");
        page_text(page, one->refused_start ? "refused"
                        : one->left_out    ? "does not count"
                                           : step_answer_text(one->answer));
        page_put(page, "</td><td>");
        page_frames_on(page, one->bus, one->first_frame, one->last_frame);
        page_put(page, "</td></tr>\n");
    }
    page_table_end(page);
    page_more(page, tries->count - shown, "tries");
}

static void put_also(struct page *page, const struct step_result *step, const char *which)
{
    const struct stretches *also = &step->also;
    uint32_t shown = also->kept < ALSO_SHOWN ? also->kept : ALSO_SHOWN;
    if (shown == 0)
        return;
    const struct def_reading *reading = &page->definitions->readings[step->step->reading];
    put_table(page, "Other steady stretches", which, "Time|Read|Against the limit|Frames");
    for (uint32_t i = 0; i < shown; i++) {
        const struct stretch *stretch = &also->list[i];
        page_put(page, "<tr><th scope=\"row\">");
        page_time(page, stretch->first_time);
        page_put(page, "</th><td>");
        put_range(page, stretch, reading);
        if (stretch->samples > 1) {
            page_put(page, ", steady for ");
            page_span(page, stretch->last_time - stretch->first_time);
        }
        page_put(page, "</td><td>");
        page_put(page, standings[stretch->standing]);
        page_put(page, "</td><td>");
        page_frames_on(page, stretch->bus, stretch->first_frame, stretch->last_frame);
        page_put(page, "</td></tr>\n");
    }
    page_table_end(page);
    page_more(page, also->count - shown, "steady stretches");
}

static void put_gap_place(struct page *page, const struct gap *gap)
{
    bool open = gap->last_frame == UINT64_MAX, one = gap->frame == gap->last_frame;
    page_put(page, gap->between ? open ? ", behind frame " : ", between frames "
                   : open       ? ", from frame "
                   : one        ? ", frame "
                                : ", frames ");
    page_number(page, gap->frame);
    if (open && !gap->between)
        page_put(page, " to the end");
    if (!open && (gap->between || !one)) {
        page_put(page, gap->between ? " and " : " to ");
        page_number(page, gap->last_frame);
    }
    if (page->report->view->several && gap->bus != GAP_EVERY_BUS) {
        page_put(page, " of bus ");
        page_text(page, view_bus_name(page->report->view, gap->bus));
    }
}

static void put_gaps(struct page *page, const struct gaps *gaps, const char *where)
{
    for (uint32_t i = 0; i < gaps->kept; i++) {
        const struct gap *gap = &gaps->list[i];
        page_put(page, "<p class=\"loss\">");
        page_put(page, where);
        page_text(page, gap_kind_text(gap->kind));
        if (gap->count) {
            page_put(page, " (");
            page_number(page, gap->count);
            page_put(page, ")");
        }
        if (gap->time) {
            page_put(page, ", at ");
            page_time(page, gap->time);
        }
        put_gap_place(page, gap);
        page_put(page, ".</p>\n");
    }
    page_more(page, gaps->count - gaps->kept, "such places");
}

static void put_step(struct page *page, const struct step_result *step, uint32_t number, uint32_t part)
{
    char which[64]; /* tells its tables from those of other steps */
    if (page->about->verdict->part_count > 1)
        (void)snprintf(which, sizeof which, "step %u, part %u", number, part);
    else
        (void)snprintf(which, sizeof which, "step %u", number);
    page_put(page, "<article>\n<h4>");
    page_number(page, number);
    page_put(page, ". ");
    page_text(page, step->step->name);
    page_put(page, " ");
    page_answer(page, step->answer);
    page_put(page, "</h4>\n");
    if (step->reason[0]) {
        page_put(page, "<p>");
        page_sentence(page, step->reason);
        page_put(page, ".</p>\n");
    }
    for (uint32_t i = 0; i < step->remark_count; i++) {
        page_put(page, "<p>Remark: ");
        page_text(page, step->remarks[i]);
        page_put(page, ".</p>\n");
    }
    put_gaps(page, &step->gaps, "Within this evidence: ");
    put_table(page, "Evidence", which, NULL);
    put_limit(page, step->step);
    put_deciding(page, step);
    page_table_end(page);
    put_tries(page, step, which);
    put_also(page, step, which);
    page_put(page, "</article>\n");
}

static void put_attempt(struct page *page, const struct attempt_result *attempt, const struct part_result *part)
{
    page_put(page, "<h3>");
    if (page->about->verdict->part_count > 1) {
        page_put(page, "Part ");
        page_number(page, part->number);
        page_put(page, ", attempt ");
    } else {
        page_put(page, "Attempt ");
    }
    page_number(page, attempt->number);
    page_put(page, " of ");
    page_number(page, part->attempt_count);
    page_put(page, part->attempt_count > 1 ? ": the last one, which counts</h3>\n<p>" : "</h3>\n<p>");
    if (attempt->opened) {
        page_put(page, "It began at ");
        page_time(page, attempt->first_time);
        page_put(page, attempt->answered ? " with the request for a start that was accepted"
                                         : "; no answer to its start was seen");
        page_put(page, ", and goes on to frame ");
        page_number(page, attempt->last_frame);
        page_put(page, ".</p>\n");
    } else {
        page_put(page, "No start was accepted: the record is looked at as one attempt.</p>\n");
    }
    put_gaps(page, &attempt->gaps, "In this attempt, so that what was asked in the gap is not known: ");
    for (uint32_t i = 0; i < page->definitions->step_count; i++)
        put_step(page, &attempt->steps[i], i + 1, part->number);
}

/* Attempts that do not count any more: their answers, a row a step. */
static void put_earlier(struct page *page, const struct part_result *part)
{
    const struct verdict *verdict = page->about->verdict;
    uint32_t shown = 0;
    if (part->attempt_count < 2)
        return;
    page_put(page, "<h3>Earlier attempts</h3>\n<p>Zeroing again makes every earlier proof stale. These were judged the "
                   "same way and count for nothing any more.</p>\n");
    for (uint32_t i = 0; i < verdict->attempts_kept && shown < EARLIER_SHOWN; i++) {
        const struct attempt_result *attempt = verdict->attempts[i];
        char caption[80];
        if (attempt->part != part->number || attempt->last)
            continue;
        shown++;
        if (verdict->part_count > 1)
            (void)snprintf(caption, sizeof caption, "Attempt %llu of part %u", (unsigned long long)attempt->number,
                           part->number);
        else
            (void)snprintf(caption, sizeof caption, "Attempt %llu", (unsigned long long)attempt->number);
        page_table(page, caption, "Step|Answer|Why|Frames");
        for (uint32_t j = 0; j < page->definitions->step_count; j++) {
            const struct step_result *step = &attempt->steps[j];
            bool stretch = step->evidence == EVIDENCE_STRETCH, answer = step->evidence == EVIDENCE_ANSWER;
            page_put(page, "<tr><th scope=\"row\">");
            page_text(page, step->step->name);
            page_put(page, "</th><td>");
            page_text(page, step_answer_text(step->answer));
            page_put(page, "</td><td>");
            page_text(page, step->reason);
            page_put(page, "</td><td>");
            page_frames_on(page, stretch ? step->stretch.bus : step->bus,
                           stretch  ? step->stretch.first_frame
                           : answer ? step->first_frame
                                    : 0,
                           stretch  ? step->stretch.last_frame
                           : answer ? step->last_frame
                                    : 0);
            page_put(page, "</td></tr>\n");
        }
        page_table_end(page);
    }
    page_more(page, part->attempt_count - 1 - shown, "earlier attempts");
}

void page_steps(struct page *page)
{
    const struct verdict *verdict = page->about->verdict;
    page_put(page, "<section>\n<h2>Steps</h2>\n");
    if (page->definitions->step_count == 0)
        page_put(page, "<p>The definition files name no steps: there is nothing to judge.</p>\n");
    for (uint32_t i = 0; i < verdict->parts_kept && page->definitions->step_count; i++) {
        const struct part_result *part = &verdict->parts[i];
        const struct attempt_result *last = page_last_attempt(verdict, part->number);
        if (part->why[0]) {
            page_put(page, "<p>Part ");
            page_number(page, part->number);
            page_put(page, " begins at frame ");
            page_number(page, part->first_frame);
            page_put(page, ": ");
            page_text(page, part->why);
            page_put(page, ".</p>\n");
        }
        if (last)
            put_attempt(page, last, part);
        put_earlier(page, part);
    }
    page_put(page, "</section>\n");
}
