/*
 * What the parts of the loader share: private to definitions/. One struct load lives through one definitions_load; it
 * collects readings, actions and mistakes while the files are walked. Trees and helpers live in `scratch` and go at the
 * end; what the model keeps is copied into definitions->arena. Without memory `no_memory` is set and all unwinds.
 */
#ifndef TT_DEFINITIONS_LOAD_H
#define TT_DEFINITIONS_LOAD_H

#include "loader.h"
#include "mistakes.h"
#include "yaml_tree.h"

/* No numerator of a reading reaches this, so that stages can add and subtract without a look. */
#define LOAD_WIDE_BOUND ((tt_wide)1 << 120)
/* No denominator of a reading reaches this, so that limits in its unit can still be scaled. */
#define LOAD_DENOMINATOR_BOUND ((tt_wide)1 << 100)

/* Open-addressed table of texts, for references that are looked up whole (D 6.1). Texts are borrowed. */
struct name_table {
    struct name_slot *slots;
    uint32_t room, count;
};

/* What the loader knows of a reading beside the model. */
struct reading_extra {
    uint32_t field;  /* index of its field in its record; DEF_NONE for flags and sums */
    tt_wide largest; /* no numerator is further from 0 */
};

/* Where the CAN ids of a module's head are written, for messages. */
struct id_places {
    struct def_place request, response, functional;
};

/* The sections that an included file may have too. */
enum section {
    SECTION_IDENTIFIERS,
    SECTION_LOCAL_IDENTIFIERS,
    SECTION_IDENTIFICATION,
    SECTION_ROUTINES,
    SECTION_CONTROLS,
    SECTION_WRITES,
    SECTION_BROADCASTS,
    SECTION_CODES,
    SECTIONS
};

/* A file beside its entry in definitions->files: those given first, then those included, each once. */
struct file_load {
    uint64_t device, serial; /* st_dev, st_ino */
    const struct node *root; /* NULL when there is nothing to look at */
    bool opened, included;
    const struct node *sections[SECTIONS]; /* with those of all files it includes; NULL when not given */
    const struct node *module, *conditions, *procedure;
};

struct load {
    struct definitions *definitions; /* readings, actions, modules point to growing arrays in scratch until the end */
    struct mistakes mistakes;
    struct arena scratch;
    struct file_load *files;  /* beside definitions->files */
    uint32_t file_room;
    bool cut;      /* a file could not be read to its end: what is missing may stand there */
    bool no_memory;
    uint32_t reading_room, action_room;
    struct reading_extra *extras; /* beside definitions->readings */
    uint32_t extra_room;
    struct def_place *action_places; /* beside definitions->actions */
    uint32_t action_place_room;
    struct name_table long_names;  /* "module/record.field" of every reading */
    struct name_table references;  /* and bare names of the main module: what a reference may be */
    struct name_table actions;     /* "module/action", and bare ones of the main module */
    const char **reference_list, **action_list; /* the same in order of definition, for "did you mean" */
    uint32_t reference_count, action_count;
    struct id_places *id_places;   /* by module */
    uint64_t nearest_budget;       /* comparisons of characters left for "did you mean", so that a hostile file ends */
    const struct node *conditions, *procedure; /* of the one file that has them */
    uint32_t procedure_file;
};

/* load_nodes.c: nodes to checked texts and numbers; each records what is wrong and then returns false or NULL. */

enum key_state {
    KEY_OPTIONAL,
    KEY_REQUIRED,
};
struct key_rule {
    const char *key;
    enum key_state state;
};
#define KEY_COUNT(rules) (sizeof(rules) / sizeof *(rules))

void load_say(struct load *load, const struct node *node, const char *format, ...) TT_PRINTF(3, 4);
void load_warn(struct load *load, const struct node *node, const char *format, ...) TT_PRINTF(3, 4);
/* The node whose place speaks for this one: its key, where it has one. */
const struct node *load_head(const struct node *node);
struct def_place load_place(const struct node *node);
/* "line 7", with the file's name where that is another than `file`. */
const char *load_line(struct load *load, struct def_place place, uint32_t file);

/* Zeroed memory for count things, of the model or for the time of loading. NULL, and no_memory set, without. */
TT_MUST_USE void *load_keep(struct load *load, size_t count, size_t size);
TT_MUST_USE void *load_scratch(struct load *load, size_t count, size_t size);
/* Makes *array (in scratch) big enough for `need` things. */
TT_MUST_USE bool load_grow(struct load *load, void **array, uint32_t *room, uint32_t need, size_t size);
/* The parts joined, in the model's memory. NULL without memory. */
const char *load_join(struct load *load, const char *a, const char *b, const char *c);

/*
 * Takes a map apart by its rules: found[i] is the value of rules[i], NULL when not given. Unknown keys, keys of a later
 * version and missing keys are mistakes. False when node is no map. `what` names it in messages ("a field").
 */
TT_MUST_USE bool load_map(struct load *load, const struct node *node, const char *what, const struct key_rule *rules,
                          size_t rule_count, const struct node **found);
TT_MUST_USE bool load_is(struct load *load, const struct node *node, enum node_kind kind, const char *what);
/* A name or text of 1 to 200 bytes without control characters, copied for the model. */
TT_MUST_USE const char *load_text(struct load *load, const struct node *node, const char *what);
/* For the end of a message: "; did you mean ...?" in scratch, or the first of the names when none is near. */
const char *load_nearest(struct load *load, const char *text, const char *const *names, size_t count);
TT_MUST_USE bool load_whole(struct load *load, const struct node *node, const char *what, uint64_t least, uint64_t most,
                            uint64_t *number);
/* A number without unit. */
TT_MUST_USE bool load_ratio(struct load *load, const struct node *node, const char *what, struct ratio *number);
/* A number and its unit ("" when there is none), copied for the model. */
TT_MUST_USE bool load_quantity(struct load *load, const struct node *node, const char *what, struct ratio *number,
                               const char **unit);
TT_MUST_USE bool load_time(struct load *load, const struct node *node, const char *what, int64_t *nanoseconds);
TT_MUST_USE bool load_yes_no(struct load *load, const struct node *node, const char *what, bool *answer);
/* A CAN id word: "0x" and three hex digits are an 11-bit id, eight a 29-bit one (D 6.5). */
TT_MUST_USE bool load_can_id(struct load *load, const struct node *node, const char *what, uint32_t *id);
/* One of the words, as its index. */
TT_MUST_USE bool load_word(struct load *load, const struct node *node, const char *what, const char *const *words,
                           size_t count, size_t *index);
/* A list of at least one text, copied for the model. */
TT_MUST_USE bool load_texts(struct load *load, const struct node *node, const char *what, const char ***texts,
                            uint32_t *count);

/* An entry of a map whose keys are numbers. */
struct numbered {
    uint64_t number;
    const struct node *value;
};
/* All entries sorted by number, keys 0 to most. Of two equal numbers the later is a mistake (D 6.1) and left out. */
TT_MUST_USE bool load_numbered(struct load *load, const struct node *map, const char *what, uint64_t most,
                               struct numbered **entries, uint32_t *count);

/* names.c */
struct name_slot {
    const char *text;
    uint32_t index;
};

/* Adds; when the text is there already, *index becomes what it stands for and nothing changes. False without memory. */
TT_MUST_USE bool names_add(struct load *load, struct name_table *table, const char *text, uint32_t *index, bool *taken);
/* DEF_NONE when there is no such text. */
uint32_t names_find(const struct name_table *table, const char *text);

/* loader.c: the file of that name in the folder of the file that `entry` stands in, read once; a mistake at entry when
 * that does not work. */
TT_MUST_USE bool load_beside(struct load *load, const struct node *entry, const char *name, uint32_t *file);

/* load_include.c: takes a given file apart, and what it includes into its sections. */
void load_sections(struct load *load, uint32_t file);
bool load_describes_module(const struct node *root);

/* load_module.c: a given file's parts into a module of the model. */
void load_file(struct load *load, uint32_t file);
/* A reading's index; DEF_NONE without memory. An equal full name is a mistake (D 6.1). */
uint32_t load_add_reading(struct load *load, struct def_reading reading, uint32_t field, tt_wide largest);

/* load_address.c: D 6.5. */
void load_address(struct load *load, struct def_module *module, struct id_places *places, const struct node *node);
void load_functional(struct load *load, struct def_module *module, struct id_places *places, const struct node *node);

/* load_records.c and load_actions.c: the sections of one module. */
void load_identifiers(struct load *load, uint32_t index, const struct node *const *sections);
void load_broadcasts(struct load *load, uint32_t index, const struct node *map);
void load_actions(struct load *load, uint32_t module, const struct node *const *sections);
/* name as text; without memory of the mistake that a wrong name is, the key stands in, so that more can be checked. */
const char *load_name_or_key(struct load *load, const struct node *name, const struct node *key, const char *what);

/* load_record.c, load_field.c and load_scale.c */
struct record_source { /* the nodes a record is described by; NULL when not given */
    const struct node *length, *fields, *derived, *examples;
    uint32_t length_max;
};
/* name is the record's; head stands for it in messages. */
void load_record(struct load *load, uint32_t module, const char *name, const struct node *head,
                 const struct record_source *source, struct def_record *record);
/* The nodes that make a number a value; NULL when not given. */
struct scale_source {
    const struct node *field, *factor, *offset, *curve;
};
/* Fills factor and offset, or the curve, over *denominator; no numerator is further from 0 than *largest. False when
 * they are wrong, which is told. */
TT_MUST_USE bool load_scale(struct load *load, const struct scale_source *source, struct def_field *field,
                            tt_wide *denominator, tt_wide *largest);
bool load_field(struct load *load, uint32_t module, const struct def_record *record, uint32_t length_max,
                const struct node *node, uint32_t index, struct def_field *field);
/* The first reading of the record that is being loaded: its readings were the last to be added. */
uint32_t load_first_reading(const struct load *load, const struct def_record *record);
/* A reading of the record by its own name ("total", "status.occupied"); DEF_NONE when there is none. The record's
 * readings are those from `first` on: another record can have a longer name that makes the same full name. */
uint32_t load_find_here(struct load *load, uint32_t module, const struct def_record *record, uint32_t first,
                        const char *name);
/* As load_nearest, over the readings of the record. */
const char *load_nearest_here(struct load *load, uint32_t first, const struct def_record *record, const char *name,
                              bool fields_only);
void load_derived(struct load *load, uint32_t module, struct def_record *record, const struct node *map);
void load_examples(struct load *load, uint32_t module, struct def_record *record, const struct node *list);

/* load_limits.c: quantities of a reading as exact thresholds (D 2.7, 7.7). reading may be NULL (states: DEF_NONE) when
 * the reference was wrong: then only the form is checked, so that one run still tells every mistake. */

/* A quantity in the reading's unit; a missing or a foreign unit is a mistake. *unit is as written, may be NULL. */
TT_MUST_USE bool load_in_unit(struct load *load, const struct node *node, const char *what,
                              const struct def_reading *reading, struct ratio *written, const char **unit,
                              struct ratio *converted);
/* converted * denominator; false (a mistake) on overflow. */
TT_MUST_USE bool load_scaled(struct load *load, const struct node *node, const struct def_reading *reading,
                             struct ratio converted, struct ratio *scaled);
/* [low, high]; guard may be NULL. */
TT_MUST_USE bool load_limits(struct load *load, const struct node *node, const char *what,
                             const struct def_reading *reading, const struct node *guard, struct def_limits *limits,
                             struct ratio *guard_written, const char **guard_unit);
/* State names of the reading ("yes", "no" for a flag). */
TT_MUST_USE bool load_states(struct load *load, const struct node *node, const char *what, uint32_t reading,
                             const char ***states, uint32_t *count);

/* load_procedure.c and load_steps.c */
void load_conditions(struct load *load);
void load_procedure(struct load *load);
/* A reading by its full name; DEF_NONE and a mistake when there is none. */
uint32_t load_reference(struct load *load, const struct node *node, const char *what);

/* resolve.c: between the walk and the procedure: names of the main module, ids used twice. */
void load_resolve(struct load *load);

#endif
