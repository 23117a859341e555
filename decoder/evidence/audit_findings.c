/* What an audit finds, collected; see audit_parts.h. */
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "../support/interrupt.h"
#include "audit_parts.h"

const char *audit_answer_text(enum audit_answer answer)
{
    static const char *const words[] = {
        "not sealed",     "changed",   "missing",         "extra file",     "fewer checkpoints than recorded",
        "chain broken",   "other key", "other timestamp", "not reproduced", "another version's job",
        "signer unknown", "passed"};
    return words[answer];
}

int audit_answer_exit(enum audit_answer answer)
{
    return answer == AUDIT_PASSED ? 0 : answer >= AUDIT_OTHER_VERSION ? 2 : 1;
}

void audit_found(struct auditing *auditing, enum audit_answer answer, const char *format, ...)
{
    struct audit *audit = auditing->audit;
    audit->found++;
    if (answer < audit->answer)
        audit->answer = answer;
    if (audit->count == AUDIT_FINDINGS_MAX)
        return;
    struct audit_finding *finding = &audit->findings[audit->count++];
    va_list arguments;
    va_start(arguments, format);
    finding->answer = answer;
    (void)vsnprintf(finding->text, sizeof finding->text, format, arguments);
    va_end(arguments);
}

void audit_proven(struct auditing *auditing, const char *word, const char *format, ...)
{
    struct audit *audit = auditing->audit;
    if (audit->proven_count == AUDIT_NOTES_MAX)
        return;
    char *text = audit->proven[audit->proven_count++];
    va_list arguments;
    size_t used = (size_t)snprintf(text, AUDIT_TEXT_MAX, "%s\t", word);
    va_start(arguments, format);
    (void)vsnprintf(text + used, AUDIT_TEXT_MAX - used, format, arguments);
    va_end(arguments);
}

void audit_unproven(struct auditing *auditing, const char *format, ...)
{
    struct audit *audit = auditing->audit;
    if (audit->unproven_count == AUDIT_NOTES_MAX)
        return;
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(audit->unproven[audit->unproven_count++], AUDIT_TEXT_MAX, format, arguments);
    va_end(arguments);
}

bool audit_failed(const struct auditing *auditing)
{
    return audit_answer_exit(auditing->audit->answer) == 1;
}

int audit_no_memory(struct auditing *auditing)
{
    return diagnostics_no_memory(auditing->request->diagnostics, NULL);
}

int audit_cannot_read(struct auditing *auditing, const char *name, int error)
{
    if (error == ENOMEM)
        return audit_no_memory(auditing);
    if (interrupt_asked()) {
        diagnostics_say(auditing->request->diagnostics, SEVERITY_WARNING, auditing->request->path,
                        "stopped: it is neither good nor bad");
        return EXIT_INTERRUPTED;
    }
    diagnostics_say(auditing->request->diagnostics, SEVERITY_ERROR, auditing->request->path,
                    "%s cannot be read: %s; check the rights, or run again on a copy", name, strerror(error));
    return EXIT_CANNOT_OPEN;
}
