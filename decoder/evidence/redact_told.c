/* What the files redact*.c say when they cannot go on; see redact_parts.h. */
#define _POSIX_C_SOURCE 200809L
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "redact_parts.h"

int redact_no_memory(struct redacting *redacting)
{
    return diagnostics_no_memory(redacting->diagnostics, NULL);
}

int redact_read_failed(struct redacting *redacting, const char *name, int error)
{
    diagnostics_say(redacting->diagnostics, SEVERITY_ERROR, redacting->request->into,
                    "%s of the copy could not be read back: %s; nothing is kept of it, run again", name,
                    strerror(error));
    return EXIT_CANNOT_OPEN;
}

int redact_write_failed(struct redacting *redacting, const char *name, int error)
{
    diagnostics_say(redacting->diagnostics, SEVERITY_ERROR, redacting->request->into,
                    "%s could not be written: %s; nothing is kept of it, make room and run again", name,
                    strerror(error));
    return EXIT_WRITE_FAILED;
}

int redact_refuse(struct redacting *redacting, const char *format, ...)
{
    char what[700];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    diagnostics_say(redacting->diagnostics, SEVERITY_ERROR, redacting->request->path, "%s", what);
    return EXIT_BAD_INPUT;
}

const char *redact_trace_name(const struct redacting *redacting, uint32_t file)
{
    return redacting->job.traces.list[file].file;
}
