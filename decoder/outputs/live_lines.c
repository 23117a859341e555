/* See live_lines.h. */
#include "live_lines.h"

#include <string.h>

#include "../support/text.h"
#include "live_words.h"

/* Seconds since the first frame, by the trace's own clock. */
static void begin_line(struct sink *sink, const struct live_state *state)
{
    int64_t tenths = state->span > 0 ? state->span / (TT_SECOND / 10) : 0;
    sink_unsigned(sink, (uint64_t)(tenths / 10));
    sink_char(sink, '.');
    sink_unsigned(sink, (uint64_t)(tenths % 10));
    sink_text(sink, " s: ");
}

/* A whole sentence, when it is another one than before. */
static void tell_sentence(struct sink *sink, const struct live_state *state, char *before, size_t room,
                          const char *label, void (*words)(struct sink *sink, const struct live_state *state))
{
    struct buffer memory;
    struct sink sentence;
    buffer_init(&memory, 16384);
    if (!sink_open_memory(&sentence, &memory))
        return;
    words(&sentence, state);
    if (!sink_close(&sentence) || memory.length == 0)
        memory.length = 0;
    size_t kept = memory.length < room - 1 ? memory.length : room - 1;
    if (memory.length && (strlen(before) != kept || memcmp(before, memory.data, kept) != 0)) {
        begin_line(sink, state);
        sink_text(sink, label);
        sink_put(sink, memory.data, memory.length);
        sink_char(sink, '\n');
        memcpy(before, memory.data, kept);
        before[kept] = '\0';
    }
    buffer_free(&memory);
}

static void put_answer(struct sink *sink, const struct live_state *state, const char *answer, const char *name,
                       const char *reason)
{
    begin_line(sink, state);
    sink_text(sink, answer);
    sink_text(sink, ": ");
    text_terminal(sink, name, strlen(name));
    sink_text(sink, reason[0] ? ": " : "");
    text_terminal(sink, reason, strlen(reason));
    sink_char(sink, '\n');
}

static void tell_attempt(struct live_lines *before, const struct live_state *state, struct sink *sink)
{
    const struct live_verdict *verdict = state->verdict;
    if (verdict->part_count > 1 && verdict->part_count != before->part_count) {
        begin_line(sink, state);
        sink_text(sink, "another vehicle or unit answers: what follows is told of it alone\n");
    }
    if (verdict->opened &&
        (!before->opened || verdict->attempt != before->attempt || verdict->part_count != before->part_count)) {
        begin_line(sink, state);
        sink_text(sink, "attempt ");
        sink_unsigned(sink, verdict->attempt);
        sink_text(sink,
                  verdict->attempt > 1 ? " began: what earlier ones proved does not count any more\n" : " began\n");
    }
    if (verdict->refused > before->refused) {
        begin_line(sink, state);
        sink_text(sink, "the module refused to start, ");
        sink_unsigned(sink, verdict->refused);
        sink_text(sink, verdict->refused == 1 ? " time so far\n" : " times so far\n");
    }
    before->part_count = verdict->part_count;
    before->attempt = verdict->attempt;
    before->opened = verdict->opened;
    before->refused = verdict->refused;
}

static void tell_steps(struct live_lines *before, const struct live_state *state, struct sink *sink)
{
    const struct live_verdict *verdict = state->verdict;
    for (uint32_t i = 0; i < verdict->condition_count; i++) {
        enum vouched vouched = verdict->conditions[i].vouched;
        if (vouched != (before->there ? before->vouched[i] : VOUCHED_NOBODY))
            put_answer(sink, state, vouched_text(vouched), state->definitions->conditions[i].text,
                       verdict->conditions[i].reason);
        before->vouched[i] = vouched;
    }
    for (uint32_t i = 0; i < verdict->step_count; i++) {
        const struct live_step *step = &verdict->steps[i];
        enum step_answer answer = live_waits_moment(verdict, state->definitions, i) && state->recorder == LIVE_RECORDING
                                      ? STEP_NOT_CONFIRMED : step->answer;
        if (answer != (before->there ? before->answers[i] : STEP_NOT_CONFIRMED))
            put_answer(sink, state, live_words_answer(state, i), state->definitions->steps[i].name, step->reason);
        before->answers[i] = answer;
    }
    before->there = true;
    /* While the record grows "not confirmed" is no news; in the end it is. */
    bool over = state->frames && (state->recorder == LIVE_ENDED || state->recorder == LIVE_NOBODY);
    for (uint32_t i = 0; over && !before->closed && i < verdict->step_count; i++)
        if (verdict->steps[i].answer == STEP_NOT_CONFIRMED)
            put_answer(sink, state, step_answer_text(STEP_NOT_CONFIRMED), state->definitions->steps[i].name,
                       verdict->steps[i].reason);
    before->closed = over;
}

void live_lines(struct live_lines *before, const struct live_state *state, struct sink *sink)
{
    if (!before->begun || before->recorder != state->recorder || before->any_frame != (state->frames > 0)) {
        begin_line(sink, state);
        live_words_head(sink, state);
        sink_char(sink, '\n');
    }
    before->begun = true;
    before->recorder = state->recorder;
    before->any_frame = state->frames > 0;
    if (state->warning[0] && strcmp(state->warning, before->warning) != 0) {
        begin_line(sink, state);
        sink_text(sink, "note: ");
        text_terminal(sink, state->warning, strlen(state->warning));
        sink_char(sink, '\n');
    }
    size_t length = strnlen(state->warning, sizeof before->warning - 1);
    memcpy(before->warning, state->warning, length);
    before->warning[length] = '\0';
    if (state->definitions && state->verdict->there && !state->verdict->mixed) {
        tell_attempt(before, state, sink);
        tell_steps(before, state, sink);
    }
    tell_sentence(sink, state, before->lacks, sizeof before->lacks, "so far: ", live_words_lacks);
    tell_sentence(sink, state, before->next, sizeof before->next, "next: ", live_words_next);
}
