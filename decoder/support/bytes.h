/*
 * The one checked way to read bytes that came from a bus, a file or a person. A cursor borrows the bytes; every read
 * tests the bound, and a read past the end returns 0, takes nothing and makes the cursor `bad` for good: test `bad`
 * once after a whole structure has been read. Nothing here allocates.
 */
#ifndef TT_BYTES_H
#define TT_BYTES_H

#include "support.h"

struct bytes {
    const uint8_t *at; /* next byte; borrowed */
    size_t left;       /* bytes not read yet */
    bool bad;          /* a read wanted more than there was */
};

/* A cursor over length bytes at data; NULL is an empty run. */
static inline struct bytes bytes_of(const void *data, size_t length)
{
    if (!data) /* even NULL + 0 is undefined */
        return (struct bytes){(const uint8_t *)"", 0, false};
    return (struct bytes){(const uint8_t *)data, length, false};
}

/* length bytes of the input, borrowed, and moves past them; NULL and bad when fewer are left. */
static inline const uint8_t *bytes_take(struct bytes *cursor, size_t length)
{
    if (cursor->bad || cursor->left < length) {
        cursor->bad = true;
        return NULL;
    }
    const uint8_t *taken = cursor->at;
    cursor->at += length;
    cursor->left -= length;
    return taken;
}

static inline void bytes_skip(struct bytes *cursor, size_t length)
{
    (void)bytes_take(cursor, length);
}

static inline uint8_t bytes_u8(struct bytes *cursor)
{
    const uint8_t *b = bytes_take(cursor, 1);
    return b ? b[0] : 0;
}

static inline uint16_t bytes_be16(struct bytes *cursor)
{
    const uint8_t *b = bytes_take(cursor, 2);
    return b ? (uint16_t)(b[0] << 8 | b[1]) : 0;
}

static inline uint32_t bytes_be24(struct bytes *cursor)
{
    const uint8_t *b = bytes_take(cursor, 3);
    return b ? (uint32_t)b[0] << 16 | (uint32_t)b[1] << 8 | b[2] : 0;
}

static inline uint32_t bytes_be32(struct bytes *cursor)
{
    const uint8_t *b = bytes_take(cursor, 4);
    return b ? (uint32_t)b[0] << 24 | (uint32_t)b[1] << 16 | (uint32_t)b[2] << 8 | b[3] : 0;
}

static inline uint32_t bytes_le32(struct bytes *cursor)
{
    const uint8_t *b = bytes_take(cursor, 4);
    return b ? (uint32_t)b[3] << 24 | (uint32_t)b[2] << 16 | (uint32_t)b[1] << 8 | b[0] : 0;
}

/* An unsigned number of length bytes (1 to 8), most significant first, or last when little is true. */
static inline uint64_t bytes_unsigned(struct bytes *cursor, size_t length, bool little)
{
    if (length == 0 || length > 8) {
        cursor->bad = true;
        return 0;
    }
    const uint8_t *b = bytes_take(cursor, length);
    uint64_t number = 0;
    for (size_t i = 0; b && i < length; i++)
        number = number << 8 | b[little ? length - 1 - i : i];
    return number;
}

#endif
