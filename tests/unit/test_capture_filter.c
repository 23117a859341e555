/*
 * capture/filter.h on ordinary sockets and files: a child under the filter is killed by each forbidden call and
 * survives the allowed ones. Calls are made by number through syscall(2), so that no library stands between.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "capture/filter.h"

static int bus, peer, trace, other;

static int rig(void **state)
{
    (void)state;
    int pair[2];
    if (socketpair(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK, 0, pair) != 0)
        return -1;
    bus = pair[0];
    peer = pair[1];
    trace = memfd_create("trace", 0);
    other = memfd_create("other", 0);
    return trace < 0 || other < 0 ? -1 : 0;
}

static char byte = 'x';
static struct iovec piece = {&byte, 1};
static struct msghdr header = {.msg_iov = &piece, .msg_iovlen = 1};
static struct mmsghdr headers = {.msg_hdr = {.msg_iov = &piece, .msg_iovlen = 1}};

/* Makes one call in a child under the filter. Returns its wait status; exit code 0 = the call came back. */
static int under_filter(long number, long a, long b, long c, long d, long e, long f)
{
    int status = 0;
    pid_t child = fork();
    if (child == 0) {
        if (filter_install(&bus, 1, &trace, 1) != 0)
            _exit(97);
        (void)syscall(number, a, b, c, d, e, f);
        filter_exit(0);
    }
    assert_true(child > 0);
    assert_int_equal(waitpid(child, &status, 0), child);
    return status;
}

#define PTR(x) ((long)(intptr_t)(x))

static void assert_killed(const char *what, int status)
{
    if (!WIFSIGNALED(status) || WTERMSIG(status) != SIGSYS)
        fail_msg("%s was not killed by the filter: status %#x", what, (unsigned)status);
}

static void assert_allowed(const char *what, int status)
{
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        fail_msg("%s is not allowed: status %#x", what, (unsigned)status);
}

static void what_the_reader_needs_is_allowed(void **state)
{
    (void)state;
    struct pollfd polled = {.fd = bus, .events = POLLIN};
    struct timespec time;
    uint32_t info[9];
    socklen_t length = sizeof info;
    assert_allowed("write to the trace", under_filter(SYS_write, trace, PTR("y"), 1, 0, 0, 0));
    assert_allowed("recvmmsg", under_filter(SYS_recvmmsg, bus, PTR(&headers), 1, MSG_DONTWAIT, 0, 0));
#ifdef SYS_poll
    assert_allowed("poll", under_filter(SYS_poll, PTR(&polled), 1, 0, 0, 0, 0));
#endif
    struct timespec none = {0};
    assert_allowed("ppoll", under_filter(SYS_ppoll, PTR(&polled), 1, PTR(&none), 0, 8, 0));
    assert_allowed("clock_gettime", under_filter(SYS_clock_gettime, CLOCK_REALTIME, PTR(&time), 0, 0, 0, 0));
    assert_allowed("SO_MEMINFO",
                   under_filter(SYS_getsockopt, bus, SOL_SOCKET, SO_MEMINFO, PTR(info), PTR(&length), 0));
    assert_allowed("exit_group", under_filter(SYS_exit_group, 0, 0, 0, 0, 0, 0));
    char got = 0;
    assert_int_equal(pread(trace, &got, 1, 0), 1); /* the write did write */
    assert_int_equal(got, 'y');
}

static void every_way_to_send_is_killed(void **state)
{
    (void)state;
    int ends[2];
    struct iovec *at = &piece;
    assert_int_equal(pipe(ends), 0);
    assert_int_equal(write(ends[1], "z", 1), 1);
#ifdef SYS_send
    assert_killed("send", under_filter(SYS_send, bus, PTR(&byte), 1, 0, 0, 0));
#endif
    assert_killed("sendto", under_filter(SYS_sendto, bus, PTR(&byte), 1, 0, 0, 0));
    assert_killed("sendmsg", under_filter(SYS_sendmsg, bus, PTR(&header), 0, 0, 0, 0));
    assert_killed("sendmmsg", under_filter(SYS_sendmmsg, bus, PTR(&headers), 1, 0, 0, 0));
    assert_killed("write", under_filter(SYS_write, bus, PTR(&byte), 1, 0, 0, 0));
    assert_killed("writev", under_filter(SYS_writev, bus, PTR(at), 1, 0, 0, 0));
    assert_killed("pwrite64", under_filter(SYS_pwrite64, bus, PTR(&byte), 1, 0, 0, 0));
    assert_killed("pwritev", under_filter(SYS_pwritev, bus, PTR(at), 1, 0, 0, 0));
    assert_killed("pwritev2", under_filter(SYS_pwritev2, bus, PTR(at), 1, -1, -1, 0));
    assert_killed("sendfile", under_filter(SYS_sendfile, bus, other, 0, 1, 0, 0));
    assert_killed("splice", under_filter(SYS_splice, ends[0], 0, bus, 0, 1, 0));
    assert_killed("vmsplice", under_filter(SYS_vmsplice, ends[1], PTR(at), 1, 0, 0, 0));
    assert_killed("io_uring_setup", under_filter(SYS_io_uring_setup, 4, PTR((char[256]){0}), 0, 0, 0, 0));
    assert_killed("io_setup", under_filter(SYS_io_setup, 4, PTR((long[1]){0}), 0, 0, 0, 0));
    assert_killed("io_submit", under_filter(SYS_io_submit, 0, 0, 0, 0, 0, 0));
    assert_killed("copy_file_range", under_filter(SYS_copy_file_range, other, 0, bus, 0, 1, 0));
    (void)close(ends[0]);
    (void)close(ends[1]);
    char got;
    assert_int_equal(recv(peer, &got, 1, MSG_DONTWAIT), -1); /* nothing came through */
}

/* The kernel looks at the low 32 bits of the descriptor: high bits must not make another one of it. */
static void high_bits_are_seen_through(void **state)
{
    (void)state;
    static const long high[] = {1L << 32, 7L << 32, 0x7FFFFFFFL << 32, 1L << 63};
    for (size_t i = 0; i < sizeof high / sizeof *high; i++) {
        assert_killed("write with high bits", under_filter(SYS_write, high[i] | bus, PTR(&byte), 1, 0, 0, 0));
        assert_killed("write to another file", under_filter(SYS_write, high[i] | other, PTR(&byte), 1, 0, 0, 0));
    }
}

static void every_way_to_a_new_way_is_killed(void **state)
{
    (void)state;
    assert_killed("dup", under_filter(SYS_dup, bus, 0, 0, 0, 0, 0));
    assert_killed("dup3", under_filter(SYS_dup3, bus, trace, 0, 0, 0, 0));
#ifdef SYS_dup2
    assert_killed("dup2", under_filter(SYS_dup2, bus, trace, 0, 0, 0, 0));
#endif
    assert_killed("fcntl", under_filter(SYS_fcntl, bus, F_DUPFD, 0, 0, 0, 0));
    assert_killed("pidfd_getfd", under_filter(SYS_pidfd_getfd, 0, 0, 0, 0, 0, 0));
    assert_killed("socket", under_filter(SYS_socket, AF_UNIX, SOCK_DGRAM, 0, 0, 0, 0));
    assert_killed("openat", under_filter(SYS_openat, AT_FDCWD, PTR("/dev/null"), O_RDONLY, 0, 0, 0));
    assert_killed("clone", under_filter(SYS_clone, SIGCHLD, 0, 0, 0, 0, 0));
    assert_killed("execve", under_filter(SYS_execve, PTR("/bin/true"), 0, 0, 0, 0, 0));
    assert_killed("ioctl", under_filter(SYS_ioctl, bus, 0, 0, 0, 0, 0));
    assert_killed("setsockopt", under_filter(SYS_setsockopt, bus, SOL_SOCKET, SO_MARK, 0, 0, 0));
    assert_killed("bind", under_filter(SYS_bind, bus, 0, 0, 0, 0, 0));
    assert_killed("connect", under_filter(SYS_connect, bus, 0, 0, 0, 0, 0));
    assert_killed("sendmsg over another socket", under_filter(SYS_sendmsg, peer, PTR(&header), 0, 0, 0, 0));
    assert_killed("ptrace", under_filter(SYS_ptrace, 0, 0, 0, 0, 0, 0));
    assert_killed("process_vm_writev", under_filter(SYS_process_vm_writev, 0, 0, 0, 0, 0, 0));
    assert_killed("mmap", under_filter(SYS_mmap, 0, 4096, PROT_READ, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0));
    assert_killed("kill", under_filter(SYS_kill, 0, 0, 0, 0, 0, 0));
}

/* Of the sockets only the buses, and of their options only the counter of drops. */
static void receiving_and_asking_are_narrow(void **state)
{
    (void)state;
    uint32_t value[9];
    socklen_t length = sizeof value;
    assert_killed("recvmmsg elsewhere", under_filter(SYS_recvmmsg, peer, PTR(&headers), 1, MSG_DONTWAIT, 0, 0));
    assert_killed("recvfrom", under_filter(SYS_recvfrom, bus, PTR(&byte), 1, MSG_DONTWAIT, 0, 0));
    assert_killed("read", under_filter(SYS_read, trace, PTR(&byte), 1, 0, 0, 0));
    assert_killed("getsockopt of another option",
                  under_filter(SYS_getsockopt, bus, SOL_SOCKET, SO_TYPE, PTR(value), PTR(&length), 0));
    assert_killed("getsockopt elsewhere",
                  under_filter(SYS_getsockopt, peer, SOL_SOCKET, SO_MEMINFO, PTR(value), PTR(&length), 0));
    assert_killed("getsockopt of another level",
                  under_filter(SYS_getsockopt, bus, 0, SO_MEMINFO, PTR(value), PTR(&length), 0));
}

#ifdef __x86_64__
/* The same processor knows two more tables of calls: x32 (bit 30 of the number) and the 32-bit one (int 0x80). */
static void other_architectures_are_killed(void **state)
{
    (void)state;
    assert_killed("x32 write", under_filter(0x40000000 | SYS_write, trace, PTR(&byte), 1, 0, 0, 0));
    assert_killed("x32 sendto", under_filter(0x40000000 | SYS_sendto, bus, PTR(&byte), 1, 0, 0, 0));
    int status = 0;
    pid_t child = fork();
    if (child == 0) {
        long result;
        if (filter_install(&bus, 1, &trace, 1) != 0)
            _exit(97);
        /* exit is 1 in the 32-bit table, an allowed call by its name */
        __asm__ volatile("int $0x80" : "=a"(result) : "a"(20L) : "memory", "r8", "r9", "r10", "r11");
        filter_exit(0);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    /* A kernel without the 32-bit table answers with a fault instead. */
    assert_true(WIFSIGNALED(status) && (WTERMSIG(status) == SIGSYS || WTERMSIG(status) == SIGSEGV));
}
#endif

/* Without the filter the same calls do go through: the tests above see the filter, not a socket that cannot send. */
static void without_it_they_send(void **state)
{
    (void)state;
    char got;
    assert_int_equal(syscall(SYS_write, (7L << 32) | bus, &byte, 1), 1);
    assert_int_equal(recv(peer, &got, 1, MSG_DONTWAIT), 1);
    assert_int_equal(syscall(SYS_sendto, bus, &byte, 1, 0, NULL, 0), 1);
    assert_int_equal(recv(peer, &got, 1, MSG_DONTWAIT), 1);
    assert_true(filter_trial());
    assert_true(filter_is_on());
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_the_reader_needs_is_allowed),
        cmocka_unit_test(every_way_to_send_is_killed),
        cmocka_unit_test(high_bits_are_seen_through),
        cmocka_unit_test(every_way_to_a_new_way_is_killed),
        cmocka_unit_test(receiving_and_asking_are_narrow),
#ifdef __x86_64__
        cmocka_unit_test(other_architectures_are_killed),
#endif
        cmocka_unit_test(without_it_they_send),
    };
    return cmocka_run_group_tests(tests, rig, NULL);
}
