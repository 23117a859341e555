/* See load_steps.h. A step is of one kind, told by the one key of its kind; the kind says which other keys belong to
 * it. */
#include "load_steps.h"

#include <stdio.h>
#include <string.h>

#define FOR_MOST     (60 * TT_SECOND)              /* D 7.6 */
#define GAP_DEFAULT  (2 * TT_SECOND + 500 * TT_MS) /* D 7.6 */
#define WAIT_DEFAULT (30 * TT_SECOND)              /* D 7.8 */

enum step_key {
    KEY_READING,
    KEY_ACTION,
    KEY_ANSWERED,
    KEY_CODES,
    KEY_IDENTITY,
    KEY_RECORD, /* in the order of enum step_kind */
    KINDS,
    KEY_STEP = KINDS,
    KEY_OPENS,
    KEY_STEADY,
    KEY_BETWEEN,
    KEY_IS,
    KEY_GUARD,
    KEY_SELECT,
    KEY_APPLIED,
    KEY_MARK,
    KEY_WAIT,
    KEY_OUTCOME,
    KEY_MODULE,
    KEYS
};
static const struct key_rule rules[KEYS] = {
    {"reading", KEY_OPTIONAL},  {"action", KEY_OPTIONAL},  {"answered", KEY_OPTIONAL}, {"codes", KEY_OPTIONAL},
    {"identity", KEY_OPTIONAL}, {"record", KEY_OPTIONAL},  {"step", KEY_REQUIRED},     {"opens attempt", KEY_OPTIONAL},
    {"steady", KEY_OPTIONAL},   {"between", KEY_OPTIONAL}, {"is", KEY_OPTIONAL},       {"guard", KEY_OPTIONAL},
    {"select", KEY_OPTIONAL},   {"applied", KEY_OPTIONAL}, {"mark", KEY_OPTIONAL},     {"wait", KEY_OPTIONAL},
    {"outcome", KEY_OPTIONAL},  {"module", KEY_OPTIONAL},
};
static const enum step_kind kinds[KINDS] = {STEP_READING, STEP_ACTION,   STEP_ANSWERED,
                                            STEP_CODES,   STEP_IDENTITY, STEP_RECORD};

/* Other keys than the common ones, by kind: a key that a kind would not use is a mistake, never silently nothing. */
#define BIT(key) (1u << (key))
static const unsigned belongs[KINDS] = {
    [KEY_READING] = BIT(KEY_STEADY) | BIT(KEY_BETWEEN) | BIT(KEY_IS) | BIT(KEY_GUARD) | BIT(KEY_SELECT) |
                    BIT(KEY_APPLIED) | BIT(KEY_MARK) | BIT(KEY_WAIT),
    [KEY_ACTION] = BIT(KEY_OPENS) | BIT(KEY_OUTCOME),
    [KEY_ANSWERED] = BIT(KEY_MODULE),
    [KEY_CODES] = BIT(KEY_MODULE),
    [KEY_IDENTITY] = 0,
    [KEY_RECORD] = BIT(KEY_MODULE),
};

/* with_limits: the step has "between"; with_states: it has "is". */
static bool load_steady(struct load *load, const struct node *node, bool with_limits, bool with_states,
                        const struct def_reading *reading, struct def_step *step)
{
    static const struct key_rule steady[] = {{"for", KEY_REQUIRED}, {"within", KEY_OPTIONAL}, {"gap", KEY_OPTIONAL}};
    const struct node *found[KEY_COUNT(steady)];
    if (!load_map(load, node, "\"steady\"", steady, KEY_COUNT(steady), found))
        return false;
    bool good = true;
    step->has_steady = true;
    if (found[0] && load_time(load, found[0], "for", &step->steady_for)) {
        if (step->steady_for > FOR_MOST) {
            load_say(load, found[0], "\"for\" is more than 60 s; ask for at most that");
            good = false;
        }
    } else {
        good = false;
    }
    if (found[2]) {
        good &= load_time(load, found[2], "gap", &step->steady_gap);
        if (good && step->steady_gap == 0) {
            load_say(load, found[2], "a gap of 0 lets no second sample in; leave it away for 2.5 s");
            good = false;
        }
    }
    if (found[1] && with_states && !with_limits) {
        load_say(load, found[1]->key, "\"within\" goes with \"between\", and this step has \"is\"; take it away");
        return false;
    }
    if (!found[1] && with_limits && !node->open) {
        load_say(load, load_head(node), "\"steady\" needs \"within\"; say how far the values may lie apart");
        return false;
    }
    struct ratio converted, scaled;
    if (!found[1])
        return good;
    if (!load_in_unit(load, found[1], "within", reading, &step->within, &step->within_unit, &converted) ||
        !load_scaled(load, found[1], reading, converted, &scaled))
        return false;
    if (converted.numerator < 0) {
        load_say(load, found[1], "\"within\" is negative; it is the full width of the values");
        return false;
    }
    step->within = converted;
    step->within_n = ratio_floor(scaled);
    return good;
}

/* Which stretches belong to the step. */
static bool load_select(struct load *load, const struct node *node, const struct def_reading *reading,
                        struct def_step *step)
{
    static const struct key_rule select[] = {{"above", KEY_OPTIONAL}, {"below", KEY_OPTIONAL}};
    const struct node *found[2];
    const char *units[2] = {NULL, NULL};
    struct ratio converted[2], scaled;
    bool good = true;
    if (!load_map(load, node, "\"select\"", select, 2, found))
        return false;
    if (reading && reading->kind != READING_NUMBER) {
        load_say(load, load_head(node), "\"select\" needs a number, and \"%.200s\" is none; take it away",
                 reading->name);
        return false;
    }
    if (!found[0] && !found[1]) {
        if (!node->open)
            load_say(load, load_head(node), "\"select\" needs \"above\" or \"below\"; add one");
        return false;
    }
    /* Both are strict (D 7.8): the thresholds are the nearest numerators that meet them. */
    if (found[0]) {
        good &= load_in_unit(load, found[0], "above", reading, &step->above, &units[0], &converted[0]) &&
                load_scaled(load, found[0], reading, converted[0], &scaled);
        if (good) {
            step->has_above = true;
            step->above_n = ratio_floor(scaled) + 1;
        }
    }
    if (found[1]) {
        bool second = load_in_unit(load, found[1], "below", reading, &step->below, &units[1], &converted[1]) &&
                      load_scaled(load, found[1], reading, converted[1], &scaled);
        if (second) {
            step->has_below = true;
            step->below_n = ratio_ceiling(scaled) - 1;
        }
        good &= second;
    }
    step->select_unit = units[0] ? units[0] : units[1];
    if (!good || !found[0] || !found[1])
        return good;
    if (strcmp(units[0], units[1]) != 0) {
        load_say(load, found[1], "\"above\" is in %s and \"below\" in %s; use one unit", units[0], units[1]);
        return false;
    }
    if (reading && step->above_n > step->below_n) {
        load_say(load, load_head(node), "no value can be above %.60s and below %.60s; change one", found[0]->text,
                 found[1]->text);
        return false;
    }
    return true;
}

/* Everything is checked before it gives up, even where the reading is unknown (D 6.2). */
static bool load_reading_step(struct load *load, const struct node *node, const struct node *const *found,
                              struct def_step *step)
{
    bool good = true;
    if (!found[KEY_BETWEEN] == !found[KEY_IS]) {
        if (!node->open)
            load_say(load, load_head(found[KEY_READING]),
                     "a step with a reading needs \"between\" or \"is\"%s; say which values are right",
                     found[KEY_IS] ? ", not both" : "");
        good = false;
    }
    if (found[KEY_BETWEEN] && !found[KEY_STEADY] && !node->open) {
        load_say(load, load_head(found[KEY_BETWEEN]),
                 "\"between\" needs \"steady\"; add one, such as {for: 2 s, within: 0.2 kg}");
        good = false;
    }
    if (found[KEY_GUARD] && !found[KEY_BETWEEN]) {
        load_say(load, load_head(found[KEY_GUARD]), "\"guard\" goes with \"between\"; take it away");
        good = false;
    }
    if (found[KEY_WAIT] && !found[KEY_MARK]) {
        load_say(load, load_head(found[KEY_WAIT]),
                 "\"wait\" counts from the moment of \"mark\"; add that or take this away");
        good = false;
    }
    if (found[KEY_APPLIED]) {
        struct ratio weight;
        const char *unit;
        good &= load_quantity(load, found[KEY_APPLIED], "applied", &weight, &unit);
        step->applied = load_text(load, found[KEY_APPLIED], "applied");
    }
    if (found[KEY_MARK])
        good &= (step->mark = load_text(load, found[KEY_MARK], "mark")) != NULL;
    if (found[KEY_WAIT])
        good &= load_time(load, found[KEY_WAIT], "wait", &step->wait);

    step->reading = load_reference(load, found[KEY_READING], "reading");
    const struct def_reading *reading = step->reading == DEF_NONE ? NULL : &load->definitions->readings[step->reading];
    if (reading)
        step->module = reading->module;
    if (found[KEY_BETWEEN]) {
        step->has_between = true;
        step->has_guard = found[KEY_GUARD] != NULL;
        good &= load_limits(load, found[KEY_BETWEEN], "between", reading, found[KEY_GUARD], &step->limits, &step->guard,
                            &step->guard_unit);
    }
    if (found[KEY_IS])
        good &= load_states(load, found[KEY_IS], "is", step->reading, &step->is, &step->is_count);
    if (found[KEY_STEADY])
        good &= load_steady(load, found[KEY_STEADY], found[KEY_BETWEEN] != NULL, found[KEY_IS] != NULL, reading, step);
    if (found[KEY_SELECT])
        good &= load_select(load, found[KEY_SELECT], reading, step);
    (void)good; /* told; the step can still be compared with others */
    return reading != NULL;
}

static bool load_action_step(struct load *load, const struct node *const *found, struct def_step *step)
{
    if (!load_is(load, found[KEY_ACTION], NODE_TEXT, "action"))
        return false;
    const char *text = found[KEY_ACTION]->text;
    step->action = names_find(&load->actions, text);
    if (step->action == DEF_NONE) {
        if (!load->cut)
            load_say(load, found[KEY_ACTION], "there is no action \"%.200s\"%s", text,
                     load_nearest(load, text, load->action_list, load->action_count));
        return false;
    }
    step->module = load->definitions->actions[step->action].module;
    if (found[KEY_OUTCOME] && !load_outcome(load, found[KEY_OUTCOME], step))
        step->outcome = DEF_NONE;
    return true;
}

/* Any kind of reading: an identity may be text, bytes or a number. */
static bool load_identity_step(struct load *load, const struct node *node, struct def_step *step)
{
    static const struct key_rule identity[] = {{"reading", KEY_REQUIRED}, {"equals mark", KEY_REQUIRED}};
    const struct node *found[2];
    if (!load_map(load, node, "\"identity\"", identity, 2, found) || !found[0] || !found[1])
        return false;
    step->equals_mark = load_text(load, found[1], "equals mark");
    step->reading = load_reference(load, found[0], "reading");
    if (step->reading == DEF_NONE || !step->equals_mark)
        return false;
    step->module = load->definitions->readings[step->reading].module;
    return true;
}

static void load_module_of_step(struct load *load, const struct node *node, struct def_step *step)
{
    const struct definitions *definitions = load->definitions;
    if (!load_is(load, node, NODE_TEXT, "module"))
        return;
    const char **names = load_scratch(load, definitions->module_count, sizeof *names);
    for (uint32_t i = 0; names && i < definitions->module_count; i++) {
        names[i] = definitions->modules[i].name;
        if (strcmp(names[i], node->text) == 0) {
            step->module = i;
            return;
        }
    }
    if (names && !load->cut)
        load_say(load, node, "no file given describes a module \"%.200s\"%s", node->text,
                 load_nearest(load, node->text, names, definitions->module_count));
}

/* The one key that says what kind of step this is; KINDS when that is not clear. */
static size_t find_kind(struct load *load, const struct node *node, const struct node *const *found)
{
    size_t kind = KINDS;
    for (size_t i = 0; i < KINDS; i++) {
        if (!found[i])
            continue;
        if (kind != KINDS) {
            load_say(load, found[i]->key, "a step is about one thing, not \"%s\" and \"%s\"; make two steps of it",
                     rules[kind].key, rules[i].key);
            return KINDS;
        }
        kind = i;
    }
    bool empty = false; /* a key without value is told already */
    for (const struct node *value = node->first; value && kind == KINDS; value = value->next)
        for (size_t i = 0; i < KINDS; i++)
            empty |= strcmp(value->key->text, rules[i].key) == 0;
    if (kind == KINDS && !node->open && !empty)
        load_say(load, node, "this step is about nothing; add reading, action, answered, codes, identity or record");
    return kind;
}

bool load_step(struct load *load, const struct node *node, struct def_step *step)
{
    static const char *const recordable[] = {"codes"};
    const struct node *found[KEYS];
    *step = (struct def_step){.place = load_place(node),
                              .reading = DEF_NONE,
                              .action = DEF_NONE,
                              .outcome = DEF_NONE,
                              .module = load->definitions->main_module,
                              .steady_gap = GAP_DEFAULT,
                              .wait = WAIT_DEFAULT};
    if (!load_map(load, node, "a step", rules, KEYS, found))
        return false;
    step->name = found[KEY_STEP] ? load_text(load, found[KEY_STEP], "a step's name") : NULL;
    size_t kind = find_kind(load, node, found);
    if (kind == KINDS)
        return false;
    step->kind = kinds[kind];
    for (size_t i = KEY_OPENS; i < KEYS; i++)
        if (found[i] && !(belongs[kind] & BIT(i)))
            load_say(load, found[i]->key, "\"%s\" does not go with \"%s\"; take it away", rules[i].key,
                     rules[kind].key);
    if (found[KEY_OPENS] && !load_yes_no(load, found[KEY_OPENS], "opens attempt", &step->opens_attempt))
        step->opens_attempt = false;
    if (found[KEY_MODULE])
        load_module_of_step(load, found[KEY_MODULE], step);
    bool good = false;
    size_t word;
    switch (step->kind) {
    case STEP_READING: good = load_reading_step(load, node, found, step); break;
    case STEP_ACTION: good = load_action_step(load, found, step); break;
    case STEP_ANSWERED: good = load_answered_step(load, found[KEY_ANSWERED], step); break;
    case STEP_CODES: good = load_codes_step(load, found[KEY_CODES], step); break;
    case STEP_IDENTITY: good = load_identity_step(load, found[KEY_IDENTITY], step); break;
    case STEP_RECORD: good = load_word(load, found[KEY_RECORD], "record", recordable, 1, &word); break;
    }
    return good && step->name;
}
