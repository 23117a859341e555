/*
 * The subcommands (D 9). Each gets its own name as argv[0] and returns an exit code of D 9.1. Data go to stdout,
 * messages to stderr.
 */
#ifndef TT_COMMANDS_H
#define TT_COMMANDS_H

#include "../support/diagnostics.h"
#include "../support/sink.h"

int command_verify(int argc, char **argv);
int command_list(int argc, char **argv);
int command_lint(int argc, char **argv);
int command_explain(int argc, char **argv);
int command_report(int argc, char **argv);
int command_seal(int argc, char **argv);
int command_audit(int argc, char **argv);
int command_redact(int argc, char **argv);
int command_record(int argc, char **argv);
int command_watch(int argc, char **argv);
int command_mark(int argc, char **argv);

/* What is printed by --help. */
extern const char record_help[], watch_help[], mark_help[];
extern const char seal_help[], audit_help[], redact_help[];
extern const char verify_help[], list_help[], lint_help[];
extern const char explain_help[], report_help[];

/* ---- shared by them (arguments.c) ---- */

/* Prints text to stdout; 0, or EXIT_WRITE_FAILED. */
int print_help(const char *text);
/* Says what is wrong with the command line, and where help is; returns EXIT_USAGE. */
int usage_error(struct diagnostics *diagnostics, const char *command, const char *format, ...) TT_PRINTF(3, 4);
/* After getopt_long gave '?' or ':': says which option, and the nearest good one (names: long options, NULL behind). */
int option_error(struct diagnostics *diagnostics, const char *command, int got, char **argv, const char *const *names);
/* A word that is no option, for commands that take one job folder: *job is it, or there is one already. 0, EXIT_USAGE. */
TT_MUST_USE int take_job(struct diagnostics *diagnostics, const char *command, const char **job, const char *word);
/*
 * Closes a sink of stdout. Returns code, or EXIT_WRITE_FAILED when not everything could be written; a reader that went
 * away (head, less) is no news and is not told.
 */
TT_MUST_USE int close_output(struct sink *sink, struct diagnostics *diagnostics, int code);
/* A whole number from least to most, or false. */
TT_MUST_USE bool parse_number(const char *text, uint64_t least, uint64_t most, uint64_t *number);

#endif
