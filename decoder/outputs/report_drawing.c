/* See report_drawing.h: lines, boxes, and the two axes. */
#include "report_drawing.h"

#include <string.h>

#include "../support/text.h"

#define CUT_WIDTH 160                  /* tenths that a shortened stretch takes */
#define CUT_LEAST (60 * TT_SECOND)     /* shorter ones are drawn to scale */
#define CUT_MARGIN (2 * TT_SECOND)     /* kept to scale on both sides */

/* ---- pieces ---- */

void draw_length(struct sink *sink, int64_t tenths)
{
    if (tenths < 0) {
        sink_char(sink, '-');
        tenths = -tenths;
    }
    sink_unsigned(sink, (uint64_t)tenths / 10);
    if (tenths % 10) {
        sink_char(sink, '.');
        sink_unsigned(sink, (uint64_t)tenths % 10);
    }
}

static void put_attribute(struct sink *sink, const char *name, int64_t tenths)
{
    sink_char(sink, ' ');
    sink_text(sink, name);
    sink_text(sink, "=\"");
    draw_length(sink, tenths);
    sink_char(sink, '"');
}

static void put_class(struct sink *sink, const char *element, const char *kind)
{
    sink_char(sink, '<');
    sink_text(sink, element);
    sink_text(sink, " class=\"");
    sink_text(sink, kind);
    sink_char(sink, '"');
}

void draw_box(struct sink *sink, const char *kind, int64_t left, int64_t top, int64_t right, int64_t bottom)
{
    put_class(sink, "rect", kind);
    put_attribute(sink, "x", left);
    put_attribute(sink, "y", top);
    put_attribute(sink, "width", right > left ? right - left : 1);
    put_attribute(sink, "height", bottom > top ? bottom - top : 1);
    sink_text(sink, "/>\n");
}

void draw_line(struct sink *sink, const char *kind, int64_t x1, int64_t y1, int64_t x2, int64_t y2)
{
    put_class(sink, "line", kind);
    put_attribute(sink, "x1", x1);
    put_attribute(sink, "y1", y1);
    put_attribute(sink, "x2", x2);
    put_attribute(sink, "y2", y2);
    sink_text(sink, "/>\n");
}

void draw_text(struct sink *sink, const char *kind, const char *anchor, int64_t x, int64_t y)
{
    put_class(sink, "text", kind);
    put_attribute(sink, "x", x);
    put_attribute(sink, "y", y);
    if (strcmp(anchor, "start") != 0) {
        sink_text(sink, " text-anchor=\"");
        sink_text(sink, anchor);
        sink_char(sink, '"');
    }
    sink_char(sink, '>');
}

void draw_text_end(struct sink *sink)
{
    sink_text(sink, "</text>\n");
}

void draw_words(struct page *page, const char *text)
{
    text_html(page->sink, text, strlen(text));
}

/* ---- time ---- */

/* Marks the bucket's time as holding something. */
#define CELLS 4096
struct cells {
    int64_t width;
    bool used[CELLS];
};

static void use(struct cells *cells, int64_t from, int64_t to)
{
    for (int64_t i = from / cells->width; i <= to / cells->width; i++)
        if (i >= 0 && i < CELLS)
            cells->used[i] = true;
}

static void use_lane(struct cells *cells, const struct chart_lane *lane)
{
    for (int64_t i = 0; i < CHART_BUCKETS && lane->total; i++)
        if (lane->counts[i])
            use(cells, i * lane->width, (i + 1) * lane->width - 1);
}

static void use_all(struct cells *cells, const struct page *page)
{
    const struct report *report = page->report;
    for (uint32_t i = 0; i < report->followed_count; i++) {
        const struct report_followed *followed = &report->followed[i];
        for (int64_t j = 0; j < CHART_BUCKETS && followed->charted; j++) {
            const struct chart_bucket *bucket = &followed->track.buckets[j];
            if (bucket->samples)
                use(cells, bucket->first.x, bucket->last.x);
        }
        for (uint32_t j = 0; j < chart_states_kept(&followed->runs); j++) {
            const struct chart_run *run = chart_states_at(&followed->runs, j);
            use(cells, run->from, run->from);
            use(cells, run->to, run->to);
        }
    }
    for (uint32_t i = 0; i < report_notes_kept(report); i++) {
        const struct report_note *note = report_note_at(report, i);
        use(cells, note->x, note->x);
    }
    use_lane(cells, &report->lost);
    use_lane(cells, &report->broken);
    use_lane(cells, &report->missing);
    use_lane(cells, &report->refused);
}

static void add_cut(struct draw_time *time, int64_t from, int64_t to)
{
    if (to - from < CUT_LEAST || to - from < time->span / 12)
        return;
    from += CUT_MARGIN;
    to -= CUT_MARGIN;
    time->cuts[time->cut_count++] = (struct draw_cut){from, to};
    time->shown -= to - from;
}

void draw_time_of(struct draw_time *time, const struct page *page)
{
    struct cells cells;
    int64_t last = report_x(page->report, page->about->last_time, 0);
    memset(&cells, 0, sizeof cells);
    memset(time, 0, sizeof *time);
    if (page->report->latest_x > last)
        last = page->report->latest_x;
    time->span = time->shown = last > 0 ? last : 1;
    cells.width = time->span / CELLS + 1;
    use_all(&cells, page);
    int64_t free_from = 0;
    for (int64_t i = 0; i < CELLS && time->cut_count + 1 < DRAW_CUTS; i++) {
        if (!cells.used[i])
            continue;
        add_cut(time, free_from, i * cells.width);
        free_from = (i + 1) * cells.width;
    }
    add_cut(time, free_from, time->span);
    if (time->shown < 1)
        time->shown = 1;
}

int64_t draw_x(const struct draw_time *time, int64_t x)
{
    int64_t scaled = x < 0 ? 0 : x > time->span ? time->span : x, cuts = 0, out = 0;
    int64_t room = DRAW_RIGHT - DRAW_LEFT - (int64_t)time->cut_count * CUT_WIDTH;
    for (uint32_t i = 0; i < time->cut_count; i++) {
        const struct draw_cut *cut = &time->cuts[i];
        if (x <= cut->from)
            break;
        if (x < cut->to) {
            out += (int64_t)((tt_wide)(x - cut->from) * CUT_WIDTH / (cut->to - cut->from));
            cuts += x - cut->from;
            break;
        }
        out += CUT_WIDTH;
        cuts += cut->to - cut->from;
    }
    return DRAW_LEFT + out + (int64_t)((tt_wide)(scaled - cuts) * room / time->shown);
}

static bool inside_cut(const struct draw_time *time, int64_t x)
{
    for (uint32_t i = 0; i < time->cut_count; i++)
        if (x > time->cuts[i].from && x < time->cuts[i].to)
            return true;
    return false;
}

static void put_tick(struct sink *sink, int64_t x, int64_t step)
{
    int64_t minute = 60 * TT_SECOND, hour = 60 * minute;
    char text[TEXT_TIME_MAX];
    if (step >= hour && x > 0) {
        sink_unsigned(sink, (uint64_t)(x / hour));
        sink_text(sink, " h");
    } else if (step >= minute && x > 0) {
        sink_unsigned(sink, (uint64_t)(x / minute));
        sink_text(sink, " min");
    } else if (x == 0) {
        sink_text(sink, "0 s");
    } else {
        text_span(x, text);
        sink_text(sink, text);
    }
}

void draw_time_axis(struct page *page, const struct draw_time *time, int64_t top, int64_t y)
{
    static const int64_t steps[] = {
        TT_MS, 2 * TT_MS, 5 * TT_MS, 10 * TT_MS, 20 * TT_MS, 50 * TT_MS, 100 * TT_MS, 200 * TT_MS, 500 * TT_MS,
        TT_SECOND, 2 * TT_SECOND, 5 * TT_SECOND, 10 * TT_SECOND, 20 * TT_SECOND, 60 * TT_SECOND, 120 * TT_SECOND,
        300 * TT_SECOND, 600 * TT_SECOND, 1200 * TT_SECOND, 3600 * TT_SECOND, 2 * 3600 * TT_SECOND,
        6 * 3600 * TT_SECOND, 24 * 3600 * TT_SECOND};
    struct sink *sink = page->sink;
    int64_t step = steps[sizeof steps / sizeof steps[0] - 1];
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        if (time->shown / steps[i] <= 10) {
            step = steps[i];
            break;
        }
    }
    while (time->span / step > 1000) /* a record of years: no row of ticks without end */
        step *= 10;
    draw_line(sink, "axis", DRAW_LEFT, y, DRAW_RIGHT, y);
    int64_t last = -DRAW_WIDTH;
    for (int64_t x = 0; x <= time->span; x += step) {
        int64_t at = draw_x(time, x);
        if (inside_cut(time, x) || at - last < 480)
            continue;
        last = at;
        draw_line(sink, "grid", at, top, at, y + 40);
        draw_text(sink, "tick", "middle", at, y + 150);
        put_tick(sink, x, step);
        draw_text_end(sink);
    }
    for (uint32_t i = 0; i < time->cut_count; i++) {
        char text[TEXT_TIME_MAX];
        int64_t from = draw_x(time, time->cuts[i].from), to = draw_x(time, time->cuts[i].to);
        text_span(time->cuts[i].to - time->cuts[i].from, text);
        draw_box(sink, "cut", from, top, to, y);
        draw_text(sink, "tick", "middle", (from + to) / 2, y + 270);
        sink_text(sink, text);
        sink_text(sink, " left out");
        draw_text_end(sink);
    }
}

/* ---- values ---- */

int64_t draw_y(const struct draw_scale *scale, tt_wide numerator)
{
    tt_wide span = scale->high - scale->low, part = scale->high - numerator;
    while (span > (tt_wide)1 << 96) { /* drawn to a tenth: the bits that go here are not seen */
        span /= 2;
        part /= 2;
    }
    if (part < 0)
        part = 0;
    if (part > span)
        part = span;
    return scale->top + (int64_t)(part * (scale->bottom - scale->top) / (span > 0 ? span : 1));
}

/* number times 10^places, or false when it leaves its bounds. */
static bool power(tt_wide number, int places, tt_wide *out)
{
    for (int i = 0; i < places; i++)
        if (__builtin_mul_overflow(number, (tt_wide)10, &number))
            return false;
    *out = number;
    return true;
}

/* A step of 1, 2 or 5 times a power of ten that gives at most six lines; false when there is none (huge numbers). */
static bool step_of(const struct draw_scale *scale, struct ratio *step)
{
    struct ratio span;
    if (!ratio_make(scale->high - scale->low, scale->denominator, &span))
        return false;
    for (int exponent = -12; exponent <= 18; exponent++) {
        for (int digit = 1; digit <= 5; digit = digit == 1 ? 2 : digit == 2 ? 5 : 6) {
            tt_wide scaled, below;
            struct ratio six;
            if (!power(6 * digit, exponent > 0 ? exponent : 0, &scaled) ||
                !power(1, exponent < 0 ? -exponent : 0, &below) || !ratio_make(scaled, below, &six))
                return false;
            if (ratio_compare(span, six) <= 0)
                return ratio_make(scaled / 6, below, step);
        }
    }
    return false;
}

void draw_scale_axis(struct page *page, const struct draw_scale *scale)
{
    struct sink *sink = page->sink;
    struct ratio step, low, high;
    draw_line(sink, "axis", DRAW_LEFT, scale->top, DRAW_LEFT, scale->bottom);
    if (!step_of(scale, &step) || !ratio_make(scale->low, scale->denominator, &low) ||
        !ratio_make(scale->high, scale->denominator, &high))
        return;
    struct ratio count, inverse = {step.denominator, step.numerator};
    if (!ratio_multiply(low, inverse, &count))
        return;
    struct ratio number = {ratio_ceiling(count), 1}, at;
    for (int i = 0; i < 8; i++, number.numerator++) {
        tt_wide numerator;
        char text[RATIO_TEXT_MAX];
        bool exact;
        if (!ratio_multiply(number, step, &at) || ratio_compare(at, high) > 0 ||
            __builtin_mul_overflow(at.numerator, scale->denominator, &numerator))
            return;
        int64_t y = draw_y(scale, numerator / at.denominator);
        draw_line(sink, "grid", DRAW_LEFT, y, DRAW_RIGHT, y);
        draw_text(sink, "tick", "end", DRAW_LEFT - 60, y + 40);
        sink_put(sink, text, ratio_text(at, text, &exact));
        draw_text_end(sink);
    }
}
