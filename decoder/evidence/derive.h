/*
 * Everything that follows from a job's inputs: readings.csv, log.jsonl, verdict.json and report.html (D 5), the same
 * bytes of the same inputs on every machine (D 2.6). Used by verify (printing only, into a new folder, into the job
 * itself), report, audit (into a temporary folder, held against what is there) and redact.
 *
 *     struct job_inputs job;
 *     struct derived derived;
 *     int code = job_inputs_open(&job, "JOB", JOB_WHOLE, &diagnostics);
 *     if (!code)
 *         code = derive_run(&(struct derive_request){.job = &job, .folder = temporary_fd}, &derived);
 *     ... derived.about.verdict->exit_code, readings.csv and the others in the folder ...
 *     derived_free(&derived);
 *     job_inputs_close(&job);
 */
#ifndef TT_DERIVE_H
#define TT_DERIVE_H

#include "../outputs/verdict_json.h"
#include "job_inputs.h"

/* The names of the derived files, in the order in which they get them; NULL behind the last. */
extern const char *const derived_names[];

struct derive_request {
    struct job_inputs *job;  /* open; borrowed until derived_free (its marks get their places) */
    int folder;              /* the files go there; -1: nothing is written */
    bool only_report;        /* writes report.html alone (D 9 `report`) */
    bool progress;           /* a progress line on terminals */
    /* Told of everything too, before the files get it; may be NULL. A listener that needs names takes them from
     * `derived->pipeline`, which is set before its first call. */
    const struct pipeline_listener *listener;
};

struct derived {
    struct pipeline *pipeline;       /* for names; owned */
    struct pipeline_result result;
    struct trace_facts facts[TRACE_INPUTS_MAX];
    char passive[RECORDER_PASSIVE_MAX];
    char (*notes)[RECORDER_NOTE_MAX]; /* owned */
    struct verdict_about about;      /* what verdict_json, verdict_text and report_html take; valid until derived_free */
};

/*
 * Reads the traces once through all stages. Files are written under temporary names, synced, and renamed when all of
 * them are whole: a run that fails leaves the old ones as they were. Returns 0 (the verdict is derived->about.verdict,
 * its exit code in it), or an exit code of D 9.1, told: also EXIT_INTERRUPTED after Ctrl-C. Free derived in every case.
 */
TT_MUST_USE int derive_run(const struct derive_request *request, struct derived *derived);
/* How the outputs see such a run; it points into both. Also for a listener's own outputs, before derive_run. */
struct view derived_view(const struct derived *derived, const struct job_inputs *job);
void derived_free(struct derived *derived);

#endif
