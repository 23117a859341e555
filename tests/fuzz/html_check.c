/* See html_check.h. Elements without an end: WHATWG HTML, 13.1.2 "void elements". */
#define _GNU_SOURCE /* memmem */
#include "html_check.h"

#include <string.h>
#include <strings.h>

#include "../../decoder/support/text.h"
#include "fuzz.h"

#define DEPTH_MAX 64
#define TAG_NAME 32

static char open_tags[DEPTH_MAX][TAG_NAME];
static size_t depth;

static bool is_one_of(const char *name, const char *const *list)
{
    for (; *list; list++)
        if (strcasecmp(name, *list) == 0)
            return true;
    return false;
}

/* The name at *at, lower-case letters, digits and "-". */
static void take_name(const char **at, char name[TAG_NAME])
{
    size_t length = strspn(*at, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-");
    FUZZ_CHECK(length > 0 && length < TAG_NAME);
    memcpy(name, *at, length);
    name[length] = '\0';
    *at += length;
}

/* Rules of style that fetch nothing: only places in the page itself. */
static void check_style(const char *text, size_t length)
{
    const char *end = text + length;
    FUZZ_CHECK(!memmem(text, length, "@import", 7));
    while ((text = memmem(text, (size_t)(end - text), "url(", 4))) {
        text += 4;
        FUZZ_CHECK(text < end && *text == '#');
    }
}

static void check_attribute(const char *name, const char *value, size_t length)
{
    static const char *const refused[] = {"src", "srcset", "action", "formaction", "background", "data", "ping", NULL};
    FUZZ_CHECK(strncasecmp(name, "on", 2) != 0 && !is_one_of(name, refused));
    if (strcasecmp(name, "href") == 0)
        FUZZ_CHECK((length > 0 && value[0] == '#') || /* a place in the page, or the icon that is none */
                   (length == 6 && memcmp(value, "data:,", 6) == 0));
    check_style(value, length); /* "fill" can name something too */
    FUZZ_CHECK(!memchr(value, '<', length));
}

/* Behind "<": moves behind ">". */
static void check_tag(const char **at)
{
    static const char *const empty[] = {"meta", "br", "hr", "col", "img", "input", "link", "wbr", NULL};
    static const char *const refused[] = {"script", "iframe", "object", "embed", "base", "form", "img", "a:", NULL};
    char name[TAG_NAME], attribute[TAG_NAME];
    if (**at == '/') {
        ++*at;
        take_name(at, name);
        FUZZ_CHECK(**at == '>' && depth > 0 && strcmp(open_tags[depth - 1], name) == 0);
        depth--;
        ++*at;
        return;
    }
    take_name(at, name);
    FUZZ_CHECK(!is_one_of(name, refused));
    while (**at == ' ' || **at == '\n') {
        *at += strspn(*at, " \n");
        if (**at == '/' || **at == '>')
            break;
        take_name(at, attribute);
        if (**at != '=')
            continue;
        FUZZ_CHECK((*at)[1] == '"');
        *at += 2;
        const char *end = strchr(*at, '"');
        FUZZ_CHECK(end);
        check_attribute(attribute, *at, (size_t)(end - *at));
        *at = end + 1;
    }
    bool closed = **at == '/';
    *at += closed;
    FUZZ_CHECK(**at == '>');
    ++*at;
    if (closed || is_one_of(name, empty))
        return;
    FUZZ_CHECK(depth < DEPTH_MAX);
    memcpy(open_tags[depth++], name, sizeof name);
    if (strcmp(name, "style") == 0) { /* its text is no HTML */
        const char *end = strstr(*at, "</style>");
        FUZZ_CHECK(end);
        check_style(*at, (size_t)(end - *at));
        *at = end;
    }
}

void html_check(const char *text, size_t length)
{
    static const char start[] = "<!DOCTYPE html>";
    FUZZ_CHECK(strlen(text) == length && strncasecmp(text, start, sizeof start - 1) == 0);
    for (const char *line = text; *line;) {
        const char *end = strchr(line, '\n');
        size_t size = end ? (size_t)(end - line) : strlen(line);
        FUZZ_CHECK(text_is_clean(line, size));
        line += size + (end != NULL);
    }
    depth = 0;
    for (const char *at = text + sizeof start - 1; *at;) {
        if (*at == '<') {
            at++;
            check_tag(&at);
        } else {
            if (*at == '&') {
                const char *end = strchr(at, ';');
                FUZZ_CHECK(end && end - at <= 8);
            }
            FUZZ_CHECK(*at != '>');
            at++;
        }
    }
    FUZZ_CHECK(depth == 0);
}
