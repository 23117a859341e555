/*
 * Writes a benchmark trace (D 12): classic pcap, nanosecond magic, link type 227, 32 bytes a frame.
 *
 *   make_trace FRAMES OTHERS >trace.pcap
 *
 * FRAMES in all. One cycle is a question and its answer of 9 bytes in four frames: request, first frame, flow control,
 * consecutive frame; it carries one reading (bench.yaml). OTHERS frames of other units stand between the cycles: 0 for
 * file A, 76 for file B, whose diagnostic part is then 5 %. A frame comes every 250 us (about 4,000 a second).
 */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FRAME_TIME UINT64_C(250000)
#define START UINT64_C(1772438400000000000)
#define BATCH 4096u

static unsigned char room[BATCH * 32u];
static size_t used;
static uint64_t written;

static void little32(unsigned char *to, uint32_t value)
{
    for (int index = 0; index < 4; index++)
        to[index] = (unsigned char)(value >> 8 * index);
}

static void flush_room(void)
{
    if (used && fwrite(room, 1, used, stdout) != used) {
        perror("make_trace");
        exit(74);
    }
    used = 0;
}

static void put(uint32_t id, const unsigned char data[8])
{
    uint64_t time = START + written * FRAME_TIME;
    unsigned char *record = room + used;
    little32(record, (uint32_t)(time / 1000000000u));
    little32(record + 4, (uint32_t)(time % 1000000000u));
    little32(record + 8, 16);
    little32(record + 12, 16);
    memset(record + 16, 0, 8);
    record[18] = (unsigned char)(id >> 8); /* big-endian id word (tcpdump.org LINKTYPE_CAN_SOCKETCAN) */
    record[19] = (unsigned char)id;
    record[20] = 8;
    memcpy(record + 24, data, 8);
    used += 32;
    written++;
    if (used == sizeof room)
        flush_room();
}

int main(int argc, char **argv)
{
    uint64_t frames = argc == 3 ? strtoull(argv[1], NULL, 10) : 0;
    uint64_t others = argc == 3 ? strtoull(argv[2], NULL, 10) : 0;
    if (!frames) {
        fprintf(stderr, "usage: make_trace FRAMES OTHERS >trace.pcap\n");
        return 64;
    }
    unsigned char header[24] = {0x4D, 0x3C, 0xB2, 0xA1, 2, 0, 4, 0};
    header[18] = 4; /* snapshot length 262,144 */
    header[20] = 227;
    fwrite(header, 1, sizeof header, stdout);
    /* Other identifiers than the module's, spread over the 11-bit range; their data looks like anything. */
    uint32_t state = 1;
    for (uint64_t cycle = 0; written < frames; cycle++) {
        /* The load stands within 0.2 kg of 29.8 kg: raw 1298..1300, factor 0.1, offset -100. */
        unsigned load = 1298 + (unsigned)(cycle % 3);
        const unsigned char cycle_frames[4][8] = {
            {0x03, 0x22, 0x3C, 0x40, 0xCC, 0xCC, 0xCC, 0xCC},
            {0x10, 0x09, 0x62, 0x3C, 0x40, (unsigned char)(load >> 8), (unsigned char)load, 0x00},
            {0x30, 0x00, 0x00, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC},
            {0x21, 0x12, 0x34, 0x56, 0xAA, 0xAA, 0xAA, 0xAA},
        };
        static const uint32_t ids[4] = {0x5E3, 0x6C5, 0x5E3, 0x6C5};
        for (int index = 0; index < 4 && written < frames; index++)
            put(ids[index], cycle_frames[index]);
        for (uint64_t index = 0; index < others && written < frames; index++) {
            state = state * 1664525u + 1013904223u;
            unsigned char data[8];
            little32(data, state);
            little32(data + 4, ~state);
            put(0x100 + (state >> 16) % 0x400, data);
        }
    }
    flush_room();
    return fflush(stdout) ? 74 : 0;
}
