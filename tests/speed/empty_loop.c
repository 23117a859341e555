/* The yardstick of D 12: reads every record of a trace with libpcap and does nothing with it. Prints their number. */
#include <pcap/pcap.h>
#include <stdint.h>
#include <stdio.h>

int main(int argc, char **argv)
{
    char message[PCAP_ERRBUF_SIZE];
    if (argc != 2) {
        fprintf(stderr, "usage: empty_loop TRACE\n");
        return 64;
    }
    pcap_t *trace = pcap_open_offline_with_tstamp_precision(argv[1], PCAP_TSTAMP_PRECISION_NANO, message);
    if (!trace) {
        fprintf(stderr, "empty_loop: %s\n", message);
        return 65;
    }
    struct pcap_pkthdr *header;
    const unsigned char *data;
    uint64_t count = 0;
    int result;
    while ((result = pcap_next_ex(trace, &header, &data)) == 1)
        count++;
    printf("%llu\n", (unsigned long long)count);
    pcap_close(trace);
    return result == PCAP_ERROR_BREAK ? 0 : 65;
}
