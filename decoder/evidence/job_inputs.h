/*
 * What a run is derived from: traces, definition files, marks, the recorder's log, and the few options that change what
 * comes out. Either named one by one on a command line (a bare trace, D 5.7) or found in a job folder (D 5), where all
 * of them lie under fixed names. Nothing here is ever written.
 */
#ifndef TT_JOB_INPUTS_H
#define TT_JOB_INPUTS_H

#include "../../definitions/loader.h"
#include "../pipeline.h"
#include "../stages/recorder_log.h"
#include "../stages/trace_inputs.h"
#include "job_options.h"

struct job_inputs {
    struct diagnostics *diagnostics;   /* borrowed */
    const char *path;                  /* of the job folder, for messages; borrowed; NULL for a bare trace */
    int fd;                            /* of the job folder; owned; -1 for a bare trace */
    struct trace_inputs traces;
    char **paths;                      /* of the traces, owned; NULL for a bare trace */
    uint32_t path_count;
    struct definitions definitions;
    bool definitions_loaded;
    struct marks marks;
    bool marks_loaded;                 /* there is a marks file */
    const char *marks_shown;           /* its name for messages; NULL: marks.jsonl */
    struct recorder_log recorder;
    bool recorded;                     /* there is a recorder.jsonl */
    bool sealed;                       /* MANIFEST.sha256 is there: nobody writes into the folder any more */
    bool redacted;                     /* redaction.json is there: a copy with things masked (redact.h) */
    bool growing;                      /* its recorder is still at work */
    struct job_options options;        /* of options.json; all unset when there is none */
};

/* How much a caller can live without. */
enum job_need {
    JOB_WHOLE,      /* verify, audit, report: a job that is still being recorded is refused */
    JOB_GROWING,    /* watch, list: what is there so far */
};

/* More on what is wanted; zeroed is fine. */
struct job_wish {
    const char *const *definitions; /* loaded from these paths instead of the folder's definitions/; count of them */
    size_t definition_count;
    const char *const *trace_names; /* of each trace, for messages, instead of its path; NULL */
    uint32_t trace_name_count;
};

/*
 * Opens the job folder at path. Returns 0, or an exit code, told: EXIT_CANNOT_OPEN (no folder, no trace in it),
 * EXIT_BAD_INPUT (a file of it that cannot be used; a job still being recorded under JOB_WHOLE), EXIT_OUR_FAULT. A
 * recorder log that is damaged is no failure: what it still proves is judged, and the rest is said (D 7.13). Close it in
 * every case.
 */
TT_MUST_USE int job_inputs_open(struct job_inputs *job, const char *path, enum job_need need,
                                struct diagnostics *diagnostics);
TT_MUST_USE int job_inputs_open_as(struct job_inputs *job, const char *path, enum job_need need,
                                   const struct job_wish *wish, struct diagnostics *diagnostics);
/* A job of nothing yet, for a bare trace: fill in traces, definitions, marks and options; job_inputs_close frees them. */
void job_inputs_bare(struct job_inputs *job, struct diagnostics *diagnostics);
/* The options that the inputs and what was said on the command line give a run; listener and progress are left out. */
void job_inputs_to_pipeline(struct job_inputs *job, struct pipeline_options *options);
/* Index from 1 of the bus that options.bus names ("can1"; a number for a bare trace), 0 without; told when there is
 * none of this name: EXIT_USAGE. */
TT_MUST_USE int job_inputs_bus(const struct job_inputs *job, uint32_t *bus);
/* Is path a folder (so that it is to be opened as a job)? */
bool job_inputs_is_folder(const char *path);
void job_inputs_close(struct job_inputs *job);

#endif
