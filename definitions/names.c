/* The table of full names; see load.h. Linear probing, half full at the most. */
#include <string.h>

#include "load.h"

/* FNV-1a, 64 bits (public domain; Fowler, Noll, Vo), folded: only a place to begin the search. */
static uint32_t hash_of(const char *text)
{
    uint64_t hash = UINT64_C(0xcbf29ce484222325);
    for (; *text; text++)
        hash = (hash ^ (uint8_t)*text) * UINT64_C(0x100000001b3);
    return (uint32_t)(hash ^ hash >> 32);
}

static struct name_slot *slot_of(const struct name_table *table, const char *text)
{
    uint32_t at = hash_of(text) & (table->room - 1);
    while (table->slots[at].text && strcmp(table->slots[at].text, text) != 0)
        at = (at + 1) & (table->room - 1);
    return &table->slots[at];
}

static bool widen(struct load *load, struct name_table *table)
{
    struct name_table wide = {NULL, table->room ? table->room * 2 : 64, table->count};
    wide.slots = load_scratch(load, wide.room, sizeof *wide.slots);
    if (!wide.slots)
        return false;
    for (uint32_t i = 0; i < table->room; i++)
        if (table->slots[i].text)
            *slot_of(&wide, table->slots[i].text) = table->slots[i];
    *table = wide;
    return true;
}

bool names_add(struct load *load, struct name_table *table, const char *text, uint32_t *index, bool *taken)
{
    *taken = false;
    if (table->count >= table->room / 2 && !widen(load, table))
        return false;
    struct name_slot *slot = slot_of(table, text);
    if (slot->text) {
        *taken = true;
        *index = slot->index;
        return true;
    }
    *slot = (struct name_slot){text, *index};
    table->count++;
    return true;
}

uint32_t names_find(const struct name_table *table, const char *text)
{
    if (table->room == 0)
        return DEF_NONE;
    const struct name_slot *slot = slot_of(table, text);
    return slot->text ? slot->index : DEF_NONE;
}
