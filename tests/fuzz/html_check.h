/* A page of ours looked through (D 8.7, 9.7): well-formed as far as a small reader of tags goes, no script, no event
 * attributes, nothing from outside, no control bytes, valid UTF-8. Ends the process when something is in it. */
#ifndef TT_HTML_CHECK_H
#define TT_HTML_CHECK_H

#include <stddef.h>

/* text: length bytes with a NUL behind them. */
void html_check(const char *text, size_t length);

#endif
