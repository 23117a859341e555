/* See digest.h. */
#include "digest.h"

#include <openssl/evp.h>

bool digest_open(struct digest *digest)
{
    EVP_MD_CTX *context = EVP_MD_CTX_new();
    digest->context = NULL;
    if (!context)
        return false;
    if (EVP_DigestInit_ex(context, EVP_sha256(), NULL) != 1) {
        EVP_MD_CTX_free(context);
        return false;
    }
    digest->context = context;
    return true;
}

bool digest_add(struct digest *digest, const void *data, size_t length)
{
    if (!digest->context)
        return false;
    return length == 0 || EVP_DigestUpdate(digest->context, data, length) == 1;
}

bool digest_text(const struct digest *digest, char out[DIGEST_TEXT])
{
    static const char hex[] = "0123456789abcdef";
    unsigned char sum[EVP_MAX_MD_SIZE];
    unsigned int length = 0;

    out[0] = '\0';
    if (!digest->context)
        return false;
    EVP_MD_CTX *copy = EVP_MD_CTX_new(); /* finishing a copy leaves the running sum open */
    bool good = copy && EVP_MD_CTX_copy_ex(copy, digest->context) == 1 &&
                EVP_DigestFinal_ex(copy, sum, &length) == 1 && length * 2 == DIGEST_TEXT - 1;
    EVP_MD_CTX_free(copy);
    if (!good)
        return false;
    for (unsigned int i = 0; i < length; i++) {
        out[2 * i] = hex[sum[i] >> 4];
        out[2 * i + 1] = hex[sum[i] & 15];
    }
    out[DIGEST_TEXT - 1] = '\0';
    return true;
}

void digest_close(struct digest *digest)
{
    EVP_MD_CTX_free(digest->context);
    digest->context = NULL;
}

bool digest_of(const void *data, size_t length, char out[DIGEST_TEXT])
{
    struct digest digest;
    out[0] = '\0';
    if (!digest_open(&digest))
        return false;
    bool good = digest_add(&digest, data, length) && digest_text(&digest, out);
    digest_close(&digest);
    return good;
}
