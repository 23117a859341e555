/* See audit.h: the folder against its manifest, the signature and the timestamp. */
#include "audit.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "audit_parts.h"

/* ---- the seal's own files ---- */

static const struct folder_entry *find_file(struct auditing *auditing, const char *name)
{
    const struct folder_entry *entry = folder_find(&auditing->files, name);
    if (entry && entry->kind != FOLDER_FILE) {
        audit_found(auditing, AUDIT_CHANGED, "%s is %s, not a file", name, folder_kind_text(entry->kind));
        return NULL;
    }
    return entry;
}

/* Reads at most size bytes; longer than that is a change. An exit code; *length is SIZE_MAX: not to be used. */
static int read_seal_file(struct auditing *auditing, const char *name, void *room, size_t size, size_t *length)
{
    if (folder_read(auditing->fd, name, room, size, length))
        return 0;
    *length = SIZE_MAX;
    if (errno == EFBIG) {
        audit_found(auditing, AUDIT_CHANGED, "%s is longer than such a file can be", name);
        return 0;
    }
    return audit_cannot_read(auditing, name, errno);
}

/* Is there a seal at all? */
static bool is_sealed(struct auditing *auditing)
{
    bool manifest = folder_find(&auditing->files, MANIFEST_NAME) != NULL;
    bool signature = folder_find(&auditing->files, MANIFEST_SIGNATURE_NAME) != NULL;
    if (manifest && signature)
        return true;
    if (manifest)
        audit_found(auditing, AUDIT_NOT_SEALED, "there is a " MANIFEST_NAME " and no " MANIFEST_SIGNATURE_NAME
                    ": nobody signed it, or the signature was taken away");
    else if (signature)
        audit_found(auditing, AUDIT_MISSING, MANIFEST_NAME ", although its signature is there");
    else
        audit_found(auditing, AUDIT_NOT_SEALED,
                    "there is neither " MANIFEST_NAME " nor a signature; whoever vouches for "
                    "the job seals it: taretrace seal JOB --key key.pem");
    return false;
}

static void check_signature(struct auditing *auditing, const uint8_t *manifest, size_t length, const uint8_t *signature,
                            size_t signature_length)
{
    const struct signature_key *key = auditing->request->key;
    if (signature_length != SIGNATURE_BYTES)
        audit_found(auditing, AUDIT_CHANGED, MANIFEST_SIGNATURE_NAME " has %s than the 64 bytes of a signature",
                    signature_length < SIGNATURE_BYTES ? "less" : "more");
    else if (!key)
        audit_found(auditing, AUDIT_SIGNER_UNKNOWN,
                    "no key was given to check the signature with; give the one of whoever vouches for the job: "
                    "--public-key pub.pem");
    else if (!signature_good(key, manifest, length, signature, signature_length))
        audit_found(auditing, AUDIT_OTHER_KEY,
                    MANIFEST_SIGNATURE_NAME " is no signature over " MANIFEST_NAME
                                            " by the key given (fingerprint %s): "
                                            "another key made it, or one of the two was changed",
                    key->fingerprint);
    else
        audit_proven(auditing, "signed", "by the key given, which has the fingerprint %s", key->fingerprint);
}

static int check_token(struct auditing *auditing, const uint8_t signature[SIGNATURE_BYTES])
{
    struct token token;
    size_t length;
    if (!find_file(auditing, MANIFEST_TOKEN_NAME)) {
        if (!audit_failed(auditing))
            audit_unproven(auditing, "when it was sealed: no authority's timestamp lies in the folder");
        return 0;
    }
    uint8_t *reply = malloc(TOKEN_BYTES_MAX);
    if (!reply)
        return audit_no_memory(auditing);
    int code = read_seal_file(auditing, MANIFEST_TOKEN_NAME, reply, TOKEN_BYTES_MAX, &length);
    if (!code && length != SIZE_MAX)
        code =
            token_check(reply, length, signature, auditing->request->token_ca, auditing->request->diagnostics, &token);
    free(reply);
    if (code || length == SIZE_MAX)
        return code;
    switch (token.state) {
    case TOKEN_GOOD:
        audit_proven(auditing, "timed", "sealed at %s at the latest, says an authority of %s", token.time,
                     auditing->request->token_ca);
        audit_unproven(auditing, "that the authority's certificate was not withdrawn: that is not looked up");
        break;
    case TOKEN_UNKNOWN:
        audit_unproven(auditing,
                       "when it was sealed: " MANIFEST_TOKEN_NAME " names %s, but by whose word is not known; give the "
                       "authority's certificates: --token-ca ca.pem",
                       token.time);
        break;
    case TOKEN_UNREADABLE:
        audit_found(auditing, AUDIT_TOKEN, MANIFEST_TOKEN_NAME " is no reply of a time-stamping authority (RFC 3161)");
        break;
    case TOKEN_REFUSED:
        audit_found(auditing, AUDIT_TOKEN, MANIFEST_TOKEN_NAME " is a reply that refuses a timestamp");
        break;
    case TOKEN_OTHER:
        audit_found(auditing, AUDIT_TOKEN,
                    MANIFEST_TOKEN_NAME " is a timestamp over something else than this signature");
        break;
    case TOKEN_FOREIGN:
        audit_found(auditing, AUDIT_TOKEN, MANIFEST_TOKEN_NAME " is no good timestamp by the certificates given (%s)",
                    token.why);
        break;
    }
    return 0;
}

/* ---- the files ---- */

static int check_file(struct auditing *auditing, struct manifest_line *line)
{
    char sha256[DIGEST_TEXT];
    const struct folder_entry *entry = folder_find(&auditing->files, line->name);
    if (!entry) {
        audit_found(auditing, AUDIT_MISSING, "%s", line->name);
        return 0;
    }
    if (entry->kind != FOLDER_FILE) {
        audit_found(auditing, AUDIT_CHANGED, "%s is %s, not a file", line->name, folder_kind_text(entry->kind));
        return 0;
    }
    if (!folder_hash(auditing->fd, line->name, sha256, &line->stamp)) {
        if (errno != ELOOP && errno != ENOTSUP && errno != ENOENT)
            return audit_cannot_read(auditing, line->name, errno);
        audit_found(auditing, AUDIT_CHANGED, "%s was exchanged while it was checked", line->name);
    } else if (strcmp(sha256, line->sha256) != 0) {
        audit_found(auditing, AUDIT_CHANGED, "%s has the SHA-256 %s, not the one in " MANIFEST_NAME, line->name,
                    sha256);
    }
    return 0;
}

static int check_files(struct auditing *auditing)
{
    int code = 0;
    for (uint32_t i = 0; i < auditing->manifest.count && !code; i++)
        code = check_file(auditing, &auditing->manifest.list[i]);
    for (uint32_t i = 0; i < auditing->files.count && !code; i++) {
        const struct folder_entry *entry = &auditing->files.list[i];
        if (!manifest_is_seal(entry->name) && !manifest_find(&auditing->manifest, entry->name))
            audit_found(auditing, AUDIT_EXTRA, "%s is %s that is not listed in " MANIFEST_NAME, entry->name,
                        folder_kind_text(entry->kind));
    }
    if (!code && auditing->files.more)
        audit_found(auditing, AUDIT_EXTRA, "there are more than %u files", FOLDER_ENTRIES_MAX);
    if (!code && !audit_failed(auditing))
        audit_proven(auditing, "whole", "%u files are those listed in " MANIFEST_NAME ", and there are no others",
                     auditing->manifest.count);
    return code;
}

/* Manifest and signature as they were read; then the files. */
static int check_seal(struct auditing *auditing, uint8_t *room)
{
    struct manifest_mistake mistake;
    uint8_t signature[SIGNATURE_BYTES + 1];
    size_t length = SIZE_MAX, signature_length = SIZE_MAX;
    int code = 0;
    if (find_file(auditing, MANIFEST_NAME))
        code = read_seal_file(auditing, MANIFEST_NAME, room, MANIFEST_BYTES_MAX, &length);
    if (!code && find_file(auditing, MANIFEST_SIGNATURE_NAME))
        code = read_seal_file(auditing, MANIFEST_SIGNATURE_NAME, signature, sizeof signature, &signature_length);
    if (code || length == SIZE_MAX)
        return code;
    if (!digest_of(room, length, auditing->audit->manifest_sha256))
        return audit_no_memory(auditing);
    if (manifest_read(&auditing->manifest, room, length, &mistake)) {
        code = check_files(auditing);
    } else if (mistake.fault == MANIFEST_NO_MEMORY) {
        return audit_no_memory(auditing);
    } else if (mistake.line) {
        audit_found(auditing, AUDIT_CHANGED, MANIFEST_NAME ", line %u: %s%s", mistake.line,
                    mistake.fault == MANIFEST_BAD_NAME ? "the name " : "", mistake.text);
    } else {
        audit_found(auditing, AUDIT_CHANGED, MANIFEST_NAME ": %s", mistake.text);
    }
    if (!code && signature_length != SIZE_MAX)
        check_signature(auditing, room, length, signature, signature_length);
    if (!code && signature_length == SIGNATURE_BYTES)
        code = check_token(auditing, signature);
    return code;
}

/* Nobody exchanged a file between its hash and what was derived from it. */
static void check_stamps(struct auditing *auditing)
{
    struct folder_stamp now;
    for (uint32_t i = 0; i < auditing->manifest.count; i++) {
        const struct manifest_line *line = &auditing->manifest.list[i];
        if (!folder_look(auditing->fd, line->name, &now) || !folder_stamp_same(&now, &line->stamp))
            audit_found(auditing, AUDIT_CHANGED, "%s was changed while it was checked", line->name);
    }
}

int audit_run(const struct audit_request *request, struct audit *audit)
{
    struct auditing auditing = {.request = request, .audit = audit};
    audit->answer = AUDIT_PASSED;
    audit->count = audit->proven_count = audit->unproven_count = 0;
    audit->found = 0;
    audit->manifest_sha256[0] = '\0';
    auditing.fd = open(request->path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (auditing.fd < 0) {
        diagnostics_say(request->diagnostics, SEVERITY_ERROR, request->path,
                        "cannot be opened: %s; give the path of a job folder", strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    uint8_t *room = malloc(MANIFEST_BYTES_MAX);
    int code = room ? 0 : audit_no_memory(&auditing);
    if (!code && !folder_list(&auditing.files, auditing.fd))
        code = audit_cannot_read(&auditing, "the folder", errno);
    if (!code && is_sealed(&auditing))
        code = check_seal(&auditing, room);
    if (!code && !audit_failed(&auditing)) {
        code = audit_derive(&auditing);
        if (!code)
            check_stamps(&auditing);
    }
    manifest_free(&auditing.manifest);
    folder_list_free(&auditing.files);
    free(room);
    (void)close(auditing.fd);
    return code;
}
