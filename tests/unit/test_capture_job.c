/* capture/job.h, privileges.h, bus_socket.h: the job folder as it is begun, and what happens before it. */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <sys/file.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "capture/bus_socket.h"
#include "capture/job.h"
#include "capture/privileges.h"
#include "capture/trace_format.h"

static char folder[] = "/tmp/taretrace-job-XXXXXX", path[128];
static char *said;
static size_t said_length;
static FILE *said_file;
static struct diagnostics diagnostics;

static int fresh(void **state)
{
    (void)state;
    memcpy(folder + sizeof folder - 7, "XXXXXX", 6);
    said_file = open_memstream(&said, &said_length);
    diagnostics_init(&diagnostics, said_file);
    if (!mkdtemp(folder))
        return -1;
    (void)snprintf(path, sizeof path, "%s/job", folder);
    return 0;
}

static int done(void **state)
{
    (void)state;
    char command[256];
    (void)snprintf(command, sizeof command, "rm -rf %s", folder);
    (void)fclose(said_file);
    free(said);
    return system(command);
}

static const char *told(void)
{
    (void)fflush(said_file);
    return said;
}

static bool there(const char *name)
{
    char full[256];
    struct stat about;
    (void)snprintf(full, sizeof full, "%s/%s", path, name);
    return lstat(full, &about) == 0;
}

static struct def_file files[] = {
    {.path = "x/seat.yaml", .name = "seat.yaml", .bytes = "a: \xC3\xA9\r\n\0tail", .length = 12},
    {.path = "x/shared.yaml", .name = "shared.yaml", .bytes = "", .length = 0},
};
static const struct definitions definitions = {.files = files, .file_count = 2};
static const struct definitions none = {0};

static void made_whole(void **state)
{
    (void)state;
    struct options options = {.into = path, .interfaces = {"can0", "can1"}, .interface_count = 2};
    struct job job;
    char bytes[64], full[256];
    assert_int_equal(job_make(&job, &options, &definitions, &diagnostics), 0);
    (void)snprintf(full, sizeof full, "%s/definitions/seat.yaml", path);
    int fd = open(full, O_RDONLY);
    assert_int_equal(read(fd, bytes, sizeof bytes), 12);
    assert_memory_equal(bytes, files[0].bytes, 12); /* exact, line ends and NUL too */
    (void)close(fd);
    assert_true(there("definitions/shared.yaml"));
    assert_true(there("trace-can0.pcap"));
    assert_true(there("trace-can1.pcap"));
    assert_string_equal(job.name[1], "trace-can1.pcap");
    /* The writer stands behind the header of the trace, and the reserve does not show in its length. */
    assert_int_equal(lseek(job.trace[0], 0, SEEK_CUR), TRACE_FILE_HEADER);
    assert_int_equal(lseek(job.trace[0], 0, SEEK_END), TRACE_FILE_HEADER);
    /* Locked: who looks sees that something records. */
    (void)snprintf(full, sizeof full, "%s/" RECORDER_LOG_NAME, path);
    fd = open(full, O_RDONLY);
    assert_int_equal(flock(fd, LOCK_EX | LOCK_NB), -1);
    assert_int_equal(errno, EWOULDBLOCK);
    job_close(&job);
    assert_int_equal(flock(fd, LOCK_EX | LOCK_NB), 0);
    (void)close(fd);
    assert_string_equal(told(), "");
}

static void never_over_something(void **state)
{
    (void)state;
    struct options options = {.into = path, .interfaces = {"can0"}, .interface_count = 1};
    struct job job;
    assert_int_equal(mkdir(path, 0700), 0);
    assert_int_equal(job_make(&job, &options, &none, &diagnostics), 73);
    assert_non_null(strstr(told(), "never overwritten"));
    assert_false(there("trace-can0.pcap"));
    assert_int_equal(rmdir(path), 0);
    assert_int_equal(symlink("/tmp", path), 0);
    assert_int_equal(job_make(&job, &options, &none, &diagnostics), 73);
    assert_int_equal(unlink(path), 0);
    options.into = "/nonexistent-folder/job";
    assert_int_equal(job_make(&job, &options, &none, &diagnostics), 73);
    assert_non_null(strstr(told(), "must be there"));
}

static void removed_without_a_trace(void **state)
{
    (void)state;
    struct options options = {.into = path, .interfaces = {"can0"}, .interface_count = 1};
    struct job job;
    struct stat about;
    assert_int_equal(job_make(&job, &options, &definitions, &diagnostics), 0);
    job_remove(&job, &definitions);
    assert_int_equal(lstat(path, &about), -1);
}

static void names_that_cannot_lie_side_by_side(void **state)
{
    (void)state;
    char one[256], other[256], odd[256], inner[128];
    static const char content[] = "taretrace: 1\nmodule:\n";
    struct definitions loaded;
    (void)snprintf(inner, sizeof inner, "%s/inner", folder);
    assert_int_equal(mkdir(inner, 0700), 0);
    (void)snprintf(one, sizeof one, "%s/a.yaml", folder);
    (void)snprintf(other, sizeof other, "%s/none.yaml", inner);
    (void)snprintf(odd, sizeof odd, "%s/b c.yaml", folder);
    FILE *file = fopen(one, "w");
    (void)fputs(content, file);
    (void)fclose(file);
    struct options options = {.definitions = {one}, .definition_count = 1};
    assert_int_equal(job_load_definitions(&options, &loaded, &diagnostics), 65); /* mistakes in it */
    assert_non_null(strstr(told(), "nothing is recorded with mistakes"));
    definitions_free(&loaded);
    options.definitions[0] = other;
    assert_int_equal(job_load_definitions(&options, &loaded, &diagnostics), 66);
    definitions_free(&loaded);
    options.definition_count = 0;
    assert_int_equal(job_load_definitions(&options, &loaded, &diagnostics), 0);
    assert_int_equal(loaded.file_count, 0);
    definitions_free(&loaded);
    /* A good file under a name that no job folder holds, then twice the same name. */
    char copy[512];
    (void)snprintf(copy, sizeof copy, "cp %s/definitions/examples/seat-scale.yaml '%s'", TT_SOURCE_DIR, odd);
    assert_int_equal(system(copy), 0);
    options = (struct options){.definitions = {odd}, .definition_count = 1};
    assert_int_equal(job_load_definitions(&options, &loaded, &diagnostics), 65);
    assert_non_null(strstr(told(), "rename the file"));
    definitions_free(&loaded);
}

/* ---- privileges ---- */

/* What a child finds out about itself after the drop; bits of its exit code. */
static int after_drop(bool by_sudo)
{
    int status = 0;
    pid_t child = fork();
    if (child == 0) {
        gid_t groups[8];
        if (by_sudo) {
            (void)setenv("SUDO_UID", "12345", 1);
            (void)setenv("SUDO_GID", "23456", 1);
        }
        if (privileges_drop(&diagnostics) != 0)
            _exit(99);
        int wrong = 0;
        if (by_sudo && (getuid() != 12345 || geteuid() != 12345 || getgid() != 23456 || getegid() != 23456))
            wrong |= 1;
        if (by_sudo && (getgroups(8, groups) != 1 || groups[0] != 23456))
            wrong |= 2;
        if (privileges_may_set_links())
            wrong |= 4;
        if (setgid(4711) == 0 || (by_sudo && setuid(0) == 0))
            wrong |= 8;
        if (open("/etc/shadow", O_RDONLY) >= 0 && by_sudo)
            wrong |= 16;
        if (prctl(PR_GET_NO_NEW_PRIVS, 0, 0, 0, 0) != 1)
            wrong |= 32;
        _exit(wrong);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

static void nothing_is_left_of_root(void **state)
{
    (void)state;
    if (geteuid() != 0)
        skip();
    assert_true(privileges_may_set_links());
    assert_int_equal(after_drop(true), 0);
    assert_int_equal(after_drop(false), 0);
}

static void senseless_sudo_is_refused(void **state)
{
    (void)state;
    if (geteuid() != 0)
        skip();
    static const char *const users[] = {"", "x", "-1", "4294967295", "99999999999", "0x10", "1 "};
    for (size_t i = 0; i < sizeof users / sizeof *users; i++) {
        int status;
        pid_t child = fork();
        if (child == 0) {
            (void)setenv("SUDO_UID", users[i], 1);
            (void)setenv("SUDO_GID", "1", 1);
            _exit(privileges_drop(&diagnostics));
        }
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_int_equal(status, 70 << 8);
    }
}

/* RELIABILITY 3: 8 MiB bear 2.2 s at 500 kbit/s, 64 MiB 8.9 s at 1 Mbit/s (111 bits and 832 bytes a frame). */
static void the_buffer_as_time(void **state)
{
    (void)state;
    assert_in_range(bus_socket_bears(8 << 20, 500000), 2200, 2299);
    assert_in_range(bus_socket_bears(64 << 20, 1000000), 8900, 8999);
    assert_in_range(bus_socket_bears(212992, 500000), 50, 59);
    assert_int_equal(bus_socket_bears(8 << 20, 0), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(made_whole, fresh, done),
        cmocka_unit_test_setup_teardown(never_over_something, fresh, done),
        cmocka_unit_test_setup_teardown(removed_without_a_trace, fresh, done),
        cmocka_unit_test_setup_teardown(names_that_cannot_lie_side_by_side, fresh, done),
        cmocka_unit_test_setup_teardown(nothing_is_left_of_root, fresh, done),
        cmocka_unit_test_setup_teardown(senseless_sudo_is_refused, fresh, done),
        cmocka_unit_test(the_buffer_as_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
