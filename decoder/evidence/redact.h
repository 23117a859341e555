/*
 * A copy of a sealed job that can be shown to others: VIN, serial numbers, seeds and keys are masked alike in frames,
 * marks and everything derived (redact_values.h); lengths, times and frame numbers stay, and so do the answers of all
 * steps and conditions, which is checked before the copy gets its name. redaction.json in the copy names the sealed
 * original by the SHA-256 of its MANIFEST.sha256, every frame that was changed, and every CAN id that was not examined.
 *
 * Examined are the address pairs of the run; everything else on the bus is carried over as it is, or, with only_pairs,
 * left out (broadcasts that the definitions describe stay). The recorder's log is written anew, since its sums are over
 * the trace: it is as good as the word of whoever made the copy, which its own seal can carry.
 */
#ifndef TT_REDACT_H
#define TT_REDACT_H

#include "../support/diagnostics.h"
#include "redact_values.h"

struct redact_request {
    const char *path;      /* of the sealed job */
    const char *into;      /* of the copy to be made */
    bool only_pairs;
    bool progress;
    struct diagnostics *diagnostics;
};

struct redact_result {
    uint32_t kinds[SECRET_KINDS]; /* different values masked */
    uint64_t frames;              /* changed */
    uint64_t dropped;             /* left out */
    uint32_t ids;                 /* not examined, and carried over or left out */
    uint32_t files_left_out;
    int verdict;                  /* exit code of the verdict, the same as the original's */
};

/*
 * Returns 0, or an exit code, told in one line, and then there is no copy: EXIT_CANNOT_OPEN, EXIT_BAD_INPUT (not
 * sealed, or not as it was sealed: audit; a value to be masked in a definition file or hidden by escapes in a mark;
 * answers that would change), EXIT_CANNOT_CREATE, EXIT_WRITE_FAILED, EXIT_INTERRUPTED, EXIT_OUR_FAULT.
 */
TT_MUST_USE int redact_job(const struct redact_request *request, struct redact_result *result);

#endif
