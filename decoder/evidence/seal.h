/*
 * Seals a job folder (D 11): log, readings, verdict and report are derived anew from trace, recorder log, marks and
 * definitions; MANIFEST.sha256 lists every file; MANIFEST.sha256.sig signs it.
 *
 * Half a seal cannot be left behind: the sealed folder is built whole under a temporary name beside the job, every file
 * and folder in it synced, and then the two folders change names in one step of the file system (renameat2 with
 * RENAME_EXCHANGE, so that there is no moment without a folder of that name); only then is the old one removed.
 * Whatever fails or breaks off before that step leaves the job as it was; after it, the sealed folder is whole. Traces
 * are not copied but linked, where the file system can; everything else is copied, so that a file that somebody still
 * has open is not written in the sealed folder. On file systems without that step the old folder is renamed first
 * (JOB.unsealed-...), then the new one: a crash in between leaves two whole folders with telling names.
 */
#ifndef TT_SEAL_H
#define TT_SEAL_H

#include "../support/diagnostics.h"
#include "signature.h"
#include "token.h"

struct seal_request {
    const char *path;                 /* of the job folder */
    const struct signature_key *key;  /* private */
    bool progress;                    /* a progress line on terminals */
    struct diagnostics *diagnostics;
};

struct seal_result {
    uint32_t files;                   /* listed in the manifest */
    char manifest_sha256[DIGEST_TEXT];
    uint8_t signature[SIGNATURE_BYTES];
    int verdict;                      /* exit code of the verdict that was sealed (D 7.12) */
};

/*
 * Returns 0, or an exit code, told in one line, and then nothing was changed: EXIT_CANNOT_OPEN (no folder, no trace),
 * EXIT_BAD_INPUT (sealed already, still being recorded, something in it that is no file or has a name that a manifest
 * cannot hold, inputs that cannot be judged), EXIT_CANNOT_CREATE, EXIT_WRITE_FAILED, EXIT_INTERRUPTED, EXIT_OUR_FAULT.
 */
TT_MUST_USE int seal_job(const struct seal_request *request, struct seal_result *result);

/*
 * The timestamp of a sealed job (RFC 3161; token.h). Its reply is the one file that is added to a sealed folder: it is
 * made over the signature, so the manifest cannot list it, and it changes nothing of what was sealed.
 * Exit codes as above; EXIT_CANNOT_CREATE when the file is there already.
 */
/* Writes the request over the job's signature into a new file. */
TT_MUST_USE int seal_token_request(const char *job, const char *file, struct diagnostics *diagnostics);
/* Takes an authority's reply into the folder; refused unless it is a timestamp over this job's signature, and, where ca
 * (a PEM file) is given, by an authority of it. *token says what it is. */
TT_MUST_USE int seal_token_take(const char *job, const char *file, const char *ca, struct diagnostics *diagnostics,
                                struct token *token);

#endif
