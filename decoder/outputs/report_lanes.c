/* The lanes below the plots: states, pauses, and a sign for everything that happened, in a lane of its kind. */
#include <string.h>

#include "report_drawing.h"

#define LABEL_APART 190 /* least distance of two signs with a number each */

static void begin_lane(struct page *page, int64_t top, const char *label)
{
    draw_line(page->sink, "grid", DRAW_LEFT, top + DRAW_LANE, DRAW_RIGHT, top + DRAW_LANE);
    draw_text(page->sink, "lane", "end", DRAW_LEFT - 60, top + 160);
    draw_words(page, label);
    draw_text_end(page->sink);
}

/* Which pattern a state has: by its place among the names of the reading, so that equal states look equal. */
static unsigned pattern_of(const struct def_reading *reading, const char *state)
{
    for (uint32_t i = 0; i < reading->name_count; i++)
        if (strcmp(reading->names[i].text, state) == 0)
            return i % 4;
    return strcmp(state, "yes") == 0;
}

static int64_t put_states(struct page *page, const struct draw_time *time, const struct report_followed *followed,
                          int64_t top)
{
    static const char *const patterns[] = {"state p0", "state p1", "state p2", "state p3"};
    const struct def_reading *reading = &page->definitions->readings[followed->reading];
    const char *name = strrchr(view_reading_name(page->report->view, reading), '.');
    int64_t written = 0;
    begin_lane(page, top, name ? name + 1 : view_reading_name(page->report->view, reading));
    for (uint32_t i = 0; i < chart_states_kept(&followed->runs); i++) {
        const struct chart_run *run = chart_states_at(&followed->runs, i);
        int64_t left = draw_x(time, run->from), right = draw_x(time, run->to);
        draw_box(page->sink, run->state ? patterns[pattern_of(reading, run->state)] : "state none", left, top + 40,
                 right, top + 200);
        int64_t need = run->state ? (int64_t)strlen(run->state) * 65 + 40 : 0;
        if (!run->state || right - left < need || left < written)
            continue;
        draw_box(page->sink, "under", left + 20, top + 60, left + need, top + 180);
        draw_text(page->sink, "word", "start", left + 40, top + 160);
        draw_words(page, run->state);
        draw_text_end(page->sink);
        written = left + need;
    }
    return top + DRAW_LANE;
}

/* The row number a note has in the list beside the chart; 0 when it is not listed. */
static uint32_t row_of(const struct report *report, uint32_t index)
{
    uint32_t kept = report_notes_kept(report), half = PAGE_NOTES_SHOWN / 2;
    if (kept <= PAGE_NOTES_SHOWN)
        return index + 1;
    return index < half ? index + 1 : index >= kept - half ? index - (kept - PAGE_NOTES_SHOWN) + 1 : 0;
}

enum lane { LANE_ACTIONS, LANE_REFUSED, LANE_MARKS, LANE_CODES, LANE_EVENTS, LANE_COUNT };

static enum lane lane_of(const struct report_note *note)
{
    switch (note->kind) {
    case NOTE_ACTION:
    case NOTE_WRITE:
        return note->nrc ? LANE_REFUSED : LANE_ACTIONS;
    case NOTE_MARK:
        return LANE_MARKS;
    case NOTE_CODES:
    case NOTE_CLEAR:
        return LANE_CODES;
    default:
        return LANE_EVENTS;
    }
}

/* A sign of its own for each kind, 8 by 8, its middle at x. */
static const char *sign_of(const struct report_note *note)
{
    switch (note->kind) {
    case NOTE_WRITE:
    case NOTE_ACTION: /* a cross for a refusal, a full circle for a start, an open one for the rest */
        return note->nrc                ? "<path class=\"sign\" d=\"m-4 -4 8 8m0 -8-8 8\"/>"
               : note->part == PART_START ? "<circle class=\"sign full\" r=\"4\"/>"
                                          : "<circle class=\"sign\" r=\"3.5\"/>";
    case NOTE_MARK:
        return "<path class=\"sign full\" d=\"m0 -4.5 4.5 8h-9z\"/>";
    case NOTE_CLEAR:
        return "<path class=\"sign full\" d=\"m0 -5 5 5-5 5-5-5z\"/>";
    case NOTE_CODES:
        return "<path class=\"sign\" d=\"m-4 -4h8v8h-8z\"/>";
    case NOTE_DANGER: /* an exclamation mark in a box */
        return "<path class=\"sign\" d=\"m-5 -5h10v10h-10z\"/><path class=\"sign\" d=\"m0 -4v5m0 1.5v1.2\"/>";
    default:
        return "<path class=\"sign full\" d=\"m-4.5 -4h9l-4.5 8z\"/>";
    }
}

/* Numbers of signs that stand close together become one: "1-3". */
struct numbers {
    uint32_t first, last; /* rows; 0: none yet */
    int64_t begin, x, y;  /* of the first and the last sign */
};

/* At the right edge numbers stand before their signs. */
static bool stands_before(int64_t x)
{
    return x > DRAW_RIGHT - 250;
}

static void put_numbers(struct page *page, struct numbers *numbers)
{
    bool before = stands_before(numbers->x);
    if (!numbers->first)
        return;
    draw_text(page->sink, "number", before ? "end" : "start", before ? numbers->begin - 60 : numbers->x + 60, numbers->y);
    page_number(page, numbers->first);
    if (numbers->last != numbers->first) {
        page_put(page, "-");
        page_number(page, numbers->last);
    }
    draw_text_end(page->sink);
    numbers->first = 0;
}

static void add_number(struct page *page, struct numbers *numbers, uint32_t row, int64_t x)
{
    int64_t apart = LABEL_APART + (numbers->last > 9 ? 70 : 0) + (numbers->last != numbers->first ? 130 : 0);
    if (stands_before(x)) /* room for both, where the one before stands behind its sign */
        apart += row > 9 ? 190 : 120;
    if (numbers->first && x - numbers->x >= apart)
        put_numbers(page, numbers);
    if (!numbers->first) {
        numbers->first = row;
        numbers->begin = x;
    }
    numbers->last = row;
    numbers->x = x;
}

static void put_notes(struct page *page, const struct draw_time *time, enum lane lane, int64_t top)
{
    const struct report *report = page->report;
    struct numbers numbers = {.y = top + 160};
    for (uint32_t i = 0; i < report_notes_kept(report); i++) {
        const struct report_note *note = report_note_at(report, i);
        uint32_t row = row_of(report, i);
        if (lane_of(note) != lane)
            continue;
        int64_t x = draw_x(time, note->x);
        page_put(page, "<g transform=\"translate(");
        draw_length(page->sink, x);
        sink_char(page->sink, ' ');
        draw_length(page->sink, top + 120);
        page_put(page, ")\">");
        page_put(page, sign_of(note));
        page_put(page, "</g>\n");
        if (row)
            add_number(page, &numbers, row, x);
    }
    put_numbers(page, &numbers);
}

static void put_ticks(struct page *page, const struct draw_time *time, const struct chart_lane *lane, int64_t top,
                      const char *kind)
{
    for (int64_t i = 0; i < CHART_BUCKETS && lane->total; i++)
        if (lane->counts[i])
            draw_box(page->sink, kind, draw_x(time, i * lane->width) - 15, top + 40,
                     draw_x(time, (i + 1) * lane->width - 1) + 15, top + 200);
}

static void put_pauses(struct page *page, const struct draw_time *time, const struct report_followed *followed,
                       int64_t top)
{
    const struct chart_track *track = &followed->track;
    for (uint32_t i = 0; i < track->pause_count; i++)
        draw_box(page->sink, "pause", draw_x(time, track->pauses[i].from), top + 60,
                 draw_x(time, track->pauses[i].to), top + 180);
}

static bool any_note(const struct report *report, enum lane lane)
{
    for (uint32_t i = 0; i < report_notes_kept(report); i++)
        if (lane_of(report_note_at(report, i)) == lane)
            return true;
    return false;
}

static bool lane_shown(const struct report *report, enum lane lane)
{
    return any_note(report, lane) || (lane == LANE_REFUSED && report->refused.total) ||
           (lane == LANE_EVENTS && (report->lost.total || report->broken.total || report->missing.total));
}

int64_t draw_lanes(struct page *page, const struct draw_time *time, int64_t y)
{
    static const char *const labels[LANE_COUNT] = {"zero and actions", "refused", "noted by hand", "trouble codes",
                                                   "lost, events"};
    const struct report *report = page->report;
    for (uint32_t i = 0; i < report->followed_count; i++)
        if (report->followed[i].states && report->followed[i].runs.count)
            y = put_states(page, time, &report->followed[i], y);
    for (uint32_t i = 0; i < report->followed_count; i++) {
        if (!report->followed[i].charted || !report->followed[i].track.pause_count)
            continue;
        begin_lane(page, y, "no values");
        put_pauses(page, time, &report->followed[i], y);
        y += DRAW_LANE;
    }
    for (enum lane lane = 0; lane < LANE_COUNT; lane++) {
        if (!lane_shown(report, lane))
            continue;
        begin_lane(page, y, labels[lane]);
        if (lane == LANE_REFUSED)
            put_ticks(page, time, &report->refused, y, "tick-refused");
        if (lane == LANE_EVENTS) {
            put_ticks(page, time, &report->lost, y, "tick-lost");
            put_ticks(page, time, &report->broken, y, "tick-lost");
            put_ticks(page, time, &report->missing, y, "tick-missing");
        }
        put_notes(page, time, lane, y);
        y += DRAW_LANE;
    }
    return y;
}

int64_t draw_lanes_height(const struct report *report)
{
    int64_t height = 0;
    for (uint32_t i = 0; i < report->followed_count; i++) {
        height += report->followed[i].states && report->followed[i].runs.count ? DRAW_LANE : 0;
        height += report->followed[i].charted && report->followed[i].track.pause_count ? DRAW_LANE : 0;
    }
    for (enum lane lane = 0; lane < LANE_COUNT; lane++)
        height += lane_shown(report, lane) ? DRAW_LANE : 0;
    return height;
}
