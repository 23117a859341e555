/* See trace_reader.h. Layout: man pcap-savefile(5); what libpcap lets pass and we do not is said beside each check. */
#include "trace_reader.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "../../capture/trace_format.h"
#include "../support/bytes.h"

#define VERSION_MAJOR 2
#define VERSION_MINOR 4 /* before 2.4 the order of the two length fields was not settled */
#define MAGIC_PCAPNG 0x0A0D0D0Au

/* One largest record with its header fits, so a record never needs more than moving what is left to the front. */
#define ROOM_SIZE (TRACE_RECORD_HEADER + TRACE_RECORD_MAX)
_Static_assert(ROOM_SIZE >= TRACE_READER_ROOM, "one read(2) of TRACE_READER_ROOM bytes fits");

static uint32_t read_u32(struct bytes *cursor, bool swapped)
{
    return swapped ? bytes_be32(cursor) : bytes_le32(cursor);
}

static void sum_failed(struct trace_reader *reader)
{
    diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                    "SHA-256 failed in the library; run again, without the sum this run proves nothing");
    digest_close(&reader->digest); /* trace_reader_digest will fail */
    reader->hashing = false;
}

/* Sums what was read and is not summed yet; stops on the way at each length that somebody asked for. */
static void sum_pending(struct trace_reader *reader)
{
    while (reader->hashing && reader->unsummed < reader->end) {
        size_t length = reader->end - reader->unsummed;
        char sum[DIGEST_TEXT];
        bool checking = reader->check && reader->check_at > reader->summed && reader->check_at - reader->summed <= length;
        if (checking)
            length = (size_t)(reader->check_at - reader->summed);
        if (!digest_add(&reader->digest, reader->room + reader->unsummed, length) ||
            (checking && !digest_text(&reader->digest, sum))) {
            sum_failed(reader);
            break;
        }
        reader->unsummed += length;
        reader->summed += length;
        if (checking)
            reader->check_at = reader->check(reader->check_context, sum);
    }
    reader->unsummed = reader->end;
}

/* Everything given to the thread is in the digest. */
static void settle(struct trace_reader *reader)
{
    if (reader->thread && reader->hashing && !digest_thread_wait(reader->thread))
        sum_failed(reader);
}

static void end_thread(struct trace_reader *reader)
{
    digest_thread_close(reader->thread);
    free(reader->other_room);
    reader->thread = NULL;
    reader->other_room = NULL;
}

/* Much was read at once: the file is long enough for a thread, and a second room to read into while it sums the first. */
static void begin_thread(struct trace_reader *reader)
{
    reader->may_thread = false;
    if (!reader->hashing || reader->following || reader->check)
        return;
    reader->other_room = malloc(reader->room_size);
    reader->thread = reader->other_room ? digest_thread_open(&reader->digest) : NULL;
    if (!reader->thread)
        end_thread(reader);
}

/* Gives the thread what was read last; returns when the other room is free, which it has summed before. */
static void sum_aside(struct trace_reader *reader)
{
    size_t length = reader->end - reader->unsummed;
    if (reader->hashing && !digest_thread_add(reader->thread, reader->room + reader->unsummed, length))
        sum_failed(reader);
    reader->summed += length;
    reader->unsummed = reader->end;
}

/* What is unread moves to the front, so that there is room behind it. */
static void make_room(struct trace_reader *reader)
{
    uint8_t *to = reader->thread ? reader->other_room : reader->room;
    memmove(to, reader->room + reader->begin, reader->end - reader->begin);
    if (reader->thread) {
        reader->other_room = reader->room;
        reader->room = to;
    }
    reader->end -= reader->begin;
    reader->begin = 0;
    reader->unsummed = reader->end;
}

/* One read(2) behind end. False at the end of the file and on failure (then status says so). */
static bool read_more(struct trace_reader *reader)
{
    sum_pending(reader);
    if (reader->begin > 0)
        make_room(reader);
    size_t wanted = reader->room_size - reader->end;
    if (wanted > TRACE_READER_ROOM)
        wanted = TRACE_READER_ROOM;
    ssize_t got;
    do
        got = read(reader->fd, reader->room + reader->end, wanted);
    while (got < 0 && errno == EINTR);
    if (got < 0) {
        diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                        "reading failed after %llu bytes (%s); check the disk and run again on a copy",
                        (unsigned long long)reader->offset + (reader->end - reader->begin), strerror(errno));
        reader->status = TRACE_READ_FAILED;
        return false;
    }
    if (got == 0) {
        reader->at_end = true;
        return false;
    }
    reader->end += (size_t)got;
    if (reader->may_thread && (size_t)got >= TRACE_READER_ROOM / 2)
        begin_thread(reader);
    if (reader->thread)
        sum_aside(reader);
    return true;
}

/* Makes at least needed (<= ROOM_SIZE) unread bytes available. A pipe is not waited for beyond that. */
static bool refill(struct trace_reader *reader, size_t needed)
{
    while (reader->end - reader->begin < needed)
        if (reader->at_end || !read_more(reader))
            return false;
    return true;
}

static int refuse(struct trace_reader *reader, int code)
{
    trace_reader_close(reader);
    return code;
}

/* Why the first bytes are no file header of ours. left: bytes there, at the most 24. */
static void say_no_capture(struct trace_reader *reader, const uint8_t *start, size_t left)
{
    static const struct { uint8_t bytes[4]; uint8_t length; const char *text; } known[] = {
        {{0x0A, 0x0D, 0x0D, 0x0A}, 4, "is a pcapng file, which cannot be read here; save it as classic pcap"},
        {{0x1F, 0x8B}, 2, "is compressed (gzip); unpack it first"},
        {{0x28, 0xB5, 0x2F, 0xFD}, 4, "is compressed (Zstandard); unpack it first"},
        {{0xFD, 0x37, 0x7A, 0x58}, 4, "is compressed (xz); unpack it first"},
        {{0x42, 0x5A, 0x68}, 3, "is compressed (bzip2); unpack it first"},
    };
    for (size_t i = 0; i < sizeof known / sizeof *known; i++)
        if (left >= known[i].length && memcmp(start, known[i].bytes, known[i].length) == 0) {
            diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name, "%s", known[i].text);
            return;
        }
    diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                    "is no capture file; give a trace in pcap or pcapng format (link type 227, 113 or 276)");
}

/* Magic: byte order and unit of the fraction. */
static bool read_magic(struct trace_reader *reader, struct bytes *cursor)
{
    struct bytes swapped = *cursor;
    uint32_t little = bytes_le32(cursor);
    uint32_t big = bytes_be32(&swapped);
    reader->nano = little == TRACE_MAGIC_NANO || big == TRACE_MAGIC_NANO;
    reader->swapped = big == TRACE_MAGIC_NANO || big == TRACE_MAGIC_MICRO;
    return reader->nano || reader->swapped || little == TRACE_MAGIC_MICRO;
}

static int read_file_header(struct trace_reader *reader)
{
    if (!refill(reader, TRACE_FILE_HEADER) && reader->status != TRACE_RECORD)
        return EXIT_CANNOT_OPEN;
    size_t left = reader->end - reader->begin;
    struct bytes cursor = bytes_of(reader->room, left);
    if (left == 0) {
        diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                        "is empty: nothing was recorded, or the copy failed; use another copy");
        return EXIT_BAD_INPUT;
    }
    if (left < 4 || !read_magic(reader, &cursor)) {
        say_no_capture(reader, reader->room, left);
        return EXIT_BAD_INPUT;
    }
    if (left < TRACE_FILE_HEADER) {
        diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                        "ends inside the file header (%zu of %u bytes); use another copy", left, TRACE_FILE_HEADER);
        return EXIT_BAD_INPUT;
    }
    uint32_t version = read_u32(&cursor, reader->swapped); /* two u16, so the half read as high depends on the order */
    uint32_t major = reader->swapped ? version >> 16 : version & 0xFFFF;
    uint32_t minor = reader->swapped ? version & 0xFFFF : version >> 16;
    uint32_t zone = read_u32(&cursor, reader->swapped);
    bytes_skip(&cursor, 4); /* accuracy of the times: no writer sets it, readers ignore it */
    uint32_t snaplen = read_u32(&cursor, reader->swapped);
    uint32_t linktype = read_u32(&cursor, reader->swapped);
    if (major != VERSION_MAJOR || minor != VERSION_MINOR) {
        diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                        "is pcap version %u.%u; only version 2.4 is read, save the trace again with a current tool",
                        (unsigned)major, (unsigned)minor);
        return EXIT_BAD_INPUT;
    }
    reader->linktype = linktype & 0xFFFF;
    if (reader->linktype != TRACE_LINKTYPE_CAN && reader->linktype != TRACE_LINKTYPE_SLL &&
        reader->linktype != TRACE_LINKTYPE_SLL2) {
        diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                        "holds link type %u; only %u (CAN frames, LINKTYPE_CAN_SOCKETCAN), %u and %u are read, record "
                        "the CAN interface itself",
                        (unsigned)reader->linktype, TRACE_LINKTYPE_CAN, TRACE_LINKTYPE_SLL, TRACE_LINKTYPE_SLL2);
        return EXIT_BAD_INPUT;
    }
    /* libpcap 1.10.3 lets both pass without a word. */
    if (linktype >> 16 != 0)
        diagnostics_say(reader->diagnostics, SEVERITY_WARNING, reader->name,
                        "reserved bits of the link type are set (0x%08X) and ignored; check how the file was written",
                        (unsigned)linktype);
    if (zone != 0)
        diagnostics_say(reader->diagnostics, SEVERITY_WARNING, reader->name,
                        "states a time zone of %d s, which is ignored: times are taken as UTC; check the clock of the "
                        "recording",
                        (int)(int32_t)zone);
    reader->snaplen = snaplen == 0 || snaplen > TRACE_RECORD_MAX ? TRACE_RECORD_MAX : snaplen;
    reader->begin += TRACE_FILE_HEADER;
    reader->offset = reader->good_length = TRACE_FILE_HEADER;
    return EXIT_CONFIRMED;
}

/* The file behind path, no directory. */
static bool open_file(struct trace_reader *reader, const char *path)
{
    struct stat status;
    if (strcmp(path, "-") == 0) {
        reader->name = "standard input";
        reader->fd = STDIN_FILENO;
        return true;
    }
    do
        reader->fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    while (reader->fd < 0 && errno == EINTR);
    if (reader->fd < 0) {
        diagnostics_say(reader->diagnostics, SEVERITY_ERROR, path, "cannot be opened (%s); check name and rights",
                        strerror(errno));
        return false;
    }
    reader->owns_fd = true;
    if (fstat(reader->fd, &status) == 0 && S_ISDIR(status.st_mode)) {
        diagnostics_say(reader->diagnostics, SEVERITY_ERROR, path, "is a directory; name the trace file in it");
        return false;
    }
    return true;
}

/* Room, digest and file header of an opened reader. */
static int begin(struct trace_reader *reader, const uint8_t *start, size_t start_length)
{
    reader->room = malloc(ROOM_SIZE);
    reader->room_size = ROOM_SIZE;
    if (!reader->room || (reader->hashing && !digest_open(&reader->digest))) {
        (void)diagnostics_no_memory(reader->diagnostics, reader->name);
        return refuse(reader, EXIT_OUR_FAULT);
    }
    if (start_length > 0)
        memcpy(reader->room, start, start_length);
    reader->end = start_length;
    int code = read_file_header(reader);
    return code == EXIT_CONFIRMED ? code : refuse(reader, code);
}

int trace_reader_open(struct trace_reader *reader, const char *path, bool hashing, struct diagnostics *diagnostics)
{
    *reader = (struct trace_reader){
        .name = path, .fd = -1, .hashing = hashing, .status = TRACE_RECORD, .diagnostics = diagnostics};
    if (!open_file(reader, path))
        return refuse(reader, EXIT_CANNOT_OPEN);
    return begin(reader, NULL, 0);
}

int trace_reader_open_fd(struct trace_reader *reader, int fd, const char *name, const uint8_t *start,
                         size_t start_length, bool hashing, struct diagnostics *diagnostics)
{
    *reader = (struct trace_reader){
        .name = name, .fd = fd, .hashing = hashing, .status = TRACE_RECORD, .diagnostics = diagnostics};
    return begin(reader, start, start_length);
}

/* Ends the reading; tells how many doubtful times there were besides the first, which was told at its place. */
static enum trace_status stop(struct trace_reader *reader, enum trace_status status)
{
    reader->status = status;
    if (reader->doubtful_times > 1)
        diagnostics_say(reader->diagnostics, SEVERITY_WARNING, reader->name, "%llu records have an impossible time",
                        (unsigned long long)reader->doubtful_times);
    return status;
}

/* The bytes of the next record are not all there. */
static enum trace_status stop_short(struct trace_reader *reader, size_t needed)
{
    if (reader->status == TRACE_READ_FAILED)
        return stop(reader, TRACE_READ_FAILED);
    size_t left = reader->end - reader->begin;
    if (reader->following)
        return reader->status = TRACE_END;
    if (left == 0)
        return stop(reader, TRACE_END);
    diagnostics_say(reader->diagnostics, SEVERITY_WARNING, reader->name,
                    "record %llu at offset %llu is torn: %zu of %zu bytes; the %llu whole records before it are used",
                    (unsigned long long)reader->records + 1, (unsigned long long)reader->offset, left, needed,
                    (unsigned long long)reader->records);
    return stop(reader, TRACE_TORN);
}

static enum trace_status stop_senseless(struct trace_reader *reader, uint32_t captured)
{
    bool snapped = captured <= TRACE_RECORD_MAX;
    diagnostics_say(reader->diagnostics, SEVERITY_ERROR, reader->name,
                    "record %llu at offset %llu states a length of %u bytes, more than %s (%u): the file is damaged "
                    "from there; the %llu records before it are used",
                    (unsigned long long)reader->records + 1, (unsigned long long)reader->offset, (unsigned)captured,
                    snapped ? "the file's own limit" : "any record has", snapped ? reader->snaplen : TRACE_RECORD_MAX,
                    (unsigned long long)reader->records);
    return stop(reader, TRACE_SENSELESS);
}

static void note_doubtful(struct trace_reader *reader, uint32_t fraction)
{
    if (reader->doubtful_times++ == 0)
        diagnostics_say(reader->diagnostics, SEVERITY_WARNING, reader->name,
                        "record %llu at offset %llu has an impossible time: %u %s within a second; the record is kept, "
                        "no length of time across it is believed",
                        (unsigned long long)reader->records, (unsigned long long)reader->offset, (unsigned)fraction,
                        reader->nano ? "ns" : "us");
}

struct record_header {
    uint32_t seconds, fraction, captured, original;
};

/* bytes: TRACE_RECORD_HEADER of them. A cursor of a length the compiler knows: its checks cost nothing. */
static inline struct record_header read_header(const struct trace_reader *reader, const uint8_t *bytes)
{
    struct bytes head = bytes_of(bytes, TRACE_RECORD_HEADER);
    struct record_header header;
    header.seconds = bytes_le32(&head);
    header.fraction = bytes_le32(&head);
    header.captured = bytes_le32(&head);
    header.original = bytes_le32(&head);
    if (reader->swapped) {
        header.seconds = __builtin_bswap32(header.seconds);
        header.fraction = __builtin_bswap32(header.fraction);
        header.captured = __builtin_bswap32(header.captured);
        header.original = __builtin_bswap32(header.original);
    }
    return header;
}

/* libpcap 1.10.3 takes seconds from 2^31 on as negative, and adds a fraction of a second or more without a word. */
static inline void set_time(const struct trace_reader *reader, const struct record_header *header,
                            struct trace_record *record)
{
    record->time = (int64_t)header->seconds * TT_SECOND;
    record->time_doubtful = header->fraction >= (reader->nano ? 1000000000u : 1000000u);
    if (!record->time_doubtful)
        record->time += reader->nano ? header->fraction : (int64_t)header->fraction * 1000;
}

/* As refill, for bytes behind unread ones: the room may grow. */
static bool look_ahead(struct trace_reader *reader, size_t needed)
{
    if (needed > TRACE_PEEK_MAX || reader->thread)
        return false;
    if (needed > reader->room_size) {
        size_t size = reader->room_size * 2 > needed ? reader->room_size * 2 : needed;
        uint8_t *room = realloc(reader->room, size);
        if (!room)
            return false;
        reader->room = room;
        reader->room_size = size;
    }
    return refill(reader, needed);
}

bool trace_reader_peek(struct trace_reader *reader, size_t *ahead, struct trace_record *record)
{
    if (reader->status != TRACE_RECORD || !look_ahead(reader, *ahead + TRACE_RECORD_HEADER))
        return false;
    struct bytes cursor = bytes_of(reader->room + reader->begin, reader->end - reader->begin);
    bytes_skip(&cursor, *ahead);
    struct record_header header = read_header(reader, bytes_take(&cursor, TRACE_RECORD_HEADER));
    if (header.captured > reader->snaplen)
        return false;
    size_t whole = TRACE_RECORD_HEADER + (size_t)header.captured;
    if (!look_ahead(reader, *ahead + whole))
        return false;
    cursor = bytes_of(reader->room + reader->begin, reader->end - reader->begin);
    bytes_skip(&cursor, *ahead + TRACE_RECORD_HEADER);
    *record = (struct trace_record){.offset = reader->offset + *ahead, .captured = header.captured,
                                    .data = bytes_take(&cursor, header.captured), .original = header.original};
    set_time(reader, &header, record);
    *ahead += whole;
    return true;
}

enum trace_status trace_reader_next(struct trace_reader *reader, struct trace_record *record)
{
    if (reader->status != TRACE_RECORD)
        return reader->status;
    if (reader->end - reader->begin < TRACE_RECORD_HEADER && !refill(reader, TRACE_RECORD_HEADER))
        return stop_short(reader, TRACE_RECORD_HEADER);

    struct bytes cursor = bytes_of(reader->room + reader->begin, reader->end - reader->begin);
    struct record_header header = read_header(reader, bytes_take(&cursor, TRACE_RECORD_HEADER));
    uint32_t captured = header.captured;
    if (captured > reader->snaplen)
        return stop_senseless(reader, captured);
    size_t whole = TRACE_RECORD_HEADER + (size_t)captured;
    if (cursor.left < captured) {
        if (!refill(reader, whole))
            return stop_short(reader, whole);
        cursor = bytes_of(reader->room + reader->begin, reader->end - reader->begin);
        bytes_skip(&cursor, TRACE_RECORD_HEADER);
    }
    record->data = bytes_take(&cursor, captured);
    record->number = ++reader->records;
    record->offset = reader->offset;
    record->captured = captured;
    record->original = header.original;
    set_time(reader, &header, record);
    if (record->time_doubtful)
        note_doubtful(reader, header.fraction);
    reader->begin += whole;
    reader->offset += whole;
    reader->good_length = reader->offset;
    return TRACE_RECORD;
}

void trace_reader_sum_aside(struct trace_reader *reader)
{
    reader->may_thread = !reader->thread;
}

void trace_reader_again(struct trace_reader *reader)
{
    if (reader->status != TRACE_RECORD && reader->status != TRACE_END && reader->status != TRACE_TORN)
        return;
    reader->status = TRACE_RECORD;
    reader->at_end = false; /* also where somebody looked ahead up to what was the end then */
}

bool trace_reader_digest(struct trace_reader *reader, char out[DIGEST_TEXT])
{
    out[0] = '\0';
    while (!reader->at_end && reader->status != TRACE_READ_FAILED) {
        sum_pending(reader);
        settle(reader);
        reader->offset += reader->end - reader->begin;
        reader->begin = reader->end = reader->unsummed = 0;
        if (reader->status == TRACE_RECORD)
            reader->status = TRACE_END; /* what is read from here on is summed, not given */
        (void)read_more(reader);
    }
    sum_pending(reader);
    settle(reader);
    return reader->hashing && reader->status != TRACE_READ_FAILED && digest_text(&reader->digest, out);
}

void trace_reader_close(struct trace_reader *reader)
{
    if (reader->owns_fd && reader->fd >= 0)
        close(reader->fd); /* nothing was written: a failure here loses nothing */
    reader->owns_fd = false;
    reader->fd = -1;
    end_thread(reader);
    free(reader->room);
    reader->room = NULL;
    reader->begin = reader->end = 0;
    reader->at_end = true;
    if (reader->status == TRACE_RECORD)
        reader->status = TRACE_END;
    if (reader->digest.context)
        digest_close(&reader->digest);
}
