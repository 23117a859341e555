/* SHA-256 (FIPS 180-4) by OpenSSL libcrypto, as a running sum over the same bytes that are decoded (D 5.3). */
#ifndef TT_DIGEST_H
#define TT_DIGEST_H

#include "support.h"

#define DIGEST_TEXT 65 /* 64 lower-case hex digits and NUL */

struct digest {
    void *context; /* EVP_MD_CTX, owned */
};

TT_MUST_USE bool digest_open(struct digest *digest);
TT_MUST_USE bool digest_add(struct digest *digest, const void *data, size_t length);
/* The sum as text; the digest can go on being fed afterwards (the sum so far). False on a failure of the library. */
TT_MUST_USE bool digest_text(const struct digest *digest, char out[DIGEST_TEXT]);
void digest_close(struct digest *digest);
/* Sum of one run of bytes. */
TT_MUST_USE bool digest_of(const void *data, size_t length, char out[DIGEST_TEXT]);

#endif
