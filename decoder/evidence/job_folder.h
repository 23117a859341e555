/*
 * A job folder in the making (D 5): everything is written under a temporary name beside the final one, synced, and then
 * given its name in one rename, so that a folder with the name that was asked for is a finished one. Whatever fails on
 * the way removes the temporary folder. Each failure is told once in diagnostics.
 */
#ifndef TT_JOB_FOLDER_H
#define TT_JOB_FOLDER_H

#include "../support/diagnostics.h"
#include "../support/digest.h"
#include "../support/sink.h"

/* Ends the name of what is not whole yet: of a folder with six letters behind it, of a file in a job as it is. */
#define JOB_UNFINISHED ".unfinished"

struct job_folder {
    struct diagnostics *diagnostics; /* borrowed */
    char *wanted, *temporary;        /* paths, owned */
    int fd;                          /* of the temporary folder, -1 when there is none */
    char made[32];                   /* the folder inside, "" when there is none */
};

/* Makes the temporary folder. 0, EXIT_CANNOT_CREATE (there is something with that name; no right to; ...) or
 * EXIT_OUR_FAULT. */
TT_MUST_USE int job_folder_begin(struct job_folder *folder, const char *path, struct diagnostics *diagnostics);
/* Opens name (may be "definitions/x.yaml") for writing. 0, or an exit code. */
TT_MUST_USE int job_folder_open(struct job_folder *folder, const char *name, struct sink *sink);
/* Syncs and closes a sink opened above. 0, or EXIT_WRITE_FAILED. */
TT_MUST_USE int job_folder_close(struct job_folder *folder, const char *name, struct sink *sink);
/* A folder inside. */
TT_MUST_USE int job_folder_make(struct job_folder *folder, const char *name);
/* Removes a file, or a folder with what is in it; nothing of this name is fine. */
void job_folder_remove(struct job_folder *folder, const char *name);
/* Gives what was written as `from` (a file, or a folder over an empty one) its name, and syncs. 0, EXIT_WRITE_FAILED. */
TT_MUST_USE int job_folder_rename(struct job_folder *folder, const char *from, const char *to);
/* Exactly these bytes as name. */
TT_MUST_USE int job_folder_put(struct job_folder *folder, const char *name, const void *bytes, size_t length);
/* Copies start (start_length bytes that were read from fd before) and what is left to read of fd (named source in
 * messages) as name, and takes the SHA-256 on the way. Ctrl-C ends it with EXIT_INTERRUPTED. */
TT_MUST_USE int job_folder_copy(struct job_folder *folder, const char *name, int fd, const char *source,
                                const void *start, size_t start_length, char sha256[DIGEST_TEXT]);
/* Gives the folder its name. Afterwards only job_folder_end is left. */
TT_MUST_USE int job_folder_finish(struct job_folder *folder);
/* Removes the temporary folder if it did not get its name, and frees. Fine on a zeroed folder with fd -1. */
void job_folder_end(struct job_folder *folder);

#endif
