/*
 * Records to CAN frames: classic frames of link type 227 (tcpdump.org LINKTYPE_CAN_SOCKETCAN), and the one error frame
 * that matters for evidence, RX_OVERFLOW. Also the place where time is watched: when it goes back, elapsed time across
 * that pair is unknown (D 8.5), so every frame carries `elapsed`, a sum of forward steps only.
 */
#ifndef TT_FRAME_H
#define TT_FRAME_H

#include "trace_reader.h"

#define FRAME_FILE_MAX 64 /* trace files of one run */
#define FRAME_ELAPSED_MAX (INT64_MAX - 10 * 365 * INT64_C(86400) * TT_SECOND) /* room to add ten years */

struct frame {
    uint64_t number;  /* from 1 per bus; error frames and frames of every other form are counted too (D 4.3) */
    int64_t time;     /* ns since 1970, as recorded */
    int64_t elapsed;  /* ns since the first frame, backward steps counted as 0; never above FRAME_ELAPSED_MAX (a sum of steps
                       * that would pass it begins again at 0, with a new epoch) */
    uint32_t epoch;   /* number of backward steps so far: elapsed differences mean something only within one epoch */
    uint32_t bus;     /* index; its name is "1" for a bare trace */
    uint32_t file;    /* index of the trace file */
    uint64_t offset;  /* of the record header in that file */
    uint64_t data_offset; /* of data[0] in that file */
    uint32_t id;      /* 11 or 29 bits */
    bool extended;    /* 29-bit */
    bool remote;      /* RTR: no data */
    uint8_t length;   /* 0..8 */
    uint8_t data[8];
};

enum frame_event_kind {
    FRAME_DATA,       /* frame holds a classic data or remote frame */
    FRAME_CLOCK_BACK, /* frame's time is earlier than the one before it, or one of the two is impossible: the time between
                       * them is unknown and a new epoch begins; comes before that frame's own event */
    FRAME_LOST,       /* an error frame with RX_OVERFLOW: frames were lost in the controller */
    FRAME_ERROR,      /* another error frame: counted, carries nothing here */
    FRAME_FAULT,      /* a record that is no classic CAN frame: reason says why; data is not to be used */
};

struct frame_event {
    enum frame_event_kind kind;
    const struct frame *frame; /* valid until the callback returns; for every kind number, time, elapsed, offset are set */
    const char *reason;        /* FRAME_FAULT: "length over 8", "shorter than its header", "CAN FD frame", "CAN XL frame", ... */
    int64_t step;              /* FRAME_CLOCK_BACK: how far back, ns; 0 when one of the two times is impossible */
};

struct frame_stage {
    struct frame frame;  /* the one at work: number, time, elapsed and epoch go on from it; set frame.file at a new file */
    bool started;
    bool doubtful;       /* the time of the frame before was impossible */
    void (*emit)(void *context, const struct frame_event *event);
    void *context;
};

void frame_init(struct frame_stage *stage, uint32_t bus, uint32_t file,
                void (*emit)(void *context, const struct frame_event *event), void *context);
/* Exactly one event per record, with a FRAME_CLOCK_BACK before it where time went back. */
void frame_push(struct frame_stage *stage, const struct trace_record *record);

#endif
