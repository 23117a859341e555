/*
 * A job folder that is replaced as a whole by another one (seal.h says why and how). The new one is built under a
 * temporary name beside the old one; folder_change_commit gives it the old one's name. Each failure is told once.
 */
#ifndef TT_FOLDER_CHANGE_H
#define TT_FOLDER_CHANGE_H

#include "../support/diagnostics.h"
#include "folder.h"

struct folder_change {
    struct diagnostics *diagnostics; /* borrowed */
    const char *path;                /* the folder to be replaced: absolute, borrowed */
    char *temporary;                 /* the new one's path; after the commit the old one's. Owned; NULL: none */
    int fd;                          /* of the new one, -1 */
    bool committed;
};

/* Makes the new folder with the permissions of the old one, open at old_fd. 0 or EXIT_CANNOT_CREATE, EXIT_OUR_FAULT. */
TT_MUST_USE int folder_change_begin(struct folder_change *change, const char *path, int old_fd,
                                    struct diagnostics *diagnostics);
TT_MUST_USE int folder_change_make(struct folder_change *change, const char *name); /* a folder inside */
/* Takes a file of the old folder over under the same name, synced; linked where that is wished and can be done, else
 * copied. *stamp: of the old folder's file after that. 0 or an exit code. */
TT_MUST_USE int folder_change_take(struct folder_change *change, int old_fd, const char *name, bool link,
                                   struct folder_stamp *stamp);
/* Exactly these bytes, synced. */
TT_MUST_USE int folder_change_put(struct folder_change *change, const char *name, const void *bytes, size_t length);
/* Syncs the new folder and exchanges the names. 0, or an exit code and then nothing has changed. */
TT_MUST_USE int folder_change_commit(struct folder_change *change);
/* After the commit: removes what lay there before, or leaves it under its temporary name. */
void folder_change_remove_old(struct folder_change *change);
void folder_change_keep_old(struct folder_change *change);
/* Without a commit: removes the new folder. Frees. Fine on a zeroed change with fd -1. */
void folder_change_end(struct folder_change *change);

#endif
