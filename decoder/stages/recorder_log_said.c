/* What a recorder's log comes to, in words: passive, limits fixed, and what the record lacks. See recorder_log.h. */
#include <string.h>

#include "recorder_log.h"
#include "../support/text.h"

void recorder_log_agrees(struct recorder_log *log, uint32_t bus, const struct recorder_check *check)
{
    if (!log->buses[bus].differs)
        log->buses[bus].agreed_frames = check->frames;
}

void recorder_log_differs(struct recorder_log *log, uint32_t bus, const struct recorder_check *check)
{
    (void)check;
    log->buses[bus].differs = true;
}

void recorder_log_trace_ended(struct recorder_log *log, uint32_t bus, uint64_t frames)
{
    log->buses[bus].trace_frames = frames;
}

/* From which frame on passivity of this bus is in doubt: it holds up to the frame returned. UINT64_MAX: no doubt. */
static uint64_t holds_until(const struct recorder_log *log, uint32_t bus)
{
    const struct recorder_bus *one = &log->buses[bus];
    uint64_t until = log->passive_until[bus];
    if (one->differs && one->agreed_frames < until)
        until = one->agreed_frames;
    if (!one->differs && one->trace_frames > one->frames && one->frames < until)
        until = one->frames; /* the trace goes on behind what the recorder vouched for */
    return until;
}

bool recorder_log_start_proven(const struct recorder_log *log)
{
    return log->usable && (log->proven >= 2 || (log->proven == 1 && log->lines == 1));
}

void recorder_log_passive(const struct recorder_log *log, char out[RECORDER_PASSIVE_MAX])
{
    size_t used = 0;
    bool all_zero = true, any = false;
    bool watched = recorder_log_start_proven(log) && log->filter && !log->acknowledging && log->listen_only &&
                   !log->is_virtual;
    for (uint32_t i = 0; i < log->bus_count; i++) {
        uint64_t until = holds_until(log, i);
        any = any || until != UINT64_MAX;
        all_zero = all_zero && (until == 0 || until == UINT64_MAX);
    }
    (void)snprintf(out, RECORDER_PASSIVE_MAX, "%s", watched && !any ? "yes" : "not proven");
    if (!watched || !any || all_zero)
        return;
    used = (size_t)snprintf(out, RECORDER_PASSIVE_MAX, "until ");
    bool first = true;
    for (uint32_t i = 0; i < log->bus_count && used + 64 < RECORDER_PASSIVE_MAX; i++) {
        uint64_t until = holds_until(log, i);
        if (until == UINT64_MAX)
            continue;
        used += (size_t)snprintf(out + used, RECORDER_PASSIVE_MAX - used, "%sframe %llu%s%s", first ? "" : " and ",
                                 (unsigned long long)until, log->bus_count > 1 ? " on " : "",
                                 log->bus_count > 1 ? log->buses[i].name : "");
        first = false;
    }
}

bool recorder_log_fixed(const struct recorder_log *log, const char *file, const char *sha256)
{
    bool fixed = false;
    for (uint32_t i = 0; i < log->definition_count; i++) {
        if (strcmp(log->definitions[i].file, file) != 0)
            continue;
        if (strcmp(log->definitions[i].sha256, sha256) != 0)
            return false; /* named twice with two sums: then neither of them is what lay there */
        fixed = true;
    }
    return fixed;
}

/* ---- notes ---- */

struct notes {
    uint32_t wanted, count;
    char *out;
};

/* Is this the note that is wanted? Then its text goes to out. */
static bool wanted(struct notes *notes)
{
    return notes->count++ == notes->wanted;
}

static void put(struct notes *notes, const char *text)
{
    if (wanted(notes))
        (void)snprintf(notes->out, RECORDER_NOTE_MAX, "%s", text);
}

static void put_bus_notes(const struct recorder_log *log, struct notes *notes)
{
    bool closed = log->why && !log->damage[0];
    for (uint32_t i = 0; i < log->bus_count; i++) {
        const struct recorder_bus *bus = &log->buses[i];
        if (bus->differs && wanted(notes))
            (void)snprintf(notes->out, RECORDER_NOTE_MAX,
                           "the trace of %s is not the one that was recorded: behind frame %llu it was changed or cut",
                           bus->name, (unsigned long long)bus->agreed_frames);
        if (!bus->differs && closed && bus->trace_frames > bus->frames && wanted(notes))
            (void)snprintf(notes->out, RECORDER_NOTE_MAX,
                           "the trace of %s has %llu frames behind the %llu that the recorder closed it with", bus->name,
                           (unsigned long long)(bus->trace_frames - bus->frames), (unsigned long long)bus->frames);
        if (!bus->differs && !closed && wanted(notes))
            (void)snprintf(notes->out, RECORDER_NOTE_MAX,
                           "behind frame %llu of %s nothing is known of losses: no checkpoint follows (the trace has "
                           "%llu frames)",
                           (unsigned long long)bus->frames, bus->name, (unsigned long long)bus->trace_frames);
    }
}

static void put_clock_notes(const struct recorder_log *log, struct notes *notes)
{
    for (uint64_t i = 0; i < log->step_count && i < RECORDER_STEPS_KEPT; i++) {
        const struct recorder_event *step = &log->steps[i];
        char by[RECORDER_DETAIL + 16] = "", where[80] = "";
        if (!wanted(notes))
            continue;
        if (step->detail[0])
            (void)snprintf(by, sizeof by, " by %s s", step->detail);
        if (step->bus != RECORDER_ALL)
            (void)snprintf(where, sizeof where, " behind frame %llu of %s", (unsigned long long)step->after,
                           log->buses[step->bus].name);
        (void)snprintf(notes->out, RECORDER_NOTE_MAX,
                       "the clock of the recording computer stepped%s%s: lengths of time across it are not known", by,
                       where);
    }
    if (log->step_count > RECORDER_STEPS_KEPT && wanted(notes))
        (void)snprintf(notes->out, RECORDER_NOTE_MAX, "and the clock stepped %llu more times; the log has them all",
                       (unsigned long long)(log->step_count - RECORDER_STEPS_KEPT));
}

bool recorder_log_note(const struct recorder_log *log, uint32_t index, char out[RECORDER_NOTE_MAX])
{
    struct notes notes = {.wanted = index, .out = out};
    out[0] = '\0';
    if (log->acknowledging)
        put(&notes, "the recorder acknowledged: it took part in the bus and was no mere listener");
    if (log->damage[0] && wanted(&notes))
        (void)snprintf(out, RECORDER_NOTE_MAX, "the recorder's log is damaged: %s; from there on it proves nothing",
                       log->damage);
    if (log->usable && !log->why)
        put(&notes, log->torn ? "the recorder's log ends inside a line: the recorder was killed or the power failed"
                              : "the recorder's log has no end: the recorder was killed or the power failed");
    if (!log->usable && !log->damage[0])
        put(&notes, "the recorder's log holds no whole line: it proves nothing");
    if (log->why && strcmp(log->why, "stopped") != 0 && wanted(&notes))
        (void)snprintf(out, RECORDER_NOTE_MAX, "the recording ended by itself: %.200s", log->why);
    put_bus_notes(log, &notes);
    if (log->doubt && wanted(&notes))
        (void)snprintf(out, RECORDER_NOTE_MAX, "the recorder may have disturbed the bus: %s", log->doubt);
    if (log->usable && !log->filter)
        put(&notes, "the recorder ran without the filter that keeps it from sending");
    if (log->usable && !log->acknowledging && !log->is_virtual && !log->listen_only)
        put(&notes, "the link was not listen-only when the recording began");
    if (log->is_virtual)
        put(&notes, "a virtual link was recorded: it has no listen-only");
    if (log->losses && wanted(&notes))
        (void)snprintf(out, RECORDER_NOTE_MAX, "the recorder lost frames in %llu place%s; the log has them all",
                       (unsigned long long)log->losses, log->losses == 1 ? "" : "s");
    put_clock_notes(log, &notes);
    if (log->unsynced && wanted(&notes))
        (void)snprintf(out, RECORDER_NOTE_MAX,
                       "the disk did not confirm what was written (sync failed, %llu time%s): after a power cut parts of "
                       "the record could have been missing",
                       (unsigned long long)log->unsynced, log->unsynced == 1 ? "" : "s");
    if (log->no_good_frame)
        put(&notes, "at some time only errors and no good frame came: wrong bit rate or wiring");
    if (log->marks_changed)
        put(&notes, "what a person noted was changed after the recorder had seen it");
    if (log->clock_loose)
        put(&notes, "the clock of the recording computer was not synchronised all the time: times of day may be off");
    return notes.count > index;
}
