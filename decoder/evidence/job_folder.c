/* See job_folder.h. */
#define _GNU_SOURCE /* renameat2: a rename that never replaces */
#include "job_folder.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../support/interrupt.h"
#include "folder_disk.h"

#define COPY_ROOM (256u * 1024u)

static int cannot_create(struct job_folder *folder, const char *what, int error)
{
    if (error == EEXIST)
        diagnostics_say(folder->diagnostics, SEVERITY_ERROR, what,
                        "is there already and is never overwritten; give a new name, or move it away");
    else
        diagnostics_say(folder->diagnostics, SEVERITY_ERROR, what, "cannot be created: %s%s", strerror(error),
                        error == ENOENT ? "; the folder it is to lie in must be there" : "");
    return EXIT_CANNOT_CREATE;
}

static int write_failed(struct job_folder *folder, const char *name, int error)
{
    diagnostics_say(folder->diagnostics, SEVERITY_ERROR, folder->wanted,
                    "%s could not be written: %s; nothing is kept of it, make room and run again", name,
                    strerror(error));
    return EXIT_WRITE_FAILED;
}

static int no_memory(struct job_folder *folder)
{
    return diagnostics_no_memory(folder->diagnostics, NULL);
}

int job_folder_begin(struct job_folder *folder, const char *path, struct diagnostics *diagnostics)
{
    *folder = (struct job_folder){.diagnostics = diagnostics, .fd = -1};
    size_t length = strlen(path);
    while (length > 1 && path[length - 1] == '/')
        length--;
    folder->wanted = strndup(path, length);
    static const char ending[] = JOB_UNFINISHED "-XXXXXX";
    folder->temporary = malloc(length + sizeof ending);
    if (!folder->wanted || !folder->temporary) {
        free(folder->temporary);
        folder->temporary = NULL;
        return no_memory(folder);
    }
    memcpy(folder->temporary, folder->wanted, length);
    memcpy(folder->temporary + length, ending, sizeof ending);
    struct stat there;
    bool taken = length == 0 || lstat(folder->wanted, &there) == 0;
    if (taken) { /* nothing was made that job_folder_end would have to remove */
        free(folder->temporary);
        folder->temporary = NULL;
        return length == 0 ? cannot_create(folder, "the job folder", ENOENT)
                           : cannot_create(folder, folder->wanted, EEXIST);
    }
    if (!mkdtemp(folder->temporary)) {
        int error = errno;
        free(folder->temporary);
        folder->temporary = NULL;
        return cannot_create(folder, folder->wanted, error);
    }
    /* mkdtemp makes it private; a job folder is as open as the person's umask says. */
    mode_t mask = umask(0);
    (void)umask(mask);
    folder->fd = open(folder->temporary, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder->fd < 0 || fchmod(folder->fd, 0777 & ~mask) != 0)
        return cannot_create(folder, folder->wanted, errno);
    return 0;
}

int job_folder_open(struct job_folder *folder, const char *name, struct sink *sink)
{
    int fd = openat(folder->fd, name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (fd < 0)
        return write_failed(folder, name, errno);
    if (!sink_open_fd(sink, fd, true)) {
        (void)close(fd);
        return no_memory(folder);
    }
    return 0;
}

int job_folder_close(struct job_folder *folder, const char *name, struct sink *sink)
{
    return sink_close_synced(sink) ? 0 : write_failed(folder, name, sink->error);
}

int job_folder_make(struct job_folder *folder, const char *name)
{
    (void)snprintf(folder->made, sizeof folder->made, "%s", name);
    return mkdirat(folder->fd, name, 0777) == 0 ? 0 : write_failed(folder, name, errno);
}

int job_folder_put(struct job_folder *folder, const char *name, const void *bytes, size_t length)
{
    struct sink sink;
    int code = job_folder_open(folder, name, &sink);
    if (code)
        return code;
    sink_put(&sink, bytes, length);
    return job_folder_close(folder, name, &sink);
}

/* Reads fd to its end into sink and digest; 0 or an exit code. */
static int copy_bytes(struct job_folder *folder, struct sink *sink, int fd, const char *source, struct digest *digest)
{
    uint8_t *room = malloc(COPY_ROOM);
    int code = room ? 0 : no_memory(folder);
    while (!code) {
        ssize_t got = read(fd, room, COPY_ROOM);
        if (interrupt_asked()) {
            diagnostics_say(folder->diagnostics, SEVERITY_WARNING, source,
                            "stopped while it was copied: nothing is kept");
            code = EXIT_INTERRUPTED;
            break;
        }
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0) {
            diagnostics_say(folder->diagnostics, SEVERITY_ERROR, source, "cannot be read: %s", strerror(errno));
            code = EXIT_CANNOT_OPEN;
        } else if (got > 0 && !digest_add(digest, room, (size_t)got)) {
            code = no_memory(folder);
        }
        if (got <= 0)
            break;
        sink_put(sink, room, (size_t)got);
        if (sink->error)
            break; /* told when it is closed */
    }
    free(room);
    return code;
}

int job_folder_copy(struct job_folder *folder, const char *name, int fd, const char *source, const void *start,
                    size_t start_length, char sha256[DIGEST_TEXT])
{
    struct sink sink;
    struct digest digest = {NULL};
    int code = job_folder_open(folder, name, &sink);
    if (code)
        return code;
    if (!digest_open(&digest) || !digest_add(&digest, start, start_length))
        code = no_memory(folder);
    sink_put(&sink, start, start_length);
    if (!code)
        code = copy_bytes(folder, &sink, fd, source, &digest);
    if (!code && !digest_text(&digest, sha256))
        code = no_memory(folder);
    digest_close(&digest);
    int closed = job_folder_close(folder, name, &sink);
    return code ? code : closed;
}

/* Some file systems do not know RENAME_NOREPLACE; there a look before must do. */
static bool rename_new(const char *from, const char *to)
{
    struct stat there;
    if (renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE) == 0)
        return true;
    if (errno != EINVAL && errno != ENOSYS)
        return false;
    if (lstat(to, &there) == 0) {
        errno = EEXIST;
        return false;
    }
    return rename(from, to) == 0;
}

void job_folder_remove(struct job_folder *folder, const char *name)
{
    if (unlinkat(folder->fd, name, 0) == 0)
        return;
    int inner = openat(folder->fd, name, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
    if (inner >= 0)
        folder_empty(inner);
    (void)unlinkat(folder->fd, name, AT_REMOVEDIR);
}

int job_folder_rename(struct job_folder *folder, const char *from, const char *to)
{
    struct stat about;
    bool is_folder = fstatat(folder->fd, from, &about, AT_SYMLINK_NOFOLLOW) == 0 && S_ISDIR(about.st_mode);
    if ((is_folder && !folder_sync(folder->fd, from)) || renameat(folder->fd, from, folder->fd, to) != 0 ||
        fsync(folder->fd) != 0)
        return write_failed(folder, to, errno);
    return 0;
}

int job_folder_finish(struct job_folder *folder)
{
    if (folder->made[0] && !folder_sync(folder->fd, folder->made))
        return write_failed(folder, folder->made, errno);
    if (fsync(folder->fd) != 0)
        return write_failed(folder, "the folder", errno);
    if (!rename_new(folder->temporary, folder->wanted))
        return cannot_create(folder, folder->wanted, errno);
    free(folder->temporary);
    folder->temporary = NULL;
    if (!folder_sync_parent(folder->wanted)) {
        diagnostics_say(folder->diagnostics, SEVERITY_ERROR, folder->wanted,
                        "is written, but the disk did not confirm its name: %s; look for it after a power cut",
                        strerror(errno));
        return EXIT_WRITE_FAILED;
    }
    return 0;
}

void job_folder_end(struct job_folder *folder)
{
    if (folder->temporary) {
        if (folder->fd >= 0)
            folder_empty(folder->fd);
        folder->fd = -1;
        if (rmdir(folder->temporary) != 0)
            diagnostics_say(folder->diagnostics, SEVERITY_WARNING, folder->temporary,
                            "is left over and could not be removed: %s; remove it by hand", strerror(errno));
    }
    if (folder->fd >= 0)
        (void)close(folder->fd);
    free(folder->wanted);
    free(folder->temporary);
    *folder = (struct job_folder){.fd = -1};
}
