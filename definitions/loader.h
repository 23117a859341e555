/*
 * Definition files (D 6) in, model out. Every scalar is text to the loader; every mistake up to the first YAML syntax
 * error is reported in one run with file:line:column, the source line and a caret (D 6.2). Depth, size and aliases are
 * capped. Nothing is read but the named files.
 */
#ifndef TT_DEFINITIONS_LOADER_H
#define TT_DEFINITIONS_LOADER_H

#include "model.h"
#include "../decoder/support/diagnostics.h"

#define DEF_FILE_MAX (4u << 20)  /* bytes of one definition file */
#define DEF_DEPTH_MAX 32         /* nesting of YAML nodes */
#define DEF_NODES_MAX 200000     /* nodes of one file, aliases counted each time they are used */

enum load_result {
    LOAD_OK,          /* no error; warnings are possible */
    LOAD_MISTAKES,    /* reported; definitions hold nothing that may be used */
    LOAD_NO_MEMORY,   /* reported; as LOAD_MISTAKES */
    LOAD_CANNOT_OPEN, /* reported with the path and the system's reason */
};

/* Loads path_count files into one model. *definitions is set in every case and freed with definitions_free. */
enum load_result definitions_load(const char *const *paths, size_t path_count, struct diagnostics *diagnostics,
                                  struct definitions *definitions);
/* The exit code a result gives (D 9.1): 0, 65, 70 or 66. */
int load_exit(enum load_result result);
void definitions_free(struct definitions *definitions);

/* What lint adds to loading: warnings about doubtful but loadable things. (The files' own examples are run by the lint
 * command, which has the record decoder.) */
void definitions_lint(const struct definitions *definitions, struct diagnostics *diagnostics);

#endif
