/* See live_view.h. */
#include "live_view.h"

#include <stdlib.h>
#include <string.h>

#include "../support/sink.h"
#include "../support/text.h"
#include "live_ruler.h"
#include "live_words.h"

#define LINES_MAX 1024u
#define TEXT_MAX (1u << 20)
#define NEXT_INDENT 10u  /* the column in which sentences begin: behind "Next:" */
#define ROW_INDENT 16u   /* and behind a step's answer */
#define BAR 20u          /* cells of the steady clock's bar */
#define LEAST_COLUMNS 20u

/* A line: a text in the page's buffer. */
struct line {
    size_t at;
    bool strong;
};

/* Lines in the making. */
struct layout {
    struct buffer *text;
    struct line lines[LINES_MAX];
    unsigned count;
    unsigned columns, screen; /* of the page, and of the screen when that is narrower */
    bool failed;
    struct buffer memory; /* the sentence at hand */
    struct sink sink;
};

/* ---- lines ---- */

static struct sink *begin(struct layout *layout)
{
    buffer_clear(&layout->memory);
    if (!sink_open_memory(&layout->sink, &layout->memory))
        layout->failed = true;
    return &layout->sink;
}

static void append(struct layout *layout, const char *text, size_t length)
{
    if (!buffer_append(layout->text, text, length))
        layout->failed = true;
}

static void open_line(struct layout *layout, bool strong)
{
    if (layout->count < LINES_MAX)
        layout->lines[layout->count] = (struct line){layout->text->length, strong};
}

static void close_line(struct layout *layout)
{
    append(layout, "", 1); /* rows are texts that end with NUL */
    if (layout->count < LINES_MAX)
        layout->count++;
}

static void blank(struct layout *layout)
{
    open_line(layout, false);
    close_line(layout);
}

static void spaces(struct layout *layout, size_t count)
{
    while (count-- > 0)
        append(layout, " ", 1);
}

/*
 * Puts the sentence at hand behind a label, wrapped between words at the page's width; a word wider than a line is
 * cut into pieces. most: lines at the most, 0 for any number; what does not fit then ends with "...".
 */
static void end_sentence(struct layout *layout, const char *label, size_t indent, bool strong, unsigned most)
{
    if (!sink_close(&layout->sink))
        layout->failed = true;
    const char *at = layout->memory.length ? (const char *)layout->memory.data : "";
    size_t left = layout->memory.length, used, columns = layout->columns;
    if (indent + LEAST_COLUMNS > columns)
        indent = 0;
    open_line(layout, strong);
    append(layout, label, terminal_fit(label, strlen(label), columns));
    used = terminal_width(label, strlen(label));
    unsigned lines = 1;
    bool first = true; /* of the line */
    while (left > 0) {
        const char *space = memchr(at, ' ', left);
        size_t length = space ? (size_t)(space - at) : left, wide = terminal_width(at, length);
        size_t start = used < indent ? indent : used + (first ? 0 : 1);
        bool last_line = most && lines == most;
        /* Room for " ..." is kept on the last line that may be used, unless all of the rest fits on it. */
        size_t edge = last_line && start + terminal_width(at, left) > columns && columns > 8 ? columns - 4 : columns;
        bool fits = start + wide <= edge;
        if (!fits && (last_line || !(first && wide > columns - indent))) {
            if (last_line) {
                append(layout, " ...", used + 4 <= columns ? 4 : 0);
                break;
            }
            close_line(layout);
            open_line(layout, strong);
            used = 0;
            first = true;
            lines++;
            continue;
        }
        spaces(layout, start - used);
        if (!fits) { /* wider than a whole line */
            length = terminal_fit(at, length, columns > start ? columns - start : 1);
            wide = terminal_width(at, length);
            space = NULL;
        }
        append(layout, at, length);
        used = start + wide;
        first = false;
        at += length + (space ? 1 : 0);
        left -= length + (space ? 1 : 0);
        if (!fits && left > 0 && !last_line) {
            close_line(layout);
            open_line(layout, strong);
            used = 0;
            first = true;
            lines++;
        } else if (!fits) {
            break;
        }
    }
    close_line(layout);
}

/* ---- blocks ---- */

static void put_head(struct layout *layout, const struct live_state *state)
{
    live_words_head(begin(layout), state);
    end_sentence(layout, "", 0, false, 2);
    if (state->verdict->part_count > 1) {
        sink_format(begin(layout), "The record holds %llu vehicles or units; this is the last one.",
                    (unsigned long long)state->verdict->part_count);
        end_sentence(layout, "", 0, false, 1);
    }
    if (state->warning[0]) {
        text_terminal(begin(layout), state->warning, strlen(state->warning));
        end_sentence(layout, "Note:", NEXT_INDENT, true, 2);
    }
}

/* What is to be done now: an answer that is waited for, or the next step. */
static void put_next(struct layout *layout, const struct live_state *state)
{
    if (state->question) {
        struct sink *sink = begin(layout);
        text_terminal(sink, state->question, strlen(state->question));
        end_sentence(layout, "Answer:", NEXT_INDENT, true, 3);
    } else if (state->prompt) {
        text_terminal(begin(layout), state->prompt, strlen(state->prompt));
        end_sentence(layout, "Type:", NEXT_INDENT, true, 2);
        text_terminal(begin(layout), state->typed, strlen(state->typed));
        sink_char(&layout->sink, '_');
        end_sentence(layout, "", NEXT_INDENT, false, 3);
    } else if (state->condition != DEF_NONE) {
        const char *text = state->definitions->conditions[state->condition].text;
        struct sink *sink = begin(layout);
        sink_text(sink, "Is this so? \"");
        text_terminal(sink, text, strlen(text));
        sink_char(sink, '"');
        end_sentence(layout, "Answer:", NEXT_INDENT, true, 3);
    }
    if (!state->question && !state->prompt) {
        live_words_next(begin(layout), state);
        end_sentence(layout, "Next:", NEXT_INDENT, state->condition == DEF_NONE, 4);
    }
    live_words_lacks(begin(layout), state);
    if (layout->sink.written)
        end_sentence(layout, "So far:", NEXT_INDENT, false, 3);
    else
        (void)!sink_close(&layout->sink);
}

static void put_bar(struct sink *sink, const struct live_reading *shown)
{
    int64_t span = shown->step->steady_for;
    size_t full = shown->counts || span <= 0 ? BAR : (size_t)(shown->steady / 1000000 * BAR / (span / 1000000 + 1));
    sink_char(sink, '[');
    for (size_t i = 0; i < BAR; i++)
        sink_char(sink, i < full ? '#' : ' ');
    sink_text(sink, "] ");
}

static void put_reading(struct layout *layout, const struct live_state *state, bool legend)
{
    const struct live_reading *shown = &state->shown;
    if (!shown->step)
        return;
    struct sink *sink = begin(layout);
    text_terminal(sink, shown->reading->name, strlen(shown->reading->name));
    sink_text(sink, " = ");
    live_words_value(sink, shown);
    if (shown->step->is_count) {
        sink_text(sink, ", wanted: ");
        for (uint32_t i = 0; i < shown->step->is_count; i++) {
            sink_text(sink, i ? " or " : "");
            text_terminal(sink, shown->step->is[i], strlen(shown->step->is[i]));
        }
    }
    end_sentence(layout, "", 0, true, 1);
    live_ruler(begin(layout), shown, layout->columns);
    if (layout->sink.written) { /* drawn to the width: not wrapped */
        if (!sink_close(&layout->sink))
            layout->failed = true;
        open_line(layout, false);
        append(layout, (const char *)layout->memory.data, layout->memory.length);
        close_line(layout);
    } else {
        (void)!sink_close(&layout->sink);
        legend = false;
    }
    sink = begin(layout);
    live_words_clock(sink, state);
    bool clock = sink->written > 0;
    (void)!sink_close(sink);
    if (clock) {
        sink = begin(layout);
        if (live_words_clock_runs(shown))
            put_bar(sink, shown);
        live_words_clock(sink, state);
        end_sentence(layout, "", 0, false, 1);
    }
    if (legend) {
        live_ruler_legend(begin(layout), shown);
        end_sentence(layout, "", 0, false, 1);
    }
}

/* "NAME: ", behind what was answered; the reason is to follow. */
static struct sink *begin_row(struct layout *layout, const char *name)
{
    struct sink *sink = begin(layout);
    text_terminal(sink, name, strlen(name));
    sink_text(sink, ": ");
    return sink;
}

/* Conditions and steps, each in at most `most` lines (0: any number). Returns the first line of the step at work. */
static unsigned put_steps(struct layout *layout, const struct live_state *state, unsigned most)
{
    const struct definitions *definitions = state->definitions;
    const struct live_verdict *verdict = state->verdict;
    unsigned at_work = layout->count;
    if (!definitions || !verdict->there || verdict->mixed)
        return at_work;
    uint32_t current = live_current(verdict);
    for (uint32_t i = 0; i < verdict->condition_count; i++) {
        const struct live_condition *condition = &verdict->conditions[i];
        text_terminal(begin_row(layout, definitions->conditions[i].text), condition->reason, strlen(condition->reason));
        end_sentence(layout, vouched_text(condition->vouched), ROW_INDENT, i == state->condition, most);
    }
    for (uint32_t i = 0; i < verdict->step_count; i++) {
        const struct live_step *step = &verdict->steps[i];
        bool here = i == current && state->condition == DEF_NONE;
        if (i == current)
            at_work = layout->count;
        live_words_reason(begin_row(layout, definitions->steps[i].name), state, i);
        end_sentence(layout, live_words_answer(state, i), ROW_INDENT, here, most);
        if (step->gaps && most != 1) {
            sink_text(begin(layout), "within this, something was lost or doubtful: the verdict will name it");
            end_sentence(layout, "", ROW_INDENT, false, most);
        }
    }
    return at_work;
}

/* Spaces inside a key's explanation are put as this byte, which no text from outside can hold, so that it stays on one
 * line; it becomes a space at the end. */
#define GLUE '\x1f'

static void put_glued(struct layout *layout, char key, const char *what, bool last)
{
    sink_format(&layout->sink, "%c%c%c", key, GLUE, GLUE);
    for (; *what; what++)
        sink_char(&layout->sink, *what == ' ' ? GLUE : *what);
    if (!last)
        sink_format(&layout->sink, "%c%c ", GLUE, GLUE);
}

static void put_keys(struct layout *layout, const struct live_state *state)
{
    const char *label = "Keys:";
    bool asked = state->question || state->prompt || state->condition != DEF_NONE;
    for (uint32_t i = 0; i < state->key_count && !asked; i++) {
        if (!state->keys[i].moment)
            continue;
        sink_format(begin(layout), "%c%c%c", state->keys[i].key, GLUE, GLUE);
        live_words_key(&layout->sink, state, &state->keys[i]);
        end_sentence(layout, label, NEXT_INDENT, false, 2);
        label = "";
    }
    (void)begin(layout);
    if (state->prompt) {
        sink_text(&layout->sink, "Enter  note it   Esc  leave it");
    } else if (asked) {
        put_glued(layout, 'y', "yes", false);
        put_glued(layout, 'n', "no", state->question != NULL);
        sink_text(&layout->sink, state->question ? "" : "Enter  leave it unstated");
    }
    for (uint32_t i = 0; i < state->key_count && !asked; i++)
        if (!state->keys[i].moment)
            put_glued(layout, state->keys[i].key, state->keys[i].what, i + 1 == state->key_count);
    if (layout->sink.written)
        end_sentence(layout, label, NEXT_INDENT, false, 3);
    else
        (void)!sink_close(&layout->sink);
}

/* ---- the page ---- */

/* How much is left out, the least important first. */
struct thrift {
    unsigned most;   /* lines of one row; 0: any number */
    bool legend;
    unsigned blanks; /* blank lines: behind the head, before steps, reading, keys */
};
static const struct thrift thrifts[] = {{0, true, 4},  {2, true, 4},  {1, true, 4},  {1, true, 3},
                                        {1, false, 3}, {1, false, 2}, {1, false, 1}, {1, false, 0}};
#define THRIFT_COUNT (sizeof thrifts / sizeof thrifts[0])

/* Where the three blocks of the lines begin. */
struct blocks {
    unsigned steps, at_work, bottom;
};

static struct blocks lay_out(struct layout *layout, const struct live_state *state, const struct thrift *thrift)
{
    struct blocks blocks;
    buffer_clear(layout->text);
    layout->count = 0;
    put_head(layout, state);
    if (thrift->blanks >= 1)
        blank(layout);
    put_next(layout, state);
    if (thrift->blanks >= 3 && state->shown.step)
        blank(layout);
    put_reading(layout, state, thrift->legend);
    if (thrift->blanks >= 2)
        blank(layout);
    blocks.steps = layout->count;
    blocks.at_work = put_steps(layout, state, thrift->most);
    blocks.bottom = layout->count;
    if (thrift->blanks >= 4)
        blank(layout);
    if (state->said[0]) {
        text_terminal(begin(layout), state->said, strlen(state->said));
        end_sentence(layout, "Noted:", NEXT_INDENT, false, 2);
    }
    put_keys(layout, state);
    return blocks;
}

static void take_lines(struct live_page *page, const struct layout *layout, unsigned from, unsigned count,
                       unsigned rows)
{
    for (unsigned i = from; i < from + count && page->count < rows; i++) {
        char *text = (char *)layout->text->data + layout->lines[i].at;
        for (char *glue = strchr(text, GLUE); glue; glue = strchr(glue, GLUE))
            *glue = ' ';
        text[terminal_fit(text, strlen(text), layout->screen)] = '\0'; /* on a screen narrower than any page */
        page->rows[page->count] = text;
        page->strong[page->count++] = layout->lines[i].strong;
    }
}

/* What does not fit even then: of the steps those around the one at work, and of the rest what stands first. */
static void fill(struct live_page *page, const struct layout *layout, const struct blocks *blocks, unsigned rows)
{
    unsigned bottom = layout->count - blocks->bottom, steps = blocks->bottom - blocks->steps;
    unsigned room = rows > blocks->steps + bottom ? rows - blocks->steps - bottom : 0;
    unsigned shown = steps < room ? steps : room, from = blocks->steps;
    if (steps > shown) {
        unsigned before = blocks->at_work - blocks->steps, keep = shown / 3;
        unsigned skip = before > keep ? before - keep : 0;
        from += skip < steps - shown ? skip : steps - shown;
    }
    take_lines(page, layout, 0, blocks->steps, rows);
    take_lines(page, layout, from, shown, rows);
    for (unsigned i = page->count; i + bottom < rows; i++) { /* the keys stand at the foot of the page */
        page->rows[page->count] = "";
        page->strong[page->count++] = false;
    }
    take_lines(page, layout, blocks->bottom, bottom, rows);
}

void live_page_init(struct live_page *page)
{
    page->count = 0;
    buffer_init(&page->text, TEXT_MAX);
}

bool live_view(struct live_page *page, const struct live_state *state, unsigned columns, unsigned rows)
{
    struct layout *layout = calloc(1, sizeof *layout);
    struct blocks blocks = {0};
    page->count = 0;
    if (!layout)
        return false;
    buffer_init(&layout->memory, TEXT_MAX);
    layout->text = &page->text;
    layout->columns = columns < LEAST_COLUMNS ? LEAST_COLUMNS : columns;
    layout->screen = columns;
    layout->failed = false;
    rows = rows < TERMINAL_ROWS_MAX ? rows : TERMINAL_ROWS_MAX;
    for (size_t i = 0; i < THRIFT_COUNT; i++) {
        blocks = lay_out(layout, state, &thrifts[i]);
        if (layout->count <= rows)
            break;
    }
    bool good = !layout->failed;
    if (good)
        fill(page, layout, &blocks, rows);
    buffer_free(&layout->memory);
    free(layout);
    return good;
}

void live_page_free(struct live_page *page)
{
    buffer_free(&page->text);
}
