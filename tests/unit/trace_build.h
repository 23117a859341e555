/*
 * For tests: classic pcap files written byte by byte (man pcap-savefile(5); LINKTYPE_CAN_SOCKETCAN), in either byte
 * order, with any field made wrong. Shares nothing with the code under test.
 */
#ifndef TT_TRACE_BUILD_H
#define TT_TRACE_BUILD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct trace_build {
    uint8_t *bytes;
    size_t length, room;
    bool big; /* the writer's byte order */
};

static inline void build_bytes(struct trace_build *build, const void *data, size_t length)
{
    if (build->length + length > build->room) {
        build->room = (build->length + length) * 2;
        build->bytes = realloc(build->bytes, build->room);
        if (!build->bytes)
            abort();
    }
    if (length > 0)
        memcpy(build->bytes + build->length, data, length);
    build->length += length;
}

static inline void build_u32(struct trace_build *build, uint32_t number)
{
    uint8_t bytes[4];
    for (int i = 0; i < 4; i++)
        bytes[build->big ? 3 - i : i] = (uint8_t)(number >> 8 * i);
    build_bytes(build, bytes, 4);
}

static inline void build_u16(struct trace_build *build, unsigned number)
{
    uint8_t bytes[2] = {(uint8_t)(build->big ? number >> 8 : number), (uint8_t)(build->big ? number : number >> 8)};
    build_bytes(build, bytes, 2);
}

static inline void build_header_full(struct trace_build *build, uint32_t magic, unsigned major, unsigned minor,
                                     uint32_t zone, uint32_t snaplen, uint32_t linktype)
{
    build_u32(build, magic);
    build_u16(build, major);
    build_u16(build, minor);
    build_u32(build, zone);
    build_u32(build, 0);
    build_u32(build, snaplen);
    build_u32(build, linktype);
}

/* Nanoseconds, version 2.4, link type 227. */
static inline void build_header(struct trace_build *build)
{
    build_header_full(build, 0xA1B23C4D, 2, 4, 0, 262144, 227);
}

static inline void build_record(struct trace_build *build, uint32_t seconds, uint32_t fraction, uint32_t captured,
                                uint32_t original, const void *data, size_t there)
{
    build_u32(build, seconds);
    build_u32(build, fraction);
    build_u32(build, captured);
    build_u32(build, original);
    build_bytes(build, data, there);
}

/* A full-size classic frame. */
static inline void build_can(struct trace_build *build, uint32_t seconds, uint32_t fraction, uint32_t id_word,
                             const void *data, uint8_t length)
{
    uint8_t packet[16] = {(uint8_t)(id_word >> 24), (uint8_t)(id_word >> 16), (uint8_t)(id_word >> 8), (uint8_t)id_word,
                          length};
    for (uint8_t i = 0; i < length && i < 8; i++)
        packet[8 + i] = ((const uint8_t *)data)[i];
    build_record(build, seconds, fraction, 16, 16, packet, sizeof packet);
}

static inline void build_free(struct trace_build *build)
{
    free(build->bytes);
    *build = (struct trace_build){0};
}

/* Writes the bytes into a new file; path gets its name. The caller removes it. */
static inline void build_file(const struct trace_build *build, char path[64])
{
    strcpy(path, "/tmp/tt-test-XXXXXX");
    int fd = mkstemp(path);
    if (fd < 0)
        abort();
    for (size_t at = 0; at < build->length;) {
        ssize_t wrote = write(fd, build->bytes + at, build->length - at);
        if (wrote <= 0)
            abort();
        at += (size_t)wrote;
    }
    close(fd);
}

#endif
