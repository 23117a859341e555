/*
 * pcapng files split by interface (D 5.3), held against libpcap: each packet that libpcap gives stands in exactly one
 * part, in its order, with the same bytes, lengths and time.
 */
#define _GNU_SOURCE
#include <pcap/pcap.h>
#include <string.h>
#include <unistd.h>

#include "../../decoder/stages/pcapng.h"
#include "../../decoder/stages/trace_reader.h"
#include "fuzz.h"

static struct pcapng split;
static struct trace_reader readers[PCAPNG_PARTS_MAX];
static struct trace_record heads[PCAPNG_PARTS_MAX]; /* the next record of each part... */
static bool there[PCAPNG_PARTS_MAX];                /* ...unless it has ended */

static void advance(uint32_t part)
{
    there[part] = trace_reader_next(&readers[part], &heads[part]) == TRACE_RECORD;
    FUZZ_CHECK(there[part] || readers[part].status == TRACE_END);
}

static bool same(const struct trace_record *ours, const struct pcap_pkthdr *theirs, const u_char *data)
{
    if (ours->captured != theirs->caplen || ours->original != theirs->len)
        return false;
    if (ours->captured && memcmp(ours->data, data, ours->captured) != 0)
        return false;
    if (ours->time_doubtful || theirs->ts.tv_sec < 0 || theirs->ts.tv_sec > UINT32_MAX || theirs->ts.tv_usec < 0 ||
        theirs->ts.tv_usec >= 1000000000)
        return true; /* times that classic pcap cannot state are told as impossible */
    return ours->time == theirs->ts.tv_sec * TT_SECOND + theirs->ts.tv_usec;
}

static void against_libpcap(const uint8_t *data, size_t size)
{
    char error[PCAP_ERRBUF_SIZE];
    struct pcap_pkthdr *header;
    const u_char *bytes;
    struct diagnostics silent;
    uint64_t packets = 0, records = 0;
    int theirs;
    diagnostics_init(&silent, NULL);
    FILE *file = fdopen(dup(fuzz_file(1, data, size)), "rb");
    FUZZ_CHECK(file);
    pcap_t *pcap = pcap_fopen_offline_with_tstamp_precision(file, PCAP_TSTAMP_PRECISION_NANO, error);
    FUZZ_CHECK(pcap); /* we took it */
    for (uint32_t i = 0; i < split.count; i++) {
        FUZZ_CHECK(trace_reader_open_fd(&readers[i], split.parts[i].fd, "part", NULL, 0, false, &silent) ==
                   EXIT_CONFIRMED);
        FUZZ_CHECK(strnlen(split.parts[i].name, PCAPNG_NAME_MAX) < PCAPNG_NAME_MAX);
        records += split.parts[i].records;
        advance(i);
    }
    while ((theirs = pcap_next_ex(pcap, &header, &bytes)) == 1) {
        uint32_t part = 0;
        while (part < split.count && !(there[part] && same(&heads[part], header, bytes)))
            part++;
        if (part == split.count) {
            FUZZ_CHECK(split.damaged); /* our walk over the blocks stopped before */
            break;
        }
        packets++;
        advance(part);
    }
    FUZZ_CHECK(theirs != PCAP_ERROR_BREAK || packets == records);
    FUZZ_CHECK(packets <= records || split.damaged);
    FUZZ_CHECK(theirs != PCAP_ERROR || split.damaged);
    for (uint32_t i = 0; i < split.count; i++) {
        FUZZ_CHECK(!there[i] || theirs == 1);
        trace_reader_close(&readers[i]);
    }
    pcap_close(pcap);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    int code = pcapng_split(&split, fuzz_file(0, data, size), "input", &silent);
    FUZZ_CHECK(code == 0 || (code == EXIT_BAD_INPUT && silent.errors > 0));
    if (code == 0) {
        FUZZ_CHECK(split.count >= 1 && split.count <= PCAPNG_PARTS_MAX);
        against_libpcap(data, size);
        pcapng_close(&split);
    }
    fuzz_shortage(1 + (unsigned)(size % 6)); /* again, with too little memory */
    int again = pcapng_split(&split, fuzz_file(0, data, size), "input", &silent);
    fuzz_shortage(0);
    FUZZ_CHECK(again == code || again == EXIT_OUR_FAULT || again == EXIT_WRITE_FAILED);
    if (again == 0)
        pcapng_close(&split);
    return 0;
}
