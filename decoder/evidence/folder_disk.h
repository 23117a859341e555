/*
 * What job folders need of a disk: names that are on it for sure (fsync(2) of the folder that holds them), and folders
 * that are taken away again. One level of folders below, as a job folder has.
 */
#ifndef TT_FOLDER_DISK_H
#define TT_FOLDER_DISK_H

#include "../support/support.h"

/* Syncs the folder name in the folder open at `at` (or AT_FDCWD). False with errno; ENOENT when there is none. */
TT_MUST_USE bool folder_sync(int at, const char *name);
/* Syncs the folder that path lies in. False with errno. */
TT_MUST_USE bool folder_sync_parent(const char *path);
/* Removes everything in the folder open at fd, and what is in folders in it. Closes fd. What cannot go stays. */
void folder_empty(int fd);

#endif
