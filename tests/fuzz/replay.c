/*
 * Runs a fuzz target over kept inputs, without libFuzzer: every file of the folders (not deeper) and every file named,
 * in order of name. Ends 0 when all ran; a failed check or a sanitizer ends the process, and the last line written
 * tells the file. A folder without inputs is a failure: then nothing was tested.
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <string.h>
#include <sys/stat.h>

#include "fuzz.h"

int LLVMFuzzerInitialize(int *argument_count, char ***arguments) __attribute__((weak));

static bool run_file(const char *path)
{
    FILE *file = fopen(path, "rb");
    struct stat about;
    if (!file || fstat(fileno(file), &about) != 0) {
        perror(path);
        return false;
    }
    /* Exactly as large as the input, so that AddressSanitizer sees one byte too many. */
    size_t size = (size_t)about.st_size;
    uint8_t *bytes = malloc(size ? size : 1);
    bool good = bytes && fread(bytes, 1, size, file) == size;
    if (fclose(file) != 0 || !good) {
        (void)fprintf(stderr, "%s: cannot be read\n", path);
        return false;
    }
    (void)fprintf(stderr, "%s\n", path);
    if (size == 0) {
        free(bytes);
        bytes = NULL;
    }
    (void)LLVMFuzzerTestOneInput(bytes, size);
    free(bytes);
    return true;
}

static int run_folder(const char *path)
{
    struct dirent **entries;
    int found = scandir(path, &entries, NULL, alphasort), ran = 0;
    if (found < 0)
        perror(path);
    for (int i = 0; i < found; i++) {
        char *name = NULL;
        if (entries[i]->d_name[0] != '.' && asprintf(&name, "%s/%s", path, entries[i]->d_name) > 0 && run_file(name))
            ran++;
        free(name);
        free(entries[i]);
    }
    if (found >= 0)
        free(entries);
    return ran;
}

int main(int argument_count, char **arguments)
{
    int ran = 0;
    bool good = argument_count > 1;
    if (LLVMFuzzerInitialize)
        (void)LLVMFuzzerInitialize(&argument_count, &arguments);
    for (int i = 1; i < argument_count; i++) {
        struct stat about;
        bool folder = stat(arguments[i], &about) == 0 && S_ISDIR(about.st_mode);
        int more = folder ? run_folder(arguments[i]) : run_file(arguments[i]);
        good = good && more > 0;
        ran += more;
    }
    printf("%d inputs\n", ran);
    return good ? 0 : 1;
}
