/* What a person stated, beside what the bus said: conditions (D 7.4) and identity (D 7.11). */
#define _POSIX_C_SOURCE 200809L /* strdup */
#include "step_judge.h"
#include "step_words.h"

#include "../support/shortage.h"

#include <stdlib.h>
#include <string.h>

#define CONDITION_AGE_MAX (60 * TT_SECOND) /* D 7.4 */

void judge_condition_value(struct judge *judge, const struct note *note)
{
    if (note->sample.state == VALUE_ABSENT)
        return; /* no value */
    for (uint32_t i = 0; i < judge->definitions->condition_count; i++) {
        if (judge->definitions->conditions[i].reading != note->index)
            continue;
        judge->values[i] = (struct condition_value){
            .has = true, .numerator = note->sample.numerator, .name = note->sample.name, .time = note->time,
            .elapsed = note->elapsed, .epoch = note->epoch, .bus = note->bus, .first_frame = note->first_frame, .last_frame = note->last_frame,
        };
    }
}

static bool condition_inside(const struct def_condition *condition, const struct condition_value *value)
{
    if (condition->is_count) {
        for (uint32_t i = 0; i < condition->is_count; i++)
            if (value->name && strcmp(condition->is[i], value->name) == 0)
                return true;
        return false;
    }
    return (!condition->limits.has_low || value->numerator >= condition->limits.low_n) &&
           (!condition->limits.has_high || value->numerator <= condition->limits.high_n);
}

/* Is the statement withdrawn by now? A withdrawal that binds to nothing takes a "yes" away and leaves a "no". */
static bool withdrawn(const struct judge *judge, const struct mark *mark)
{
    if (!mark->withdrawn_by)
        return false;
    for (uint32_t i = 0; i < judge->marks->count; i++)
        if (judge->marks->by_time[i] == mark->withdrawn_by)
            return judge->places[i].sequence || strcmp(mark_said(mark), "no") != 0;
    return true;
}

/*
 * Statements: the last one before the opening request holds for it; after it a "no" contradicts, and a "yes" speaks only
 * where nobody had.
 */
static const struct mark *stated(const struct judge *judge, const struct attempt *attempt, const char *text)
{
    const struct mark *holds = NULL;
    for (uint32_t i = 0; judge->marks && i < judge->marks->count; i++) {
        const struct mark *mark = judge->marks->by_time[i];
        uint64_t at = judge->places[i].sequence;
        if (!at || mark->kind != MARK_CONDITION || strcmp(mark->name, text) != 0 || withdrawn(judge, mark))
            continue;
        bool before = !attempt->opened || at < attempt->sequence;
        if (before || strcmp(mark_said(mark), "no") == 0 || !holds)
            holds = mark;
    }
    return holds;
}

/* "2026-03-02 08:00:01 UTC": the second is near enough in a sentence. */
static void when_words(const struct mark *mark, char when[TEXT_TIME_MAX])
{
    (void)text_time(mark->time, when);
    memcpy(when + 10, " ", 1);
    memcpy(when + 19, " UTC", 5);
}

/* What would have contradicted, had nobody taken it back: left out of account, not out of sight. */
static void withdrawn_words(const struct judge *judge, const char *text, struct words *words)
{
    const struct mark *last = NULL;
    char when[TEXT_TIME_MAX];
    for (uint32_t i = 0; judge->marks && i < judge->marks->count; i++) {
        const struct mark *mark = judge->marks->by_time[i];
        if (judge->places[i].sequence && mark->kind == MARK_CONDITION && strcmp(mark->name, text) == 0 &&
            strcmp(mark_said(mark), "no") == 0 && withdrawn(judge, mark))
            last = mark;
    }
    if (!last)
        return;
    when_words(last, when);
    words_add(words, "; 'no', stated at %s, was ", when);
    words_withdrawn(words, last);
}

static void bus_words(const struct judge *judge, const struct def_condition *condition, const struct condition_value *value,
                      bool inside, struct words *words)
{
    char text[WORDS_VALUE_MAX];
    words_value(&judge->definitions->readings[condition->reading], value->numerator,
                condition->is_count ? (value->name ? value->name : "a state without a name") : NULL, text);
    words_add(words, "%s on the bus%s", text, inside ? "" : ": outside");
}

void judge_conditions(const struct judge *judge, const struct attempt *attempt, struct condition_result *results)
{
    for (uint32_t i = 0; i < judge->definitions->condition_count; i++) {
        const struct def_condition *condition = &judge->definitions->conditions[i];
        struct condition_result *result = &results[i];
        struct words words = words_in(result->reason);
        result->condition = condition;
        result->vouched = VOUCHED_NOBODY;
        /* Without an opening request the last value of the part stands in. */
        const struct condition_value *value = attempt->opened ? &attempt->values[i] : &judge->values[i];
        bool fresh = value->has && (!attempt->opened || (value->epoch == attempt->epoch &&
                                                         attempt->elapsed - value->elapsed <= CONDITION_AGE_MAX));
        const struct mark *mark = stated(judge, attempt, condition->text);
        bool said_no = mark && strcmp(mark_said(mark), "no") == 0;
        if (condition->reading != DEF_NONE && fresh) {
            bool inside = condition_inside(condition, value);
            result->has_value = true;
            result->numerator = value->numerator;
            result->state = value->name;
            result->bus = value->bus;
            result->first_frame = value->first_frame;
            result->last_frame = value->last_frame;
            result->time = value->time;
            result->vouched = inside ? VOUCHED_SEEN : VOUCHED_CONTRADICTED;
            bus_words(judge, condition, value, inside, &words);
        }
        if (mark && (said_no || result->vouched == VOUCHED_NOBODY)) {
            char when[TEXT_TIME_MAX];
            result->mark = mark;
            when_words(mark, when);
            if (result->vouched != VOUCHED_CONTRADICTED)
                result->vouched = said_no ? VOUCHED_CONTRADICTED : VOUCHED_STATED;
            const char *cover = mark_covered_text(mark->covered);
            words_add(&words, "%sa person stated '%s' at %s%s%s", words.used ? "; " : "", mark_said(mark), when,
                      cover ? ", " : "", cover ? cover : "");
        }
        if (!words.used)
            words_add(&words, condition->reading != DEF_NONE ? "neither stated nor read within 60 s before the start"
                                                             : "nobody stated it");
        if (result->vouched != VOUCHED_CONTRADICTED)
            withdrawn_words(judge, condition->text, &words);
    }
}

/* A text without the filling at its end (NUL, blank, 0xFF); bytes as hex digits, so that a person can state them. */
void judge_identity_text(struct judge *judge, const struct note *note, const uint8_t *extra)
{
    uint32_t length = note->text.length;
    const uint8_t *text = extra;
    uint8_t hex[IDENTITY_TEXT_MAX + 2];
    bool bytes = judge->definitions->readings[note->index].kind == READING_BYTES;
    if (bytes) {
        for (uint32_t i = 0; i < length && 2 * i < IDENTITY_TEXT_MAX; i++) {
            hex[2 * i] = (uint8_t)"0123456789abcdef"[extra[i] >> 4];
            hex[2 * i + 1] = (uint8_t)"0123456789abcdef"[extra[i] & 15];
        }
        text = hex;
        length *= 2;
    }
    while (!bytes && length && (extra[length - 1] == 0 || extra[length - 1] == ' ' || extra[length - 1] == 0xFF))
        length--;
    for (uint32_t i = 0; i < judge->definitions->step_count; i++) {
        const struct def_step *step = &judge->definitions->steps[i];
        struct identity_seen *seen = &judge->identities[i];
        if (step->kind != STEP_IDENTITY || step->reading != note->index)
            continue;
        seen->sequence = judge->sequence;
        if (length > IDENTITY_TEXT_MAX) {
            seen->too_long = true;
            continue;
        }
        if (seen->seen && seen->length == length && memcmp(seen->text, text, length) == 0)
            continue;
        if (seen->seen) {
            if (!seen->differs) {
                memcpy(seen->other, text, length);
                seen->other[length] = '\0';
                kept_answer_set(&seen->other_answer, note, extra + note->text.length, note->extra - note->text.length);
            }
            seen->differs = true;
            continue;
        }
        seen->seen = true;
        memcpy(seen->text, text, length);
        seen->text[length] = '\0';
        seen->length = length;
        kept_answer_set(&seen->answer, note, extra + note->text.length, note->extra - note->text.length);
        struct look *looks[] = {&judge->before, &judge->attempt.from_request,
                                judge->attempt.has_evidence ? &judge->attempt.from_evidence : NULL};
        for (size_t k = 0; k < sizeof looks / sizeof *looks; k++) {
            struct look *look = looks[k];
            if (!look || i >= look->first + look->count)
                continue;
            if (i < look->first)
                look->evident_before = judge->sequence;
            else
                look->steps[i - look->first].evident = judge->sequence;
            look_evident(look, i < look->first ? LOOK_NONE : i - look->first, 0);
        }
    }
}

/* Which identifier does a reading belong to? */
static bool reading_of_identifier(const struct definitions *definitions, uint32_t reading, uint32_t module, uint32_t key)
{
    const struct def_identifier *identifier =
        key & NOTE_WRITE_LOCAL ? definitions_local_identifier(&definitions->modules[module], (uint8_t)key)
                               : definitions_identifier(&definitions->modules[module], (uint16_t)key);
    for (uint32_t i = 0; identifier && i < identifier->record.field_count; i++)
        if (identifier->record.fields[i].reading == reading)
            return true;
    return false;
}

/* A written identity is a new one: what was read before no longer speaks. */
void judge_identity_written(struct judge *judge, const struct note *note)
{
    for (uint32_t i = 0; i < judge->definitions->step_count; i++) {
        const struct def_step *step = &judge->definitions->steps[i];
        struct identity_seen *seen = &judge->identities[i];
        if (step->kind != STEP_IDENTITY || !reading_of_identifier(judge->definitions, step->reading, note->module, note->index))
            continue;
        kept_answer_free(&seen->answer);
        kept_answer_free(&seen->other_answer);
        memset(seen, 0, sizeof *seen);
    }
}

static void keep_evidence(struct step_result *result, const struct kept_answer *kept, const char *text)
{
    size_t length = strlen(text) + 1;
    char *copy = kept->has ? shortage_malloc(length) : NULL;
    kept_answer_evidence(result, kept);
    if (copy)
        result->text = memcpy(copy, text, length);
}

/*
 * Who spoke for this part: the last mark before its newest reading, or, where there is none, the first after it: with
 * another vehicle to follow, later ones are that one's (people note a VIN just before or just after they read it). In the
 * last part simply the last mark. Marks that spoke for an earlier part are used up.
 */
static const struct mark *identity_mark(const struct judge *judge, uint32_t step, uint64_t *sequence)
{
    const char *name = judge->definitions->steps[step].equals_mark;
    const struct mark *mark = NULL;
    *sequence = 0;
    for (uint32_t i = 0; judge->marks && i < judge->marks->count; i++) {
        const struct mark *one = judge->marks->by_time[i];
        uint64_t at = judge->places[i].sequence;
        if (at <= judge->identity_floors[step] || one->kind != MARK_IDENTITY || strcmp(one->name, name) != 0 ||
            withdrawn(judge, one))
            continue;
        if (mark && judge->split_follows && at > judge->identities[step].sequence)
            break;
        mark = one;
        *sequence = at;
    }
    return mark;
}

void judge_identities_used(struct judge *judge)
{
    for (uint32_t i = 0; i < judge->definitions->step_count; i++) {
        uint64_t sequence = 0;
        if (judge->definitions->steps[i].kind == STEP_IDENTITY)
            (void)identity_mark(judge, i, &sequence);
        if (sequence)
            judge->identity_floors[i] = sequence;
    }
}

/* What the mark says, without blanks at its end, as the module's text is read. Longer texts equal no module's. */
static void said_text(const struct mark *mark, char said[IDENTITY_TEXT_MAX + 2])
{
    const char *text = mark ? mark_said(mark) : "";
    size_t length = strlen(text);
    while (length && text[length - 1] == ' ')
        length--;
    length = length > IDENTITY_TEXT_MAX + 1 ? IDENTITY_TEXT_MAX + 1 : length;
    memcpy(said, text, length);
    said[length] = '\0';
}

/* Another text that stood there until somebody took it back. */
static void other_withdrawn(const struct judge *judge, const char *name, const char *said, struct words *words)
{
    const struct mark *last = NULL;
    char other[IDENTITY_TEXT_MAX + 2], kept[IDENTITY_TEXT_MAX + 2];
    for (uint32_t i = 0; judge->marks && i < judge->marks->count; i++) {
        const struct mark *mark = judge->marks->by_time[i];
        if (mark->kind != MARK_IDENTITY || strcmp(mark->name, name) != 0 || !withdrawn(judge, mark))
            continue;
        said_text(mark, other);
        if (strcmp(other, said) == 0)
            continue;
        last = mark;
        memcpy(kept, other, sizeof kept);
    }
    if (!last)
        return;
    words_add(words, "; '%s', stated too, was ", kept);
    words_withdrawn(words, last);
}

void judge_identity_result(const struct judge *judge, uint32_t index, struct step_result *result)
{
    const struct def_step *step = &judge->definitions->steps[index];
    const struct identity_seen *seen = &judge->identities[index];
    step_result_free(result);
    result->step = step;
    result->answer = STEP_NOT_CONFIRMED;
    struct words words = words_in(result->reason);
    uint64_t ignored;
    const struct mark *mark = identity_mark(judge, index, &ignored);
    char said[IDENTITY_TEXT_MAX + 2];
    said_text(mark, said);
    if (mark && mark_covered_text(mark->covered)) /* in front: it must not be cut off (D 11.2) */
        words_add(&words, "%s: ", mark_covered_text(mark->covered));
    bool other_decides = seen->seen && seen->differs && mark && strcmp(seen->text, said) == 0;
    keep_evidence(result, other_decides ? &seen->other_answer : &seen->answer, other_decides ? seen->other : seen->text);
    if (!seen->seen) {
        words_add(&words, seen->too_long ? "the module's text is too long to compare" : "never read");
    } else if (!mark) {
        words_add(&words, "the module answered '%s'; nobody stated what it should be", seen->text);
    } else if (strlen(seen->text) == seen->length && strcmp(seen->text, said) == 0 && !seen->differs && !seen->too_long) {
        result->answer = STEP_CONFIRMED;
        words_add(&words, "the module answered '%s', as stated", seen->text);
        other_withdrawn(judge, step->equals_mark, said, &words);
    } else {
        result->answer = STEP_CONTRADICTED;
        words_add(&words, "the module answered '%s', stated was '%s'", other_decides ? seen->other : seen->text, said);
    }
}
