/*
 * Where messages for people go. Text is never written to stderr at the spot: everything passes here, is counted, and
 * is escaped for a terminal (D 8.7). One message is one line "place: what; what to do", and for a text file also the
 * source line and a caret (D 6.2).
 */
#ifndef TT_DIAGNOSTICS_H
#define TT_DIAGNOSTICS_H

#include <stdarg.h>
#include <stdio.h>
#include "support.h"

enum severity { SEVERITY_ERROR, SEVERITY_WARNING, SEVERITY_REMARK };

struct diagnostics {
    FILE *out;                          /* borrowed; NULL counts only */
    uint64_t errors, warnings, remarks; /* counted even past most */
    bool errors_only;                   /* warnings and remarks are counted, not printed: they were told before */
    uint64_t most;                      /* printed messages at the most; 0 = 1000; then one line says so */
};

void diagnostics_init(struct diagnostics *diagnostics, FILE *out);

/* Says that memory ran out, and what to do; returns EXIT_OUR_FAULT (D 9.1). place may be NULL. */
int diagnostics_no_memory(struct diagnostics *diagnostics, const char *place);

/* Whether any error was printed by this process: what ends with a fault of our own must not end without a word. */
bool diagnostics_told(void);

/* One line "error: PLACE: ..." / "warning: ..." / "remark: ..."; place may be NULL. */
void diagnostics_say(struct diagnostics *diagnostics, enum severity severity, const char *place,
                     const char *format, ...) TT_PRINTF(4, 5);

/*
 * "error: FILE:LINE:COLUMN: ...", then the source line and a caret. line and column count from 1, columns in characters
 * (as libyaml's marks do, which count from 0). source: source_length bytes without NUL, or NULL for none; at most 160
 * bytes of it are shown, around the column.
 */
void diagnostics_at(struct diagnostics *diagnostics, enum severity severity, const char *file, size_t line,
                    size_t column, const char *source, size_t source_length, const char *format, ...) TT_PRINTF(8, 9);

/*
 * The name in names (count of them) nearest to text by edit distance (insert, delete, replace, swap neighbours; case
 * folded), if near enough to be a slip (distance <= 1 + length/4 and a character in common), else NULL; the first of
 * equals. NULL entries are passed over. For "did you mean".
 */
const char *diagnostics_nearest(const char *text, const char *const *names, size_t count);

#endif
