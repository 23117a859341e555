/* See redact.h: the copied traces against the original ones, and without the frames that are left out. */
#define _POSIX_C_SOURCE 200809L
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "folder.h"
#include "redact_parts.h"

#define RECORD_HEADER 16u /* man pcap-savefile(5) */
#define FILE_HEADER 24u
#define FRAME_HEADER 8u   /* CAN id, length, flags (LINKTYPE_CAN_SOCKETCAN) */

/* Records of one original trace, and beside them the copy's bytes. */
struct beside {
    struct redacting *redacting;
    uint32_t file;
    struct trace_reader reader;
    struct trace_record record;
    uint8_t *copy;        /* of the record's data; owned */
    uint64_t first;       /* number of the frame before its first */
};

static bool beside_open(struct beside *beside, struct redacting *redacting, uint32_t file, uint64_t first, int *code)
{
    *beside = (struct beside){.redacting = redacting, .file = file, .first = first};
    beside->copy = malloc(TRACE_RECORD_MAX);
    if (!beside->copy) {
        *code = redact_no_memory(redacting);
        return false;
    }
    *code = trace_input_read(&redacting->job.traces.list[file], &beside->reader, false, redacting->diagnostics);
    return *code == 0;
}

static void beside_close(struct beside *beside, bool opened)
{
    if (opened)
        trace_reader_close(&beside->reader);
    free(beside->copy);
}

static bool read_copy(struct beside *beside, uint64_t offset, void *room, size_t length)
{
    size_t got;
    errno = EIO; /* where the copy is too short */
    bool good = folder_read_at(beside->redacting->copies[beside->file], room, length, (off_t)offset, &got) && got == length;
    if (!good)
        beside->redacting->error = errno;
    return good;
}

static bool next(struct beside *beside)
{
    return !beside->redacting->error && trace_reader_next(&beside->reader, &beside->record) == TRACE_RECORD &&
           read_copy(beside, beside->record.offset + RECORD_HEADER, beside->copy, beside->record.captured);
}

static void clear_copy(struct redacting *redacting, uint32_t file, uint64_t from, uint64_t to)
{
    static const uint8_t zeros[4096];
    while (from < to && !redacting->error) {
        size_t length = to - from < sizeof zeros ? (size_t)(to - from) : sizeof zeros;
        ssize_t wrote = pwrite(redacting->copies[file], zeros, length, (off_t)from);
        if (wrote <= 0 && errno != EINTR)
            redacting->error = wrote < 0 ? errno : EIO;
        from += wrote > 0 ? (uint64_t)wrote : 0;
    }
}

/* ---- what was changed ---- */

static void add_change(struct redacting *redacting, uint32_t file, uint64_t number, uint64_t offset)
{
    const struct redact_change change = {file, number, offset};
    if (!redacting->changes)
        redacting->changes = tmpfile();
    if (redacting->changes && fwrite(&change, sizeof change, 1, redacting->changes) == 1)
        redacting->change_count++;
    else
        redacting->error = errno ? errno : EIO;
}

/* What is behind the last whole record is no frame, and could hold anything: cleared behind what makes it what it is.
 */
static void clear_tail(struct beside *beside)
{
    struct redacting *redacting = beside->redacting;
    struct stat facts;
    uint64_t from = beside->reader.good_length + RECORD_HEADER + FRAME_HEADER;
    if (fstat(redacting->copies[beside->file], &facts) != 0 || (uint64_t)facts.st_size <= from)
        return;
    clear_copy(redacting, beside->file, from, (uint64_t)facts.st_size);
    add_change(redacting, beside->file, beside->first + beside->reader.records + 1, beside->reader.good_length);
}

/* Clears what a record holds behind this place of the file. Whether there was anything. */
static bool clear_behind(struct beside *beside, uint64_t from)
{
    const struct trace_record *record = &beside->record;
    uint64_t data = record->offset + RECORD_HEADER, to = data + record->captured;
    bool any = false;
    for (uint64_t at = from; at < to; at++)
        any = any || beside->copy[at - data] != 0;
    if (any)
        clear_copy(beside->redacting, beside->file, from, to);
    return any;
}

bool redact_list_next(struct redacting *redacting, FILE *list, void *entry, size_t size)
{
    if (fread(entry, size, 1, list) == 1)
        return true;
    if (!feof(list))
        redacting->error = errno ? errno : EIO;
    return false;
}

bool redact_list_first(struct redacting *redacting, FILE *list, void *entry, size_t size)
{
    if (!list)
        return false;
    if (fseek(list, 0, SEEK_SET) != 0) { /* what was not written yet is written here */
        redacting->error = errno ? errno : EIO;
        return false;
    }
    return redact_list_next(redacting, list, entry, size);
}

static int compare_file(struct redacting *redacting, uint32_t file, uint64_t *first)
{
    struct beside beside;
    int code;
    struct redact_drop unclear;
    FILE *list = redacting->unclear[file];
    bool has = redact_list_first(redacting, list, &unclear, sizeof unclear);
    bool opened = beside_open(&beside, redacting, file, *first, &code);
    while (!code && next(&beside)) {
        const struct trace_record *record = &beside.record;
        bool differs = memcmp(record->data, beside.copy, record->captured) != 0;
        if (has && unclear.offset == record->offset) {
            differs = clear_behind(&beside, unclear.end) || differs;
            has = redact_list_next(redacting, list, &unclear, sizeof unclear);
        }
        if (differs)
            add_change(redacting, file, beside.first + record->number, record->offset);
    }
    if (!code && beside.reader.status == TRACE_READ_FAILED)
        code = EXIT_CANNOT_OPEN; /* told by the reader */
    if (!code && has) /* each has its record, in this order; one that was not met would have stayed as it was */
        redacting->error = EIO;
    if (!code)
        clear_tail(&beside);
    *first += opened ? beside.reader.records : 0;
    beside_close(&beside, opened);
    return code;
}

int redact_compare(struct redacting *redacting)
{
    uint64_t first = 0;
    int code = 0;
    for (uint32_t i = 0; i < redacting->job.traces.count && !code; i++) {
        if (!redacting->job.traces.list[i].continues)
            first = 0;
        code = compare_file(redacting, i, &first);
        if (!code && !redacting->error && fsync(redacting->copies[i]) != 0)
            redacting->error = errno;
        if (!code && redacting->error)
            code = redact_write_failed(redacting, redact_trace_name(redacting, i), redacting->error);
    }
    return code;
}

/* ---- frames that are left out ---- */

static bool read_drop(FILE *file, uint64_t index, struct redact_drop *drop)
{
    return pread(fileno(file), drop, sizeof *drop, (off_t)(index * sizeof *drop)) == (ssize_t)sizeof *drop;
}

uint64_t redact_dropped_until(struct redacting *redacting, uint32_t file, uint64_t number)
{
    uint64_t low = 0, high = redacting->drop_counts[file];
    struct redact_drop drop;
    while (low < high) {
        uint64_t middle = low + (high - low) / 2;
        if (!read_drop(redacting->drops[file], middle, &drop)) {
            redacting->error = EIO;
            return 0;
        }
        if (drop.number <= number)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static int filter(struct redacting *redacting, uint32_t file, struct sink *sink)
{
    struct beside beside;
    struct redact_drop drop;
    int code;
    uint8_t head[FILE_HEADER];
    bool has = redact_list_first(redacting, redacting->drops[file], &drop, sizeof drop);
    bool opened = beside_open(&beside, redacting, file, 0, &code);
    if (!code && read_copy(&beside, 0, head, sizeof head))
        sink_put(sink, head, sizeof head);
    while (!code && next(&beside)) {
        if (has && drop.offset == beside.record.offset) {
            has = redact_list_next(redacting, redacting->drops[file], &drop, sizeof drop);
            continue;
        }
        if (read_copy(&beside, beside.record.offset, head, RECORD_HEADER)) {
            sink_put(sink, head, RECORD_HEADER);
            sink_put(sink, beside.copy, beside.record.captured);
        }
    }
    beside_close(&beside, opened);
    return code;
}

int redact_drop_frames(struct redacting *redacting)
{
    int code = 0;
    for (uint32_t i = 0; i < redacting->job.traces.count && !code; i++) {
        const char *name = redact_trace_name(redacting, i);
        char unfinished[128];
        struct sink sink;
        if (!redacting->drops[i])
            continue;
        if (fflush(redacting->drops[i]) != 0)
            return redact_write_failed(redacting, name, errno);
        (void)snprintf(unfinished, sizeof unfinished, "%.90s" JOB_UNFINISHED, name);
        code = job_folder_open(&redacting->folder, unfinished, &sink);
        if (code)
            break;
        code = filter(redacting, i, &sink);
        int closed = job_folder_close(&redacting->folder, unfinished, &sink);
        code = code ? code : closed;
        if (!code && redacting->error)
            code = redact_write_failed(redacting, name, redacting->error);
        if (!code)
            code = job_folder_rename(&redacting->folder, unfinished, name);
        redacting->result->dropped += redacting->drop_counts[i];
    }
    return code;
}
