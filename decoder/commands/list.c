/* taretrace list: messages, exchanges or readings of a trace, one object a line (D 9.2, 9.3). */
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../../definitions/loader.h"
#include "../outputs/readings_csv.h"
#include "../pipeline.h"
#include "../support/interrupt.h"
#include "commands.h"
#include "pair.h"

const char list_help[] =
    "taretrace list messages|exchanges|readings TRACE: what a trace holds\n"
    "\n"
    "  taretrace list readings job.pcap --definitions seat.yaml\n"
    "  taretrace list exchanges job.pcap --pair 0x5E3:0x6C5\n"
    "  taretrace list messages job.pcap --pair 0x5E3:0x6C5 --format jsonl > out.jsonl\n"
    "  zcat job.pcap.gz | taretrace list messages - --pair 0x5E3:0x6C5\n"
    "\n"
    "messages   what was put together from frames, whole or abandoned (ISO 15765-2)\n"
    "exchanges  each question with all its answers (ISO 14229)\n"
    "readings   each value of the definition files (needs --definitions)\n"
    "TRACE      classic pcap, link type 227; - is standard input\n"
    "\n"
    "  -d, --definitions FILE...      definition files: pairs, names, readings\n"
    "  -p, --pair QUESTION:ANSWER     ids that talk to each other, three or eight hex\n"
    "                                 digits, address bytes behind a /; more by\n"
    "                                 more options; used instead of the files' pairs.\n"
    "                                 Without either: 0x7E0:0x7E8 to 0x7E7:0x7EF\n"
    "  -f, --format text|csv|jsonl    text (key=value) when not given\n"
    "  -l, --longest N                longest message in bytes, 65536 when not given\n"
    "  -h, --help                     this page\n";

#define PAIRS_MAX 256u
#define FILES_MAX 64u
enum what { LIST_MESSAGES, LIST_EXCHANGES, LIST_READINGS };
static const char *const what_names[] = {"messages", "exchanges", "readings", NULL};
static const char *const form_names[] = {"jsonl", "text", "csv", NULL}; /* by enum row_form */
static const char *const option_names[] = {"definitions", "pair", "format", "longest", "help", NULL};

struct list {
    struct diagnostics diagnostics;
    enum what what;
    enum row_form form;
    const char *trace;
    const char *files[FILES_MAX];
    size_t file_count;
    struct transport_pair pairs[PAIRS_MAX];
    uint32_t pair_count;
    uint64_t longest;
    bool asks_help;
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
    sink_text(&list->out, list->what == LIST_MESSAGES ? view_message_columns : view_exchange_columns);
    sink_text(&list->out, "\r\n");
}

/* ---- the command line ---- */

static int add_pair(struct list *list, const char *text)
{
    struct transport_pair pair;
    const char *wrong = pair_parse(text, &pair);
    if (wrong)
        return usage_error(&list->diagnostics, "list", "%.80s is no pair; %s", text, wrong);
    if (list->pair_count == PAIRS_MAX)
        return usage_error(&list->diagnostics, "list", "more than %u pairs", PAIRS_MAX);
    list->pairs[list->pair_count++] = pair;
    return 0;
}

static int add_file(struct list *list, const char *path)
{
    if (list->file_count == FILES_MAX)
        return usage_error(&list->diagnostics, "list", "more than %u definition files", FILES_MAX);
    list->files[list->file_count++] = path;
    return 0;
}

static int take_option(struct list *list, int option, const char *value)
{
    int index;
    switch (option) {
    case 'd':
        return add_file(list, value);
    case 'p':
        return add_pair(list, value);
    case 'f':
        index = name_index(value, form_names);
        if (index < 0)
            return usage_error(&list->diagnostics, "list", "--format is text, csv or jsonl, not %.40s", value);
        list->form = (enum row_form)index;
        return 0;
    case 'l':
        if (!parse_number(value, 1, UINT32_MAX, &list->longest))
            return usage_error(&list->diagnostics, "list",
                               "--longest is a number of bytes from 1 to 4294967295, not %.40s", value);
        return 0;
    default:
        list->asks_help = true;
        return 0;
    }
}

/* A word that is no option: what to list, then the trace; behind --definitions more definition files. */
static int take_word(struct list *list, const char *word, unsigned *words, bool behind_definitions)
{
    if (*words == 0) {
        int index = name_index(word, what_names);
        if (index < 0)
            return usage_error(&list->diagnostics, "list",
                               "%.40s cannot be listed; messages, exchanges and readings can", word);
        list->what = (enum what)index;
    } else if (*words == 1 && !behind_definitions) {
        list->trace = word;
    } else if (behind_definitions) {
        return add_file(list, word);
    } else {
        return usage_error(&list->diagnostics, "list", "one trace at a time in this version: %.80s is one too many",
                           word);
    }
    (*words)++;
    return 0;
}

static int parse(struct list *list, int argc, char **argv)
{
    static const struct option options[] = {
        {"definitions", required_argument, NULL, 'd'}, {"pair", required_argument, NULL, 'p'},
        {"format", required_argument, NULL, 'f'},      {"longest", required_argument, NULL, 'l'},
        {"help", no_argument, NULL, 'h'},              {NULL, 0, NULL, 0}};
    unsigned words = 0;
    bool behind_definitions = false;
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:d:p:f:l:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&list->diagnostics, "list", option, argv, option_names);
        if (option == 1)
            result = take_word(list, optarg, &words, behind_definitions);
        else {
            result = take_option(list, option, optarg);
            behind_definitions = option == 'd';
        }
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_word(list, argv[optind], &words, false);
    if (result || list->asks_help)
        return result;
    /* --definitions a.yaml trace.pcap: without another trace the last word is the trace. */
    if (!list->trace && list->file_count > 1)
        list->trace = list->files[--list->file_count];
    if (words == 0)
        return usage_error(&list->diagnostics, "list", "say what to list: messages, exchanges or readings");
    if (!list->trace)
        return usage_error(&list->diagnostics, "list", "no trace given");
    if (list->what == LIST_READINGS && list->file_count == 0)
        return usage_error(&list->diagnostics, "list",
                           "readings need --definitions: a file that says what the bytes mean");
    return 0;
}

/* ---- the run ---- */

static int run(struct list *list, const struct definitions *definitions)
{
    struct pipeline_listener listener = {.context = list};
    if (list->what == LIST_MESSAGES)
        listener.message = on_message;
    else if (list->what == LIST_EXCHANGES)
        listener.exchange = on_exchange;
    else
        listener.reading = on_reading;
    struct pipeline_options options = {.trace = list->trace, .definitions = definitions, .pairs = list->pairs,
                                       .pair_count = list->pair_count, .longest = (uint32_t)list->longest,
                                       .progress = !isatty(STDOUT_FILENO), .listener = &listener,
                                       .diagnostics = &list->diagnostics};
    list->view = (struct view){.definitions = definitions, .pipeline = (const struct pipeline *const *)&list->pipeline,
                               .start = &list->result.first_time, .fields = true};
    if (!sink_open_fd(&list->out, STDOUT_FILENO, false)) {
        diagnostics_say(&list->diagnostics, SEVERITY_ERROR, NULL, "memory ran out; close other programs and run again");
        return EXIT_OUR_FAULT;
    }
    put_columns(list);
    int code = pipeline_run(&options, &list->pipeline, &list->result);
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
    struct definitions definitions = {0};
    if (!list)
        return EXIT_OUR_FAULT;
    diagnostics_init(&list->diagnostics, stderr);
    list->form = ROW_TEXT;
    int code = parse(list, argc, argv);
    if (!code && list->asks_help) {
        code = print_help(list_help);
    } else if (!code) {
        enum load_result loaded = LOAD_OK;
        if (list->file_count)
            loaded = definitions_load(list->files, list->file_count, &list->diagnostics, &definitions);
        code = loaded == LOAD_OK ? run(list, list->file_count ? &definitions : NULL)
               : loaded == LOAD_MISTAKES ? EXIT_BAD_INPUT
                                         : EXIT_CANNOT_OPEN;
        if (list->file_count)
            definitions_free(&definitions);
    }
    free(list);
    return code;
}
