/*
 * See frame.h. Type decision and layout: tcpdump.org, "LINKTYPE_CAN_SOCKETCAN", "LINKTYPE_LINUX_SLL", "_SLL2"; bits:
 * Linux can.h, can/error.h.
 */
#include "frame.h"

#include <stdio.h>
#include <string.h>

#include "../../capture/trace_format.h"
#include "../support/bytes.h"

void frame_init(struct frame_stage *stage, uint32_t bus, uint32_t file,
                void (*emit)(void *context, const struct frame_event *event), void *context)
{
    *stage = (struct frame_stage){.frame = {.bus = bus, .file = file}, .emit = emit, .context = context,
                                  .origin = INT64_MIN};
}

void frame_set_common(struct frame_stage *stage, int64_t origin, uint32_t *epochs)
{
    stage->origin = origin;
    stage->epochs = epochs;
}

void frame_clock_stepped(struct frame_stage *stage)
{
    stage->doubtful = stage->stepped = true;
}

/* Begun at or below this, an epoch of at most 2^32 seconds stays below FRAME_ELAPSED_MAX. */
#define ELAPSED_KEPT (INT64_C(1) << 62)
_Static_assert(ELAPSED_KEPT + (INT64_C(1) << 32) * TT_SECOND <= FRAME_ELAPSED_MAX, "elapsed cannot overflow");

/* The slow way of the clock: the first frame, a step back, an impossible time. */
static void set_time(struct frame_stage *stage, const struct trace_record *record)
{
    struct frame *frame = &stage->frame;
    int64_t back = frame->time - record->time; /* times are 0 to 2^32 s: no overflow */
    bool stepped = stage->stepped, believed = !record->time_doubtful && (!stage->doubtful || stepped);
    stage->doubtful = record->time_doubtful;
    stage->stepped = false;
    frame->time = record->time;
    if (!stage->started) {
        stage->started = true;
        if (believed && stage->origin != INT64_MIN && record->time > stage->origin)
            frame->elapsed = record->time - stage->origin;
        return;
    }
    if (frame->elapsed > ELAPSED_KEPT)
        frame->elapsed = 0;
    frame->epoch = stage->epochs ? ++*stage->epochs : frame->epoch + 1;
    frame->id = 0;
    frame->length = 0;
    stage->emit(stage->context,
                &(struct frame_event){.kind = FRAME_CLOCK_BACK, .frame = frame, .step = believed ? back : 0, .stepped = stepped});
}

static void emit(struct frame_stage *stage, enum frame_event_kind kind, const char *reason)
{
    stage->emit(stage->context, &(struct frame_event){.kind = kind, .frame = &stage->frame, .reason = reason});
}

/* ---- which form a packet has ---- */

/* A CAN packet: a record, or what is left of it behind a cooked header. */
struct packet {
    struct bytes cursor; /* behind the 8 bytes of the CAN header */
    uint32_t captured, original;
    uint32_t word;       /* the id with its bits, as a number */
    uint8_t length, flags;
};

/*
 * The form by the rules of LINKTYPE_CAN_SOCKETCAN: XL by its length bit, FD by its size or flag, else classic; sets
 * frame->fd. Returns why the packet is no frame, or NULL.
 */
static const char *find_form(struct frame *frame, const struct packet *packet, bool stated_fd)
{
    if (packet->original < TRACE_CAN_HEADER)
        return "shorter than its header";
    if (packet->original < packet->captured)
        return "more bytes recorded than its stated length"; /* libpcap 1.10.3 lets it pass */
    if (packet->length & TRACE_LENGTH_XL)
        return "CAN XL frame: not read by this version";
    frame->fd = packet->original == TRACE_CAN_FD || (packet->flags & TRACE_FLAG_FDF) || stated_fd;
    if (packet->original > (frame->fd ? TRACE_CAN_FD : TRACE_CAN_CLASSIC))
        return frame->fd ? "longer than a CAN FD frame" : "longer than a classic CAN frame";
    if (!frame->fd)
        return packet->length > 8 ? "length over 8" : NULL;
    if (frame->remote)
        return "remote frame in CAN FD form"; /* ISO 11898-1: CAN FD has none */
    switch (packet->length) {
    case 12: case 16: case 20: case 24: case 32: case 48: case 64:
        return NULL;
    default: /* ISO 11898-1, DLC 9 to 15 */
        return packet->length > 8 ? "a length no CAN FD frame has" : NULL;
    }
}

/* Which bytes of a full-size packet's data belong to a frame of this length: the others are padding, given as 0. */
static const uint8_t data_mask[9][8] = {
    {0}, {255}, {255, 255}, {255, 255, 255}, {255, 255, 255, 255}, {255, 255, 255, 255, 255},
    {255, 255, 255, 255, 255, 255}, {255, 255, 255, 255, 255, 255, 255}, {255, 255, 255, 255, 255, 255, 255, 255},
};

/* Copies the data; the first 8 bytes behind them are 0. False when the record does not hold them all. */
static inline bool take_data(struct frame *frame, struct bytes *cursor, unsigned length)
{
    uint64_t data, mask;
    if (length <= sizeof data && cursor->left >= sizeof data) {
        memcpy(&data, bytes_take(cursor, sizeof data), sizeof data);
        memcpy(&mask, data_mask[length], sizeof mask);
        data &= mask; /* byte for byte: the machine's byte order does not matter */
        memcpy(frame->data, &data, sizeof data);
        return true;
    }
    const uint8_t *some = bytes_take(cursor, length);
    memset(frame->data, 0, sizeof data);
    if (some)
        memcpy(frame->data, some, length);
    return some != NULL;
}

/* ---- error frames ---- */

static void push_error(struct frame_stage *stage, uint32_t word)
{
    struct frame *frame = &stage->frame;
    if (word & (TRACE_ID_EXTENDED | TRACE_ID_RTR)) {
        emit(stage, FRAME_FAULT, "marked as error frame and as data or remote frame at once");
        return;
    }
    frame->error = word;
    frame->id = 0;
    bool lost = (word & TRACE_ERROR_CONTROLLER) && frame->length > 1 && (frame->data[1] & TRACE_ERROR_RX_OVERFLOW);
    emit(stage, lost ? FRAME_LOST : FRAME_ERROR, NULL);
    frame->error = 0;
}

/* One word of the list under construction; counts on when the room is full, as snprintf does. */
static void add_word(char *text, size_t room, int *used, const char *word)
{
    size_t at = (size_t)*used < room ? (size_t)*used : room;
    *used += snprintf(room > at ? text + at : NULL, room - at, "%s%s", *used ? ", " : "", word);
}

struct bit_word {
    uint32_t bit;
    const char *word;
};

static void add_words(char *text, size_t room, int *used, uint32_t bits, const struct bit_word *words, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (bits & words[i].bit)
            add_word(text, room, used, words[i].word);
}

/* Names after the comments in Linux include/uapi/linux/can/error.h. */
int frame_error_text(const struct frame *frame, char *text, size_t room)
{
    static const struct bit_word classes[] = {
        {0x001, "transmit timeout"}, {0x002, "arbitration lost"}, {0x010, "transceiver"},
        {0x020, "no acknowledgement"}, {0x040, "bus-off"}, {0x080, "bus error"}, {0x100, "controller restarted"},
    };
    static const struct bit_word controller[] = {
        {0x01, "receive buffer overflow"}, {0x02, "transmit buffer overflow"},
        {0x04, "receive errors reached the warning level"},
        {0x08, "transmit errors reached the warning level"}, {0x10, "error passive (receive)"},
        {0x20, "error passive (transmit)"}, {0x40, "error active again"},
    };
    static const struct bit_word protocol[] = {
        {0x01, "single bit error"}, {0x02, "frame format error"}, {0x04, "bit stuffing error"},
        {0x08, "dominant bit could not be sent"}, {0x10, "recessive bit could not be sent"}, {0x20, "bus overload"},
        {0x40, "active error announced"}, {0x80, "while sending"},
    };
    int used = 0;
    uint8_t on_controller = frame->length > 1 ? frame->data[1] : 0;
    uint8_t on_protocol = frame->length > 2 ? frame->data[2] : 0;
    if (room > 0)
        text[0] = '\0';
    add_words(text, room, &used, frame->error, classes, sizeof classes / sizeof *classes);
    if ((frame->error & TRACE_ERROR_CONTROLLER) && on_controller)
        add_words(text, room, &used, on_controller, controller, sizeof controller / sizeof *controller);
    else if (frame->error & TRACE_ERROR_CONTROLLER)
        add_word(text, room, &used, "controller");
    if ((frame->error & TRACE_ERROR_PROTOCOL) && on_protocol)
        add_words(text, room, &used, on_protocol, protocol, sizeof protocol / sizeof *protocol);
    else if (frame->error & TRACE_ERROR_PROTOCOL)
        add_word(text, room, &used, "protocol violation");
    if (!used)
        add_word(text, room, &used, "error frame");
    return used;
}

/* ---- records ---- */

static void set_id(struct frame *frame, uint32_t word)
{
    frame->id = word & TRACE_ID_MASK;
    frame->extended = (word & TRACE_ID_EXTENDED) != 0;
    frame->remote = (word & TRACE_ID_RTR) != 0;
}

/* The packet is a frame of its form: its data, then its event. */
static inline void push_packet(struct frame_stage *stage, struct packet *packet)
{
    struct frame *frame = &stage->frame;
    /* A remote frame states a length and carries nothing (LINKTYPE_CAN_SOCKETCAN, RTR). */
    if (!take_data(frame, &packet->cursor, frame->remote ? 0 : packet->length)) {
        emit(stage, FRAME_FAULT, "its data are cut off");
        return;
    }
    frame->length = packet->length;
    if (packet->word & TRACE_ID_ERROR)
        push_error(stage, packet->word);
    else if (!frame->extended && frame->id > 0x7FF)
        emit(stage, FRAME_FAULT, "identifier over 0x7FF without the 29-bit mark");
    else
        emit(stage, FRAME_DATA, NULL);
}

/* CAN header and data at the cursor. */
static void push_unusual(struct frame_stage *stage, struct packet *packet, bool stated_fd)
{
    struct frame *frame = &stage->frame;
    const char *reason = find_form(frame, packet, stated_fd);
    frame->brs = frame->fd && (packet->flags & TRACE_FLAG_BRS);
    frame->esi = frame->fd && (packet->flags & TRACE_FLAG_ESI);
    if (reason)
        emit(stage, FRAME_FAULT, reason);
    else
        push_packet(stage, packet);
    frame->fd = frame->brs = frame->esi = false;
}

static void fault_without_id(struct frame_stage *stage, const char *reason)
{
    set_id(&stage->frame, 0);
    emit(stage, FRAME_FAULT, reason);
}

/* False, with the event told, when the record holds no CAN header. */
static inline bool read_can_header(struct frame_stage *stage, struct packet *packet)
{
    const uint8_t *start = bytes_take(&packet->cursor, TRACE_CAN_HEADER);
    if (!start) {
        fault_without_id(stage, "shorter than its header");
        return false;
    }
    /* A cursor of a length the compiler knows: its checks cost nothing. Left unread: reserved; len8_dlc, the raw DLC
     * 9 to 15 of an 8-byte frame. */
    struct bytes head = bytes_of(start, TRACE_CAN_HEADER);
    packet->word = stage->id_little ? bytes_le32(&head) : bytes_be32(&head);
    packet->length = bytes_u8(&head);
    packet->flags = bytes_u8(&head);
    set_id(&stage->frame, packet->word);
    return true;
}

/*
 * Link types 113 and 276:  packet type u16 | hardware u16 | address length u16 | address[8] | protocol u16
 *                          protocol u16 | 0 u16 | interface u32 | hardware u16 | packet type u8 | length u8 | addr[8]
 */
static void push_cooked(struct frame_stage *stage, const struct trace_record *record)
{
    struct packet packet = {.cursor = bytes_of(record->data, record->captured)};
    const uint8_t *cooked = bytes_take(&packet.cursor, stage->cooked);
    if (!cooked || record->original < stage->cooked) {
        fault_without_id(stage, "shorter than its cooked header");
        return;
    }
    struct bytes head = bytes_of(cooked, stage->cooked);
    if (stage->cooked == TRACE_SLL_HEADER)
        bytes_skip(&head, 14);
    uint16_t protocol = bytes_be16(&head);
    packet.captured = record->captured - stage->cooked;
    packet.original = record->original - stage->cooked;
    stage->frame.data_offset += stage->cooked;
    if (protocol == TRACE_PROTOCOL_CAN_XL) {
        fault_without_id(stage, "CAN XL frame: not read by this version");
    } else if (protocol != TRACE_PROTOCOL_CAN && protocol != TRACE_PROTOCOL_CAN_FD) {
        set_id(&stage->frame, 0);
        emit(stage, FRAME_OTHER, NULL);
    } else if (read_can_header(stage, &packet)) {
        push_unusual(stage, &packet, protocol == TRACE_PROTOCOL_CAN_FD);
    }
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

    frame->length = 0;
    if (stage->cooked) {
        push_cooked(stage, record);
        return;
    }
    struct packet packet = {.cursor = bytes_of(record->data, record->captured), .captured = record->captured,
                            .original = record->original};
    if (!read_can_header(stage, &packet))
        return;
    /* Nearly every record is a full-size classic packet; what is not is looked at closely. */
    if (packet.captured != TRACE_CAN_CLASSIC || packet.original != TRACE_CAN_CLASSIC || packet.length > 8 ||
        (packet.flags & TRACE_FLAG_FDF))
        push_unusual(stage, &packet, false);
    else
        push_packet(stage, &packet);
}

/* ---- the order of the ids ---- */

void frame_set_link(struct frame_stage *stage, const struct trace_reader *reader, enum frame_id_order order)
{
    bool cooked = reader->linktype != TRACE_LINKTYPE_CAN;
    stage->cooked = !cooked ? 0 : reader->linktype == TRACE_LINKTYPE_SLL ? TRACE_SLL_HEADER : TRACE_SLL2_HEADER;
    stage->id_little = (cooked && !reader->swapped) != (order == FRAME_ID_SWAPPED);
}

/* D 5.4: an error frame that is a data or remote frame too, or a number over 0x7FF without the 29-bit mark. */
static bool is_senseless(uint32_t word)
{
    return ((word & TRACE_ID_ERROR) && (word & (TRACE_ID_EXTENDED | TRACE_ID_RTR))) ||
           (!(word & TRACE_ID_EXTENDED) && (word & TRACE_ID_MASK) > 0x7FF);
}

/* The id word at the start of a record's packet, in the order its link type defines; false when there is none. */
static bool word_of(const struct frame_stage *defined, const struct trace_record *record, uint32_t *word)
{
    struct bytes cursor = bytes_of(record->data, record->captured);
    const uint8_t *cooked = bytes_take(&cursor, defined->cooked);
    if (!cooked)
        return false;
    if (defined->cooked) {
        struct bytes head = bytes_of(cooked, defined->cooked);
        if (defined->cooked == TRACE_SLL_HEADER)
            bytes_skip(&head, 14);
        uint16_t protocol = bytes_be16(&head);
        if (protocol != TRACE_PROTOCOL_CAN && protocol != TRACE_PROTOCOL_CAN_FD)
            return false;
    }
    *word = defined->id_little ? bytes_le32(&cursor) : bytes_be32(&cursor);
    return !(bytes_u8(&cursor) & TRACE_LENGTH_XL) && !cursor.bad;
}

bool frame_ids_are_swapped(struct trace_reader *reader)
{
    struct frame_stage defined = {.frame = {.bus = 0}};
    struct trace_record record;
    size_t ahead = 0;
    bool senseless = false;
    frame_set_link(&defined, reader, FRAME_ID_DEFINED);
    for (uint32_t i = 0; i < FRAME_ORDER_RECORDS && trace_reader_peek(reader, &ahead, &record); i++) {
        uint32_t word;
        if (!word_of(&defined, &record, &word))
            continue;
        if (is_senseless(__builtin_bswap32(word)))
            return false; /* decided: it is not taken, whatever follows */
        senseless = senseless || is_senseless(word);
    }
    return senseless;
}
