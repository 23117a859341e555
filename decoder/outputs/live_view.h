/*
 * The live view as lines of text (D 9.6): a state and a size in, at most that many rows of at most that many columns
 * out. Pure: the same state and size give the same lines. Where there is little room, what matters least goes first:
 * the signs' meaning, blank lines, the reasons of steps, steps far from the one at work; never the next thing to do.
 */
#ifndef TT_LIVE_VIEW_H
#define TT_LIVE_VIEW_H

#include "../support/buffer.h"
#include "../support/terminal.h"
#include "live_state.h"

struct live_page {
    const char *rows[TERMINAL_ROWS_MAX]; /* into text */
    bool strong[TERMINAL_ROWS_MAX];      /* to be shown in bold */
    unsigned count;
    struct buffer text; /* owned; kept from page to page */
};

void live_page_init(struct live_page *page);
/* Lays out state in columns x rows. False without memory (the page is then empty). */
TT_MUST_USE bool live_view(struct live_page *page, const struct live_state *state, unsigned columns, unsigned rows);
void live_page_free(struct live_page *page);

#endif
