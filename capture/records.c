/* See records.h. */
#include "records.h"

#include <arpa/inet.h>
#include <string.h>

#define AT_FLAGS 5    /* in a packet: id, length, flags, reserved, len8_dlc */
#define AT_RESERVED 6

static void put32(uint8_t *out, uint32_t number)
{
    memcpy(out, &number, sizeof number);
}

void records_file_header(uint8_t out[TRACE_FILE_HEADER])
{
    static const uint16_t version[2] = {2, 4};
    put32(out, TRACE_MAGIC_NANO);
    memcpy(out + 4, version, sizeof version);
    put32(out + 8, 0);
    put32(out + 12, 0);
    put32(out + 16, TRACE_CAN_FD);
    put32(out + 20, TRACE_LINKTYPE_CAN);
}

size_t records_put(uint8_t out[RECORDS_LARGEST], const uint8_t *frame, size_t length, uint32_t seconds,
                   uint32_t nanoseconds)
{
    uint8_t *packet = out + TRACE_RECORD_HEADER;
    uint32_t id;
    put32(out, seconds);
    put32(out + 4, nanoseconds);
    put32(out + 8, (uint32_t)length);
    put32(out + 12, (uint32_t)length);
    memcpy(&id, frame, sizeof id);
    put32(packet, htonl(id));
    memcpy(packet + sizeof id, frame + sizeof id, length - sizeof id);
    if (length == TRACE_CAN_FD) {
        packet[AT_FLAGS] = (uint8_t)((packet[AT_FLAGS] & (TRACE_FLAG_BRS | TRACE_FLAG_ESI)) | TRACE_FLAG_FDF);
        packet[AT_RESERVED + 1] = 0; /* len8_dlc belongs to classic frames */
    } else {
        packet[AT_FLAGS] = 0;
    }
    packet[AT_RESERVED] = 0;
    return TRACE_RECORD_HEADER + length;
}

size_t records_whole(const uint8_t *records, size_t length, size_t kept, uint64_t *count)
{
    size_t at = 0;
    *count = 0;
    while (at + TRACE_RECORD_HEADER <= length) {
        uint32_t captured;
        memcpy(&captured, records + at + 8, sizeof captured);
        if (at + TRACE_RECORD_HEADER + captured > kept)
            break;
        at += TRACE_RECORD_HEADER + captured;
        ++*count;
    }
    return at;
}
