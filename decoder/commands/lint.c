/* taretrace lint: a definition file is read as verify reads it, looked over for doubtful things, and its examples run.
 */
#include <getopt.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "../../definitions/loader.h"
#include "../support/shortage.h"
#include "commands.h"
#include "lint_examples.h"

const char lint_help[] =
    "taretrace lint FILE...: checks definition files and runs the examples in them\n"
    "\n"
    "  taretrace lint seat.yaml\n"
    "  taretrace lint seat.yaml display.yaml        files that belong to one job\n"
    "\n"
    "Every mistake is told with file, line and column. Warnings are for what can be\n"
    "used but looks doubtful. The exit code is 0 when there is no mistake, else 65.\n"
    "\n"
    "  -h, --help    this page\n";

#define FILES_MAX 64

static const char *const option_names[] = {"help", NULL};

static int check(const char *const *files, size_t count, struct diagnostics *diagnostics)
{
    struct definitions definitions;
    struct sink out;
    int code = 0;
    enum load_result loaded = definitions_load(files, count, diagnostics, &definitions);
    if (loaded == LOAD_OK) {
        uint64_t examples = lint_examples(&definitions, diagnostics);
        definitions_lint(&definitions, diagnostics);
        if (diagnostics->errors) {
            code = shortage_seen() ? EXIT_OUR_FAULT : EXIT_BAD_INPUT;
        } else if (!sink_open_fd(&out, STDOUT_FILENO, false)) {
            code = EXIT_OUR_FAULT;
        } else {
            sink_format(&out, "no mistakes: %u module%s, %u reading%s, %u step%s; %llu example%s run, %llu warning%s\n",
                        definitions.module_count, definitions.module_count == 1 ? "" : "s", definitions.reading_count,
                        definitions.reading_count == 1 ? "" : "s", definitions.step_count,
                        definitions.step_count == 1 ? "" : "s", (unsigned long long)examples, examples == 1 ? "" : "s",
                        (unsigned long long)diagnostics->warnings, diagnostics->warnings == 1 ? "" : "s");
            code = close_output(&out, diagnostics, 0);
        }
    } else {
        code = load_exit(loaded);
    }
    definitions_free(&definitions);
    return code;
}

int command_lint(int argc, char **argv)
{
    static const struct option options[] = {{"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
    struct diagnostics diagnostics;
    int option;
    diagnostics_init(&diagnostics, stderr);
    opterr = 0;
    while ((option = getopt_long(argc, argv, ":h", options, NULL)) != -1) {
        if (option != 'h')
            return option_error(&diagnostics, "lint", option, argv, option_names);
        return print_help(lint_help);
    }
    if (optind == argc)
        return usage_error(&diagnostics, "lint", "no file given");
    if (argc - optind > FILES_MAX)
        return usage_error(&diagnostics, "lint", "more than %d files", FILES_MAX);
    return check((const char *const *)(argv + optind), (size_t)(argc - optind), &diagnostics);
}
