/*
 * Records to CAN frames: classic, CAN FD and error frames of link types 227, 113 and 276 (tcpdump.org
 * LINKTYPE_CAN_SOCKETCAN, LINKTYPE_LINUX_SLL, LINKTYPE_LINUX_SLL2). Also the place where time is watched: when it goes
 * back, elapsed time across that pair is unknown (D 8.5): every frame carries `elapsed`, a sum of forward steps only.
 */
#ifndef TT_FRAME_H
#define TT_FRAME_H

#include "trace_reader.h"

#define FRAME_FILE_MAX 64 /* trace files of one run */
#define FRAME_DATA_MAX 64 /* bytes of a CAN FD frame */
#define FRAME_ELAPSED_MAX (INT64_MAX - 10 * 365 * INT64_C(86400) * TT_SECOND) /* room to add ten years */

struct frame {
    uint64_t number;  /* from 1 per bus; error frames and frames of every other form are counted too (D 4.3) */
    int64_t time;     /* ns since 1970, as recorded */
    int64_t elapsed;  /* ns since the first frame of all buses, backward steps counted as 0; never above
                       * FRAME_ELAPSED_MAX (a sum that could pass it begins again at 0, with a new epoch) */
    uint32_t epoch;   /* 0, and another number after each backward step, no number on two buses: elapsed differences
                       * mean something only within one epoch */
    uint32_t bus;     /* index; its name is "1" for a bare trace */
    uint32_t file;    /* index of the trace file */
    uint64_t offset;  /* of the record header in that file */
    uint64_t data_offset; /* of data[0] in that file */
    uint32_t id;      /* 11 or 29 bits */
    uint32_t error;   /* error frame: TRACE_ID_ERROR and its class bits (Linux can/error.h); 0 for every other frame */
    bool extended;    /* 29-bit */
    bool remote;      /* RTR: no data */
    bool fd;          /* CAN FD */
    bool brs, esi;    /* CAN FD: bit rate switched; the sender was error passive */
    uint8_t length;   /* 0..8; CAN FD also 12, 16, 20, 24, 32, 48, 64 */
    uint8_t data[FRAME_DATA_MAX]; /* the first length bytes count; what is behind them is not cleared */
};

/* The id as one word: bit 31 marks a 29-bit one (DEF_ID_29 of definitions/model.h). */
static inline uint32_t frame_id_word(const struct frame *frame)
{
    return frame->id | (uint32_t)frame->extended << 31;
}

enum frame_event_kind {
    FRAME_DATA,       /* frame holds a data or remote frame */
    FRAME_CLOCK_BACK, /* frame's time is earlier than the one before it, or one of the two is impossible: the time
                       * between them is unknown and a new epoch begins; comes before that frame's own event */
    FRAME_LOST,       /* an error frame with RX_OVERFLOW: frames were lost in the controller; as FRAME_ERROR */
    FRAME_ERROR,      /* another error frame: frame.error, data; frame.id is 0 */
    FRAME_OTHER,      /* a whole record of another protocol than CAN in a cooked capture: counted, carries nothing */
    FRAME_FAULT,      /* a record that is no frame we can read: reason says why; data is not to be used */
};

/* Which way round the CAN id stands in a record (D 5.4). */
enum frame_id_order {
    FRAME_ID_LOOK,     /* as the first 65,536 frames say */
    FRAME_ID_DEFINED,  /* as the link type defines it: 227 big-endian; 113 and 276 the byte order of the file */
    FRAME_ID_SWAPPED,  /* the other way round */
};

struct frame_event {
    enum frame_event_kind kind;
    const struct frame *frame; /* valid until the callback returns; every kind: number, time, elapsed, offset are set;
                                * FRAME_FAULT: id, extended, remote too, 0 when the record does not hold them */
    const char *reason;        /* FRAME_FAULT: static text: "length over 8", "shorter than its header", ... */
    int64_t step;              /* FRAME_CLOCK_BACK: how far back, ns; 0 when one of the two times is impossible */
    bool stepped;              /* FRAME_CLOCK_BACK: asked for by frame_clock_stepped; step may be 0 or below then */
};

struct frame_stage {
    struct frame frame;  /* the one at work; number, time, elapsed, epoch go on from it; set frame.file at a new file */
    uint32_t cooked;     /* bytes of the cooked header before each packet; 0 for link type 227 */
    bool id_little;      /* the CAN id stands least significant byte first */
    int64_t origin;      /* time at which elapsed is 0; INT64_MIN: that of the first frame */
    uint32_t *epochs;    /* highest epoch used by any bus of the run; borrowed; NULL: this bus is alone */
    bool started;
    bool doubtful;       /* the time of the frame before was impossible, or: */
    bool stepped;        /* somebody knows that the clock was set before the next frame */
    void (*emit)(void *context, const struct frame_event *event);
    void *context;
};

void frame_init(struct frame_stage *stage, uint32_t bus, uint32_t file,
                void (*emit)(void *context, const struct frame_event *event), void *context);
/* For what lies behind this reader's file header: link type and order of the ids. Without it: 227, big-endian. */
void frame_set_link(struct frame_stage *stage, const struct trace_reader *reader, enum frame_id_order order);
/* For several buses, before the first record: the earliest time of all, and a counter they share (0 at first). */
void frame_set_common(struct frame_stage *stage, int64_t origin, uint32_t *epochs);
/* The clock was set somewhere between the last frame and the next: the time between them is unknown (D 8.5). */
void frame_clock_stepped(struct frame_stage *stage);
/* Exactly one event per record, with a FRAME_CLOCK_BACK before it where time went back. */
void frame_push(struct frame_stage *stage, const struct trace_record *record);
/*
 * Looks at the first FRAME_ORDER_RECORDS records of a reader without taking them (D 5.4): true when some id is
 * senseless in the order the link type defines and none is the other way round. Records without an id are passed over.
 */
#define FRAME_ORDER_RECORDS 65536u
TT_MUST_USE bool frame_ids_are_swapped(struct trace_reader *reader);
/*
 * What an error frame says, in plain words: "bus-off", "receive buffer overflow", ... (Linux can/error.h), separated by
 * ", ". Returns what snprintf would. "error frame" when no class is set that has a name.
 */
#define FRAME_ERROR_TEXT 640 /* room for the longest, with its NUL */
int frame_error_text(const struct frame *frame, char *text, size_t room);

#endif
