/* See shared.h. */
#include "shared.h"

#include <sys/mman.h>

struct shared *shared_make(void)
{
    void *room = mmap(NULL, sizeof(struct shared), PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    struct shared *shared = room == MAP_FAILED ? NULL : room;
    for (unsigned i = 0; shared && i < BUSES_MAX; i++)
        atomic_store(&shared->bus[i].limit, UINT64_MAX);
    return shared;
}

bool shared_put(struct shared *shared, const struct reader_event *event)
{
    uint32_t head = atomic_load_explicit(&shared->head, memory_order_relaxed);
    if (head - atomic_load_explicit(&shared->tail, memory_order_acquire) == RING_ROOM)
        return false;
    shared->ring[head % RING_ROOM] = *event;
    atomic_store_explicit(&shared->head, head + 1, memory_order_release);
    return true;
}

bool shared_take(struct shared *shared, struct reader_event *event)
{
    uint32_t tail = atomic_load_explicit(&shared->tail, memory_order_relaxed);
    if (tail == atomic_load_explicit(&shared->head, memory_order_acquire))
        return false;
    *event = shared->ring[tail % RING_ROOM];
    atomic_store_explicit(&shared->tail, tail + 1, memory_order_release);
    return true;
}
