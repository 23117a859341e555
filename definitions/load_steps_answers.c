/* What steps ask of answers: an action's outcome, a service's name, trouble codes (D 7.9, 7.10); see load_steps.h. */
#include <stdio.h>
#include <string.h>

#include "load_steps.h"

/* The answers of an action that can carry its outcome (D 6.1). */
struct outcome_part {
    const char *prefix;
    enum action_part part;
};
static const struct outcome_part routine_parts[] = {{"start.", PART_START}, {"results.", PART_RESULTS}};
static const struct outcome_part control_parts[] = {{"set.", PART_START}};
static const struct outcome_part write_parts[] = {{"write.", PART_START}};

static const struct outcome_part *outcome_parts(enum action_kind kind, size_t *count)
{
    *count = kind == ACTION_ROUTINE || kind == ACTION_ROUTINE_ADDRESS ? 2 : 1;
    if (kind == ACTION_CONTROL || kind == ACTION_CONTROL_LOCAL)
        return control_parts;
    return kind == ACTION_WRITE || kind == ACTION_WRITE_LOCAL ? write_parts : routine_parts;
}

/* PART_START, PART_RESULTS or 0. */
static unsigned outcome_part(enum action_kind kind, const char *field)
{
    size_t count;
    const struct outcome_part *parts = outcome_parts(kind, &count);
    for (size_t i = 0; i < count; i++)
        if (strncmp(field, parts[i].prefix, strlen(parts[i].prefix)) == 0)
            return parts[i].part;
    return 0;
}

/* What the field could have been. */
static void say_no_field(struct load *load, const struct node *node, const struct def_action *action)
{
    const struct definitions *definitions = load->definitions;
    size_t length = strlen(action->name), count = 0;
    const char **names = load_scratch(load, definitions->reading_count, sizeof *names);
    for (uint32_t i = 0; names && i < definitions->reading_count; i++) {
        const struct def_reading *reading = &definitions->readings[i];
        if (reading->module == action->module && strncmp(reading->name, action->name, length) == 0 &&
            reading->name[length] == '.' && outcome_part(action->kind, reading->name + length + 1))
            names[count++] = reading->name + length + 1;
    }
    load_say(load, node, "\"%.200s\" has no field \"%.200s\"%s", action->name, node->text,
             names ? load_nearest(load, node->text, names, count) : "");
}

/* outcome: its field begins at the part (D 6.1). */
bool load_outcome(struct load *load, const struct node *node, struct def_step *step)
{
    static const struct key_rule outcome[] = {
        {"field", KEY_REQUIRED}, {"confirmed", KEY_REQUIRED}, {"waiting", KEY_OPTIONAL}};
    const struct definitions *definitions = load->definitions;
    const struct def_action *action = &definitions->actions[step->action];
    const struct node *found[KEY_COUNT(outcome)];
    if (!load_map(load, node, "\"outcome\"", outcome, KEY_COUNT(outcome), found) || !found[0] ||
        !load_is(load, found[0], NODE_TEXT, "field"))
        return false;
    const char *field = found[0]->text;
    unsigned part = outcome_part(action->kind, field);
    if (!part) {
        size_t count;
        const struct outcome_part *parts = outcome_parts(action->kind, &count);
        load_say(load, found[0],
                 "\"%.60s\" does not begin with \"%s\"%s%s%s; write the answer it stands in, such as \"%sstate\"",
                 field, parts[0].prefix, count > 1 ? " or \"" : "", count > 1 ? parts[1].prefix : "",
                 count > 1 ? "\"" : "", parts[count - 1].prefix);
        return false;
    }
    step->outcome_part = (enum action_part)part;
    const char *module = definitions->modules[action->module].name;
    char name[4 * (DEF_NAME_MAX + 8)];
    int length = snprintf(name, sizeof name, "%s/%s.%s", module, action->name, field);
    step->outcome = length > 0 && (size_t)length < sizeof name ? names_find(&load->long_names, name) : DEF_NONE;
    if (step->outcome == DEF_NONE) {
        if (!load->cut)
            say_no_field(load, found[0], action);
        return false;
    }
    bool good =
        found[1] && load_states(load, found[1], "confirmed", step->outcome, &step->confirmed, &step->confirmed_count);
    if (found[2])
        good &= load_states(load, found[2], "waiting", step->outcome, &step->waiting, &step->waiting_count);
    for (uint32_t i = 0; good && i < step->waiting_count; i++)
        for (uint32_t j = 0; j < step->confirmed_count; j++)
            if (strcmp(step->waiting[i], step->confirmed[j]) == 0)
                load_say(load, found[2], "\"%.200s\" cannot be confirmed and waiting at once; take one away",
                         step->waiting[i]);
    return good;
}

/* Names of the dialect that the step's module speaks. */
bool load_answered_step(struct load *load, const struct node *node, struct def_step *step)
{
    if (!load_is(load, node, NODE_TEXT, "answered"))
        return false;
    enum dialect dialect = load->definitions->modules[step->module].dialect;
    step->service = standard_service_by_name(dialect, node->text);
    if (step->service)
        return true;
    const char *const *names;
    size_t count = standard_service_names(dialect, &names);
    load_say(load, node, "%s has no service \"%.60s\"%s", dialect == DIALECT_ISO14230 ? "ISO 14230" : "ISO 14229",
             node->text, load_nearest(load, node->text, names, count));
    return false;
}

/* none in: states of ISO 14230's own status byte. */
static bool load_none_in(struct load *load, const struct node *list, struct def_step *step)
{
    static const char *const words[] = {"present", "stored"};
    size_t word;
    bool good = true;
    if (list->kind == NODE_TEXT && list->length > 0) {
        load_say(load, list, "none in is a list; write [%.60s]", list->text);
        return false;
    }
    if (!load_is(load, list, NODE_LIST, "none in"))
        return false;
    if (list->count == 0 && !list->open) {
        load_say(load, list, "none in is an empty list; it needs present, stored or both");
        return false;
    }
    for (const struct node *entry = list->first; entry; entry = entry->next) {
        if (!load_word(load, entry, "none in", words, 2, &word)) {
            good = false;
            continue;
        }
        bool *state = word == 0 ? &step->none_present : &step->none_stored;
        if (*state)
            load_say(load, entry, "\"%s\" stands in this list already; take one away", words[word]);
        *state = true;
    }
    return good;
}

/* A mask of 0 would be met by every list of codes, so it is refused. */
bool load_codes_step(struct load *load, const struct node *node, struct def_step *step)
{
    static const struct key_rule codes[] = {
        {"none with", KEY_OPTIONAL}, {"tested", KEY_OPTIONAL}, {"none in", KEY_OPTIONAL}};
    static const char *const words[] = {"since clear", "this cycle"};
    const struct node *found[KEY_COUNT(codes)];
    uint64_t bits;
    size_t word;
    if (!load_map(load, node, "\"codes\"", codes, KEY_COUNT(codes), found))
        return false;
    bool iso14230 = load->definitions->modules[step->module].dialect == DIALECT_ISO14230, good = true, empty = false;
    const struct node *wanted = found[iso14230 ? 2 : 0], *other = found[iso14230 ? 0 : 2];
    const char *key = iso14230 ? "none in" : "none with";
    for (const struct node *value = node->first; value; value = value->next)
        empty |= strcmp(value->key->text, key) == 0;
    if (other) {
        load_say(load, other->key, "\"%s\" is not for ISO %s; write \"%s\"", other->key->text,
                 iso14230 ? "14230" : "14229", iso14230 ? "none in: [present, stored]" : "none with: 0x09");
        good = false;
    } else if (!wanted && !empty && !node->open) {
        load_say(load, load_head(node), "\"codes\" needs \"%s\"; add it", key);
        good = false;
    }
    good &= wanted != NULL;
    if (found[0] && load_whole(load, found[0], "none with (bits of the status byte)", 1, 0xFF, &bits))
        step->none_with = iso14230 ? 0 : (uint8_t)bits;
    else
        good &= !found[0];
    if (found[2])
        good &= load_none_in(load, found[2], step);
    if (found[1] && load_word(load, found[1], "tested", words, 2, &word)) {
        step->tested = word == 0 ? TESTED_SINCE_CLEAR : TESTED_THIS_CYCLE;
        if (word == 1 && iso14230) {
            load_say(load, found[1], "ISO 14230 does not tell in which cycle a test ran; write \"since clear\"");
            good = false;
        }
    } else {
        good &= !found[1];
    }
    return good;
}
