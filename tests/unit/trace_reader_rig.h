/*
 * For the tests of the trace reader: builds files, opens them, keeps what was said. The including program has its own
 * read(2), so that short reads, EINTR and EIO can be made. Included once, by one test program.
 */
#ifndef TT_TRACE_READER_RIG_H
#define TT_TRACE_READER_RIG_H

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>

#include <cmocka.h>
#include <fcntl.h>
#include <openssl/evp.h>

#include "../../capture/trace_format.h"
#include "../../decoder/stages/trace_reader.h"
#include "trace_build.h"

static size_t read_most = SIZE_MAX;      /* bytes one read gives at the most */
static bool read_interrupted;            /* every other read fails with EINTR */
static size_t read_fails_after = SIZE_MAX; /* reads that succeed before EIO */
static size_t read_calls;

/* Stands in for the C library's read(2) in this program (which fortified headers declare inline). */
#ifdef __clang__
#pragma clang diagnostic ignored "-Wstatic-in-inline"
#endif
ssize_t read(int fd, void *data, size_t length)
{
    read_calls++;
    if (read_interrupted && read_calls % 2 == 1) {
        errno = EINTR;
        return -1;
    }
    if (read_calls > read_fails_after) {
        errno = EIO;
        return -1;
    }
    return syscall(SYS_read, fd, data, length < read_most ? length : read_most);
}

static struct diagnostics diagnostics;
static char *said;
static size_t said_length;
static FILE *said_file;
static struct trace_reader reader;
static struct trace_record record;
static char path[64];

static inline int set_up(void **state)
{
    (void)state;
    read_most = SIZE_MAX;
    read_interrupted = false;
    read_fails_after = SIZE_MAX;
    read_calls = 0;
    said = NULL;
    said_file = open_memstream(&said, &said_length);
    diagnostics_init(&diagnostics, said_file);
    reader = (struct trace_reader){.fd = -1};
    path[0] = '\0';
    return said_file ? 0 : -1;
}

static inline int tear_down(void **state)
{
    (void)state;
    trace_reader_close(&reader);
    fclose(said_file);
    free(said);
    if (path[0])
        unlink(path);
    return 0;
}

/* Opens what was built; frees the build. */
static inline int open_built(struct trace_build *build, bool hashing)
{
    build_file(build, path);
    build_free(build);
    return trace_reader_open(&reader, path, hashing, &diagnostics);
}

static inline void assert_said(const char *what, unsigned lines)
{
    fflush(said_file);
    if (!said || !strstr(said, what)) {
        print_error("\"%s\" was not said\n", what);
        fail();
    }
    unsigned count = 0;
    for (const char *c = said; *c; c++)
        count += *c == '\n';
    assert_int_equal(count, lines);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

#endif
