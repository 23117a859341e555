/*
 * The definition files of a job folder, for commands that need names and no traces. A file with a `module:` of its own
 * is loaded; one without is a fragment that others include.
 */
#ifndef TT_JOB_DEFINITIONS_H
#define TT_JOB_DEFINITIONS_H

#include "../../definitions/loader.h"

/*
 * Loads JOB/definitions in the order of file names. Returns 0 or an exit code, told. *loaded says whether there was a
 * definition file at all; then definitions_free it, in every case.
 */
TT_MUST_USE int job_definitions_load(const char *job, struct diagnostics *diagnostics, struct definitions *definitions,
                                     bool *loaded);

#endif
