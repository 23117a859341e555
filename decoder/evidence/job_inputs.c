/* See job_inputs.h. */
#define _GNU_SOURCE /* flock, asprintf */
#include "job_inputs.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "folder.h"

#define JOB_DEFINITIONS_MAX 128u

bool job_inputs_is_folder(const char *path)
{
    struct stat about;
    return strcmp(path, "-") != 0 && stat(path, &about) == 0 && S_ISDIR(about.st_mode);
}

static int no_memory(struct diagnostics *diagnostics)
{
    return diagnostics_no_memory(diagnostics, NULL);
}

static const char *shown(const struct job_inputs *job, const char *name, char room[512])
{
    (void)snprintf(room, 512, "%.250s/%.250s", job->path, name);
    return room;
}

/* ---- traces ---- */

#define PREFIX "trace-"
#define SUFFIX ".pcap"

static bool is_trace_name(const char *name)
{
    size_t length = strlen(name);
    return length > strlen(PREFIX SUFFIX) && strncmp(name, PREFIX, strlen(PREFIX)) == 0 &&
           strcmp(name + length - strlen(SUFFIX), SUFFIX) == 0;
}

/* "trace-BUS-N.pcap" continues "trace-BUS.pcap" as its N-th file, N from 2; its base's name goes to base. */
static bool continues(const char *name, char base[FOLDER_NAME_MAX], unsigned long *number)
{
    size_t end = strlen(name) - strlen(SUFFIX), at = end;
    while (at > 0 && name[at - 1] >= '0' && name[at - 1] <= '9')
        at--;
    if (at == end || end - at > 6 || at <= strlen(PREFIX) + 1 || name[at - 1] != '-' || name[at] == '0')
        return false;
    *number = strtoul(name + at, NULL, 10);
    (void)snprintf(base, FOLDER_NAME_MAX, "%.*s" SUFFIX, (int)(at - 1), name);
    return *number >= 2;
}

/* What stands between "trace-" and ".pcap". */
static void bus_of(const char *name, char bus[TRACE_BUS_NAME])
{
    (void)snprintf(bus, TRACE_BUS_NAME, "%.*s", (int)(strlen(name) - strlen(PREFIX SUFFIX)), name + strlen(PREFIX));
}

/* One trace file to be. */
struct part {
    const char *name;
    const char *bus;
    bool continued;
};

struct parts {
    struct part list[TRACE_INPUTS_MAX];
    char buses[TRACE_INPUTS_MAX][TRACE_BUS_NAME];
    uint32_t count, bus_count;
    bool too_many;
};

static const struct folder_entry *find_file(const struct folder_list *list, const char *name)
{
    const struct folder_entry *entry = folder_find(list, name);
    return entry && entry->kind == FOLDER_FILE ? entry : NULL;
}

/* A bus: its first file, and the files that continue it. */
static void add_bus(struct parts *parts, const struct folder_list *list, const char *name, const char *bus)
{
    char next[FOLDER_NAME_MAX];
    const struct folder_entry *entry = find_file(list, name);
    if (parts->bus_count == TRACE_INPUTS_MAX) {
        parts->too_many = true;
        return;
    }
    char *kept = parts->buses[parts->bus_count++];
    (void)snprintf(kept, TRACE_BUS_NAME, "%s", bus);
    for (unsigned number = 2; entry; number++) {
        if (parts->count == TRACE_INPUTS_MAX) {
            parts->too_many = true;
            return;
        }
        parts->list[parts->count++] = (struct part){entry->name, kept, number > 2};
        (void)snprintf(next, sizeof next, "%.*s-%u" SUFFIX, (int)(strlen(name) - strlen(SUFFIX)), name, number);
        entry = find_file(list, next);
    }
}

/* Numbers before names, numbers by size: trace-2 stands before trace-10, as verify --into counts them. */
static int compare_names(const void *a, const void *b)
{
    const char *x = *(const char *const *)a, *y = *(const char *const *)b;
    unsigned long first = strtoul(x + strlen(PREFIX), NULL, 10), second = strtoul(y + strlen(PREFIX), NULL, 10);
    if ((first != 0) != (second != 0))
        return first != 0 ? -1 : 1;
    return first != second ? (first < second ? -1 : 1) : strcmp(x, y);
}

/* Without a recorder's first line: what lies there. */
static void find_by_name(struct parts *parts, const struct folder_list *list)
{
    const char *names[FOLDER_ENTRIES_MAX];
    char base[FOLDER_NAME_MAX], bus[TRACE_BUS_NAME];
    unsigned long number;
    size_t count = 0;
    for (uint32_t i = 0; i < list->count; i++) {
        const struct folder_entry *entry = &list->list[i];
        if (entry->kind == FOLDER_FILE && is_trace_name(entry->name) &&
            !(continues(entry->name, base, &number) && find_file(list, base)))
            names[count++] = entry->name;
    }
    // cppcheck-suppress uninitvar ; the first count of them are set
    qsort(names, count, sizeof *names, compare_names);
    for (size_t i = 0; i < count; i++) {
        bus_of(names[i], bus);
        add_bus(parts, list, names[i], bus);
    }
}

static void find_by_log(struct job_inputs *job, struct parts *parts, const struct folder_list *list)
{
    for (uint32_t i = 0; i < job->recorder.bus_count; i++) {
        const struct recorder_bus *bus = &job->recorder.buses[i];
        if (find_file(list, bus->file))
            add_bus(parts, list, bus->file, bus->name);
        else
            diagnostics_say(job->diagnostics, SEVERITY_ERROR, job->path,
                            "lacks %s, the trace of %s that its recorder wrote; find it, nothing can be judged without",
                            bus->file, bus->name);
    }
    for (uint32_t i = 0; i < list->count; i++) {
        bool known = false;
        for (uint32_t k = 0; k < parts->count; k++)
            known = known || strcmp(parts->list[k].name, list->list[i].name) == 0;
        if (!known && is_trace_name(list->list[i].name))
            diagnostics_say(job->diagnostics, SEVERITY_WARNING, job->path,
                            "%s is no trace of this recording, and is left out", list->list[i].name);
    }
}

static int open_traces(struct job_inputs *job, const struct folder_list *list, const struct job_wish *wish)
{
    struct parts *parts = calloc(1, sizeof *parts);
    int code = 0;
    if (!parts)
        return no_memory(job->diagnostics);
    bool by_log = job->recorded && job->recorder.usable;
    if (by_log)
        find_by_log(job, parts, list);
    else
        find_by_name(parts, list);
    if (parts->too_many || (by_log && parts->bus_count < job->recorder.bus_count) || parts->count == 0) {
        if (parts->too_many)
            diagnostics_say(job->diagnostics, SEVERITY_ERROR, job->path, "holds more than %u traces",
                            TRACE_INPUTS_MAX);
        else if (!by_log)
            diagnostics_say(job->diagnostics, SEVERITY_ERROR, job->path,
                            "holds no trace (trace-can0.pcap, trace-1.pcap, ...): is it a job folder?");
        code = parts->too_many ? EXIT_BAD_INPUT : EXIT_CANNOT_OPEN;
    }
    job->paths = code ? NULL : calloc(parts->count, sizeof *job->paths);
    for (uint32_t i = 0; !code && i < parts->count; i++) {
        if (!job->paths || asprintf(&job->paths[i], "%s/%s", job->path, parts->list[i].name) < 0) {
            code = no_memory(job->diagnostics);
            break;
        }
        job->path_count++;
    }
    if (!code)
        code = trace_inputs_open(&job->traces, (const char *const *)job->paths, parts->count, job->diagnostics);
    if (!code && job->traces.count != parts->count) {
        diagnostics_say(job->diagnostics, SEVERITY_ERROR, job->path,
                        "holds a pcapng as one of its traces; give that file to verify --into itself");
        code = EXIT_BAD_INPUT;
    }
    for (uint32_t i = 0; !code && i < parts->count; i++) {
        struct trace_input *input = &job->traces.list[i];
        (void)snprintf(input->bus, sizeof input->bus, "%s", parts->list[i].bus);
        (void)snprintf(input->file, sizeof input->file, "%.*s", (int)sizeof input->file - 1, parts->list[i].name);
        input->continues = parts->list[i].continued;
        if (i < wish->trace_name_count)
            input->name = wish->trace_names[i];
    }
    free(parts);
    return code;
}

/* ---- the other files ---- */

static int load_definitions(struct job_inputs *job, const struct folder_list *list, const struct job_wish *wish)
{
    char *paths[JOB_DEFINITIONS_MAX];
    size_t count = 0;
    int code = 0;
    for (uint32_t i = 0; wish->definition_count == 0 && i < list->count && !code; i++) {
        const struct folder_entry *entry = &list->list[i];
        if (strncmp(entry->name, "definitions/", 12) != 0 || entry->kind != FOLDER_FILE || entry->name[12] == '.')
            continue;
        if (count == JOB_DEFINITIONS_MAX) {
            diagnostics_say(job->diagnostics, SEVERITY_ERROR, job->path, "holds more than %u definition files",
                            JOB_DEFINITIONS_MAX);
            code = EXIT_BAD_INPUT;
        } else if (asprintf(&paths[count], "%s/%s", job->path, entry->name) < 0) {
            code = no_memory(job->diagnostics);
        } else {
            count++;
        }
    }
    job->definitions.main_module = DEF_NONE;
    if (!code && (count || wish->definition_count)) {
        code = load_exit(definitions_load(count ? (const char *const *)paths : wish->definitions,
                                          count ? count : wish->definition_count, job->diagnostics,
                                          &job->definitions));
        job->definitions_loaded = true;
    }
    while (count > 0)
        free(paths[--count]);
    return code;
}

static int load_recorder(struct job_inputs *job, enum job_need need)
{
    char room[512];
    const char *name = shown(job, "recorder.jsonl", room);
    struct folder_stamp stamp;
    int fd = folder_open(job->fd, "recorder.jsonl", &stamp);
    if (fd < 0) {
        diagnostics_say(job->diagnostics, SEVERITY_ERROR, name, "cannot be read: %s; check the rights",
                        strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    job->growing = flock(fd, LOCK_SH | LOCK_NB) != 0 && errno == EWOULDBLOCK;
    job->recorded = true;
    int code = recorder_log_load(&job->recorder, fd, name, job->marks_loaded ? &job->marks : NULL, job->diagnostics);
    (void)close(fd);
    if (job->recorder.why)
        job->growing = false; /* it has said its last word */
    if (!code && job->growing && need == JOB_WHOLE) {
        diagnostics_say(job->diagnostics, SEVERITY_ERROR, job->path,
                        "is still being recorded; stop the recorder first, or follow it with: taretrace watch");
        code = EXIT_BAD_INPUT;
    }
    return code;
}

static int load_marks(struct job_inputs *job)
{
    char room[512];
    int code = marks_load_from_job(&job->marks, shown(job, "marks.jsonl", room), job->diagnostics);
    job->marks_loaded = code == 0;
    return code;
}

static bool has(const struct folder_list *list, const char *name)
{
    return folder_find(list, name) != NULL;
}

static int load_all(struct job_inputs *job, const struct folder_list *list, enum job_need need,
                    const struct job_wish *wish)
{
    int code = 0;
    job->sealed = has(list, "MANIFEST.sha256");
    job->redacted = has(list, "redaction.json");
    if (find_file(list, "marks.jsonl"))
        code = load_marks(job);
    if (!code && has(list, "recorder.jsonl"))
        code = load_recorder(job, need);
    if (!code)
        code = job_options_load(&job->options, job->fd, job->path, job->diagnostics);
    if (!code)
        code = open_traces(job, list, wish);
    return code ? code : load_definitions(job, list, wish);
}

void job_inputs_bare(struct job_inputs *job, struct diagnostics *diagnostics)
{
    memset(job, 0, sizeof *job);
    job->diagnostics = diagnostics;
    job->fd = -1;
    job->definitions.main_module = DEF_NONE;
}

int job_inputs_open_as(struct job_inputs *job, const char *path, enum job_need need, const struct job_wish *wish,
                       struct diagnostics *diagnostics)
{
    struct folder_list list;
    job_inputs_bare(job, diagnostics);
    job->path = path;
    job->fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (job->fd < 0) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, path, "cannot be opened: %s; give the path of a job folder",
                        strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    int code = 0;
    if (!folder_list(&list, job->fd)) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, path, "cannot be read: %s", strerror(errno));
        code = EXIT_CANNOT_OPEN;
    } else if (list.more) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, path, "holds more than %u files: is it a job folder?",
                        FOLDER_ENTRIES_MAX);
        code = EXIT_BAD_INPUT;
    } else {
        code = load_all(job, &list, need, wish);
    }
    folder_list_free(&list);
    return code;
}

int job_inputs_open(struct job_inputs *job, const char *path, enum job_need need, struct diagnostics *diagnostics)
{
    return job_inputs_open_as(job, path, need, &(struct job_wish){0}, diagnostics);
}

void job_inputs_close(struct job_inputs *job)
{
    trace_inputs_close(&job->traces);
    if (job->marks_loaded)
        marks_free(&job->marks);
    if (job->definitions_loaded)
        definitions_free(&job->definitions);
    if (job->recorded)
        recorder_log_free(&job->recorder);
    for (uint32_t i = 0; i < job->path_count; i++)
        free(job->paths[i]);
    free(job->paths);
    if (job->fd >= 0)
        (void)close(job->fd);
    job_inputs_bare(job, job->diagnostics);
}

/* ---- for a run ---- */

void job_inputs_to_pipeline(struct job_inputs *job, struct pipeline_options *options)
{
    *options = (struct pipeline_options){
        .inputs = &job->traces,
        .definitions = &job->definitions,
        .marks = job->marks_loaded ? &job->marks : NULL,
        .recorder = job->recorded && job->recorder.usable ? &job->recorder : NULL,
        .part = job->options.part,
        .pairs = job->options.pairs,
        .pair_count = job->options.pair_count,
        .longest = job->options.longest,
        .id_order = job->options.id_order,
        .diagnostics = job->diagnostics,
    };
}

int job_inputs_bus(const struct job_inputs *job, uint32_t *bus)
{
    char number[16];
    *bus = 0;
    if (!job->options.bus[0])
        return 0;
    uint32_t index = 0;
    for (uint32_t i = 0; i < job->traces.count; i++) {
        const struct trace_input *input = &job->traces.list[i];
        if (input->continues)
            continue;
        index++;
        (void)snprintf(number, sizeof number, "%u", (unsigned)index);
        if (strcmp(input->bus[0] ? input->bus : number, job->options.bus) == 0) {
            *bus = index;
            return 0;
        }
    }
    diagnostics_say(job->diagnostics, SEVERITY_ERROR, NULL,
                    "there is no bus %.40s: the traces given hold %u; name one as the answers do (1, 2, ... or can0)",
                    job->options.bus, (unsigned)index);
    return EXIT_USAGE;
}
