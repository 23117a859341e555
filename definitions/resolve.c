/* Between the walk over the files and the procedure: which full names a reference may be, and ids used twice; see
 * load.h. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "load.h"

/* place with line 0: a second meaning is told elsewhere. */
static void add_name(struct load *load, struct name_table *table, const char **list, uint32_t *count, const char *name,
                     uint32_t index, struct def_place place, const char *what)
{
    uint32_t other = index;
    bool taken;
    if (!names_add(load, table, name, &other, &taken))
        return;
    if (!taken)
        list[(*count)++] = name;
    else if (other != index && place.line)
        mistakes_add(&load->mistakes, SEVERITY_ERROR, place,
                     "\"%.300s\" can mean two %ss; give one of them another name", name, what);
}

/* Bare names mean the module of the procedure's file (D 6.9); "module/name" works for all. */
static void name_all(struct load *load)
{
    struct definitions *definitions = load->definitions;
    uint32_t readings = definitions->reading_count, actions = definitions->action_count;
    load->reference_list = load_scratch(load, 2 * (size_t)readings, sizeof *load->reference_list);
    load->action_list = load_scratch(load, 2 * (size_t)actions, sizeof *load->action_list);
    if (!load->reference_list || !load->action_list)
        return;
    for (uint32_t i = 0; i < readings; i++)
        if (definitions->readings[i].module == definitions->main_module)
            add_name(load, &load->references, load->reference_list, &load->reference_count,
                     definitions->readings[i].name, i, (struct def_place){0}, "reading");
    for (uint32_t i = 0; i < readings; i++)
        add_name(load, &load->references, load->reference_list, &load->reference_count,
                 definitions->readings[i].long_name, i,
                 names_find(&load->long_names, definitions->readings[i].long_name) == i ? definitions->readings[i].place
                                                                                        : (struct def_place){0},
                 "reading");
    struct name_table all = {0};
    for (uint32_t i = 0; i < actions; i++)
        if (definitions->actions[i].module == definitions->main_module)
            add_name(load, &all, load->action_list, &load->action_count, definitions->actions[i].name, i,
                     (struct def_place){0}, "action");
    for (uint32_t i = 0; i < actions; i++) {
        const struct def_action *action = &definitions->actions[i];
        const char *long_name = load_join(load, definitions->modules[action->module].name, "/", action->name);
        if (!long_name)
            return;
        bool first = names_find(&load->actions, long_name) == i; /* a second one of this name is told already */
        add_name(load, &all, load->action_list, &load->action_count, long_name, i,
                 first ? load->action_places[i] : (struct def_place){0}, "action");
    }
    load->actions = all;
}

enum id_use { USE_REQUEST, USE_RESPONSE, USE_FUNCTIONAL, USE_BROADCAST };
static const char *const use_words[] = {"the request id", "the response id", "the functional id", "a broadcast"};

struct id_entry {
    uint32_t id; /* CAN id word */
    int byte;    /* address byte; -1 without one */
    enum id_use use;
    uint32_t module, order;
    struct def_place place;
};

static int by_id(const void *left, const void *right)
{
    const struct id_entry *a = left, *b = right;
    if (a->id != b->id)
        return a->id < b->id ? -1 : 1;
    if (a->byte != b->byte)
        return a->byte < b->byte ? -1 : 1;
    return a->order < b->order ? -1 : 1;
}

/* Where a CAN id of the module section is written, for messages. */
static void add_id(struct id_entry *entries, uint32_t *count, uint32_t id, int byte, enum id_use use, uint32_t module,
                   struct def_place place)
{
    if (id == DEF_NO_ID)
        return;
    entries[*count] = (struct id_entry){id, byte, use, module, *count, place};
    (*count)++;
}

static void say_twice(struct load *load, const struct id_entry *first, const struct id_entry *second)
{
    bool wide = second->id & DEF_ID_29;
    char byte[40] = "";
    if (second->byte >= 0)
        snprintf(byte, sizeof byte, first->byte < 0 ? " (there without an address byte)" : " with byte 0x%02X",
                 (unsigned)second->byte);
    mistakes_add(&load->mistakes, SEVERITY_ERROR, second->place,
                 "the id 0x%0*X%s is %s of \"%.200s\" already (%s); an id has one meaning", wide ? 8 : 3,
                 (unsigned)(second->id & ~DEF_ID_29), byte, use_words[first->use],
                 load->definitions->modules[first->module].name, load_line(load, first->place, second->place.file));
}

/* An id of one meaning must not have another: an answer would be read as something it is not. Frames with address bytes
 * share an id and are told apart by them. */
static void check_ids(struct load *load)
{
    const struct definitions *definitions = load->definitions;
    size_t room = 0;
    uint32_t count = 0;
    for (uint32_t i = 0; i < definitions->module_count; i++)
        room += 3 + definitions->modules[i].broadcast_count;
    struct id_entry *entries = load_scratch(load, room, sizeof *entries);
    if (!entries)
        return;
    for (uint32_t i = 0; i < definitions->module_count; i++) {
        const struct def_module *module = &definitions->modules[i];
        const struct id_places *places = &load->id_places[i];
        bool bytes = module->format == ADDRESS_EXTENDED || module->format == ADDRESS_MIXED;
        add_id(entries, &count, module->request_id, bytes ? module->request_byte : -1, USE_REQUEST, i, places->request);
        add_id(entries, &count, module->response_id, bytes ? module->response_byte : -1, USE_RESPONSE, i,
               places->response);
        add_id(entries, &count, module->functional_id, bytes ? module->functional_byte : -1, USE_FUNCTIONAL, i,
               places->functional);
        for (uint32_t j = 0; j < module->broadcast_count; j++)
            add_id(entries, &count, module->broadcasts[j].id, -1, USE_BROADCAST, i, module->broadcasts[j].record.place);
    }
    qsort(entries, count, sizeof *entries, by_id);
    for (uint32_t i = 1, group = 0; i < count; i++) {
        const struct id_entry *first = &entries[i - 1], *second = &entries[i];
        if (first->id != second->id) {
            group = i;
            continue;
        }
        if (first->byte != second->byte) {
            first = &entries[group];
            if (first->byte >= 0)
                continue; /* told apart by their bytes */
        }
        if (first->use != USE_FUNCTIONAL ||
            second->use != USE_FUNCTIONAL) /* one functional id speaks to many modules */
            say_twice(load, first, second);
    }
}

void load_resolve(struct load *load)
{
    name_all(load);
    if (!load->no_memory)
        check_ids(load);
}
