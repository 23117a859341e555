/* See folder_change.h. */
#define _GNU_SOURCE /* renameat2, RENAME_EXCHANGE, RENAME_NOREPLACE */
#include "folder_change.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../support/interrupt.h"
#include "folder_disk.h"
#include "../support/sink.h"

#define COPY_ROOM (256u * 1024u)

static int no_memory(struct folder_change *change)
{
    return diagnostics_no_memory(change->diagnostics, NULL);
}

static int write_failed(struct folder_change *change, const char *name, int error)
{
    diagnostics_say(change->diagnostics, SEVERITY_ERROR, change->path,
                    "%s could not be written: %s; the folder is as it was, make room and run again", name,
                    strerror(error));
    return EXIT_WRITE_FAILED;
}

int folder_change_begin(struct folder_change *change, const char *path, int old_fd, struct diagnostics *diagnostics)
{
    static const char ending[] = ".unfinished-XXXXXX";
    struct stat facts;
    *change = (struct folder_change){.diagnostics = diagnostics, .path = path, .fd = -1};
    change->temporary = malloc(strlen(path) + sizeof ending);
    if (!change->temporary)
        return no_memory(change);
    (void)memcpy(stpcpy(change->temporary, path), ending, sizeof ending);
    bool made = mkdtemp(change->temporary) != NULL;
    int error = errno;
    if (made) {
        change->fd = open(change->temporary, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
        if (change->fd >= 0 && fstat(old_fd, &facts) == 0 && fchmod(change->fd, facts.st_mode & 07777) == 0)
            return 0;
        error = errno;
    } else {
        free(change->temporary);
        change->temporary = NULL;
    }
    diagnostics_say(
        diagnostics, SEVERITY_ERROR, path,
        "cannot be replaced: no folder can be made beside it: %s; get the right to write in the folder above "
        "it",
        strerror(error));
    return EXIT_CANNOT_CREATE;
}

int folder_change_make(struct folder_change *change, const char *name)
{
    return mkdirat(change->fd, name, 0777) == 0 ? 0 : write_failed(change, name, errno);
}

/* ---- files ---- */

static int open_new(struct folder_change *change, const char *name, mode_t mode)
{
    return openat(change->fd, name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, mode);
}

static int close_new(struct folder_change *change, const char *name, int file, int error)
{
    if (!error && fsync(file) != 0)
        error = errno;
    if (close(file) != 0 && !error)
        error = errno;
    return error ? write_failed(change, name, error) : 0;
}

static int write_whole(int file, const char *bytes, size_t length)
{
    while (length > 0) {
        ssize_t wrote = write(file, bytes, length);
        if (wrote < 0 && errno == EINTR)
            continue;
        if (wrote <= 0)
            return wrote < 0 ? errno : EIO;
        bytes += wrote;
        length -= (size_t)wrote;
    }
    return 0;
}

int folder_change_put(struct folder_change *change, const char *name, const void *bytes, size_t length)
{
    int file = open_new(change, name, 0666);
    if (file < 0)
        return write_failed(change, name, errno);
    return close_new(change, name, file, write_whole(file, bytes, length));
}

/* The rest of source into name. */
static int copy(struct folder_change *change, const char *name, int source)
{
    struct stat facts;
    char *room = malloc(COPY_ROOM);
    if (!room)
        return no_memory(change);
    if (fstat(source, &facts) != 0)
        facts.st_mode = 0644;
    int file = open_new(change, name, facts.st_mode & 0777), error = file < 0 ? errno : 0, read_error = 0;
    while (!error && !interrupt_asked()) {
        ssize_t got = read(source, room, COPY_ROOM);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            read_error = errno;
        if (got <= 0)
            break;
        error = write_whole(file, room, (size_t)got);
    }
    free(room);
    if (file < 0)
        return write_failed(change, name, error);
    int code = close_new(change, name, file, error);
    if (!code && interrupt_asked()) {
        diagnostics_say(change->diagnostics, SEVERITY_WARNING, change->path, "stopped: the folder is as it was");
        return EXIT_INTERRUPTED;
    }
    if (!code && read_error) {
        diagnostics_say(change->diagnostics, SEVERITY_ERROR, change->path, "%s cannot be read: %s", name,
                        strerror(read_error));
        return EXIT_CANNOT_OPEN;
    }
    return code;
}

int folder_change_take(struct folder_change *change, int old_fd, const char *name, bool link,
                       struct folder_stamp *stamp)
{
    struct folder_stamp before;
    int source = folder_open(old_fd, name, &before), code = 0;
    if (source < 0) {
        diagnostics_say(change->diagnostics, SEVERITY_ERROR, change->path, "%s cannot be read: %s", name,
                        strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    bool linked = link && linkat(old_fd, name, change->fd, name, 0) == 0;
    if (linked)
        code = fsync(source) == 0 ? 0 : write_failed(change, name, errno); /* whoever wrote it may not have */
    else
        code = copy(change, name, source);
    (void)close(source);
    *stamp = before; /* what came while it was copied is not in the copy */
    if (!code && linked && !folder_look(old_fd, name, stamp)) { /* linking alters the time of change itself */
        diagnostics_say(change->diagnostics, SEVERITY_ERROR, change->path, "%s went away: %s", name, strerror(errno));
        code = EXIT_CANNOT_OPEN;
    }
    return code;
}

/* ---- the change ---- */

/* Where the file system cannot exchange: two steps, and both folders keep telling names if it ends between them. */
static bool replace_in_two_steps(struct folder_change *change)
{
    static const char ending[] = ".unsealed-XXXXXX";
    char *aside = malloc(strlen(change->path) + sizeof ending);
    if (!aside)
        return false;
    (void)memcpy(stpcpy(aside, change->path), ending, sizeof ending);
    /* An empty folder may be replaced by rename(2); it keeps the name ours alone. */
    bool good = mkdtemp(aside) && rename(change->path, aside) == 0;
    if (good && rename(change->temporary, change->path) != 0) {
        int error = errno;
        (void)!rename(aside, change->path);
        errno = error;
        good = false;
    }
    if (!good) {
        int error = errno;
        (void)rmdir(aside); /* fails unless it is the empty one */
        free(aside);
        errno = error;
        return false;
    }
    free(change->temporary);
    change->temporary = aside;
    return true;
}

int folder_change_commit(struct folder_change *change)
{
    if ((!folder_sync(change->fd, "definitions") && errno != ENOENT) || fsync(change->fd) != 0)
        return write_failed(change, "the new folder", errno);
    bool good = renameat2(AT_FDCWD, change->temporary, AT_FDCWD, change->path, RENAME_EXCHANGE) == 0;
    if (!good && (errno == EINVAL || errno == ENOSYS))
        good = replace_in_two_steps(change);
    if (!good) {
        diagnostics_say(change->diagnostics, SEVERITY_ERROR, change->path, "cannot be replaced: %s; it is as it was",
                        strerror(errno));
        return EXIT_CANNOT_CREATE;
    }
    change->committed = true;
    if (!folder_sync_parent(change->path))
        diagnostics_say(change->diagnostics, SEVERITY_WARNING, change->path,
                        "is replaced, but the disk did not confirm its name: %s; look for it after a power cut",
                        strerror(errno));
    return 0;
}

static void remove_temporary(struct folder_change *change)
{
    int fd = open(change->temporary, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
    if (fd >= 0)
        folder_empty(fd);
    if (rmdir(change->temporary) != 0)
        diagnostics_say(change->diagnostics, SEVERITY_WARNING, change->temporary,
                        "is left over and could not be removed: %s; remove it by hand", strerror(errno));
    free(change->temporary);
    change->temporary = NULL;
}

void folder_change_remove_old(struct folder_change *change)
{
    remove_temporary(change);
}

void folder_change_keep_old(struct folder_change *change)
{
    free(change->temporary);
    change->temporary = NULL;
}

void folder_change_end(struct folder_change *change)
{
    if (change->temporary)
        remove_temporary(change);
    if (change->fd >= 0)
        (void)close(change->fd);
    free(change->temporary);
    *change = (struct folder_change){.fd = -1};
}
