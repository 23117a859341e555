/* See signature.h. */
#define _POSIX_C_SOURCE 200809L
#include "signature.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <openssl/bio.h>
#include <openssl/crypto.h>
#include <openssl/err.h>
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <openssl/x509.h>

#define PEM_MAX 65536u

/* ---- reading PEM files ---- */

struct pem {
    const char *path;
    struct diagnostics *diagnostics;
    size_t length;
    char bytes[PEM_MAX + 1]; /* a private key: wiped when done */
};

static int refuse(const struct pem *pem, const char *what)
{
    ERR_clear_error();
    diagnostics_say(pem->diagnostics, SEVERITY_ERROR, pem->path, "%s", what);
    return EXIT_BAD_INPUT;
}

static int cannot_read(const struct pem *pem, int error)
{
    diagnostics_say(pem->diagnostics, SEVERITY_ERROR, pem->path, "cannot be read: %s; check path and rights",
                    strerror(error));
    return EXIT_CANNOT_OPEN;
}

/* Private keys must be nobody else's to read: whoever has one can seal in its owner's name. */
static int check_mode(const struct pem *pem, const struct stat *facts, bool secret)
{
    if (!S_ISREG(facts->st_mode))
        return refuse(pem, "is no file; name the PEM file with the key");
    if (!secret || (facts->st_mode & 077) == 0)
        return 0;
    diagnostics_say(pem->diagnostics, SEVERITY_ERROR, pem->path,
                    "can be used by others than its owner (mode %04o), and whoever has the private key can seal in the "
                    "owner's name; if it is that key and nobody has copied it: chmod 600, else make a new key",
                    (unsigned)(facts->st_mode & 07777));
    return EXIT_BAD_INPUT;
}

static int read_pem(struct pem *pem, bool secret)
{
    struct stat facts;
    int fd = open(pem->path, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (fd < 0)
        return cannot_read(pem, errno);
    int code = fstat(fd, &facts) == 0 ? check_mode(pem, &facts, secret) : cannot_read(pem, errno);
    while (!code && pem->length <= PEM_MAX) {
        ssize_t got = read(fd, pem->bytes + pem->length, PEM_MAX + 1 - pem->length);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            code = cannot_read(pem, errno);
        if (got <= 0)
            break;
        pem->length += (size_t)got;
    }
    (void)close(fd);
    if (!code && pem->length > PEM_MAX)
        code = refuse(pem, "is far too long for a key; name the PEM file with the key");
    return code;
}

/* Does the label of any PEM block in the file hold this word? */
static bool has_label(const struct pem *pem, const char *word)
{
    char label[128];
    size_t wanted = strlen(word);
    for (size_t i = 0; i + wanted <= pem->length; i++) {
        if (memcmp(pem->bytes + i, word, wanted) != 0)
            continue;
        /* On a line of its own that begins with five dashes (RFC 7468 3). */
        size_t start = i;
        while (start > 0 && pem->bytes[start - 1] != '\n' && i - start < sizeof label)
            start--;
        if (i - start >= 11 && memcmp(pem->bytes + start, "-----BEGIN ", 11) == 0)
            return true;
    }
    return false;
}

/* Called by OpenSSL when a key is protected: we cannot ask, since stdin may be anything. */
static int no_passphrase(char *room, int size, int writing, void *asked)
{
    (void)room;
    (void)size;
    (void)writing;
    *(bool *)asked = true;
    return -1;
}

static bool take_fingerprint(struct signature_key *key)
{
    unsigned char *der = NULL;
    int length = i2d_PUBKEY(key->key, &der);
    bool good = length > 0 && digest_of(der, (size_t)length, key->fingerprint);
    OPENSSL_free(der);
    return good;
}

static int check_type(struct pem *pem, struct signature_key *key, const char *what_to_do)
{
    if (EVP_PKEY_get_id(key->key) != EVP_PKEY_ED25519) {
        const char *type = EVP_PKEY_get0_type_name(key->key);
        diagnostics_say(pem->diagnostics, SEVERITY_ERROR, pem->path,
                        "holds a key of type %.40s, and seals are made with Ed25519; %s", type ? type : "unknown",
                        what_to_do);
        return EXIT_BAD_INPUT;
    }
    if (take_fingerprint(key))
        return 0;
    return diagnostics_no_memory(pem->diagnostics, NULL);
}

/* The key in pem; its bytes are wiped by the caller. */
static int take_private(struct pem *pem, struct signature_key *key)
{
    bool asked = false;
    BIO *bio = BIO_new_mem_buf(pem->bytes, (int)pem->length);
    if (bio)
        key->key = PEM_read_bio_PrivateKey(bio, NULL, no_passphrase, &asked);
    BIO_free(bio);
    if (key->key)
        return check_type(pem, key, "make one: openssl genpkey -algorithm ED25519 -out key.pem");
    if (asked || has_label(pem, "ENCRYPTED PRIVATE KEY"))
        return refuse(pem, "is protected by a passphrase, which is not asked for here; make a copy without it (umask "
                           "077; openssl pkey -in KEY -out PLAIN), seal with that and remove it afterwards");
    if (has_label(pem, "PUBLIC KEY") || has_label(pem, "CERTIFICATE"))
        return refuse(pem, "is a public key; sealing takes the private one");
    if (has_label(pem, "PRIVATE KEY"))
        return refuse(pem, "holds a private key that is damaged, or of a kind that cannot be read; take its backup");
    return refuse(pem, "holds no private key in PEM form; make one: openssl genpkey -algorithm ED25519 -out key.pem");
}

static int take_public(struct pem *pem, struct signature_key *key)
{
    if (has_label(pem, "PRIVATE KEY"))
        return refuse(pem, "holds a private key; checking takes the public one: openssl pkey -in KEY -pubout");
    BIO *bio = BIO_new_mem_buf(pem->bytes, (int)pem->length);
    if (bio)
        key->key = PEM_read_bio_PUBKEY(bio, NULL, NULL, NULL);
    BIO_free(bio);
    if (key->key)
        return check_type(pem, key, "take the one this job was sealed with");
    if (has_label(pem, "PUBLIC KEY"))
        return refuse(pem, "holds a public key that is damaged; get it again from whoever sealed the job");
    return refuse(pem, "holds no public key in PEM form (-----BEGIN PUBLIC KEY-----); get it from whoever sealed the "
                       "job");
}

int signature_private(struct signature_key *key, const char *path, struct diagnostics *diagnostics)
{
    struct pem pem = {.path = path, .diagnostics = diagnostics};
    *key = (struct signature_key){.key = NULL};
    int code = read_pem(&pem, true);
    if (!code)
        code = take_private(&pem, key);
    OPENSSL_cleanse(pem.bytes, sizeof pem.bytes);
    if (code)
        signature_key_free(key);
    ERR_clear_error();
    return code;
}

int signature_public(struct signature_key *key, const char *path, struct diagnostics *diagnostics)
{
    struct pem pem = {.path = path, .diagnostics = diagnostics};
    *key = (struct signature_key){.key = NULL};
    int code = read_pem(&pem, false);
    if (!code)
        code = take_public(&pem, key);
    OPENSSL_cleanse(pem.bytes, sizeof pem.bytes); /* somebody may have named a private key */
    if (code)
        signature_key_free(key);
    ERR_clear_error();
    return code;
}

bool signature_public_raw(struct signature_key *key, const uint8_t raw[32])
{
    *key = (struct signature_key){.key = EVP_PKEY_new_raw_public_key(EVP_PKEY_ED25519, NULL, raw, 32)};
    return key->key && take_fingerprint(key);
}

bool signature_private_raw(struct signature_key *key, const uint8_t raw[32])
{
    *key = (struct signature_key){.key = EVP_PKEY_new_raw_private_key(EVP_PKEY_ED25519, NULL, raw, 32)};
    return key->key && take_fingerprint(key);
}

/* ---- signing ---- */

bool signature_make(const struct signature_key *key, const void *bytes, size_t length,
                    uint8_t signature[SIGNATURE_BYTES])
{
    size_t made = SIGNATURE_BYTES;
    EVP_MD_CTX *context = EVP_MD_CTX_new();
    bool good = context && key->key && EVP_DigestSignInit(context, NULL, NULL, NULL, key->key) == 1 &&
                EVP_DigestSign(context, signature, &made, bytes, length) == 1 && made == SIGNATURE_BYTES;
    EVP_MD_CTX_free(context);
    ERR_clear_error();
    return good;
}

bool signature_good(const struct signature_key *key, const void *bytes, size_t length, const uint8_t *signature,
                    size_t signature_length)
{
    EVP_MD_CTX *context = EVP_MD_CTX_new();
    bool good = context && key->key && signature_length == SIGNATURE_BYTES &&
                EVP_DigestVerifyInit(context, NULL, NULL, NULL, key->key) == 1 &&
                EVP_DigestVerify(context, signature, signature_length, bytes, length) == 1;
    EVP_MD_CTX_free(context);
    ERR_clear_error();
    return good;
}

void signature_key_free(struct signature_key *key)
{
    EVP_PKEY_free(key->key);
    *key = (struct signature_key){.key = NULL};
}
