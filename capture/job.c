/* See job.h. */
#define _GNU_SOURCE /* fallocate */
#include "job.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "records.h"

static const char good_name[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-";

int job_reserve(int fd, uint64_t bytes)
{
    int code;
    do
        code = fallocate(fd, FALLOC_FL_KEEP_SIZE, 0, (off_t)bytes);
    while (code != 0 && errno == EINTR);
    return code == 0 ? 0 : errno;
}

/* Two files of one name cannot lie side by side, and a name must be safe on any system (D 5, RELIABILITY 1). */
static int check_names(const struct definitions *definitions, struct diagnostics *diagnostics)
{
    for (uint32_t i = 0; i < definitions->file_count; i++) {
        const char *name = definitions->files[i].name;
        if (!*name || name[0] == '.' || strspn(name, good_name) != strlen(name)) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, definitions->files[i].path,
                            "this name cannot be kept in a job folder; rename the file to letters, digits, . _ -");
            return EXIT_BAD_INPUT;
        }
        for (uint32_t j = 0; j < i; j++)
            if (strcmp(name, definitions->files[j].name) == 0) {
                diagnostics_say(diagnostics, SEVERITY_ERROR, definitions->files[i].path,
                                "another definition file is named %s too; rename one", name);
                return EXIT_BAD_INPUT;
            }
    }
    return 0;
}

int job_load_definitions(const struct options *options, struct definitions *definitions,
                         struct diagnostics *diagnostics)
{
    *definitions = (struct definitions){0};
    if (options->definition_count == 0)
        return 0;
    switch (definitions_load(options->definitions, options->definition_count, diagnostics, definitions)) {
    case LOAD_OK:
        return check_names(definitions, diagnostics);
    case LOAD_MISTAKES:
        diagnostics_say(diagnostics, SEVERITY_ERROR, "taretrace-record",
                        "nothing is recorded with mistakes in a definition file; correct them, or record without");
        return EXIT_BAD_INPUT;
    default:
        return EXIT_CANNOT_OPEN;
    }
}

static int cannot_create(const struct job *job, struct diagnostics *diagnostics)
{
    int error = errno;
    if (error == EEXIST)
        diagnostics_say(diagnostics, SEVERITY_ERROR, job->path,
                        "is there already and is never overwritten; give a new name, or move it away");
    else
        diagnostics_say(diagnostics, SEVERITY_ERROR, job->path, "cannot be created: %s%s", strerror(error),
                        error == ENOENT   ? "; the folder it is to lie in must be there"
                        : error == EACCES ? "; give a folder that you may write to (nothing is written as root here)"
                                          : "");
    return EXIT_CANNOT_CREATE;
}

static int write_failed(const struct job *job, const char *name, int error, struct diagnostics *diagnostics)
{
    bool full = error == ENOSPC || error == EDQUOT;
    diagnostics_say(diagnostics, SEVERITY_ERROR, job->path, "%s: %s%s; nothing is recorded", name,
                    full ? "no room on this disk" : strerror(error),
                    full ? "; make room, or give a folder on another disk" : "");
    return full ? EXIT_CANNOT_CREATE : EXIT_WRITE_FAILED;
}

static bool put_all(int fd, const void *bytes, size_t length)
{
    const char *at = bytes;
    while (length > 0) {
        ssize_t put = write(fd, at, length);
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0) {
            errno = put == 0 ? ENOSPC : errno;
            return false;
        }
        at += put;
        length -= (size_t)put;
    }
    return true;
}

static int make_file(int folder, const char *name)
{
    return openat(folder, name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0666);
}

static int copy_definitions(const struct job *job, const struct definitions *definitions,
                            struct diagnostics *diagnostics)
{
    int folder = -1, code = 0;
    if (mkdirat(job->folder, RECORDER_DEFINITIONS_NAME, 0777) != 0 ||
        (folder = openat(job->folder, RECORDER_DEFINITIONS_NAME, O_RDONLY | O_DIRECTORY | O_CLOEXEC)) < 0)
        return write_failed(job, RECORDER_DEFINITIONS_NAME, errno, diagnostics);
    for (uint32_t i = 0; !code && i < definitions->file_count; i++) {
        const struct def_file *file = &definitions->files[i];
        int fd = make_file(folder, file->name);
        if (fd < 0 || !put_all(fd, file->bytes, file->length) || fsync(fd) != 0)
            code = write_failed(job, file->name, errno, diagnostics);
        if (fd >= 0)
            (void)close(fd);
    }
    if (!code && fsync(folder) != 0)
        code = write_failed(job, RECORDER_DEFINITIONS_NAME, errno, diagnostics);
    (void)close(folder);
    return code;
}

static int make_trace(struct job *job, unsigned i, const char *interface, struct diagnostics *diagnostics)
{
    uint8_t header[TRACE_FILE_HEADER];
    (void)snprintf(job->name[i], sizeof job->name[i], RECORDER_TRACE_PREFIX "%s" RECORDER_TRACE_SUFFIX, interface);
    job->trace[i] = make_file(job->folder, job->name[i]);
    if (job->trace[i] < 0)
        return write_failed(job, job->name[i], errno, diagnostics);
    job->trace_count = i + 1;
    int error = job_reserve(job->trace[i], JOB_TRACE_LEAST);
    if (error == EOPNOTSUPP || error == ENOSYS || error == EINVAL) {
        job->no_reserve = true;
        error = 0;
    }
    if (error)
        return write_failed(job, job->name[i], error, diagnostics);
    records_file_header(header);
    if (!put_all(job->trace[i], header, sizeof header) || fsync(job->trace[i]) != 0)
        return write_failed(job, job->name[i], errno, diagnostics);
    return 0;
}

static int make_log(struct job *job, struct diagnostics *diagnostics)
{
    job->log = make_file(job->folder, RECORDER_LOG_NAME);
    if (job->log < 0 || flock(job->log, LOCK_EX | LOCK_NB) != 0)
        return write_failed(job, RECORDER_LOG_NAME, errno, diagnostics);
    int error = job->no_reserve ? 0 : job_reserve(job->log, JOB_LOG_ROOM);
    return error ? write_failed(job, RECORDER_LOG_NAME, error, diagnostics) : 0;
}

/* The name of the job itself is on disk only when the folder around it is synced. */
static bool sync_around(const char *path)
{
    char *copy = strdup(path);
    size_t length = copy ? strlen(copy) : 0;
    while (length > 1 && copy[length - 1] == '/')
        copy[--length] = '\0';
    char *slash = copy ? strrchr(copy, '/') : NULL;
    if (slash)
        slash[slash == copy] = '\0';
    int fd = copy ? open(slash ? copy : ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC) : -1;
    bool good = fd >= 0 && fsync(fd) == 0;
    if (fd >= 0)
        (void)close(fd);
    free(copy);
    return good;
}

int job_make(struct job *job, const struct options *options, const struct definitions *definitions,
             struct diagnostics *diagnostics)
{
    *job = (struct job){.path = options->into, .folder = -1, .log = -1};
    if (mkdir(options->into, 0777) != 0)
        return cannot_create(job, diagnostics);
    job->folder = open(options->into, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
    int code = job->folder < 0 ? cannot_create(job, diagnostics) : copy_definitions(job, definitions, diagnostics);
    for (unsigned i = 0; !code && i < options->interface_count; i++)
        code = make_trace(job, i, options->interfaces[i], diagnostics);
    if (!code)
        code = make_log(job, diagnostics);
    if (!code && (fsync(job->log) != 0 || fsync(job->folder) != 0 || !sync_around(options->into)))
        code = write_failed(job, "the folder", errno, diagnostics);
    if (code)
        job_remove(job, definitions);
    return code;
}

void job_remove(struct job *job, const struct definitions *definitions)
{
    if (job->folder >= 0) {
        int folder = openat(job->folder, RECORDER_DEFINITIONS_NAME, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
        for (uint32_t i = 0; folder >= 0 && i < definitions->file_count; i++)
            (void)unlinkat(folder, definitions->files[i].name, 0);
        if (folder >= 0)
            (void)close(folder);
        (void)unlinkat(job->folder, RECORDER_DEFINITIONS_NAME, AT_REMOVEDIR);
        for (unsigned i = 0; i < job->trace_count; i++)
            (void)unlinkat(job->folder, job->name[i], 0);
        if (job->log >= 0)
            (void)unlinkat(job->folder, RECORDER_LOG_NAME, 0);
    }
    (void)rmdir(job->path);
    job_close(job);
}

void job_close(struct job *job)
{
    for (unsigned i = 0; i < job->trace_count; i++)
        if (job->trace[i] >= 0) {
            (void)close(job->trace[i]);
            job->trace[i] = -1;
        }
    if (job->log >= 0)
        (void)close(job->log);
    if (job->folder >= 0)
        (void)close(job->folder);
    job->log = job->folder = -1;
}
