/* Conditions, and the procedure as a whole (D 6.9, 7.3 to 7.5); single steps are in load_steps.c; see load.h. */
#include <stdio.h>
#include <string.h>

#include "load.h"
#include "load_steps.h"

/* A field of the record that text names, for someone who wrote "seat load" alone; NULL when there is none. */
static const char *field_below(const struct load *load, const char *text)
{
    size_t length = strlen(text);
    for (uint32_t i = 0; i < load->reference_count; i++) {
        const char *name = load->reference_list[i];
        if (strncmp(name, text, length) == 0 && name[length] == '.')
            return name;
    }
    return NULL;
}

uint32_t load_reference(struct load *load, const struct node *node, const char *what)
{
    if (!load_is(load, node, NODE_TEXT, what))
        return DEF_NONE;
    uint32_t index = names_find(&load->references, node->text);
    if (index != DEF_NONE || load->cut)
        return index; /* what is missing may stand behind a syntax error */
    const char *below = field_below(load, node->text);
    if (below)
        load_say(load, node, "%s: \"%.200s\" alone is no reading; name one of its fields, such as \"%.200s\"", what,
                 node->text, below);
    else
        load_say(load, node, "%s: there is no reading \"%.200s\"%s", what, node->text,
                 load_nearest(load, node->text, load->reference_list, load->reference_count));
    return DEF_NONE;
}

/* Words alone: a person states it. With a reading and limits or states the bus can vouch for it too (D 7.4). */
static void load_condition(struct load *load, const struct node *node)
{
    static const struct key_rule rules[] = {
        {"condition", KEY_REQUIRED},
        {"reading", KEY_OPTIONAL},
        {"between", KEY_OPTIONAL},
        {"is", KEY_OPTIONAL},
    };
    struct definitions *definitions = load->definitions;
    const struct node *found[KEY_COUNT(rules)];
    struct def_condition condition = {.reading = DEF_NONE, .place = load_place(node)};
    if (!load_map(load, node, "a condition", rules, KEY_COUNT(rules), found))
        return;
    if (found[0])
        condition.text = load_text(load, found[0], "a condition's words");
    for (uint32_t i = 0; condition.text && i < definitions->condition_count; i++)
        if (strcmp(definitions->conditions[i].text, condition.text) == 0)
            load_say(load, found[0], "this condition stands in line %u already; marks name it by its words",
                     definitions->conditions[i].place.line);
    if (!found[1] && (found[2] || found[3]))
        load_say(load, found[2] ? found[2]->key : found[3]->key, "this needs a \"reading\" to look at; add it");
    if (found[1]) {
        condition.reading = load_reference(load, found[1], "reading");
        if (!found[2] == !found[3] && !node->open)
            load_say(load, load_head(found[1]),
                     "a condition with a reading needs \"between\" or \"is\"%s; say which values are right",
                     found[2] ? ", not both" : "");
        const struct def_reading *reading =
            condition.reading == DEF_NONE ? NULL : &definitions->readings[condition.reading];
        bool good = reading != NULL;
        if (found[2])
            good &= load_limits(load, found[2], "between", reading, NULL, &condition.limits, NULL, NULL);
        if (found[3])
            good &= load_states(load, found[3], "is", condition.reading, &condition.is, &condition.is_count);
        if (!good)
            return;
    }
    if (condition.text)
        definitions->conditions[definitions->condition_count++] = condition;
}

void load_conditions(struct load *load)
{
    const struct node *list = load->conditions;
    if (!list || !load_is(load, list, NODE_LIST, "\"conditions\""))
        return;
    if (list->count > DEF_CONDITIONS_MAX) {
        load_say(load, list->key, "%u conditions are too many; at most %d", list->count, DEF_CONDITIONS_MAX);
        return;
    }
    load->definitions->conditions = load_keep(load, list->count, sizeof *load->definitions->conditions);
    for (const struct node *node = list->first; node && load->definitions->conditions; node = node->next)
        load_condition(load, node);
}

/* Rules between steps; `later` is the one that breaks them. */
static void compare_steps(struct load *load, const struct def_step *earlier, const struct def_step *later,
                          const struct node *node)
{
    if (strcmp(earlier->name, later->name) == 0)
        load_say(load, node, "the step in line %u has this name already; give each its own", earlier->place.line);
    if (earlier->opens_attempt && later->opens_attempt)
        load_say(load, node, "the step in line %u opens the attempt already; only one step does", earlier->place.line);
    /* D 7.5: the parts of two such steps are told apart by the later one's select alone. */
    if (earlier->kind == STEP_READING && later->kind == STEP_READING && earlier->reading == later->reading &&
        !later->has_above && !later->has_below)
        load_say(load, node,
                 "the step in line %u looks at this reading too; give the later one \"select\" (above, "
                 "below) to tell which values belong to it",
                 earlier->place.line);
    /* D 13. */
    if (earlier->kind == STEP_ACTION && later->kind == STEP_ACTION && earlier->action == later->action &&
        (earlier->opens_attempt || later->opens_attempt))
        load_say(load, node, "the step in line %u is about the opening action too; that action has one step",
                 earlier->place.line);
}

void load_procedure(struct load *load)
{
    const struct node *list = load->procedure;
    struct definitions *definitions = load->definitions;
    if (!list || !load_is(load, list, NODE_LIST, "\"procedure\""))
        return;
    if (list->count > DEF_STEPS_MAX) {
        load_say(load, list->key, "%u steps are too many; at most %d", list->count, DEF_STEPS_MAX);
        return;
    }
    definitions->steps = load_keep(load, list->count, sizeof *definitions->steps);
    for (const struct node *node = list->first; node && definitions->steps; node = node->next) {
        struct def_step step;
        if (!load_step(load, node, &step))
            continue;
        for (uint32_t i = 0; i < definitions->step_count; i++)
            compare_steps(load, &definitions->steps[i], &step, node);
        definitions->steps[definitions->step_count++] = step;
    }
}
