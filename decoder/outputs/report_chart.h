/*
 * What the report draws against time, kept in bounded memory however long the record is: time is cut into equal
 * buckets, and whenever the record outgrows them, neighbours are united and the width doubles. A bucket keeps its
 * first, last, smallest and largest sample and how often the line is broken in it, so that no extreme and no gap is
 * lost by thinning. Nothing here can fail but the allocation of a track.
 *
 * Times here are x: ns since the first frame, counting forward steps of the clock only (frame.elapsed), so that they
 * never run back.
 */
#ifndef TT_REPORT_CHART_H
#define TT_REPORT_CHART_H

#include "../support/ratio.h"
#include "../support/support.h"

#define CHART_BUCKETS 1024
#define CHART_FIRST_WIDTH (16 * TT_MS) /* of a bucket, at first */
#define CHART_PAUSES 128
#define CHART_RUNS 128

struct chart_point {
    tt_wide numerator;
    int64_t x;
    uint64_t frame; /* last frame of its message */
};

struct chart_bucket {
    struct chart_point first, last, smallest, largest;
    uint64_t samples;   /* 0: the others mean nothing */
    uint32_t breaks;    /* of the line, between its own samples */
    bool broken_before; /* between the bucket before and this one */
};

/* Time without a sample, or with something between two samples that ends a steady stretch (D 7.6). */
struct chart_pause {
    int64_t from, to;
    uint64_t count; /* pauses united in this one, because there were too many */
};

/* A number against time. */
struct chart_track {
    int64_t width, gap; /* gap: samples further apart are not joined */
    struct chart_bucket *buckets; /* CHART_BUCKETS, owned */
    struct chart_point smallest, largest;
    uint64_t samples;
    int64_t last_x;
    bool broken; /* something ended the line since the last sample */
    struct chart_pause pauses[CHART_PAUSES];
    uint32_t pause_count;
};

TT_MUST_USE bool chart_track_open(struct chart_track *track, int64_t gap);
void chart_track_add(struct chart_track *track, const struct chart_point *point);
/* What ends a line: an absent value, lost frames, a clock step. */
void chart_track_break(struct chart_track *track);
void chart_track_close(struct chart_track *track);

/* A named state against time: runs of equal states; of too many the first and last half are kept. */
struct chart_run {
    const char *state; /* static or of the definitions; NULL: no named state */
    int64_t from, to;
    uint64_t first_frame, last_frame;
};
struct chart_states {
    struct chart_run runs[CHART_RUNS];
    uint64_t count; /* of all; behind the first half runs[] is a ring */
};
void chart_states_add(struct chart_states *states, const char *state, int64_t x, uint64_t first_frame,
                      uint64_t last_frame, int64_t gap, bool broken);
uint32_t chart_states_kept(const struct chart_states *states);
const struct chart_run *chart_states_at(const struct chart_states *states, uint32_t index); /* in order */

/* How often something happened, by bucket. */
struct chart_lane {
    int64_t width;
    uint64_t total;
    uint32_t counts[CHART_BUCKETS];
};
void chart_lane_add(struct chart_lane *lane, int64_t x);

#endif
