/*
 * A job folder as somebody hands it over: seen as hostile. It lists what lies in it, one level and definitions/ below,
 * and reads files without ever following a link, waiting at a pipe or touching a device. Memory is bounded by the
 * number of entries, never by their size.
 */
#ifndef TT_FOLDER_H
#define TT_FOLDER_H

#include <sys/stat.h>

#include "../support/arena.h"
#include "../support/digest.h"

#define FOLDER_ENTRIES_MAX 4096u
#define FOLDER_NAME_MAX 300u /* "definitions/" and a name of 255 bytes, with its NUL */

/* What an entry is. Only FOLDER_FILE is something to read. */
enum folder_kind {
    FOLDER_FILE,
    FOLDER_LINK,
    FOLDER_PIPE,
    FOLDER_SOCKET,
    FOLDER_DEVICE,
    FOLDER_FOLDER,
    FOLDER_UNREADABLE
};
const char *folder_kind_text(enum folder_kind kind); /* "a symbolic link", ... for sentences */

struct folder_entry {
    const char *name;       /* "trace-can0.pcap", "definitions/seat.yaml"; bytes as they are, of the arena */
    enum folder_kind kind;
};

struct folder_list {
    struct arena arena;
    struct folder_entry *list; /* sorted bytewise by name */
    uint32_t count;
    bool more;                 /* there are more than FOLDER_ENTRIES_MAX: the list is not whole */
    bool has_definitions;      /* definitions is a folder; it has no entry of its own */
};

/* Lists the folder open at fd. False without memory or when it cannot be read (errno). Free the list in every case. */
TT_MUST_USE bool folder_list(struct folder_list *list, int fd);
const struct folder_entry *folder_find(const struct folder_list *list, const char *name);
void folder_list_free(struct folder_list *list);

/*
 * A name that a job folder may hold: 1 to 255 of A-Z a-z 0-9 . _ -, neither "." nor "..", and before it nothing or
 * "definitions/". NULL, or what is wrong with it in words that follow the name in a sentence.
 */
const char *folder_name_fault(const char *name, size_t length);

/* What identifies the content of a file without reading it, while nobody turns the clock back. */
struct folder_stamp {
    dev_t device;
    ino_t inode;
    off_t bytes;
    struct timespec changed, modified;
};
TT_MUST_USE bool folder_stamp_same(const struct folder_stamp *a, const struct folder_stamp *b);

/*
 * Opens a regular file of the folder for reading. The descriptor, or -1 with errno: ELOOP for a link, ENOTSUP for
 * anything else that is no regular file. name may lie in definitions/, which must be a folder itself.
 */
TT_MUST_USE int folder_open(int fd, const char *name, struct folder_stamp *stamp);
/* Reads length bytes from offset at, fewer only at the end of the file; *got tells. False with errno. */
TT_MUST_USE bool folder_read_at(int file, void *room, size_t length, off_t at, size_t *got);
/* Reads at most size bytes of such a file whole; *length gets its length. False with errno; EFBIG when it is longer. */
TT_MUST_USE bool folder_read(int fd, const char *name, void *room, size_t size, size_t *length);
/* SHA-256 of such a file as it is now. False with errno; EINTR after Ctrl-C. */
TT_MUST_USE bool folder_hash(int fd, const char *name, char sha256[DIGEST_TEXT], struct folder_stamp *stamp);
/* The stamp of such a file as it is now. False with errno. */
TT_MUST_USE bool folder_look(int fd, const char *name, struct folder_stamp *stamp);
/* The folder `definitions` inside, or -1 with errno. */
TT_MUST_USE int folder_definitions(int fd);

#endif
