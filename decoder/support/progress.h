/*
 * A line on stderr for work that takes over a second (D 9.1), on terminals only. It ends in CR, so that whatever is
 * printed next begins over it.
 */
#ifndef TT_PROGRESS_H
#define TT_PROGRESS_H

#include "support.h"

struct progress {
    bool wanted;
    int64_t begun, shown; /* ns of a steady clock; shown 0: nothing yet */
    uint64_t size;        /* bytes of a regular file, 0 when it is none */
};

/* fd: the file that is read, for its size. */
void progress_begin(struct progress *progress, bool wanted, int fd);
/* Frames and bytes read so far. Cheap, but not for every frame. */
void progress_show(struct progress *progress, uint64_t frames, uint64_t bytes);
/* Clears the line. */
void progress_end(struct progress *progress);

#endif
