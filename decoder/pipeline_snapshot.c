/* The verdict so far (pipeline.h): the state of the stages is copied by the system, and the copy is finished. */
#include <errno.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#include "pipeline_parts.h"

/* In the copy. Nothing of it reaches the user but what tell writes. */
static _Noreturn void finish_here(struct pipeline *pipeline,
                                  void (*tell)(void *context, const struct pipeline_result *result, int fd),
                                  void *context, int fd)
{
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    pipeline->options.diagnostics = &silent;
    if (pipeline_finish_copy(pipeline) != 0)
        _exit(EXIT_OUR_FAULT);
    tell(context, &pipeline->copied, fd);
    _exit(0);
}

/* All that the copy writes; -1 with errno when it did not fit or could not be read. */
static ssize_t take(int fd, char *room, size_t size)
{
    size_t length = 0;
    for (;;) {
        char more;
        ssize_t got = length < size ? read(fd, room + length, size - length) : read(fd, &more, 1);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return got < 0 ? -1 : (ssize_t)length;
        if (length == size) {
            errno = EOVERFLOW;
            return -1;
        }
        length += (size_t)got;
    }
}

ssize_t pipeline_snapshot(struct pipeline *pipeline,
                          void (*tell)(void *context, const struct pipeline_result *result, int fd), void *context,
                          void *room, size_t size)
{
    int ends[2];
    if (pipe(ends) != 0)
        return -1;
    pid_t copy = fork();
    if (copy == 0) {
        (void)close(ends[0]);
        finish_here(pipeline, tell, context, ends[1]);
    }
    int why = errno;
    (void)close(ends[1]);
    ssize_t length = copy < 0 ? -1 : take(ends[0], room, size);
    if (length < 0 && copy > 0)
        why = errno;
    (void)close(ends[0]); /* a copy that still writes gets SIGPIPE */
    int status = 0;
    while (copy > 0 && waitpid(copy, &status, 0) < 0 && errno == EINTR)
        ;
    if (length >= 0 && copy > 0 && !(WIFEXITED(status) && WEXITSTATUS(status) == 0)) {
        length = -1;
        why = EIO;
    }
    errno = why;
    return length;
}
