/* See buffer.h. */
#include "buffer.h"

#include <stdlib.h>
#include <string.h>

#define FIRST_ROOM 64

void buffer_init(struct buffer *buffer, size_t ceiling)
{
    *buffer = (struct buffer){.ceiling = ceiling};
}

/* Makes room for `needed` bytes in all; needed <= ceiling. */
static bool grow(struct buffer *buffer, size_t needed)
{
    size_t room = buffer->room ? buffer->room : FIRST_ROOM;
    while (room < needed)
        room = room > buffer->ceiling / 2 ? buffer->ceiling : room * 2;
    if (room > buffer->ceiling)
        room = buffer->ceiling;
    uint8_t *data = realloc(buffer->data, room);
    if (!data)
        return false;
    buffer->data = data;
    buffer->room = room;
    return true;
}

bool buffer_append(struct buffer *buffer, const void *data, size_t length)
{
    if (length == 0)
        return true;
    if (length > buffer->ceiling || buffer->length > buffer->ceiling - length)
        return false;
    size_t needed = buffer->length + length;
    if (needed > buffer->room && !grow(buffer, needed))
        return false;
    memcpy(buffer->data + buffer->length, data, length);
    buffer->length = needed;
    return true;
}

void buffer_clear(struct buffer *buffer)
{
    buffer->length = 0;
}

void buffer_free(struct buffer *buffer)
{
    free(buffer->data);
    buffer->data = NULL;
    buffer->length = buffer->room = 0;
}
