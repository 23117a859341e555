/*
 * Drawing in SVG with whole numbers only: coordinates are tenths of a user unit, so every machine writes the same
 * digits. The pieces that the chart (report_drawing.c) is made of.
 */
#ifndef TT_REPORT_DRAWING_H
#define TT_REPORT_DRAWING_H

#include "report_page.h"

/* All in tenths of a user unit. */
#define DRAW_WIDTH 7600
#define DRAW_LEFT 1040  /* of the plots; what stands left of it are labels */
#define DRAW_RIGHT 7480
#define DRAW_LANE 240   /* height of a lane */

/* "12.3" from 123. */
void draw_length(struct sink *sink, int64_t tenths);
/* x="" y="" width="" height="" of a rectangle with at least one tenth each way. */
void draw_box(struct sink *sink, const char *kind, int64_t left, int64_t top, int64_t right, int64_t bottom);
void draw_line(struct sink *sink, const char *kind, int64_t x1, int64_t y1, int64_t x2, int64_t y2);
/* anchor: "start", "middle", "end". Opens a text element; put the text, then draw_text_end. */
void draw_text(struct sink *sink, const char *kind, const char *anchor, int64_t x, int64_t y);
void draw_text_end(struct sink *sink);
/* Text from bus or files inside a text element: escaped; the style sheet keeps it from reordering its neighbours. */
void draw_words(struct page *page, const char *text);

/* Time against the plot's width. Long stretches in which nothing was noted or read are shortened, and shown as such. */
#define DRAW_CUTS 16
struct draw_time {
    int64_t span;              /* ns drawn, at least 1 */
    struct draw_cut {
        int64_t from, to;      /* x of the shortened stretch */
    } cuts[DRAW_CUTS];         /* ascending */
    uint32_t cut_count;
    int64_t shown;             /* ns drawn to scale: span less what the cuts take out */
};
void draw_time_of(struct draw_time *time, const struct page *page);
/* Tenths from the left edge of the picture. */
int64_t draw_x(const struct draw_time *time, int64_t x);
/* The axis below the plots, at y, with its grid from top on; and what is left out. */
void draw_time_axis(struct page *page, const struct draw_time *time, int64_t top, int64_t y);

/* A number against the plot's height, for drawing only: nothing is judged by it. */
struct draw_scale {
    tt_wide low, high;   /* numerators at the lower and upper edge */
    tt_wide denominator;
    int64_t top, bottom; /* tenths */
};
int64_t draw_y(const struct draw_scale *scale, tt_wide numerator);
/* The lanes (report_lanes.c): how much height they need, and drawing them from y on; the y below them. */
int64_t draw_lanes_height(const struct report *report);
int64_t draw_lanes(struct page *page, const struct draw_time *time, int64_t y);
/* Grid lines and their numbers. */
void draw_scale_axis(struct page *page, const struct draw_scale *scale);

#endif
