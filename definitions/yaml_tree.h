/*
 * YAML bytes to a tree of nodes with places. Knows YAML, not the definition language. Every scalar is text (D 6.1): no
 * type is ever guessed. Tags, several documents and keys that are no text are refused; anchors and aliases work, and
 * an alias counts as many nodes as it stands for, so that a small file cannot become a large tree.
 */
#ifndef TT_DEFINITIONS_YAML_TREE_H
#define TT_DEFINITIONS_YAML_TREE_H

#include "mistakes.h"

enum node_kind { NODE_TEXT, NODE_LIST, NODE_MAP };

struct node {
    enum node_kind kind;
    uint32_t file;         /* index into mistakes->files */
    uint32_t line, column; /* from 1; of an alias where it is used, of what is below it where the anchor stands */
    bool plain, folded;    /* TEXT: written without quotes; over several lines */
    bool flow;             /* LIST, MAP: written in [] or {} */
    bool bad;              /* a mistake in it is told already: nothing more is to be said of it */
    bool twin;             /* its key stands in the map before; such values are taken out again */
    bool open;             /* LIST, MAP: a syntax error came before its end, so entries may be missing */
    const char *text;      /* TEXT: NUL behind it */
    uint32_t length;
    struct node *first, *last; /* LIST: entries; MAP: values, in file order */
    struct node *next;
    const struct node *key; /* of a value in a map: its key, a TEXT; else NULL */
    uint32_t count;         /* entries */
    uint32_t size, height;  /* nodes and levels from here down, this one included */
};

/*
 * Reads one file of mistakes->files (index file) into a tree; *root is NULL when there is nothing to look at. Mistakes
 * are recorded; *cut tells that the tree ends early (syntax error, or a cap was passed). All memory comes from arena.
 * False only without memory.
 */
TT_MUST_USE bool tree_read(struct mistakes *mistakes, uint32_t file, struct arena *arena, struct node **root,
                           bool *cut);

#endif
