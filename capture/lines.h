/* The four kinds of line in recorder.jsonl, with their keys in order (trace_format.h has the names and texts). */
#ifndef TT_CAPTURE_LINES_H
#define TT_CAPTURE_LINES_H

#include "../definitions/model.h"
#include "clocks.h"
#include "events.h"
#include "link.h"
#include "log_lines.h"
#include "marks_follow.h"

/* What the first line says of one bus. */
struct start_bus {
    const struct link_facts *facts;
    const char *file;      /* name of its trace in the job */
    uint32_t buffer;       /* granted, bytes */
    uint32_t bears;        /* ms; 0 unknown */
};

/* What a checkpoint says of one bus. */
struct checkpoint_bus {
    const char *name;
    uint64_t bytes, frames;
    char sha256[DIGEST_TEXT];
    uint64_t socket_lost, controller_lost;
    bool listen_only, listen_only_known;
    uint64_t sent;
    bool sent_known;
};

/* Each returns false when the line could not be written (log->error). */
TT_MUST_USE bool lines_start(struct log *log, const struct clocks *now, bool filter, bool acknowledging_accepted,
                             const struct start_bus *buses, unsigned bus_count,
                             const struct definitions *definitions);
/* bus: its name, or NULL. */
TT_MUST_USE bool lines_event(struct log *log, const struct event *event, const char *bus);
TT_MUST_USE bool lines_checkpoint(struct log *log, uint64_t number, const struct clocks *now,
                                  const struct checkpoint_bus *buses, unsigned bus_count,
                                  const struct marks_follow *marks);
TT_MUST_USE bool lines_end(struct log *log, const char *why, const struct clocks *now,
                           const struct checkpoint_bus *buses, unsigned bus_count, const struct marks_follow *marks);

#endif
