/* Marks held against the recorder's checkpoints (D 11.2). See marks.h. */
#include "marks.h"

#include <string.h>

#define EMPTY_SUM "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855" /* SHA-256 of nothing, FIPS 180-4 */

const char *mark_covered_text(enum mark_covered covered)
{
    static const char *const texts[] = {NULL, NULL, "stated afterwards", "written before its own time",
                                        "changed after the recorder had seen it"};
    return texts[covered];
}

bool marks_cover_begin(struct mark_cover *cover, struct marks *marks)
{
    *cover = (struct mark_cover){.marks = marks, .sha256 = EMPTY_SUM};
    return !marks || digest_open(&cover->digest);
}

/*
 * The sum of the first `bytes` bytes is this one. Lengths only grow; a file that was longer once has lost something.
 * *failed: the digest library did, so nothing is known.
 */
static bool agrees(struct mark_cover *cover, uint64_t bytes, const char *sha256, bool *failed)
{
    char sum[DIGEST_TEXT];
    if (!cover->marks)
        return bytes == 0;
    if (bytes < cover->hashed || bytes > cover->marks->length)
        return false;
    *failed = !digest_add(&cover->digest, cover->marks->bytes + cover->hashed, (size_t)(bytes - cover->hashed)) ||
              !digest_text(&cover->digest, sum);
    cover->hashed = bytes;
    return !*failed && strcmp(sum, sha256) == 0;
}

bool marks_cover(struct mark_cover *cover, int64_t time, uint64_t bytes, const char *sha256, int64_t late)
{
    if (bytes == cover->bytes && strcmp(sha256, cover->sha256) == 0)
        return true; /* nothing new since the checkpoint before */
    cover->bytes = bytes;
    memcpy(cover->sha256, sha256, sizeof cover->sha256);
    bool failed = false, good = !cover->changed && agrees(cover, bytes, sha256, &failed);
    if (failed)
        return false;
    cover->changed = cover->changed || !good;
    for (; cover->marks && cover->next < cover->marks->count && cover->marks->list[cover->next].end <= bytes;
         cover->next++) {
        struct mark *mark = &cover->marks->list[cover->next];
        if (!good)
            mark->covered = MARK_COVER_BROKEN;
        else if (time - mark->time > late)
            mark->covered = MARK_COVERED_LATE;
        else
            mark->covered = mark->time - time > late ? MARK_COVERED_EARLY : MARK_COVERED;
    }
    return true;
}

void marks_cover_end(struct mark_cover *cover)
{
    for (; cover->marks && cover->next < cover->marks->count; cover->next++)
        cover->marks->list[cover->next].covered = MARK_COVERED_LATE;
    if (cover->marks)
        digest_close(&cover->digest);
}
