/*
 * A terminal as a page of lines: a screen of its own, whole lines drawn where they changed, keys one by one. The
 * control functions used are a handful of ECMA-48 (CUP, EL, ED, SGR 1 and 0) and the two private modes that every
 * terminal program of a Linux system knows (1049: a screen of its own; 25: the cursor). No colour is used at all.
 */
#ifndef TT_TERMINAL_H
#define TT_TERMINAL_H

#include <termios.h>

#include "buffer.h"
#include "support.h"

#define TERMINAL_ROWS_MAX 400u
#define TERMINAL_COLUMNS_MAX 1000u

struct terminal {
    bool on;               /* the screen is ours */
    bool keys;             /* and so is the keyboard */
    struct termios before; /* to be restored */
    unsigned columns, rows;
    struct buffer drawn[TERMINAL_ROWS_MAX]; /* what stands in each row */
    bool fresh;            /* nothing is known to stand there */
    uint8_t pending[64];   /* bytes of keys read and not yet given out */
    size_t pending_count;
};

/* Is stdout a terminal on which a page can be drawn (not TERM=dumb, TERM unset)? */
bool terminal_can_draw(void);

/*
 * Takes stdout, and stdin for keys when wants_keys and it is a terminal. Ctrl-C and Ctrl-Z come as keys then. Gives all
 * back on terminal_close, which is fine on a zeroed struct, and twice. False when the terminal refuses (errno).
 */
TT_MUST_USE bool terminal_open(struct terminal *terminal, bool wants_keys);
void terminal_close(struct terminal *terminal);

/* Looks at the size anew; true when it changed (then the next terminal_draw draws everything). */
bool terminal_resized(struct terminal *terminal);

/*
 * Draws rows (each a text without control characters, at most terminal->columns wide; count at most terminal->rows) and
 * empties the rest; strong[i]: in bold. One write(2). False when the terminal is gone.
 */
TT_MUST_USE bool terminal_draw(struct terminal *terminal, const char *const *rows, const bool *strong, unsigned count);

enum terminal_key { KEY_NONE = 0, KEY_ENTER = '\n', KEY_BACKSPACE = 0x7F, KEY_ESCAPE = 0x1B, KEY_INTERRUPT = 0x03,
                    KEY_GONE = -1 };
/*
 * The next key without waiting: KEY_NONE when there is none, KEY_GONE at the end of stdin, one of the others, or a
 * Unicode code point. Keys that send several characters (arrows) and bytes that are no UTF-8 are passed over.
 */
int terminal_key(struct terminal *terminal);

/* Columns that a clean UTF-8 text takes: 2 for wide East Asian characters, 0 for combining ones. */
size_t terminal_width(const char *text, size_t length);
/* The longest beginning of the text that takes at most columns: its bytes. Never cuts a character. */
size_t terminal_fit(const char *text, size_t length, size_t columns);

#endif
