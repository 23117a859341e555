/* What the subcommands share: their command lines, and stdout. */
#include <errno.h>
#include <getopt.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "commands.h"

int print_help(const char *text)
{
    struct diagnostics diagnostics;
    struct sink sink;
    diagnostics_init(&diagnostics, stderr);
    if (!sink_open_fd(&sink, STDOUT_FILENO, false))
        return EXIT_OUR_FAULT;
    sink_text(&sink, text);
    return close_output(&sink, &diagnostics, 0);
}

int usage_error(struct diagnostics *diagnostics, const char *command, const char *format, ...)
{
    char what[600];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    diagnostics_say(diagnostics, SEVERITY_ERROR, NULL, "%s; see: taretrace %s --help", what, command);
    return EXIT_USAGE;
}

int option_error(struct diagnostics *diagnostics, const char *command, int got, char **argv, const char *const *names)
{
    const char *given = argv[optind > 1 ? optind - 1 : 1];
    size_t count = 0;
    while (names[count])
        count++;
    if (got == ':')
        return usage_error(diagnostics, command, "%s needs a value behind it", given);
    const char *near = strncmp(given, "--", 2) == 0 ? diagnostics_nearest(given + 2, names, count) : NULL;
    if (near)
        return usage_error(diagnostics, command, "unknown option %s, did you mean --%s", given, near);
    if (strncmp(given, "--", 2) != 0 && optopt)
        return usage_error(diagnostics, command, "unknown option -%c", optopt);
    return usage_error(diagnostics, command, "unknown option %s", given);
}

int take_job(struct diagnostics *diagnostics, const char *command, const char **job, const char *word)
{
    if (*job)
        return usage_error(diagnostics, command, "one job folder at a time, not also %.80s", word);
    *job = word;
    return 0;
}

int close_output(struct sink *sink, struct diagnostics *diagnostics, int code)
{
    if (sink_close(sink))
        return code;
    if (sink->error != EPIPE)
        diagnostics_say(diagnostics, SEVERITY_ERROR, "standard output",
                        "could not be written (%s); what was printed is not whole", strerror(sink->error));
    return EXIT_WRITE_FAILED;
}

bool parse_number(const char *text, uint64_t least, uint64_t most, uint64_t *number)
{
    size_t length = strlen(text);
    if (length == 0 || length > 18)
        return false;
    *number = 0;
    for (size_t i = 0; i < length; i++) {
        if (text[i] < '0' || text[i] > '9')
            return false;
        *number = *number * 10 + (uint64_t)(text[i] - '0');
    }
    return *number >= least && *number <= most;
}
