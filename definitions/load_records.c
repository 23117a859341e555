/* Records of answers and broadcasts, by their numbers (D 6.3, 6.7); see load.h. */
#include <stdlib.h>
#include <string.h>

#include "load.h"

#define FRAME_MAX 64 /* bytes of a CAN FD frame */

/* The name, or for messages the key's text where the name is missing (which is told), so that the rest is still
 * checked. */
const char *load_name_or_key(struct load *load, const struct node *name, const struct node *key,
                             const char *what)
{
    const char *text = name ? load_text(load, name, what) : NULL;
    return text || load->no_memory ? text : load_join(load, key->text, "", "");
}

static const struct key_rule rules[] = {
    {"name", KEY_REQUIRED},    {"length", KEY_OPTIONAL},   {"fields", KEY_OPTIONAL},
    {"derived", KEY_OPTIONAL}, {"examples", KEY_OPTIONAL},
};

/* A section whose keys go up to `most`, sorted for the look-ups of model.h. */
static void load_section(struct load *load, uint32_t index, const struct node *map, const char *what, uint64_t most,
                         struct def_identifier **list, uint32_t *list_count)
{
    struct numbered *entries;
    uint32_t count;
    if (!map || !load_numbered(load, map, what, most, &entries, &count))
        return;
    *list = load_keep(load, count, sizeof **list);
    for (uint32_t i = 0; i < count && *list; i++) {
        const struct node *found[KEY_COUNT(rules)];
        const struct node *value = entries[i].value;
        if (!load_map(load, value, what, rules, KEY_COUNT(rules), found))
            continue;
        const char *name = load_name_or_key(load, found[0], value->key, "the name of an identifier");
        if (!name)
            continue;
        struct def_identifier *identifier = &(*list)[(*list_count)++];
        identifier->key = (uint16_t)entries[i].number;
        identifier->name = name;
        struct record_source source = {found[1], found[2], found[3], found[4], 0xFFFF};
        load_record(load, index, name, value->key, &source, &identifier->record);
    }
}

void load_identifiers(struct load *load, uint32_t index, const struct node *const *sections)
{
    struct def_module *module = &load->definitions->modules[index];
    const struct node *local = sections[SECTION_LOCAL_IDENTIFIERS];
    const struct node *identification = sections[SECTION_IDENTIFICATION];
    const struct node *foreign[] = {local, identification};
    for (size_t i = 0; i < 2; i++) /* what is in them is checked all the same */
        if (foreign[i] && module->dialect != DIALECT_ISO14230)
            load_say(load, load_head(foreign[i]),
                     "\"%s\" is of ISO 14230; write \"services: iso14230\" in the module section, or take it away",
                     foreign[i]->key->text);
    load_section(load, index, sections[SECTION_IDENTIFIERS], "an identifier", 0xFFFF, &module->identifiers,
                 &module->identifier_count);
    load_section(load, index, local, "a local identifier", 0xFF, &module->local_identifiers,
                 &module->local_identifier_count);
    load_section(load, index, identification, "an identification option", 0xFF, &module->identification,
                 &module->identification_count);
}

static int by_id_word(const void *left, const void *right)
{
    const struct def_broadcast *a = left, *b = right;
    return a->id < b->id ? -1 : a->id > b->id;
}

/* A broadcast with a wrong id (which is told) keeps its record: it is still checked and can be referred to. */
void load_broadcasts(struct load *load, uint32_t index, const struct node *map)
{
    struct def_module *module = &load->definitions->modules[index];
    struct numbered *entries;
    uint32_t count;
    if (!load_numbered(load, map, "a broadcast's CAN id", UINT32_MAX, &entries, &count))
        return;
    module->broadcasts = load_keep(load, count, sizeof *module->broadcasts);
    for (uint32_t i = 0; i < count && module->broadcasts; i++) {
        const struct node *found[KEY_COUNT(rules)];
        const struct node *value = entries[i].value;
        uint32_t id = DEF_NO_ID;
        if (!load_can_id(load, value->key, "a broadcast's id", &id))
            id = DEF_NO_ID;
        if (!load_map(load, value, "a broadcast", rules, KEY_COUNT(rules), found))
            continue;
        const char *name = load_name_or_key(load, found[0], value->key, "the name of a broadcast");
        if (!name)
            continue;
        struct def_broadcast *broadcast = &module->broadcasts[module->broadcast_count++];
        broadcast->id = id;
        broadcast->name = name;
        struct record_source source = {found[1], found[2], found[3], found[4], FRAME_MAX};
        load_record(load, index, name, value->key, &source, &broadcast->record);
    }
    if (module->broadcast_count) /* by number so far, which mixes 11 and 29 bits */
        qsort(module->broadcasts, module->broadcast_count, sizeof *module->broadcasts, by_id_word);
}
