/*
 * What is wrong in definition files, collected while they are checked in any order and then told in the order of the
 * files and lines, each once (D 6.2).
 */
#ifndef TT_DEFINITIONS_MISTAKES_H
#define TT_DEFINITIONS_MISTAKES_H

#include "../decoder/support/diagnostics.h"
#include "model.h"

#define MISTAKES_KEPT 1000 /* more are not kept: nobody reads them */

struct mistake {
    struct def_place place; /* line 0: the file as a whole */
    enum severity severity;
    const char *text;
    uint32_t order;
};

struct mistakes {
    struct arena *arena;          /* borrowed; holds everything below */
    const struct def_file *files; /* borrowed */
    uint32_t file_count;
    struct mistake *list;
    uint32_t count, room;
    uint32_t errors;      /* recorded, those that were not kept included */
    bool more;            /* some were not kept */
    bool no_memory;
    uint32_t **lines;     /* per file: byte offset of each line, made when first needed */
    uint32_t *line_count;
};

/* files may grow afterwards up to file_count: entries are looked at only when a mistake is told. */
TT_MUST_USE bool mistakes_init(struct mistakes *mistakes, struct arena *arena, const struct def_file *files,
                               uint32_t file_count);
void mistakes_add(struct mistakes *mistakes, enum severity severity, struct def_place place, const char *format, ...)
    TT_PRINTF(4, 5);
/* Byte offset of a place in its file, at most its length; columns count characters. */
size_t mistakes_offset(struct mistakes *mistakes, struct def_place place);
/* Sorted and without repetitions, to diagnostics. */
void mistakes_tell(struct mistakes *mistakes, struct diagnostics *diagnostics);
/* One mistake with its source line, at once. */
void mistakes_print(struct mistakes *mistakes, struct diagnostics *diagnostics, enum severity severity,
                    struct def_place place, const char *text);

#endif
