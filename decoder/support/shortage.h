/*
 * That memory was refused somewhere in this process. Most code stops when an allocation fails; where a bounded list or a
 * window simply goes on with less, the result would be another one than on a machine with memory left, so it is noted
 * here, and whoever is about to give a result looks (D 2.6: same input, same bytes out). It never becomes false again.
 */
#ifndef TT_SHORTAGE_H
#define TT_SHORTAGE_H

#include <stddef.h>

#include "support.h"

void shortage_note(void);
bool shortage_seen(void);
/* malloc that notes; for libraries which take an allocator and hide its failures (jansson). */
void *shortage_malloc(size_t size);

#endif
