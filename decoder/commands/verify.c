/* taretrace verify: the main job. A trace is judged against definition files, printed, and on wish kept in a job
 * folder. */
#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../evidence/job_folder.h"
#include "../outputs/readings_csv.h"
#include "../outputs/verdict_text.h"
#include "../stages/service_fields.h"
#include "../support/interrupt.h"
#include "commands.h"
#include "inputs.h"

const char verify_help[] =
    "taretrace verify TRACE...: holds a recorded job against a definition file's limits\n"
    "\n"
    "  taretrace verify job.pcap --definitions seat.yaml\n"
    "  taretrace verify job.pcap --definitions seat.yaml --marks marks.jsonl \\\n"
    "          --into job-folder\n"
    "\n"
    "Prints one line a step: confirmed, contradicted or not confirmed by the record,\n"
    "and why. The last line is the whole answer; the exit code is 0 when every step\n"
    "is confirmed, 1 when one is contradicted, 2 for anything else.\n"
    "\n"
    "TRACE  pcap or pcapng, link type 227, 113 or 276; - is standard input. Several\n"
    "       traces, or interfaces of a pcapng, are buses 1, 2, ... in that order\n"
    "\n"
    "  -d, --definitions FILE...  definition files: address pairs, readings, steps\n"
    "  -m, --marks FILE           what a person noted during the job, a JSON object a\n"
    "                             line\n"
    "  -i, --into FOLDER          keeps trace, definitions, marks, readings.csv,\n"
    "                             log.jsonl and verdict.json in this new folder;\n"
    "                             without it nothing is written\n"
    "  -p, --part N               judges by part N of a record of several modules\n"
    "      --bus N                judges by what was on bus N only, where one module is\n"
    "                             heard on several\n"
    "      --pair REQUEST:RESPONSE    ids that talk to each other, as in list; used\n"
    "                             instead of the pairs of the definition files\n"
    "      --id-order big|swapped how CAN ids stand in the trace, when what their look\n"
    "                             says is wrong\n"
    "  -l, --longest N            longest message in bytes, 65536 when not given\n"
    "  -h, --help                 this page\n";

#define TERMINAL_WIDTH 80u
#define WARNINGS_MAX 8 /* there are fewer texts of this kind */
#define OPTION_BUS 300 /* no letter */
static const char *const option_names[] = {"definitions", "marks", "into", "part", "bus", "pair", "id-order",
                                           "longest", "help", NULL};

struct verify {
    struct diagnostics diagnostics;
    struct inputs inputs;
    struct trace_inputs traces;
    const char *marks_path, *into;
    uint64_t part, bus;
    bool asks_help;
    struct definitions definitions;
    bool definitions_loaded;
    struct marks marks;
    bool marks_loaded;
    struct job_folder folder;
    struct sink log, csv;
    struct view view;
    const char *warned[WARNINGS_MAX]; /* texts told */
    uint32_t warned_count;
    struct pipeline *pipeline;
    struct pipeline_result result;
    struct trace_facts facts[TRACE_INPUTS_MAX];
    char copied[TRACE_INPUTS_MAX][DIGEST_TEXT]; /* SHA-256 of each copy in the job folder */
};

/* ---- the command line ---- */

static int take_option(struct verify *verify, int option, const char *value)
{
    switch (option) {
    case 1:
        return inputs_add_trace(&verify->inputs, value);
    case 'm':
        verify->marks_path = value;
        return 0;
    case 'i':
        verify->into = value;
        return 0;
    case 'p':
        if (!parse_number(value, 1, 1000000, &verify->part))
            return usage_error(&verify->diagnostics, "verify", "--part is a number from 1, not %.40s", value);
        return 0;
    case OPTION_BUS:
        if (!parse_number(value, 1, TRACE_INPUTS_MAX, &verify->bus))
            return usage_error(&verify->diagnostics, "verify", "--bus is a number from 1 to %u, not %.40s",
                               TRACE_INPUTS_MAX, value);
        return 0;
    case 'h':
        verify->asks_help = true;
        return 0;
    default:
        return inputs_option(&verify->inputs, option, value);
    }
}

static int parse(struct verify *verify, int argc, char **argv)
{
    static const struct option options[] = {
        INPUT_OPTIONS, {"marks", required_argument, NULL, 'm'}, {"into", required_argument, NULL, 'i'},
        {"part", required_argument, NULL, 'p'}, {"bus", required_argument, NULL, OPTION_BUS},
        {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
    bool behind_definitions = false;
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:d:m:i:p:l:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&verify->diagnostics, "verify", option, argv, option_names);
        if (option == 1 && behind_definitions) {
            result = inputs_add_file(&verify->inputs, optarg);
        } else {
            result = take_option(verify, option, optarg);
            behind_definitions = option == 'd';
        }
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = inputs_add_trace(&verify->inputs, argv[optind]);
    if (result || verify->asks_help)
        return result;
    result = inputs_complete(&verify->inputs);
    for (uint32_t i = 0; !result && verify->marks_path && i < verify->inputs.trace_count; i++)
        if (strcmp(verify->marks_path, "-") == 0 && strcmp(verify->inputs.traces[i], "-") == 0)
            return usage_error(&verify->diagnostics, "verify", "trace and marks cannot both come from standard input");
    return result;
}

/* ---- what goes into the log ---- */

static void stop_when_failed(struct verify *verify)
{
    if (verify->log.error || verify->csv.error)
        pipeline_stop(verify->pipeline);
}

static void on_message(void *context, const struct message *message)
{
    struct verify *verify = context;
    log_message(&verify->view, &verify->log, message);
}

/* Pyrotechnics are told loudly (D 8.6): each of the warnings once, at its first frame; the log has every one. */
static void tell_warning(struct verify *verify, const struct exchange *exchange)
{
    const char *text;
    if (service_warning(exchange, &text) != SERVICE_SAFETY)
        return;
    for (uint32_t i = 0; i < verify->warned_count; i++)
        if (verify->warned[i] == text)
            return;
    if (verify->warned_count < WARNINGS_MAX)
        verify->warned[verify->warned_count++] = text;
    diagnostics_say(&verify->diagnostics, SEVERITY_WARNING, NULL, "%s: %.80s, bus %s, frame %llu", text,
                    view_module_name(&verify->view, exchange->module), view_bus_name(&verify->view, exchange->bus),
                    (unsigned long long)exchange->request.first_frame);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct verify *verify = context;
    tell_warning(verify, event->exchange);
    if (!verify->into)
        return;
    log_exchange(&verify->view, &verify->log, event, content);
    stop_when_failed(verify);
}

static void on_reading(void *context, const struct reading_event *event)
{
    struct verify *verify = context;
    log_reading(&verify->view, &verify->log, event);
    if (event->kind == READING_VALUE)
        readings_csv_reading(&verify->view, &verify->csv, event);
    stop_when_failed(verify);
}

static void on_step(void *context, const struct step_event *event)
{
    struct verify *verify = context;
    log_step(&verify->view, &verify->log, event);
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    struct verify *verify = context;
    log_fault(&verify->view, &verify->log, stage, reason, frame);
}

static void on_event(void *context, const char *what, const struct frame *frame)
{
    struct verify *verify = context;
    log_event(&verify->view, &verify->log, what, frame);
}

/* ---- the job folder ---- */

/*
 * Each bus becomes trace-1.pcap, trace-2.pcap, ... (D 5.7): exact copies of classic files, and the parts into which a
 * pcapng was split, since offsets in a pcapng are not theirs.
 */
static int copy_traces(struct verify *verify)
{
    int code = 0;
    for (uint32_t i = 0; i < verify->traces.count && !code; i++) {
        struct trace_input *input = &verify->traces.list[i];
        char name[32];
        (void)snprintf(name, sizeof name, "trace-%u.pcap", (unsigned)i + 1);
        if (input->again)
            (void)lseek(input->fd, 0, SEEK_SET); /* a regular file: cannot fail */
        code = job_folder_copy(&verify->folder, name, input->fd, input->name, input->start,
                               input->again ? 0 : input->start_length, verify->copied[i]);
        if (code || input->again)
            continue;
        /* What can be read once is read: its copy takes its place. */
        int copy = openat(verify->folder.fd, name, O_RDONLY | O_CLOEXEC);
        if (copy < 0) {
            diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->into, "its trace cannot be opened: %s",
                            strerror(errno));
            return EXIT_CANNOT_OPEN;
        }
        if (input->fd != STDIN_FILENO)
            (void)close(input->fd);
        input->fd = copy;
        input->again = true;
    }
    return code;
}

static int copy_definitions(struct verify *verify)
{
    int code = job_folder_make(&verify->folder, "definitions");
    for (uint32_t i = 0; i < verify->definitions.file_count && !code; i++) {
        const struct def_file *file = &verify->definitions.files[i];
        char name[300];
        for (uint32_t j = 0; j < i; j++) {
            if (strcmp(file->name, verify->definitions.files[j].name) == 0)
                return usage_error(&verify->diagnostics, "verify",
                                   "two definition files are called %.80s; rename one, both go into one folder",
                                   file->name);
        }
        (void)snprintf(name, sizeof name, "definitions/%.255s", file->name);
        code = job_folder_put(&verify->folder, name, file->bytes, file->length);
    }
    return code;
}

/* Everything that is there before the trace is read. */
static int begin_folder(struct verify *verify)
{
    int code = job_folder_begin(&verify->folder, verify->into, &verify->diagnostics);
    if (!code)
        code = copy_definitions(verify);
    if (!code && verify->marks_loaded)
        code = job_folder_put(&verify->folder, "marks.jsonl", verify->marks.bytes, verify->marks.length);
    if (!code)
        code = copy_traces(verify);
    if (!code)
        code = job_folder_open(&verify->folder, "log.jsonl", &verify->log);
    if (code)
        return code;
    code = job_folder_open(&verify->folder, "readings.csv", &verify->csv);
    if (!code)
        readings_csv_begin(&verify->csv);
    else
        (void)!sink_close(&verify->log);
    return code;
}

static int finish_folder(struct verify *verify, const struct verdict_about *about)
{
    struct sink sink;
    for (uint32_t i = 0; i < verify->result.source_count; i++) {
        if (strcmp(verify->copied[i], verify->result.sources[i].sha256) == 0)
            continue;
        diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->result.sources[i].name,
                        "changed while it was read; stop whatever writes it and run again");
        return EXIT_BAD_INPUT;
    }
    int code = job_folder_open(&verify->folder, "verdict.json", &sink);
    if (code)
        return code;
    verdict_json(&sink, about);
    code = job_folder_close(&verify->folder, "verdict.json", &sink);
    return code ? code : job_folder_finish(&verify->folder);
}

/* ---- the run ---- */

static int print_verdict(struct verify *verify, const struct verdict_about *about)
{
    struct sink out;
    if (!sink_open_fd(&out, STDOUT_FILENO, false)) {
        diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, NULL,
                        "memory ran out; close other programs and run again");
        return EXIT_OUR_FAULT;
    }
    verdict_text(&out, about, isatty(STDOUT_FILENO) ? TERMINAL_WIDTH : 0);
    return close_output(&out, &verify->diagnostics, about->verdict->exit_code);
}

/* The trace through all stages; the log grows on the way. */
static int decode(struct verify *verify)
{
    struct pipeline_listener listener = {.context = verify, .message = on_message, .exchange = on_exchange,
                                         .reading = on_reading, .step = on_step, .fault = on_fault, .event = on_event};
    const struct pipeline_listener warner = {.context = verify, .exchange = on_exchange};
    struct pipeline_options options = {.inputs = &verify->traces,
                                       .definitions = &verify->definitions,
                                       .marks = verify->marks_loaded ? &verify->marks : NULL,
                                       .part = (uint32_t)verify->part,
                                       .bus = (uint32_t)verify->bus,
                                       .hashing = true,
                                       .judging = true,
                                       .progress = true,
                                       .listener = verify->into ? &listener : &warner};
    inputs_to_options(&verify->inputs, &options);
    verify->view = (struct view){.definitions = &verify->definitions,
                                 .pipeline = (const struct pipeline *const *)&verify->pipeline,
                                 .start = &verify->result.first_time, .several = verify->traces.count > 1};
    return pipeline_run(&options, &verify->pipeline, &verify->result);
}

/* Closes log and readings in every case; their failures count only when nothing failed before. */
static int close_logs(struct verify *verify, int code)
{
    for (uint32_t i = 0; !code && verify->marks_loaded && i < verify->marks.count; i++)
        if (verify->marks.list[i].places != 1)
            log_unbound_mark(&verify->view, &verify->log, &verify->marks.list[i]);
    if (!code)
        log_end(&verify->log, verify->facts, verify->result.source_count);
    int log = job_folder_close(&verify->folder, "log.jsonl", &verify->log);
    int csv = job_folder_close(&verify->folder, "readings.csv", &verify->csv);
    return code ? code : log ? log : csv;
}

/* What the trace did to the marks (D 7.1). */
static void tell_marks(struct verify *verify)
{
    for (uint32_t i = 0; verify->marks_loaded && i < verify->marks.count; i++) {
        const struct mark *mark = &verify->marks.list[i];
        char place[400];
        (void)snprintf(place, sizeof place, "%.360s:%u", verify->marks_path, mark->line);
        if (mark->places > 1)
            diagnostics_say(
                &verify->diagnostics, SEVERITY_WARNING, place,
                "the clock went back, and the record passes this mark's time %u times: it is bound to nothing",
                mark->places);
        else if (mark->outside)
            diagnostics_say(&verify->diagnostics, SEVERITY_REMARK, place,
                            "the time of this mark is outside the record");
    }
}

/* What the outputs say of each trace. */
static void collect_facts(struct verify *verify)
{
    for (uint32_t i = 0; i < verify->result.source_count; i++) {
        const struct pipeline_source *source = &verify->result.sources[i];
        verify->facts[i] = (struct trace_facts){
            .file = i, .bus = pipeline_bus_name(verify->pipeline, i), .sha256 = source->sha256, .bytes = source->bytes,
            .frames = source->frames, .status = source->status, .first_time = source->first_time,
            .last_time = source->last_time, .original = source->split ? source->original : NULL,
            .interface = source->interface, .interface_name = source->split ? source->interface_name : ""};
    }
}

/* What a module said on one bus proves nothing of a module with its ids on another. */
static int refuse_mixed(struct verify *verify)
{
    const struct pipeline_result *result = &verify->result;
    if (!result->mixed)
        return 0;
    diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, result->sources[result->mixed_bus[1]].name,
                    "%.80s is heard on bus %s and on bus %s, which may be two vehicles or a copy made by a gateway; "
                    "give one trace, or say which bus is meant: --bus %s",
                    pipeline_module_name(verify->pipeline, result->mixed_module),
                    pipeline_bus_name(verify->pipeline, result->mixed_bus[0]),
                    pipeline_bus_name(verify->pipeline, result->mixed_bus[1]),
                    pipeline_bus_name(verify->pipeline, result->mixed_bus[0]));
    return EXIT_BAD_INPUT;
}

static int run(struct verify *verify)
{
    int code = trace_inputs_open(&verify->traces, verify->inputs.traces, verify->inputs.trace_count,
                                 &verify->diagnostics);
    if (!code && verify->bus > verify->traces.count)
        code = usage_error(&verify->diagnostics, "verify", "there is no bus %u: the traces given are %u of them",
                           (unsigned)verify->bus, verify->traces.count);
    if (!code && verify->into)
        code = begin_folder(verify);
    if (code)
        return code;
    code = decode(verify);
    collect_facts(verify);
    bool written = !verify->into || (!verify->log.error && !verify->csv.error);
    if (!code && verify->result.interrupted && written) {
        diagnostics_say(&verify->diagnostics, SEVERITY_WARNING, NULL,
                        "stopped after frame %llu: nothing was judged and nothing is kept",
                        (unsigned long long)verify->result.frames);
        code = EXIT_INTERRUPTED;
    }
    if (!code)
        code = refuse_mixed(verify);
    if (verify->into)
        code = close_logs(verify, code);
    if (code)
        return code;
    tell_marks(verify);
    if (verify->result.frames == 0)
        diagnostics_say(&verify->diagnostics, SEVERITY_WARNING, verify->inputs.traces[0],
                        verify->inputs.trace_count > 1 ? "and the others hold no frames; there is nothing to judge by" :
                        "holds no frames; there is nothing to judge by");
    const struct verdict_about about = {.verdict = verify->result.verdict, .definitions = &verify->definitions,
                                        .marks = verify->marks_loaded ? &verify->marks : NULL, .traces = verify->facts,
                                        .trace_count = verify->result.source_count, .bus = (uint32_t)verify->bus,
                                        .first_time = verify->result.first_time,
                                        .last_time = verify->result.last_time};
    if (verify->into)
        code = finish_folder(verify, &about);
    return code ? code : print_verdict(verify, &about);
}

static int load(struct verify *verify)
{
    if (verify->inputs.file_count) {
        int loaded = inputs_load(&verify->inputs, &verify->definitions);
        verify->definitions_loaded = true;
        if (loaded)
            return loaded;
    } else {
        verify->definitions.main_module = DEF_NONE;
        diagnostics_say(&verify->diagnostics, SEVERITY_WARNING, NULL,
                        "no --definitions given: questions and answers are kept, but there is nothing to judge");
    }
    if (!verify->marks_path)
        return 0;
    int code = marks_load(&verify->marks, verify->marks_path, &verify->diagnostics);
    verify->marks_loaded = code == 0;
    return code;
}

int command_verify(int argc, char **argv)
{
    struct verify *verify = calloc(1, sizeof *verify);
    if (!verify)
        return EXIT_OUR_FAULT;
    verify->folder.fd = -1;
    verify->inputs.diagnostics = &verify->diagnostics;
    verify->inputs.command = "verify";
    diagnostics_init(&verify->diagnostics, stderr);
    int code = parse(verify, argc, argv);
    if (!code && verify->asks_help) {
        code = print_help(verify_help);
    } else if (!code) {
        code = load(verify);
        if (!code)
            code = run(verify);
    }
    pipeline_free(verify->pipeline);
    trace_inputs_close(&verify->traces);
    job_folder_end(&verify->folder);
    if (verify->marks_loaded)
        marks_free(&verify->marks);
    if (verify->definitions_loaded)
        definitions_free(&verify->definitions);
    free(verify);
    return code;
}
