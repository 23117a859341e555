/*
 * report.html (D 9.7): the whole verdict with its evidence as one page for a person who was not there. A collector sees
 * the run as it goes (the same arguments as the callbacks of struct pipeline_listener) and keeps a bounded part of it:
 * of the readings that steps and conditions look at, the first, last, smallest and largest of each stretch of time and
 * every gap (report_chart.h); of everything else the first and last entries and a count, as log.jsonl has them all.
 * Then report_html writes the page. No script, nothing from outside; of the same inputs the same bytes (D 2.6).
 */
#ifndef TT_REPORT_HTML_H
#define TT_REPORT_HTML_H

#include "verdict_json.h"
#include "view.h"

struct report;

/* view is borrowed until report_close. NULL without memory. About 6 MiB at most, however long the record is. */
TT_MUST_USE struct report *report_open(const struct view *view);
/* Each is to be called for every event of its kind, in the order in which the pipeline emits them. None can fail. */
void report_message(struct report *report, const struct message *message); /* only abandoned ones are kept */
void report_exchange(struct report *report, const struct exchange_event *event, const struct service_content *content);
void report_reading(struct report *report, const struct reading_event *event);
void report_step(struct report *report, const struct step_event *event);
void report_fault(struct report *report, const char *stage, const char *reason, const struct frame *frame);
void report_event(struct report *report, const char *what, const struct frame *frame);
void report_recorded(struct report *report, const struct recorder_event *event, const struct frame *frame);

/* Puts the page. about is what verdict_json is given. Failures stay in the sink. */
void report_html(struct report *report, struct sink *sink, const struct verdict_about *about);
void report_close(struct report *report); /* NULL is fine */

#endif
