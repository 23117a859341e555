/*
 * Refuses the nth of the calls that the code under test makes: pieces of an arena, the digest library, temporary files,
 * reads and writes. tests/fault/ refuses what the whole program asks the C library for, but an arena asks there for a
 * block at a time, and a buffered file writes late, so much of what can fail is never refused there. The linker puts
 * these before the real ones (--wrap, CMakeLists.txt: tests named *_refused).
 */
#ifndef TT_TEST_REFUSED_H
#define TT_TEST_REFUSED_H

#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "arena.h"
#include "digest.h"

static uint64_t calls, refused; /* calls since refuse(); the one that fails, 0: none */
static int refused_with;        /* errno of system calls */
static FILE *spared, *spared_too; /* where diagnostics go, and what the test itself writes */

static inline void refuse(uint64_t which, int error)
{
    calls = 0;
    refused = which;
    refused_with = error;
}

static const char *refused_only; /* counts and refuses calls of this name alone; NULL: all */

static inline bool is_refused(const char *name)
{
    if (refused_only && strcmp(refused_only, name) != 0)
        return false;
    if (++calls != refused)
        return false;
    errno = refused_with;
    return true;
}

#define REFUSED(type, failed, name, parameters, arguments) \
    type __real_##name parameters; \
    type __wrap_##name parameters; \
    type __wrap_##name parameters { return is_refused(#name) ? (failed) : __real_##name arguments; }
#define REFUSED_FILE(type, failed, name, parameters, arguments) \
    type __real_##name parameters; \
    type __wrap_##name parameters; \
    type __wrap_##name parameters { return file != spared && file != spared_too && is_refused(#name) ? (failed) : __real_##name arguments; }

REFUSED(void *, NULL, arena_take, (struct arena *arena, size_t size), (arena, size))
REFUSED(char *, NULL, arena_text, (struct arena *arena, const char *text, size_t length), (arena, text, length))
REFUSED(bool, false, digest_open, (struct digest *digest), (digest))
REFUSED(bool, false, digest_add, (struct digest *digest, const void *data, size_t length), (digest, data, length))
REFUSED(bool, false, digest_text, (const struct digest *digest, char out[DIGEST_TEXT]), (digest, out))
REFUSED(bool, false, digest_of, (const void *data, size_t length, char out[DIGEST_TEXT]), (data, length, out))
REFUSED(FILE *, NULL, tmpfile, (void), ())
REFUSED_FILE(size_t, 0, fwrite, (const void *data, size_t size, size_t count, FILE *file), (data, size, count, file))
REFUSED(size_t, 0, fread, (void *data, size_t size, size_t count, FILE *file), (data, size, count, file))
REFUSED_FILE(int, EOF, fflush, (FILE *file), (file))
REFUSED(int, -1, fseek, (FILE *file, long at, int whence), (file, at, whence))
REFUSED(FILE *, NULL, fdopen, (int fd, const char *mode), (fd, mode))
REFUSED(int, -1, dup, (int fd), (fd))
REFUSED(off_t, -1, lseek, (int fd, off_t at, int whence), (fd, at, whence))
REFUSED(ssize_t, -1, pread, (int fd, void *room, size_t size, off_t at), (fd, room, size, at))
REFUSED(ssize_t, -1, read, (int fd, void *room, size_t size), (fd, room, size))
REFUSED(int, -1, fstat, (int fd, struct stat *about), (fd, about))

#endif
