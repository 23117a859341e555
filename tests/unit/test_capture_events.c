/* capture/events.h, shared.h, reader_notes.h: order and place of what happened, also when nobody takes it for long. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <cmocka.h>

#include "capture/events.h"
#include "capture/reader_notes.h"
#include "capture/trace_format.h"

static struct event written[64];
static unsigned written_count;

static void keep(void *context, const struct event *event)
{
    (void)context;
    assert_true(written_count < 64);
    written[written_count++] = *event;
}

static struct events events;
static struct shared *shared;

static int fresh(void **state)
{
    (void)state;
    memset(&events, 0, sizeof events);
    written_count = 0;
    shared = shared_make();
    return shared ? 0 : -1;
}

static int done(void **state)
{
    (void)state;
    return munmap(shared, sizeof *shared);
}

static void add(uint32_t bus, uint64_t after, uint64_t before, uint64_t emptied)
{
    const struct event event = {.what = RECORDER_LINK_UP, .bus = bus, .after = after, .before = before,
                                .emptied = emptied};
    assert_true(events_add(&events, &event));
}

static void written_in_the_order_of_frames(void **state)
{
    (void)state;
    add(0, 30, 31, 0);
    add(1, 5, 6, 0);
    add(0, 10, 20, 0);
    add(0, 10, 11, 0); /* same place: as they came */
    add(EVENT_NO_BUS, 0, 0, 0);
    events_write(&events, false, keep, NULL);
    assert_int_equal(written_count, 5);
    assert_int_equal(written[0].before, 20);
    assert_int_equal(written[1].before, 11);
    assert_int_equal(written[2].after, 30);
    assert_int_equal(written[3].bus, 1);
    assert_int_equal(written[4].before, 0); /* no bus: no place */
    assert_int_equal(events.count, 0);
}

/* What the kernel said while frames were queued: its place is known once the socket has been empty, and nothing of that
 * bus that lies behind overtakes it. */
static void an_unsettled_event_waits_and_holds_back(void **state)
{
    (void)state;
    atomic_store(&shared->bus[0].emptied, 7);
    atomic_store(&shared->bus[0].frames, 100);
    add(0, 50, 0, 9);
    add(0, 40, 41, 0);
    add(0, 60, 61, 0);
    add(1, 1, 2, 0);
    events_settle(&events, shared);
    events_write(&events, false, keep, NULL);
    assert_int_equal(written_count, 2);
    assert_int_equal(written[0].after, 40);
    assert_int_equal(written[1].bus, 1);
    atomic_store(&shared->bus[0].frames, 180);
    atomic_store(&shared->bus[0].emptied, 8);
    events_settle(&events, shared);
    events_write(&events, false, keep, NULL);
    assert_int_equal(written_count, 2);
    atomic_store(&shared->bus[0].emptied, 9);
    events_settle(&events, shared);
    events_write(&events, false, keep, NULL);
    assert_int_equal(written_count, 4);
    assert_int_equal(written[2].after, 50);
    assert_int_equal(written[2].before, 181);
    assert_int_equal(written[3].after, 60);
}

static void the_end_takes_them_all(void **state)
{
    (void)state;
    add(0, 50, 0, 9);
    add(0, 60, 61, 0);
    events_write(&events, true, keep, NULL);
    assert_int_equal(written_count, 2);
    assert_int_equal(written[0].before, 51); /* never before its own place */
}

static void full_is_told(void **state)
{
    (void)state;
    for (unsigned i = 0; i < EVENTS_ROOM; i++)
        add(0, i, i + 1, 0);
    const struct event event = {.what = RECORDER_LINK_UP};
    assert_false(events_add(&events, &event));
}

/* ---- from the reader to the keeper ---- */

static struct reader_event loss(unsigned bus, uint64_t after, uint64_t count)
{
    return (struct reader_event){.kind = READER_LOSS, .bus = bus, .after = after, .before = after + 1, .count = count};
}

static void the_ring_keeps_order_and_says_when_it_is_full(void **state)
{
    (void)state;
    struct reader_event event;
    for (unsigned round = 0; round < 3; round++) {
        for (unsigned i = 0; i < RING_ROOM; i++) {
            event = loss(0, i, 1);
            assert_true(shared_put(shared, &event));
        }
        assert_false(shared_put(shared, &event));
        for (unsigned i = 0; i < RING_ROOM; i++) {
            assert_true(shared_take(shared, &event));
            assert_int_equal(event.after, i);
        }
        assert_false(shared_take(shared, &event));
    }
}

/* A keeper that is stopped for long: no count is lost, and the place grows to hold all of them. */
static void nothing_is_dropped_when_the_ring_is_full(void **state)
{
    (void)state;
    static struct notes notes;
    struct reader_event event;
    uint64_t told = 0, last = 0, added = 0;
    memset(&notes, 0, sizeof notes);
    for (unsigned i = 0; i < 10 * RING_ROOM; i++) {
        event = loss(i % 2, 10 * i, i + 1);
        added += i + 1;
        notes_add(&notes, shared, &event);
    }
    event = (struct reader_event){.kind = READER_DOWN, .bus = 0, .after = 90000, .before = 90001};
    notes_add(&notes, shared, &event);
    unsigned rest = 0;
    for (unsigned i = 0; i < 2; i++) {
        while (shared_take(shared, &event)) {
            assert_true(event.after >= last);
            last = event.after;
            if (event.kind == READER_LOSS)
                told += event.count;
            if (i == 1)
                rest++;
        }
        notes_flush(&notes, shared);
    }
    assert_int_equal(told, added);
    assert_int_equal(rest, 3); /* the losses of each bus put together, and the link that went down */
    assert_int_equal(last, 90000);
    assert_int_equal(notes.count, 0);
}

/* Losses put together reach from the first place to behind the last: no frame between them is left out. */
static void what_is_put_together_covers_every_place(void **state)
{
    (void)state;
    static struct notes notes;
    struct reader_event event;
    memset(&notes, 0, sizeof notes);
    for (unsigned i = 0; i < RING_ROOM; i++) {
        event = loss(0, i, 1);
        notes_add(&notes, shared, &event);
    }
    static const uint64_t after[] = {5000, 7000, 6000, 4000};
    for (unsigned i = 0; i < 4; i++) {
        event = loss(0, after[i], 2);
        notes_add(&notes, shared, &event);
    }
    for (unsigned i = 0; i < RING_ROOM; i++)
        assert_true(shared_take(shared, &event));
    notes_flush(&notes, shared);
    assert_true(shared_take(shared, &event));
    assert_int_equal(event.after, 4000);
    assert_int_equal(event.before, 7001);
    assert_int_equal(event.count, 8);
    assert_false(shared_take(shared, &event));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(written_in_the_order_of_frames, fresh, done),
        cmocka_unit_test_setup_teardown(an_unsettled_event_waits_and_holds_back, fresh, done),
        cmocka_unit_test_setup_teardown(the_end_takes_them_all, fresh, done),
        cmocka_unit_test_setup_teardown(full_is_told, fresh, done),
        cmocka_unit_test_setup_teardown(the_ring_keeps_order_and_says_when_it_is_full, fresh, done),
        cmocka_unit_test_setup_teardown(nothing_is_dropped_when_the_ring_is_full, fresh, done),
        cmocka_unit_test_setup_teardown(what_is_put_together_covers_every_place, fresh, done),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
