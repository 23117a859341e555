/* What a look keeps of what it saw: answers, bounded lists, gaps. */
#include "step_look.h"

#include "../support/shortage.h"

#include <stdlib.h>
#include <string.h>

void kept_answer_set(struct kept_answer *kept, const struct note *note, const uint8_t *bytes, uint32_t length)
{
    kept_answer_free(kept);
    kept->has = true;
    kept->bus = note->bus;
    kept->first_frame = note->first_frame;
    kept->last_frame = note->last_frame;
    kept->time = note->time;
    kept->shared = length ? shortage_malloc(sizeof *kept->shared + length) : NULL;
    if (kept->shared) {
        kept->shared->users = 1;
        memcpy(kept->shared->bytes, bytes, length);
        kept->length = length;
    }
}

void kept_answer_copy(struct kept_answer *to, const struct kept_answer *from)
{
    if (from->shared)
        from->shared->users++;
    struct kept_answer copy = *from; /* from may be what *to holds already */
    kept_answer_free(to);
    *to = copy;
}

void kept_answer_evidence(struct step_result *result, const struct kept_answer *kept)
{
    if (!kept->has)
        return;
    result->evidence = EVIDENCE_ANSWER;
    result->bus = kept->bus;
    result->first_frame = kept->first_frame;
    result->last_frame = kept->last_frame;
    result->time = kept->time;
    result->bytes = kept->length ? shortage_malloc(kept->length) : NULL;
    if (result->bytes)
        memcpy(result->bytes, kept->shared->bytes, kept->length);
    result->byte_count = result->bytes ? kept->length : 0;
}

void kept_answer_free(struct kept_answer *kept)
{
    if (kept->shared && --kept->shared->users == 0)
        free(kept->shared);
    memset(kept, 0, sizeof *kept);
}

void kept_list_init(struct kept_list *list, uint32_t entry_size)
{
    memset(list, 0, sizeof *list);
    list->size = entry_size;
}

void kept_list_add(struct kept_list *list, const void *entry)
{
    list->count++;
    if (list->kept == 2 * VERDICT_KEPT) { /* the oldest of the last ones makes room */
        memcpy(list->entries + (size_t)(VERDICT_KEPT + list->oldest) * list->size, entry, list->size);
        list->oldest = (list->oldest + 1) % VERDICT_KEPT;
        return;
    }
    if (list->kept == list->room) {
        uint32_t room = list->room ? list->room * 2 : 4;
        room = room > 2 * VERDICT_KEPT ? 2 * VERDICT_KEPT : room;
        uint8_t *grown = realloc(list->entries, (size_t)room * list->size);
        if (!grown) { /* counted, not kept */
            shortage_note();
            return;
        }
        list->entries = grown;
        list->room = room;
    }
    memcpy(list->entries + (size_t)list->kept++ * list->size, entry, list->size);
}

const void *kept_list_at(const struct kept_list *list, uint32_t index)
{
    static const union {
        struct stretch stretch;
        struct try_result try;
    } nothing; /* what memory was refused for */
    if (index >= list->kept)
        return &nothing;
    if (index >= VERDICT_KEPT && list->kept == 2 * VERDICT_KEPT)
        index = VERDICT_KEPT + (index - VERDICT_KEPT + list->oldest) % VERDICT_KEPT;
    return list->entries + (size_t)index * list->size;
}

void *kept_list_array(const struct kept_list *list)
{
    if (!list->kept)
        return NULL;
    uint8_t *array = shortage_malloc((size_t)list->kept * list->size);
    for (uint32_t i = 0; array && i < list->kept; i++)
        memcpy(array + (size_t)i * list->size, kept_list_at(list, i), list->size);
    return array;
}

void kept_list_copy(struct kept_list *to, const struct kept_list *from)
{
    *to = *from;
    to->entries = from->kept ? shortage_malloc((size_t)from->kept * from->size) : NULL;
    to->room = from->kept;
    if (to->entries)
        memcpy(to->entries, from->entries, (size_t)from->kept * from->size);
    else
        to->kept = to->room = 0;
}

void kept_list_free(struct kept_list *list)
{
    free(list->entries);
    kept_list_init(list, list->size);
}

void gap_ring_add(struct gap_ring *ring, const struct gap *gap)
{
    ring->list[ring->count++ % GAP_RING] = *gap;
}

void gaps_add(struct gaps *out, const struct gap *gap, uint32_t bus, uint64_t first, uint64_t last)
{
    bool apart = gap->between ? gap->frame >= last || gap->last_frame <= first
                              : gap->frame > last || gap->last_frame < first;
    if (apart || (gap->bus != GAP_EVERY_BUS && gap->bus != bus))
        return;
    out->count++;
    if (out->kept < VERDICT_GAPS_KEPT)
        out->list[out->kept++] = *gap;
}

void gap_ring_read(const struct gap_ring *ring, uint32_t bus, uint64_t first, uint64_t last, unsigned kinds,
                   struct gaps *out)
{
    memset(out, 0, sizeof *out);
    uint64_t from = ring->count > GAP_RING ? ring->count - GAP_RING : 0;
    for (uint64_t i = from; i < ring->count; i++) {
        const struct gap *gap = &ring->list[i % GAP_RING];
        if (kinds & 1u << gap->kind)
            gaps_add(out, gap, bus, first, last);
    }
}

void doubts_ask(struct doubts *doubts, uint64_t serial)
{
    if (doubts->count == DOUBTS_MAX)
        doubts->certain = true; /* more than can be told apart: it stays in force */
    else
        doubts->serials[doubts->count++] = serial;
}

static bool doubts_remove(struct doubts *doubts, uint64_t serial)
{
    for (uint32_t i = 0; i < doubts->count; i++) {
        if (doubts->serials[i] != serial)
            continue;
        doubts->serials[i] = doubts->serials[--doubts->count];
        return true;
    }
    return false;
}

void doubts_refused(struct doubts *doubts, uint64_t serial)
{
    (void)doubts_remove(doubts, serial);
}

void doubts_settled(struct doubts *doubts, uint64_t serial)
{
    if (doubts_remove(doubts, serial))
        doubts->certain = true;
}
