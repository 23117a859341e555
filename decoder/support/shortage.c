/* See shortage.h. */
#include "shortage.h"

#include <stdlib.h>

static bool seen;

void shortage_note(void)
{
    seen = true;
}

bool shortage_seen(void)
{
    return seen;
}

void *shortage_malloc(size_t size)
{
    void *made = malloc(size);
    if (!made && size)
        seen = true;
    return made;
}
