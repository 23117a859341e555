/* See trace_follow.h. */
#include "trace_follow.h"

#include <arpa/inet.h>
#include <errno.h>
#include <string.h>
#include <unistd.h>

#include "trace_format.h"

#define PIECE (256u * 1024u)

/* Classes and details of linux/can/error.h. */
#define CLASS_CONTROLLER 0x004u
#define CLASS_BUS_OFF 0x040u
#define CLASS_RESTARTED 0x100u

bool trace_follow_begin(struct trace_follow *follow, int fd)
{
    *follow = (struct trace_follow){.fd = fd};
    return digest_open(&follow->digest);
}

static const char *state_detail(uint8_t bits)
{
    if (bits & 0x30)
        return (bits & 0x30) == 0x30 ? "error passive" : bits & 0x10 ? "error passive, receiving"
                                                                     : "error passive, sending";
    if (bits & 0x0C)
        return (bits & 0x0C) == 0x0C ? "error warning" : bits & 0x04 ? "error warning, receiving"
                                                                     : "error warning, sending";
    return bits & 0x40 ? "error active" : NULL;
}

/* One error frame can say several things; each is told. */
static void tell_error(struct trace_follow *follow, uint32_t id, const uint8_t *data)
{
    const char *detail = id & CLASS_CONTROLLER ? state_detail(data[1]) : NULL;
    bool told = false;
    const struct {
        bool is;
        const char *what, *detail;
    } all[] = {
        {id & CLASS_CONTROLLER && data[1] & TRACE_ERROR_RX_OVERFLOW, RECORDER_CONTROLLER_LOSS, NULL},
        {detail != NULL, RECORDER_CONTROLLER_STATE, detail},
        {(id & CLASS_BUS_OFF) != 0, RECORDER_BUS_OFF, NULL},
        {(id & CLASS_RESTARTED) != 0, RECORDER_RESTARTED, NULL},
    };
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        if (all[i].is) {
            follow->on_error(follow->context, follow->frames, all[i].what, all[i].detail);
            told = true;
        }
    if (!told)
        follow->on_error(follow->context, follow->frames, NULL, NULL);
}

/* Whole records at the start of bytes. Returns their length; SIZE_MAX when they are no records of ours. */
static size_t take_records(struct trace_follow *follow, const uint8_t *bytes, size_t length)
{
    size_t at = 0;
    while (length - at >= TRACE_RECORD_HEADER) {
        uint32_t captured, id;
        memcpy(&captured, bytes + at + 8, sizeof captured);
        if (captured != TRACE_CAN_CLASSIC && captured != TRACE_CAN_FD)
            return SIZE_MAX;
        if (length - at - TRACE_RECORD_HEADER < captured)
            break;
        const uint8_t *packet = bytes + at + TRACE_RECORD_HEADER;
        memcpy(&id, packet, sizeof id);
        id = ntohl(id);
        follow->frames++;
        if (id & TRACE_ID_ERROR) {
            follow->errors++;
            if (follow->on_error)
                tell_error(follow, id, packet + TRACE_CAN_HEADER);
        } else {
            follow->good = follow->frames;
        }
        at += TRACE_RECORD_HEADER + captured;
    }
    return at;
}

static size_t take_piece(struct trace_follow *follow, const uint8_t *bytes, size_t length)
{
    if (follow->bytes > 0)
        return take_records(follow, bytes, length);
    return length < TRACE_FILE_HEADER ? 0 : TRACE_FILE_HEADER;
}

bool trace_follow_to(struct trace_follow *follow, uint64_t bytes)
{
    static uint8_t piece[PIECE];
    while (follow->bytes < bytes) {
        uint64_t left = bytes - follow->bytes;
        ssize_t got = pread(follow->fd, piece, left < PIECE ? (size_t)left : PIECE, (off_t)follow->bytes);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return false;
        size_t taken = take_piece(follow, piece, (size_t)got);
        if (taken == SIZE_MAX) {
            errno = EBADMSG;
            return false;
        }
        if (taken == 0)
            return true; /* the file ends within a record */
        if (!digest_add(&follow->digest, piece, taken)) {
            errno = ENOMEM;
            return false;
        }
        follow->bytes += taken;
    }
    return true;
}

void trace_follow_end(struct trace_follow *follow)
{
    if (follow->fd >= 0)
        (void)close(follow->fd);
    digest_close(&follow->digest);
    follow->fd = -1;
}
