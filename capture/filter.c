/* See filter.h. */
#define _GNU_SOURCE /* memfd_create */
#include "filter.h"

#include <errno.h>
#include <linux/filter.h>
#include <linux/seccomp.h>
#include <seccomp.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

/* The kernel takes the low half of the argument as descriptor. A rule on the whole of it is bypassed by high bits. */
#define DESCRIPTOR_BITS 0xFFFFFFFFu
#define STEPS_MOST 1024 /* of the kernel's 4096; 16 buses need under 300 */

static int allow_plain(scmp_filter_ctx filter)
{
    static const int calls[] = {
        SCMP_SYS(poll),       SCMP_SYS(ppoll),        SCMP_SYS(clock_gettime), SCMP_SYS(rt_sigreturn),
        SCMP_SYS(exit_group), SCMP_SYS(restart_syscall), SCMP_SYS(exit),
    };
    int code = 0;
    for (size_t i = 0; !code && i < sizeof calls / sizeof *calls; i++) {
        code = seccomp_rule_add(filter, SCMP_ACT_ALLOW, calls[i], 0);
        if (code == -EDOM) /* poll is not a call of every architecture */
            code = 0;
    }
    return code;
}

static int allow_all(scmp_filter_ctx filter, const int *buses, unsigned bus_count, const int *traces,
                     unsigned trace_count)
{
    int code = allow_plain(filter);
    for (unsigned i = 0; !code && i < trace_count; i++)
        code = seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(write), 1,
                                SCMP_A0(SCMP_CMP_MASKED_EQ, DESCRIPTOR_BITS, (scmp_datum_t)traces[i]));
    for (unsigned i = 0; !code && i < bus_count; i++) {
        code = seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(recvmmsg), 1,
                                SCMP_A0(SCMP_CMP_MASKED_EQ, DESCRIPTOR_BITS, (scmp_datum_t)buses[i]));
        if (!code)
            code = seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(getsockopt), 3,
                                    SCMP_A0(SCMP_CMP_MASKED_EQ, DESCRIPTOR_BITS, (scmp_datum_t)buses[i]),
                                    SCMP_A1(SCMP_CMP_MASKED_EQ, DESCRIPTOR_BITS, SOL_SOCKET),
                                    SCMP_A2(SCMP_CMP_MASKED_EQ, DESCRIPTOR_BITS, SO_MEMINFO));
    }
    return code;
}

/* The filter as a program for the kernel, into the room for steps in *program. 0, or a negative errno value. */
static int write_program(scmp_filter_ctx filter, struct sock_fprog *program)
{
    int file = memfd_create("filter", MFD_CLOEXEC);
    int code = file < 0 ? -errno : seccomp_export_bpf(filter, file);
    ssize_t got = code ? 0 : pread(file, program->filter, STEPS_MOST * sizeof *program->filter, 0);
    if (!code && (got <= 0 || got == STEPS_MOST * sizeof *program->filter)) /* a full room may be a cut one */
        code = -E2BIG;
    program->len = (unsigned short)((size_t)(got > 0 ? got : 0) / sizeof *program->filter);
    if (file >= 0)
        (void)close(file);
    return code;
}

int filter_install(const int *buses, unsigned bus_count, const int *traces, unsigned trace_count)
{
#ifdef CAPTURE_UNFILTERED
    (void)buses, (void)bus_count, (void)traces, (void)trace_count, (void)allow_all, (void)write_program;
    return 0;
#else
    scmp_filter_ctx filter = seccomp_init(SCMP_ACT_KILL_PROCESS);
    if (!filter)
        return ENOMEM;
    int code = seccomp_attr_set(filter, SCMP_FLTATR_ACT_BADARCH, SCMP_ACT_KILL_PROCESS);
    if (!code)
        code = allow_all(filter, buses, bus_count, traces, trace_count);
    struct sock_filter steps[STEPS_MOST];
    struct sock_fprog program = {.filter = steps};
    if (!code)
        code = write_program(filter, &program);
    seccomp_release(filter);
    /* Loaded by ourselves, last of all: the library would free memory afterwards, and the allocator may give it back by
     * a call that is forbidden then. */
    if (!code && (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0 ||
                  syscall(SYS_seccomp, SECCOMP_SET_MODE_FILTER, 0, &program) != 0))
        code = -errno;
    return -code;
#endif
}

bool filter_is_on(void)
{
#ifdef CAPTURE_UNFILTERED
    return false;
#else
    return true;
#endif
}

void filter_exit(int code)
{
    (void)syscall(SYS_exit_group, code);
}

bool filter_trial(void)
{
    int status = 0;
    const int none = 0;
    pid_t child = fork();
    if (child == 0)
        filter_exit(filter_install(&none, 1, &none, 1) == 0 ? 0 : 1);
    return child > 0 && waitpid(child, &status, 0) == child && WIFEXITED(status) && WEXITSTATUS(status) == 0;
}
