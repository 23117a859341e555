#define _GNU_SOURCE
#include "step_queue.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void step_queue_init(struct step_queue *queue)
{
    memset(queue, 0, sizeof *queue);
    queue->file = -1;
}

static bool fail(struct step_queue *queue, int why)
{
    queue->failed = true;
    queue->errno_value = why;
    return false;
}

/* An unlinked file in the place for temporary files: it vanishes with the process. */
static bool open_file(struct step_queue *queue)
{
    FILE *stream = tmpfile();
    if (!stream)
        return fail(queue, errno);
    queue->file = dup(fileno(stream));
    int why = errno;
    (void)fclose(stream);
    return queue->file >= 0 ? true : fail(queue, why);
}

/* All of length bytes, at offset. */
static bool write_at(struct step_queue *queue, const void *data, size_t length, uint64_t offset)
{
    const uint8_t *at = data;
    while (length) {
        ssize_t put = pwrite(queue->file, at, length, (off_t)offset);
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0)
            return fail(queue, put ? errno : ENOSPC);
        at += put;
        offset += (uint64_t)put;
        length -= (size_t)put;
    }
    return true;
}

static bool read_at(struct step_queue *queue, void *data, size_t length, uint64_t offset)
{
    uint8_t *at = data;
    while (length) {
        ssize_t got = pread(queue->file, at, length, (off_t)offset);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return fail(queue, got ? errno : EIO);
        at += got;
        offset += (uint64_t)got;
        length -= (size_t)got;
    }
    return true;
}

/* The full back chunk goes to the file, its length in front of it. */
static bool spill(struct step_queue *queue)
{
    if (queue->file < 0 && !open_file(queue))
        return false;
    uint32_t length = (uint32_t)queue->back_length;
    if (!write_at(queue, &length, sizeof length, queue->file_written) ||
        !write_at(queue, queue->back, length, queue->file_written + sizeof length))
        return false;
    queue->file_written += sizeof length + length;
    queue->back_length = 0;
    queue->spilled++;
    return true;
}

/* The next chunk becomes the front: from the file while it holds any, else the back one. */
static bool refill(struct step_queue *queue)
{
    queue->front_at = queue->front_length = 0;
    if (queue->file_read < queue->file_written) {
        uint32_t length = 0;
        if (!read_at(queue, &length, sizeof length, queue->file_read))
            return false;
        if (length > QUEUE_CHUNK)
            return fail(queue, EIO);
        if (!read_at(queue, queue->front, length, queue->file_read + sizeof length))
            return false;
        queue->front_length = length;
        queue->file_read += sizeof length + length;
        if (queue->file_read == queue->file_written) {
            queue->file_read = queue->file_written = 0;
            if (!queue->copied && ftruncate(queue->file, 0) != 0)
                return fail(queue, errno);
        }
        return true;
    }
    uint8_t *empty = queue->front;
    queue->front = queue->back;
    queue->front_length = queue->back_length;
    queue->back = empty;
    queue->back_length = 0;
    return true;
}

bool step_queue_put(struct step_queue *queue, const struct note *note, const uint8_t *extra)
{
    if (queue->failed)
        return false;
    if (!queue->front) {
        queue->front = malloc(QUEUE_CHUNK);
        queue->back = malloc(QUEUE_CHUNK);
        if (!queue->front || !queue->back)
            return fail(queue, ENOMEM);
    }
    size_t need = sizeof *note + note->extra;
    if (need > QUEUE_CHUNK)
        return fail(queue, EMSGSIZE);
    if (queue->back_length + need > QUEUE_CHUNK && !spill(queue))
        return false;
    memcpy(queue->back + queue->back_length, note, sizeof *note);
    if (note->extra)
        memcpy(queue->back + queue->back_length + sizeof *note, extra, note->extra);
    queue->back_length += need;
    queue->count++;
    return true;
}

bool step_queue_peek(struct step_queue *queue, struct note *note, const uint8_t **extra)
{
    if (queue->failed || !queue->count)
        return false;
    if (queue->front_at == queue->front_length && !refill(queue))
        return false;
    if (queue->front_length - queue->front_at < sizeof *note)
        return fail(queue, EIO);
    memcpy(note, queue->front + queue->front_at, sizeof *note);
    if (queue->front_length - queue->front_at - sizeof *note < note->extra)
        return fail(queue, EIO);
    *extra = queue->front + queue->front_at + sizeof *note;
    return true;
}

void step_queue_drop(struct step_queue *queue)
{
    struct note note;
    memcpy(&note, queue->front + queue->front_at, sizeof note);
    queue->front_at += sizeof note + note.extra;
    queue->count--;
}

void step_queue_free(struct step_queue *queue)
{
    free(queue->front);
    free(queue->back);
    if (queue->file >= 0)
        (void)close(queue->file);
    step_queue_init(queue);
}
