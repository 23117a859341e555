/* See derive.h. */
#define _POSIX_C_SOURCE 200809L
#include "derive.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../outputs/readings_csv.h"
#include "../outputs/report_html.h"
#include "../stages/service_fields.h"
#include "../support/interrupt.h"
#include "derive_parts.h"
#include "job_folder.h"

enum file { READINGS, LOG, VERDICT, REPORT, FILES };
const char *const derived_names[] = {"readings.csv", "log.jsonl", "verdict.json", "report.html", NULL};

#define WARNINGS_MAX 8 /* there are fewer texts of this kind */

/* A run at work. */
struct derive {
    const struct derive_request *request;
    struct derived *derived;
    struct diagnostics *diagnostics;
    struct view view;
    struct sink sinks[FILES];
    bool opened[FILES]; /* the sink is open */
    bool there[FILES];  /* its unfinished file is in the folder */
    struct report *report;
    const char *warned[WARNINGS_MAX]; /* texts told */
    uint32_t warned_count;
};

static int no_memory(struct derive *derive)
{
    return diagnostics_no_memory(derive->diagnostics, NULL);
}

/* ---- the files ---- */

static bool wanted(const struct derive *derive, enum file file)
{
    return derive->request->folder >= 0 && (!derive->request->only_report || file == REPORT);
}

static void unfinished_name(enum file file, char name[64])
{
    (void)snprintf(name, 64, "%s" JOB_UNFINISHED, derived_names[file]);
}

static int write_failed(struct derive *derive, enum file file, int error)
{
    diagnostics_say(derive->diagnostics, SEVERITY_ERROR, derive->request->job->path,
                    "%s could not be written: %s; the old files are as they were, make room and run again",
                    derived_names[file], strerror(error));
    return EXIT_WRITE_FAILED;
}

static int open_file(struct derive *derive, enum file file)
{
    char name[64];
    if (!wanted(derive, file))
        return 0;
    unfinished_name(file, name);
    (void)unlinkat(derive->request->folder, name, 0); /* of a run that was killed */
    int fd = openat(derive->request->folder, name, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0666);
    if (fd < 0)
        return write_failed(derive, file, errno);
    derive->there[file] = true;
    if (!sink_open_fd(&derive->sinks[file], fd, true)) {
        (void)close(fd);
        return no_memory(derive);
    }
    derive->opened[file] = true;
    return 0;
}

/* Syncs and closes; 0, or EXIT_WRITE_FAILED. */
static int close_file(struct derive *derive, enum file file)
{
    struct sink *sink = &derive->sinks[file];
    if (!derive->opened[file])
        return 0;
    derive->opened[file] = false;
    return sink_close_synced(sink) ? 0 : write_failed(derive, file, sink->error);
}

/* All are whole: they get their names. */
static int name_files(struct derive *derive)
{
    char name[64];
    for (int i = 0; i < FILES; i++) {
        if (!derive->there[i])
            continue;
        unfinished_name((enum file)i, name);
        if (renameat(derive->request->folder, name, derive->request->folder, derived_names[i]) != 0)
            return write_failed(derive, (enum file)i, errno);
        derive->there[i] = false;
    }
    if (derive->request->folder >= 0 && fsync(derive->request->folder) != 0) {
        diagnostics_say(derive->diagnostics, SEVERITY_ERROR, derive->request->job->path,
                        "is written, but the disk did not confirm the names in it: %s; look for them after a power cut",
                        strerror(errno));
        return EXIT_WRITE_FAILED;
    }
    return 0;
}

static void drop_files(struct derive *derive)
{
    char name[64];
    for (int i = 0; i < FILES; i++) {
        if (derive->opened[i])
            (void)!sink_close(&derive->sinks[i]);
        unfinished_name((enum file)i, name);
        if (derive->there[i])
            (void)unlinkat(derive->request->folder, name, 0);
    }
}

/* ---- what goes into them as the run goes ---- */

static void stop_when_failed(struct derive *derive)
{
    if ((derive->opened[LOG] && derive->sinks[LOG].error) || (derive->opened[READINGS] && derive->sinks[READINGS].error))
        pipeline_stop(derive->derived->pipeline);
}

#define TELL(derive, kind, ...)                                                                       \
    do {                                                                                              \
        const struct pipeline_listener *also_ = (derive)->request->listener;                          \
        if (also_ && also_->kind)                                                                     \
            also_->kind(also_->context, __VA_ARGS__);                                                 \
    } while (0)

static void on_frame(void *context, const struct frame *frame)
{
    TELL((struct derive *)context, frame, frame);
}

static void on_other(void *context, const struct frame *frame)
{
    TELL((struct derive *)context, other, frame);
}

static void on_message(void *context, const struct message *message)
{
    struct derive *derive = context;
    TELL(derive, message, message);
    if (derive->opened[LOG])
        log_message(&derive->view, &derive->sinks[LOG], message);
    if (derive->report)
        report_message(derive->report, message);
}

/* Pyrotechnics are told loudly (D 8.6): each of the warnings once, at its first frame; the log has every one. */
static void tell_warning(struct derive *derive, const struct exchange *exchange)
{
    const char *text;
    if (service_warning(exchange, &text) != SERVICE_SAFETY)
        return;
    for (uint32_t i = 0; i < derive->warned_count; i++)
        if (derive->warned[i] == text)
            return;
    if (derive->warned_count < WARNINGS_MAX)
        derive->warned[derive->warned_count++] = text;
    diagnostics_say(derive->diagnostics, SEVERITY_WARNING, NULL, "%s: %.80s, bus %s, frame %llu", text,
                    view_module_name(&derive->view, exchange->module), view_bus_name(&derive->view, exchange->bus),
                    (unsigned long long)exchange->request.first_frame);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct derive *derive = context;
    tell_warning(derive, event->exchange);
    TELL(derive, exchange, event, content);
    if (derive->report)
        report_exchange(derive->report, event, content);
    if (!derive->opened[LOG])
        return;
    log_exchange(&derive->view, &derive->sinks[LOG], event, content);
    stop_when_failed(derive);
}

static void on_reading(void *context, const struct reading_event *event)
{
    struct derive *derive = context;
    TELL(derive, reading, event);
    if (derive->report)
        report_reading(derive->report, event);
    if (!derive->opened[LOG])
        return;
    log_reading(&derive->view, &derive->sinks[LOG], event);
    if (event->kind == READING_VALUE)
        readings_csv_reading(&derive->view, &derive->sinks[READINGS], event);
    stop_when_failed(derive);
}

static void on_step(void *context, const struct step_event *event)
{
    struct derive *derive = context;
    TELL(derive, step, event);
    if (derive->opened[LOG])
        log_step(&derive->view, &derive->sinks[LOG], event);
    if (derive->report)
        report_step(derive->report, event);
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    struct derive *derive = context;
    TELL(derive, fault, stage, reason, frame);
    if (derive->opened[LOG])
        log_fault(&derive->view, &derive->sinks[LOG], stage, reason, frame);
    if (derive->report)
        report_fault(derive->report, stage, reason, frame);
}

static void on_event(void *context, const char *what, const struct frame *frame)
{
    struct derive *derive = context;
    TELL(derive, event, what, frame);
    if (derive->opened[LOG])
        log_event(&derive->view, &derive->sinks[LOG], what, frame);
    if (derive->report)
        report_event(derive->report, what, frame);
}

static void on_recorded(void *context, const struct recorder_event *event, const struct frame *frame)
{
    struct derive *derive = context;
    TELL(derive, recorded, event, frame);
    if (derive->opened[LOG])
        log_recorded(&derive->view, &derive->sinks[LOG], event, frame);
    if (derive->report)
        report_recorded(derive->report, event, frame);
}

static void on_displayed(void *context, const struct displayed *displayed)
{
    struct derive *derive = context;
    TELL(derive, displayed, displayed);
    if (derive->opened[LOG])
        log_displayed(&derive->view, &derive->sinks[LOG], displayed);
}

/* ---- what the run comes to ---- */

/* Marks that stand nowhere are in the log all the same. */
static void log_unbound(struct derive *derive)
{
    const struct job_inputs *job = derive->request->job;
    if (!derive->opened[LOG])
        return;
    for (uint32_t i = 0; job->marks_loaded && i < job->marks.count; i++)
        if (job->marks.list[i].places != 1)
            log_unbound_mark(&derive->view, &derive->sinks[LOG], &job->marks.list[i]);
    const struct displayed_list *displayed = derive->derived->result.displayed;
    for (uint32_t i = 0; displayed && i < displayed->count; i++)
        if (displayed->list[i].answer == DISPLAYED_UNBOUND)
            log_displayed(&derive->view, &derive->sinks[LOG], &displayed->list[i]);
}

/* What the trace did to the marks (D 7.1). */
static void tell_marks(struct derive *derive)
{
    const struct job_inputs *job = derive->request->job;
    const char *shown = job->marks_shown ? job->marks_shown : "marks.jsonl";
    for (uint32_t i = 0; job->marks_loaded && i < job->marks.count; i++) {
        const struct mark *mark = &job->marks.list[i];
        char place[400];
        (void)snprintf(place, sizeof place, "%.360s:%u", shown, mark->line);
        if (mark->places > 1)
            diagnostics_say(
                derive->diagnostics, SEVERITY_WARNING, place,
                "the clock went back, and the record passes this mark's time %u times: it is bound to nothing",
                mark->places);
        else if (mark->outside)
            diagnostics_say(derive->diagnostics, SEVERITY_REMARK, place,
                            "the time of this mark is outside the record");
    }
}

static void collect_facts(struct derived *derived, const struct job_inputs *job)
{
    for (uint32_t i = 0; i < derived->result.source_count; i++) {
        const struct pipeline_source *source = &derived->result.sources[i];
        const struct job_original *original = &job->options.originals[i];
        derived->facts[i] = (struct trace_facts){
            .file = i, .name = source->file, .bus = pipeline_bus_name(derived->pipeline, source->bus),
            .bus_index = source->bus, .sha256 = source->sha256, .bytes = source->bytes, .frames = source->frames,
            .status = source->status, .first_time = source->first_time, .last_time = source->last_time,
            .original = source->split ? source->original : NULL, .interface = source->interface,
            .interface_name = source->split ? source->interface_name : ""};
        if (!original->there)
            continue;
        derived->facts[i].original = original->sha256;
        derived->facts[i].interface = original->interface;
        derived->facts[i].interface_name = original->name;
    }
}

/* What a module said on one bus proves nothing of a module with its ids on another. */
static int refuse_mixed(struct derive *derive)
{
    const struct derived *derived = derive->derived;
    const struct pipeline_result *result = &derived->result;
    const char *name = NULL;
    if (!result->mixed)
        return 0;
    for (uint32_t i = 0; i < result->source_count && !name; i++)
        name = result->sources[i].bus == result->mixed_bus[1] ? result->sources[i].name : NULL;
    diagnostics_say(derive->diagnostics, SEVERITY_ERROR, name,
                    "%.80s is heard on bus %s and on bus %s, which may be two vehicles or a copy made by a gateway; "
                    "give one trace, or say which bus is meant: --bus %s",
                    pipeline_module_name(derived->pipeline, result->mixed_module),
                    pipeline_bus_name(derived->pipeline, result->mixed_bus[0]),
                    pipeline_bus_name(derived->pipeline, result->mixed_bus[1]),
                    pipeline_bus_name(derived->pipeline, result->mixed_bus[0]));
    return EXIT_BAD_INPUT;
}

/* ---- the run ---- */

static int open_files(struct derive *derive)
{
    int code = 0;
    for (int i = 0; i < FILES && !code; i++)
        code = open_file(derive, (enum file)i);
    if (code)
        return code;
    if (derive->opened[READINGS])
        readings_csv_begin(&derive->sinks[READINGS]);
    if (wanted(derive, REPORT)) {
        derive->report = report_open(&derive->view);
        if (!derive->report)
            return no_memory(derive);
    }
    return 0;
}

/* The trace through all stages; the files grow on the way. */
static int decode(struct derive *derive, uint32_t bus)
{
    struct derived *derived = derive->derived;
    struct pipeline_options options;
    bool writes = derive->request->folder >= 0, told = derive->request->listener != NULL;
    struct pipeline_listener listener = {.context = derive, .exchange = on_exchange};
    if (writes || told) {
        listener.message = on_message;
        listener.reading = on_reading;
        listener.step = on_step;
        listener.fault = on_fault;
        listener.event = on_event;
        listener.recorded = on_recorded;
        listener.displayed = on_displayed;
    }
    if (told && derive->request->listener->frame)
        listener.frame = on_frame;
    if (told && derive->request->listener->other)
        listener.other = on_other;
    job_inputs_to_pipeline(derive->request->job, &options);
    options.bus = bus;
    options.hashing = options.judging = true;
    options.progress = derive->request->progress;
    options.listener = &listener;
    return pipeline_run(&options, &derived->pipeline, &derived->result);
}

static bool sinks_well(const struct derive *derive)
{
    for (int i = 0; i < FILES; i++)
        if (derive->opened[i] && derive->sinks[i].error)
            return false;
    return true;
}

/* Everything is known: the rest of the log, verdict and report. */
static int finish_files(struct derive *derive)
{
    const struct verdict_about *about = &derive->derived->about;
    int code = 0;
    log_unbound(derive);
    if (derive->opened[LOG])
        log_end(&derive->sinks[LOG], about->traces, about->trace_count, about->passive, about->limits_fixed);
    if (derive->opened[VERDICT])
        verdict_json(&derive->sinks[VERDICT], about);
    if (derive->report)
        report_html(derive->report, &derive->sinks[REPORT], about);
    for (int i = 0; i < FILES; i++) {
        int closed = close_file(derive, (enum file)i);
        code = code ? code : closed;
    }
    return code ? code : name_files(derive);
}

static int run(struct derive *derive)
{
    struct derived *derived = derive->derived;
    const struct job_inputs *job = derive->request->job;
    uint32_t bus;
    int code = job_inputs_bus(job, &bus);
    if (!code)
        code = open_files(derive);
    if (!code)
        code = decode(derive, bus);
    if (code)
        return code;
    collect_facts(derived, job);
    if (derived->result.interrupted && sinks_well(derive)) {
        diagnostics_say(derive->diagnostics, SEVERITY_WARNING, NULL,
                        "stopped after frame %llu: nothing was judged and nothing is kept",
                        (unsigned long long)derived->result.frames);
        return EXIT_INTERRUPTED;
    }
    code = refuse_mixed(derive);
    if (code)
        return code;
    tell_marks(derive);
    if (derived->result.frames == 0)
        diagnostics_say(derive->diagnostics, SEVERITY_WARNING, job->traces.list[0].name,
                        job->traces.count > 1 ? "and the others hold no frames; there is nothing to judge by"
                                              : "holds no frames; there is nothing to judge by");
    code = derive_about(derived, derive->request->job, bus) ? 0 : no_memory(derive);
    return code ? code : finish_files(derive);
}

struct view derived_view(const struct derived *derived, const struct job_inputs *job)
{
    uint32_t buses = 0;
    for (uint32_t i = 0; i < job->traces.count; i++)
        buses += !job->traces.list[i].continues;
    return (struct view){.definitions = &job->definitions,
                         .pipeline = (const struct pipeline *const *)&derived->pipeline,
                         .start = &derived->result.first_time, .several = buses > 1};
}

int derive_run(const struct derive_request *request, struct derived *derived)
{
    struct derive *derive = calloc(1, sizeof *derive);
    memset(derived, 0, sizeof *derived);
    if (!derive)
        return diagnostics_no_memory(request->job->diagnostics, NULL);
    derive->request = request;
    derive->derived = derived;
    derive->diagnostics = request->job->diagnostics;
    derive->view = derived_view(derived, request->job);
    int code = run(derive);
    drop_files(derive);
    report_close(derive->report);
    free(derive);
    return code;
}

void derived_free(struct derived *derived)
{
    pipeline_free(derived->pipeline);
    free(derived->notes);
    memset(derived, 0, sizeof *derived);
}
