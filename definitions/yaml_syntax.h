/* libyaml's syntax errors in plain words, with the fix where it is a classic one (D 6.2). */
#ifndef TT_DEFINITIONS_YAML_SYNTAX_H
#define TT_DEFINITIONS_YAML_SYNTAX_H

#include <yaml.h>

#include "mistakes.h"

/* Records the error that parser (which reads files[file] of mistakes) has just stopped at. */
void yaml_syntax_explain(struct mistakes *mistakes, uint32_t file, const yaml_parser_t *parser);

#endif
