/* taretrace verify: the main job. A trace or a job folder is judged against definition files and printed; a bare trace
 * is kept in a job folder on wish, a job folder gets what follows from it (evidence/derive.h). */
#define _DEFAULT_SOURCE /* flock */
#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../evidence/derive.h"
#include "../evidence/job_folder.h"
#include "../outputs/verdict_text.h"
#include "../support/interrupt.h"
#include "commands.h"
#include "inputs.h"

const char verify_help[] =
    "taretrace verify TRACE...|JOB: holds a recorded job against a definition file's\n"
    "limits\n"
    "\n"
    "  taretrace verify JOB\n"
    "  taretrace verify job.pcap --definitions seat.yaml\n"
    "  taretrace verify job.pcap --definitions seat.yaml --marks marks.jsonl \\\n"
    "          --into job-folder\n"
    "\n"
    "Prints one line a step: confirmed, contradicted or not confirmed by the record,\n"
    "and why. The last line is the whole answer; the exit code is 0 when every step\n"
    "is confirmed, 1 when one is contradicted, 2 for anything else.\n"
    "\n"
    "JOB    a job folder, as the recorder or --into made it: judged by its own\n"
    "       definitions, marks and recorder log; readings.csv, log.jsonl, verdict.json\n"
    "       and report.html in it are made anew. A sealed one is only read\n"
    "TRACE  pcap or pcapng, link type 227, 113 or 276; - is standard input. Several\n"
    "       traces, or interfaces of a pcapng, are buses 1, 2, ... in that order\n"
    "\n"
    "  -d, --definitions FILE...  definition files: address pairs, readings, steps. A\n"
    "                             job recorded without any takes them once\n"
    "  -m, --marks FILE           what a person noted during the job, a JSON object a\n"
    "                             line (a job folder has its own)\n"
    "  -i, --into FOLDER          keeps trace, definitions, marks and all that follows\n"
    "                             from them in this new folder; without it nothing is\n"
    "                             written for a bare trace\n"
    "  -p, --part N               judges by part N of a record of several modules\n"
    "      --bus NAME             judges by what was on bus NAME only (1, 2, can0, ...),\n"
    "                             where one module is heard on several\n"
    "      --pair REQUEST:RESPONSE    ids that talk to each other, as in list; used\n"
    "                             instead of the pairs of the definition files\n"
    "      --id-order big|swapped how CAN ids stand in the trace, when what their look\n"
    "                             says is wrong\n"
    "  -l, --longest N            longest message in bytes, 65536 when not given\n"
    "  -h, --help                 this page\n";

#define TERMINAL_WIDTH 80u
#define OPTION_BUS 300 /* no letter */
static const char *const option_names[] = {"definitions", "marks", "into", "part", "bus", "pair", "id-order",
                                           "longest", "help", NULL};

struct verify {
    struct diagnostics diagnostics;
    struct inputs inputs;
    const char *marks_path, *into, *bus;
    uint64_t part;
    bool asks_help;
    struct job_inputs job;
    struct job_folder folder;
    struct derived derived;
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
        verify->bus = value;
        if (!value[0] || strlen(value) >= sizeof verify->job.options.bus)
            return usage_error(&verify->diagnostics, "verify", "--bus is the name of a bus, like can0 or 1, not %.40s",
                               value);
        return 0;
    case 'h':
        verify->asks_help = true;
        return 0;
    default:
        return inputs_option(&verify->inputs, option, value);
    }
}

/* What a job folder has itself cannot be given beside it. */
static int check_job(struct verify *verify)
{
    if (verify->marks_path)
        return usage_error(&verify->diagnostics, "verify",
                           "%.80s is a job folder with marks of its own; add to them with: taretrace mark",
                           verify->inputs.job);
    if (verify->into)
        return usage_error(&verify->diagnostics, "verify",
                           "--into makes a job folder of bare traces; %.80s is one already", verify->inputs.job);
    return 0;
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
    return !result && verify->inputs.job ? check_job(verify) : result;
}

/* ---- what all ways share ---- */

/* What was said on the command line holds over what the job folder says; part and bus are said for each run anew. */
static void take_options(struct verify *verify)
{
    struct job_options *options = &verify->job.options;
    inputs_to_job(&verify->inputs, options);
    options->part = (uint32_t)verify->part;
    (void)snprintf(options->bus, sizeof options->bus, "%s", verify->bus ? verify->bus : "");
}

static void tell_no_definitions(struct verify *verify)
{
    diagnostics_say(&verify->diagnostics, SEVERITY_WARNING, verify->inputs.job,
                    verify->inputs.job
                        ? "has no definition files: give them with --definitions, there is nothing to judge by"
                        : "no --definitions given: questions and answers are kept, but there is nothing to judge");
}

static int print_verdict(struct verify *verify)
{
    const struct verdict_about *about = &verify->derived.about;
    struct sink out;
    if (!sink_open_fd(&out, STDOUT_FILENO, false))
        return diagnostics_no_memory(&verify->diagnostics, NULL);
    verdict_text(&out, about, isatty(STDOUT_FILENO) ? TERMINAL_WIDTH : 0);
    return close_output(&out, &verify->diagnostics, about->verdict->exit_code);
}

static int derive(struct verify *verify, int folder)
{
    return derive_run(&(struct derive_request){.job = &verify->job, .folder = folder, .progress = true},
                      &verify->derived);
}

/* ---- bare traces (D 5.7) ---- */

static int load_bare(struct verify *verify)
{
    struct job_inputs *job = &verify->job;
    job_inputs_bare(job, &verify->diagnostics);
    if (verify->inputs.file_count) {
        job->definitions_loaded = true;
        int code = inputs_load(&verify->inputs, &job->definitions);
        if (code)
            return code;
    } else {
        tell_no_definitions(verify);
    }
    if (verify->marks_path) {
        int code = marks_load(&job->marks, verify->marks_path, &verify->diagnostics);
        job->marks_loaded = code == 0;
        job->marks_shown = verify->marks_path;
        if (code)
            return code;
    }
    take_options(verify);
    return trace_inputs_open(&job->traces, verify->inputs.traces, verify->inputs.trace_count, &verify->diagnostics);
}

/*
 * Each bus becomes trace-1.pcap, trace-2.pcap, ...: exact copies of classic files, and the parts into which a pcapng was
 * split, since offsets in a pcapng are not theirs.
 */
static int copy_traces(struct verify *verify)
{
    struct job_inputs *job = &verify->job;
    int code = 0;
    for (uint32_t i = 0; i < job->traces.count && !code; i++) {
        const struct trace_input *input = &job->traces.list[i];
        char name[32], sha256[DIGEST_TEXT];
        (void)snprintf(name, sizeof name, "trace-%u.pcap", (unsigned)i + 1);
        if (input->again)
            (void)lseek(input->fd, 0, SEEK_SET); /* a regular file: cannot fail */
        code = job_folder_copy(&verify->folder, name, input->fd, input->name, input->start,
                               input->again ? 0 : input->start_length, sha256);
        if (!input->split)
            continue;
        struct job_original *original = &job->options.originals[i];
        *original = (struct job_original){.there = true, .interface = input->interface};
        memcpy(original->sha256, job->traces.original[input->trace], sizeof original->sha256);
        _Static_assert(sizeof original->name >= sizeof input->interface_name, "a part's name fits");
        memcpy(original->name, input->interface_name, sizeof input->interface_name);
    }
    return code;
}

static int copy_definitions(struct verify *verify, struct job_folder *folder, const char *into,
                            const struct definitions *definitions)
{
    int code = job_folder_make(folder, into);
    for (uint32_t i = 0; i < definitions->file_count && !code; i++) {
        const struct def_file *file = &definitions->files[i];
        char name[300];
        for (uint32_t j = 0; j < i; j++) {
            if (strcmp(file->name, definitions->files[j].name) == 0)
                return usage_error(&verify->diagnostics, "verify",
                                   "two definition files are called %.80s; rename one, both go into one folder",
                                   file->name);
        }
        (void)snprintf(name, sizeof name, "%.40s/%.255s", into, file->name);
        code = job_folder_put(folder, name, file->bytes, file->length);
    }
    return code;
}

static int write_options(struct job_folder *folder, const char *name, const struct job_options *options)
{
    struct sink sink;
    int code = job_folder_open(folder, name, &sink);
    if (code)
        return code;
    job_options_write(&sink, options);
    return job_folder_close(folder, name, &sink);
}

/* The folder with everything that is there before a trace is read. */
static int begin_folder(struct verify *verify)
{
    struct job_inputs *job = &verify->job;
    int code = job_folder_begin(&verify->folder, verify->into, &verify->diagnostics);
    if (!code)
        code = copy_definitions(verify, &verify->folder, "definitions", &job->definitions);
    if (!code && job->marks_loaded)
        code = job_folder_put(&verify->folder, "marks.jsonl", job->marks.bytes, job->marks.length);
    if (!code)
        code = copy_traces(verify);
    if (!code && job_options_said(&job->options))
        code = write_options(&verify->folder, "options.json", &job->options);
    return code;
}

/* From here on the folder is a job like any other: what follows from it is derived from the copies in it, so that
 * `verify JOB` finds the same again (D 2.6). */
static int run_into(struct verify *verify)
{
    const char *names[TRACE_INPUTS_MAX];
    uint32_t bus;
    int code = job_inputs_bus(&verify->job, &bus);
    if (!code)
        code = begin_folder(verify);
    if (code)
        return code;
    struct job_wish wish = {.trace_names = names, .trace_name_count = verify->job.traces.count};
    for (uint32_t i = 0; i < wish.trace_name_count; i++)
        names[i] = verify->job.traces.list[i].name;
    job_inputs_close(&verify->job);
    code = job_inputs_open_as(&verify->job, verify->folder.temporary, JOB_WHOLE, &wish, &verify->diagnostics);
    verify->job.marks_shown = verify->marks_path;
    if (!code)
        code = derive(verify, verify->job.fd);
    return code ? code : job_folder_finish(&verify->folder);
}

static int run_bare(struct verify *verify)
{
    int code = load_bare(verify);
    if (!code)
        code = verify->into ? run_into(verify) : derive(verify, -1);
    return code;
}

/* ---- job folders ---- */

/* A job recorded without definitions takes them once (D 5.7): copied, and given their name when all are whole. */
static int take_definitions(struct verify *verify)
{
    static const char unfinished[] = "definitions" JOB_UNFINISHED;
    struct definitions definitions;
    struct job_folder folder = {.diagnostics = &verify->diagnostics, .fd = verify->job.fd,
                                .wanted = (char *)(uintptr_t)verify->inputs.job};
    int code = inputs_load(&verify->inputs, &definitions);
    if (!code) {
        job_folder_remove(&folder, unfinished); /* of a run that was killed */
        code = copy_definitions(verify, &folder, unfinished, &definitions);
    }
    if (!code)
        code = job_folder_rename(&folder, unfinished, "definitions");
    definitions_free(&definitions);
    return code;
}

static int open_job(struct verify *verify)
{
    const struct inputs *inputs = &verify->inputs;
    struct job_wish wish = {0};
    int code = job_inputs_open(&verify->job, inputs->job, JOB_WHOLE, &verify->diagnostics);
    if (code || inputs->file_count == 0)
        return code;
    if (verify->job.definitions_loaded)
        return usage_error(&verify->diagnostics, "verify",
                           "%.80s has its definition files, and is judged by them; verify its trace by itself to try "
                           "others",
                           inputs->job);
    if (verify->job.sealed) {
        wish.definitions = inputs->files;
        wish.definition_count = inputs->file_count;
    } else {
        code = take_definitions(verify);
    }
    job_inputs_close(&verify->job);
    return code ? code : job_inputs_open_as(&verify->job, inputs->job, JOB_WHOLE, &wish, &verify->diagnostics);
}

/* options.json is what was said for this run; nothing said, no file. */
static int keep_options(struct verify *verify)
{
    static const char unfinished[] = "options.json" JOB_UNFINISHED;
    struct job_folder folder = {.diagnostics = &verify->diagnostics, .fd = verify->job.fd,
                                .wanted = (char *)(uintptr_t)verify->inputs.job};
    job_folder_remove(&folder, unfinished);
    if (!job_options_said(&verify->job.options)) {
        job_folder_remove(&folder, "options.json");
        return 0;
    }
    int code = write_options(&folder, unfinished, &verify->job.options);
    return code ? code : job_folder_rename(&folder, unfinished, "options.json");
}

static int run_job(struct verify *verify)
{
    int code = open_job(verify);
    if (code)
        return code;
    if (!verify->job.definitions_loaded)
        tell_no_definitions(verify);
    take_options(verify);
    if (verify->job.sealed) {
        diagnostics_say(&verify->diagnostics, SEVERITY_REMARK, verify->inputs.job,
                        "is sealed: it is judged and printed, and nothing in it is written");
        return derive(verify, -1);
    }
    if (flock(verify->job.fd, LOCK_EX | LOCK_NB) != 0 && errno == EWOULDBLOCK) {
        diagnostics_say(&verify->diagnostics, SEVERITY_ERROR, verify->inputs.job,
                        "is being written by another taretrace; wait for it, and run again");
        return EXIT_CANNOT_CREATE;
    }
    code = derive(verify, verify->job.fd);
    return code ? code : keep_options(verify);
}

int command_verify(int argc, char **argv)
{
    struct verify *verify = calloc(1, sizeof *verify);
    if (!verify)
        return EXIT_OUR_FAULT; /* main says why */
    diagnostics_init(&verify->diagnostics, stderr);
    job_inputs_bare(&verify->job, &verify->diagnostics);
    verify->folder.fd = -1;
    verify->inputs.diagnostics = &verify->diagnostics;
    verify->inputs.command = "verify";
    int code = parse(verify, argc, argv);
    if (!code && verify->asks_help) {
        code = print_help(verify_help);
    } else if (!code) {
        code = verify->inputs.job ? run_job(verify) : run_bare(verify);
        if (!code)
            code = print_verdict(verify);
    }
    derived_free(&verify->derived);
    job_inputs_close(&verify->job);
    job_folder_end(&verify->folder);
    free(verify);
    return code;
}
