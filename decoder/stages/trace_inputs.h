/*
 * What the user named, as a list of classic pcap inputs: each classic file is one, each interface of a pcapng is one
 * (D 4.3, 5.3); each becomes a bus of its own. And their records merged by time: smallest first, then in the order of
 * the list, never re-sorted within one input.
 */
#ifndef TT_TRACE_INPUTS_H
#define TT_TRACE_INPUTS_H

#include "trace_reader.h"

#define TRACE_INPUTS_MAX 64
#define TRACE_BUS_NAME 16 /* a Linux interface name with its NUL (IFNAMSIZ) */

struct trace_input {
    const char *name;       /* for messages: its path (borrowed), "standard input" */
    uint32_t trace;         /* index of the path it came from */
    int fd;                 /* owned, unless it is standard input */
    bool again;             /* can be read more than once */
    uint8_t start[4];       /* of an input that cannot: what was read of it already */
    size_t start_length;
    bool split;             /* one interface of a pcapng, in an unlinked temporary file... */
    uint32_t interface;     /* ...this one, by first appearance, from 0... */
    char interface_name[64]; /* ...as the file names it, "" when it does not */
    char bus[TRACE_BUS_NAME]; /* the recorder's name of its bus, "can0"; "": it is called by its number */
    char file[64];          /* its name in the job folder, "trace-can0.pcap"; "": trace-N.pcap by its place */
    bool continues;         /* same bus as the input before it, whose frames go on here (D 4.3, 5.1) */
    bool damaged;           /* the pcapng was damaged or cut behind its last packet: told */
};

struct trace_inputs {
    struct trace_input list[TRACE_INPUTS_MAX];
    uint32_t count;
    /* SHA-256 of each path that is a pcapng, by its index; "" for the others. */
    char original[TRACE_INPUTS_MAX][DIGEST_TEXT];
    struct diagnostics *diagnostics; /* borrowed */
};

/*
 * paths: count of them, borrowed until trace_inputs_close; "-" is standard input, once. Returns 0, EXIT_USAGE,
 * EXIT_CANNOT_OPEN, EXIT_BAD_INPUT, EXIT_WRITE_FAILED or EXIT_OUR_FAULT, told; then nothing is open. Only what pcapng
 * needs is looked at: whether a classic file is sound is told by its reader.
 */
TT_MUST_USE int trace_inputs_open(struct trace_inputs *inputs, const char *const *paths, uint32_t count,
                                  struct diagnostics *diagnostics);
/* A reader at the beginning of the input; see trace_reader_open_fd. An input that cannot be read again: once. */
TT_MUST_USE int trace_input_read(const struct trace_input *input, struct trace_reader *reader, bool hashing,
                                 struct diagnostics *diagnostics);
void trace_inputs_close(struct trace_inputs *inputs);

/* ---- merging ---- */

/* One bus: its file, or its files one behind the other. */
struct trace_merge_source {
    struct trace_reader reader; /* of the file at work */
    struct trace_record record; /* the next one, while status is TRACE_RECORD */
    enum trace_status status;
    uint32_t input, end;        /* index of that file; behind the last one of this bus */
};

/* How the reading of one file ended. */
struct trace_file_end {
    enum trace_status status;
    uint64_t good_length, records;
    char sha256[DIGEST_TEXT];   /* "" when not hashing, or when the sum could not be taken */
};

struct trace_merge {
    struct trace_merge_source *sources; /* owned; one for each bus */
    uint32_t count;
    struct trace_file_end *files;       /* owned; one for each input, filled in when it has ended */
    const struct trace_inputs *inputs;  /* borrowed */
    struct diagnostics *diagnostics;    /* borrowed */
    bool hashing, following;
    uint32_t current;  /* the source of the record given last */
    bool started;
    int64_t limit;     /* the others' earliest time, INT64_MAX when there is none: current goes on up to it... */
    bool first_at_limit; /* ...and at it */
};

/* Opens a reader for each bus. Returns 0 or what trace_input_read does. */
TT_MUST_USE int trace_merge_open(struct trace_merge *merge, const struct trace_inputs *inputs, bool hashing,
                                 struct diagnostics *diagnostics);
/*
 * Takes the first record of each source: before trace_merge_next, and after what is to be looked up in the readers.
 * Returns the earliest believable time, INT64_MIN without any.
 */
int64_t trace_merge_start(struct trace_merge *merge);
/* For files that grow: whether the run still follows them (trace_reader.following of each). */
void trace_merge_follow(struct trace_merge *merge, bool following);
/* After trace_merge_next gave NULL: asks every source that had only ended again. */
void trace_merge_again(struct trace_merge *merge);
/*
 * The file at work has ended (status is not TRACE_RECORD): goes on with the next one of this bus, if there is one; the
 * status is then TRACE_RECORD, with no record taken, or TRACE_READ_FAILED. trace_merge_next does it by itself; who reads
 * a source directly calls it. What is to be known of a file's end is in files[] then.
 */
TT_MUST_USE bool trace_merge_continue(struct trace_merge *merge, struct trace_merge_source *source);
/* Fills in files[] for the file at work. False when its sum could not be taken. */
TT_MUST_USE bool trace_merge_file_end(struct trace_merge *merge, struct trace_merge_source *source);
/* The next record of all; its source is merge->current. NULL when every source has ended; their status says how. */
const struct trace_record *trace_merge_next(struct trace_merge *merge);
void trace_merge_close(struct trace_merge *merge);

#endif
