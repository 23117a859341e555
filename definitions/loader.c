/* See loader.h. */
#include "loader.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../decoder/support/buffer.h"
#include "load.h"

#define MODEL_CEILING  ((size_t)256 << 20)
#define NEAREST_BUDGET 100000000

static const char *last_component(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash && slash[1] ? slash + 1 : path;
}

/* The whole file into `bytes`, at most DEF_FILE_MAX + 1 bytes of it. False with errno set. */
static bool read_all(const char *path, struct buffer *bytes)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return false;
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
    int reason = errno;
    close(fd);
    errno = reason;
    return got >= 0;
}

/* Reads file i. Its bytes are "" when that fails; *opened tells whether it could be read at all. */
static bool take_file(struct load *load, uint32_t i, const char *path, struct diagnostics *diagnostics, bool *opened,
                      bool *usable)
{
    struct def_file *file = &load->definitions->files[i];
    struct arena *arena = &load->definitions->arena;
    struct buffer bytes;
    buffer_init(&bytes, DEF_FILE_MAX + 1);
    *usable = false;
    file->bytes = "";
    file->path = arena_text(arena, path, strlen(path));
    file->name = file->path ? last_component(file->path) : NULL;
    *opened = read_all(path, &bytes);
    if (!*opened)
        diagnostics_say(diagnostics, SEVERITY_ERROR, path, "cannot be read: %s; check the path", strerror(errno));
    else if (bytes.length > DEF_FILE_MAX)
        mistakes_add(&load->mistakes, SEVERITY_ERROR, (struct def_place){i, 0, 0},
                     "the file is larger than 4 MiB; a definition file is a few kilobytes of text");
    else
        *usable = true;
    bool good = file->path != NULL;
    if (*usable) {
        const char *copy = arena_text(arena, (const char *)bytes.data, bytes.length);
        good &= copy && digest_of(copy, bytes.length, file->sha256);
        if (copy) {
            file->bytes = copy;
            file->length = bytes.length;
        }
    }
    buffer_free(&bytes);
    return good;
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

/* All files, one after the other; false without memory. */
static bool load_files(struct load *load, const char *const *paths, uint32_t count, struct diagnostics *diagnostics,
                       bool *all_opened)
{
    for (uint32_t i = 0; i < count && !load->no_memory; i++) {
        bool opened, usable, cut = false;
        struct node *root = NULL;
        load->file = i;
        if (!take_file(load, i, paths[i], diagnostics, &opened, &usable))
            return false;
        *all_opened &= opened;
        if (usable && !tree_read(&load->mistakes, i, &load->scratch, &root, &cut))
            return false;
        load->cut |= !usable || cut || !root;
        if (root)
            load_file(load, root);
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
    definitions->files = load_keep(&load, count, sizeof *definitions->files);
    definitions->modules = load_keep(&load, count, sizeof *definitions->modules);
    load.id_places = load_scratch(&load, count, sizeof *load.id_places);
    bool good = !load.no_memory && mistakes_init(&load.mistakes, &load.scratch, definitions->files, count);
    if (good) {
        definitions->file_count = count;
        good = load_files(&load, paths, count, diagnostics, &all_opened);
    }
    if (good) {
        find_main_module(&load);
        load_resolve(&load);
        load.file = load.procedure_file;
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
    enum load_result result = !all_opened                                           ? LOAD_CANNOT_OPEN
                              : load.mistakes.no_memory || load.mistakes.errors > 0 ? LOAD_MISTAKES
                                                                                    : LOAD_OK;
    if (result != LOAD_OK) /* nothing in there may be used, least of all what grew in scratch */
        *definitions = (struct definitions){.arena = definitions->arena,
                                            .files = definitions->files,
                                            .file_count = definitions->file_count,
                                            .main_module = DEF_NONE};
    arena_free(&load.scratch);
    return result;
}

void definitions_free(struct definitions *definitions)
{
    arena_free(&definitions->arena);
    *definitions = (struct definitions){.main_module = DEF_NONE};
}
