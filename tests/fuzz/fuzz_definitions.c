/*
 * Definition files from bytes (D 6). The input is the file a.yaml; a line "%%NAME" begins another file of the same
 * folder, "%%+NAME" one that is given to the loader too. Files exist in memory only: a try to open anything but a plain
 * name of that folder is a failure (fuzz.h). What loads must keep what the model promises (model_check.h); what does
 * not load must be told, in lines that hold no control characters.
 */
#define _GNU_SOURCE
#include <string.h>

#include "../../decoder/support/text.h"
#include "../../definitions/loader.h"
#include "fuzz.h"
#include "model_check.h"

#define FILES_MAX 5

struct part {
    char name[64], path[80];
    bool given;
    const uint8_t *bytes;
    size_t length;
};

/* The next part: its bytes up to the next line that begins with "%%", whose name is the next part's. */
static const uint8_t *cut(const uint8_t *at, const uint8_t *end, struct part *part)
{
    part->bytes = at;
    const uint8_t *mark = at < end ? memmem(at, (size_t)(end - at), "\n%%", 3) : NULL;
    part->length = (size_t)((mark ? mark + 1 : end) - at);
    return mark ? mark + 3 : NULL;
}

static const uint8_t *name_of(const uint8_t *at, const uint8_t *end, struct part *part)
{
    part->given = at < end && *at == '+';
    at += part->given;
    const uint8_t *stop = memchr(at, '\n', (size_t)(end - at));
    size_t length = (size_t)((stop ? stop : end) - at);
    size_t kept = length < sizeof part->name - 1 ? length : sizeof part->name - 1;
    memcpy(part->name, at, kept);
    part->name[kept] = '\0';
    if (strchr(part->name, '/') || !part->name[0]) /* no such file can be */
        (void)strcpy(part->name, "none");
    return stop ? stop + 1 : end;
}

static void check_messages(char *text)
{
    for (char *line = strtok(text, "\n"); line; line = strtok(NULL, "\n"))
        FUZZ_CHECK(text_is_clean(line, strlen(line)));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct part parts[FILES_MAX];
    const char *paths[FILES_MAX];
    size_t count = 1, given = 0, said = 0;
    const uint8_t *at = size ? data : (const uint8_t *)"", *end = at + size;
    memset(parts, 0, sizeof parts);
    (void)strcpy(parts[0].name, "a.yaml");
    parts[0].given = true;
    while ((at = cut(at, end, &parts[count - 1])) && count < FILES_MAX) {
        at = name_of(at, end, &parts[count]);
        count++;
    }
    fuzz_folder_arm();
    for (size_t i = 0; i < count; i++) {
        fuzz_folder_put(parts[i].name, parts[i].bytes, parts[i].length);
        (void)snprintf(parts[i].path, sizeof parts[i].path, "job/%s", parts[i].name);
        if (parts[i].given && strcmp(parts[i].name, ".") != 0 && strcmp(parts[i].name, "..") != 0)
            paths[given++] = parts[i].path;
    }

    char *text = NULL;
    struct diagnostics diagnostics;
    struct definitions definitions;
    FILE *out = open_memstream(&text, &said);
    FUZZ_CHECK(out);
    diagnostics_init(&diagnostics, out);
    diagnostics.most = 30;
    enum load_result result = definitions_load(paths, given, &diagnostics, &definitions);
    FUZZ_CHECK((result == LOAD_OK) == (diagnostics.errors == 0));
    FUZZ_CHECK(result != LOAD_CANNOT_OPEN);
    if (result == LOAD_OK) {
        FUZZ_CHECK(definitions.module_count >= 1);
        model_check(&definitions, data, size < 80 ? size : 80);
        definitions_lint(&definitions, &diagnostics);
    } else {
        FUZZ_CHECK(definitions.module_count == 0 && definitions.reading_count == 0);
    }
    definitions_free(&definitions);
    FUZZ_CHECK(fclose(out) == 0);
    /* Again, with too little memory: refused, or the same answer. */
    diagnostics_init(&diagnostics, NULL);
    fuzz_shortage(1 + (unsigned)(size % 24));
    enum load_result again = definitions_load(paths, given, &diagnostics, &definitions);
    fuzz_shortage(0);
    FUZZ_CHECK(again == result || (again != LOAD_OK && diagnostics.errors > 0));
    definitions_free(&definitions);
    check_messages(text);
    free(text);
    fuzz_folder_disarm();
    return 0;
}
