/* See fuzz.h. */
#define _GNU_SOURCE /* memfd_create */
#include "fuzz.h"

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#define FOLDER "job/"
#define NAMES_MAX 6 /* slots of fuzz_file that the folder uses, from the last one down */

static int slots[FUZZ_SLOTS] = {-1, -1, -1, -1, -1, -1, -1, -1};
static struct { char name[256]; int fd; } names[NAMES_MAX];
static unsigned name_count;
static bool armed;

int fuzz_file(unsigned slot, const void *data, size_t size)
{
    if (slots[slot] < 0) {
        slots[slot] = memfd_create("input", MFD_CLOEXEC);
        FUZZ_CHECK(slots[slot] >= 0 && fchmod(slots[slot], 0600) == 0); /* as a key must be */
    }
    int fd = slots[slot];
    FUZZ_CHECK(ftruncate(fd, 0) == 0);
    FUZZ_CHECK(size == 0 || pwrite(fd, data, size, 0) == (ssize_t)size);
    FUZZ_CHECK(lseek(fd, 0, SEEK_SET) == 0);
    return fd;
}

void fuzz_folder_arm(void)
{
    name_count = 0;
    armed = true;
}

void fuzz_folder_put(const char *name, const void *data, size_t size)
{
    FUZZ_CHECK(name_count < NAMES_MAX && strlen(name) < sizeof names[0].name);
    (void)strcpy(names[name_count].name, name);
    names[name_count].fd = fuzz_file(FUZZ_SLOTS - 1 - name_count, data, size);
    name_count++;
}

void fuzz_folder_disarm(void)
{
    armed = false;
}

int __real_open(const char *path, int flags, ...);
int __wrap_open(const char *path, int flags, ...);
FILE *__wrap_tmpfile(void);

int __wrap_open(const char *path, int flags, ...)
{
    va_list arguments;
    va_start(arguments, flags);
    int mode = flags & O_CREAT ? va_arg(arguments, int) : 0;
    va_end(arguments);
    if (!armed)
        return __real_open(path, flags, mode);
    FUZZ_CHECK((flags & (O_ACCMODE | O_CREAT | O_TRUNC)) == O_RDONLY);
    FUZZ_CHECK(strncmp(path, FOLDER, strlen(FOLDER)) == 0);
    const char *name = path + strlen(FOLDER);
    FUZZ_CHECK(!strchr(name, '/') && strcmp(name, "..") != 0 && strcmp(name, ".") != 0);
    for (unsigned i = 0; i < name_count; i++)
        if (strcmp(names[i].name, name) == 0) {
            FUZZ_CHECK(lseek(names[i].fd, 0, SEEK_SET) == 0);
            return dup(names[i].fd);
        }
    errno = ENOENT;
    return -1;
}

static unsigned shortage;

void fuzz_shortage(unsigned nth)
{
    shortage = nth;
}

static bool is_short(void)
{
    return shortage > 0 && --shortage == 0;
}

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *piece, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *piece, size_t size);

void *__wrap_malloc(size_t size)
{
    return is_short() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    return is_short() ? NULL : __real_calloc(count, size);
}

void *__wrap_realloc(void *piece, size_t size)
{
    return is_short() ? NULL : __real_realloc(piece, size);
}

FILE *__wrap_tmpfile(void)
{
    int fd = is_short() ? -1 : memfd_create("temporary", MFD_CLOEXEC);
    return fd < 0 ? NULL : fdopen(fd, "w+b");
}
