/* See pcapng.h. Blocks and options: "PCAP Next Generation (pcapng) Capture File Format" (IETF opsawg draft). */
#include "pcapng.h"

#include <errno.h>
#include <pcap/pcap.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../../capture/trace_format.h"
#include "../support/bytes.h"

#define BLOCK_SECTION 0x0A0D0D0Au
#define BLOCK_INTERFACE 1u
#define BLOCK_OLD_PACKET 2u
#define BLOCK_SIMPLE_PACKET 3u
#define BLOCK_PACKET 6u
#define BYTE_ORDER_MAGIC 0x1A2B3C4Du
#define OPTION_IF_NAME 2u
#define INTERFACES_MAX 4096u /* of one file; more are no file that anybody recorded */
#define HEAD 1024u           /* bytes of a block that are looked at */
#define IMPOSSIBLE UINT32_MAX /* a fraction of a second that the reader tells as impossible */

/* The walk over the blocks, beside libpcap. */
struct walk {
    int fd;
    uint64_t at;          /* of the next block */
    bool big;             /* byte order of the section */
    uint32_t section;     /* number of the section's first interface */
    uint32_t interfaces;  /* seen so far */
    char (*names)[PCAPNG_NAME_MAX]; /* INTERFACES_MAX; owned */
};

struct splitter {
    struct pcapng *split;
    const char *name;
    struct diagnostics *diagnostics;
    struct walk walk;
    pcap_t *pcap;
    FILE *files[PCAPNG_PARTS_MAX]; /* owned until their descriptors go to the parts */
    uint32_t *part_of;             /* INTERFACES_MAX; index of a part, or UINT32_MAX; owned */
};

static uint32_t take32(struct bytes *cursor, bool big)
{
    return big ? bytes_be32(cursor) : bytes_le32(cursor);
}

static uint32_t take16(struct bytes *cursor, bool big)
{
    const uint8_t *b = bytes_take(cursor, 2);
    return !b ? 0 : big ? (uint32_t)b[0] << 8 | b[1] : (uint32_t)b[1] << 8 | b[0];
}

/* if_name among the options behind an interface's fixed part, if it stands in the part of the block that was read. */
static void read_name(struct walk *walk, struct bytes options)
{
    char *name = walk->names[walk->interfaces];
    name[0] = '\0';
    while (!options.bad && options.left > 0) {
        uint32_t code = take16(&options, walk->big);
        uint32_t length = take16(&options, walk->big);
        const uint8_t *value = bytes_take(&options, length);
        bytes_skip(&options, (4 - length % 4) % 4);
        if (!value || code == 0)
            return;
        if (code == OPTION_IF_NAME) {
            size_t kept = strnlen((const char *)value, length);
            kept = kept < PCAPNG_NAME_MAX ? kept : PCAPNG_NAME_MAX - 1;
            memcpy(name, value, kept);
            name[kept] = '\0';
            return;
        }
    }
}

/*
 * Moves to the next block with a packet. libpcap has just read that packet, so the blocks up to it are sound; a walk
 * that does not find it returns false. *timed: it states a time.
 */
static bool walk_to_packet(struct walk *walk, uint32_t *interface, bool *timed)
{
    for (;;) {
        uint8_t head[HEAD];
        ssize_t got = pread(walk->fd, head, sizeof head, (off_t)walk->at);
        if (got < 12)
            return false;
        struct bytes cursor = bytes_of(head, (size_t)got);
        struct bytes start = cursor;
        bool section = bytes_be32(&start) == BLOCK_SECTION; /* the same in either order */
        if (section) {
            bytes_skip(&start, 4);
            walk->big = bytes_be32(&start) == BYTE_ORDER_MAGIC;
            walk->section = walk->interfaces;
        }
        uint32_t type = take32(&cursor, walk->big);
        uint32_t length = take32(&cursor, walk->big);
        if (length < 12 || length % 4 != 0)
            return false;
        walk->at += length;
        size_t body = length - 12;
        if (cursor.left > body)
            cursor.left = body;
        *timed = type != BLOCK_SIMPLE_PACKET;
        if (!section && type == BLOCK_INTERFACE) {
            bytes_skip(&cursor, 8);
            if (walk->interfaces == INTERFACES_MAX || cursor.bad)
                return false;
            read_name(walk, cursor);
            walk->interfaces++;
        } else if (!section && (type == BLOCK_PACKET || type == BLOCK_OLD_PACKET || type == BLOCK_SIMPLE_PACKET)) {
            uint32_t local = type == BLOCK_PACKET       ? take32(&cursor, walk->big)
                             : type == BLOCK_OLD_PACKET ? take16(&cursor, walk->big)
                                                        : 0;
            *interface = walk->section + local;
            return !cursor.bad && *interface < walk->interfaces;
        }
    }
}

static int say(struct splitter *splitter, int code, const char *what, const char *detail)
{
    diagnostics_say(splitter->diagnostics, SEVERITY_ERROR, splitter->name, what, detail);
    return code;
}

static int no_room(struct splitter *splitter)
{
    return say(splitter, EXIT_WRITE_FAILED,
               "its interfaces could not be written into temporary files (%s); make room in /tmp and run again",
               strerror(errno));
}

/* A new part, with its file header in this machine's byte order: libpcap gives cooked CAN ids in that order too. */
static int add_part(struct splitter *splitter, uint32_t interface)
{
    struct pcapng *split = splitter->split;
    if (split->count == PCAPNG_PARTS_MAX)
        return say(splitter, EXIT_BAD_INPUT, "has packets of more than 64 interfaces%s; save fewer of them", "");
    FILE *file = tmpfile();
    if (!file)
        return no_room(splitter);
    splitter->files[split->count] = file;
    splitter->part_of[interface] = split->count;
    struct pcapng_part *part = &split->parts[split->count++];
    *part = (struct pcapng_part){.fd = -1, .interface = interface};
    if (interface < splitter->walk.interfaces)
        memcpy(part->name, splitter->walk.names[interface], sizeof part->name);
    const uint16_t version[2] = {2, 4};
    uint32_t header[6] = {TRACE_MAGIC_NANO, 0, 0, 0, (uint32_t)pcap_snapshot(splitter->pcap),
                          (uint32_t)pcap_datalink(splitter->pcap)};
    memcpy(&header[1], version, sizeof version);
    return fwrite(header, sizeof header, 1, file) == 1 ? 0 : no_room(splitter);
}

static int put_packet(struct splitter *splitter, uint32_t interface, bool timed, const struct pcap_pkthdr *packet,
                      const uint8_t *data)
{
    int code = 0;
    if (splitter->part_of[interface] == UINT32_MAX)
        code = add_part(splitter, interface);
    if (code)
        return code;
    uint32_t index = splitter->part_of[interface];
    bool sound = timed && packet->ts.tv_sec >= 0 && packet->ts.tv_sec <= UINT32_MAX && packet->ts.tv_usec >= 0;
    const uint32_t header[4] = {sound ? (uint32_t)packet->ts.tv_sec : 0,
                                sound ? (uint32_t)packet->ts.tv_usec : IMPOSSIBLE, packet->caplen, packet->len};
    if (fwrite(header, sizeof header, 1, splitter->files[index]) != 1 ||
        (packet->caplen > 0 && fwrite(data, packet->caplen, 1, splitter->files[index]) != 1))
        return no_room(splitter);
    splitter->split->parts[index].records++;
    return 0;
}

static int copy_packets(struct splitter *splitter)
{
    struct pcap_pkthdr *packet;
    const uint8_t *data;
    uint64_t number = 0;
    int got, code = 0;
    while (!code && (got = pcap_next_ex(splitter->pcap, &packet, &data)) == 1) {
        uint32_t interface;
        bool timed;
        number++;
        if (!walk_to_packet(&splitter->walk, &interface, &timed)) {
            diagnostics_say(splitter->diagnostics, SEVERITY_ERROR, splitter->name,
                            "the interface of packet %llu cannot be told; save the trace as one classic pcap file for "
                            "each interface",
                            (unsigned long long)number);
            return EXIT_BAD_INPUT;
        }
        code = put_packet(splitter, interface, timed, packet, data);
    }
    if (code || got == PCAP_ERROR_BREAK)
        return code;
    splitter->split->damaged = true;
    diagnostics_say(splitter->diagnostics, SEVERITY_WARNING, splitter->name,
                    "is damaged or cut behind packet %llu (%s); the %llu packets before it are used",
                    (unsigned long long)number, pcap_geterr(splitter->pcap), (unsigned long long)number);
    return 0;
}

static int open_pcap(struct splitter *splitter, int fd)
{
    char why[PCAP_ERRBUF_SIZE];
    int copy = dup(fd);
    FILE *file = copy < 0 ? NULL : fdopen(copy, "rb");
    if (!file || lseek(fd, 0, SEEK_SET) != 0) {
        int error = errno;
        if (file)
            (void)fclose(file);
        else if (copy >= 0)
            (void)close(copy);
        return say(splitter, EXIT_CANNOT_OPEN, "cannot be read (%s)", strerror(error));
    }
    splitter->pcap = pcap_fopen_offline_with_tstamp_precision(file, PCAP_TSTAMP_PRECISION_NANO, why);
    if (!splitter->pcap) {
        (void)fclose(file);
        return say(splitter, EXIT_BAD_INPUT, "is a pcapng file that cannot be read (%s); use another copy", why);
    }
    uint32_t linktype = (uint32_t)pcap_datalink(splitter->pcap);
    if (linktype != TRACE_LINKTYPE_CAN && linktype != TRACE_LINKTYPE_SLL && linktype != TRACE_LINKTYPE_SLL2) {
        diagnostics_say(splitter->diagnostics, SEVERITY_ERROR, splitter->name,
                        "holds link type %u; only %u (CAN frames, LINKTYPE_CAN_SOCKETCAN), %u and %u are read, record "
                        "the CAN interface itself",
                        (unsigned)linktype, TRACE_LINKTYPE_CAN, TRACE_LINKTYPE_SLL, TRACE_LINKTYPE_SLL2);
        return EXIT_BAD_INPUT;
    }
    return 0;
}

/* The temporary files become the parts' descriptors. */
static int hand_over(struct splitter *splitter)
{
    for (uint32_t i = 0; i < splitter->split->count; i++) {
        FILE *file = splitter->files[i];
        if (fflush(file) != 0 || (splitter->split->parts[i].fd = dup(fileno(file))) < 0 ||
            lseek(splitter->split->parts[i].fd, 0, SEEK_SET) != 0)
            return no_room(splitter);
    }
    return 0;
}

int pcapng_split(struct pcapng *split, int fd, const char *name, struct diagnostics *diagnostics)
{
    struct splitter splitter = {.split = split, .name = name, .diagnostics = diagnostics, .walk = {.fd = fd}};
    *split = (struct pcapng){0};
    splitter.walk.names = malloc(INTERFACES_MAX * sizeof *splitter.walk.names);
    splitter.part_of = malloc(INTERFACES_MAX * sizeof *splitter.part_of);
    int code = EXIT_OUR_FAULT;
    if (splitter.walk.names && splitter.part_of) {
        memset(splitter.part_of, 0xFF, INTERFACES_MAX * sizeof *splitter.part_of);
        code = open_pcap(&splitter, fd);
    } else {
        (void)diagnostics_no_memory(diagnostics, name);
    }
    if (!code)
        code = copy_packets(&splitter);
    if (!code && split->count == 0)
        code = add_part(&splitter, 0);
    if (!code)
        code = hand_over(&splitter);
    if (code)
        pcapng_close(split);
    for (uint32_t i = 0; i < PCAPNG_PARTS_MAX && splitter.files[i]; i++)
        (void)fclose(splitter.files[i]);
    if (splitter.pcap)
        pcap_close(splitter.pcap);
    free(splitter.walk.names);
    free(splitter.part_of);
    return code;
}

void pcapng_close(struct pcapng *split)
{
    for (uint32_t i = 0; i < split->count; i++)
        if (split->parts[i].fd >= 0)
            (void)close(split->parts[i].fd);
    split->count = 0;
}
