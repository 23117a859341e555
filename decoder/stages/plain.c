/* See plain.h. Layout: man pcap-savefile(5), tcpdump.org LINKTYPE_CAN_SOCKETCAN, as in trace_reader.c and frame.c. */
#include "plain.h"

#include <string.h>

#include "../../capture/trace_format.h"
#include "../support/bytes.h"

#define PLAIN_RECORD (TRACE_RECORD_HEADER + TRACE_CAN_CLASSIC)

void plain_want(struct plain_filter *filter, uint32_t id_word)
{
    uint32_t place = plain_place(id_word & TRACE_ID_MASK, (id_word & TRACE_ID_EXTENDED) != 0);
    if (place < sizeof filter->wanted)
        filter->wanted[place] = 1;
}

void plain_want_all(struct plain_filter *filter)
{
    memset(filter->wanted, 1, sizeof filter->wanted);
}

struct plain {
    int64_t time;
    uint32_t word; /* the id with its bits */
    uint8_t length;
};

/*
 * at: PLAIN_RECORD bytes of a file as nearly all are: written little-endian, ids in the order the link type defines.
 * nano: 1, or 1,000 when the file counts microseconds. False when the record is not plain; then *plain is not to be
 * used.
 */
static inline bool read_plain(const uint8_t *at, uint32_t nano, struct plain *plain)
{
    struct bytes head = bytes_of(at, PLAIN_RECORD); /* of a length the compiler knows: its checks cost nothing */
    uint32_t seconds = bytes_le32(&head), fraction = bytes_le32(&head);
    uint32_t captured = bytes_le32(&head), original = bytes_le32(&head);
    uint32_t word = bytes_be32(&head);
    uint8_t length = bytes_u8(&head), flags = bytes_u8(&head);
    uint64_t part = (uint64_t)fraction * nano;
    plain->time = (int64_t)seconds * TT_SECOND + (int64_t)part;
    plain->word = word;
    plain->length = length;
    return captured == TRACE_CAN_CLASSIC && original == TRACE_CAN_CLASSIC && length <= 8 &&
           part < (uint64_t)TT_SECOND && !(flags & TRACE_FLAG_FDF) && !(word & TRACE_ID_ERROR) &&
           ((word & TRACE_ID_EXTENDED) || (word & TRACE_ID_MASK) <= 0x7FF);
}

/* The frame is what the last of count taken records says; the last one's data lie at data. */
static inline void move_on(struct trace_reader *reader, struct frame_stage *stage, uint64_t count,
                           const struct plain *last, const uint8_t *data)
{
    struct frame *frame = &stage->frame;
    uint64_t bytes, mask = last->length == 8 ? UINT64_MAX : 0;
    reader->records += count;
    reader->begin += (size_t)count * PLAIN_RECORD;
    reader->offset += count * PLAIN_RECORD;
    reader->good_length = reader->offset;
    frame->number += count;
    frame->elapsed += last->time - frame->time;
    frame->time = last->time;
    frame->offset = reader->offset - PLAIN_RECORD;
    frame->data_offset = reader->offset - TRACE_CAN_CLASSIC + TRACE_CAN_HEADER;
    frame->id = last->word & TRACE_ID_MASK;
    frame->extended = (last->word & TRACE_ID_EXTENDED) != 0;
    frame->remote = (last->word & TRACE_ID_RTR) != 0;
    frame->length = last->length;
    if (frame->remote) /* it states a length and carries nothing */
        mask = 0;
    else if (last->length < 8) /* bytes behind the data are padding, given as 0; byte for byte in any byte order */
        memset(&mask, 0xFF, last->length);
    memcpy(&bytes, data, sizeof bytes);
    bytes &= mask;
    memcpy(frame->data, &bytes, sizeof bytes);
}

uint64_t plain_take(const struct plain_filter *filter, struct trace_reader *reader, struct frame_stage *stage,
                    const struct plain_limits *limits)
{
    if (reader->status != TRACE_RECORD || reader->swapped || reader->snaplen < TRACE_CAN_CLASSIC || stage->cooked ||
        stage->id_little || !stage->started || stage->doubtful)
        return 0;
    const uint32_t nano = reader->nano ? 1 : 1000;
    struct bytes cursor = bytes_of(reader->room + reader->begin, reader->end - reader->begin);
    struct plain last = {.time = stage->frame.time}, next;
    const uint8_t *at, *data = NULL;
    /* Elapsed time goes with the clock here. It may be past its limit already: then the plain way says what is due. */
    int64_t latest = limits->time, left = limits->elapsed - stage->frame.elapsed;
    if (left < latest - stage->frame.time)
        latest = stage->frame.time + left;
    uint64_t count = 0;
    bool wanted = false;
    while (count < limits->count && !wanted && (at = bytes_take(&cursor, PLAIN_RECORD)) &&
           read_plain(at, nano, &next) && next.time >= last.time && next.time <= latest) {
        last = next;
        data = at + TRACE_RECORD_HEADER + TRACE_CAN_HEADER;
        count++;
        wanted = filter->wanted[plain_place(next.word & TRACE_ID_MASK, (next.word & TRACE_ID_EXTENDED) != 0)];
    }
    if (!data)
        return 0;
    move_on(reader, stage, count, &last, data);
    if (wanted)
        stage->emit(stage->context, &(struct frame_event){.kind = FRAME_DATA, .frame = &stage->frame});
    return count;
}
