/* Nodes to checked texts, maps and lists; see load.h. */
#include <stdio.h>
#include <string.h>

#include "../decoder/support/text.h"
#include "load.h"

#define LISTED_MAX     6   /* names that a message lists when none is near */
#define SUGGESTION_MAX 512 /* bytes: a full name has at most 2 * 200 + 20, and six lists 60 bytes each */

struct def_place load_place(const struct node *node)
{
    return (struct def_place){node->file, node->line, node->column};
}

/* A part of a message, kept until it is told; never NULL. */
static const char *keep_words(struct load *load, const char *text, size_t length)
{
    const char *copy = arena_text(&load->scratch, text, length);
    if (!copy)
        load->no_memory = true;
    return copy ? copy : "";
}

const char *load_line(struct load *load, struct def_place place, uint32_t file)
{
    char text[DEF_NAME_MAX + 32];
    int length = place.file == file ? snprintf(text, sizeof text, "line %u", place.line)
                                    : snprintf(text, sizeof text, "line %u of %.200s", place.line,
                                               load->definitions->files[place.file].name);
    return keep_words(load, text, (size_t)length);
}

const struct node *load_head(const struct node *node)
{
    return node->key ? node->key : node;
}

void load_say(struct load *load, const struct node *node, const char *format, ...)
{
    char text[1024];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    mistakes_add(&load->mistakes, SEVERITY_ERROR, load_place(node), "%s", text);
}

void load_warn(struct load *load, const struct node *node, const char *format, ...)
{
    char text[1024];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    mistakes_add(&load->mistakes, SEVERITY_WARNING, load_place(node), "%s", text);
}

static void *take(struct load *load, struct arena *arena, size_t count, size_t size)
{
    size_t bytes;
    void *piece = __builtin_mul_overflow(count, size, &bytes) ? NULL : arena_take(arena, bytes);
    if (!piece)
        load->no_memory = true;
    return piece;
}

void *load_keep(struct load *load, size_t count, size_t size)
{
    return take(load, &load->definitions->arena, count, size);
}

void *load_scratch(struct load *load, size_t count, size_t size)
{
    return take(load, &load->scratch, count, size);
}

/* The old array stays where it is until scratch goes, so pointers into it can still be read. */
bool load_grow(struct load *load, void **array, uint32_t *room, uint32_t need, size_t size)
{
    if (need <= *room)
        return true;
    uint32_t wide = *room ? *room : 16;
    while (wide < need)
        wide *= 2; /* bounded by DEF_NODES_MAX per file */
    void *fresh = load_scratch(load, wide, size);
    if (!fresh)
        return false;
    if (*room)
        memcpy(fresh, *array, *room * size);
    *array = fresh;
    *room = wide;
    return true;
}

const char *load_join(struct load *load, const char *a, const char *b, const char *c)
{
    size_t a_length = strlen(a), b_length = strlen(b), c_length = strlen(c);
    char *joined = load_keep(load, a_length + b_length + c_length + 1, 1);
    if (!joined)
        return NULL;
    memcpy(joined, a, a_length);
    memcpy(joined + a_length, b, b_length);
    memcpy(joined + a_length + b_length, c, c_length);
    return joined;
}

/* What stands there, as a person would call it. */
static const char *kind_word(const struct node *node)
{
    if (node->kind == NODE_LIST)
        return "a list";
    if (node->kind == NODE_MAP)
        return "a map";
    return node->length == 0 && node->plain ? "nothing" : "a text";
}

bool load_is(struct load *load, const struct node *node, enum node_kind kind, const char *what)
{
    static const char *const wanted[] = {"a text", "a list (\"[...]\" or lines that begin with \"- \")",
                                         "a map of \"key: value\""};
    if (node->bad)
        return false;
    if (node->kind == kind)
        return true;
    if (node->open)
        return false; /* never closed: what it is meant to be is not clear */
    const char *colon = node->kind == NODE_TEXT ? strchr(node->text, ':') : NULL;
    if (kind == NODE_MAP && colon && node->plain && colon[1] != '\0')
        load_say(load, node, "%s must be %s, not %s; a space is missing behind the colon", what, wanted[kind],
                 kind_word(node));
    else
        load_say(load, kind_word(node)[0] == 'n' ? load_head(node) : node, "%s must be %s, not %s; change it", what,
                 wanted[kind], kind_word(node));
    return false;
}

/* The name nearest to text, NULL when none is near. */
static const char *nearest_of(struct load *load, const char *text, const char *const *names, size_t count)
{
    size_t text_length = strlen(text);
    if (load->mistakes.more || text_length > DEF_NAME_MAX)
        return NULL;
    for (size_t i = 0; i < count; i++) {
        uint64_t cost = 16 + text_length * strlen(names[i]);
        if (load->nearest_budget < cost)
            return NULL;
        load->nearest_budget -= cost;
    }
    return diagnostics_nearest(text, names, count);
}

const char *load_nearest(struct load *load, const char *text, const char *const *names, size_t count)
{
    char out[SUGGESTION_MAX];
    int used = 0;
    const char *nearest = nearest_of(load, text, names, count);
    if (nearest) {
        used = snprintf(out, sizeof out, "; did you mean \"%.400s\"?", nearest);
    } else if (count == 0) {
        return "; there is none yet";
    } else {
        size_t shown = count <= LISTED_MAX ? count : LISTED_MAX;
        used = snprintf(out, sizeof out, "; there %s", count == 1 ? "is" : "are");
        for (size_t i = 0; i < shown; i++)
            used += snprintf(out + used, sizeof out - (size_t)used, "%s\"%.60s\"", i ? ", " : " ", names[i]);
        if (count > shown)
            used += snprintf(out + used, sizeof out - (size_t)used, " and %zu more", count - shown);
    }
    return keep_words(load, out, (size_t)used);
}

/* The rule whose key stands before a ':' in text ("byte:0"), so that only a space is missing. */
static const struct key_rule *glued_key(const char *text, const struct key_rule *rules, size_t count)
{
    const char *colon = strchr(text, ':');
    for (size_t i = 0; colon && i < count; i++)
        if (strlen(rules[i].key) == (size_t)(colon - text) && memcmp(text, rules[i].key, (size_t)(colon - text)) == 0)
            return &rules[i];
    return NULL;
}

/* Says why a key is not taken. Returns the rule that was probably meant, so that it is not called missing too; or NULL.
 */
static const struct key_rule *refuse_key(struct load *load, const struct node *map, const struct node *value,
                                         const char *what, const struct key_rule *rules, size_t count)
{
    const struct node *key = value->key;
    /* In {...} a text ends at a comma, and what is behind it then looks like a key with no value. */
    bool bare = map->flow && value->kind == NODE_TEXT && value->length == 0 && value->plain && key->plain;
    const struct key_rule *glued = bare ? glued_key(key->text, rules, count) : NULL;
    if (glued) {
        load_say(load, key, "\"%.60s\" is one text; a space is missing behind the colon", key->text);
        return glued;
    }
    if (bare && value->key != map->first->key && key->text[0] >= '0' && key->text[0] <= '9') {
        load_say(load, key,
                 "a comma ends the number here, so \"%.60s\" is a key without a value; the decimal sign is a point",
                 key->text);
        return NULL;
    }
    if (bare && value->key != map->first->key) {
        load_say(load, key, "a comma ends the text here, so \"%.60s\" is a key without a value; put the text in quotes",
                 key->text);
        return NULL;
    }
    const char **names = load_scratch(load, count, sizeof *names);
    if (!names)
        return NULL;
    for (size_t i = 0; i < count; i++)
        names[i] = rules[i].key;
    const char *nearest = nearest_of(load, key->text, names, count);
    if (nearest) {
        load_say(load, key, "%s has no key \"%.60s\"; did you mean \"%s\"?", what, key->text, nearest);
        for (size_t i = 0; i < count; i++)
            if (rules[i].key == nearest)
                return &rules[i];
    }
    char list[512];
    size_t used = 0;
    list[0] = '\0';
    for (size_t i = 0; i < count; i++)
        if (used < sizeof list - 1)
            used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", used ? ", " : "", rules[i].key);
    load_say(load, key, "%s has no key \"%.60s\"; its keys are: %s", what, key->text, list);
    return NULL;
}

bool load_map(struct load *load, const struct node *node, const char *what, const struct key_rule *rules,
              size_t rule_count, const struct node **found)
{
    memset(found, 0, rule_count * sizeof *found);
    if (!load_is(load, node, NODE_MAP, what))
        return false;
    uint64_t given = 0; /* by rule: there in some form, so not missing; no table has 64 rules */
    for (const struct node *value = node->first; value; value = value->next) {
        size_t i = 0;
        while (i < rule_count && strcmp(rules[i].key, value->key->text) != 0)
            i++;
        const struct key_rule *rule =
            i < rule_count ? &rules[i] : refuse_key(load, node, value, what, rules, rule_count);
        if (rule)
            given |= UINT64_C(1) << (rule - rules);
        if (i == rule_count || value->bad)
            continue;
        if (value->kind == NODE_TEXT && value->length == 0 && value->plain)
            load_say(load, value->key, "\"%s\" has no value; give it one or take it away", rules[i].key);
        else
            found[i] = value;
    }
    for (size_t i = 0; i < rule_count && !node->open; i++)
        if (rules[i].state == KEY_REQUIRED && !(given >> i & 1))
            load_say(load, load_head(node), "%s needs \"%s\"; add it", what, rules[i].key);
    return true;
}

const char *load_text(struct load *load, const struct node *node, const char *what)
{
    if (!load_is(load, node, NODE_TEXT, what))
        return NULL;
    const char *why = NULL;
    if (node->length == 0)
        why = "is empty; give it 1 to 200 bytes";
    else if (node->length > DEF_NAME_MAX)
        why = "is longer than 200 bytes; shorten it";
    else if (!text_is_clean(node->text, node->length))
        why = "has a control character in it; take it out";
    if (why) {
        load_say(load, node, "%s %s", what, why);
        return NULL;
    }
    const char *text = arena_text(&load->definitions->arena, node->text, node->length);
    if (!text)
        load->no_memory = true;
    return text;
}

bool load_word(struct load *load, const struct node *node, const char *what, const char *const *words, size_t count,
               size_t *index)
{
    if (!load_is(load, node, NODE_TEXT, what))
        return false;
    for (size_t i = 0; i < count; i++) {
        if (strcmp(words[i], node->text) == 0) {
            *index = i;
            return true;
        }
    }
    char list[256];
    size_t used = 0;
    for (size_t i = 0; i < count && used < sizeof list; i++)
        used += (size_t)snprintf(list + used, sizeof list - used, "%s%s",
                                 i == 0           ? ""
                                 : i + 1 == count ? " or "
                                                  : ", ",
                                 words[i]);
    const char *nearest = nearest_of(load, node->text, words, count);
    if (nearest)
        load_say(load, node, "%s cannot be \"%.60s\"; did you mean \"%s\"?", what, node->text, nearest);
    else
        load_say(load, node, "%s cannot be \"%.60s\"; write %s", what, node->text, list);
    return false;
}

bool load_yes_no(struct load *load, const struct node *node, const char *what, bool *answer)
{
    static const char *const words[] = {"no", "yes"};
    size_t index;
    if (!load_word(load, node, what, words, 2, &index))
        return false;
    *answer = index == 1;
    return true;
}

bool load_texts(struct load *load, const struct node *node, const char *what, const char ***texts, uint32_t *count)
{
    *count = 0;
    if (node->kind == NODE_TEXT && node->length > 0) {
        load_say(load, node, "%s is a list; write [%.60s]", what, node->text);
        return false;
    }
    if (!load_is(load, node, NODE_LIST, what))
        return false;
    if (node->count == 0 && !node->open)
        load_say(load, node, "%s is an empty list; it needs at least one entry", what);
    *texts = load_keep(load, node->count, sizeof **texts);
    for (const struct node *entry = node->first; entry && *texts; entry = entry->next) {
        const char *text = load_text(load, entry, what);
        if (text)
            (*texts)[(*count)++] = text;
    }
    return *texts && *count == node->count && *count > 0;
}
