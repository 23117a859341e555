/* taretrace: a saved CAN trace and a definition file in, a log and a verdict out. main is a table of subcommands. */
#include <jansson.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "commands/commands.h"
#include "support/interrupt.h"
#include "support/shortage.h"

static const struct {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *help;
} commands[] = {
    {"verify", command_verify, verify_help},
    {"list", command_list, list_help},
    {"record", command_record, record_help},
    {"watch", command_watch, watch_help},
    {"mark", command_mark, mark_help},
    {"explain", command_explain, explain_help},
    {"report", command_report, report_help},
    {"lint", command_lint, lint_help},
    {"seal", command_seal, seal_help},
    {"audit", command_audit, audit_help},
    {"redact", command_redact, redact_help},
};
#define COMMAND_COUNT (sizeof commands / sizeof commands[0])

static const char help[] =
    "taretrace records a CAN bus while a seat scale is zeroed and checked, or reads a\n"
    "trace that was saved then, and says what the module answered and whether that\n"
    "shows each step. It never transmits.\n"
    "\n"
    "  taretrace record can0 --into job-folder --definitions seat.yaml\n"
    "        records a bus without transmitting, and shows the job as it goes\n"
    "  taretrace watch job-folder\n"
    "        shows a job that is being recorded from another terminal\n"
    "  taretrace mark job-folder --moment \"weight on\"\n"
    "        notes what a person saw, did or read off\n"
    "\n"
    "  taretrace verify job.pcap --definitions seat.yaml --marks marks.jsonl\n"
    "        judges the job and prints a line for each step\n"
    "  taretrace verify job.pcap --definitions seat.yaml --into job-folder\n"
    "        the same, and keeps trace, log, readings and verdict in a new folder\n"
    "  taretrace list readings job.pcap --definitions seat.yaml\n"
    "        every value that was read, a line each (also: frames, messages, ...)\n"
    "  taretrace explain job-folder \"seat load.total@125\"\n"
    "        walks a value, or a step, back to its bytes and forward to its limit\n"
    "  taretrace report job-folder\n"
    "        writes the page for people, report.html, anew\n"
    "  taretrace lint seat.yaml\n"
    "        checks a definition file and runs the examples in it\n"
    "\n"
    "  taretrace seal job-folder --key key.pem\n"
    "        signs the folder, so that a third person can check it\n"
    "  taretrace audit job-folder --public-key pub.pem\n"
    "        checks a folder that somebody sealed\n"
    "  taretrace redact job-folder --into public-folder\n"
    "        copies a sealed folder without vehicle and serial numbers, seeds, keys\n"
    "\n"
    "  taretrace COMMAND --help      tells the options of a command\n"
    "  taretrace --version           prints the version\n"
    "\n"
    "Exit codes: 0 done (verify: every step confirmed), 1 verify: a step is\n"
    "contradicted, 2 verify: not confirmed, 64 wrong command line, 65 input that\n"
    "cannot be used, 66 cannot open, 73 cannot create, 74 writing failed, 70 a fault\n"
    "of this program, 130 stopped by Ctrl-C. What audit ends with: audit --help.\n";

/* No command ends well on less than it asked for, nor badly without a word (support/shortage.h). */
static int end(struct diagnostics *diagnostics, int code)
{
    bool short_of = shortage_seen() && code < EXIT_USAGE;
    if (short_of || (code == EXIT_OUR_FAULT && !diagnostics_told()))
        diagnostics_say(diagnostics, SEVERITY_ERROR, NULL, "memory ran out%s; close other programs and run again",
                        short_of ? ", and what was printed may lack something" : "");
    return short_of ? EXIT_OUR_FAULT : code;
}

int main(int argc, char **argv)
{
    struct diagnostics diagnostics;
    const char *names[COMMAND_COUNT + 2] = {"help", "version"};
    diagnostics_init(&diagnostics, stderr);
    interrupt_watch();
    json_set_alloc_funcs(shortage_malloc, free); /* jansson leaves out what it has no memory for */
    (void)signal(SIGPIPE, SIG_IGN); /* a failed write is found, and told or not, by the sink */
    if (argc < 2) {
        (void)fputs(help, stderr);
        return EXIT_USAGE;
    }
    const char *name = argv[1];
    if (strcmp(name, "--version") == 0 || strcmp(name, "version") == 0)
        return print_help("taretrace " TT_VERSION "\n");
    bool asks_help = strcmp(name, "--help") == 0 || strcmp(name, "-h") == 0 || strcmp(name, "help") == 0;
    if (asks_help && argc < 3)
        return print_help(help);
    for (size_t i = 0; i < COMMAND_COUNT; i++) {
        names[i + 2] = commands[i].name;
        if (asks_help && strcmp(argv[2], commands[i].name) == 0)
            return print_help(commands[i].help);
        if (strcmp(name, commands[i].name) == 0)
            return end(&diagnostics, commands[i].run(argc - 1, argv + 1));
    }
    const char *unknown = asks_help ? argv[2] : name, *near = diagnostics_nearest(unknown, names, COMMAND_COUNT + 2);
    diagnostics_say(&diagnostics, SEVERITY_ERROR, NULL,
                    near ? "unknown command %s, did you mean %s?" : "unknown command %s; see: taretrace --help",
                    unknown, near);
    return EXIT_USAGE;
}
