/*
 * Routines, controls and writes (D 6.6, 6.7). The section and, in ISO 14230, the width of a key say which service it
 * is; see load.h. Actions of a module stand by kind and key, as definitions_action looks for them.
 */
#include <stdio.h>
#include <string.h>

#include "load.h"

struct part_word {
    const char *word;
    enum action_part part;
};

/* One kind of key in a section: how many hex digits it has, and what it makes of the entry. */
struct width {
    uint32_t digits;
    enum action_kind kind;
};

static const struct action_section {
    enum section section;
    const char *what, *of, *key;
    struct part_word parts[3]; /* in the order of their keys */
    struct width widths[2];    /* ISO 14230; ISO 14229 has the two-byte one, in any notation */
    const char *advice;        /* on a key of another width in ISO 14230 */
    enum action_kind plain;
} sections_of_actions[] = {
    {SECTION_ROUTINES, "a routine", "of a routine", "a routine identifier",
     {{"start", PART_START}, {"stop", PART_STOP}, {"results", PART_RESULTS}},
     {{2, ACTION_ROUTINE}, {6, ACTION_ROUTINE_ADDRESS}},
     "0x and two hex digits (local identifier) or six (address)", ACTION_ROUTINE},
    {SECTION_CONTROLS, "a control", "of a control", "an identifier of a control",
     {{"set", PART_START}, {"return", PART_STOP}},
     {{4, ACTION_CONTROL}, {2, ACTION_CONTROL_LOCAL}},
     "0x and two hex digits (service 30) or four (2F)", ACTION_CONTROL},
    {SECTION_WRITES, "a write", "of a write", "an identifier of a write",
     {{"write", PART_START}},
     {{4, ACTION_WRITE}, {2, ACTION_WRITE_LOCAL}},
     "0x and two hex digits (service 3B) or four (2E)", ACTION_WRITE},
};
#define SECTION_COUNT (sizeof sections_of_actions / sizeof *sections_of_actions)

/* A map of fields; readings are named "action.part.field" and "action.part request.field". */
static void load_fields(struct load *load, uint32_t module, const char *action, const char *suffix,
                        const struct node *fields, struct def_record *record)
{
    const char *name = load_join(load, action, suffix, "");
    struct record_source source = {NULL, fields, NULL, NULL, 0xFFFF};
    if (name)
        load_record(load, module, name, fields->key, &source, record);
}

static void load_parts(struct load *load, const struct action_section *section, const struct node *const *found,
                       struct def_action *action)
{
    static const struct key_rule rules[] = {{"answer", KEY_OPTIONAL}, {"request", KEY_OPTIONAL}};
    for (size_t i = 0; i < 3 && section->parts[i].word; i++) {
        const struct node *blocks[KEY_COUNT(rules)];
        const char *word = section->parts[i].word;
        char what[64], suffix[32];
        snprintf(what, sizeof what, "\"%s\" %s", word, section->of);
        if (!found[i] || !load_map(load, found[i], what, rules, KEY_COUNT(rules), blocks))
            continue;
        struct def_action_part *part = &action->parts[section->parts[i].part];
        part->defined = blocks[0] || blocks[1];
        snprintf(suffix, sizeof suffix, ".%s", word);
        if (blocks[0])
            load_fields(load, action->module, action->name, suffix, blocks[0], &part->answer);
        snprintf(suffix, sizeof suffix, ".%s request", word);
        if (blocks[1])
            load_fields(load, action->module, action->name, suffix, blocks[1], &part->request);
    }
}

static void load_action(struct load *load, uint32_t module, const struct action_section *section,
                        enum action_kind kind, const struct numbered *entry)
{
    struct key_rule rules[4] = {{"name", KEY_REQUIRED}};
    const struct node *found[4];
    struct definitions *definitions = load->definitions;
    size_t rule_count = 1;
    for (size_t i = 0; i < 3 && section->parts[i].word; i++)
        rules[rule_count++] = (struct key_rule){section->parts[i].word, KEY_OPTIONAL};
    if (!load_map(load, entry->value, section->what, rules, rule_count, found))
        return;
    char what[64];
    snprintf(what, sizeof what, "the name %s", section->of);
    const struct node *head = found[0] ? found[0] : entry->value->key;
    const char *name = load_name_or_key(load, found[0], entry->value->key, what);
    uint32_t index = definitions->action_count, other = index;
    bool taken = false;
    if (!name ||
        !load_grow(load, (void **)&definitions->actions, &load->action_room, index + 1, sizeof *definitions->actions) ||
        !load_grow(load, (void **)&load->action_places, &load->action_place_room, index + 1,
                   sizeof *load->action_places))
        return;
    load->action_places[index] = load_place(head);
    const char *long_name = load_join(load, definitions->modules[module].name, "/", name);
    if (!long_name || !names_add(load, &load->actions, long_name, &other, &taken))
        return;
    if (taken)
        load_say(load, head, "there is an action \"%.200s\" already (%s); give this one another name", long_name,
                 load_line(load, load->action_places[other], head->file));
    struct def_action action = {kind, (uint32_t)entry->number, name, module, {{0}}};
    load_parts(load, section, found + 1, &action);
    definitions->actions[index] = action;
    definitions->action_count++;
}

/* What kind of action a key makes; false when its width fits none, which is told. */
static bool kind_of(struct load *load, const struct action_section *section, bool iso14230, const struct node *key,
                    enum action_kind *kind)
{
    *kind = section->plain;
    if (!iso14230)
        return true;
    bool hex = key->length > 2 && key->text[0] == '0' && key->text[1] == 'x';
    for (size_t i = 0; hex && i < 2; i++) {
        if (key->length == 2 + section->widths[i].digits) {
            *kind = section->widths[i].kind;
            return true;
        }
    }
    load_say(load, key, "%s of ISO 14230 is told by its width; write %s", section->key, section->advice);
    return false;
}

static void load_section(struct load *load, uint32_t module, const struct action_section *section,
                         const struct node *map)
{
    bool iso14230 = load->definitions->modules[module].dialect == DIALECT_ISO14230;
    uint64_t most = iso14230 && section->section == SECTION_ROUTINES ? 0xFFFFFF : 0xFFFF;
    struct numbered *entries;
    uint32_t count;
    if (!load_numbered(load, map, section->key, most, &entries, &count))
        return;
    enum action_kind *kinds = load_scratch(load, count, sizeof *kinds);
    if (!kinds)
        return;
    for (uint32_t i = 0; i < count; i++) /* one of a wrong width is loaded all the same: it can still be named */
        if (!kind_of(load, section, iso14230, entries[i].value->key, &kinds[i]))
            kinds[i] = section->plain;
    const enum action_kind first = section->plain;
    for (enum action_kind kind = first; kind <= first + 1; kind++)
        for (uint32_t i = 0; i < count && !load->no_memory; i++)
            if (kinds[i] == kind)
                load_action(load, module, section, kind, &entries[i]);
}

void load_actions(struct load *load, uint32_t module, const struct node *const *sections)
{
    for (size_t i = 0; i < SECTION_COUNT; i++) /* in the order of enum action_kind */
        if (sections[sections_of_actions[i].section])
            load_section(load, module, &sections_of_actions[i], sections[sections_of_actions[i].section]);
}
