/* See job_definitions.h. */
#define _GNU_SOURCE /* asprintf */
#include "job_definitions.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define FILES_MAX 64

static int compare(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

/* Is there a top-level `module:`? Whether the file is sound is told by the loader. */
static bool is_root(const char *path)
{
    char *line = NULL;
    size_t room = 0;
    bool found = false;
    struct stat facts;
    FILE *file = stat(path, &facts) == 0 && S_ISREG(facts.st_mode) && facts.st_size <= DEF_FILE_MAX ? fopen(path, "re")
                                                                                                    : NULL;
    while (file && !found && getline(&line, &room, file) > 0)
        found = strncmp(line, "module:", 7) == 0;
    if (file)
        (void)fclose(file);
    free(line);
    return found;
}

int job_definitions_load(const char *job, struct diagnostics *diagnostics, struct definitions *definitions,
                         bool *loaded)
{
    char *paths[FILES_MAX], *folder = NULL;
    size_t count = 0;
    int code = 0;
    const struct dirent *entry;
    *loaded = false;
    if (asprintf(&folder, "%s/definitions", job) < 0)
        return EXIT_OUR_FAULT;
    DIR *list = opendir(folder);
    while (list && !code && (entry = readdir(list))) {
        char *path;
        if (entry->d_name[0] == '.')
            continue;
        if (asprintf(&path, "%s/%s", folder, entry->d_name) < 0) {
            code = EXIT_OUR_FAULT;
        } else if (count < FILES_MAX && is_root(path)) {
            paths[count++] = path;
        } else {
            free(path);
        }
    }
    if (list)
        (void)closedir(list);
    qsort(paths, count, sizeof *paths, compare);
    if (!code && count) {
        *loaded = true;
        code = load_exit(definitions_load((const char *const *)paths, count, diagnostics, definitions));
    }
    for (size_t i = 0; i < count; i++)
        free(paths[i]);
    free(folder);
    return code;
}
