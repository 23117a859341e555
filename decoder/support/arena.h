/*
 * Memory that is given out piece by piece and freed all at once: for what is loaded once and read for the whole run
 * (definitions, marks). Pieces are zeroed and aligned for any type. A ceiling bounds the sum of all pieces.
 */
#ifndef TT_ARENA_H
#define TT_ARENA_H

#include "support.h"

struct arena_block;
struct arena {
    struct arena_block *blocks; /* owned */
    size_t used, ceiling;       /* bytes given out; most that may be */
};

void arena_init(struct arena *arena, size_t ceiling);
/* size zeroed bytes, or NULL past the ceiling or without memory. size 0 gives a valid pointer. */
TT_MUST_USE void *arena_take(struct arena *arena, size_t size);
/* A NUL-terminated copy of length bytes, or NULL. */
TT_MUST_USE char *arena_text(struct arena *arena, const char *text, size_t length);
void arena_free(struct arena *arena);

#endif
