/* See folder.h. */
#define _GNU_SOURCE /* st_ctim, st_mtim */
#include "folder.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../support/interrupt.h"

#define READ_ROOM (256u * 1024u)
#define NAMES_CEILING (FOLDER_ENTRIES_MAX * (FOLDER_NAME_MAX + 16u))

static const char definitions_prefix[] = "definitions/";
#define PREFIX_LENGTH (sizeof definitions_prefix - 1)

const char *folder_kind_text(enum folder_kind kind)
{
    static const char *const words[] = {"a file", "a symbolic link", "a pipe", "a socket", "a device", "a folder",
                                        "something that cannot be looked at"};
    return words[kind];
}

static enum folder_kind kind_of(int fd, const char *name)
{
    struct stat facts;
    if (fstatat(fd, name, &facts, AT_SYMLINK_NOFOLLOW) != 0)
        return FOLDER_UNREADABLE;
    switch (facts.st_mode & S_IFMT) {
    case S_IFREG:
        return FOLDER_FILE;
    case S_IFLNK:
        return FOLDER_LINK;
    case S_IFIFO:
        return FOLDER_PIPE;
    case S_IFSOCK:
        return FOLDER_SOCKET;
    case S_IFDIR:
        return FOLDER_FOLDER;
    default:
        return FOLDER_DEVICE;
    }
}

int folder_definitions(int fd)
{
    return openat(fd, "definitions", O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
}

/* ---- listing ---- */

static bool add_entry(struct folder_list *list, const char *prefix, const char *name, enum folder_kind kind)
{
    char full[FOLDER_NAME_MAX];
    size_t before = strlen(prefix), length = strlen(name);
    if (list->count == FOLDER_ENTRIES_MAX) {
        list->more = true;
        return true;
    }
    if (before + length >= sizeof full) /* names of Linux have at most 255 bytes */
        length = sizeof full - 1 - before;
    memcpy(full, prefix, before);
    memcpy(full + before, name, length);
    char *kept = arena_text(&list->arena, full, before + length);
    if (!kept) {
        errno = ENOMEM;
        return false;
    }
    list->list[list->count++] = (struct folder_entry){kept, kind};
    return true;
}

/* Entries of the folder open at fd, which it closes. */
static bool list_level(struct folder_list *list, int fd, const char *prefix)
{
    DIR *stream = fd < 0 ? NULL : fdopendir(fd);
    if (!stream) {
        int error = errno;
        if (fd >= 0)
            (void)close(fd);
        errno = error;
        return false;
    }
    bool good = true;
    while (good && !list->more) {
        errno = 0;
        const struct dirent *entry = readdir(stream);
        if (!entry) {
            good = errno == 0;
            break;
        }
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        enum folder_kind kind = kind_of(dirfd(stream), entry->d_name);
        if (!prefix[0] && kind == FOLDER_FOLDER && strcmp(entry->d_name, "definitions") == 0)
            list->has_definitions = true;
        else
            good = add_entry(list, prefix, entry->d_name, kind);
    }
    int error = errno;
    (void)closedir(stream);
    errno = error;
    return good;
}

static int by_name(const void *left, const void *right)
{
    return strcmp(((const struct folder_entry *)left)->name, ((const struct folder_entry *)right)->name);
}

bool folder_list(struct folder_list *list, int fd)
{
    *list = (struct folder_list){.count = 0};
    arena_init(&list->arena, NAMES_CEILING);
    list->list = calloc(FOLDER_ENTRIES_MAX, sizeof *list->list);
    if (!list->list) {
        errno = ENOMEM;
        return false;
    }
    /* Opened anew: a duplicate would share its place in the listing with whoever else reads it. */
    if (!list_level(list, openat(fd, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC), ""))
        return false;
    if (list->has_definitions && !list_level(list, folder_definitions(fd), definitions_prefix))
        return false;
    qsort(list->list, list->count, sizeof *list->list, by_name);
    return true;
}

const struct folder_entry *folder_find(const struct folder_list *list, const char *name)
{
    const struct folder_entry wanted = {.name = name};
    if (!list->list)
        return NULL;
    return bsearch(&wanted, list->list, list->count, sizeof *list->list, by_name);
}

void folder_list_free(struct folder_list *list)
{
    arena_free(&list->arena);
    free(list->list);
    *list = (struct folder_list){.count = 0};
}

/* ---- names ---- */

const char *folder_name_fault(const char *name, size_t length)
{
    if (length == 0)
        return "is no name";
    if (name[0] == '/')
        return "is an absolute path";
    if (length > PREFIX_LENGTH && memcmp(name, definitions_prefix, PREFIX_LENGTH) == 0) {
        name += PREFIX_LENGTH;
        length -= PREFIX_LENGTH;
    }
    for (size_t i = 0, start = 0; i <= length; i++) {
        if (i < length && name[i] != '/')
            continue;
        if (i - start == 2 && memcmp(name + start, "..", 2) == 0)
            return "leads out of the folder by \"..\"";
        start = i + 1;
    }
    if (memchr(name, '/', length))
        return "lies in another folder than definitions/";
    if (length == 1 && name[0] == '.')
        return "is no name of a file";
    for (size_t i = 0; i < length; i++) {
        char c = name[i];
        if (!((c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '.' || c == '_' ||
              c == '-'))
            return "has other characters than A-Z a-z 0-9 . _ -";
    }
    return length > 255 ? "is longer than 255 bytes" : NULL;
}

/* ---- files ---- */

bool folder_stamp_same(const struct folder_stamp *a, const struct folder_stamp *b)
{
    return a->device == b->device && a->inode == b->inode && a->bytes == b->bytes &&
           a->changed.tv_sec == b->changed.tv_sec && a->changed.tv_nsec == b->changed.tv_nsec &&
           a->modified.tv_sec == b->modified.tv_sec && a->modified.tv_nsec == b->modified.tv_nsec;
}

static void stamp_of(struct folder_stamp *stamp, const struct stat *facts)
{
    *stamp = (struct folder_stamp){facts->st_dev, facts->st_ino, facts->st_size, facts->st_ctim, facts->st_mtim};
}

/* The folder in which name lies (fd itself, or definitions/ opened) and the name there. */
static int place_of(int fd, const char **name)
{
    if (strncmp(*name, definitions_prefix, PREFIX_LENGTH) != 0)
        return fd;
    *name += PREFIX_LENGTH;
    return folder_definitions(fd);
}

static int open_in(int place, const char *name, struct folder_stamp *stamp)
{
    struct stat facts;
    /* Looked at before it is opened: opening a device can do something, and a pipe would keep us waiting. */
    if (fstatat(place, name, &facts, AT_SYMLINK_NOFOLLOW) != 0)
        return -1;
    if (!S_ISREG(facts.st_mode)) {
        errno = S_ISLNK(facts.st_mode) ? ELOOP : ENOTSUP;
        return -1;
    }
    int file = openat(place, name, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (file < 0)
        return -1;
    if (fstat(file, &facts) != 0 || !S_ISREG(facts.st_mode)) {
        (void)close(file);
        errno = ENOTSUP;
        return -1;
    }
    stamp_of(stamp, &facts);
    return file;
}

int folder_open(int fd, const char *name, struct folder_stamp *stamp)
{
    int place = place_of(fd, &name);
    if (place < 0)
        return -1;
    int file = open_in(place, name, stamp), error = errno;
    if (place != fd)
        (void)close(place);
    errno = error;
    return file;
}

bool folder_look(int fd, const char *name, struct folder_stamp *stamp)
{
    struct stat facts;
    int place = place_of(fd, &name);
    if (place < 0)
        return false;
    bool good = fstatat(place, name, &facts, AT_SYMLINK_NOFOLLOW) == 0;
    int error = errno;
    if (good && !S_ISREG(facts.st_mode)) {
        good = false;
        error = S_ISLNK(facts.st_mode) ? ELOOP : ENOTSUP;
    }
    if (good)
        stamp_of(stamp, &facts);
    if (place != fd)
        (void)close(place);
    errno = error;
    return good;
}

static ssize_t read_some(int file, void *room, size_t size)
{
    ssize_t got;
    do {
        got = read(file, room, size);
    } while (got < 0 && errno == EINTR && !interrupt_asked());
    return got;
}

bool folder_read_at(int file, void *room, size_t length, off_t at, size_t *got)
{
    *got = 0;
    while (*got < length) {
        ssize_t now = pread(file, (char *)room + *got, length - *got, at + (off_t)*got);
        if (now < 0 && errno == EINTR)
            continue;
        if (now <= 0)
            return now == 0;
        *got += (size_t)now;
    }
    return true;
}

bool folder_read(int fd, const char *name, void *room, size_t size, size_t *length)
{
    struct folder_stamp stamp;
    int file = folder_open(fd, name, &stamp);
    *length = 0;
    if (file < 0)
        return false;
    ssize_t got = 1;
    while (got > 0 && *length < size) {
        got = read_some(file, (char *)room + *length, size - *length);
        if (got > 0)
            *length += (size_t)got;
    }
    int error = got < 0 ? errno : 0;
    char beyond;
    if (!error && *length == size && read_some(file, &beyond, 1) != 0)
        error = EFBIG;
    (void)close(file);
    errno = error;
    return error == 0;
}

bool folder_hash(int fd, const char *name, char sha256[DIGEST_TEXT], struct folder_stamp *stamp)
{
    struct digest digest = {NULL};
    sha256[0] = '\0';
    int file = folder_open(fd, name, stamp);
    if (file < 0)
        return false;
    uint8_t *room = malloc(READ_ROOM);
    int error = room && digest_open(&digest) ? 0 : ENOMEM;
    while (!error) {
        ssize_t got = read_some(file, room, READ_ROOM);
        if (interrupt_asked())
            error = EINTR;
        else if (got < 0)
            error = errno;
        else if (got > 0 && !digest_add(&digest, room, (size_t)got))
            error = ENOMEM;
        if (got <= 0)
            break;
    }
    if (!error && !digest_text(&digest, sha256))
        error = ENOMEM;
    digest_close(&digest);
    free(room);
    (void)close(file);
    errno = error;
    return error == 0;
}
