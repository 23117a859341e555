/* See manifest.h. */
#include "manifest.h"

#include <stdlib.h>
#include <string.h>

#include "../support/bytes.h"

#define DIGITS (DIGEST_TEXT - 1u)

static const char *fault_text(enum manifest_fault fault)
{
    switch (fault) {
    case MANIFEST_GOOD:
        break;
    case MANIFEST_NO_MEMORY:
        return "memory ran out";
    case MANIFEST_EMPTY:
        return "it lists nothing";
    case MANIFEST_TOO_LONG:
        return "it lists more files than a job can have";
    case MANIFEST_CUT:
        return "its last line is cut off";
    case MANIFEST_CARRIAGE_RETURN:
        return "a line ends in carriage return and line feed";
    case MANIFEST_NUL:
        return "there is a zero byte in it";
    case MANIFEST_ESCAPED:
        return "a line begins with a backslash";
    case MANIFEST_NOT_HEX:
        return "a line does not begin with 64 hex digits";
    case MANIFEST_UPPER_CASE:
        return "a hash is written in upper case";
    case MANIFEST_NO_SPACES:
        return "the hash is not followed by two spaces and a name";
    case MANIFEST_BAD_NAME:
        return "a name is not one of a job folder";
    case MANIFEST_LISTS_ITSELF:
        return "it lists itself or a file that is made after it";
    case MANIFEST_TWICE:
        return "a name stands twice";
    case MANIFEST_UNSORTED:
        return "the lines are not sorted by name";
    }
    return "";
}

bool manifest_is_seal(const char *name)
{
    return strcmp(name, MANIFEST_NAME) == 0 || strcmp(name, MANIFEST_SIGNATURE_NAME) == 0 ||
           strcmp(name, MANIFEST_TOKEN_NAME) == 0;
}

static bool begin(struct manifest *manifest)
{
    *manifest = (struct manifest){.count = 0};
    arena_init(&manifest->arena, MANIFEST_BYTES_MAX + FOLDER_ENTRIES_MAX * 16u);
    manifest->list = calloc(FOLDER_ENTRIES_MAX, sizeof *manifest->list);
    return manifest->list != NULL;
}

/* The digits of a line: lower case only, so that each content has one manifest. */
static enum manifest_fault read_hash(struct bytes *line, char out[DIGEST_TEXT])
{
    const uint8_t *digits = bytes_take(line, DIGITS);
    bool upper = false;
    if (!digits)
        return MANIFEST_NOT_HEX;
    for (size_t i = 0; i < DIGITS; i++) {
        uint8_t c = digits[i];
        upper = upper || (c >= 'A' && c <= 'F');
        if (!((c >= '0' && c <= '9') || (c >= 'a' && c <= 'f') || (c >= 'A' && c <= 'F')))
            return MANIFEST_NOT_HEX;
    }
    memcpy(out, digits, DIGITS);
    out[DIGITS] = '\0';
    return upper ? MANIFEST_UPPER_CASE : MANIFEST_GOOD;
}

/* One line without its line feed. For a bad name *why says what is wrong with it. */
static enum manifest_fault read_line(struct manifest *manifest, const uint8_t *text, size_t length, const char **why)
{
    struct bytes line = bytes_of(text, length);
    struct manifest_line *entry = &manifest->list[manifest->count];
    if (memchr(text, '\0', length))
        return MANIFEST_NUL;
    if (memchr(text, '\r', length))
        return MANIFEST_CARRIAGE_RETURN;
    if (length > 0 && text[0] == '\\')
        return MANIFEST_ESCAPED;
    enum manifest_fault fault = read_hash(&line, entry->sha256);
    if (fault)
        return fault;
    const uint8_t *spaces = bytes_take(&line, 2);
    if (!spaces || spaces[0] != ' ' || spaces[1] != ' ' || line.left == 0)
        return MANIFEST_NO_SPACES;
    size_t left = line.left;
    const char *name = (const char *)bytes_take(&line, left);
    *why = folder_name_fault(name, left);
    if (*why)
        return MANIFEST_BAD_NAME;
    entry->name = arena_text(&manifest->arena, name, left);
    if (!entry->name)
        return MANIFEST_NO_MEMORY;
    if (manifest_is_seal(entry->name))
        return MANIFEST_LISTS_ITSELF;
    if (manifest->count > 0) {
        int order = strcmp(manifest->list[manifest->count - 1].name, entry->name);
        if (order == 0)
            return MANIFEST_TWICE;
        if (order > 0) /* the same name twice is said even where the lines do not stand together */
            return manifest_find(manifest, entry->name) ? MANIFEST_TWICE : MANIFEST_UNSORTED;
    }
    manifest->count++;
    return MANIFEST_GOOD;
}

bool manifest_read(struct manifest *manifest, const void *bytes, size_t length, struct manifest_mistake *mistake)
{
    const uint8_t *at = bytes;
    size_t left = length;
    const char *why = NULL;
    enum manifest_fault fault = MANIFEST_GOOD;
    uint32_t line = 0;
    if (!begin(manifest))
        fault = MANIFEST_NO_MEMORY;
    else if (length == 0)
        fault = MANIFEST_EMPTY;
    else if (length > MANIFEST_BYTES_MAX)
        fault = MANIFEST_TOO_LONG;
    while (!fault && left > 0) {
        const uint8_t *end = memchr(at, '\n', left);
        line++;
        if (!end) {
            fault = MANIFEST_CUT;
        } else if (manifest->count == FOLDER_ENTRIES_MAX) {
            fault = MANIFEST_TOO_LONG;
        } else {
            size_t of_line = (size_t)(end - at);
            fault = read_line(manifest, at, of_line, &why);
            at = end + 1;
            left -= of_line + 1;
        }
    }
    *mistake = (struct manifest_mistake){fault, line, why ? why : fault_text(fault)};
    return fault == MANIFEST_GOOD;
}

bool manifest_of(struct manifest *manifest, const struct folder_list *files)
{
    if (!begin(manifest))
        return false;
    for (uint32_t i = 0; i < files->count; i++) {
        const char *name = files->list[i].name;
        if (manifest_is_seal(name))
            continue;
        char *kept = arena_text(&manifest->arena, name, strlen(name));
        if (!kept)
            return false;
        manifest->list[manifest->count++].name = kept;
    }
    return true;
}

static int by_name(const void *left, const void *right)
{
    return strcmp(((const struct manifest_line *)left)->name, ((const struct manifest_line *)right)->name);
}

const struct manifest_line *manifest_find(const struct manifest *manifest, const char *name)
{
    const struct manifest_line wanted = {.name = name};
    if (!manifest->list)
        return NULL;
    return bsearch(&wanted, manifest->list, manifest->count, sizeof *manifest->list, by_name);
}

void manifest_write(const struct manifest *manifest, struct sink *sink)
{
    for (uint32_t i = 0; i < manifest->count; i++) {
        sink_text(sink, manifest->list[i].sha256);
        sink_text(sink, "  ");
        sink_text(sink, manifest->list[i].name);
        sink_char(sink, '\n');
    }
}

void manifest_free(struct manifest *manifest)
{
    arena_free(&manifest->arena);
    free(manifest->list);
    *manifest = (struct manifest){.count = 0};
}
