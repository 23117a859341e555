/*
 * What is masked in a redacted copy, and by what: the same mask for the same value everywhere, another one for another
 * value, so that whatever was equal or different stays so. Masks are counted up in the order in which the values first
 * appear; nothing of a value goes into its mask, so that none can be found again by trying (a hash could).
 *
 * A well-formed VIN becomes a well-formed one (ISO 3779), whose check character (49 CFR 565.15) is right where the
 * original's was and wrong where it was not. In other text, digits, capitals and small letters become such; blanks,
 * punctuation and padding stay. A seed of zeros means "already unlocked" (ISO 14229-1 SecurityAccess) and stays.
 */
#ifndef TT_REDACT_VALUES_H
#define TT_REDACT_VALUES_H

#include "../support/arena.h"

enum secret_kind { SECRET_VIN, SECRET_SERIAL, SECRET_SEED, SECRET_KEY };
#define SECRET_KINDS 4u
const char *secret_kind_text(enum secret_kind kind); /* "VIN", "serial number", "seed", "key" */

#define SECRETS_MAX 65536u            /* different values */
#define SECRETS_TEXT_MAX 4096u        /* of these VINs and serial numbers */
#define SECRETS_BYTES_MAX (8u << 20)

struct secret {
    enum secret_kind kind;
    uint32_t length;
    const uint8_t *bytes;
    uint8_t *mask;
};

struct secrets {
    struct arena arena;
    struct secret *list;       /* owned; in order of first appearance */
    uint32_t count;
    uint32_t *table;           /* owned; hash table of indices + 1 */
    uint32_t kinds[SECRET_KINDS]; /* how many of each */
    bool full;                 /* there are more than can be kept apart */
};

TT_MUST_USE bool secrets_open(struct secrets *secrets);
/* Notes a value; padding at its ends (00, FF, blank) is left off by secret_trim before. False without memory. */
TT_MUST_USE bool secrets_add(struct secrets *secrets, enum secret_kind kind, const uint8_t *bytes, uint32_t length);
const struct secret *secrets_find(const struct secrets *secrets, const uint8_t *bytes, uint32_t length);
/* Masks length bytes: by its mask; a part of a value that was cut off like the beginning of a known one, else by its
 * form alone. out may be bytes. */
void secrets_mask(const struct secrets *secrets, enum secret_kind kind, const uint8_t *bytes, uint32_t length,
                  uint8_t *out);
/* Takes padding off both ends. */
void secret_trim(const uint8_t **bytes, uint32_t *length);
/* Is it worth looking for anywhere? A short value would be found where it is none. */
bool secret_is_searched(const struct secret *secret);
/* Are the first length bytes (at most its own) of it these? In text, capitals and small letters are the same. */
bool secret_equals(const struct secret *secret, const uint8_t *bytes, uint32_t length);
/* Is it text that could stand in a file for people? */
bool secret_is_text(const struct secret *secret);
void secrets_close(struct secrets *secrets);

#endif
