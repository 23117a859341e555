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
    int64_t first_time, last_time; /* of the frames */
};

void verdict_json(struct sink *sink, const struct verdict_about *about);

#endif
