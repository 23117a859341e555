/*
 * Makes the nth call of a kind fail, or the power go at the nth call, in a program that knows nothing of it (LD_PRELOAD).
 *
 *   FAULT=KIND:N:HOW[,KIND:N:HOW]   KIND: alloc read write sync open rename close make trim; N from 1; HOW: ENOMEM ENOSPC EIO
 *                                   EINTR short (write and read: half of it is done)
 *   FAULT=power:N:SEED              at the Nth call that changes a file or folder the process ends, and what was not
 *                                   synced by then is damaged as the seed says: bytes cut off or overwritten, new names
 *                                   gone, renames undone (POSIX fsync(2): only what was synced is promised)
 *   MEDDLE=N:PATH                   at the Nth such call another hand appends a line to that file: by its name then;
 *                                   N:open:PATH through a descriptor that was opened at the start; N:new:PATH to a new file
 *   FAULT_REPORT=FILE               gets one byte for each fault that was reached
 *
 * Not seen: what libc does inside itself (stdio, tmpfile); the program under test writes its files through write(2).
 * Not counted: allocations that libcrypto asks for. OpenSSL 3.0 itself ends with a segmentation fault when one of those
 * of its first use fails (seen: EVP_MD_fetch locks a lock it could not make), which no caller can prevent. Nor is the one
 * read of libjansson: it takes a seed for its hashes from /dev/urandom, and another one when there is none.
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <link.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t count, size_t size);
extern void *__libc_realloc(void *old, size_t size);

enum kind { ALLOC, READ, WRITE, SYNC, OPEN, RENAME, CLOSE, MAKE, TRIM, POWER, KINDS };
static const char *const kind_names[] = {"alloc",  "read",  "write", "sync", "open",
                                         "rename", "close", "make",  "trim", "power"};

static struct plan {
    enum kind kind;
    unsigned long at;
    int error; /* 0: short */
} plans[4];
static unsigned plan_count;
static unsigned long counts[KINDS], seed;
static int report = -1;
static int ready;

/* What is on its way to the disk: names and bytes that no sync has covered yet. */
#define TRACKED 64
static struct file {
    char path[PATH_MAX]; /* where it is now */
    off_t synced;        /* bytes that a sync covered */
    int dirty;
} files[TRACKED];
static unsigned file_count;
static struct entry {
    char path[PATH_MAX], from[PATH_MAX]; /* from: "" for a new name */
    int pending, folder;
} entries[TRACKED];
static unsigned entry_count;

static unsigned long chance(void)
{
    seed = seed * 6364136223846793005UL + 1442695040888963407UL;
    return seed >> 33;
}

static int error_of(const char *name)
{
    return strncmp(name, "ENOMEM", 6) == 0 ? ENOMEM : strncmp(name, "ENOSPC", 6) == 0 ? ENOSPC
         : strncmp(name, "EIO", 3) == 0 ? EIO : strncmp(name, "EINTR", 5) == 0 ? EINTR : 0;
}

static int look_for_code(struct dl_phdr_info *info, size_t size, void *data);
static void meddle_begin(const char *text);

__attribute__((constructor)) static void prepare(void)
{
    const char *text = getenv("FAULT");
    const char *where = getenv("FAULT_REPORT");
    if (where)
        report = (int)syscall(SYS_openat, AT_FDCWD, where, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    while (text && *text && plan_count < 4) {
        for (int kind = 0; kind < KINDS; kind++) {
            size_t length = strlen(kind_names[kind]);
            if (strncmp(text, kind_names[kind], length) != 0 || text[length] != ':')
                continue;
            char *end;
            struct plan *plan = &plans[plan_count++];
            plan->kind = (enum kind)kind;
            plan->at = strtoul(text + length + 1, &end, 10);
            if (*end == ':') {
                plan->error = error_of(end + 1);
                seed = strtoul(end + 1, NULL, 10);
            }
            break;
        }
        text = strchr(text, ',');
        text = text ? text + 1 : NULL;
    }
    if (getenv("MEDDLE"))
        meddle_begin(getenv("MEDDLE"));
    (void)dl_iterate_phdr(look_for_code, NULL);
    ready = 1;
}

/* A place for a debugger to stop at: who was struck? */
__attribute__((noinline)) void fault_strikes(void)
{
    if (report >= 0)
        (void)syscall(SYS_write, report, "x", 1);
}

/* Counts a call. The plan that strikes it, or NULL. */
static const struct plan *strike(enum kind kind)
{
    if (!ready)
        return NULL;
    unsigned long now = ++counts[kind];
    for (unsigned i = 0; i < plan_count; i++)
        if (plans[i].kind == kind && plans[i].at == now) {
            fault_strikes();
            return &plans[i];
        }
    return NULL;
}

/* ---- who asks ---- */

static struct code {
    const char *name;
    uintptr_t begin, end;
} crypto = {.name = "libcrypto"}, jansson = {.name = "libjansson"};

static int look_for_code(struct dl_phdr_info *info, size_t size, void *data)
{
    (void)size, (void)data;
    struct code *code = strstr(info->dlpi_name, crypto.name)    ? &crypto
                        : strstr(info->dlpi_name, jansson.name) ? &jansson
                                                                : NULL;
    for (int i = 0; code && i < info->dlpi_phnum; i++)
        if (info->dlpi_phdr[i].p_type == PT_LOAD && info->dlpi_phdr[i].p_flags & PF_X) {
            code->begin = info->dlpi_addr + info->dlpi_phdr[i].p_vaddr;
            code->end = code->begin + info->dlpi_phdr[i].p_memsz;
        }
    return 0;
}

static int is_in(const struct code *code, const void *caller)
{
    return (uintptr_t)caller >= code->begin && (uintptr_t)caller < code->end;
}

/* The nth allocation of the program's own doing. */
static int no_room(const void *caller)
{
    if (!ready || is_in(&crypto, caller) || !strike(ALLOC))
        return 0;
    errno = ENOMEM;
    return 1;
}

/* ---- the power ---- */

static void path_of(int at, const char *name, char path[PATH_MAX])
{
    char link[64];
    path[0] = '\0';
    if (name && name[0] == '/') {
        (void)snprintf(path, PATH_MAX, "%s", name);
        return;
    }
    if (at == AT_FDCWD)
        (void)snprintf(link, sizeof link, "/proc/self/cwd");
    else
        (void)snprintf(link, sizeof link, "/proc/self/fd/%d", at);
    ssize_t length = syscall(SYS_readlinkat, AT_FDCWD, link, path, PATH_MAX - 1);
    path[length > 0 ? length : 0] = '\0';
    if (name) {
        size_t used = strlen(path);
        (void)snprintf(path + used, PATH_MAX - used, "/%s", name);
    }
}

static struct file *file_at(const char *path, int add)
{
    for (unsigned i = 0; i < file_count; i++)
        if (strcmp(files[i].path, path) == 0)
            return &files[i];
    if (!add || file_count == TRACKED)
        return NULL;
    (void)snprintf(files[file_count].path, PATH_MAX, "%s", path);
    return &files[file_count++];
}

/* The folder a name lies in begins with the folder's own path. */
static int lies_in(const char *path, const char *folder)
{
    const char *slash = strrchr(path, '/');
    size_t length = strlen(folder);
    return slash && (size_t)(slash - path) == length && strncmp(path, folder, length) == 0;
}

/* A renamed folder takes what is in it along. */
static void moved(char path[PATH_MAX], const char *from, const char *to)
{
    size_t length = strlen(from);
    char rest[PATH_MAX];
    if (strncmp(path, from, length) != 0 || (path[length] != '/' && path[length] != '\0'))
        return;
    (void)snprintf(rest, sizeof rest, "%s", path + length);
    (void)snprintf(path, PATH_MAX, "%.2000s%.2000s", to, rest);
}

static void damage_file(const struct file *file)
{
    struct stat now;
    if (!file->dirty || syscall(SYS_newfstatat, AT_FDCWD, file->path, &now, AT_SYMLINK_NOFOLLOW) != 0)
        return;
    off_t unsynced = now.st_size - file->synced;
    if (unsynced <= 0)
        return;
    off_t where = file->synced + (off_t)(chance() % (unsigned long)unsynced);
    if (chance() % 2) {
        (void)syscall(SYS_truncate, file->path, where);
        return;
    }
    int fd = (int)syscall(SYS_openat, AT_FDCWD, file->path, O_WRONLY, 0);
    char zeros[512] = {0};
    size_t length = (size_t)(now.st_size - where) < sizeof zeros ? (size_t)(now.st_size - where) : sizeof zeros;
    (void)syscall(SYS_pwrite64, fd, zeros, length, where);
    (void)syscall(SYS_close, fd);
}

static void power_off(void)
{
    for (unsigned i = 0; i < file_count; i++)
        damage_file(&files[i]);
    for (unsigned i = entry_count; i-- > 0;) {
        const struct entry *entry = &entries[i];
        if (!entry->pending || chance() % 2)
            continue;
        if (entry->from[0])
            (void)syscall(SYS_renameat2, AT_FDCWD, entry->path, AT_FDCWD, entry->from, 0);
        else
            (void)syscall(SYS_unlinkat, AT_FDCWD, entry->path, entry->folder ? AT_REMOVEDIR : 0);
    }
    syscall(SYS_exit_group, 99);
}

static unsigned long meddle_at, changes;
static const char *meddle_path;
static int meddle_file = -1, meddle_flags = O_WRONLY | O_APPEND | O_CLOEXEC;

static void meddle_begin(const char *text)
{
    char *rest;
    meddle_at = strtoul(text, &rest, 10);
    meddle_path = *rest ? rest + 1 : rest;
    if (strncmp(meddle_path, "open:", 5) == 0) {
        meddle_path += 5;
        meddle_file = (int)syscall(SYS_openat, AT_FDCWD, meddle_path, O_WRONLY | O_APPEND | O_CLOEXEC);
    } else if (strncmp(meddle_path, "new:", 4) == 0) {
        meddle_path += 4;
        meddle_flags |= O_CREAT | O_EXCL;
    }
}

static void meddle(void)
{
    static const char line[] = "{\"time\":\"2026-03-02T08:00:09Z\",\"kind\":\"note\",\"text\":\"another hand\"}\n";
    int file = meddle_file;
    if (file < 0)
        file = (int)syscall(SYS_openat, AT_FDCWD, meddle_path, meddle_flags, 0644);
    if (syscall(SYS_write, file, line, sizeof line - 1) == (long)sizeof line - 1)
        fault_strikes();
    if (meddle_file < 0)
        syscall(SYS_close, file);
}

static void change(void)
{
    if (ready && meddle_at && ++changes == meddle_at)
        meddle();
    if (strike(POWER))
        power_off();
}

static void note_entry(int at, const char *name, int from_at, const char *from, int folder)
{
    if (entry_count == TRACKED)
        return;
    struct entry *entry = &entries[entry_count++];
    path_of(at, name, entry->path);
    entry->from[0] = '\0';
    entry->folder = folder;
    entry->pending = 1;
    if (!from)
        return;
    path_of(from_at, from, entry->from);
    for (unsigned i = 0; i < file_count; i++)
        moved(files[i].path, entry->from, entry->path);
    for (unsigned i = 0; i + 1 < entry_count; i++)
        moved(entries[i].path, entry->from, entry->path);
}

static void note_sync(int fd)
{
    char path[PATH_MAX];
    struct stat now;
    path_of(fd, NULL, path);
    struct file *file = file_at(path, 0);
    if (file && syscall(SYS_fstat, fd, &now) == 0) {
        file->synced = now.st_size;
        file->dirty = 0;
    }
    for (unsigned i = 0; i < entry_count; i++)
        if (lies_in(entries[i].path, path))
            entries[i].pending = 0;
}

/* ---- the calls ---- */

static int failed(const struct plan *plan)
{
    errno = plan->error;
    return -1;
}

#define FAILS(kind) \
    const struct plan *struck = strike(kind); \
    if (struck) \
        return failed(struck)

void *malloc(size_t size)
{
    if (no_room(__builtin_return_address(0)))
        return NULL;
    return __libc_malloc(size);
}

void *calloc(size_t count, size_t size)
{
    if (no_room(__builtin_return_address(0)))
        return NULL;
    return __libc_calloc(count, size);
}

void *realloc(void *old, size_t size)
{
    if (no_room(__builtin_return_address(0)))
        return NULL;
    return __libc_realloc(old, size);
}

ssize_t read(int fd, void *to, size_t size)
{
    const struct plan *struck = is_in(&jansson, __builtin_return_address(0)) ? NULL : strike(READ);
    if (struck && struck->error)
        return failed(struck);
    return syscall(SYS_read, fd, to, struck && size > 1 ? size / 2 : size);
}

ssize_t pread(int fd, void *to, size_t size, off_t at)
{
    const struct plan *struck = strike(READ);
    if (struck && struck->error)
        return failed(struck);
    return syscall(SYS_pread64, fd, to, struck && size > 1 ? size / 2 : size, at);
}

int ftruncate(int fd, off_t length)
{
    const struct plan *struck = strike(TRIM);
    if (struck)
        return failed(struck);
    return (int)syscall(SYS_ftruncate, fd, length);
}

ssize_t write(int fd, const void *from, size_t size)
{
    char path[PATH_MAX];
    if (fd > 2)
        change();
    const struct plan *struck = strike(WRITE);
    if (struck && struck->error)
        return failed(struck);
    ssize_t put = syscall(SYS_write, fd, from, struck && size > 1 ? size / 2 : size);
    if (fd > 2 && plan_count) {
        path_of(fd, NULL, path);
        struct file *file = file_at(path, 1);
        if (file)
            file->dirty = 1;
    }
    return put;
}

int fsync(int fd)
{
    change();
    FAILS(SYNC);
    int result = (int)syscall(SYS_fsync, fd);
    note_sync(fd);
    return result;
}

int fdatasync(int fd)
{
    change();
    FAILS(SYNC);
    int result = (int)syscall(SYS_fdatasync, fd);
    note_sync(fd);
    return result;
}

static int open_any(int at, const char *name, int flags, mode_t mode)
{
    FAILS(OPEN);
    int fresh = (flags & O_CREAT) != 0 && syscall(SYS_faccessat, at, name, F_OK) != 0;
    if (fresh)
        change();
    int fd = (int)syscall(SYS_openat, at, name, flags, mode);
    if (fd >= 0 && fresh)
        note_entry(at, name, 0, NULL, 0);
    return fd;
}

int open(const char *name, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0;
    va_end(more);
    return open_any(AT_FDCWD, name, flags, mode);
}

int openat(int at, const char *name, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0;
    va_end(more);
    return open_any(at, name, flags, mode);
}

int renameat2(int from_at, const char *from, int at, const char *name, unsigned flags)
{
    change();
    FAILS(RENAME);
    int result = (int)syscall(SYS_renameat2, from_at, from, at, name, flags);
    if (result == 0)
        note_entry(at, name, from_at, from, 0);
    return result;
}

int renameat(int from_at, const char *from, int at, const char *name)
{
    return renameat2(from_at, from, at, name, 0);
}

int rename(const char *from, const char *name)
{
    return renameat2(AT_FDCWD, from, AT_FDCWD, name, 0);
}

/* The descriptor is gone also when close fails (Linux close(2)). */
int close(int fd)
{
    const struct plan *struck = strike(CLOSE);
    int result = (int)syscall(SYS_close, fd);
    return struck ? failed(struck) : result;
}

int mkdirat(int at, const char *name, mode_t mode)
{
    change();
    FAILS(MAKE);
    int result = (int)syscall(SYS_mkdirat, at, name, mode);
    if (result == 0)
        note_entry(at, name, 0, NULL, 1);
    return result;
}

int mkdir(const char *name, mode_t mode)
{
    return mkdirat(AT_FDCWD, name, mode);
}

char *mkdtemp(char *template)
{
    static char *(*real)(char *);
    if (!real)
        real = (char *(*)(char *))dlsym(RTLD_NEXT, "mkdtemp");
    change();
    const struct plan *struck = strike(MAKE);
    if (struck) {
        errno = struck->error;
        return NULL;
    }
    char *made = real(template);
    if (made)
        note_entry(AT_FDCWD, made, 0, NULL, 1);
    return made;
}
