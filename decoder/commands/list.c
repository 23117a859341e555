/* taretrace list: frames, messages, exchanges or readings of traces, one object a line (D 9.2, 9.3). */
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../evidence/job_inputs.h"
#include "../outputs/readings_csv.h"
#include "../support/interrupt.h"
#include "commands.h"
#include "inputs.h"

const char list_help[] =
    "taretrace list frames|messages|exchanges|readings TRACE...|JOB: what traces hold\n"
    "\n"
    "  taretrace list readings JOB\n"
    "  taretrace list readings job.pcap --definitions seat.yaml\n"
    "  taretrace list exchanges job.pcap --pair 0x5E3:0x6C5\n"
    "  taretrace list messages job.pcap --pair 0x5E3:0x6C5 --format jsonl > out.jsonl\n"
    "  zcat job.pcap.gz | taretrace list messages - --pair 0x5E3:0x6C5\n"
    "\n"
    "frames     each record of the trace, error frames in words\n"
    "messages   what was put together from frames, whole or abandoned (ISO 15765-2)\n"
    "exchanges  each question with all its answers (ISO 14229)\n"
    "readings   each value of the definition files (needs --definitions)\n"
    "JOB        a job folder, also one that is still being recorded: its traces, its\n"
    "           definition files and the recorder's names of the buses\n"
    "TRACE      pcap or pcapng, link type 227, 113 or 276; - is standard input. Several\n"
    "           traces, or interfaces of a pcapng, are buses 1, 2, ... in that order\n"
    "\n"
    "  -d, --definitions FILE...      definition files: pairs, names, readings\n"
    "  -p, --pair REQUEST:RESPONSE    ids that talk to each other, three or eight hex\n"
    "                                 digits, address bytes behind a /; more by\n"
    "                                 more options; used instead of the files' pairs.\n"
    "                                 Without either: 0x7E0:0x7E8 to 0x7E7:0x7EF\n"
    "  -f, --format text|csv|jsonl    text (key=value) when not given\n"
    "      --id-order big|swapped     how CAN ids stand in the trace, when what their\n"
    "                                 look says is wrong\n"
    "  -l, --longest N                longest message in bytes, 65536 when not given\n"
    "      --secrets                  shows seeds and keys of SecurityAccess\n"
    "  -h, --help                     this page\n";

#define OPTION_SECRETS 300 /* no letter */
enum what { LIST_FRAMES, LIST_MESSAGES, LIST_EXCHANGES, LIST_READINGS };
static const char *const what_names[] = {"frames", "messages", "exchanges", "readings", NULL};
static const char *const form_names[] = {"jsonl", "text", "csv", NULL}; /* by enum row_form */
static const char *const option_names[] = {"definitions", "pair", "id-order", "format",
                                           "longest", "secrets", "help", NULL};

struct list {
    struct diagnostics diagnostics;
    enum what what;
    enum row_form form;
    struct inputs inputs;
    struct job_inputs job; /* of a job folder; else of nothing */
    struct definitions definitions; /* of a bare trace */
    bool described;
    bool asks_help, secrets;
    struct sink out;
    struct view view;
    struct pipeline *pipeline;
    struct pipeline_result result;
};

static int name_index(const char *name, const char *const *names)
{
    for (int i = 0; names[i]; i++)
        if (strcmp(name, names[i]) == 0)
            return i;
    return -1;
}

/* ---- what is printed ---- */

static void stop_when_failed(struct list *list)
{
    if (list->out.error)
        pipeline_stop(list->pipeline);
}

static void on_frame(void *context, const struct frame *frame)
{
    struct list *list = context;
    view_frame(&list->view, &list->out, list->form, frame, NULL);
    stop_when_failed(list);
}

/* A record that is no frame has its line too: its number is used up. */
static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    struct list *list = context;
    if (strcmp(stage, "frame") != 0 || !frame)
        return;
    view_frame(&list->view, &list->out, list->form, frame, reason);
    stop_when_failed(list);
}

static void on_message(void *context, const struct message *message)
{
    struct list *list = context;
    view_message(&list->view, &list->out, list->form, message);
    stop_when_failed(list);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct list *list = context;
    (void)content;
    view_exchange(&list->view, &list->out, list->form, event);
    stop_when_failed(list);
}

static void on_reading(void *context, const struct reading_event *event)
{
    struct list *list = context;
    if (event->kind != READING_VALUE)
        return;
    if (list->form == ROW_CSV)
        readings_csv_reading(&list->view, &list->out, event);
    else
        view_reading(&list->view, &list->out, list->form, event);
    stop_when_failed(list);
}

static void put_columns(struct list *list)
{
    if (list->form != ROW_CSV)
        return;
    if (list->what == LIST_READINGS) {
        readings_csv_begin(&list->out);
        return;
    }
    sink_text(&list->out, list->what == LIST_FRAMES     ? view_frame_columns
                          : list->what == LIST_MESSAGES ? view_message_columns
                                                        : view_exchange_columns);
    sink_text(&list->out, "\r\n");
}

/* ---- the command line ---- */

static int take_option(struct list *list, int option, const char *value)
{
    int index;
    switch (option) {
    case OPTION_SECRETS:
        list->secrets = true;
        return 0;
    case 'h':
        list->asks_help = true;
        return 0;
    case 'f':
        index = name_index(value, form_names);
        if (index < 0)
            return usage_error(&list->diagnostics, "list", "--format is text, csv or jsonl, not %.40s", value);
        list->form = (enum row_form)index;
        return 0;
    default:
        return inputs_option(&list->inputs, option == 'p' ? INPUT_PAIR : option, value);
    }
}

/* A word that is no option: what to list, then traces; behind --definitions more definition files. */
static int take_word(struct list *list, const char *word, bool *named, bool behind_definitions)
{
    if (*named)
        return behind_definitions ? inputs_add_file(&list->inputs, word) : inputs_add_trace(&list->inputs, word);
    int index = name_index(word, what_names);
    if (index < 0)
        return usage_error(&list->diagnostics, "list",
                           "%.40s cannot be listed; frames, messages, exchanges and readings can", word);
    list->what = (enum what)index;
    *named = true;
    return 0;
}

static int parse(struct list *list, int argc, char **argv)
{
    static const struct option options[] = {INPUT_OPTIONS, {"format", required_argument, NULL, 'f'},
                                            {"secrets", no_argument, NULL, OPTION_SECRETS},
                                            {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
    bool named = false, behind_definitions = false;
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:d:p:f:l:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&list->diagnostics, "list", option, argv, option_names);
        if (option == 1)
            result = take_word(list, optarg, &named, behind_definitions);
        else {
            result = take_option(list, option, optarg);
            behind_definitions = option == 'd';
        }
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_word(list, argv[optind], &named, false);
    if (result || list->asks_help)
        return result;
    if (!named)
        return usage_error(&list->diagnostics, "list", "say what to list: frames, messages, exchanges or readings");
    result = inputs_complete(&list->inputs);
    if (!result && list->what == LIST_READINGS && list->inputs.file_count == 0 && !list->inputs.job)
        return usage_error(&list->diagnostics, "list",
                           "readings need --definitions: a file that says what the bytes mean");
    return result;
}

/* ---- the run ---- */

/* What is listed, and how: from the command line, or from a job folder and then the command line. */
static int open_inputs(struct list *list, struct pipeline_options *options)
{
    const struct inputs *inputs = &list->inputs;
    int code = 0;
    if (!inputs->job) {
        list->described = inputs->file_count > 0;
        code = list->described ? inputs_load(inputs, &list->definitions) : 0;
        *options = (struct pipeline_options){.definitions = list->described ? &list->definitions : NULL};
        inputs_to_options(inputs, options);
        return code;
    }
    const struct job_wish wish = {.definitions = inputs->files, .definition_count = inputs->file_count};
    code = job_inputs_open_as(&list->job, inputs->job, JOB_GROWING, &wish, &list->diagnostics);
    if (code)
        return code;
    if (list->what == LIST_READINGS && !list->job.definitions_loaded)
        return usage_error(&list->diagnostics, "list",
                           "%.80s has no definition files; readings need --definitions: a file that says what the bytes "
                           "mean", inputs->job);
    inputs_to_job(inputs, &list->job.options);
    job_inputs_to_pipeline(&list->job, options);
    options->marks = NULL;
    if (!list->job.definitions_loaded)
        options->definitions = NULL;
    return 0;
}

static int run(struct list *list)
{
    struct pipeline_listener listener = {.context = list};
    if (list->what == LIST_FRAMES) {
        listener.frame = on_frame;
        listener.fault = on_fault;
    } else if (list->what == LIST_MESSAGES)
        listener.message = on_message;
    else if (list->what == LIST_EXCHANGES)
        listener.exchange = on_exchange;
    else
        listener.reading = on_reading;
    struct pipeline_options options;
    int code = open_inputs(list, &options);
    if (code)
        return code;
    options.progress = !isatty(STDOUT_FILENO);
    options.listener = &listener;
    list->view = (struct view){.definitions = options.definitions,
                               .pipeline = (const struct pipeline *const *)&list->pipeline,
                               .start = &list->result.first_time, .fields = true, .secrets = list->secrets};
    if (!sink_open_fd(&list->out, STDOUT_FILENO, false))
        return diagnostics_no_memory(&list->diagnostics, NULL);
    put_columns(list);
    code = pipeline_run(&options, &list->pipeline, &list->result);
    if (!code && list->result.interrupted && !list->out.error) {
        diagnostics_say(&list->diagnostics, SEVERITY_WARNING, NULL, "stopped after frame %llu: the list is not whole",
                        (unsigned long long)list->result.frames);
        code = EXIT_INTERRUPTED;
    }
    code = close_output(&list->out, &list->diagnostics, code);
    pipeline_free(list->pipeline);
    return code;
}

int command_list(int argc, char **argv)
{
    struct list *list = calloc(1, sizeof *list);
    if (!list)
        return EXIT_OUR_FAULT; /* main says why */
    diagnostics_init(&list->diagnostics, stderr);
    job_inputs_bare(&list->job, &list->diagnostics);
    list->inputs.diagnostics = &list->diagnostics;
    list->inputs.command = "list";
    list->form = ROW_TEXT;
    int code = parse(list, argc, argv);
    if (!code && list->asks_help) {
        code = print_help(list_help);
    } else if (!code) {
        code = run(list);
    }
    job_inputs_close(&list->job);
    if (list->described)
        definitions_free(&list->definitions);
    free(list);
    return code;
}
