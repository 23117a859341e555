/*
 * Classic pcap bytes to records to frames (D 5.3 to 5.5). Holds the reader against libpcap, against itself when the
 * file grows in two parts, and every frame against what its header promises. The differences to libpcap 1.10.3 that are
 * allowed are the ones in known_difference and compare_record, each a check that libpcap lacks.
 */
#define _GNU_SOURCE
#include <pcap/pcap.h>
#include <string.h>
#include <unistd.h>

#include "../../capture/trace_format.h"
#include "../../decoder/stages/plain.h"
#include "fuzz.h"

struct tally { /* of one reading */
    uint64_t records, events, sum;
    enum trace_status status;
    uint64_t good_length;
};

static struct diagnostics silent;

static void mix(uint64_t *sum, const void *data, size_t length)
{
    const uint8_t *bytes = data;
    for (size_t i = 0; i < length; i++)
        *sum = (*sum ^ bytes[i]) * UINT64_C(0x100000001B3); /* FNV-1a */
}

static void mix_record(struct tally *tally, const struct trace_record *record)
{
    tally->records++;
    FUZZ_CHECK(record->number == tally->records);
    FUZZ_CHECK(record->captured <= TRACE_RECORD_MAX);
    FUZZ_CHECK(record->time >= 0 && record->time / TT_SECOND <= UINT32_MAX);
    mix(&tally->sum, &record->offset, sizeof record->offset);
    mix(&tally->sum, &record->time, sizeof record->time);
    mix(&tally->sum, &record->original, sizeof record->original);
    mix(&tally->sum, record->data, record->captured);
}

/* ---- libpcap ---- */

/* What libpcap reads and we refuse, or the other way round. */
static bool known_difference(const uint8_t *data, size_t size, int code, const struct trace_reader *reader)
{
    if (code != EXIT_CONFIRMED)
        return true; /* other magics, versions and link types, pcapng: the unit tests have each of them */
    (void)reader;
    /* libpcap 1.10.5 refuses reserved bits of the link type; 1.10.3 hands them on. Both are a warning here. */
    return size >= TRACE_FILE_HEADER && data && silent.warnings > 0;
}

static void compare_record(const struct trace_record *ours, const struct pcap_pkthdr *theirs, const u_char *data,
                           const struct trace_reader *reader)
{
    uint32_t seconds = (uint32_t)(ours->time / TT_SECOND);
    FUZZ_CHECK(ours->captured == theirs->caplen && ours->original == theirs->len);
    FUZZ_CHECK(seconds == (uint32_t)theirs->ts.tv_sec || ours->time_doubtful); /* theirs is negative from 2^31 on */
    FUZZ_CHECK(ours->time_doubtful || ours->time % TT_SECOND == theirs->ts.tv_usec);
    /* libpcap turns the CAN id of a cooked packet into the other byte order when the file is in that order. */
    size_t begin = 0;
    if (reader->linktype != TRACE_LINKTYPE_CAN)
        begin = (reader->linktype == TRACE_LINKTYPE_SLL ? TRACE_SLL_HEADER : TRACE_SLL2_HEADER) + 4;
    if (begin < ours->captured)
        FUZZ_CHECK(memcmp(ours->data + begin, data + begin, ours->captured - begin) == 0);
}

static void against_libpcap(const uint8_t *data, size_t size)
{
    char error[PCAP_ERRBUF_SIZE];
    struct trace_reader reader;
    FILE *file = fdopen(dup(fuzz_file(1, data, size)), "rb");
    FUZZ_CHECK(file);
    pcap_t *pcap = pcap_fopen_offline_with_tstamp_precision(file, PCAP_TSTAMP_PRECISION_NANO, error);
    diagnostics_init(&silent, NULL);
    int code = trace_reader_open_fd(&reader, fuzz_file(0, data, size), "input", NULL, 0, false, &silent);
    if ((code != EXIT_CONFIRMED) != !pcap)
        FUZZ_CHECK(known_difference(data, size, code, &reader));
    while (code == EXIT_CONFIRMED && pcap) {
        struct trace_record record;
        struct pcap_pkthdr *header;
        const u_char *bytes;
        enum trace_status status = trace_reader_next(&reader, &record);
        int theirs = pcap_next_ex(pcap, &header, &bytes);
        if (status == TRACE_RECORD && theirs == 1) {
            compare_record(&record, header, bytes, &reader);
            continue;
        }
        /* A captured length above the file's own limit: libpcap cuts the record down, we end there as damaged. */
        if (status == TRACE_SENSELESS && theirs == 1)
            FUZZ_CHECK(header->caplen == reader.snaplen);
        else if (theirs == PCAP_ERROR_BREAK)
            FUZZ_CHECK(status == TRACE_END);
        else
            FUZZ_CHECK(theirs == PCAP_ERROR && (status == TRACE_TORN || status == TRACE_SENSELESS));
        break;
    }
    if (code == EXIT_CONFIRMED)
        trace_reader_close(&reader);
    if (pcap)
        pcap_close(pcap); /* closes file */
    else
        (void)fclose(file);
}

/* ---- frames ---- */

struct watch {
    struct tally tally;
    uint64_t frames; /* sum over the frames alone */
    struct frame last;
    bool any, stepped;
};

static void on_frame(void *context, const struct frame_event *event)
{
    struct watch *watch = context;
    const struct frame *frame = event->frame;
    FUZZ_CHECK(frame->elapsed >= 0 && frame->elapsed <= FRAME_ELAPSED_MAX);
    if (watch->any && frame->epoch == watch->last.epoch)
        FUZZ_CHECK(frame->elapsed >= watch->last.elapsed);
    if (event->kind == FRAME_CLOCK_BACK) {
        FUZZ_CHECK(watch->any && !watch->stepped && event->step >= 0 && frame->epoch == watch->last.epoch + 1);
        watch->stepped = true;
        watch->last.epoch = frame->epoch;
        watch->last.elapsed = frame->elapsed;
        return;
    }
    watch->stepped = false;
    watch->tally.events++;
    FUZZ_CHECK(frame->number == watch->tally.events); /* exactly one event for each record */
    FUZZ_CHECK((event->kind == FRAME_FAULT) == (event->reason != NULL));
    if (event->kind == FRAME_DATA || event->kind == FRAME_LOST || event->kind == FRAME_ERROR) {
        FUZZ_CHECK(frame->length <= (frame->fd ? FRAME_DATA_MAX : 8));
        FUZZ_CHECK(!frame->remote || (!frame->fd && frame->length <= 8));
        FUZZ_CHECK(frame->id <= (frame->extended ? TRACE_ID_MASK : 0x7FF));
        FUZZ_CHECK((frame->error != 0) == (event->kind != FRAME_DATA));
        mix(&watch->frames, frame->data, frame->remote ? 0 : frame->length);
        mix(&watch->frames, &frame->id, sizeof frame->id);
        mix(&watch->frames, &frame->elapsed, sizeof frame->elapsed);
        mix(&watch->frames, &frame->data_offset, sizeof frame->data_offset);
    }
    if (frame->error) {
        char text[FRAME_ERROR_TEXT];
        int length = frame_error_text(frame, text, sizeof text);
        FUZZ_CHECK(length > 0 && length < FRAME_ERROR_TEXT && strlen(text) == (size_t)length);
        FUZZ_CHECK(frame_error_text(frame, text, 5) == length && strlen(text) == 4);
    }
    mix(&watch->frames, &event->kind, sizeof event->kind);
    watch->last = *frame;
    watch->any = true;
}

/* Takes what the fast path takes; its records are events only. */
static void take_plain(struct watch *watch, struct trace_reader *reader, struct frame_stage *stage)
{
    static struct plain_filter filter;
    static const struct plain_limits limits = {UINT64_MAX, INT64_MAX, INT64_MAX};
    plain_want_all(&filter);
    while (plain_take(&filter, reader, stage, &limits) > 0)
        FUZZ_CHECK(watch->tally.events == reader->records);
}

/* Reads data; with cut below size, as a file that grows from cut to size bytes. False when it is refused. */
static bool read_frames(const uint8_t *data, size_t size, size_t cut, enum frame_id_order order, bool plain,
                        struct watch *watch)
{
    struct trace_reader reader;
    struct trace_record record;
    struct frame_stage stage;
    int fd = fuzz_file(0, data, cut);
    diagnostics_init(&silent, NULL);
    *watch = (struct watch){.tally = {.sum = UINT64_C(0xCBF29CE484222325)}};
    if (trace_reader_open_fd(&reader, fd, "input", NULL, 0, true, &silent) != EXIT_CONFIRMED)
        return false;
    reader.following = cut < size;
    frame_init(&stage, 0, 0, on_frame, watch);
    if (order == FRAME_ID_LOOK)
        order = frame_ids_are_swapped(&reader) ? FRAME_ID_SWAPPED : FRAME_ID_DEFINED;
    frame_set_link(&stage, &reader, order);
    for (;;) {
        if (plain)
            take_plain(watch, &reader, &stage);
        watch->tally.status = trace_reader_next(&reader, &record);
        if (watch->tally.status == TRACE_RECORD) {
            if (!plain)
                mix_record(&watch->tally, &record);
            frame_push(&stage, &record);
            FUZZ_CHECK(watch->tally.events == reader.records);
        } else if (reader.following) { /* the file grows */
            FUZZ_CHECK(watch->tally.status == TRACE_END || watch->tally.status == TRACE_SENSELESS);
            FUZZ_CHECK(pwrite(fd, data + cut, size - cut, (off_t)cut) == (ssize_t)(size - cut));
            reader.following = false;
            trace_reader_again(&reader);
        } else {
            break;
        }
    }
    FUZZ_CHECK(trace_reader_next(&reader, &record) == watch->tally.status); /* and stays so */
    watch->tally.good_length = reader.good_length;
    FUZZ_CHECK(reader.good_length <= size && (plain || reader.records == watch->tally.records));
    if (plain)
        watch->tally.records = reader.records;
    char sum[DIGEST_TEXT], whole[DIGEST_TEXT];
    FUZZ_CHECK(trace_reader_digest(&reader, sum) && digest_of(data, size, whole) && strcmp(sum, whole) == 0);
    trace_reader_close(&reader);
    return true;
}

/* By its path: the same answer, and the same first record. */
static void by_path(const uint8_t *data, size_t size)
{
    struct trace_reader reader;
    struct trace_record record;
    fuzz_folder_arm();
    fuzz_folder_put("trace.pcap", data, size);
    diagnostics_init(&silent, NULL);
    int code = trace_reader_open(&reader, "job/trace.pcap", false, &silent);
    fuzz_folder_disarm();
    FUZZ_CHECK(code == EXIT_CONFIRMED || (code == EXIT_BAD_INPUT && silent.errors == 1));
    if (code != EXIT_CONFIRMED)
        return;
    if (trace_reader_next(&reader, &record) == TRACE_RECORD)
        FUZZ_CHECK(record.number == 1 && record.offset == TRACE_FILE_HEADER);
    trace_reader_close(&reader);
}

/* Sums on the way: each must be that of the file's beginning (D 11.3). */
static const uint8_t *summed_bytes;
static uint64_t summed_to, summed_size;

static uint64_t on_sum(void *context, const char sha256[DIGEST_TEXT])
{
    char sum[DIGEST_TEXT];
    unsigned *sums = context;
    FUZZ_CHECK(digest_of(summed_bytes, summed_to, sum) && strcmp(sum, sha256) == 0);
    ++*sums;
    summed_to += 1 + summed_to / 2;
    return summed_to <= summed_size ? summed_to : UINT64_MAX;
}

/* The first bytes were read before; sums on the way; too little memory at first. */
static void by_descriptor(const uint8_t *data, size_t size)
{
    struct trace_reader reader;
    struct trace_record record;
    size_t start = size < 4 ? size : 4, ahead = 0;
    unsigned sums = 0, expected = 0;
    uint64_t records = 0;
    diagnostics_init(&silent, NULL);
    fuzz_shortage(1 + (unsigned)(size % 2));
    int code = trace_reader_open_fd(&reader, fuzz_file(0, data, size), "input", NULL, 0, true, &silent);
    if (code == EXIT_CONFIRMED) {
        (void)trace_reader_peek(&reader, &ahead, &record);
        trace_reader_close(&reader);
    }
    fuzz_shortage(0);
    int fd = fuzz_file(0, data, size);
    FUZZ_CHECK(lseek(fd, (off_t)start, SEEK_SET) == (off_t)start);
    if (trace_reader_open_fd(&reader, fd, "input", data, start, true, &silent) != EXIT_CONFIRMED)
        return;
    summed_bytes = data;
    summed_size = size;
    summed_to = 24 + size % 32;
    for (uint64_t at = summed_to; at <= size; at += 1 + at / 2)
        expected++;
    reader.check_at = summed_to;
    reader.check = on_sum;
    reader.check_context = &sums;
    trace_reader_sum_aside(&reader);
    while (trace_reader_next(&reader, &record) == TRACE_RECORD)
        records++;
    char sum[DIGEST_TEXT];
    FUZZ_CHECK(trace_reader_digest(&reader, sum) && records == reader.records && sums == expected);
    trace_reader_close(&reader);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct watch whole, other;
    against_libpcap(data, size);
    by_path(data, size);
    by_descriptor(data, size);
    if (!read_frames(data, size, size, FRAME_ID_LOOK, false, &whole))
        return 0;
    (void)read_frames(data, size, size, FRAME_ID_SWAPPED, false, &other);
    FUZZ_CHECK(other.tally.records == whole.tally.records);
    size_t cut = TRACE_FILE_HEADER + (size - TRACE_FILE_HEADER) / 2;
    /* Where the ids are turned is looked for once, in what is there then; so the halves are read in a given order. */
    (void)read_frames(data, size, size, FRAME_ID_DEFINED, false, &whole);
    FUZZ_CHECK(read_frames(data, size, cut, FRAME_ID_DEFINED, false, &other));
    FUZZ_CHECK(memcmp(&whole.tally, &other.tally, sizeof whole.tally) == 0 && whole.frames == other.frames);
    /* The fast path gives the same frames (its records are never seen). */
    (void)read_frames(data, size, size, FRAME_ID_DEFINED, true, &other);
    FUZZ_CHECK(whole.frames == other.frames && whole.tally.records == other.tally.records &&
               whole.tally.events == other.tally.events && whole.tally.good_length == other.tally.good_length &&
               whole.tally.status == other.tally.status);
    return 0;
}
