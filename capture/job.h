/*
 * The job folder in the making (D 5): made under its final name, because it is alive from its first second on. Exact
 * copies of the definition files, one trace for each interface with its header, and an empty recorder.jsonl under an
 * exclusive lock (flock) that lasts as long as anything records. Everything is synced, and room is reserved.
 */
#ifndef TT_CAPTURE_JOB_H
#define TT_CAPTURE_JOB_H

#include "../definitions/loader.h"
#include "options.h"

#define JOB_LOG_ROOM (512u << 10)    /* bytes reserved ahead for recorder.jsonl: the end line must fit */
#define JOB_TRACE_LEAST (1u << 20)   /* a trace needs at least this much to begin with */
#define JOB_FILE_NAME (IFNAMSIZ + 16)

struct job {
    const char *path;  /* borrowed */
    int folder;        /* all descriptors are owned; -1 when not open */
    int log;
    int trace[BUSES_MAX];
    char name[BUSES_MAX][JOB_FILE_NAME]; /* "trace-can0.pcap" */
    unsigned trace_count;
    bool no_reserve;   /* this file system cannot reserve room */
};

/* Reads the definition files (nothing is written). 0, EXIT_BAD_INPUT or EXIT_CANNOT_OPEN, told. In every case free them
 * with definitions_free; without files they are empty. */
TT_MUST_USE int job_load_definitions(const struct options *options, struct definitions *definitions,
                                     struct diagnostics *diagnostics);
/* 0, or EXIT_CANNOT_CREATE / EXIT_WRITE_FAILED, told; nothing is left then. */
TT_MUST_USE int job_make(struct job *job, const struct options *options, const struct definitions *definitions,
                         struct diagnostics *diagnostics);
/* Removes what job_make made: for a start that failed before anything was recorded. */
void job_remove(struct job *job, const struct definitions *definitions);
void job_close(struct job *job);
/* Reserves the first `bytes` bytes of the file on disk without changing its length. 0 or errno. */
int job_reserve(int fd, uint64_t bytes);

#endif
