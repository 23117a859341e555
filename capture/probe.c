/* See probe.h. */
#define _GNU_SOURCE
#include "probe.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/aio_abi.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <linux/io_uring.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/sendfile.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static const char *name;
static int bus, trace, file, ends[2];
static struct can_frame frame = {.can_id = 0x7A5, .len = 8, .data = "attempt"};
static aio_context_t aio;

void probe_prepare(int the_bus, int the_trace)
{
    name = getenv("CAPTURE_PROBE");
    bus = the_bus;
    trace = the_trace;
    file = memfd_create("probe", 0);
    if (file < 0 || write(file, &frame, sizeof frame) != sizeof frame || lseek(file, 0, SEEK_SET) != 0 ||
        pipe(ends) != 0 || write(ends[1], &frame, sizeof frame) != sizeof frame)
        _exit(99);
    if (name && strcmp(name, "io_submit") == 0 && syscall(SYS_io_setup, 4, &aio) != 0)
        _exit(99);
}

static long try_send(void) { return send(bus, &frame, sizeof frame, 0); }
static long try_sendto(void) { return sendto(bus, &frame, sizeof frame, MSG_DONTWAIT, NULL, 0); }

static struct iovec piece = {&frame, sizeof frame};

static long try_sendmsg(void)
{
    struct msghdr header = {.msg_iov = &piece, .msg_iovlen = 1};
    return sendmsg(bus, &header, 0);
}

static long try_sendmmsg(void)
{
    struct mmsghdr header = {.msg_hdr = {.msg_iov = &piece, .msg_iovlen = 1}};
    return sendmmsg(bus, &header, 1, 0);
}

static long try_write(void) { return write(bus, &frame, sizeof frame); }
static long try_write_high(void) { return syscall(SYS_write, 0x700000000L | bus, &frame, sizeof frame); }
static long try_writev(void) { return writev(bus, &piece, 1); }
static long try_pwritev2(void) { return pwritev2(bus, &piece, 1, -1, 0); }
static long try_pwrite(void) { return pwrite(bus, &frame, sizeof frame, 0); }
static long try_sendfile(void) { return sendfile(bus, file, NULL, sizeof frame); }
static long try_splice(void) { return splice(ends[0], NULL, bus, NULL, sizeof frame, 0); }
static long try_tee(void) { return tee(ends[0], ends[1], sizeof frame, 0); }

static long try_io_uring(void)
{
    struct io_uring_params about = {0};
    return syscall(SYS_io_uring_setup, 4, &about);
}

static long try_io_setup(void) { return syscall(SYS_io_setup, 4, &aio); }

static long try_io_submit(void)
{
    struct iocb call = {.aio_fildes = (uint32_t)bus, .aio_lio_opcode = IOCB_CMD_PWRITE, .aio_buf = (uintptr_t)&frame,
                        .aio_nbytes = sizeof frame};
    struct iocb *calls[] = {&call};
    return syscall(SYS_io_submit, aio, 1, calls);
}

/* A trace's number for the bus socket: then the allowed write would send. */
static long try_dup(void) { return dup(bus); }
static long try_dup2(void) { return dup2(bus, trace) < 0 ? -1 : write(trace, &frame, sizeof frame); }
static long try_dup3(void) { return dup3(bus, trace, O_CLOEXEC) < 0 ? -1 : write(trace, &frame, sizeof frame); }
static long try_fcntl(void) { return fcntl(bus, F_DUPFD, 100); }
static long try_socket(void) { return socket(PF_CAN, SOCK_RAW, CAN_RAW); }
static long try_socketpair(void) { return socketpair(AF_UNIX, SOCK_STREAM, 0, (int[2]){0}); }
static long try_setsockopt(void) { return setsockopt(bus, SOL_CAN_RAW, CAN_RAW_LOOPBACK, &(int){1}, sizeof(int)); }
static struct sockaddr_can all_buses = {.can_family = AF_CAN};
static long try_bind(void) { return bind(bus, (struct sockaddr *)&all_buses, sizeof all_buses); }
static long try_connect(void) { return connect(bus, (struct sockaddr *)&all_buses, sizeof all_buses); }
static long try_ioctl(void) { return ioctl(bus, 0x8933 /* SIOCGIFINDEX */, (char[64]){"can0"}); }
static long try_open(void) { return open("/dev/null", O_RDONLY); }
static long try_clone(void) { return syscall(SYS_clone, 17 /* SIGCHLD */, 0, 0, 0, 0); }
static long try_execve(void) { return execve("/bin/true", (char *[]){"true", NULL}, (char *[]){NULL}); }
static long try_ptrace(void) { return syscall(SYS_ptrace, 0, 0, 0, 0); }
static long try_mmap(void) { return mmap(NULL, 4096, PROT_READ, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0) == MAP_FAILED; }
static long try_write_stderr(void) { return write(STDERR_FILENO, "probe\n", 6); }

/* The x32 table of the same processor: bit 30 of the call's number. */
static long try_x32(void)
{
#ifdef __x86_64__
    return syscall(0x40000000 | SYS_write, trace, "", 0);
#else
    return -1;
#endif
}

/* The 32-bit call table: int 0x80, sendto is 369 there. */
static long try_int80(void)
{
#ifdef __x86_64__
    long result;
    __asm__ volatile("int $0x80" : "=a"(result) : "a"(20L /* getpid */) : "memory", "r8", "r9", "r10", "r11");
    return result;
#else
    return -1;
#endif
}

static const struct {
    const char *name;
    long (*attempt)(void);
} attempts[] = {
    {"send", try_send}, {"sendto", try_sendto}, {"sendmsg", try_sendmsg}, {"sendmmsg", try_sendmmsg},
    {"write", try_write}, {"write-high", try_write_high}, {"writev", try_writev}, {"pwritev2", try_pwritev2},
    {"pwrite", try_pwrite}, {"sendfile", try_sendfile}, {"splice", try_splice}, {"tee", try_tee},
    {"io_uring_setup", try_io_uring}, {"io_setup", try_io_setup}, {"io_submit", try_io_submit}, {"dup", try_dup},
    {"dup2", try_dup2}, {"dup3", try_dup3}, {"fcntl", try_fcntl}, {"socket", try_socket},
    {"socketpair", try_socketpair}, {"setsockopt", try_setsockopt}, {"bind", try_bind}, {"connect", try_connect},
    {"ioctl", try_ioctl}, {"open", try_open}, {"clone", try_clone}, {"execve", try_execve}, {"ptrace", try_ptrace},
    {"mmap", try_mmap}, {"write-stderr", try_write_stderr}, {"x32", try_x32}, {"int80", try_int80},
};

void probe_attempt(void)
{
    static bool done;
    char line[128];
    if (done || !name)
        return;
    done = true;
    for (size_t i = 0; i < sizeof attempts / sizeof *attempts; i++) {
        if (strcmp(attempts[i].name, name) != 0)
            continue;
        errno = 0;
        long result = attempts[i].attempt();
        int length = snprintf(line, sizeof line, "probe %s: returned %ld, errno %d\n", name, result, errno);
        (void)!write(STDERR_FILENO, line, (size_t)length);
        return;
    }
    _exit(98); /* no such attempt: a test that names a wrong one must not pass */
}
