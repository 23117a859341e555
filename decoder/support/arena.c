/* See arena.h. Blocks form a list, newest first; pieces are cut from the newest block. */
#include "arena.h"

#include <stdalign.h>
#include <stdlib.h>
#include <string.h>

#define BLOCK_ROOM ((size_t)16384)
#define ALIGNMENT alignof(max_align_t)

struct arena_block {
    struct arena_block *next;
    size_t used, room;
    alignas(max_align_t) unsigned char data[];
};

void arena_init(struct arena *arena, size_t ceiling)
{
    *arena = (struct arena){.ceiling = ceiling};
}

void *arena_take(struct arena *arena, size_t size)
{
    if (size == 0)
        size = 1;
    if (size > arena->ceiling || size > SIZE_MAX - ALIGNMENT - sizeof(struct arena_block))
        return NULL;
    size = (size + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT;
    if (size > arena->ceiling || arena->used > arena->ceiling - size)
        return NULL;

    struct arena_block *block = arena->blocks;
    if (!block || block->room - block->used < size) {
        size_t room = size > BLOCK_ROOM ? size : BLOCK_ROOM;
        struct arena_block *fresh = calloc(1, sizeof *fresh + room);
        if (!fresh)
            return NULL;
        fresh->room = room;
        fresh->next = block;
        arena->blocks = block = fresh;
    }
    void *piece = block->data + block->used;
    block->used += size;
    arena->used += size;
    return piece;
}

char *arena_text(struct arena *arena, const char *text, size_t length)
{
    if (length == SIZE_MAX)
        return NULL;
    char *copy = arena_take(arena, length + 1); /* zeroed: the NUL is there */
    if (copy && length > 0)
        memcpy(copy, text, length);
    return copy;
}

void arena_free(struct arena *arena)
{
    for (struct arena_block *block = arena->blocks; block;) {
        struct arena_block *next = block->next;
        free(block);
        block = next;
    }
    arena->blocks = NULL;
    arena->used = 0;
}
