/*
 * verdict.json (D 9.5): the whole verdict with its evidence, as one JSON document of format VERDICT_FORMAT, described
 * by docs/verdict.schema.json. Of the same inputs it has the same bytes on every machine (D 2.6).
 */
#ifndef TT_VERDICT_JSON_H
#define TT_VERDICT_JSON_H

#include "../stages/verdict.h"
#include "log_jsonl.h"

#define VERDICT_FORMAT 1

/* What a verdict is about; all borrowed. */
struct verdict_about {
    const struct verdict *verdict;
    const struct definitions *definitions;
    const struct marks *marks; /* may be NULL */
    const struct trace_facts *traces;
    uint32_t trace_count;
    uint32_t bus;              /* what was judged: this bus, from 1; 0: all */
    const char *bus_name;      /* of that bus, "can1"; NULL: all */
    const struct displayed_list *displayed; /* may be NULL */
    const char *passive;       /* "yes", "until frame 120 on can1", "not proven" (D 2.1) */
    const char *limits_fixed;  /* "yes", "no", "unknown" (D 11.2) */
    bool recorded;             /* the recorder's log stands beside the traces */
    bool took_part;            /* the recorder acknowledged on the bus: said first of all (D 10.3) */
    char (*record_notes)[RECORDER_NOTE_MAX]; /* what the record lacks or says, a sentence each, without full stop */
    uint32_t record_note_count;
    int64_t stamp_uncertainty; /* ns (D 8.5) */
    int64_t first_time, last_time; /* of the frames */
};

/* Name of a bus index; "" when no trace is of it. */
const char *verdict_bus_name(const struct verdict_about *about, uint32_t bus);
void verdict_json(struct sink *sink, const struct verdict_about *about);

#endif
