/*
 * Lines of plain text: a label in the first column and a sentence beside it, wrapped between words at a width. Widths and
 * indents are columns, one for each character of UTF-8.
 */
#ifndef TT_TEXT_LINES_H
#define TT_TEXT_LINES_H

#include "../support/sink.h"

struct text_lines {
    struct sink *sink;    /* where lines go; borrowed. A line that no memory is left for sets its error. */
    unsigned width;       /* 0: lines are not wrapped */
    struct buffer memory; /* the line that is being put together; of the caller: buffer_init, buffer_free */
    struct sink line;
};

/* Begins a line: what is put to the sink it returns, lines->line, becomes its sentence. */
struct sink *text_lines_begin(struct text_lines *lines);
/* Ends it: label in the first column, the sentence from column indent on. */
void text_lines_end(struct text_lines *lines, const char *label, size_t indent);
/* A whole line; text is escaped for a terminal. */
void text_lines_put(struct text_lines *lines, const char *label, size_t indent, const char *text);

#endif
