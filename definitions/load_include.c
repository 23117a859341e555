/*
 * `include` (D 6.8): sections that several files share. An included file has sections and nothing else; they count as
 * if they stood in the including file, so a number still stands once. It lies in the same folder and is named by its
 * name alone: a definition file from elsewhere cannot reach other files, and a job folder keeps all of them side by
 * side. See load.h.
 */
#include <stdio.h>
#include <string.h>

#include "load.h"

#define CHAIN_MAX 8 /* files that include one another */

#define SECTION_RULES                                                                                           \
    {"identifiers", KEY_OPTIONAL}, {"local identifiers", KEY_OPTIONAL}, {"identification", KEY_OPTIONAL},       \
        {"routines", KEY_OPTIONAL}, {"controls", KEY_OPTIONAL}, {"writes", KEY_OPTIONAL},                       \
        {"broadcasts", KEY_OPTIONAL}, {"codes", KEY_OPTIONAL}

/* Sections first, in the order of enum section. */
static const struct key_rule file_rules[] = {
    SECTION_RULES,
    {"taretrace", KEY_REQUIRED},
    {"include", KEY_OPTIONAL},
    {"module", KEY_REQUIRED},
    {"conditions", KEY_OPTIONAL},
    {"procedure", KEY_OPTIONAL},
};
static const struct key_rule included_rules[] = {SECTION_RULES, {"taretrace", KEY_REQUIRED}, {"include", KEY_OPTIONAL}};
enum { AT_VERSION = SECTIONS, AT_INCLUDE, AT_MODULE, AT_CONDITIONS, AT_PROCEDURE };

struct walk { /* over what one module's file includes */
    struct load *load;
    struct file_load *owner;
    bool *taken;               /* by file: its sections are there already */
    uint32_t chain[CHAIN_MAX]; /* files that are being walked, outermost first */
    uint32_t depth;
};

static void check_version(struct load *load, const struct node *node)
{
    uint64_t version;
    if (node && load_whole(load, node, "taretrace (the version of this language)", 0, UINT64_MAX, &version) &&
        version != 1)
        load_say(load, node, "version %.60s of the definition language is not known; write \"taretrace: 1\"",
                 node->text);
}

/* Adds a section's entries to those that are there. Nodes are copied: an alias may share what is below them. */
static void add_section(struct load *load, const struct node **merged, const struct node *section)
{
    if (!*merged) {
        *merged = section;
        return;
    }
    if (section->kind != NODE_MAP || (*merged)->kind != NODE_MAP) { /* let the kind be told where it is wrong */
        if (section->kind != NODE_MAP)
            load_say(load, load_head(section), "\"%s\" is no map of \"key: value\"; change it", section->key->text);
        return;
    }
    struct node *both = load_scratch(load, 1, sizeof *both);
    if (!both)
        return;
    *both = **merged;
    both->first = both->last = NULL;
    both->count = 0;
    both->open |= section->open;
    const struct node *parts[] = {*merged, section};
    for (size_t i = 0; i < 2; i++) {
        for (const struct node *value = parts[i]->first; value; value = value->next) {
            struct node *copy = load_scratch(load, 1, sizeof *copy);
            if (!copy)
                return;
            *copy = *value;
            copy->next = NULL;
            if (both->last)
                both->last->next = copy;
            else
                both->first = copy;
            both->last = copy;
            both->count++;
        }
    }
    *merged = both;
}

static void walk_includes(struct walk *walk, const struct node *list);

/* One entry: a file beside the one it stands in. */
static void include_one(struct walk *walk, const struct node *entry)
{
    struct load *load = walk->load;
    const char *name = load_text(load, entry, "the name of an included file");
    if (!name)
        return;
    if (strchr(name, '/') || strcmp(name, ".") == 0 || strcmp(name, "..") == 0) {
        load_say(load, entry, "an included file lies in the same folder; give its name alone, without \"/\"");
        return;
    }
    uint32_t file;
    if (!load_beside(load, entry, name, &file))
        return;
    for (uint32_t i = 0; i < walk->depth; i++) {
        if (walk->chain[i] == file) {
            load_say(load, entry, "\"%.200s\" includes itself%s, which would never end; take this away", name,
                     i + 1 == walk->depth ? "" : " through others");
            return;
        }
    }
    load->files[file].included = true;
    if (walk->taken[file])
        return; /* two ways lead to it: once is enough */
    walk->taken[file] = true;
    if (walk->depth == CHAIN_MAX) {
        load_say(load, entry, "files that include one another more than %d deep; include them side by side", CHAIN_MAX);
        return;
    }
    const struct node *found[KEY_COUNT(included_rules)], *root = load->files[file].root;
    if (!root || !load_map(load, root, "an included file", included_rules, KEY_COUNT(included_rules), found))
        return;
    check_version(load, found[AT_VERSION]);
    for (size_t i = 0; i < SECTIONS; i++)
        if (found[i])
            add_section(load, &walk->owner->sections[i], found[i]);
    walk->chain[walk->depth++] = file;
    if (found[AT_INCLUDE])
        walk_includes(walk, found[AT_INCLUDE]);
    walk->depth--;
}

static void walk_includes(struct walk *walk, const struct node *list)
{
    if (list->kind == NODE_TEXT && list->length > 0)
        load_say(walk->load, list, "include is a list; write [%.60s]", list->text);
    else if (load_is(walk->load, list, NODE_LIST, "include"))
        for (const struct node *entry = list->first; entry && !walk->load->no_memory; entry = entry->next)
            include_one(walk, entry);
}

void load_sections(struct load *load, uint32_t file)
{
    struct file_load *owner = &load->files[file];
    const struct node *found[KEY_COUNT(file_rules)];
    if (!owner->root || !load_map(load, owner->root, "a definition file", file_rules, KEY_COUNT(file_rules), found))
        return;
    check_version(load, found[AT_VERSION]);
    for (size_t i = 0; i < SECTIONS; i++)
        owner->sections[i] = found[i];
    owner->module = found[AT_MODULE];
    owner->conditions = found[AT_CONDITIONS];
    owner->procedure = found[AT_PROCEDURE];
    struct walk walk = {.load = load, .owner = owner, .chain = {file}, .depth = 1};
    walk.taken = load_scratch(load, load->file_room, sizeof *walk.taken);
    if (found[AT_INCLUDE] && walk.taken)
        walk_includes(&walk, found[AT_INCLUDE]);
}

bool load_describes_module(const struct node *root)
{
    if (!root || root->kind != NODE_MAP)
        return true; /* so that it is looked at and told */
    for (const struct node *value = root->first; value; value = value->next)
        if (strcmp(value->key->text, "module") == 0)
            return true;
    return false;
}
