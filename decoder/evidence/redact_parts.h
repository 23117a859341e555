/* What the files redact*.c share; nobody else includes it. */
#ifndef TT_REDACT_PARTS_H
#define TT_REDACT_PARTS_H

#include <stdio.h>

#include "../outputs/json.h"
#include "derive.h"
#include "job_folder.h"
#include "redact.h"
#include "redact_find.h"

#define REDACT_IDS_MAX 8192u /* different CAN ids, over all buses */

/* A CAN id that belongs to no address pair. */
struct redact_id {
    uint32_t bus, word;  /* word: DEF_ID_29 marks 29 bits */
    uint64_t frames;
    bool used, described; /* a broadcast that the definitions describe */
};

struct redacting {
    const struct redact_request *request;
    struct redact_result *result;
    struct diagnostics *diagnostics;
    struct secrets secrets;
    struct job_folder folder;       /* of the copy */
    char manifest_sha256[DIGEST_TEXT];
    struct job_inputs job;          /* the original */
    bool job_open;
    int copies[TRACE_INPUTS_MAX];   /* each trace of the copy, open for writing; -1 */
    FILE *drops[TRACE_INPUTS_MAX];  /* of each trace: record offset and number of the frames to leave out; unlinked */
    uint64_t drop_counts[TRACE_INPUTS_MAX];
    FILE *unclear[TRACE_INPUTS_MAX]; /* of each trace: records that are no frames, or may hold more than one; likewise */
    FILE *changes;                  /* struct redact_change, in order of file and frame; unlinked */
    uint64_t change_count;
    struct redact_id *ids;          /* owned; hash table of REDACT_IDS_MAX */
    uint32_t id_count;
    uint64_t other_frames;          /* of ids beyond that */
    struct frame current;           /* of an address pair: the one at work */
    bool writing;                   /* the second pass: values are known */
    bool no_memory;
    int error;                      /* errno of a failed write */
    char *marks;                    /* the copy's, owned; as long as the original's */
    bool marks_changed;
};

struct redact_drop {
    uint64_t offset, number;
    uint64_t end; /* in the file: of what the frame carries, a record's header at least */
};
struct redact_change {
    uint32_t file;
    uint64_t number, offset; /* in the original */
};

int redact_no_memory(struct redacting *redacting);
int redact_read_failed(struct redacting *redacting, const char *name, int error);
int redact_write_failed(struct redacting *redacting, const char *name, int error);
/* Told in one line; EXIT_BAD_INPUT. */
int redact_refuse(struct redacting *redacting, const char *format, ...) TT_PRINTF(2, 3);
const char *redact_trace_name(const struct redacting *redacting, uint32_t file);

/* redact_frames.c: both passes over the original. */
extern const struct pipeline_listener redact_listener; /* without its context */
/* Is this id of an address pair of the run? */
bool redact_is_examined(const struct redacting *redacting, uint32_t word);

/* redact_trace.c: the copies against the original, and without the frames to be left out. */
/* The first, and the next, entry of what waits in a temporary file (NULL: nothing). False at its end; a failed read
 * sets redacting->error, because what is not read back would stay unmasked or unnamed. */
bool redact_list_first(struct redacting *redacting, FILE *list, void *entry, size_t size);
bool redact_list_next(struct redacting *redacting, FILE *list, void *entry, size_t size);
TT_MUST_USE int redact_compare(struct redacting *redacting);
TT_MUST_USE int redact_drop_frames(struct redacting *redacting);
/* How many frames of this trace were left out up to and with this number. */
uint64_t redact_dropped_until(struct redacting *redacting, uint32_t file, uint64_t number);

/* redact_text.c: marks, recorder's log, definition files, and what else there may be to read. */
/* VINs and serial numbers that a person noted are values too. False without memory. */
TT_MUST_USE bool redact_collect_marks(struct redacting *redacting);
TT_MUST_USE int redact_marks(struct redacting *redacting);
TT_MUST_USE int redact_definitions(struct redacting *redacting);
TT_MUST_USE int redact_recorder(struct redacting *redacting);
/* Looks through every file of the copy, whatever made it, for the text of a value, also in hex digits. */
TT_MUST_USE int redact_search(struct redacting *redacting);
/* Masks every occurrence of a known text value, in small letters too. Whether there was one. */
bool redact_text(const struct redacting *redacting, char *text, size_t length);

#endif
