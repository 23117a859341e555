/* One file's tree into one module of the model (D 6.3, 6.5, 6.6); see load.h. */
#include <stdio.h>
#include <string.h>

#include "load.h"

uint32_t load_add_reading(struct load *load, struct def_reading reading, uint32_t field, tt_wide largest)
{
    struct definitions *definitions = load->definitions;
    uint32_t index = definitions->reading_count;
    const char *module = definitions->modules[reading.module].name;
    reading.long_name = load_join(load, module, "/", reading.name);
    if (!reading.long_name ||
        !load_grow(load, (void **)&definitions->readings, &load->reading_room, index + 1,
                   sizeof *definitions->readings) ||
        !load_grow(load, (void **)&load->extras, &load->extra_room, index + 1, sizeof *load->extras))
        return DEF_NONE;
    definitions->readings[index] = reading;
    load->extras[index] = (struct reading_extra){field, largest};
    definitions->reading_count++;

    uint32_t other = index;
    bool taken;
    if (!names_add(load, &load->long_names, reading.long_name, &other, &taken))
        return DEF_NONE;
    if (taken)
        mistakes_add(&load->mistakes, SEVERITY_ERROR, reading.place,
                     "the full name \"%.300s\" exists already (line %u); give one of the two another name",
                     reading.long_name, definitions->readings[other].place.line);
    return index;
}

/* The name, or for messages the key's text where the name is missing (which is told), so that the rest is still
 * checked. */
static const char *name_or_key(struct load *load, const struct node *name, const struct node *key, const char *what)
{
    const char *text = name ? load_text(load, name, what) : NULL;
    return text || load->no_memory ? text : load_join(load, key->text, "", "");
}

/* Sorted by number for definitions_code_text. */
static void load_codes(struct load *load, struct def_module *module, const struct node *map)
{
    struct numbered *entries;
    uint32_t count;
    if (!load_numbered(load, map, "a trouble code", 0xFFFFFF, &entries, &count))
        return;
    module->codes = load_keep(load, count, sizeof *module->codes);
    for (uint32_t i = 0; i < count && module->codes; i++) {
        const struct node *key = entries[i].value->key;
        if (strncmp(key->text, "0x", 2) == 0 && key->length != 2 + 6)
            load_warn(load, key, "a trouble code of ISO 14229 has three bytes; this is read as 0x%06X",
                      (unsigned)entries[i].number);
        const char *text = load_text(load, entries[i].value, "the text of a trouble code");
        if (text)
            module->codes[module->code_count++] = (struct def_code){(uint32_t)entries[i].number, text};
    }
}

/* Services 22 and 2E: two-byte keys, sorted for definitions_identifier. */
static void load_identifiers(struct load *load, uint32_t index, const struct node *map)
{
    static const struct key_rule rules[] = {
        {"name", KEY_REQUIRED},    {"length", KEY_OPTIONAL},   {"fields", KEY_OPTIONAL},
        {"derived", KEY_OPTIONAL}, {"examples", KEY_OPTIONAL},
    };
    struct def_module *module = &load->definitions->modules[index];
    struct numbered *entries;
    uint32_t count;
    if (!load_numbered(load, map, "an identifier", 0xFFFF, &entries, &count))
        return;
    module->identifiers = load_keep(load, count, sizeof *module->identifiers);
    for (uint32_t i = 0; i < count && module->identifiers; i++) {
        const struct node *found[KEY_COUNT(rules)];
        const struct node *value = entries[i].value;
        if (!load_map(load, value, "an identifier", rules, KEY_COUNT(rules), found))
            continue;
        const char *name = name_or_key(load, found[0], value->key, "the name of an identifier");
        if (!name)
            continue;
        struct def_identifier *identifier = &module->identifiers[module->identifier_count++];
        identifier->key = (uint16_t)entries[i].number;
        identifier->name = name;
        struct record_source source = {found[1], found[2], found[3], found[4], 0xFFFF};
        load_record(load, index, name, value->key, &source, &identifier->record);
    }
}

/* A broadcast with a wrong id (which is told) keeps its record: it is still checked and can be referred to. */
static void load_broadcasts(struct load *load, uint32_t index, const struct node *map)
{
    static const struct key_rule rules[] = {
        {"name", KEY_REQUIRED},    {"length", KEY_OPTIONAL},   {"fields", KEY_OPTIONAL},
        {"derived", KEY_OPTIONAL}, {"examples", KEY_OPTIONAL},
    };
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
        const char *name = name_or_key(load, found[0], value->key, "the name of a broadcast");
        if (!name)
            continue;
        struct def_broadcast *broadcast = &module->broadcasts[module->broadcast_count++];
        broadcast->id = id;
        broadcast->name = name;
        struct record_source source = {found[1], found[2], found[3], found[4], 8};
        load_record(load, index, name, value->key, &source, &broadcast->record);
    }
}

/* Parts have the number of their sub-function, and their readings the name "routine.part.field". */
static void load_routine(struct load *load, uint32_t module, const struct numbered *entry)
{
    static const struct key_rule rules[] = {
        {"name", KEY_REQUIRED},
        {"start", KEY_OPTIONAL},
        {"stop", KEY_OPTIONAL},
        {"results", KEY_OPTIONAL},
    };
    static const struct key_rule part_rules[] = {{"answer", KEY_OPTIONAL}, {"request", KEY_LATER}};
    struct definitions *definitions = load->definitions;
    const struct node *found[KEY_COUNT(rules)];
    if (!load_map(load, entry->value, "a routine", rules, KEY_COUNT(rules), found))
        return;
    const char *name = name_or_key(load, found[0], entry->value->key, "the name of a routine");
    uint32_t index = definitions->action_count, other = index;
    bool taken = false;
    if (!name ||
        !load_grow(load, (void **)&definitions->actions, &load->action_room, index + 1, sizeof *definitions->actions) ||
        !load_grow(load, (void **)&load->action_places, &load->action_place_room, index + 1,
                   sizeof *load->action_places))
        return;
    load->action_places[index] = load_place(load, found[0] ? found[0] : entry->value->key);
    const char *long_name = load_join(load, definitions->modules[module].name, "/", name);
    if (!long_name || !names_add(load, &load->actions, long_name, &other, &taken))
        return;
    if (taken)
        load_say(load, found[0] ? found[0] : entry->value->key,
                 "there is a routine \"%.200s\" already; give this one another name", long_name);
    struct def_action action = {ACTION_ROUTINE, (uint32_t)entry->number, name, module, {{0}}};
    for (size_t part = PART_START; part <= PART_RESULTS; part++) {
        const struct node *answer[KEY_COUNT(part_rules)];
        char what[64], suffix[16];
        snprintf(what, sizeof what, "\"%s\" of a routine", rules[part].key);
        snprintf(suffix, sizeof suffix, ".%s", rules[part].key);
        if (!found[part] || !load_map(load, found[part], what, part_rules, KEY_COUNT(part_rules), answer) || !answer[0])
            continue;
        const char *record_name = load_join(load, name, suffix, "");
        if (!record_name)
            return;
        struct record_source source = {NULL, answer[0], NULL, NULL, 0xFFFF};
        action.parts[part].defined = true;
        load_record(load, module, record_name, answer[0]->key, &source, &action.parts[part].answer);
    }
    definitions->actions[index] = action;
    definitions->action_count++;
}

static void load_routines(struct load *load, uint32_t module, const struct node *map)
{
    struct numbered *entries;
    uint32_t count;
    if (!load_numbered(load, map, "a routine identifier", 0xFFFF, &entries, &count))
        return;
    for (uint32_t i = 0; i < count && !load->no_memory; i++)
        load_routine(load, module, &entries[i]);
}

static void load_address(struct load *load, struct def_module *module, struct id_places *places,
                         const struct node *node)
{
    /* All keys of D 6.5, so that a format of a later version gets one line and not one for each key. */
    static const struct key_rule rules[] = {
        {"format", KEY_OPTIONAL},       {"request", KEY_OPTIONAL},       {"response", KEY_OPTIONAL},
        {"request byte", KEY_OPTIONAL}, {"response byte", KEY_OPTIONAL}, {"byte", KEY_OPTIONAL},
        {"module", KEY_OPTIONAL},       {"tester", KEY_OPTIONAL},        {"priority", KEY_OPTIONAL},
    };
    static const char *const formats[] = {"normal", "normal-fixed", "extended", "mixed"};
    const struct node *found[KEY_COUNT(rules)];
    size_t format = 0;
    if (!load_map(load, node, "an address", rules, KEY_COUNT(rules), found))
        return;
    if (found[0] && !load_word(load, found[0], "the address format", formats, 4, &format))
        return;
    if (format > 0) {
        load_say(load, found[0], "the address format \"%s\" is not in this version yet; it has \"normal\"",
                 formats[format]);
        return;
    }
    for (size_t i = 3; i < KEY_COUNT(rules); i++)
        if (found[i])
            load_say(load, found[i]->key, "\"%s\" does not belong to the address format \"normal\"; take it away",
                     rules[i].key);
    if (!node->open && !found[1])
        load_say(load, load_head(node), "an address needs \"request\"; give the id of the scan tool's questions");
    if (!node->open && !found[2])
        load_say(load, load_head(node), "an address needs \"response\"; give the id of the module's answers");
    if (found[1] && load_can_id(load, found[1], "the request id", &module->request_id))
        places->request = load_place(load, found[1]);
    if (found[2] && load_can_id(load, found[2], "the response id", &module->response_id))
        places->response = load_place(load, found[2]);
}

static void load_timing(struct load *load, struct def_module *module, const struct node *node)
{
    static const struct key_rule rules[] = {{"p2", KEY_OPTIONAL}, {"p2 star", KEY_OPTIONAL}, {"n_cr", KEY_OPTIONAL}};
    const struct node *found[KEY_COUNT(rules)];
    int64_t *targets[] = {&module->p2, &module->p2_star, &module->n_cr};
    if (!load_map(load, node, "timing", rules, KEY_COUNT(rules), found))
        return;
    for (size_t i = 0; i < KEY_COUNT(rules); i++) {
        int64_t time;
        if (!found[i] || !load_time(load, found[i], rules[i].key, &time))
            continue;
        if (time == 0)
            load_say(load, found[i], "%s is 0, so no answer could come in time; leave it away for the standard's value",
                     rules[i].key);
        else
            *targets[i] = time;
    }
}

static void load_evidence(struct load *load, const struct node *node)
{
    static const struct key_rule rules[] = {{"who", KEY_OPTIONAL}, {"on what evidence", KEY_OPTIONAL}};
    const struct node *found[KEY_COUNT(rules)];
    if (!load_map(load, node, "\"written by\"", rules, KEY_COUNT(rules), found))
        return;
    for (size_t i = 0; i < KEY_COUNT(rules); i++)
        if (found[i] && !load_text(load, found[i], rules[i].key))
            continue; /* told; the text itself is for readers of the file */
}

static void load_head_of_module(struct load *load, struct def_module *module, const struct node *node)
{
    static const struct key_rule rules[] = {
        {"name", KEY_REQUIRED},       {"services", KEY_OPTIONAL}, {"address", KEY_REQUIRED},
        {"functional", KEY_OPTIONAL}, {"timing", KEY_OPTIONAL},   {"written by", KEY_OPTIONAL},
    };
    static const struct key_rule functional_rules[] = {{"id", KEY_REQUIRED}};
    static const char *const dialects[] = {"iso14229", "iso14230"};
    struct id_places *places = &load->id_places[load->definitions->module_count - 1];
    const struct node *found[KEY_COUNT(rules)], *functional[1];
    size_t dialect;
    if (!load_map(load, node, "the module section", rules, KEY_COUNT(rules), found))
        return;
    const char *name = found[0] ? load_text(load, found[0], "the module's name") : NULL;
    if (name)
        module->name = name;
    if (found[1] && load_word(load, found[1], "services", dialects, 2, &dialect) && dialect == 1)
        load_say(load, found[1], "the services of iso14230 are not in this version yet; it has iso14229");
    if (found[2])
        load_address(load, module, places, found[2]);
    if (found[3] && load_map(load, found[3], "\"functional\"", functional_rules, 1, functional) && functional[0] &&
        load_can_id(load, functional[0], "the functional id", &module->functional_id))
        places->functional = load_place(load, functional[0]);
    if (found[4])
        load_timing(load, module, found[4]);
    if (found[5])
        load_evidence(load, found[5]);
    for (uint32_t i = 0; name && i + 1 < load->definitions->module_count; i++) {
        const char *other = load->definitions->modules[i].name;
        if (strcmp(other, name) == 0)
            load_say(load, found[0], "another file has a module \"%.200s\" too; each file describes its own module",
                     other);
    }
}

/* Only remembered here: it can name what stands in files that are read later. */
static void take_procedure(struct load *load, const struct node *conditions, const struct node *procedure)
{
    if (!conditions && !procedure)
        return;
    if (load->conditions || load->procedure) {
        load_say(load, load_head(conditions ? conditions : procedure),
                 "%.200s has conditions or a procedure already; have them in one file only",
                 load->definitions->files[load->procedure_file].path);
        return;
    }
    load->conditions = conditions;
    load->procedure = procedure;
    load->procedure_file = load->file;
}

void load_file(struct load *load, const struct node *root)
{
    static const struct key_rule rules[] = {
        {"taretrace", KEY_REQUIRED},   {"module", KEY_REQUIRED},     {"identifiers", KEY_OPTIONAL},
        {"routines", KEY_OPTIONAL},    {"broadcasts", KEY_OPTIONAL}, {"codes", KEY_OPTIONAL},
        {"conditions", KEY_OPTIONAL},  {"procedure", KEY_OPTIONAL},  {"controls", KEY_LATER},
        {"writes", KEY_LATER},         {"include", KEY_LATER},       {"local identifiers", KEY_LATER},
        {"identification", KEY_LATER},
    };
    const struct node *found[KEY_COUNT(rules)];
    uint32_t index = load->definitions->module_count++;
    struct def_module *module = &load->definitions->modules[index];
    /* Defaults: ISO 14229-2 P2server_max 50 ms and P2*server_max 5000 ms, ISO 15765-2 N_Cr 1000 ms. */
    *module = (struct def_module){.name = "",
                                  .file = load->file,
                                  .request_id = DEF_NO_ID,
                                  .response_id = DEF_NO_ID,
                                  .functional_id = DEF_NO_ID,
                                  .p2 = 50 * TT_MS,
                                  .p2_star = 5 * TT_SECOND,
                                  .n_cr = TT_SECOND};
    if (!load_map(load, root, "a definition file", rules, KEY_COUNT(rules), found))
        return;
    uint64_t version;
    if (found[0] && load_whole(load, found[0], "taretrace (the version of this language)", 0, UINT64_MAX, &version) &&
        version != 1)
        load_say(load, found[0], "version %.60s of the definition language is not known; write \"taretrace: 1\"",
                 found[0]->text);
    if (found[1])
        load_head_of_module(load, module, found[1]);
    if (found[2])
        load_identifiers(load, index, found[2]);
    if (found[3])
        load_routines(load, index, found[3]);
    if (found[4])
        load_broadcasts(load, index, found[4]);
    if (found[5])
        load_codes(load, module, found[5]);
    take_procedure(load, found[6], found[7]);
}
