/* See folder_disk.h. */
#include "folder_disk.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

bool folder_sync(int at, const char *name)
{
    int fd = openat(at, name, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return false;
    bool good = fsync(fd) == 0;
    return close(fd) == 0 && good;
}

bool folder_sync_parent(const char *path)
{
    const char *slash = strrchr(path, '/');
    if (!slash)
        return folder_sync(AT_FDCWD, ".");
    char *parent = slash == path ? strdup("/") : strndup(path, (size_t)(slash - path));
    bool good = parent && folder_sync(AT_FDCWD, parent);
    free(parent);
    return good;
}

static void empty_level(int fd, bool deeper)
{
    DIR *list = fdopendir(fd);
    const struct dirent *entry;
    if (!list) {
        (void)close(fd);
        return;
    }
    while ((entry = readdir(list)) != NULL) {
        const char *name = entry->d_name;
        if (strcmp(name, ".") == 0 || strcmp(name, "..") == 0 || unlinkat(fd, name, 0) == 0 || !deeper)
            continue;
        int inner = openat(fd, name, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
        if (inner >= 0)
            empty_level(inner, false);
        (void)unlinkat(fd, name, AT_REMOVEDIR);
    }
    (void)closedir(list);
}

void folder_empty(int fd)
{
    empty_level(fd, true);
}
