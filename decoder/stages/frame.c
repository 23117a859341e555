/* See frame.h. Type decision and layout: tcpdump.org, "LINKTYPE_CAN_SOCKETCAN"; bits: Linux linux/can.h, linux/can/error.h. */
#include "frame.h"

#include <string.h>

#include "../../capture/trace_format.h"
#include "../support/bytes.h"

void frame_init(struct frame_stage *stage, uint32_t bus, uint32_t file,
                void (*emit)(void *context, const struct frame_event *event), void *context)
{
    *stage = (struct frame_stage){.frame = {.bus = bus, .file = file}, .emit = emit, .context = context};
}

/* Begun at or below this, an epoch of at most 2^32 seconds stays below FRAME_ELAPSED_MAX. */
#define ELAPSED_KEPT (INT64_C(1) << 62)
_Static_assert(ELAPSED_KEPT + (INT64_C(1) << 32) * TT_SECOND <= FRAME_ELAPSED_MAX, "elapsed cannot overflow");

/* The slow way of the clock: the first frame, a step back, an impossible time. */
static void set_time(struct frame_stage *stage, const struct trace_record *record)
{
    struct frame *frame = &stage->frame;
    int64_t back = frame->time - record->time; /* times are 0 to 2^32 s: no overflow */
    bool believed = !record->time_doubtful && !stage->doubtful;
    stage->doubtful = record->time_doubtful;
    frame->time = record->time;
    if (!stage->started) {
        stage->started = true;
        return;
    }
    if (frame->elapsed > ELAPSED_KEPT)
        frame->elapsed = 0;
    frame->epoch++;
    frame->id = 0;
    frame->length = 0;
    stage->emit(stage->context,
                &(struct frame_event){.kind = FRAME_CLOCK_BACK, .frame = frame, .step = believed ? back : 0});
}

static void emit(struct frame_stage *stage, enum frame_event_kind kind, const char *reason)
{
    stage->emit(stage->context, &(struct frame_event){.kind = kind, .frame = &stage->frame, .reason = reason});
}

/* Says why the record is no classic frame. flags and length: bytes 5 and 4 of the packet. */
static const char *other_form(const struct trace_record *record, uint8_t length, uint8_t flags)
{
    if (record->original < TRACE_CAN_HEADER || record->captured < TRACE_CAN_HEADER)
        return "shorter than its header";
    if (record->original < record->captured)
        return "more bytes recorded than its stated length"; /* libpcap 1.10.3 lets it pass */
    if (length & TRACE_LENGTH_XL)
        return "CAN XL frame: not read by this version";
    if (record->original == TRACE_CAN_FD || (flags & TRACE_FLAG_FDF))
        return "CAN FD frame: not read by this version";
    if (record->original > TRACE_CAN_CLASSIC)
        return "longer than a classic CAN frame";
    return NULL;
}

/* An error frame: only lost frames matter for evidence. The data bytes are there (length was tested). */
static void push_error(struct frame_stage *stage, uint32_t word)
{
    const struct frame *frame = &stage->frame;
    if (word & (TRACE_ID_EXTENDED | TRACE_ID_RTR))
        emit(stage, FRAME_FAULT, "marked as error frame and as data or remote frame at once");
    else if ((word & TRACE_ERROR_CONTROLLER) && frame->length > 1 && (frame->data[1] & TRACE_ERROR_RX_OVERFLOW))
        emit(stage, FRAME_LOST, NULL);
    else
        emit(stage, FRAME_ERROR, NULL);
}

/* Which bytes of a full-size packet's data belong to a frame of this length: the others are padding and come out as 0. */
static const uint8_t data_mask[9][8] = {
    {0}, {255}, {255, 255}, {255, 255, 255}, {255, 255, 255, 255}, {255, 255, 255, 255, 255},
    {255, 255, 255, 255, 255, 255}, {255, 255, 255, 255, 255, 255, 255}, {255, 255, 255, 255, 255, 255, 255, 255},
};

/* Copies the data; bytes behind them are 0. False when the record does not hold them all. */
static inline bool take_data(struct frame *frame, struct bytes *cursor, unsigned length)
{
    uint64_t data, mask;
    if (cursor->left >= sizeof data) {
        memcpy(&data, bytes_take(cursor, sizeof data), sizeof data);
        memcpy(&mask, data_mask[length], sizeof mask);
        data &= mask; /* byte for byte: the machine's byte order does not matter */
        memcpy(frame->data, &data, sizeof data);
        return true;
    }
    const uint8_t *some = bytes_take(cursor, length);
    memset(frame->data, 0, sizeof frame->data);
    if (some)
        memcpy(frame->data, some, length);
    return some != NULL;
}

void frame_push(struct frame_stage *stage, const struct trace_record *record)
{
    struct frame *frame = &stage->frame;
    int64_t step = record->time - frame->time;
    frame->number++;
    frame->offset = record->offset;
    frame->data_offset = record->offset + TRACE_RECORD_HEADER + TRACE_CAN_HEADER;
    if (stage->started && step >= 0 && !(record->time_doubtful | stage->doubtful)) {
        frame->time = record->time;
        frame->elapsed += step;
    } else {
        set_time(stage, record);
    }

    struct bytes cursor = bytes_of(record->data, record->captured);
    uint32_t word = bytes_be32(&cursor);
    uint8_t length = bytes_u8(&cursor);
    uint8_t flags = bytes_u8(&cursor);
    bytes_skip(&cursor, 2); /* reserved; len8_dlc: the raw DLC 9 to 15 of an 8-byte frame, no information here */
    frame->id = word & TRACE_ID_MASK;
    frame->extended = (word & TRACE_ID_EXTENDED) != 0;
    frame->remote = (word & TRACE_ID_RTR) != 0;
    frame->length = 0;
    const char *reason = other_form(record, length, flags);
    if (reason) {
        emit(stage, FRAME_FAULT, reason);
        return;
    }
    if (length > 8) {
        emit(stage, FRAME_FAULT, "length over 8");
        return;
    }
    /* A remote frame states a length and carries nothing (LINKTYPE_CAN_SOCKETCAN, RTR). */
    if (!take_data(frame, &cursor, frame->remote ? 0 : length)) {
        emit(stage, FRAME_FAULT, "its data are cut off");
        return;
    }
    frame->length = length;
    if (word & TRACE_ID_ERROR)
        push_error(stage, word);
    else if (!frame->extended && frame->id > 0x7FF)
        emit(stage, FRAME_FAULT, "identifier over 0x7FF without the 29-bit mark");
    else
        emit(stage, FRAME_DATA, NULL);
}
