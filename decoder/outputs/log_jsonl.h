/*
 * log.jsonl (D 9.3): every exchange, reading, action, code, fault, mark and event, one JSON object a line, in the order
 * in which the record decides them; the last line, kind "end", names the traces with their hashes. docs/log.schema.json
 * describes every kind.
 */
#ifndef TT_LOG_JSONL_H
#define TT_LOG_JSONL_H

#include "view.h"

void log_message(const struct view *view, struct sink *sink, const struct message *message); /* abandoned ones */
void log_exchange(const struct view *view, struct sink *sink, const struct exchange_event *event,
                  const struct service_content *content); /* and its trouble codes */
void log_reading(const struct view *view, struct sink *sink, const struct reading_event *event);
void log_step(const struct view *view, struct sink *sink, const struct step_event *event);
/* A mark that stands nowhere (D 7.1), so that it is not lost from the log. */
void log_unbound_mark(const struct view *view, struct sink *sink, const struct mark *mark);
void log_fault(const struct view *view, struct sink *sink, const char *stage, const char *reason,
               const struct frame *frame);
void log_event(const struct view *view, struct sink *sink, const char *what, const struct frame *frame);

/* What the recorder noted: an event with its window of frames, count and detail. */
void log_recorded(const struct view *view, struct sink *sink, const struct recorder_event *event,
                  const struct frame *frame);
/* What the scan tool displayed, and what the bus said. */
void log_displayed(const struct view *view, struct sink *sink, const struct displayed *displayed);

/* One trace of a run, as verdict.json and the log's last line name it. */
struct trace_facts {
    uint32_t file;       /* index, frame.file */
    const char *name;    /* in the job folder: "trace-can0.pcap", "trace-1.pcap" */
    const char *sha256;
    uint64_t bytes;      /* up to the last whole record */
    uint64_t frames;
    enum trace_status status;
    const char *bus;     /* "can0", "1" */
    uint32_t bus_index;
    int64_t first_time, last_time; /* of its frames; 0 without */
    const char *original; /* one interface of a pcapng: SHA-256 of that file, and which one; else NULL */
    uint32_t interface;
    const char *interface_name; /* as the file says, "" when it does not */
};
const char *trace_ended_text(enum trace_status status); /* "whole", "torn", "damaged" */
/* passive and limits_fixed: as in verdict.json (D 2.1, 11.2). */
void log_end(struct sink *sink, const struct trace_facts *traces, uint32_t count, const char *passive,
             const char *limits_fixed);

#endif
