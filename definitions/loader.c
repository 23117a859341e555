/* See loader.h. */
#include "loader.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../decoder/support/buffer.h"
#include "load.h"

#define MODEL_CEILING  ((size_t)256 << 20)
#define NEAREST_BUDGET 100000000
#define INCLUDED_MAX   64 /* files included by all files together */

static const char *last_component(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash && slash[1] ? slash + 1 : path;
}

/* The whole file into `bytes`, at most DEF_FILE_MAX + 1 bytes of it. False with errno set. */
static bool read_all(int fd, struct buffer *bytes)
{
    uint8_t piece[16384];
    ssize_t got = 1;
    while (got > 0 && bytes->length <= DEF_FILE_MAX) {
        size_t room = DEF_FILE_MAX + 1 - bytes->length;
        do
            got = read(fd, piece, room < sizeof piece ? room : sizeof piece);
        while (got < 0 && errno == EINTR);
        if (got > 0 && !buffer_append(bytes, piece, (size_t)got)) {
            errno = ENOMEM;
            got = -1;
        }
    }
    return got >= 0;
}

/* Reads the open file i, its path is set, into a tree; false with errno set when that cannot be done. Mistakes in it
 * are told. */
static bool take_file(struct load *load, uint32_t i, int fd)
{
    struct def_file *file = &load->definitions->files[i];
    struct arena *arena = &load->definitions->arena;
    struct node *root = NULL;
    struct buffer bytes;
    struct stat about;
    bool cut = true;
    if (fstat(fd, &about) != 0)
        return false;
    load->files[i].device = about.st_dev;
    load->files[i].serial = about.st_ino;
    buffer_init(&bytes, DEF_FILE_MAX + 1);
    bool read = read_all(fd, &bytes);
    int reason = errno;
    if (read && bytes.length > DEF_FILE_MAX) {
        mistakes_add(&load->mistakes, SEVERITY_ERROR, (struct def_place){i, 0, 0},
                     "the file is larger than 4 MiB; a definition file is a few kilobytes of text");
    } else if (read) {
        const char *copy = arena_text(arena, (const char *)bytes.data, bytes.length);
        if (copy) {
            file->bytes = copy;
            file->length = bytes.length;
        }
        if (!copy || !digest_of(copy, bytes.length, file->sha256) ||
            !tree_read(&load->mistakes, i, &load->scratch, &root, &cut))
            load->no_memory = true;
    }
    load->cut |= cut || !root;
    load->files[i].root = root;
    load->files[i].opened = read;
    buffer_free(&bytes);
    errno = reason;
    return read;
}

/* Names the next file; false without memory. */
static bool name_file(struct load *load, uint32_t i, const char *path)
{
    struct def_file *file = &load->definitions->files[i];
    *file = (struct def_file){.bytes = "", .path = arena_text(&load->definitions->arena, path, strlen(path))};
    file->name = file->path ? last_component(file->path) : NULL;
    load->no_memory |= !file->path;
    return file->path != NULL;
}

bool load_beside(struct load *load, const struct node *entry, const char *name, uint32_t *file)
{
    struct definitions *definitions = load->definitions;
    const char *from = definitions->files[entry->file].path, *slash = strrchr(from, '/');
    size_t folder = slash ? (size_t)(slash - from) + 1 : 0, length = strlen(name);
    char *path = load_scratch(load, folder + length + 1, 1);
    struct stat about;
    if (!path)
        return false;
    memcpy(path, from, folder);
    memcpy(path + folder, name, length);
    /* Not blocked by a pipe of that name, and never a terminal's owner. */
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    bool good = fd >= 0 && fstat(fd, &about) == 0;
    int reason = errno;
    uint32_t count = definitions->file_count;
    if (good && !S_ISREG(about.st_mode)) {
        load_say(load, entry, "\"%.200s\" is no ordinary file; name one", name);
    } else if (good) {
        for (*file = 0; *file < count; ++*file)
            if (load->files[*file].opened && load->files[*file].device == about.st_dev &&
                load->files[*file].serial == about.st_ino) {
                close(fd);
                return true;
            }
        if (count == load->file_room) {
            load_say(load, entry, "more than %d files are included; put them together", INCLUDED_MAX);
        } else if (name_file(load, count, path)) {
            definitions->file_count++;
            if (take_file(load, count, fd)) {
                close(fd);
                return !load->no_memory;
            }
            good = false;
            reason = errno;
        }
    }
    if (!good)
        load_say(load, entry, "\"%.200s\" cannot be read: %s; check the name", name, strerror(reason));
    if (fd >= 0)
        close(fd);
    load->cut = true; /* what is missing may stand there */
    return false;
}

/* Copies what grew in scratch into the model. */
static bool settle(struct load *load)
{
    struct definitions *definitions = load->definitions;
    struct def_reading *readings = load_keep(load, definitions->reading_count, sizeof *readings);
    struct def_action *actions = load_keep(load, definitions->action_count, sizeof *actions);
    if (!readings || !actions)
        return false;
    if (definitions->reading_count)
        memcpy(readings, definitions->readings, definitions->reading_count * sizeof *readings);
    if (definitions->action_count)
        memcpy(actions, definitions->actions, definitions->action_count * sizeof *actions);
    definitions->readings = readings;
    definitions->actions = actions;
    return true;
}

/* All files, one after the other, then what they include, then modules in the order given; false without memory. */
static bool load_files(struct load *load, const char *const *paths, uint32_t count, struct diagnostics *diagnostics,
                       bool *all_opened)
{
    for (uint32_t i = 0; i < count && !load->no_memory; i++) {
        if (!name_file(load, i, paths[i]))
            return false;
        load->definitions->file_count++;
        int fd = open(paths[i], O_RDONLY | O_CLOEXEC);
        if (fd < 0 || !take_file(load, i, fd)) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, paths[i], "cannot be read: %s; check the path",
                            strerror(errno));
            *all_opened = false;
            load->cut = true;
        }
        if (fd >= 0)
            close(fd);
    }
    for (uint32_t i = 0; i < count && !load->no_memory; i++)
        if (load_describes_module(load->files[i].root))
            load_sections(load, i);
    for (uint32_t i = 0; i < count && !load->no_memory; i++) {
        /* A shared file may be given beside those that include it, as in a folder that holds all of them. */
        bool shared = !load_describes_module(load->files[i].root);
        if (shared && load->files[i].included)
            continue;
        if (shared)
            load_sections(load, i); /* tells what it lacks */
        if (load->files[i].root)
            load_file(load, i);
    }
    return !load->no_memory;
}

static void find_main_module(struct load *load)
{
    struct definitions *definitions = load->definitions;
    if (!load->conditions && !load->procedure)
        return;
    for (uint32_t i = 0; i < definitions->module_count; i++)
        if (definitions->modules[i].file == load->procedure_file)
            definitions->main_module = i;
}

enum load_result definitions_load(const char *const *paths, size_t path_count, struct diagnostics *diagnostics,
                                  struct definitions *definitions)
{
    struct load load = {.definitions = definitions, .nearest_budget = NEAREST_BUDGET};
    bool all_opened = true;
    *definitions = (struct definitions){.main_module = DEF_NONE};
    arena_init(&definitions->arena, MODEL_CEILING);
    arena_init(&load.scratch, MODEL_CEILING);
    uint32_t count = path_count < 1000 ? (uint32_t)path_count : 1000;
    if (path_count > count) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, NULL, "more than %u definition files", count);
        return LOAD_MISTAKES;
    }
    load.file_room = count + INCLUDED_MAX;
    load.files = load_scratch(&load, load.file_room, sizeof *load.files);
    definitions->files = load_keep(&load, load.file_room, sizeof *definitions->files);
    definitions->modules = load_keep(&load, count, sizeof *definitions->modules);
    load.id_places = load_scratch(&load, count, sizeof *load.id_places);
    bool good = !load.no_memory && mistakes_init(&load.mistakes, &load.scratch, definitions->files, load.file_room) &&
                load_files(&load, paths, count, diagnostics, &all_opened);
    if (good) {
        find_main_module(&load);
        load_resolve(&load);
        load_conditions(&load);
        load_procedure(&load);
        good = !load.no_memory && settle(&load);
    }
    if (!good)
        load.mistakes.no_memory = true;
    if (load.mistakes.lines)
        mistakes_tell(&load.mistakes, diagnostics);
    else
        diagnostics_say(diagnostics, SEVERITY_ERROR, NULL, "memory ran out before definition files were read");
    enum load_result result = !all_opened                ? LOAD_CANNOT_OPEN
                              : load.mistakes.no_memory  ? LOAD_NO_MEMORY
                              : load.mistakes.errors > 0 ? LOAD_MISTAKES
                                                         : LOAD_OK;
    if (result != LOAD_OK) /* nothing in there may be used, least of all what grew in scratch */
        *definitions = (struct definitions){.arena = definitions->arena,
                                            .files = definitions->files,
                                            .file_count = definitions->file_count,
                                            .main_module = DEF_NONE};
    arena_free(&load.scratch);
    return result;
}

int load_exit(enum load_result result)
{
    static const int codes[] = {[LOAD_MISTAKES] = EXIT_BAD_INPUT, [LOAD_NO_MEMORY] = EXIT_OUR_FAULT,
                                [LOAD_CANNOT_OPEN] = EXIT_CANNOT_OPEN};
    return codes[result];
}

void definitions_free(struct definitions *definitions)
{
    arena_free(&definitions->arena);
    *definitions = (struct definitions){.main_module = DEF_NONE};
}
