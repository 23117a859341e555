/* What the tests of the outputs share: a memory sink, and a small hand-made model and message. */
#ifndef TT_TEST_SUPPORT_OUTPUTS_H
#define TT_TEST_SUPPORT_OUTPUTS_H

#include "view.h"

struct page_of {
    struct buffer memory;
    struct sink sink;
};
struct sink *page_open(struct page_of *page);
/* The text so far, with a NUL behind it; valid until page_close. */
const char *page_text(struct page_of *page);
void page_close(struct page_of *page);

#define MADE_START INT64_C(1772438400000000000) /* date -u -d 2026-03-02T08:00:00Z +%s, and nine zeros */

/* Readings: 0 "seat load.total" in kg over 10, 1 "lamp.off lamp" with states, 2 "vin.number" text, 3 "seat load.third"
 * over 3. */
extern const struct definitions made_definitions;
extern const int64_t made_start;
extern const struct view made_view;
/* 62 3c 40 and eight data bytes over a first and a consecutive frame: payload 0..5 at offset 100, 6..10 at offset 200.
 */
extern const struct message made_message;

#endif
