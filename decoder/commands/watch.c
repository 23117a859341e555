/* taretrace watch: follows a job while it is recorded, from any terminal (D 9.6). */
#include <errno.h>
#include <getopt.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "commands.h"
#include "viewer.h"

const char watch_help[] =
    "taretrace watch JOB: follows a job while it is being recorded\n"
    "\n"
    "  taretrace watch JOB\n"
    "\n"
    "Shows what is read just now on a ruler with the limits, the next thing to do, what\n"
    "the record still lacks, and each step's answer so far. Keys, which the screen\n"
    "explains, note moments, conditions and what the scan tool displays. Leaving the\n"
    "view, or losing it, never touches the recording. Without a terminal it prints a line\n"
    "for each thing that changes, and ends with the recording.\n"
    "\n"
    "      --no-input   takes no keys but q: conditions and moments stay unstated\n"
    "  -h, --help       this page\n";

#define OPTION_NO_INPUT 256
static const char *const option_names[] = {"no-input", "help", NULL};

int command_watch(int argc, char **argv)
{
    static const struct option options[] = {
        {"no-input", no_argument, NULL, OPTION_NO_INPUT}, {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
    struct diagnostics diagnostics;
    struct viewer_request request = {.asks = true, .recorder_said = -1, .diagnostics = &diagnostics};
    struct stat facts;
    int option;
    diagnostics_init(&diagnostics, stderr);
    opterr = 0;
    while ((option = getopt_long(argc, argv, ":h", options, NULL)) != -1) {
        if (option == 'h')
            return print_help(watch_help);
        if (option != OPTION_NO_INPUT)
            return option_error(&diagnostics, "watch", option, argv, option_names);
        request.asks = false;
    }
    if (optind + 1 != argc)
        return usage_error(&diagnostics, "watch", optind == argc ? "no job folder given" : "give one job folder");
    request.job = argv[optind];
    errno = 0;
    if (stat(request.job, &facts) != 0 || !S_ISDIR(facts.st_mode)) {
        diagnostics_say(&diagnostics, SEVERITY_ERROR, request.job,
                        "cannot be opened as a job folder: %s; check the path",
                        errno ? strerror(errno) : "it is no folder");
        return EXIT_CANNOT_OPEN;
    }
    return viewer_run(&request);
}
