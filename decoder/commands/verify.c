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

#include "../../definitions/loader.h"
#include "../evidence/job_folder.h"
#include "../outputs/readings_csv.h"
#include "../outputs/verdict_text.h"
#include "../support/interrupt.h"
#include "commands.h"

const char verify_help[] =
    "taretrace verify TRACE: holds a recorded job against a definition file's limits\n"
    "\n"
    "  taretrace verify job.pcap --definitions seat.yaml\n"
    "  taretrace verify job.pcap --definitions seat.yaml --marks marks.jsonl \\\n"
    "          --into job-folder\n"
    "\n"
    "Prints one line a step: confirmed, contradicted or not confirmed by the record,\n"
    "and why. The last line is the whole answer; the exit code is 0 when every step\n"
    "is confirmed, 1 when one is contradicted, 2 for anything else.\n"
    "\n"
    "TRACE  classic pcap, link type 227; - is standard input\n"
    "\n"
    "  -d, --definitions FILE...  definition files: address pairs, readings, steps\n"
    "  -m, --marks FILE           what a person noted during the job, a JSON object a\n"
    "                             line\n"
    "  -i, --into FOLDER          keeps trace, definitions, marks, readings.csv,\n"
    "                             log.jsonl and verdict.json in this new folder;\n"
    "                             without it nothing is written\n"
    "  -p, --part N               judges by part N of a record of several modules\n"
    "  -h, --help                 this page\n";

#define FILES_MAX 64u
#define TERMINAL_WIDTH 80u
static const char *const option_names[] = {"definitions", "marks", "into", "part", "help", NULL};

struct verify {
    struct diagnostics diagnostics;
    const char *trace, *marks_path, *into;
    const char *files[FILES_MAX];
    size_t file_count;
    uint64_t part;
    bool asks_help;
    struct definitions definitions;
    bool definitions_loaded;
    struct marks marks;
    bool marks_loaded;
    struct job_folder folder;
    struct sink log, csv;
    struct view view;
    struct pipeline *pipeline;
    struct pipeline_result result;
    char copied[DIGEST_TEXT]; /* SHA-256 of the copy in the job folder */
};

/* ---- the command line ---- */

static int take_word(struct verify *verify, const char *word, bool behind_definitions)
{
    if (behind_definitions) {
        if (verify->file_count == FILES_MAX)
            return usage_error(&verify->diagnostics, "verify", "more than %u definition files", FILES_MAX);
        verify->files[verify->file_count++] = word;
        return 0;
    }
    if (verify->trace)
        return usage_error(&verify->diagnostics, "verify", "one trace at a time in this version: %.80s is one too many",
                           word);
    verify->trace = word;
    return 0;
}

static int take_option(struct verify *verify, int option, const char *value)
{
    switch (option) {
    case 1:
        return take_word(verify, value, false);
    case 'd':
        return take_word(verify, value, true);
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
    default:
        verify->asks_help = true;
        return 0;
    }
}

static int parse(struct verify *verify, int argc, char **argv)
{
    static const struct option options[] = {
        {"definitions", required_argument, NULL, 'd'}, {"marks", required_argument, NULL, 'm'},
        {"into", required_argument, NULL, 'i'},        {"part", required_argument, NULL, 'p'},
        {"help", no_argument, NULL, 'h'},              {NULL, 0, NULL, 0}};
    bool behind_definitions = false;
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:d:m:i:p:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&verify->diagnostics, "verify", option, argv, option_names);
        if (option == 1 && behind_definitions) {
            result = take_word(verify, optarg, true);
        } else {
            result = take_option(verify, option, optarg);
            behind_definitions = option == 'd';
        }
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_word(verify, argv[optind], false);
    if (result || verify->asks_help)
        return result;
    /* --definitions a.yaml trace.pcap: without another trace the last word is the trace. */
    if (!verify->trace && verify->file_count > 1)
        verify->trace = verify->files[--verify->file_count];
    if (!verify->trace)
        return usage_error(&verify->diagnostics, "verify", "no trace given");
    if (verify->marks_path && strcmp(verify->marks_path, "-") == 0 && strcmp(verify->trace, "-") == 0)
        return usage_error(&verify->diagnostics, "verify", "trace and marks cannot both come from standard input");
    struct stat facts;
    if (stat(verify->trace, &facts) == 0 && S_ISDIR(facts.st_mode)) {
        diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->trace,
                        "is a folder; this version verifies a trace file, give the one in it");
        return EXIT_USAGE;
    }
    return 0;
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

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct verify *verify = context;
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

static int copy_trace(struct verify *verify)
{
    bool standard_input = strcmp(verify->trace, "-") == 0;
    int fd = standard_input ? STDIN_FILENO : open(verify->trace, O_RDONLY | O_CLOEXEC);
    if (fd < 0) {
        diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->trace,
                        "cannot be opened (%s); check name and rights", strerror(errno));
        return EXIT_CANNOT_OPEN;
    }
    int code = job_folder_copy(&verify->folder, "trace-1.pcap", fd, standard_input ? "standard input" : verify->trace,
                               verify->copied);
    if (!standard_input) {
        (void)close(fd);
    } else if (!code) { /* standard input can be read once: the copy takes its place */
        int copy = openat(verify->folder.fd, "trace-1.pcap", O_RDONLY | O_CLOEXEC);
        if (copy < 0 || dup2(copy, STDIN_FILENO) < 0) {
            diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->into, "its trace cannot be opened: %s",
                            strerror(errno));
            code = EXIT_CANNOT_OPEN;
        }
        if (copy >= 0)
            (void)close(copy);
    }
    return code;
}

/* The folder keeps classic pcap only: offsets in a pcapng file are not those of the parts it is split into. */
static int refuse_pcapng(struct verify *verify)
{
    static const uint8_t section[] = {0x0A, 0x0D, 0x0D, 0x0A}; /* block type of a section header */
    uint8_t start[sizeof section];
    int copy = openat(verify->folder.fd, "trace-1.pcap", O_RDONLY | O_CLOEXEC);
    bool is_pcapng = copy >= 0 && read(copy, start, sizeof start) == (ssize_t)sizeof start &&
                     memcmp(start, section, sizeof section) == 0;
    if (copy >= 0)
        (void)close(copy);
    if (!is_pcapng)
        return 0;
    diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->trace,
                    "is a pcapng file, and a job folder keeps classic pcap; save it as classic pcap, or judge it without "
                    "--into");
    return EXIT_BAD_INPUT;
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
        code = copy_trace(verify);
    if (!code)
        code = refuse_pcapng(verify);
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
    if (strcmp(verify->copied, verify->result.sha256) != 0) {
        diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->trace,
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
    struct pipeline_options options = {.trace = verify->trace,
                                       .definitions = &verify->definitions,
                                       .marks = verify->marks_loaded ? &verify->marks : NULL,
                                       .part = (uint32_t)verify->part,
                                       .hashing = true,
                                       .judging = true,
                                       .progress = true,
                                       .listener = verify->into ? &listener : NULL,
                                       .diagnostics = &verify->diagnostics};
    verify->view = (struct view){.definitions = &verify->definitions,
                                 .pipeline = (const struct pipeline *const *)&verify->pipeline,
                                 .start = &verify->result.first_time};
    return pipeline_run(&options, &verify->pipeline, &verify->result);
}

/* Closes log and readings in every case; their failures count only when nothing failed before. */
static int close_logs(struct verify *verify, const struct trace_facts *facts, int code)
{
    for (uint32_t i = 0; !code && verify->marks_loaded && i < verify->marks.count; i++)
        if (verify->marks.list[i].places != 1)
            log_unbound_mark(&verify->view, &verify->log, &verify->marks.list[i]);
    if (!code)
        log_end(&verify->log, facts, 1);
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

static int run(struct verify *verify)
{
    int code = verify->into ? begin_folder(verify) : 0;
    if (code)
        return code;
    code = decode(verify);
    const struct trace_facts facts = {.sha256 = verify->result.sha256, .bytes = verify->result.bytes,
                                      .frames = verify->result.frames, .status = verify->result.status};
    bool written = !verify->into || (!verify->log.error && !verify->csv.error);
    if (!code && verify->result.interrupted && written) {
        diagnostics_say(&verify->diagnostics, SEVERITY_WARNING, NULL,
                        "stopped after frame %llu: nothing was judged and nothing is kept",
                        (unsigned long long)verify->result.frames);
        code = EXIT_INTERRUPTED;
    }
    if (verify->into)
        code = close_logs(verify, &facts, code);
    if (code)
        return code;
    tell_marks(verify);
    if (verify->result.frames == 0)
        diagnostics_say(&verify->diagnostics, SEVERITY_WARNING, verify->trace,
                        "holds no frames; there is nothing to judge by");
    const struct verdict_about about = {.verdict = verify->result.verdict, .definitions = &verify->definitions,
                                        .marks = verify->marks_loaded ? &verify->marks : NULL, .traces = &facts,
                                        .trace_count = 1, .first_time = verify->result.first_time,
                                        .last_time = verify->result.last_time};
    if (verify->into)
        code = finish_folder(verify, &about);
    return code ? code : print_verdict(verify, &about);
}

static int load(struct verify *verify)
{
    if (verify->file_count) {
        enum load_result loaded = definitions_load(verify->files, verify->file_count, &verify->diagnostics,
                                                   &verify->definitions);
        verify->definitions_loaded = true;
        if (loaded != LOAD_OK)
            return loaded == LOAD_MISTAKES ? EXIT_BAD_INPUT : EXIT_CANNOT_OPEN;
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
    job_folder_end(&verify->folder);
    if (verify->marks_loaded)
        marks_free(&verify->marks);
    if (verify->definitions_loaded)
        definitions_free(&verify->definitions);
    free(verify);
    return code;
}
