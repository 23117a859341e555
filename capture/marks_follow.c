/* See marks_follow.h. */
#include "marks_follow.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "trace_format.h"

#define PIECE 65536

bool marks_follow_begin(struct marks_follow *marks)
{
    marks->bytes = 0;
    return digest_of("", 0, marks->sha256);
}

/* Adds the next bytes of fd, at most `most`. Returns how many, -1 on failure; fewer only at the end of the file. */
static int64_t add_bytes(struct digest *digest, int fd, uint64_t most)
{
    static uint8_t piece[PIECE];
    uint64_t done = 0;
    while (done < most) {
        size_t wanted = most - done < PIECE ? (size_t)(most - done) : PIECE;
        ssize_t got = read(fd, piece, wanted);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0 || (got > 0 && !digest_add(digest, piece, (size_t)got)))
            return -1;
        if (got == 0)
            break;
        done += (uint64_t)got;
    }
    return (int64_t)done;
}

static bool look(struct marks_follow *marks, int fd, bool *changed)
{
    struct digest digest = {NULL};
    char sha256[DIGEST_TEXT];
    bool good = digest_open(&digest);
    int64_t old = good ? add_bytes(&digest, fd, marks->bytes) : -1;
    good = old >= 0 && digest_text(&digest, sha256);
    if (good)
        *changed = (uint64_t)old != marks->bytes || strcmp(sha256, marks->sha256) != 0;
    int64_t more = good ? add_bytes(&digest, fd, MARKS_MOST - (uint64_t)old) : -1;
    good = more >= 0 && digest_text(&digest, sha256);
    if (good) {
        marks->bytes = (uint64_t)(old + more);
        memcpy(marks->sha256, sha256, sizeof sha256);
    }
    digest_close(&digest);
    return good;
}

bool marks_follow_look(struct marks_follow *marks, int folder, bool *changed)
{
    struct stat about;
    *changed = false;
    int fd = openat(folder, RECORDER_MARKS_NAME, O_RDONLY | O_NONBLOCK | O_NOFOLLOW | O_NOCTTY | O_CLOEXEC);
    if (fd < 0 && errno == ENOENT) {
        *changed = marks->bytes != 0;
        return marks_follow_begin(marks);
    }
    bool good = fd >= 0 && fstat(fd, &about) == 0 && S_ISREG(about.st_mode) && look(marks, fd, changed);
    if (fd >= 0)
        (void)close(fd);
    return good;
}
