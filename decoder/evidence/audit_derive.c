/* See audit.h: the recorder's log, everything derived anew, and what stays unproven. */
#define _GNU_SOURCE /* mkdtemp */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "audit_log.h"
#include "audit_parts.h"
#include "folder_disk.h"

#define COMPARE_ROOM (64u * 1024u)

/* ---- whose version made it ---- */

static const char *past(const char *at, const char *word)
{
    size_t length = strlen(word);
    at += strspn(at, " \n");
    return strncmp(at, word, length) == 0 ? at + length : NULL;
}

/*
 * verdict.json begins with its format and version in every format there will be. Anything else there is for the
 * comparison to find. True: it is another version's.
 */
static int check_version(struct auditing *auditing, bool *other)
{
    char head[129], version[33];
    struct folder_stamp stamp;
    unsigned format;
    int fd = folder_open(auditing->fd, "verdict.json", &stamp);
    *other = false;
    if (fd < 0)
        return errno == ENOENT ? 0 : audit_cannot_read(auditing, "verdict.json", errno);
    size_t got;
    bool good = folder_read_at(fd, head, sizeof head - 1, 0, &got);
    int error = errno;
    (void)close(fd);
    if (!good)
        return audit_cannot_read(auditing, "verdict.json", error);
    head[got] = '\0';
    const char *at = past(head, "{");
    at = at ? past(at, "\"format\":") : NULL;
    if (!at || sscanf(at, " %6u , \"version\": \"%32[0-9A-Za-z.+~-]\"", &format, version) != 2)
        return 0;
    *other = format != VERDICT_FORMAT || strcmp(version, TT_VERSION) != 0;
    if (*other)
        audit_found(auditing, AUDIT_OTHER_VERSION,
                    "made by format %u, version %s (this is format %u, version " TT_VERSION "): hashes and signature "
                    "%s, not derived again; audit it with that version",
                    format, version, VERDICT_FORMAT, auditing->request->key ? "good" : "not both checked");
    return 0;
}

/* ---- the recorder's log ---- */

/* What the first line of the log fixed must lie there as it was. */
static void check_fixed(struct auditing *auditing, const struct recorder_log *log)
{
    char name[FOLDER_NAME_MAX];
    for (uint32_t i = 0; i < log->definition_count; i++) {
        const char *file = log->definitions[i].file;
        bool prefixed = strncmp(file, "definitions/", 12) == 0;
        (void)snprintf(name, sizeof name, "%s%.280s", prefixed ? "" : "definitions/", file);
        const struct manifest_line *line = manifest_find(&auditing->manifest, name);
        if (!line)
            audit_found(auditing, AUDIT_MISSING, "%s, which the recorder noted when it began", name);
        else if (strcmp(line->sha256, log->definitions[i].sha256) != 0)
            audit_found(auditing, AUDIT_CHANGED,
                        "%s is not the file that the recorder noted when it began: limits were changed before it was "
                        "sealed", name);
    }
}

/* Before anything is derived: the log by itself, and against what was fixed. */
static int check_log(struct auditing *auditing, const struct job_inputs *job, struct audit_log *own)
{
    const struct recorder_log *log = &job->recorder;
    struct folder_stamp stamp;
    *own = (struct audit_log){.fewer_line = 0};
    if (!job->recorded)
        return 0;
    int fd = folder_open(auditing->fd, "recorder.jsonl", &stamp);
    bool good = fd >= 0 && audit_log_read(own, fd);
    int error = errno;
    if (fd >= 0)
        (void)close(fd);
    if (!good)
        return audit_cannot_read(auditing, "recorder.jsonl", error);
    if (own->fewer_line)
        audit_found(auditing, AUDIT_FEWER, "recorder.jsonl, line %llu %s", (unsigned long long)own->fewer_line,
                    own->fewer);
    if (log->damage[0])
        audit_found(auditing, AUDIT_CHAIN, "recorder.jsonl, %s", log->damage);
    else if (!log->usable)
        audit_found(auditing, AUDIT_CHAIN, "recorder.jsonl holds no whole line");
    if (log->marks_changed)
        audit_found(auditing, AUDIT_CHANGED,
                    "marks.jsonl is not what the recorder saw: marks were changed before it was "
                    "sealed");
    check_fixed(auditing, log);
    return 0;
}

/* After the traces were read: are they the ones that were recorded? */
static void check_traces(struct auditing *auditing, const struct job_inputs *job, const struct derived *derived,
                         const struct audit_log *own)
{
    const struct recorder_log *log = &job->recorder;
    for (uint32_t i = 0; job->recorded && i < log->bus_count; i++) {
        const struct recorder_bus *bus = &log->buses[i];
        if (bus->differs)
            audit_found(auditing, AUDIT_CHANGED,
                        "%.60s is not the trace that was recorded: behind frame %llu a checkpoint of the recorder says "
                        "otherwise",
                        bus->file, (unsigned long long)bus->agreed_frames);
        else if (bus->trace_frames < bus->frames)
            audit_found(auditing, AUDIT_CHANGED, "%.60s holds %llu frames, and the recorder wrote %llu at least",
                        bus->file, (unsigned long long)bus->trace_frames, (unsigned long long)bus->frames);
        else if (own->ended && bus->trace_frames > bus->frames)
            audit_found(auditing, AUDIT_CHANGED, "%.60s holds %llu frames, and the recorder closed it with %llu",
                        bus->file, (unsigned long long)bus->trace_frames, (unsigned long long)bus->frames);
        else if (own->has_last && bus->trace_frames > bus->frames &&
                 derived->result.last_time > own->last_time + AUDIT_LOG_APART)
            audit_found(auditing, AUDIT_FEWER,
                        "%.60s goes on for %lld s behind the last checkpoint of recorder.jsonl, where one is made each "
                        "second",
                        bus->file, (long long)((derived->result.last_time - own->last_time) / TT_SECOND));
    }
}

/* ---- byte by byte ---- */

/* Both files, in blocks; where they part is named. */
static int compare_open(struct auditing *auditing, const char *name, int theirs, int ours, uint8_t *room)
{
    uint8_t *other = room + COMPARE_ROOM;
    for (off_t at = 0;; at += COMPARE_ROOM) {
        size_t a, b, i = 0;
        if (!folder_read_at(theirs, room, COMPARE_ROOM, at, &a) || !folder_read_at(ours, other, COMPARE_ROOM, at, &b))
            return audit_cannot_read(auditing, name, errno);
        while (i < a && i < b && room[i] == other[i])
            i++;
        if (i < a || i < b) {
            audit_found(auditing, AUDIT_NOT_REPRODUCED,
                        "%s does not follow from the record: the first difference is at "
                        "offset %lld%s",
                        name, (long long)at + (long long)i,
                        i == a   ? ", where it ends"
                        : i == b ? ", where what follows ends"
                                 : "");
            return 0;
        }
        if (a < COMPARE_ROOM)
            return 0;
    }
}

static int compare_file(struct auditing *auditing, const char *name, int folder, uint8_t *room)
{
    struct folder_stamp stamp;
    if (!manifest_find(&auditing->manifest, name)) {
        audit_found(auditing, AUDIT_NOT_REPRODUCED, "%s follows from the record and is not in the folder", name);
        return 0;
    }
    int theirs = folder_open(auditing->fd, name, &stamp);
    if (theirs < 0)
        return audit_cannot_read(auditing, name, errno);
    int ours = folder_open(folder, name, &stamp);
    int code = ours < 0 ? audit_cannot_read(auditing, name, errno) : compare_open(auditing, name, theirs, ours, room);
    (void)close(theirs);
    if (ours >= 0)
        (void)close(ours);
    return code;
}

static int compare(struct auditing *auditing, int folder)
{
    int code = 0;
    uint8_t *room = malloc(2u * COMPARE_ROOM);
    if (!room)
        return audit_no_memory(auditing);
    for (size_t i = 0; derived_names[i] && !code; i++)
        code = compare_file(auditing, derived_names[i], folder, room);
    free(room);
    return code;
}

/* ---- what is proven, and what is not ---- */

static void tell_recorder(struct auditing *auditing, const struct job_inputs *job)
{
    char text[RECORDER_NOTE_MAX > RECORDER_PASSIVE_MAX ? RECORDER_NOTE_MAX : RECORDER_PASSIVE_MAX];
    const struct recorder_log *log = &job->recorder;
    if (!job->recorded) {
        audit_unproven(auditing,
                       "how it was recorded: no recorder's log lies in the folder, so neither losses are known, "
                       "nor whether whatever recorded it kept silent, nor whether the limits were fixed before");
        return;
    }
    audit_proven(auditing, "recorded", "%llu checkpoints of the recorder are in order and agree with the traces%s",
                 (unsigned long long)log->checkpoints, job->marks_loaded ? " and the marks" : "");
    recorder_log_passive(log, text);
    if (strcmp(text, "yes") != 0)
        audit_unproven(auditing, "that the recorder kept silent on the bus: %s", text);
    for (uint32_t i = 0; recorder_log_note(log, i, text); i++)
        audit_unproven(auditing, "what the recorder could not vouch for: %s", text);
    for (uint32_t i = 0; i < job->definitions.file_count; i++) {
        const struct def_file *file = &job->definitions.files[i];
        char sha256[DIGEST_TEXT];
        if (!digest_of(file->bytes, file->length, sha256) || !recorder_log_fixed(log, file->name, sha256))
            audit_unproven(auditing, "that the limits were fixed before the recording: definitions/%.80s came later",
                           file->name);
    }
}

/* What was noted when nobody watched (D 11.2), withdrawals too, is the word of whoever held the folder. */
static void tell_marks(struct auditing *auditing, const struct job_inputs *job)
{
    const struct mark *first = NULL;
    uint32_t count = 0;
    for (uint32_t i = 0; job->recorded && job->marks_loaded && i < job->marks.count; i++) {
        const struct mark *mark = &job->marks.list[i];
        if (!mark_covered_text(mark->covered))
            continue;
        first = first ? first : mark;
        count++;
    }
    if (first)
        audit_unproven(auditing, "that %u mark%s noted when %s: %sline %u of marks.jsonl was %s", count,
                       count == 1 ? " was" : "s were", count == 1 ? "it says" : "they say",
                       count == 1 ? "" : "the first of them, ", first->line, mark_covered_text(first->covered));
}

/* A challenge counts from where it stands: nothing before it can have been made for it (D 11.1). */
static void tell_challenge(struct auditing *auditing, const struct job_inputs *job)
{
    if (job->marks_loaded && job->marks.count > 0 && job->marks.list[0].kind == MARK_CHALLENGE)
        audit_unproven(auditing,
                       "who chose the challenge in the first mark (\"%.200s\"): the record is not older than the "
                       "day it was given out; ask whoever gave it",
                       job->marks.list[0].text);
    else
        audit_unproven(auditing, "when it was recorded: no challenge by a third person is its first mark");
}

/* Files that are neither raw nor derived are signed as they are. */
static void tell_others(struct auditing *auditing)
{
    static const char *const known[] = {"recorder.jsonl", "marks.jsonl", "options.json"};
    for (uint32_t i = 0; i < auditing->manifest.count; i++) {
        const char *name = auditing->manifest.list[i].name;
        if (strcmp(name, "redaction.json") == 0) {
            audit_unproven(
                auditing,
                "that it says the same as its original: this is a redacted copy, made from the job that "
                "redaction.json names; traces, marks and recorder's log were written anew by whoever made it");
            continue;
        }
        bool expected = strncmp(name, "trace-", 6) == 0 || strncmp(name, "definitions/", 12) == 0;
        for (size_t k = 0; k < sizeof known / sizeof known[0]; k++)
            expected = expected || strcmp(name, known[k]) == 0;
        for (size_t k = 0; derived_names[k]; k++)
            expected = expected || strcmp(name, derived_names[k]) == 0;
        if (!expected)
            audit_unproven(auditing, "what is in %.280s: it was signed as it is, and nothing follows from it", name);
    }
}

static void tell_always(struct auditing *auditing)
{
    if (auditing->request->key)
        audit_unproven(auditing,
                       "whose key it is: compare its fingerprint with one that came another way than this folder");
    audit_unproven(auditing,
                   "that the frames came from this car, and that the weight was on the seat: whoever holds key "
                   "and computer can write any trace");
}

/* ---- the run ---- */

/* A folder of our own, so that nobody else's file can be mistaken for what was derived. */
static int make_folder(struct auditing *auditing, char **path, int *fd)
{
    const char *place = getenv("TMPDIR");
    if (!place || !place[0])
        place = "/tmp";
    static const char ending[] = "/taretrace-audit-XXXXXX";
    *path = malloc(strlen(place) + sizeof ending);
    if (!*path)
        return audit_no_memory(auditing);
    (void)memcpy(stpcpy(*path, place), ending, sizeof ending);
    *fd = mkdtemp(*path) ? open(*path, O_RDONLY | O_DIRECTORY | O_CLOEXEC) : -1;
    if (*fd >= 0)
        return 0;
    diagnostics_say(auditing->request->diagnostics, SEVERITY_ERROR, place,
                    "no folder can be made in it for what is derived anew: %s; name another place in TMPDIR",
                    strerror(errno));
    return EXIT_CANNOT_CREATE;
}

static void remove_folder(char *path, int fd)
{
    if (fd >= 0) {
        folder_empty(fd);
        (void)rmdir(path);
    }
    free(path);
}

/* What does not even open, or breaks off as unusable, cannot have given the files that lie there. */
static int judge_failure(struct auditing *auditing, int code)
{
    if (code != EXIT_BAD_INPUT && code != EXIT_CANNOT_OPEN && code != EXIT_USAGE)
        return code;
    audit_found(auditing, AUDIT_NOT_REPRODUCED, "nothing follows from this record, for the reason told above");
    return 0;
}

static int reproduce(struct auditing *auditing, struct job_inputs *job, const struct audit_log *own)
{
    struct derived derived;
    char *path = NULL;
    int fd = -1, code = make_folder(auditing, &path, &fd);
    if (!code) {
        const struct derive_request request = {.job = job, .folder = fd, .progress = auditing->request->progress};
        code = derive_run(&request, &derived);
        if (!code) {
            check_traces(auditing, job, &derived, own);
            code = compare(auditing, fd);
        } else {
            code = judge_failure(auditing, code);
        }
        derived_free(&derived);
    }
    remove_folder(path, fd);
    if (!code && !audit_failed(auditing)) {
        audit_proven(auditing, "reproduced", "readings, log, verdict and report follow byte for byte from what was "
                     "recorded, noted and defined (version " TT_VERSION ")");
        tell_recorder(auditing, job);
        tell_marks(auditing, job);
        tell_challenge(auditing, job);
    }
    return code;
}

int audit_derive(struct auditing *auditing)
{
    struct job_inputs job;
    struct audit_log own = {.fewer_line = 0};
    bool other;
    int code = check_version(auditing, &other);
    if (!code && !other) {
        code = job_inputs_open(&job, auditing->request->path, JOB_WHOLE, auditing->request->diagnostics);
        if (code)
            code = judge_failure(auditing, code);
        else
            code = check_log(auditing, &job, &own);
        if (!code && !audit_failed(auditing))
            code = reproduce(auditing, &job, &own);
        job_inputs_close(&job);
    }
    if (!code && !audit_failed(auditing)) {
        tell_others(auditing);
        tell_always(auditing);
    }
    return code;
}
