/* What a derived verdict says of the record it rests on; see derive_parts.h. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "derive_parts.h"

#define NOTES_MAX 256u

static void add_note(struct derived *derived, const char *format, const char *name)
{
    if (derived->about.record_note_count < NOTES_MAX)
        (void)snprintf(derived->notes[derived->about.record_note_count++], RECORDER_NOTE_MAX, format, name);
}

/* D 11.2: yes only when the files that judge are exactly those that lay there when the recording began. */
static const char *limits_fixed(struct derived *derived, const struct job_inputs *job)
{
    const struct recorder_log *log = &job->recorder;
    const struct definitions *definitions = &job->definitions;
    if (!job->recorded || !recorder_log_start_proven(log) || definitions->file_count == 0)
        return "unknown";
    bool fixed = true;
    for (uint32_t i = 0; i < definitions->file_count; i++) {
        const struct def_file *file = &definitions->files[i];
        if (recorder_log_fixed(log, file->name, file->sha256))
            continue;
        fixed = false;
        add_note(derived, "the definition file %.200s was not there like this when the recording began", file->name);
    }
    for (uint32_t i = 0; i < log->definition_count; i++) {
        bool there = false;
        for (uint32_t k = 0; k < definitions->file_count; k++)
            there = there || strcmp(log->definitions[i].file, definitions->files[k].name) == 0;
        if (there)
            continue;
        fixed = false;
        add_note(derived, "the definition file %.200s that lay there when the recording began is missing",
                 log->definitions[i].file);
    }
    return fixed ? "yes" : "no";
}

bool derive_about(struct derived *derived, struct job_inputs *job, uint32_t bus)
{
    const struct recorder_log *log = job->recorded ? &job->recorder : NULL;
    derived->notes = calloc(NOTES_MAX, sizeof *derived->notes);
    if (!derived->notes)
        return false;
    (void)snprintf(derived->passive, sizeof derived->passive, "not proven");
    if (log)
        recorder_log_passive(log, derived->passive);
    derived->about = (struct verdict_about){
        .verdict = derived->result.verdict, .definitions = &job->definitions,
        .marks = job->marks_loaded ? &job->marks : NULL, .traces = derived->facts,
        .trace_count = derived->result.source_count, .bus = bus,
        .bus_name = bus ? pipeline_bus_name(derived->pipeline, bus - 1) : NULL, .displayed = derived->result.displayed,
        .passive = derived->passive, .recorded = log != NULL, .took_part = log && log->usable && log->acknowledging,
        .record_notes = derived->notes,
        .stamp_uncertainty = log && log->stamp_uncertainty >= 0 ? log->stamp_uncertainty : TRANSPORT_STAMP_UNCERTAINTY,
        .first_time = derived->result.first_time, .last_time = derived->result.last_time};
    if (job->redacted)
        add_note(derived, "%s", "this is a redacted copy: traces, marks and recorder's log were written anew by whoever "
                 "made it; redaction.json names the sealed original and every frame changed");
    const uint32_t before = derived->about.record_note_count;
    while (log && derived->about.record_note_count < NOTES_MAX &&
           recorder_log_note(log, derived->about.record_note_count - before,
                             derived->notes[derived->about.record_note_count]))
        derived->about.record_note_count++;
    derived->about.limits_fixed = limits_fixed(derived, job);
    return true;
}
