/*
 * The signature over a manifest: pure Ed25519 (RFC 8032 5.1) by OpenSSL libcrypto, 64 raw bytes over the bytes of the
 * file, as `openssl pkeyutl -sign -rawin` makes and `-verify -rawin` checks them. Keys are PEM: PKCS #8 (RFC 5958) and
 * SubjectPublicKeyInfo (RFC 8410). A key's fingerprint is the SHA-256 of its SubjectPublicKeyInfo in DER:
 *
 *     openssl pkey -pubin -in pub.pem -outform DER | sha256sum
 */
#ifndef TT_SIGNATURE_H
#define TT_SIGNATURE_H

#include "../support/diagnostics.h"
#include "../support/digest.h"

#define SIGNATURE_BYTES 64u

struct signature_key {
    void *key;                      /* EVP_PKEY, owned */
    char fingerprint[DIGEST_TEXT];
};

/*
 * Reads a private key. 0, EXIT_CANNOT_OPEN, or EXIT_BAD_INPUT with one line told: no regular file, others can read it
 * (any permission for group or others), no PEM, protected by a passphrase, a public key, another type than Ed25519.
 * A key that was refused is not kept; freeing it all the same does no harm.
 */
TT_MUST_USE int signature_private(struct signature_key *key, const char *path, struct diagnostics *diagnostics);
/* Reads a public key; a private one is refused, for it has no business where a job is checked. Else as above. */
TT_MUST_USE int signature_public(struct signature_key *key, const char *path, struct diagnostics *diagnostics);
/* The 32 raw bytes of a public key (RFC 8032 5.1.2), for tests. */
TT_MUST_USE bool signature_public_raw(struct signature_key *key, const uint8_t raw[32]);
TT_MUST_USE bool signature_private_raw(struct signature_key *key, const uint8_t raw[32]);

/* False on a failure of the library. */
TT_MUST_USE bool signature_make(const struct signature_key *key, const void *bytes, size_t length,
                                uint8_t signature[SIGNATURE_BYTES]);
/* Is signature (signature_length bytes; only 64 can be one) key's over these bytes? A library failure is no. */
TT_MUST_USE bool signature_good(const struct signature_key *key, const void *bytes, size_t length,
                                const uint8_t *signature, size_t signature_length);
void signature_key_free(struct signature_key *key);

#endif
