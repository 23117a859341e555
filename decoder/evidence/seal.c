/* See seal.h. */
#define _GNU_SOURCE /* renameat2, RENAME_EXCHANGE */
#include "seal.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../support/interrupt.h"
#include "derive.h"
#include "folder_change.h"
#include "job_folder.h"
#include "manifest.h"

/* A file of the job as it was when it was taken over. */
struct taken {
    const char *name; /* of the listing */
    struct folder_stamp stamp;
};

struct sealing {
    const struct seal_request *request;
    struct diagnostics *diagnostics;
    char *path;             /* absolute, no links: the name that the sealed folder gets */
    int fd;                 /* of the job as it is */
    int lock;               /* marks.jsonl, locked; -1 when there is none */
    struct folder_list files;
    struct taken *taken;    /* one for each of files, in the same order; no name: not taken over */
    struct folder_change change;
    struct manifest manifest;
};

static int no_memory(struct sealing *sealing)
{
    return diagnostics_no_memory(sealing->diagnostics, NULL);
}

static int refuse(struct sealing *sealing, const char *what)
{
    diagnostics_say(sealing->diagnostics, SEVERITY_ERROR, sealing->request->path, "%s", what);
    return EXIT_BAD_INPUT;
}

static int refuse_file(struct sealing *sealing, const char *name, const char *what)
{
    diagnostics_say(sealing->diagnostics, SEVERITY_ERROR, sealing->request->path, "%s %s", name, what);
    return EXIT_BAD_INPUT;
}

static int cannot_read(struct sealing *sealing, const char *name, int error)
{
    if (error == EINTR || interrupt_asked()) {
        diagnostics_say(sealing->diagnostics, SEVERITY_WARNING, sealing->request->path,
                        "stopped before it was sealed: it is as it was");
        return EXIT_INTERRUPTED;
    }
    diagnostics_say(sealing->diagnostics, SEVERITY_ERROR, sealing->request->path, "%s cannot be read: %s", name,
                    strerror(error));
    return EXIT_CANNOT_OPEN;
}

/* ---- what is to be sealed ---- */

static int open_job(struct sealing *sealing)
{
    const char *shown = sealing->request->path;
    struct stat here, job;
    sealing->path = realpath(shown, NULL);
    if (sealing->path)
        sealing->fd = open(sealing->path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (sealing->fd < 0) {
        diagnostics_say(sealing->diagnostics, SEVERITY_ERROR, shown,
                        errno == ENOTDIR ? "is no job folder; make one of a trace: taretrace verify TRACE --into JOB"
                                         : "cannot be opened: %s; check the path",
                        strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    if (stat(".", &here) == 0 && fstat(sealing->fd, &job) == 0 && here.st_dev == job.st_dev &&
        here.st_ino == job.st_ino)
        return refuse(sealing, "is the folder this runs in, which sealing replaces; go to the one above it (cd ..)");
    return 0;
}

static bool is_derived(const char *name)
{
    for (size_t i = 0; derived_names[i]; i++)
        if (strcmp(name, derived_names[i]) == 0)
            return true;
    return false;
}

/* Only what a manifest can list, and nothing that was left half done. */
static int check_files(struct sealing *sealing)
{
    if (!folder_list(&sealing->files, sealing->fd))
        return errno == ENOMEM ? no_memory(sealing) : cannot_read(sealing, "the folder", errno);
    if (folder_find(&sealing->files, MANIFEST_NAME) || folder_find(&sealing->files, MANIFEST_SIGNATURE_NAME))
        return refuse(sealing, "is sealed already, and a seal is never replaced; check it: taretrace audit JOB");
    if (folder_find(&sealing->files, MANIFEST_TOKEN_NAME))
        return refuse_file(sealing, MANIFEST_TOKEN_NAME,
                           "is the timestamp of another seal; move it away, then seal");
    if (sealing->files.more)
        return refuse(sealing, "holds more files than a job can have; take out what does not belong to it");
    for (uint32_t i = 0; i < sealing->files.count; i++) {
        const struct folder_entry *entry = &sealing->files.list[i];
        const char *fault = folder_name_fault(entry->name, strlen(entry->name));
        if (entry->kind != FOLDER_FILE) {
            diagnostics_say(sealing->diagnostics, SEVERITY_ERROR, sealing->request->path,
                            "%s is %s; a sealed job holds files only, take it out", entry->name,
                            folder_kind_text(entry->kind));
            return EXIT_BAD_INPUT;
        }
        if (fault) {
            diagnostics_say(sealing->diagnostics, SEVERITY_ERROR, sealing->request->path,
                            "the name of %s %s; a manifest cannot list it, rename it or take it out", entry->name,
                            fault);
            return EXIT_BAD_INPUT;
        }
        if (strstr(entry->name, JOB_UNFINISHED))
            return refuse_file(sealing, entry->name, "was left by a run that was broken off; remove it, then seal");
    }
    return 0;
}

/* Nobody notes anything while the folder is taken over. */
static int lock_marks(struct sealing *sealing)
{
    struct folder_stamp stamp;
    if (!folder_find(&sealing->files, "marks.jsonl"))
        return 0;
    sealing->lock = folder_open(sealing->fd, "marks.jsonl", &stamp);
    if (sealing->lock < 0)
        return cannot_read(sealing, "marks.jsonl", errno);
    if (flock(sealing->lock, LOCK_EX | LOCK_NB) != 0)
        return refuse(sealing, "gets a mark just now; run again");
    return 0;
}

/* ---- the new folder ---- */

/* Everything that is not derived; the traces linked, the rest copied. */
static int take_over(struct sealing *sealing)
{
    int code = 0;
    sealing->taken = calloc(sealing->files.count + 1u, sizeof *sealing->taken);
    if (!sealing->taken)
        return no_memory(sealing);
    if (sealing->files.has_definitions)
        code = folder_change_make(&sealing->change, "definitions");
    for (uint32_t i = 0; i < sealing->files.count && !code; i++) {
        const char *name = sealing->files.list[i].name;
        if (is_derived(name))
            continue;
        bool trace = strncmp(name, "trace-", 6) == 0;
        code = folder_change_take(&sealing->change, sealing->fd, name, trace, &sealing->taken[i].stamp);
        sealing->taken[i].name = name;
    }
    return code;
}

/* A file that came since the folder was looked at would be neither sealed nor left where it was. */
static bool same_names(const struct sealing *sealing, int fd)
{
    struct folder_list now;
    bool same = folder_list(&now, fd) && !now.more && now.count == sealing->files.count;
    for (uint32_t i = 0; same && i < now.count; i++)
        same = strcmp(now.list[i].name, sealing->files.list[i].name) == 0; /* both are sorted */
    folder_list_free(&now);
    return same;
}

/* Is the job still what was taken over? */
static bool unchanged(const struct sealing *sealing, int fd)
{
    struct folder_stamp now;
    if (!same_names(sealing, fd))
        return false;
    for (uint32_t i = 0; i < sealing->files.count; i++) {
        const struct taken *taken = &sealing->taken[i];
        if (taken->name && (!folder_look(fd, taken->name, &now) || !folder_stamp_same(&now, &taken->stamp)))
            return false;
    }
    return true;
}

static int derive(struct sealing *sealing, struct seal_result *result)
{
    struct job_inputs job;
    struct derived derived;
    int code = job_inputs_open(&job, sealing->change.temporary, JOB_WHOLE, sealing->diagnostics);
    if (!code) {
        const struct derive_request request = {
            .job = &job, .folder = sealing->change.fd, .progress = sealing->request->progress};
        code = derive_run(&request, &derived);
        if (!code)
            result->verdict = derived.about.verdict->exit_code;
        derived_free(&derived);
    }
    job_inputs_close(&job);
    return code;
}

/* Hashes of all files of the new folder, as they lie there. */
static int list_hashes(struct sealing *sealing)
{
    struct folder_list files;
    int code = 0;
    if (!folder_list(&files, sealing->change.fd))
        code = errno == ENOMEM ? no_memory(sealing) : cannot_read(sealing, "the new folder", errno);
    else if (!manifest_of(&sealing->manifest, &files))
        code = no_memory(sealing);
    for (uint32_t i = 0; i < sealing->manifest.count && !code; i++) {
        struct manifest_line *line = &sealing->manifest.list[i];
        if (!folder_hash(sealing->change.fd, line->name, line->sha256, &line->stamp))
            code = cannot_read(sealing, line->name, errno);
    }
    folder_list_free(&files);
    return code;
}

static int sign(struct sealing *sealing, struct seal_result *result)
{
    struct buffer text;
    struct sink sink;
    int code = 0;
    buffer_init(&text, MANIFEST_BYTES_MAX);
    if (!sink_open_memory(&sink, &text))
        return no_memory(sealing);
    manifest_write(&sealing->manifest, &sink);
    if (!sink_close(&sink) || !digest_of(text.data, text.length, result->manifest_sha256) ||
        !signature_make(sealing->request->key, text.data, text.length, result->signature))
        code = no_memory(sealing);
    if (!code)
        code = folder_change_put(&sealing->change, MANIFEST_NAME, text.data, text.length);
    if (!code)
        code = folder_change_put(&sealing->change, MANIFEST_SIGNATURE_NAME, result->signature, SIGNATURE_BYTES);
    result->files = sealing->manifest.count;
    buffer_free(&text);
    return code;
}

static int build(struct sealing *sealing, struct seal_result *result)
{
    int code = take_over(sealing);
    if (!code)
        code = derive(sealing, result);
    if (!code)
        code = list_hashes(sealing);
    if (!code)
        code = sign(sealing, result);
    if (!code && (!unchanged(sealing, sealing->fd)))
        code = refuse(sealing, "was changed while it was sealed; stop whatever writes into it and run again");
    return code;
}

/* What came after the last look is not sealed, and not thrown away either. */
static void remove_old(struct sealing *sealing)
{
    if (unchanged(sealing, sealing->fd)) {
        folder_change_remove_old(&sealing->change);
        return;
    }
    diagnostics_say(sealing->diagnostics, SEVERITY_WARNING, sealing->change.temporary,
                    "is the folder as it was before, and something was written there at the last moment that is not "
                    "sealed; it is kept, look at it");
    folder_change_keep_old(&sealing->change);
}

int seal_job(const struct seal_request *request, struct seal_result *result)
{
    struct sealing sealing = {.request = request, .diagnostics = request->diagnostics, .fd = -1, .lock = -1};
    struct job_inputs job;
    *result = (struct seal_result){.files = 0};
    sealing.change.fd = -1;
    int code = open_job(&sealing);
    if (!code)
        code = check_files(&sealing);
    if (!code) {
        code =
            job_inputs_open(&job, sealing.path, JOB_WHOLE, request->diagnostics); /* a trace, and no recorder at work */
        job_inputs_close(&job);
    }
    if (!code)
        code = lock_marks(&sealing);
    if (!code)
        code = folder_change_begin(&sealing.change, sealing.path, sealing.fd, request->diagnostics);
    if (!code)
        code = build(&sealing, result);
    if (!code)
        code = folder_change_commit(&sealing.change);
    if (!code)
        remove_old(&sealing);
    folder_change_end(&sealing.change);
    manifest_free(&sealing.manifest);
    folder_list_free(&sealing.files);
    free(sealing.taken);
    free(sealing.path);
    if (sealing.lock >= 0)
        (void)close(sealing.lock);
    if (sealing.fd >= 0)
        (void)close(sealing.fd);
    return code;
}
