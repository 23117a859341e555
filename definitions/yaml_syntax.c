/* See yaml_syntax.h. The left column of the table is what libyaml 0.2.5 says; anything else is passed on as it is. */
#include "yaml_syntax.h"

#include <stdio.h>
#include <string.h>

struct wording {
    const char *library, *plain;
};

static const struct wording wordings[] = {
    {"block sequence entries are not allowed in this context", "a \"- \" cannot stand here; begin a list on a line of "
                                                               "its own below its key"},
    {"mapping keys are not allowed in this context", "a \"? \" cannot stand here; put the text in quotes"},
    {"could not find expected ':'", "this is no \"key: value\"; add the colon and a space, or end the line above"},
    {"did not find expected '-' indicator", "this line does not line up with the \"- \" of the list above; indent it "
                                            "as they are"},
    {"found unknown escape character", "an unknown \\ escape; in \"...\" write \\\\ for a backslash, or use '...'"},
    {"did not find expected hexdecimal number", "an unfinished \\x or \\u escape in a quoted text; use '...'"},
    {"found invalid Unicode character escape code", "this \\u escape is no character; use '...'"},
    {"did not find expected alphabetic or numeric character", "a text cannot begin with * or &; put it in quotes"},
    {"found unexpected document indicator", "the quoted text is not closed before the \"---\" or \"...\"; close it"},
    {"found a tab character where an indentation space is expected", "a tab; indent with spaces"},
    {"found a tab character that violates indentation", "a tab; indent with spaces"},
    {"found an indentation indicator equal to 0", "an indentation of 0 for a text behind | or >; leave the 0 away"},
    {"did not find expected comment or line break", "a text behind | or > cannot begin here; begin it on the next "
                                                    "line"},
    {"found incompatible YAML document", "this YAML version is not supported; leave %YAML out"},
    {"found undefined tag handle", "a text cannot begin with !; put it in quotes"},
    {"did not find expected tag URI", "a text cannot begin with !; put it in quotes"},
    {"did not find expected whitespace or line break", "a space is missing here; put a text with ! in quotes"},
    {"control characters are not allowed", "a control character; take it out"},
    {"did not find expected node content", "a value is missing here; give one, or put the text in quotes"},
    {"did not find expected <document start>", "nothing can follow here; a file holds one module"},
    {"input is too long", "the file is too long; shorten it"},
};

/* NULL when the table has none. */
static const char *plain_wording(const char *library)
{
    for (size_t i = 0; i < sizeof wordings / sizeof wordings[0]; i++)
        if (strcmp(wordings[i].library, library) == 0)
            return wordings[i].plain;
    return NULL;
}

/* Place of a byte offset; columns count characters, bytes that begin none count alone. */
static struct def_place place_of_offset(const struct def_file *bytes, uint32_t file, size_t offset)
{
    struct def_place place = {file, 1, 1};
    if (offset > bytes->length)
        offset = bytes->length;
    for (size_t i = 0; i < offset; i++) {
        if (bytes->bytes[i] == '\n') {
            place.line++;
            place.column = 1;
        } else if (((uint8_t)bytes->bytes[i] & 0xC0) != 0x80) {
            place.column++;
        }
    }
    return place;
}

static void say_problem(struct mistakes *mistakes, struct def_place place, const char *problem)
{
    const char *plain = plain_wording(problem);
    if (plain)
        mistakes_add(mistakes, SEVERITY_ERROR, place, "%s", plain);
    else
        mistakes_add(mistakes, SEVERITY_ERROR, place, "%s; put texts with special characters in quotes", problem);
}

/* True when the line holds a "key: " before byte `at`, so that the colon there is a second one. */
static bool second_colon(const char *bytes, size_t at)
{
    for (size_t i = at; i > 0 && bytes[i - 1] != '\n'; i--)
        if (bytes[i - 1] == ':' && bytes[i] == ' ')
            return true;
    return false;
}

/* The last byte before `at` on its line that is no space; '\n' when there is none. */
static char byte_before(const char *bytes, size_t at)
{
    while (at > 0 && bytes[at - 1] == ' ')
        at--;
    return at > 0 ? bytes[at - 1] : '\n';
}

/* What stands in bytes[at] decides between the reasons that libyaml gives one name. */
static void explain_at(struct mistakes *mistakes, const yaml_parser_t *parser, struct def_place place,
                       struct def_place context)
{
    const struct def_file *bytes = &mistakes->files[place.file];
    size_t at = mistakes_offset(mistakes, place);
    char here = at < bytes->length ? bytes->bytes[at] : '\0';
    char before = byte_before(bytes->bytes, at);
    const char *problem = parser->problem;
    if (strcmp(problem, "found character that cannot start any token") == 0) {
        if (here == '\t')
            mistakes_add(mistakes, SEVERITY_ERROR, place, "a tab; indent and separate with spaces");
        else
            mistakes_add(mistakes, SEVERITY_ERROR, place, "a text cannot begin with %c; put it in quotes", here);
    } else if (strcmp(problem, "mapping values are not allowed in this context") == 0) {
        mistakes_add(mistakes, SEVERITY_ERROR, place, "%s",
                     second_colon(bytes->bytes, at) ? "a colon with a space behind it ends a key; put the text in "
                                                      "quotes"
                                                    : "this line is indented deeper than the keys above it; line it "
                                                      "up");
    } else if (strcmp(problem, "found unexpected end of stream") == 0) {
        mistakes_add(mistakes, SEVERITY_ERROR, context, "the quote opened here is never closed; close it");
    } else if (strcmp(problem, "did not find expected ',' or '}'") == 0 || strcmp(problem, "did not find expected ',' "
                                                                                           "or ']'") == 0) {
        char close = problem[strlen(problem) - 2], open = close == '}' ? '{' : '[';
        if (here == ':' && place.line == context.line)
            mistakes_add(mistakes, SEVERITY_ERROR, place,
                         "a colon with a space behind it ends a key; put the text in quotes");
        else if (here == '\0')
            mistakes_add(mistakes, SEVERITY_ERROR, context, "the %c opened here is never closed; add the %c", open,
                         close);
        else
            mistakes_add(mistakes, SEVERITY_ERROR, place,
                         "a comma or %c is missing before this; the %c was opened in line %u, column %u%s", close, open,
                         context.line, context.column,
                         before == '\'' ? "; inside '...' an apostrophe is written twice" : "");
    } else if (strcmp(problem, "did not find expected key") == 0) {
        if (before == '"' || before == '\'' || before == ']' || before == '}')
            mistakes_add(mistakes, SEVERITY_ERROR, place,
                         "text behind a closing %c; put all of it in quotes, or begin a new line", before);
        else
            mistakes_add(mistakes, SEVERITY_ERROR, place,
                         "this does not line up with the keys above (from line %u on); indent it as they are",
                         context.line);
    } else if (strcmp(problem, "did not find expected node content") == 0 && (here == '%' || here == '@')) {
        mistakes_add(mistakes, SEVERITY_ERROR, place, "a text cannot begin with %c; put it in quotes", here);
    } else {
        say_problem(mistakes, place, problem);
    }
}

void yaml_syntax_explain(struct mistakes *mistakes, uint32_t file, const yaml_parser_t *parser)
{
    const char *problem = parser->problem ? parser->problem : "not YAML";
    if (parser->error == YAML_READER_ERROR) {
        const struct def_file *bytes = &mistakes->files[file];
        size_t skipped = bytes->length >= 3 && memcmp(bytes->bytes, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0;
        size_t offset = parser->problem_offset + skipped;
        /* For a trailing byte that is none, the character's first byte is the one to look at. */
        for (int i = 0; i < 3 && strstr(problem, "trailing") && offset > 0 && offset < bytes->length &&
                        (uint8_t)bytes->bytes[offset] < 0xC0;
             i++)
            offset--;
        struct def_place place = place_of_offset(bytes, file, offset);
        if (strstr(problem, "UTF-8") || strstr(problem, "Unicode"))
            mistakes_add(mistakes, SEVERITY_ERROR, place, "bytes that are no UTF-8; save the file as UTF-8");
        else
            say_problem(mistakes, place, problem);
        return;
    }
    struct def_place place = {file, (uint32_t)parser->problem_mark.line + 1, (uint32_t)parser->problem_mark.column + 1};
    struct def_place context = {file, (uint32_t)parser->context_mark.line + 1,
                                (uint32_t)parser->context_mark.column + 1};
    if (!parser->problem)
        say_problem(mistakes, place, problem);
    else
        explain_at(mistakes, parser, place, context);
}
