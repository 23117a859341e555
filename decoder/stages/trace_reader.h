/*
 * Trace files to records (D 5.3, 5.5): classic pcap by our own reader, one read(2) buffer, whole records only, SHA-256
 * in the same pass over the same bytes. The file is never modified. Damage is told, not hidden: a torn last record, a
 * senseless length or an impossible time ends or marks the reading with file, record number and offset.
 */
#ifndef TT_TRACE_READER_H
#define TT_TRACE_READER_H

#include "../support/diagnostics.h"
#include "../support/digest_thread.h"

#define TRACE_READER_ROOM (256u * 1024u)
#define TRACE_RECORD_MAX (256u * 1024u) /* captured length above this is no record */
#define TRACE_PEEK_MAX (8u << 20)       /* bytes that trace_reader_peek looks ahead */

/* One record, valid until the next call of trace_reader_next. */
struct trace_record {
    uint64_t number;     /* from 1 within the file */
    uint64_t offset;     /* of the record header in the file, bytes */
    int64_t time;        /* ns since 1970, from unsigned seconds */
    const uint8_t *data; /* borrowed */
    uint32_t captured;   /* bytes at data */
    bool time_doubtful;  /* fraction field was not below one second: time holds the seconds only */
    /* Length on the wire as the writer stated it. Not next to captured: a compiler that compares both as one 64-bit
     * number waits for the two stores, measured as half of the frame stage. */
    uint32_t original;
};

enum trace_status {
    TRACE_RECORD,      /* *record holds the next one */
    TRACE_END,         /* clean end after a whole record */
    TRACE_TORN,        /* ended inside a record: told in diagnostics; whole records before it were given */
    TRACE_SENSELESS,   /* a record header that cannot be one: told; nothing after it can be trusted */
    TRACE_READ_FAILED, /* read(2) failed: told */
};

struct trace_reader {
    const char *name;       /* for messages; borrowed */
    int fd;
    bool owns_fd;
    bool swapped;           /* writer's byte order is not little-endian */
    bool nano;              /* fraction in ns, else us */
    uint32_t snaplen;       /* as stated; 0 and huge values are taken as TRACE_RECORD_MAX */
    uint32_t linktype;      /* low 16 bits */
    uint8_t *room;          /* owned */
    size_t room_size;
    size_t begin, end;      /* unread bytes of room */
    uint64_t offset;        /* file offset of room[begin] */
    uint64_t records;       /* given so far */
    uint64_t good_length;   /* file length up to the last whole record */
    uint64_t doubtful_times; /* records with time_doubtful */
    bool at_end;
    bool hashing;
    bool following;         /* the file is still growing: a torn end is only a place to wait, and is not told */
    enum trace_status status;
    struct digest digest;   /* over every byte read(2) gave, a torn tail included */
    size_t unsummed;        /* bytes of room before it are in digest, or need not be */
    /* Sums on the way, to be set right after opening: when the first check_at bytes of the file are summed, check gets
     * that sum and gives the next, larger length; UINT64_MAX for none. */
    uint64_t check_at, summed; /* summed: bytes in digest */
    uint64_t (*check)(void *context, const char sha256[DIGEST_TEXT]);
    void *check_context;
    bool may_thread;        /* see trace_reader_sum_aside */
    struct digest_thread *thread; /* owned; sums one of two rooms while records of the other are read; NULL: none */
    uint8_t *other_room;    /* owned; of room_size too, while there is a thread */
    struct diagnostics *diagnostics; /* borrowed */
};

/*
 * Opens path ("-" is standard input) and reads the file header. hashing false leaves the SHA-256 out (list, prescan).
 * Returns EXIT_CONFIRMED (0) when records can be asked for, else EXIT_CANNOT_OPEN, EXIT_BAD_INPUT (empty, no capture,
 * pcapng, another link type: one line each, with what to do) or EXIT_OUR_FAULT. Link types other than 227, 113 and 276
 * are refused; pcapng is stages/pcapng.h's.
 */
TT_MUST_USE int trace_reader_open(struct trace_reader *reader, const char *path, bool hashing,
                                  struct diagnostics *diagnostics);
/*
 * The same for an open descriptor, which stays the caller's, at its present place; name is for messages. start: bytes
 * of the file that were read from it already (at most 4).
 */
TT_MUST_USE int trace_reader_open_fd(struct trace_reader *reader, int fd, const char *name, const uint8_t *start,
                                     size_t start_length, bool hashing, struct diagnostics *diagnostics);
/*
 * Looks ahead without taking: *ahead is 0 at first, and moves past the record given. False when no further whole record
 * can be seen: end, damage (told when it is reached), TRACE_PEEK_MAX bytes, no memory. A pipe is waited for.
 */
bool trace_reader_peek(struct trace_reader *reader, size_t *ahead, struct trace_record *record);
/* The next record. After anything but TRACE_RECORD every further call answers the same. */
enum trace_status trace_reader_next(struct trace_reader *reader, struct trace_record *record);
/*
 * From now on a thread of its own may take the SHA-256 of a long file, while its records are decoded: for who only takes
 * records from here on, without looking ahead. Nothing else changes, neither what is read nor the sum; without a thread,
 * while the file is followed, or with sums on the way, the reader sums by itself as before.
 */
void trace_reader_sum_aside(struct trace_reader *reader);
/*
 * For a file that grows (D 5.3): after TRACE_END or TRACE_TORN, asks again from the last whole record. Nothing happens
 * after damage or a failed read.
 */
void trace_reader_again(struct trace_reader *reader);
/* SHA-256 over the whole file; reads what is left of it first (after TRACE_SENSELESS too). */
TT_MUST_USE bool trace_reader_digest(struct trace_reader *reader, char out[DIGEST_TEXT]);
void trace_reader_close(struct trace_reader *reader);

#endif
