/* See progress.h. */
#include "progress.h"

#include <stdio.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static int64_t now(void)
{
    struct timespec time;
    (void)clock_gettime(CLOCK_MONOTONIC, &time);
    return time.tv_sec * TT_SECOND + time.tv_nsec;
}

void progress_begin(struct progress *progress, bool wanted, int fd)
{
    struct stat facts;
    *progress = (struct progress){.wanted = wanted && isatty(STDERR_FILENO), .begun = now()};
    if (fstat(fd, &facts) == 0 && S_ISREG(facts.st_mode))
        progress->size = (uint64_t)facts.st_size;
}

void progress_show(struct progress *progress, uint64_t frames, uint64_t bytes)
{
    if (!progress->wanted)
        return;
    int64_t passed = now() - progress->begun;
    if (passed < TT_SECOND || passed - progress->shown < TT_SECOND / 4)
        return;
    progress->shown = passed;
    if (progress->size > 0)
        fprintf(stderr, "%llu frames read, %u %% of the file \r", (unsigned long long)frames,
                (unsigned)(bytes >= progress->size ? 100 : bytes / (progress->size / 100 + 1)));
    else
        fprintf(stderr, "%llu frames read \r", (unsigned long long)frames);
    (void)fflush(stderr);
}

void progress_end(struct progress *progress)
{
    if (progress->shown) {
        fprintf(stderr, "%60s\r", "");
        (void)fflush(stderr);
    }
    progress->shown = 0;
}
