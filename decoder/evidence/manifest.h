/*
 * MANIFEST.sha256 (D 5, 11): a line for every other file of a job folder, as `sha256sum` prints and `sha256sum -c`
 * reads them, sorted bytewise by name:
 *
 *     <64 lower-case hex digits> <space> <space> <name> <line feed>
 *
 * Names are those of folder_name_fault. What a file brings is hostile: anything else is refused, each with a reason of
 * its own, although `sha256sum -c` takes some of it (upper-case digits, CR LF, `*`, lines twice, `..`, escaped names).
 */
#ifndef TT_MANIFEST_H
#define TT_MANIFEST_H

#include "../support/sink.h"
#include "folder.h"

#define MANIFEST_NAME "MANIFEST.sha256"
#define MANIFEST_SIGNATURE_NAME "MANIFEST.sha256.sig"
#define MANIFEST_TOKEN_NAME "MANIFEST.sha256.tsr" /* a timestamp over the signature: made after it, so not listed */
#define MANIFEST_BYTES_MAX (FOLDER_ENTRIES_MAX * (64u + 3u + FOLDER_NAME_MAX))

struct manifest_line {
    char sha256[DIGEST_TEXT];
    const char *name;
    struct folder_stamp stamp;  /* of the file when it was hashed */
};

struct manifest {
    struct arena arena;
    struct manifest_line *list; /* sorted bytewise by name */
    uint32_t count;
};

enum manifest_fault {
    MANIFEST_GOOD,
    MANIFEST_NO_MEMORY,
    MANIFEST_EMPTY,
    MANIFEST_TOO_LONG,          /* lines, or bytes */
    MANIFEST_CUT,               /* the last line has no line feed */
    MANIFEST_CARRIAGE_RETURN,
    MANIFEST_NUL,
    MANIFEST_ESCAPED,           /* begins with a backslash: a name with a line feed or backslash in it */
    MANIFEST_NOT_HEX,           /* no 64 hex digits */
    MANIFEST_UPPER_CASE,
    MANIFEST_NO_SPACES,         /* not two spaces behind the digits */
    MANIFEST_BAD_NAME,
    MANIFEST_LISTS_ITSELF,      /* or its signature, or token */
    MANIFEST_TWICE,
    MANIFEST_UNSORTED,
};

/* Where and what was wrong. */
struct manifest_mistake {
    enum manifest_fault fault;
    uint32_t line;              /* from 1; 0: the file as a whole */
    const char *text;           /* static; ends a sentence */
};

/* Reads a manifest's bytes. False with what is wrong in *mistake. Free the manifest in every case. */
TT_MUST_USE bool manifest_read(struct manifest *manifest, const void *bytes, size_t length,
                               struct manifest_mistake *mistake);
/* The manifest of a folder's files that are listed in it, hashes not yet taken. False without memory. */
TT_MUST_USE bool manifest_of(struct manifest *manifest, const struct folder_list *files);
/* Is this one of the files that stand outside: manifest, signature, token? */
bool manifest_is_seal(const char *name);
const struct manifest_line *manifest_find(const struct manifest *manifest, const char *name);
void manifest_write(const struct manifest *manifest, struct sink *sink);
void manifest_free(struct manifest *manifest);

#endif
