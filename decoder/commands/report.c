/* taretrace report: writes report.html of a job anew, into the job or elsewhere. */
#define _GNU_SOURCE /* renameat2: a rename that never replaces */
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
#include "../outputs/report_html.h"
#include "commands.h"

const char report_help[] =
    "taretrace report JOB: writes the report of a job anew\n"
    "\n"
    "  taretrace report job-folder\n"
    "  taretrace report job-folder --to handed-over.html\n"
    "  taretrace report job-folder --to - >handed-over.html\n"
    "\n"
    "The report is one page that needs nothing else: open it in a browser, print it.\n"
    "Without --to it becomes report.html in the job folder; a sealed job is never\n"
    "written, so its report goes elsewhere. The same job gives the same page.\n"
    "A file that is there already is never overwritten, nor a sealed folder added to.\n"
    "\n"
    "  -t, --to FILE              writes the page into this new file; - is standard\n"
    "                             output\n"
    "  -h, --help                 this page\n";

static const char *const option_names[] = {"to", "help", NULL};

struct command {
    struct diagnostics diagnostics;
    const char *path, *to;
    bool asks_help;
    struct job_inputs job;
    struct derived derived;
    struct view view;
    struct report *report;
};

static int parse(struct command *command, int argc, char **argv)
{
    static const struct option options[] = {
        {"to", required_argument, NULL, 't'}, {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
    int option;
    opterr = 0;
    while ((option = getopt_long(argc, argv, ":t:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&command->diagnostics, "report", option, argv, option_names);
        if (option == 't')
            command->to = optarg;
        else
            command->asks_help = true;
    }
    if (command->asks_help)
        return 0;
    if (optind + 1 != argc)
        return usage_error(&command->diagnostics, "report",
                           optind == argc ? "no job folder given" : "one job folder at a time");
    command->path = argv[optind];
    if (!job_inputs_is_folder(command->path) && access(command->path, F_OK) == 0)
        return usage_error(
            &command->diagnostics, "report",
            "%.80s is no job folder; make one with: taretrace verify TRACE --definitions FILE --into JOB",
            command->path);
    return 0;
}

/* ---- the page elsewhere: the same collector, fed by a listener ---- */

static void on_message(void *context, const struct message *message)
{
    report_message(context, message);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    report_exchange(context, event, content);
}

static void on_reading(void *context, const struct reading_event *event)
{
    report_reading(context, event);
}

static void on_step(void *context, const struct step_event *event)
{
    report_step(context, event);
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    report_fault(context, stage, reason, frame);
}

static void on_event(void *context, const char *what, const struct frame *frame)
{
    report_event(context, what, frame);
}

static void on_recorded(void *context, const struct recorder_event *event, const struct frame *frame)
{
    report_recorded(context, event, frame);
}

static int collect(struct command *command)
{
    const struct pipeline_listener listener = {.message = on_message, .exchange = on_exchange, .reading = on_reading,
                                               .step = on_step, .fault = on_fault, .event = on_event,
                                               .recorded = on_recorded, .context = command->report};
    return derive_run(&(struct derive_request){.job = &command->job, .folder = -1, .progress = true,
                                               .listener = &listener},
                      &command->derived);
}

static int to_output(struct command *command)
{
    struct sink out;
    if (!sink_open_fd(&out, STDOUT_FILENO, false))
        return diagnostics_no_memory(&command->diagnostics, NULL);
    report_html(command->report, &out, &command->derived.about);
    return close_output(&out, &command->diagnostics, 0);
}

static int is_there_already(struct command *command)
{
    diagnostics_say(&command->diagnostics, SEVERITY_ERROR, command->to,
                    "is there already and is never overwritten; give a new name, or move it away");
    return EXIT_CANNOT_CREATE;
}

/* A slip behind --to must not cost a trace or a key, and a file more breaks a seal. */
static int check_place(struct command *command)
{
    struct stat there;
    const char *slash = strrchr(command->to, '/');
    size_t length = slash ? (size_t)(slash - command->to) + 1 : 0;
    if (lstat(command->to, &there) == 0)
        return is_there_already(command);
    for (int up = 0; up < 2; up++) { /* in the folder itself, or in its definitions/ */
        char manifest[4096];
        int used = snprintf(manifest, sizeof manifest, "%.*s%sMANIFEST.sha256", (int)length, command->to,
                            up ? "../" : "");
        if (used < 0 || (size_t)used >= sizeof manifest)
            return usage_error(&command->diagnostics, "report", "the name behind --to is too long");
        if (lstat(manifest, &there) == 0) {
            diagnostics_say(&command->diagnostics, SEVERITY_ERROR, command->to,
                            "would lie in a sealed job, and nothing is added to one; give a name outside of it");
            return EXIT_CANNOT_CREATE;
        }
    }
    return 0;
}

/* Some file systems do not know RENAME_NOREPLACE; there the look before must do. */
static bool rename_new(const char *from, const char *to)
{
    if (renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE) == 0)
        return true;
    return (errno == EINVAL || errno == ENOSYS) && access(to, F_OK) != 0 && rename(from, to) == 0;
}

/* Under another name first, so that a file of this name is a whole page. */
static int to_file(struct command *command)
{
    char unfinished[4096];
    struct sink out;
    int length = snprintf(unfinished, sizeof unfinished, "%s.unfinished", command->to);
    if (length < 0 || (size_t)length >= sizeof unfinished)
        return usage_error(&command->diagnostics, "report", "the name behind --to is too long");
    int fd = open(unfinished, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0666);
    if (fd < 0 || !sink_open_fd(&out, fd, true)) {
        int error = fd < 0 ? errno : ENOMEM;
        diagnostics_say(&command->diagnostics, SEVERITY_ERROR, command->to, "cannot be created: %s; %s",
                        strerror(error), error == ENOENT ? "the folder it is to lie in must be there"
                                                         : "give a place that can be written");
        if (fd >= 0)
            (void)close(fd);
        return EXIT_CANNOT_CREATE;
    }
    report_html(command->report, &out, &command->derived.about);
    bool good = sink_close_synced(&out);
    if (!good || !rename_new(unfinished, command->to)) {
        int error = good ? errno : out.error;
        (void)unlink(unfinished);
        if (good && error == EEXIST)
            return is_there_already(command);
        diagnostics_say(&command->diagnostics, SEVERITY_ERROR, command->to, "could not be written: %s",
                        strerror(error));
        return EXIT_WRITE_FAILED;
    }
    return 0;
}

static int elsewhere(struct command *command)
{
    int code = strcmp(command->to, "-") == 0 ? 0 : check_place(command);
    if (code)
        return code;
    command->view = derived_view(&command->derived, &command->job);
    command->report = report_open(&command->view);
    if (!command->report)
        return diagnostics_no_memory(&command->diagnostics, NULL);
    code = collect(command);
    if (code)
        return code;
    return strcmp(command->to, "-") == 0 ? to_output(command) : to_file(command);
}

static int run(struct command *command)
{
    int code = job_inputs_open(&command->job, command->path, JOB_WHOLE, &command->diagnostics);
    if (code)
        return code;
    if (command->to)
        return elsewhere(command);
    if (command->job.sealed)
        return usage_error(&command->diagnostics, "report", "%.80s is sealed and is not written; say where with --to",
                           command->path);
    if (flock(command->job.fd, LOCK_EX | LOCK_NB) != 0 && errno == EWOULDBLOCK) {
        diagnostics_say(&command->diagnostics, SEVERITY_ERROR, command->path,
                        "is being written by another taretrace; wait for it, and run again");
        return EXIT_CANNOT_CREATE;
    }
    return derive_run(&(struct derive_request){.job = &command->job, .folder = command->job.fd, .only_report = true,
                                               .progress = true},
                      &command->derived);
}

int command_report(int argc, char **argv)
{
    struct command *command = calloc(1, sizeof *command);
    if (!command)
        return EXIT_OUR_FAULT; /* main says why */
    diagnostics_init(&command->diagnostics, stderr);
    job_inputs_bare(&command->job, &command->diagnostics);
    int code = parse(command, argc, argv);
    if (!code && command->asks_help)
        code = print_help(report_help);
    else if (!code)
        code = run(command);
    report_close(command->report);
    derived_free(&command->derived);
    job_inputs_close(&command->job);
    free(command);
    return code;
}
