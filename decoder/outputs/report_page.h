/*
 * What the files that write the report share (report_html.h): escaped text, values, times and frames as they are shown,
 * and the parts of the page in their order. Everything goes to page->sink; failures stay in it.
 */
#ifndef TT_REPORT_PAGE_H
#define TT_REPORT_PAGE_H

#include "report_collect.h"

#define PAGE_NOTES_SHOWN 60u /* rows of the list beside the chart */

struct page {
    struct sink *sink;
    const struct report *report;
    const struct verdict_about *about;
    const struct definitions *definitions;
    uint32_t tables; /* so far: their captions' ids are told apart by it */
};

/* ---- text (report_page.c) ---- */

/* Markup of ours, as it stands. */
static inline void page_put(struct page *page, const char *markup)
{
    sink_text(page->sink, markup);
}
/* Text from bus, marks or definition files: escaped, and kept from reordering what stands beside it. */
void page_text(struct page *page, const char *text);
void page_text_of(struct page *page, const void *text, size_t length);
/* The same with a capital first letter, for sentences of ours. */
void page_sentence(struct page *page, const char *text);
void page_number(struct page *page, uint64_t number);
/* "3 frames": number and noun, the plural by an s. */
void page_count(struct page *page, uint64_t number, const char *noun);
/* "once", "twice", "3 times" */
void page_times(struct page *page, uint64_t number);
/* Value with its unit, exact or marked as rounded. */
void page_value(struct page *page, tt_wide numerator, const struct def_reading *reading);
void page_ratio(struct page *page, struct ratio value, const char *unit);
/* "12.345 s" since the first frame, exact; and with the time of day. */
void page_seconds(struct page *page, int64_t time);
void page_time(struct page *page, int64_t time);
/* A length of time, rounded for reading. */
void page_span(struct page *page, int64_t span);
/* "72 to 125", "69"; a dash for none. */
void page_frames(struct page *page, uint64_t first, uint64_t last);
void page_frames_on(struct page *page, uint32_t bus, uint64_t first, uint64_t last); /* of several buses: names it */
void page_frames_word(struct page *page, uint32_t bus, uint64_t first, uint64_t last); /* "frames 72 to 125" */
/* Hex in pairs; of more than REPORT_BYTES the first ones and how many there are. */
void page_bytes(struct page *page, const uint8_t *bytes, uint32_t kept, uint32_t length);
/* Where a sample's record stands in its trace file. */
void page_place(struct page *page, uint32_t file, uint64_t offset);
const char *page_trace_file(struct page *page, uint32_t file, char out[PIPELINE_FILE_NAME]);

/* A table: caption, then column heads separated by "|". narrow: two columns whose first holds row heads. */
void page_table(struct page *page, const char *caption, const char *heads);
void page_table_end(struct page *page);
/* "and 12 more, all in log.jsonl" as a paragraph; nothing for 0. */
void page_more(struct page *page, uint64_t more, const char *what);

/* The answer as a badge: a word in a box whose border tells it apart without colour. */
void page_answer(struct page *page, enum step_answer answer);

/* The codes that an answer lists, with their status; of a count the number. */
void page_code_list(struct page *page, uint32_t module, const uint8_t *bytes, uint32_t length);

/* What an action did, in words: "zero point: start refused (conditionsNotCorrect)". */
void page_action(struct page *page, const struct report_note *note);

/* ---- parts of the page ---- */

void page_opening(struct page *page);       /* report_opening.c: the first sentences */
void page_chart(struct page *page);         /* report_drawing.c */
void page_timeline(struct page *page);      /* report_timeline.c: the list beside the chart, and refused tries */
void page_refusals(struct page *page);
void page_steps(struct page *page);         /* report_steps.c */
void page_conditions(struct page *page);    /* report_conditions.c */
void page_zero(struct page *page);
void page_displayed(struct page *page);
void page_codes(struct page *page);         /* report_tables.c */
void page_losses(struct page *page);
void page_identities(struct page *page);
void page_files(struct page *page);
void page_claims(struct page *page);

/* The attempt of a part that counts: its last; NULL when none is kept. */
const struct attempt_result *page_last_attempt(const struct verdict *verdict, uint32_t part);

#endif
