/*
 * A timestamp over a seal (RFC 3161): proof by a third party that the signature, and so everything under it, was there
 * at a time. The request holds the SHA-256 of MANIFEST.sha256.sig, no nonce (the same bytes each time) and asks for the
 * authority's certificate. The reply lies beside the signature as MANIFEST.sha256.tsr; the manifest cannot list it.
 * All of it works offline; OpenSSL's `ts` command makes and checks the same files.
 */
#ifndef TT_TOKEN_H
#define TT_TOKEN_H

#include "../support/diagnostics.h"
#include "../support/text.h"
#include "signature.h"

#define TOKEN_BYTES_MAX (256u * 1024u) /* replies with a chain of certificates have a few KiB */
#define TOKEN_REQUEST_MAX 512u
#define TOKEN_WHO_MAX 160u

enum token_state {
    TOKEN_GOOD,      /* issued for this signature by an authority of the given certificates */
    TOKEN_UNKNOWN,   /* issued for this signature; no certificates were given to check by whom */
    TOKEN_UNREADABLE,
    TOKEN_REFUSED,   /* the reply says that no token was issued */
    TOKEN_OTHER,     /* a token over something else */
    TOKEN_FOREIGN,   /* not issued, or not correctly signed, by an authority of the given certificates */
};

struct token {
    enum token_state state;
    char time[TEXT_TIME_MAX];    /* UTC as the token has it, RFC 3339; "" where there is none. Proven by GOOD only */
    char why[TOKEN_WHO_MAX];     /* FOREIGN: OpenSSL's reason */
};

/* Writes the request over a signature. Its length, or 0 on a failure of the library. */
TT_MUST_USE size_t token_request(const uint8_t signature[SIGNATURE_BYTES], uint8_t request[TOKEN_REQUEST_MAX]);
/*
 * Looks at a reply, length bytes. ca: a PEM file with the certificates to trust, or NULL. 0 with token filled in;
 * EXIT_CANNOT_OPEN or EXIT_BAD_INPUT, told, when ca cannot be used; EXIT_OUR_FAULT.
 * The certificates are judged at the token's own time: a token stays good when they run out.
 */
TT_MUST_USE int token_check(const void *reply, size_t length, const uint8_t signature[SIGNATURE_BYTES], const char *ca,
                            struct diagnostics *diagnostics, struct token *token);

#endif
