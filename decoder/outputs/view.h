/*
 * What the outputs of one run need besides the object they are given: names, and the time from which seconds count.
 * Borrowed by every output for the whole run.
 */
#ifndef TT_VIEW_H
#define TT_VIEW_H

#include "../pipeline.h"
#include "row.h"

struct view {
    const struct definitions *definitions;   /* may be NULL */
    const struct pipeline *const *pipeline;  /* for names of bare pairs; may be NULL */
    const int64_t *start;                    /* time of the first frame (pipeline_result.first_time) */
    bool several;                            /* the run has more than one bus */
    bool fields;                             /* JSON exchanges carry `fields` (service_fields.h) */
    bool secrets; /* shows seeds and keys of SecurityAccess (D 8.6); else bytes end before them */
};

/* Name of a bus index: "1" (D 5.7). */
const char *view_bus_name(const struct view *view, uint32_t bus);
const char *view_module_name(const struct view *view, uint32_t module);
/* A reading's name: bare for the main module or when there is only one, else "module/name" (D 6.9). */
const char *view_reading_name(const struct view *view, const struct def_reading *reading);
/* Puts the name of a trace file in a job folder, "trace-can0.pcap", "trace-1.pcap": the name a bare trace came with
 * reaches no output. */
void view_put_file(const struct view *view, struct sink *sink, uint32_t file);

/* A frame as it came (D 9.2); wrong: of a record that is no frame, why; else NULL. */
void view_frame(const struct view *view, struct sink *sink, enum row_form form, const struct frame *frame,
                const char *wrong);
/* The four rows below are what JSON Lines, text and CSV listings and log.jsonl share (D 9.3). */
void view_message(const struct view *view, struct sink *sink, enum row_form form, const struct message *message);
void view_exchange(const struct view *view, struct sink *sink, enum row_form form, const struct exchange_event *event);
/* READING_VALUE only. */
void view_reading(const struct view *view, struct sink *sink, enum row_form form, const struct reading_event *event);
/* time, seconds, bus, first_frame, last_frame: the head of every row. Frame numbers 0 and a NULL bus
 * are put as null. */
void view_head(const struct view *view, struct row *row, const char *bus, int64_t time, uint64_t first_frame,
               uint64_t last_frame);

/* CSV header lines of the rows above, without line end. */
extern const char view_frame_columns[], view_message_columns[], view_exchange_columns[];

/* "outside the valid range", "no value", or NULL; exact false adds "rounded" where nothing else is to be said. */
const char *view_value_remark(const struct value *value, bool exact);

#endif
