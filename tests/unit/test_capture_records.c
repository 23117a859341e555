/* capture/records.h: frames of the kernel into records, bytes by hand and read back by libpcap. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>
#include <linux/can.h>
#include <pcap/pcap.h>

#include "capture/records.h"

/* tcpdump.org, "LINKTYPE_CAN_SOCKETCAN": id big-endian, length, FD flags, reserved, len8_dlc, data. */
static void a_classic_frame(void **state)
{
    (void)state;
    struct can_frame frame = {.can_id = 0x9ABCDEF0u, .len = 8, .len8_dlc = 15, .data = {1, 2, 3, 4, 5, 6, 7, 8}};
    static const uint8_t packet[16] = {0x9A, 0xBC, 0xDE, 0xF0, 8, 0, 0, 15, 1, 2, 3, 4, 5, 6, 7, 8};
    const uint32_t header[4] = {0xF0000001u, 999999999, 16, 16};
    uint8_t out[RECORDS_LARGEST];
    assert_int_equal(records_put(out, (const uint8_t *)&frame, sizeof frame, 0xF0000001u, 999999999), 32);
    assert_memory_equal(out, header, 16);
    assert_memory_equal(out + 16, packet, 16);
}

/* The byte where FD frames have their flags is padding in a classic one; a local sender may put FDF there. */
static void padding_of_a_classic_frame_is_no_flag(void **state)
{
    (void)state;
    struct can_frame frame = {.can_id = 0x123, .len = 8, .__pad = 0x07, .__res0 = 0xFF};
    uint8_t out[RECORDS_LARGEST];
    (void)records_put(out, (const uint8_t *)&frame, sizeof frame, 0, 0);
    assert_int_equal(out[16 + 5], 0);
    assert_int_equal(out[16 + 6], 0);
}

static void an_fd_frame_gets_fdf(void **state)
{
    (void)state;
    struct canfd_frame frame = {.can_id = 0x123, .len = 64, .flags = CANFD_BRS | 0xF0, .__res0 = 9, .__res1 = 9};
    uint8_t out[RECORDS_LARGEST];
    for (int i = 0; i < 64; i++)
        frame.data[i] = (uint8_t)(i * 3);
    static const uint8_t header[8] = {0, 0, 0x01, 0x23, 64, 0x05, 0, 0}; /* BRS 01 | FDF 04 */
    assert_int_equal(records_put(out, (const uint8_t *)&frame, sizeof frame, 1, 2), 88);
    assert_memory_equal(out + 16, header, 8);
    assert_memory_equal(out + 24, frame.data, 64);
    frame.flags = CANFD_ESI;
    (void)records_put(out, (const uint8_t *)&frame, sizeof frame, 1, 2);
    assert_int_equal(out[16 + 5], 0x06); /* ESI 02 | FDF 04 */
}

/* libpcap as the oracle: what we write is what it reads. */
static void libpcap_reads_it(void **state)
{
    (void)state;
    char error[PCAP_ERRBUF_SIZE];
    struct can_frame classic = {.can_id = 0x2000000Cu | CAN_EFF_FLAG, .len = 3, .data = {0xAA, 0xBB, 0xCC}};
    struct canfd_frame fd = {.can_id = 0x7FF, .len = 12};
    uint8_t out[TRACE_FILE_HEADER + 2 * RECORDS_LARGEST];
    records_file_header(out);
    size_t length = TRACE_FILE_HEADER;
    length += records_put(out + length, (const uint8_t *)&classic, sizeof classic, 1700000000, 123456789);
    length += records_put(out + length, (const uint8_t *)&fd, sizeof fd, 1700000001, 5);
    FILE *file = fmemopen(out, length, "rb");
    assert_non_null(file);
    pcap_t *pcap = pcap_fopen_offline_with_tstamp_precision(file, PCAP_TSTAMP_PRECISION_NANO, error);
    assert_non_null(pcap);
    assert_int_equal(pcap_datalink(pcap), 227);
    assert_int_equal(pcap_snapshot(pcap), 72);
    struct pcap_pkthdr *header;
    const u_char *bytes;
    assert_int_equal(pcap_next_ex(pcap, &header, &bytes), 1);
    assert_int_equal(header->ts.tv_sec, 1700000000);
    assert_int_equal(header->ts.tv_usec, 123456789);
    assert_int_equal(header->caplen, 16);
    assert_int_equal(bytes[0], 0xA0);
    assert_int_equal(bytes[3], 0x0C);
    assert_int_equal(bytes[8], 0xAA);
    assert_int_equal(pcap_next_ex(pcap, &header, &bytes), 1);
    assert_int_equal(header->caplen, 72);
    assert_int_equal(header->ts.tv_usec, 5);
    assert_int_equal(pcap_next_ex(pcap, &header, &bytes), PCAP_ERROR_BREAK);
    pcap_close(pcap);
}

static void a_cut_run_keeps_whole_records(void **state)
{
    (void)state;
    struct can_frame classic = {.can_id = 1, .len = 0};
    struct canfd_frame fd = {.can_id = 2, .len = 0};
    uint8_t run[3 * RECORDS_LARGEST];
    uint64_t count;
    size_t length = records_put(run, (const uint8_t *)&classic, sizeof classic, 0, 0);
    length += records_put(run + length, (const uint8_t *)&fd, sizeof fd, 0, 0);
    length += records_put(run + length, (const uint8_t *)&classic, sizeof classic, 0, 0);
    assert_int_equal(length, 32 + 88 + 32);
    static const struct {
        size_t kept, whole, count;
    } cuts[] = {{0, 0, 0},      {31, 0, 0},       {32, 32, 1},     {33, 32, 1},
                {119, 32, 1},   {120, 120, 2},    {151, 120, 2},   {152, 152, 3}};
    for (size_t i = 0; i < sizeof cuts / sizeof *cuts; i++) {
        assert_int_equal(records_whole(run, length, cuts[i].kept, &count), cuts[i].whole);
        assert_int_equal(count, cuts[i].count);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_classic_frame),
        cmocka_unit_test(padding_of_a_classic_frame_is_no_flag),
        cmocka_unit_test(an_fd_frame_gets_fdf),
        cmocka_unit_test(libpcap_reads_it),
        cmocka_unit_test(a_cut_run_keeps_whole_records),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
