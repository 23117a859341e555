/* taretrace explain: one reading or one step, walked back to raw bytes and file offset, and forward to its limit. */
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../evidence/derive.h"
#include "../outputs/explain.h"
#include "../support/interrupt.h"
#include "commands.h"
#include "inputs.h"

const char explain_help[] =
    "taretrace explain JOB \"READING@FRAME\" | STEP: where a value or an answer comes from\n"
    "\n"
    "  taretrace explain job-folder \"seat load.total@125\"\n"
    "  taretrace explain job-folder \"Test weight reads within limits\"\n"
    "  taretrace explain job.pcap 2 --definitions seat.yaml --marks marks.jsonl\n"
    "\n"
    "Tells the question and the answer, the frames that carried it and where they stand\n"
    "in the trace file, the line of the definition file, the bits and the arithmetic\n"
    "that make the value, and the limit it was held against. FRAME is any frame of the\n"
    "message; STEP is the name of a step, or its number.\n"
    "\n"
    "JOB is a job folder, or traces as verify takes them; what is to be explained stands\n"
    "last, before --definitions.\n"
    "\n"
    "  -f, --format text|json     text when not given\n"
    "  -d, --definitions FILE...  for a bare trace: definition files\n"
    "  -m, --marks FILE           for a bare trace: what a person noted\n"
    "  -p, --part N               the step in part N of a record of several modules\n"
    "      --bus NAME             judges, and looks for the frame, on this bus only\n"
    "      --pair, --id-order, --longest   as in verify\n"
    "  -h, --help                 this page\n";

#define OPTION_BUS 300 /* no letter */
#define WORDS_MAX (TRACE_INPUTS_MAX + 1)
static const char *const option_names[] = {"format", "definitions", "marks", "part", "bus", "pair", "id-order",
                                           "longest", "help", NULL};

struct command {
    struct diagnostics diagnostics;
    struct inputs inputs;
    const char *words[WORDS_MAX]; /* traces or job, then what */
    uint32_t word_count;
    const char *marks_path, *bus, *what;
    uint64_t part;
    bool json, asks_help;
    struct job_inputs job;
    struct derived derived;
    struct view view;
    struct explain explain;
};

/* ---- the command line ---- */

static int take_word(struct command *command, const char *word)
{
    if (command->word_count == WORDS_MAX)
        return usage_error(&command->diagnostics, "explain", "more than %u traces", TRACE_INPUTS_MAX);
    command->words[command->word_count++] = word;
    return 0;
}

static int take_option(struct command *command, int option, const char *value)
{
    switch (option) {
    case 1:
        return take_word(command, value);
    case 'f':
        if (strcmp(value, "text") != 0 && strcmp(value, "json") != 0)
            return usage_error(&command->diagnostics, "explain", "--format is text or json, not %.40s", value);
        command->json = value[0] == 'j';
        return 0;
    case 'm':
        command->marks_path = value;
        return 0;
    case 'p':
        if (!parse_number(value, 1, 1000000, &command->part))
            return usage_error(&command->diagnostics, "explain", "--part is a number from 1, not %.40s", value);
        return 0;
    case OPTION_BUS:
        command->bus = value;
        if (!value[0] || strlen(value) >= sizeof command->job.options.bus)
            return usage_error(&command->diagnostics, "explain",
                               "--bus is the name of a bus, like can0 or 1, not %.40s", value);
        return 0;
    case 'h':
        command->asks_help = true;
        return 0;
    default:
        return inputs_option(&command->inputs, option, value);
    }
}

static int parse(struct command *command, int argc, char **argv)
{
    static const struct option options[] = {
        INPUT_OPTIONS, {"format", required_argument, NULL, 'f'}, {"marks", required_argument, NULL, 'm'},
        {"part", required_argument, NULL, 'p'}, {"bus", required_argument, NULL, OPTION_BUS},
        {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
    bool behind_definitions = false;
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:d:f:m:p:l:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&command->diagnostics, "explain", option, argv, option_names);
        if (option == 1 && behind_definitions) {
            result = inputs_add_file(&command->inputs, optarg);
        } else {
            result = take_option(command, option, optarg);
            behind_definitions = option == 'd';
        }
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_word(command, argv[optind]);
    if (result || command->asks_help)
        return result;
    if (command->word_count < 2)
        return usage_error(&command->diagnostics, "explain",
                           "name the job, and then what is to be explained: a reading and a frame, or a step");
    command->what = command->words[--command->word_count];
    for (uint32_t i = 0; !result && i < command->word_count; i++)
        result = inputs_add_trace(&command->inputs, command->words[i]);
    return result ? result : inputs_complete(&command->inputs);
}

/* ---- what it is about ---- */

static int load(struct command *command)
{
    struct job_inputs *job = &command->job;
    int code = 0;
    if (command->inputs.job) {
        if (command->marks_path || command->inputs.file_count)
            return usage_error(&command->diagnostics, "explain",
                               "a job folder has its own definition files and marks; they cannot be given beside it");
        code = job_inputs_open(job, command->inputs.job, JOB_WHOLE, &command->diagnostics);
    } else {
        job_inputs_bare(job, &command->diagnostics);
        if (command->inputs.file_count) {
            job->definitions_loaded = true;
            code = inputs_load(&command->inputs, &job->definitions);
        }
        if (!code && command->marks_path) {
            code = marks_load(&job->marks, command->marks_path, &command->diagnostics);
            job->marks_loaded = code == 0;
            job->marks_shown = command->marks_path;
        }
        if (!code)
            code = trace_inputs_open(&job->traces, command->inputs.traces, command->inputs.trace_count,
                                     &command->diagnostics);
    }
    if (code)
        return code;
    if (!job->definitions_loaded || job->definitions.reading_count == 0)
        return usage_error(&command->diagnostics, "explain",
                           "nothing can be explained without definition files that describe readings; add "
                           "--definitions FILE");
    inputs_to_job(&command->inputs, &job->options);
    if (command->part)
        job->options.part = (uint32_t)command->part;
    if (command->bus)
        (void)snprintf(job->options.bus, sizeof job->options.bus, "%s", command->bus);
    return 0;
}

/* "NAME@FRAME", taken off at the last @ (D 6.1). False when it is not of this form. */
static bool split_frame(const char *what, size_t *name_length, uint64_t *frame)
{
    const char *at = strrchr(what, '@');
    if (!at || !parse_number(at + 1, 1, UINT64_MAX / 2, frame))
        return false;
    *name_length = (size_t)(at - what);
    return true;
}

static uint32_t find_reading(const struct command *command, size_t length)
{
    const struct definitions *definitions = &command->job.definitions;
    uint32_t by_long = DEF_NONE;
    for (uint32_t i = 0; i < definitions->reading_count; i++) {
        const char *name = view_reading_name(&command->view, &definitions->readings[i]);
        const char *long_name = definitions->readings[i].long_name;
        if (strlen(name) == length && memcmp(name, command->what, length) == 0)
            return i;
        if (strlen(long_name) == length && memcmp(long_name, command->what, length) == 0)
            by_long = i;
    }
    return by_long;
}

static int unknown_reading(struct command *command, size_t length)
{
    const struct definitions *definitions = &command->job.definitions;
    const char **names = calloc(definitions->reading_count + 1, sizeof *names);
    char name[DEF_NAME_MAX * 2];
    (void)snprintf(name, sizeof name, "%.*s", (int)(length < sizeof name ? length : sizeof name - 1), command->what);
    for (uint32_t i = 0; names && i < definitions->reading_count; i++)
        names[i] = view_reading_name(&command->view, &definitions->readings[i]);
    const char *near = names ? diagnostics_nearest(name, names, definitions->reading_count) : NULL;
    int code = near ? usage_error(&command->diagnostics, "explain",
                                  "no definition file has a reading %.200s, did you mean %.200s", name, near)
                    : usage_error(&command->diagnostics, "explain",
                                  "no definition file has a reading %.200s; taretrace list readings shows them", name);
    free(names);
    return code;
}

static uint32_t find_step(const struct command *command)
{
    const struct definitions *definitions = &command->job.definitions;
    uint64_t number;
    for (uint32_t i = 0; i < definitions->step_count; i++)
        if (strcmp(definitions->steps[i].name, command->what) == 0)
            return i;
    if (definitions->step_count && parse_number(command->what, 1, definitions->step_count, &number))
        return (uint32_t)number - 1;
    return DEF_NONE;
}

static int unknown_step(struct command *command)
{
    const struct definitions *definitions = &command->job.definitions;
    const char *names[DEF_STEPS_MAX];
    for (uint32_t i = 0; i < definitions->step_count; i++)
        names[i] = definitions->steps[i].name;
    const char *near = diagnostics_nearest(command->what, names, definitions->step_count);
    if (near)
        return usage_error(&command->diagnostics, "explain",
                           "the procedure has no step %.200s, did you mean %.200s", command->what, near);
    return usage_error(&command->diagnostics, "explain",
                       "%.200s is no step of the procedure (steps are named, or numbered from 1 to %u); a reading "
                       "needs its frame behind it, like \"%.200s@125\"",
                       command->what, definitions->step_count,
                       view_reading_name(&command->view, &definitions->readings[0])); /* open_job: there is one */
}

/* ---- the runs ---- */

static void on_frame(void *context, const struct frame *frame)
{
    explain_see_frame(context, frame);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    (void)content;
    explain_see_exchange(context, event);
}

static void on_reading(void *context, const struct reading_event *event)
{
    explain_see_reading(context, event);
}

static int no_memory(struct command *command)
{
    return diagnostics_no_memory(&command->diagnostics, NULL);
}

static int print(struct command *command, const struct attempt_result *attempt)
{
    struct sink out;
    if (command->explain.failed || !sink_open_fd(&out, STDOUT_FILENO, false))
        return no_memory(command);
    (command->json ? explain_json : explain_text)(&out, &command->explain, &command->derived.about, attempt);
    return close_output(&out, &command->diagnostics, 0);
}

static int not_found(struct command *command, size_t length, uint64_t frame)
{
    const uint64_t *near = command->explain.near;
    char hint[120] = "it is in no frame of this record";
    if (near[0] && near[1])
        (void)snprintf(hint, sizeof hint, "the nearest frames that do are %llu and %llu", (unsigned long long)near[0],
                       (unsigned long long)near[1]);
    else if (near[0] || near[1])
        (void)snprintf(hint, sizeof hint, "the nearest frame that does is %llu",
                       (unsigned long long)(near[0] ? near[0] : near[1]));
    diagnostics_say(&command->diagnostics, SEVERITY_ERROR, NULL, "frame %llu carries no %.*s; %s",
                    (unsigned long long)frame, (int)(length < 200 ? length : 200), command->what, hint);
    return EXIT_BAD_INPUT;
}

static int explain_reading(struct command *command, size_t length, uint64_t frame)
{
    uint32_t reading = find_reading(command, length), bus;
    if (reading == DEF_NONE)
        return unknown_reading(command, length);
    int code = job_inputs_bus(&command->job, &bus);
    if (code)
        return code;
    if (!explain_open_reading(&command->explain, &command->view, reading, frame, bus == 0, bus ? bus - 1 : 0))
        return no_memory(command);
    const struct pipeline_listener listener = {.context = &command->explain, .frame = on_frame, .reading = on_reading};
    code = derive_run(&(struct derive_request){.job = &command->job, .folder = -1, .progress = true,
                                               .listener = &listener},
                      &command->derived);
    if (code)
        return code;
    return command->explain.item_count ? print(command, NULL) : not_found(command, length, frame);
}

/* A second run, with the verdict known: to the frames it rests on. Nothing is judged by it. */
static int look_again(struct command *command)
{
    const struct pipeline_listener listener = {.context = &command->explain, .frame = on_frame, .exchange = on_exchange,
                                               .reading = on_reading};
    struct pipeline_options options;
    struct pipeline_result result;
    struct pipeline *pipeline;
    for (uint32_t i = 0; i < command->job.traces.count; i++) {
        if (command->job.traces.list[i].again)
            continue;
        diagnostics_say(&command->diagnostics, SEVERITY_ERROR, NULL,
                        "a step is explained by reading its trace twice, which standard input cannot be; save it to a "
                        "file, or ask for a READING@FRAME");
        return EXIT_BAD_INPUT;
    }
    job_inputs_to_pipeline(&command->job, &options);
    options.marks = NULL;
    options.recorder = NULL;
    options.listener = &listener;
    int code = pipeline_run(&options, &pipeline, &result);
    if (!code && result.interrupted)
        code = EXIT_INTERRUPTED;
    pipeline_free(pipeline);
    return code;
}

static int explain_step(struct command *command)
{
    uint32_t step = find_step(command);
    if (step == DEF_NONE)
        return unknown_step(command);
    int code = derive_run(&(struct derive_request){.job = &command->job, .folder = -1, .progress = true},
                          &command->derived);
    if (code)
        return code;
    const struct verdict *verdict = command->derived.about.verdict;
    const struct attempt_result *attempt = NULL;
    uint32_t part = verdict->chosen_part ? verdict->chosen_part : 1;
    if (!verdict->chosen_part && verdict->part_count > 1)
        return usage_error(&command->diagnostics, "explain",
                           "the record holds %llu parts, of different modules or vehicles: say which with --part",
                           (unsigned long long)verdict->part_count);
    for (uint32_t i = 0; i < verdict->attempts_kept; i++)
        if (verdict->attempts[i]->part == part)
            attempt = verdict->attempts[i];
    if (!attempt)
        return usage_error(&command->diagnostics, "explain", "the record has no part %u", part);
    const struct step_result *result = &attempt->steps[step];
    if (!explain_open_step(&command->explain, &command->view, result))
        return no_memory(command);
    if (result->evidence != EVIDENCE_NONE)
        code = look_again(command);
    return code ? code : print(command, attempt);
}

static int run(struct command *command)
{
    size_t length;
    uint64_t frame;
    int code = load(command);
    if (code)
        return code;
    command->view = derived_view(&command->derived, &command->job);
    bool named = find_step(command) != DEF_NONE; /* a step's name may hold an @ */
    return !named && split_frame(command->what, &length, &frame) ? explain_reading(command, length, frame)
                                                                 : explain_step(command);
}

int command_explain(int argc, char **argv)
{
    struct command *command = calloc(1, sizeof *command);
    if (!command)
        return EXIT_OUR_FAULT; /* main says why */
    diagnostics_init(&command->diagnostics, stderr);
    job_inputs_bare(&command->job, &command->diagnostics);
    command->inputs.diagnostics = &command->diagnostics;
    command->inputs.command = "explain";
    int code = parse(command, argc, argv);
    if (!code && command->asks_help)
        code = print_help(explain_help);
    else if (!code)
        code = run(command);
    explain_close(&command->explain);
    derived_free(&command->derived);
    job_inputs_close(&command->job);
    free(command);
    return code;
}
