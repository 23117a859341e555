/*
 * What seals a job (D 11): the first byte chooses a manifest, a public or private key, a signature, or a timestamp. A
 * manifest that is taken must be the very bytes that would be written for it, and must fit a plain reading of its form.
 */
#include <string.h>

#include "../../decoder/evidence/manifest.h"
#include "../../decoder/evidence/signature.h"
#include "../../decoder/evidence/token.h"
#include "fuzz.h"

static struct diagnostics silent;

static bool plain_name(const char *name, size_t length)
{
    static const char folder[] = "definitions/";
    size_t behind = length > sizeof folder - 1 && memcmp(name, folder, sizeof folder - 1) == 0 ? sizeof folder - 1 : 0;
    size_t own = strspn(name + behind, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-");
    return length > behind && behind + own == length && strcmp(name + behind, ".") != 0 &&
           strcmp(name + behind, "..") != 0 && own <= 255;
}

static void check_manifest(const uint8_t *data, size_t size)
{
    struct manifest manifest;
    struct manifest_mistake mistake = {.text = NULL};
    if (!manifest_read(&manifest, size ? data : (const uint8_t *)"", size, &mistake)) {
        FUZZ_CHECK(mistake.fault != MANIFEST_GOOD && mistake.text);
    } else {
        struct buffer memory;
        struct sink sink;
        buffer_init(&memory, 1u << 24);
        FUZZ_CHECK(sink_open_memory(&sink, &memory));
        manifest_write(&manifest, &sink);
        FUZZ_CHECK(sink_close(&sink) && memory.length == size && memcmp(memory.data, data, size) == 0);
        FUZZ_CHECK(manifest.count > 0);
        for (uint32_t i = 0; i < manifest.count; i++) {
            const struct manifest_line *line = &manifest.list[i];
            FUZZ_CHECK(strspn(line->sha256, "0123456789abcdef") == 64 && !line->sha256[64]);
            FUZZ_CHECK(plain_name(line->name, strlen(line->name)) && !manifest_is_seal(line->name));
            FUZZ_CHECK(i == 0 || strcmp(manifest.list[i - 1].name, line->name) < 0);
            FUZZ_CHECK(manifest_find(&manifest, line->name) == line);
        }
        buffer_free(&memory);
    }
    manifest_free(&manifest);
}

static void check_key(const uint8_t *data, size_t size, bool private)
{
    struct signature_key key;
    uint8_t signature[SIGNATURE_BYTES];
    fuzz_folder_arm();
    fuzz_folder_put("key.pem", data, size);
    int code = private ? signature_private(&key, "job/key.pem", &silent)
                       : signature_public(&key, "job/key.pem", &silent);
    fuzz_folder_disarm();
    FUZZ_CHECK((code == 0) == (silent.errors == 0) && (code == 0 || code == EXIT_BAD_INPUT));
    if (code == 0) {
        FUZZ_CHECK(strlen(key.fingerprint) == DIGEST_TEXT - 1);
        FUZZ_CHECK(!private || (signature_make(&key, "abc", 3, signature) &&
                                signature_good(&key, "abc", 3, signature, sizeof signature) &&
                                !signature_good(&key, "abd", 3, signature, sizeof signature) &&
                                !signature_good(&key, "abc", 3, signature, sizeof signature - 1)));
    }
    signature_key_free(&key);
}

/* The public key of RFC 8032 7.1, test 2. */
static const uint8_t known_key[32] = {0x3d, 0x40, 0x17, 0xc3, 0xe8, 0x43, 0x89, 0x5a, 0x92, 0xb7, 0x0a,
                                      0xa7, 0x4d, 0x1b, 0x7e, 0xbc, 0x9c, 0x98, 0x2c, 0xcf, 0x2e, 0xc4,
                                      0x96, 0x8c, 0xc0, 0xcd, 0x55, 0xf1, 0x2a, 0xf4, 0x66, 0x0c};

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct signature_key key;
    struct token token;
    if (size == 0)
        return 0;
    diagnostics_init(&silent, NULL);
    uint8_t choice = data[0] % 5;
    data++;
    size--;
    switch (choice) {
    case 0:
        check_manifest(data, size);
        break;
    case 1:
    case 2:
        check_key(data, size, choice == 2);
        break;
    case 3:
        FUZZ_CHECK(signature_public_raw(&key, known_key));
        size_t length = size < SIGNATURE_BYTES + 1 ? size : SIGNATURE_BYTES + (data[0] & 1);
        if (length > size)
            length = size;
        /* Only the signature of that test is known. */
        if (signature_good(&key, data + length, size - length, data, length))
            FUZZ_CHECK(length == SIGNATURE_BYTES && size - length == 1 && data[length] == 0x72);
        signature_key_free(&key);
        break;
    default: {
        static const uint8_t signature[SIGNATURE_BYTES] = {1, 2, 3};
        FUZZ_CHECK(token_check(data, size, signature, NULL, &silent, &token) == 0);
        FUZZ_CHECK(token.state != TOKEN_GOOD); /* no certificates were given */
        FUZZ_CHECK(strnlen(token.time, sizeof token.time) < sizeof token.time &&
                   strnlen(token.why, sizeof token.why) < sizeof token.why);
    }
    }
    return 0;
}
