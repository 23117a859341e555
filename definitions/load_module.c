/* A given file's parts into one module of the model (D 6.3); see load.h. */
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
                     "the full name \"%.300s\" exists already (%s); give one of the two another name",
                     reading.long_name, load_line(load, definitions->readings[other].place, reading.place.file));
    return index;
}

/* Sorted by number for definitions_code_text. ISO 14229 has codes of three bytes, ISO 14230 of two. */
static void load_codes(struct load *load, struct def_module *module, const struct node *map)
{
    bool two = module->dialect == DIALECT_ISO14230;
    struct numbered *entries;
    uint32_t count;
    if (!load_numbered(load, map, "a trouble code", two ? 0xFFFF : 0xFFFFFF, &entries, &count))
        return;
    module->codes = load_keep(load, count, sizeof *module->codes);
    for (uint32_t i = 0; i < count && module->codes; i++) {
        const struct node *key = entries[i].value->key;
        if (strncmp(key->text, "0x", 2) == 0 && key->length != (two ? 2 + 4 : 2 + 6))
            load_warn(load, key, "a trouble code of %s bytes; this is read as 0x%0*X",
                      two ? "ISO 14230 has two" : "ISO 14229 has three", two ? 4 : 6, (unsigned)entries[i].number);
        const char *text = load_text(load, entries[i].value, "the text of a trouble code");
        if (text)
            module->codes[module->code_count++] = (struct def_code){(uint32_t)entries[i].number, text};
    }
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
    static const char *const dialects[] = {"iso14229", "iso14230"};
    struct id_places *places = &load->id_places[load->definitions->module_count - 1];
    const struct node *found[KEY_COUNT(rules)];
    size_t dialect;
    if (!load_map(load, node, "the module section", rules, KEY_COUNT(rules), found))
        return;
    const char *name = found[0] ? load_text(load, found[0], "the module's name") : NULL;
    if (name)
        module->name = name;
    if (found[1] && load_word(load, found[1], "services", dialects, 2, &dialect))
        module->dialect = dialect == 1 ? DIALECT_ISO14230 : DIALECT_ISO14229;
    if (found[2])
        load_address(load, module, places, found[2]);
    if (found[3])
        load_functional(load, module, places, found[3]);
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
static void take_procedure(struct load *load, uint32_t file)
{
    const struct file_load *given = &load->files[file];
    if (!given->conditions && !given->procedure)
        return;
    if (load->conditions || load->procedure) {
        load_say(load, load_head(given->conditions ? given->conditions : given->procedure),
                 "%.200s has conditions or a procedure already; have them in one file only",
                 load->definitions->files[load->procedure_file].path);
        return;
    }
    load->conditions = given->conditions;
    load->procedure = given->procedure;
    load->procedure_file = file;
}

void load_file(struct load *load, uint32_t file)
{
    const struct file_load *given = &load->files[file];
    const struct node *const *sections = given->sections;
    uint32_t index = load->definitions->module_count++;
    struct def_module *module = &load->definitions->modules[index];
    /* Defaults: ISO 14229-2 P2server_max 50 ms and P2*server_max 5000 ms (ISO 14230-2 P2max 50 ms, P3max 5000 ms as
     * P2* of service 78), ISO 15765-2 N_Cr 1000 ms. */
    *module = (struct def_module){.name = "",
                                  .file = file,
                                  .request_id = DEF_NO_ID,
                                  .response_id = DEF_NO_ID,
                                  .functional_id = DEF_NO_ID,
                                  .p2 = 50 * TT_MS,
                                  .p2_star = 5 * TT_SECOND,
                                  .n_cr = TT_SECOND};
    if (given->module)
        load_head_of_module(load, module, given->module);
    load_identifiers(load, index, sections);
    load_actions(load, index, sections);
    if (sections[SECTION_BROADCASTS])
        load_broadcasts(load, index, sections[SECTION_BROADCASTS]);
    if (sections[SECTION_CODES])
        load_codes(load, module, sections[SECTION_CODES]);
    take_procedure(load, file);
}
