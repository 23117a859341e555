/*
 * Preloaded into a program (LD_PRELOAD), makes every sync of a file fail with EIO as long as the file /tmp/sync-fails
 * is there: what a disk does whose cable came off. Part of the emulated vehicle bus (tests/bench/vm).
 */
#include <errno.h>
#include <sys/syscall.h>
#include <unistd.h>

static int sync_or_fail(long number, int fd)
{
    if (syscall(SYS_access, "/tmp/sync-fails", F_OK) == 0) {
        errno = EIO;
        return -1;
    }
    return (int)syscall(number, fd);
}

int fsync(int fd) { return sync_or_fail(SYS_fsync, fd); }
int fdatasync(int fd) { return sync_or_fail(SYS_fdatasync, fd); }
