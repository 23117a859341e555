/* See report_chart.h. */
#include "report_chart.h"

#include <stdlib.h>
#include <string.h>

/* ---- numbers ---- */

bool chart_track_open(struct chart_track *track, int64_t gap)
{
    *track = (struct chart_track){.width = CHART_FIRST_WIDTH, .gap = gap};
    track->buckets = calloc(CHART_BUCKETS, sizeof *track->buckets);
    return track->buckets != NULL;
}

void chart_track_close(struct chart_track *track)
{
    free(track->buckets);
    track->buckets = NULL;
}

static void unite(struct chart_bucket *a, const struct chart_bucket *b)
{
    if (b->samples == 0)
        return;
    if (a->samples == 0) {
        *a = *b;
        return;
    }
    a->breaks += b->breaks + b->broken_before;
    a->last = b->last;
    if (b->smallest.numerator < a->smallest.numerator)
        a->smallest = b->smallest;
    if (b->largest.numerator > a->largest.numerator)
        a->largest = b->largest;
    a->samples += b->samples;
}

/* The bucket of x, after as many doublings as it takes. */
static uint32_t place_of(struct chart_track *track, int64_t x)
{
    while (x / track->width >= CHART_BUCKETS) {
        for (uint32_t i = 0; i < CHART_BUCKETS; i += 2) {
            struct chart_bucket pair = track->buckets[i];
            unite(&pair, &track->buckets[i + 1]);
            track->buckets[i / 2] = pair;
        }
        memset(track->buckets + CHART_BUCKETS / 2, 0, CHART_BUCKETS / 2 * sizeof *track->buckets);
        track->width *= 2; /* x below 2^63: at most 2^53 times 1,024 buckets */
    }
    return (uint32_t)(x / track->width);
}

static void note_pause(struct chart_track *track, int64_t from, int64_t to)
{
    if (track->pause_count == CHART_PAUSES) {
        /* Unites the two that lie closest, so that every pause stays inside one that is drawn. */
        uint32_t closest = 1;
        for (uint32_t i = 2; i < CHART_PAUSES; i++)
            if (track->pauses[i].from - track->pauses[i - 1].to <
                track->pauses[closest].from - track->pauses[closest - 1].to)
                closest = i;
        track->pauses[closest - 1].to = track->pauses[closest].to;
        track->pauses[closest - 1].count += track->pauses[closest].count;
        memmove(&track->pauses[closest], &track->pauses[closest + 1],
                (CHART_PAUSES - closest - 1) * sizeof track->pauses[0]);
        track->pause_count--;
    }
    track->pauses[track->pause_count++] = (struct chart_pause){from, to, 1};
}

void chart_track_add(struct chart_track *track, const struct chart_point *point)
{
    struct chart_point here = *point;
    if (!track->buckets)
        return;
    if (here.x < track->last_x) /* two buses, or time that began again: never backwards */
        here.x = track->last_x;
    bool broken = track->samples > 0 && (track->broken || here.x - track->last_x > track->gap);
    if (broken)
        note_pause(track, track->last_x, here.x);
    const struct chart_bucket one = {here, here, here, here, 1, 0, broken};
    unite(&track->buckets[place_of(track, here.x)], &one);
    if (track->samples == 0 || here.numerator < track->smallest.numerator)
        track->smallest = here;
    if (track->samples == 0 || here.numerator > track->largest.numerator)
        track->largest = here;
    track->samples++;
    track->last_x = here.x;
    track->broken = false;
}

void chart_track_break(struct chart_track *track)
{
    track->broken = true;
}

/* ---- states ---- */

#define HALF (CHART_RUNS / 2)

static struct chart_run *run_at(struct chart_states *states, uint64_t number)
{
    return &states->runs[number < HALF ? number : HALF + (number - HALF) % HALF];
}

uint32_t chart_states_kept(const struct chart_states *states)
{
    return states->count < CHART_RUNS ? (uint32_t)states->count : CHART_RUNS;
}

const struct chart_run *chart_states_at(const struct chart_states *states, uint32_t index)
{
    uint64_t number = index < HALF || states->count <= CHART_RUNS ? index : states->count - CHART_RUNS + index;
    return &states->runs[number < HALF ? number : HALF + (number - HALF) % HALF];
}

void chart_states_add(struct chart_states *states, const char *state, int64_t x, uint64_t first_frame,
                      uint64_t last_frame, int64_t gap, bool broken)
{
    struct chart_run *last = states->count ? run_at(states, states->count - 1) : NULL;
    bool same = last && (last->state == state || (last->state && state && strcmp(last->state, state) == 0));
    if (last && x < last->to)
        x = last->to;
    if (same && !broken && x - last->to <= gap) {
        last->to = x;
        last->last_frame = last_frame;
        return;
    }
    *run_at(states, states->count) = (struct chart_run){state, x, x, first_frame, last_frame};
    states->count++;
}

/* ---- counts ---- */

void chart_lane_add(struct chart_lane *lane, int64_t x)
{
    if (lane->width == 0)
        lane->width = CHART_FIRST_WIDTH;
    if (x < 0)
        x = 0;
    while (x / lane->width >= CHART_BUCKETS) {
        for (uint32_t i = 0; i < CHART_BUCKETS; i += 2) {
            uint64_t both = (uint64_t)lane->counts[i] + lane->counts[i + 1];
            lane->counts[i / 2] = both < UINT32_MAX ? (uint32_t)both : UINT32_MAX;
        }
        memset(lane->counts + CHART_BUCKETS / 2, 0, CHART_BUCKETS / 2 * sizeof lane->counts[0]);
        lane->width *= 2;
    }
    lane->counts[x / lane->width] += lane->counts[x / lane->width] < UINT32_MAX;
    lane->total++;
}
