/* See yaml_tree.h. libyaml's events are read with a stack of our own, so depth costs no recursion. */
#include "yaml_tree.h"

#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#include "loader.h"
#include "yaml_syntax.h"

#define BYTE_ORDER_MARK "\xEF\xBB\xBF" /* U+FEFF as UTF-8 */
#define ANCHORS_MAX     1000           /* they are looked up one by one */

struct level { /* an open list or map */
    struct node *node;
    struct node *key;   /* MAP: read, its value not yet */
    const char *anchor; /* named when the node is complete: inside itself it is unknown */
};

struct anchor {
    const char *name;
    const struct node *node;
};

struct builder {
    struct mistakes *mistakes;
    struct arena *arena;
    uint32_t file;
    struct level levels[DEF_DEPTH_MAX];
    uint32_t depth; /* levels in use */
    uint32_t nodes; /* so far, aliases counted as what they stand for */
    struct anchor anchors[ANCHORS_MAX];
    uint32_t anchor_count;
    struct node *root;
    bool stop; /* read no more */
    bool drop; /* and look at nothing: what is there is no honest file */
    bool no_memory;
};

static struct def_place place_of(const struct builder *builder, yaml_mark_t mark)
{
    return (struct def_place){builder->file, (uint32_t)mark.line + 1, (uint32_t)mark.column + 1};
}

static struct def_place node_place(const struct builder *builder, const struct node *node)
{
    return (struct def_place){builder->file, node->line, node->column};
}

/* A cap was passed: one line, and nothing of the file is looked at. */
static void give_up(struct builder *builder, struct def_place place, const char *why)
{
    mistakes_add(builder->mistakes, SEVERITY_ERROR, place, "%s", why);
    builder->stop = builder->drop = true;
}

static struct node *new_node(struct builder *builder, enum node_kind kind, yaml_mark_t mark)
{
    if (builder->nodes >= DEF_NODES_MAX) {
        give_up(builder, place_of(builder, mark), "the file has more than 200000 nodes; split it");
        return NULL;
    }
    builder->nodes++;
    struct node *node = arena_take(builder->arena, sizeof *node);
    if (!node) {
        builder->stop = builder->no_memory = true;
        return NULL;
    }
    node->kind = kind;
    node->file = builder->file;
    node->line = (uint32_t)mark.line + 1;
    node->column = (uint32_t)mark.column + 1;
    node->size = node->height = 1;
    return node;
}

static void name_anchor(struct builder *builder, const char *name, const struct node *node)
{
    for (uint32_t i = 0; i < builder->anchor_count; i++) {
        if (strcmp(builder->anchors[i].name, name) == 0) {
            builder->anchors[i].node = node; /* YAML 1.1, 7.1.3: the last one counts */
            return;
        }
    }
    if (builder->anchor_count == ANCHORS_MAX) {
        give_up(builder, node_place(builder, node), "the file has more than 1000 anchors; use fewer");
        return;
    }
    builder->anchors[builder->anchor_count++] = (struct anchor){name, node};
}

struct sorted_key {
    struct node *value;
    uint32_t order;
};

static int by_key(const void *left, const void *right)
{
    const struct sorted_key *a = left, *b = right;
    uint32_t shorter = a->value->key->length < b->value->key->length ? a->value->key->length : b->value->key->length;
    int order = memcmp(a->value->key->text, b->value->key->text, shorter);
    if (order == 0 && a->value->key->length != b->value->key->length)
        order = a->value->key->length < b->value->key->length ? -1 : 1;
    return order ? order : a->order < b->order ? -1 : 1;
}

static bool same_key(const struct node *a, const struct node *b)
{
    return a->key->length == b->key->length && memcmp(a->key->text, b->key->text, a->key->length) == 0;
}

/* Takes values out whose key stands in the map before; sorted, since a hostile map can have 100,000 keys. */
static void refuse_twins(struct builder *builder, struct node *map)
{
    if (map->count < 2)
        return;
    struct sorted_key *keys = malloc(map->count * sizeof *keys);
    if (!keys) {
        builder->stop = builder->no_memory = true;
        return;
    }
    uint32_t count = 0;
    for (struct node *value = map->first; value; value = value->next, count++)
        keys[count] = (struct sorted_key){value, count};
    qsort(keys, count, sizeof *keys, by_key);
    const struct node *first = keys[0].value;
    for (uint32_t i = 1; i < count; i++) {
        struct node *value = keys[i].value;
        if (!same_key(first, value)) {
            first = value;
            continue;
        }
        mistakes_add(builder->mistakes, SEVERITY_ERROR, node_place(builder, value->key),
                     "the key \"%.60s\" stands in line %u already; take one away", value->key->text, first->key->line);
        value->twin = true; /* taken out below */
    }
    struct node **link = &map->first;
    map->last = NULL;
    while (*link) {
        if ((*link)->twin) {
            *link = (*link)->next;
            map->count--;
            continue;
        }
        map->last = *link;
        link = &(*link)->next;
    }
    free(keys);
}

/* Size and height count what an alias would repeat. */
static void grow(struct node *parent, const struct node *child)
{
    parent->size += child->size; /* both below DEF_NODES_MAX */
    if (child->height >= parent->height)
        parent->height = child->height + 1;
}

/* Puts a complete node where it belongs: as a list's entry, a map's key or a map's value. */
static void attach(struct builder *builder, struct node *node)
{
    if (builder->stop && builder->drop)
        return;
    if (builder->depth == 0) {
        builder->root = node;
        return;
    }
    struct level *level = &builder->levels[builder->depth - 1];
    struct node *parent = level->node;
    grow(parent, node);
    if (parent->kind == NODE_MAP && !level->key) {
        level->key = node;
        if (node->kind != NODE_TEXT)
            mistakes_add(builder->mistakes, SEVERITY_ERROR, node_place(builder, node),
                         "a key is a text, not a %s; put it in quotes", node->kind == NODE_LIST ? "list" : "map");
        return;
    }
    if (parent->kind == NODE_MAP) {
        node->key = level->key;
        level->key = NULL;
        if (node->key->kind != NODE_TEXT)
            return;
    }
    if (parent->last)
        parent->last->next = node;
    else
        parent->first = node;
    parent->last = node;
    parent->count++;
}

static void refuse_tag(struct builder *builder, const yaml_char_t *tag, yaml_mark_t mark)
{
    if (tag)
        mistakes_add(builder->mistakes, SEVERITY_ERROR, place_of(builder, mark),
                     "the tag \"%.60s\": every value is text here; take the tag away, or put the text in quotes",
                     (const char *)tag);
}

/* libyaml frees its texts with the event. */
static const char *keep(struct builder *builder, const yaml_char_t *text, size_t length)
{
    if (!text)
        return NULL;
    const char *copy = arena_text(builder->arena, (const char *)text, length);
    if (!copy)
        builder->stop = builder->no_memory = true;
    return copy;
}

static const char *keep_name(struct builder *builder, const yaml_char_t *name)
{
    return keep(builder, name, name ? strlen((const char *)name) : 0);
}

static void on_text(struct builder *builder, const yaml_event_t *event)
{
    refuse_tag(builder, event->data.scalar.tag, event->start_mark);
    struct node *node = new_node(builder, NODE_TEXT, event->start_mark);
    if (!node)
        return;
    node->plain = event->data.scalar.style == YAML_PLAIN_SCALAR_STYLE;
    node->folded = event->start_mark.line != event->end_mark.line;
    node->text = keep(builder, event->data.scalar.value, event->data.scalar.length);
    node->length = (uint32_t)event->data.scalar.length;
    const char *anchor = keep_name(builder, event->data.scalar.anchor);
    if (builder->no_memory)
        return;
    size_t before_nul = strlen(node->text);
    if (before_nul < node->length) { /* later looks may stop at a NUL, so none gets past here */
        mistakes_add(builder->mistakes, SEVERITY_ERROR, node_place(builder, node),
                     "a NUL character in a text; take it out");
        node->length = (uint32_t)before_nul;
        node->bad = true;
    }
    if (anchor)
        name_anchor(builder, anchor, node);
    attach(builder, node);
}

static void on_open(struct builder *builder, enum node_kind kind, bool flow, const yaml_char_t *tag,
                    const yaml_char_t *anchor, yaml_mark_t mark)
{
    refuse_tag(builder, tag, mark);
    if (builder->depth == DEF_DEPTH_MAX) {
        give_up(builder, place_of(builder, mark),
                "lists and maps more than 32 deep; a definition file needs fewer than ten");
        return;
    }
    struct node *node = new_node(builder, kind, mark);
    if (!node)
        return;
    node->flow = flow;
    node->open = true;
    builder->levels[builder->depth++] = (struct level){node, NULL, keep_name(builder, anchor)};
}

static void on_close(struct builder *builder)
{
    if (builder->depth == 0)
        return;
    struct level *level = &builder->levels[--builder->depth];
    level->node->open = false;
    if (level->node->kind == NODE_MAP)
        refuse_twins(builder, level->node);
    if (level->anchor)
        name_anchor(builder, level->anchor, level->node);
    attach(builder, level->node);
}

/* A copy of the target's node that shares what is below it: the cost of an alias is one node, its price all of them. */
static void on_alias(struct builder *builder, const yaml_event_t *event)
{
    const char *name = (const char *)event->data.alias.anchor;
    const struct node *target = NULL;
    for (uint32_t i = 0; i < builder->anchor_count && !target; i++)
        if (strcmp(builder->anchors[i].name, name) == 0)
            target = builder->anchors[i].node;
    struct node *node = new_node(builder, NODE_TEXT, event->start_mark);
    if (!node)
        return;
    if (!target) {
        bool inside = false;
        for (uint32_t i = 0; i < builder->depth; i++)
            inside |= builder->levels[i].anchor && strcmp(builder->levels[i].anchor, name) == 0;
        mistakes_add(builder->mistakes, SEVERITY_ERROR, place_of(builder, event->start_mark), "the alias *%.60s %s",
                     name,
                     inside ? "stands inside what it means, which would never end; take it away"
                            : "has no anchor of that name above it; put a text that begins with * in quotes");
        node->text = "";
        node->bad = true;
    } else {
        /* One node is counted already. */
        if (target->size - 1 > DEF_NODES_MAX - builder->nodes) {
            give_up(builder, place_of(builder, event->start_mark),
                    "the file has more than 200000 nodes, aliases counted each time they are used; use fewer");
            return;
        }
        if (builder->depth + target->height > DEF_DEPTH_MAX) {
            give_up(builder, place_of(builder, event->start_mark),
                    "lists and maps more than 32 deep, through an alias; a definition file needs fewer than ten");
            return;
        }
        builder->nodes += target->size - 1;
        uint32_t line = node->line, column = node->column;
        *node = *target;
        node->line = line;
        node->column = column;
        node->next = NULL;
        node->key = NULL;
    }
    attach(builder, node);
}

static void on_event(struct builder *builder, const yaml_event_t *event)
{
    switch (event->type) {
    case YAML_DOCUMENT_START_EVENT:
        if (builder->root) {
            mistakes_add(builder->mistakes, SEVERITY_ERROR, place_of(builder, event->start_mark),
                         "a second YAML document begins here; a file holds one module");
            builder->stop = true;
        }
        break;
    case YAML_SCALAR_EVENT: on_text(builder, event); break;
    case YAML_SEQUENCE_START_EVENT:
        on_open(builder, NODE_LIST, event->data.sequence_start.style == YAML_FLOW_SEQUENCE_STYLE,
                event->data.sequence_start.tag, event->data.sequence_start.anchor, event->start_mark);
        break;
    case YAML_MAPPING_START_EVENT:
        on_open(builder, NODE_MAP, event->data.mapping_start.style == YAML_FLOW_MAPPING_STYLE,
                event->data.mapping_start.tag, event->data.mapping_start.anchor, event->start_mark);
        break;
    case YAML_SEQUENCE_END_EVENT:
    case YAML_MAPPING_END_EVENT: on_close(builder); break;
    case YAML_ALIAS_EVENT: on_alias(builder, event); break;
    case YAML_STREAM_END_EVENT: builder->stop = true; break;
    default: break;
    }
}

/* Closes what a syntax error left open, innermost first, so that the part before it can still be checked. */
static void close_rest(struct builder *builder)
{
    while (builder->depth > 0 && !builder->drop && !builder->no_memory) {
        struct level *level = &builder->levels[--builder->depth];
        if (level->node->kind == NODE_MAP)
            refuse_twins(builder, level->node);
        attach(builder, level->node);
    }
}

/*
 * A syntax error often lies a little before the place where the parser notices: then the last block list or map ended
 * too early, or the last text in braces swallowed the next line. What they lack or hold is no mistake of its own.
 */
static void doubt_last(struct node *node)
{
    while (node && node->kind != NODE_TEXT) {
        if (!node->flow)
            node->open = true;
        if (node->flow && node->open && node->last && node->last->kind == NODE_TEXT && node->last->folded &&
            node->last->plain)
            node->last->bad = true;
        node = node->last;
    }
}

/* libyaml compares each %TAG line with all before it, so many of them would never end; tags are refused anyway. */
static bool tag_directive(struct mistakes *mistakes, uint32_t file)
{
    const struct def_file *bytes = &mistakes->files[file];
    uint32_t line = 1;
    for (size_t at = 0; at + 4 <= bytes->length; line++) {
        if (memcmp(bytes->bytes + at, "%TAG", 4) == 0) {
            mistakes_add(mistakes, SEVERITY_ERROR, (struct def_place){file, line, 1},
                         "tags are not used here: every value is text; take this line away");
            return true;
        }
        const char *next = memchr(bytes->bytes + at, '\n', bytes->length - at);
        if (!next)
            break;
        at = (size_t)(next - bytes->bytes) + 1;
    }
    return false;
}

static bool wrong_encoding(struct mistakes *mistakes, uint32_t file)
{
    const struct def_file *bytes = &mistakes->files[file];
    struct def_place whole = {file, 0, 0};
    const uint8_t *b = (const uint8_t *)bytes->bytes;
    if (bytes->length >= 2 && ((b[0] == 0xFF && b[1] == 0xFE) || (b[0] == 0xFE && b[1] == 0xFF) ||
                               (b[0] == 0 && b[1] != 0) || (b[0] != 0 && b[1] == 0))) {
        mistakes_add(mistakes, SEVERITY_ERROR, whole, "this is UTF-16, or no text at all; save it as UTF-8");
        return true;
    }
    if (bytes->length >= 3 && memcmp(b, BYTE_ORDER_MARK, 3) == 0)
        mistakes_add(mistakes, SEVERITY_WARNING, whole,
                     "the file begins with a byte-order mark; it is read all the same; save it as UTF-8 without one");
    return false;
}

bool tree_read(struct mistakes *mistakes, uint32_t file, struct arena *arena, struct node **root, bool *cut)
{
    *root = NULL;
    *cut = true;
    if (wrong_encoding(mistakes, file) || tag_directive(mistakes, file))
        return true;
    struct builder *builder = arena_take(arena, sizeof *builder);
    yaml_parser_t parser;
    if (!builder || !yaml_parser_initialize(&parser))
        return false;
    builder->mistakes = mistakes;
    builder->arena = arena;
    builder->file = file;
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    const struct def_file *bytes = &mistakes->files[file];
    size_t skip = bytes->length >= 3 && memcmp(bytes->bytes, BYTE_ORDER_MARK, 3) == 0 ? 3 : 0;
    yaml_parser_set_input_string(&parser, (const unsigned char *)bytes->bytes + skip, bytes->length - skip);
    bool broken = false;
    while (!builder->stop) {
        yaml_event_t event;
        if (!yaml_parser_parse(&parser, &event)) {
            broken = true;
            if (parser.error == YAML_MEMORY_ERROR)
                builder->no_memory = true;
            else
                yaml_syntax_explain(mistakes, file, &parser);
            break;
        }
        on_event(builder, &event);
        yaml_event_delete(&event);
    }
    yaml_parser_delete(&parser);
    close_rest(builder);
    if (broken)
        doubt_last(builder->root);
    *root = builder->drop ? NULL : builder->root;
    *cut = broken || builder->drop;
    if (!*root && !*cut)
        mistakes_add(mistakes, SEVERITY_ERROR, (struct def_place){file, 0, 0},
                     "the file is empty; a definition file begins with \"taretrace: 1\"");
    return !builder->no_memory;
}
