/*
 * marks.jsonl as it grows beside the recording: its length and SHA-256 go into each checkpoint, so that a mark made
 * later cannot be slipped in before (D 11.2). The file is others'; it is only read. It may not be there.
 */
#ifndef TT_CAPTURE_MARKS_FOLLOW_H
#define TT_CAPTURE_MARKS_FOLLOW_H

#include "../decoder/support/digest.h"

#define MARKS_MOST (16u << 20) /* bytes looked at; no person writes more */

struct marks_follow {
    uint64_t bytes;            /* as of the last look */
    char sha256[DIGEST_TEXT];  /* of these bytes */
};

/* No marks yet. False on a failure of the digest library. */
TT_MUST_USE bool marks_follow_begin(struct marks_follow *marks);
/*
 * Reads the file of that name in the folder again, all of it: it is small, and only so is a change of an early byte
 * seen. *changed becomes true when what was there before is not there as it was. False when it cannot be read; marks
 * then stays as it was.
 */
TT_MUST_USE bool marks_follow_look(struct marks_follow *marks, int folder, bool *changed);

#endif
