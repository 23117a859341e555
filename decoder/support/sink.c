/* See sink.h. */
#include "sink.h"

#include <errno.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char hex_digits[] = "0123456789abcdef";

bool sink_open_fd(struct sink *sink, int fd, bool owns)
{
    *sink = (struct sink){.fd = fd, .owns = owns};
    if (fd < 0) {
        sink->error = EBADF;
        return false;
    }
    sink->room = malloc(SINK_ROOM);
    if (!sink->room)
        sink->error = ENOMEM;
    return sink->room != NULL;
}

bool sink_open_memory(struct sink *sink, struct buffer *memory)
{
    *sink = (struct sink){.fd = -1, .memory = memory};
    return memory != NULL;
}

static void write_out(struct sink *sink, const char *data, size_t length)
{
    while (length > 0 && !sink->error) {
        ssize_t wrote = write(sink->fd, data, length);
        if (wrote > 0) {
            data += wrote;
            length -= (size_t)wrote;
        } else if (wrote == 0) {
            sink->error = EIO; /* a file that takes nothing and says nothing would be tried for ever */
        } else if (errno == EAGAIN || errno == EWOULDBLOCK) {
            struct pollfd ready = {.fd = sink->fd, .events = POLLOUT}; /* an inherited descriptor may not block */
            if (poll(&ready, 1, -1) < 0 && errno != EINTR)
                sink->error = errno;
        } else if (errno != EINTR) {
            sink->error = errno;
        }
    }
}

/* Where what is put does not fit: empties the buffer, and passes what is larger than it straight on. */
static void put_slow(struct sink *sink, const void *data, size_t length)
{
    if (sink->error)
        return;
    if (sink->memory) {
        if (!buffer_append(sink->memory, data, length))
            sink->error = ENOMEM;
        else
            sink->written += length;
        return;
    }
    if (!sink->room) { /* never opened, or closed */
        sink->error = EBADF;
        return;
    }
    write_out(sink, sink->room, sink->used);
    sink->used = 0;
    if (length >= SINK_ROOM) {
        write_out(sink, data, length);
    } else {
        memcpy(sink->room, data, length);
        sink->used = length;
    }
    if (!sink->error)
        sink->written += length;
}

/* A sink with an error goes on collecting into room; nothing of it is ever written. */
void sink_put(struct sink *sink, const void *data, size_t length)
{
    if (length == 0)
        return;
    if (sink->room && length <= SINK_ROOM - sink->used && !sink->error) {
        memcpy(sink->room + sink->used, data, length);
        sink->used += length;
        sink->written += length;
    } else {
        put_slow(sink, data, length);
    }
}

void sink_text(struct sink *sink, const char *text)
{
    sink_put(sink, text, strlen(text));
}

void sink_char(struct sink *sink, char c)
{
    if (sink->room && sink->used < SINK_ROOM && !sink->error) {
        sink->room[sink->used++] = c;
        sink->written++;
    } else {
        put_slow(sink, &c, 1);
    }
}

static void put_number(struct sink *sink, uint64_t number, bool negative)
{
    char digits[21], *at = digits + sizeof digits; /* 20 digits and a sign */
    do {
        *--at = (char)('0' + number % 10);
        number /= 10;
    } while (number);
    if (negative)
        *--at = '-';
    sink_put(sink, at, (size_t)(digits + sizeof digits - at));
}

void sink_unsigned(struct sink *sink, uint64_t number)
{
    put_number(sink, number, false);
}

void sink_signed(struct sink *sink, int64_t number)
{
    put_number(sink, number < 0 ? -(uint64_t)number : (uint64_t)number, number < 0);
}

void sink_hex(struct sink *sink, const uint8_t *data, size_t length)
{
    char text[256];
    while (length > 0) {
        size_t run = length < sizeof text / 2 ? length : sizeof text / 2;
        for (size_t i = 0; i < run; i++) {
            text[2 * i] = hex_digits[data[i] >> 4];
            text[2 * i + 1] = hex_digits[data[i] & 15];
        }
        sink_put(sink, text, 2 * run);
        data += run;
        length -= run;
    }
}

void sink_hex_number(struct sink *sink, uint64_t number, int digits)
{
    char text[16];
    int count = digits < 1 ? 1 : digits > 16 ? 16 : digits;
    while (count < 16 && number >> (4 * count)) /* a number wider than asked for is never cut */
        count++;
    for (int i = count; i-- > 0; number >>= 4)
        text[i] = hex_digits[number & 15];
    sink_put(sink, text, (size_t)count);
}

void sink_format(struct sink *sink, const char *format, ...)
{
    char near[512], *text = near;
    va_list arguments, again;
    va_start(arguments, format);
    va_copy(again, arguments);
    int length = vsnprintf(near, sizeof near, format, arguments);
    if (length >= (int)sizeof near) {
        text = malloc((size_t)length + 1);
        if (text)
            length = vsnprintf(text, (size_t)length + 1, format, again);
    }
    va_end(again);
    va_end(arguments);
    if (!text || length < 0) {
        if (!sink->error)
            sink->error = ENOMEM;
    } else {
        sink_put(sink, text, (size_t)length);
    }
    if (text != near)
        free(text);
}

bool sink_flush(struct sink *sink)
{
    if (sink->room && sink->used > 0)
        write_out(sink, sink->room, sink->used);
    sink->used = 0;
    return sink->error == 0;
}

bool sink_close_synced(struct sink *sink)
{
    if (sink_flush(sink) && fsync(sink->fd) != 0)
        sink->error = errno;
    (void)!sink_close(sink); /* keeps the first error */
    return sink->error == 0;
}

bool sink_close(struct sink *sink)
{
    bool good = sink_flush(sink);
    if (sink->owns && sink->fd >= 0 && close(sink->fd) != 0 && good) {
        sink->error = errno;
        good = false;
    }
    free(sink->room);
    sink->room = NULL;
    sink->memory = NULL;
    sink->owns = false;
    sink->fd = -1;
    return good;
}
