/* See seal.h: request and reply of a timestamp over a seal. */
#define _GNU_SOURCE /* renameat2, RENAME_NOREPLACE */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "manifest.h"
#include "seal.h"

static int no_memory(struct diagnostics *diagnostics)
{
    return diagnostics_no_memory(diagnostics, NULL);
}

/* The folder open, and the signature in it. */
static int open_sealed(const char *job, struct diagnostics *diagnostics, int *fd, uint8_t signature[SIGNATURE_BYTES])
{
    size_t length = 0;
    *fd = open(job, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (*fd < 0) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, job, "cannot be opened: %s; give the path of a sealed job folder",
                        strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    if (folder_read(*fd, MANIFEST_SIGNATURE_NAME, signature, SIGNATURE_BYTES, &length) && length == SIGNATURE_BYTES)
        return 0;
    diagnostics_say(diagnostics, SEVERITY_ERROR, job,
                    "holds no signature a timestamp could be made over (" MANIFEST_SIGNATURE_NAME
                    "); seal it first: taretrace seal JOB --key key.pem");
    (void)close(*fd);
    *fd = -1;
    return EXIT_BAD_INPUT;
}

/* Writes, syncs and closes; 0 or errno. */
static int write_closed(int file, const uint8_t *bytes, size_t length)
{
    int error = 0;
    while (length > 0 && !error) {
        ssize_t wrote = write(file, bytes, length);
        if (wrote < 0 && errno == EINTR)
            continue;
        if (wrote <= 0)
            error = wrote < 0 ? errno : EIO;
        else {
            bytes += wrote;
            length -= (size_t)wrote;
        }
    }
    if (!error && fsync(file) != 0)
        error = errno;
    if (close(file) != 0 && !error)
        error = errno;
    return error;
}

static int cannot_create(const char *file, struct diagnostics *diagnostics, int error)
{
    diagnostics_say(diagnostics, SEVERITY_ERROR, file,
                    error == EEXIST ? "is there already and is never overwritten; give a new name, or move it away"
                                    : "cannot be created: %s",
                    strerror(error));
    return EXIT_CANNOT_CREATE;
}

static int write_failed(const char *file, struct diagnostics *diagnostics, int error)
{
    diagnostics_say(diagnostics, SEVERITY_ERROR, file, "could not be written: %s; nothing is kept of it",
                    strerror(error));
    return EXIT_WRITE_FAILED;
}

int seal_token_request(const char *job, const char *file, struct diagnostics *diagnostics)
{
    uint8_t signature[SIGNATURE_BYTES], request[TOKEN_REQUEST_MAX];
    int fd, code = open_sealed(job, diagnostics, &fd, signature);
    if (code)
        return code;
    (void)close(fd);
    size_t length = token_request(signature, request);
    if (length == 0)
        return no_memory(diagnostics);
    int out = open(file, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (out < 0)
        return cannot_create(file, diagnostics, errno);
    int error = write_closed(out, request, length);
    if (!error)
        return 0;
    (void)unlink(file);
    return write_failed(file, diagnostics, error);
}

/* ---- the reply ---- */

static int read_reply(const char *file, struct diagnostics *diagnostics, uint8_t *room, size_t *length)
{
    struct stat facts;
    int fd = open(file, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC), error = 0;
    if (fd < 0 || fstat(fd, &facts) != 0)
        error = errno;
    else if (!S_ISREG(facts.st_mode) || facts.st_size > (off_t)TOKEN_BYTES_MAX)
        error = EFBIG;
    *length = 0;
    while (!error && *length < TOKEN_BYTES_MAX) {
        ssize_t got = read(fd, room + *length, TOKEN_BYTES_MAX - *length);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            error = errno;
        if (got <= 0)
            break;
        *length += (size_t)got;
    }
    if (fd >= 0)
        (void)close(fd);
    if (!error)
        return 0;
    diagnostics_say(diagnostics, SEVERITY_ERROR, file,
                    error == EFBIG ? "is no reply of a time-stamping authority (a file of a few KiB)"
                                   : "cannot be read: %s; check the path",
                    strerror(error));
    return error == EFBIG ? EXIT_BAD_INPUT : EXIT_CANNOT_OPEN;
}

static int judge(const char *file, const char *ca, struct diagnostics *diagnostics, const struct token *token)
{
    const char *what = NULL;
    switch (token->state) {
    case TOKEN_GOOD:
    case TOKEN_UNKNOWN:
        return 0;
    case TOKEN_UNREADABLE:
        what = "is no reply of a time-stamping authority (RFC 3161); give the file that it sent back";
        break;
    case TOKEN_REFUSED:
        what = "is a reply that refuses a timestamp; ask again, or ask another authority";
        break;
    case TOKEN_OTHER:
        what = "is a timestamp over something else than this job's signature; take the reply to this job's request";
        break;
    case TOKEN_FOREIGN:
        break;
    }
    if (what)
        diagnostics_say(diagnostics, SEVERITY_ERROR, file, "%s", what);
    else
        diagnostics_say(diagnostics, SEVERITY_ERROR, file, "is no good timestamp by the certificates in %s: %s", ca,
                        token->why);
    return EXIT_BAD_INPUT;
}

/* Gives the finished file its name, never in another's place. */
static bool rename_new(int fd, const char *from)
{
    struct folder_stamp stamp;
    if (renameat2(fd, from, fd, MANIFEST_TOKEN_NAME, RENAME_NOREPLACE) == 0)
        return true;
    if (errno != EINVAL && errno != ENOSYS)
        return false;
    if (folder_look(fd, MANIFEST_TOKEN_NAME, &stamp) || errno != ENOENT) {
        errno = EEXIST;
        return false;
    }
    return renameat(fd, from, fd, MANIFEST_TOKEN_NAME) == 0;
}

/* Written whole under another name first: a timestamp that is half there would spoil the folder. */
static int keep(int fd, const uint8_t *reply, size_t length, struct diagnostics *diagnostics)
{
    static const char temporary[] = MANIFEST_TOKEN_NAME ".unfinished";
    int file = openat(fd, temporary, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0666);
    if (file < 0)
        return cannot_create(MANIFEST_TOKEN_NAME, diagnostics, errno);
    int error = write_closed(file, reply, length);
    bool renamed = !error && rename_new(fd, temporary);
    if (!error && !renamed) {
        error = errno;
        (void)unlinkat(fd, temporary, 0);
        return cannot_create(MANIFEST_TOKEN_NAME, diagnostics, error);
    }
    if (!error && fsync(fd) != 0)
        error = errno;
    if (!renamed)
        (void)unlinkat(fd, temporary, 0);
    return error ? write_failed(MANIFEST_TOKEN_NAME, diagnostics, error) : 0;
}

int seal_token_take(const char *job, const char *file, const char *ca, struct diagnostics *diagnostics,
                    struct token *token)
{
    uint8_t signature[SIGNATURE_BYTES];
    size_t length = 0;
    int fd, code = open_sealed(job, diagnostics, &fd, signature);
    if (code)
        return code;
    uint8_t *reply = malloc(TOKEN_BYTES_MAX);
    code = reply ? read_reply(file, diagnostics, reply, &length) : no_memory(diagnostics);
    if (!code)
        code = token_check(reply, length, signature, ca, diagnostics, token);
    if (!code)
        code = judge(file, ca, diagnostics, token);
    if (!code)
        code = keep(fd, reply, length, diagnostics);
    free(reply);
    (void)close(fd);
    return code;
}
