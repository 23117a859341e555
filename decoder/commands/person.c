/* See person.h. */
#define _GNU_SOURCE /* open_memstream */
#include "person.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../support/sink.h"
#include "../support/terminal.h"

#define RESERVED "tdvucqyn"
#define HELD (2 * TT_SECOND) /* the same moment twice within this is one press */

void person_init(struct person *person, const char *path, bool asks, bool records)
{
    memset(person, 0, sizeof *person);
    person->path = path;
    person->asks = asks;
    person->records = records;
    person->condition = DEF_NONE;
}

/* ---- what is offered ---- */

static bool taken(const struct person *person, char key)
{
    for (uint32_t i = 0; i < person->key_count; i++)
        if (person->keys[i].key == key)
            return true;
    return strchr(RESERVED, key) != NULL;
}

/* A letter of the moment's own name where one is free, so that it can be remembered. */
static char key_for(const struct person *person, const char *name)
{
    static const char others[] = "abefghijklmoprswxz1234567890";
    for (const char *at = name; *at; at++)
        if (isalnum((unsigned char)*at) && !taken(person, (char)tolower((unsigned char)*at)))
            return (char)tolower((unsigned char)*at);
    for (const char *at = others; *at; at++)
        if (!taken(person, *at))
            return *at;
    return '\0';
}

static void add_key(struct person *person, char key, const char *what, const char *moment, bool with_weight)
{
    if (key && person->key_count < LIVE_KEYS_MAX)
        person->keys[person->key_count++] = (struct live_key){key, what, moment, with_weight};
}

static void offer_moments(struct person *person, const struct definitions *definitions)
{
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        bool known = !step->mark;
        for (uint32_t k = 0; k < person->key_count && !known; k++)
            if (strcmp(person->keys[k].moment, step->mark) == 0) {
                person->keys[k].with_weight = person->keys[k].with_weight || step->applied;
                known = true;
            }
        if (!known && person->key_count < LIVE_KEYS_MAX - 6)
            add_key(person, key_for(person, step->mark), "", step->mark, step->applied != NULL);
    }
}

/* Only what no bus carries is asked. */
static void offer_condition(struct person *person, const struct live_state *state)
{
    const struct definitions *definitions = state->definitions;
    const struct live_verdict *verdict = state->verdict;
    person->condition = DEF_NONE;
    for (uint32_t i = 0; i < definitions->condition_count && i < DEF_CONDITIONS_MAX; i++) {
        bool open = person->again || !verdict->there || verdict->conditions[i].vouched == VOUCHED_NOBODY;
        if (definitions->conditions[i].reading == DEF_NONE && open && !(person->passed >> i & 1)) {
            person->condition = i;
            return;
        }
    }
    person->again = false;
}

/* A reading with limits: that of the step at work, else of the last one before it. */
static const struct def_reading *displayed_reading(const struct live_state *state)
{
    const struct definitions *definitions = state->definitions;
    const struct def_reading *reading = NULL;
    uint32_t current = state->verdict->there ? live_current(state->verdict) : 0;
    if (state->shown.step && state->shown.step->has_between)
        return state->shown.reading;
    for (uint32_t i = 0; definitions && i < definitions->step_count; i++)
        if (definitions->steps[i].kind == STEP_READING && definitions->steps[i].has_between &&
            (i <= current || !reading))
            reading = &definitions->readings[definitions->steps[i].reading];
    return reading;
}

void person_offer(struct person *person, struct live_state *state)
{
    bool growing = state->recorder == LIVE_RECORDING;
    person->key_count = 0;
    person->condition = DEF_NONE;
    person->displayed = displayed_reading(state);
    if (person->asks && state->definitions && growing) {
        offer_moments(person, state->definitions);
        if (state->frames)
            offer_condition(person, state);
    }
    if (person->asks && growing) {
        add_key(person, 't', "note", NULL, false);
        if (person->displayed)
            add_key(person, 'd', "displayed value", NULL, false);
        add_key(person, 'v', "VIN", NULL, false);
        if (person->last_line)
            add_key(person, 'u', "take back", NULL, false);
        if (state->definitions && state->definitions->condition_count)
            add_key(person, 'c', "conditions", NULL, false);
    }
    add_key(person, 'q', person->records ? "stop the recording" : "leave, the recording goes on", NULL, false);
    if (!person->records && !growing)
        person->keys[person->key_count - 1].what = "leave";
    state->keys = person->keys;
    state->key_count = person->key_count;
    state->condition = person->typing || person->stopping ? DEF_NONE : person->condition;
    state->prompt = person->typing ? person->prompt : NULL;
    state->typed = person->typed;
    state->question = person->stopping ? person->question : NULL;
    state->said = person->said;
}

/* ---- marks ---- */

/* Checks and writes it; says what came of it. False when it was not written. */
static bool note(struct person *person, struct new_mark *mark, const struct live_state *state,
                 struct diagnostics *heard, bool good)
{
    struct mark_receipt receipt;
    struct buffer memory;
    struct sink words;
    buffer_init(&memory, sizeof person->said);
    good = good && new_mark_check(mark, state->definitions, heard) &&
           mark_append(person->path, mark, heard, &receipt) == 0;
    if (good && sink_open_memory(&words, &memory)) {
        new_mark_words(&words, mark);
        (void)!sink_close(&words);
        (void)snprintf(person->said, sizeof person->said, "%.*s (line %u)", (int)memory.length,
                       (const char *)memory.data, (unsigned)receipt.line);
        person->last_line = mark->kind == MARK_WITHDRAWAL ? 0 : receipt.line;
    }
    buffer_free(&memory);
    return good;
}

/* Runs make (which fills in a mark) and note, with what they say against it shown in the end. */
static bool note_by(struct person *person, enum mark_kind kind, int64_t time, const struct live_state *state,
                    bool (*make)(struct person *person, struct new_mark *mark, const struct live_state *state,
                                 struct diagnostics *heard))
{
    struct new_mark mark;
    struct diagnostics heard;
    char *text = NULL;
    size_t length = 0;
    FILE *memory = open_memstream(&text, &length);
    diagnostics_init(&heard, memory);
    new_mark_init(&mark, kind, time);
    bool good = note(person, &mark, state, &heard, make(person, &mark, state, &heard));
    if (memory)
        (void)fclose(memory);
    if (text && length) {
        size_t skip = strcspn(text, " ") + 1, used = good ? strlen(person->said) : 0;
        skip = skip < length ? skip : 0;
        (void)snprintf(person->said + used, sizeof person->said - used, "%s%.*s", good ? ". " : "",
                       (int)strcspn(text + skip, "\n"), text + skip);
    } else if (!good) {
        (void)snprintf(person->said, sizeof person->said, "nothing was noted");
    }
    free(text);
    return good;
}

static bool make_condition(struct person *person, struct new_mark *mark, const struct live_state *state,
                           struct diagnostics *heard)
{
    (void)heard;
    mark->name = state->definitions->conditions[person->condition].text;
    mark->value = person->typed; /* "yes" or "no" */
    return true;
}

static bool make_moment(struct person *person, struct new_mark *mark, const struct live_state *state,
                        struct diagnostics *heard)
{
    (void)state, (void)heard;
    for (uint32_t i = 0; i < person->key_count; i++)
        if (person->keys[i].moment && person->keys[i].key == person->typed[0])
            mark->name = person->keys[i].moment;
    return mark->name[0] != '\0';
}

static bool make_typed(struct person *person, struct new_mark *mark, const struct live_state *state,
                       struct diagnostics *heard)
{
    (void)state;
    char text[DEF_NAME_MAX + MARK_TEXT_MAX + 8];
    switch (person->typing) {
    case TYPING_DISPLAYED:
        if (!person->displayed)
            return false;
        if (strstr(person->typed, " = ")) /* of another reading, named by the person */
            return new_mark_displayed(mark, person->typed, heard);
        (void)snprintf(text, sizeof text, "%s = %s", person->displayed->name, person->typed);
        return new_mark_displayed(mark, text, heard);
    case TYPING_VIN:
        mark->name = "vin";
        mark->value = person->typed;
        return true;
    case TYPING_WHY:
        mark->withdraws = person->last_line;
        mark->text = person->typed;
        return true;
    default:
        mark->text = person->typed;
        return true;
    }
}

/* ---- keys ---- */

static void begin_typing(struct person *person, enum person_typing typing)
{
    person->typing = typing;
    person->typed[0] = '\0';
    person->said[0] = '\0';
    switch (typing) {
    case TYPING_DISPLAYED:
        (void)snprintf(person->prompt, sizeof person->prompt,
                       "What does the scan tool display for \"%.200s\" now? Its digits and unit, as 29.8 kg",
                       person->displayed->name);
        break;
    case TYPING_VIN:
        (void)snprintf(person->prompt, sizeof person->prompt, "The VIN, as it stands on the vehicle");
        break;
    case TYPING_WHY:
        (void)snprintf(person->prompt, sizeof person->prompt, "Why is the mark on line %u taken back?",
                       (unsigned)person->last_line);
        break;
    default:
        (void)snprintf(person->prompt, sizeof person->prompt, "A note");
        break;
    }
}

/* Adds one character as UTF-8 (RFC 3629). */
static void type_character(struct person *person, uint32_t code)
{
    size_t used = strlen(person->typed), length = code < 0x80 ? 1 : code < 0x800 ? 2 : code < 0x10000 ? 3 : 4;
    if (used + length > MARK_TEXT_MAX)
        return;
    char *at = person->typed + used;
    at[length] = '\0';
    if (length == 1) {
        at[0] = (char)code;
        return;
    }
    for (size_t i = length - 1; i > 0; i--, code >>= 6)
        at[i] = (char)(0x80 | (code & 0x3F));
    at[0] = (char)((0xF00u >> length & 0xFF) | code);
}

static void type_key(struct person *person, int key, int64_t time, const struct live_state *state)
{
    static const enum mark_kind kinds[] = {[TYPING_NOTE] = MARK_NOTE, [TYPING_DISPLAYED] = MARK_DISPLAYED,
                                           [TYPING_VIN] = MARK_IDENTITY, [TYPING_WHY] = MARK_WITHDRAWAL};
    size_t used = strlen(person->typed);
    if (key == KEY_ESCAPE || (key == KEY_ENTER && used == 0)) {
        person->typing = TYPING_NOTHING;
    } else if (key == KEY_ENTER) {
        /* What was refused can be put right where it stands. */
        if (note_by(person, kinds[person->typing], time, state, make_typed))
            person->typing = TYPING_NOTHING;
    } else if (key == KEY_BACKSPACE) {
        while (used > 0 && (person->typed[--used] & 0xC0) == 0x80)
            ;
        person->typed[used] = '\0';
    } else if (key >= 0x20) {
        type_character(person, (uint32_t)key);
    }
}

/* y, n or Enter on the condition asked now; false for another key. */
static bool answer_condition(struct person *person, int key, int64_t time, const struct live_state *state)
{
    uint32_t condition = person->condition;
    if (key != 'y' && key != 'n' && key != KEY_ENTER)
        return false;
    if (key == KEY_ENTER)
        (void)snprintf(person->said, sizeof person->said, "\"%.200s\" stays unstated",
                       state->definitions->conditions[condition].text);
    (void)snprintf(person->typed, sizeof person->typed, "%s", key == 'y' ? "yes" : "no");
    if (key == KEY_ENTER || note_by(person, MARK_CONDITION, time, state, make_condition))
        person->passed |= UINT64_C(1) << condition;
    return true;
}

static enum person_wish command_key(struct person *person, int key, const struct live_state *state)
{
    switch (key) {
    case 't': begin_typing(person, TYPING_NOTE); break;
    case 'd': begin_typing(person, TYPING_DISPLAYED); break;
    case 'v': begin_typing(person, TYPING_VIN); break;
    case 'u': begin_typing(person, TYPING_WHY); break;
    case 'c':
        person->passed = 0;
        person->again = true;
        break;
    case 'q':
        if (!person->records)
            return PERSON_LEAVE;
        person->stopping = true;
        (void)snprintf(person->question, sizeof person->question, "Stop the recording into %.100s?", state->job);
        break;
    default: break;
    }
    return PERSON_NOTHING;
}

enum person_wish person_key(struct person *person, int key, int64_t time, const struct live_state *state)
{
    if (person->stopping) {
        person->stopping = false;
        return key == 'y' ? PERSON_STOP : PERSON_NOTHING;
    }
    if (person->typing) {
        type_key(person, key, time, state);
        return PERSON_NOTHING;
    }
    if (person->condition != DEF_NONE && answer_condition(person, key, time, state))
        return PERSON_NOTHING;
    for (uint32_t i = 0; i < person->key_count; i++) {
        if (person->keys[i].key != key)
            continue;
        if (!person->keys[i].moment)
            return command_key(person, key, state);
        if (key == person->last_moment && time - person->last_moment_time < HELD && time >= person->last_moment_time)
            return PERSON_NOTHING;
        person->typed[0] = (char)key;
        person->typed[1] = '\0';
        if (note_by(person, MARK_MOMENT, time, state, make_moment)) {
            person->last_moment = key;
            person->last_moment_time = time;
        }
        return PERSON_NOTHING;
    }
    return PERSON_NOTHING;
}
