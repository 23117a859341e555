/*
 * Is this job folder the one that was sealed, by whom, and does what it says follow from what was recorded (D 11)? The
 * folder is hostile: no link in it is followed, nothing in it is written, memory does not depend on what it holds.
 *
 * The checks in order: what lies there against MANIFEST.sha256 and the hashes in it; the signature; the timestamp; the
 * recorder's log against itself, the traces, the marks and the definition files; and at last everything derived anew
 * and compared byte by byte. The last one is made only where none of the others found anything.
 */
#ifndef TT_AUDIT_H
#define TT_AUDIT_H

#include "derive.h"
#include "manifest.h"
#include "signature.h"
#include "token.h"

/* What a check found, the weightiest first: the answer is the first of those found (D 11.3). */
enum audit_answer {
    AUDIT_NOT_SEALED,
    AUDIT_CHANGED,
    AUDIT_MISSING,
    AUDIT_EXTRA,
    AUDIT_FEWER,          /* fewer checkpoints than recorded */
    AUDIT_CHAIN,          /* the recorder's log: chain broken */
    AUDIT_OTHER_KEY,
    AUDIT_TOKEN,          /* the timestamp is not one of this seal, or not of the given authority */
    AUDIT_NOT_REPRODUCED,
    AUDIT_OTHER_VERSION,  /* exit 2, as the next */
    AUDIT_SIGNER_UNKNOWN,
    AUDIT_PASSED,
};
const char *audit_answer_text(enum audit_answer answer); /* "not sealed", "passed", ... */
int audit_answer_exit(enum audit_answer answer);         /* 0, 1 or 2 (D 11.3) */

#define AUDIT_FINDINGS_MAX 40u
#define AUDIT_TEXT_MAX 700u
struct audit_finding {
    enum audit_answer answer;
    char text[AUDIT_TEXT_MAX]; /* may hold names as they are in the folder: escape it */
};

#define AUDIT_NOTES_MAX 24u

struct audit_request {
    const char *path;
    const struct signature_key *key; /* public; NULL: none was given */
    const char *token_ca;            /* PEM file of the timestamp's authority; NULL: not given */
    bool progress;
    struct diagnostics *diagnostics;
};

struct audit {
    enum audit_answer answer;
    struct audit_finding findings[AUDIT_FINDINGS_MAX]; /* in the order in which they were found */
    uint32_t count;
    uint64_t found;                  /* also those beyond the list */
    char proven[AUDIT_NOTES_MAX][AUDIT_TEXT_MAX]; /* what was checked and good: "whole", TAB, a sentence */
    uint32_t proven_count;
    char unproven[AUDIT_NOTES_MAX][AUDIT_TEXT_MAX]; /* what stays unproven all the same; filled when nothing was found
                                                     * but an unknown signer or another version */
    uint32_t unproven_count;
    char manifest_sha256[DIGEST_TEXT]; /* "" without one */
};

/*
 * Returns 0 with the answer, or an exit code, told, when it could not be carried out: EXIT_CANNOT_OPEN (no folder, no
 * right to read it), EXIT_WRITE_FAILED or EXIT_CANNOT_CREATE (no room for what is derived anew: a folder of its own in
 * $TMPDIR, or /tmp), EXIT_INTERRUPTED, EXIT_OUR_FAULT.
 */
TT_MUST_USE int audit_run(const struct audit_request *request, struct audit *audit);

#endif
