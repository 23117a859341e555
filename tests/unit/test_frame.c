/*
 * Frame stage: the type decision of tcpdump.org, LINKTYPE_CAN_SOCKETCAN, and the clock. Expected values by hand from
 * that page and from the bits of Linux linux/can.h and linux/can/error.h.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

#include "../../decoder/stages/frame.h"
#include "trace_build.h"

#define SEEN_MAX 64

static struct frame_stage stage;
static struct { struct frame_event event; struct frame frame; } seen[SEEN_MAX];
static size_t count;

static void keep(void *context, const struct frame_event *event)
{
    assert_ptr_equal(context, &stage);
    assert_true(count < SEEN_MAX);
    seen[count].event = *event;
    seen[count++].frame = *event->frame;
}

static int set_up(void **state)
{
    (void)state;
    frame_init(&stage, 3, 2, keep, &stage);
    count = 0;
    return 0;
}

static void push_all(int64_t time, bool doubtful, const void *data, uint32_t captured, uint32_t original)
{
    static uint64_t offset = 24;
    frame_push(&stage, &(struct trace_record){.offset = offset, .time = time, .captured = captured,
                                              .original = original, .data = data, .time_doubtful = doubtful});
    offset += 16 + captured;
}

static void push(const void *data, uint32_t captured, uint32_t original)
{
    push_all(1000, false, data, captured, original);
}

static void assert_fault(size_t index, const char *reason)
{
    assert_true(index < count);
    assert_int_equal(seen[index].event.kind, FRAME_FAULT);
    assert_string_equal(seen[index].event.reason, reason);
    assert_int_equal(seen[index].frame.length, 0);
}

static void classic_frame_is_read(void **state)
{
    (void)state;
    frame_push(&stage, &(struct trace_record){.number = 9, .offset = 312, .time = 77, .captured = 16, .original = 16,
        .data = (const uint8_t *)"\x00\x00\x06\xC5\x08\x00\x00\x00\x10\x14\x62\xF1\x90\x31\x4D\x38"});
    assert_int_equal(count, 1);
    assert_int_equal(seen[0].event.kind, FRAME_DATA);
    const struct frame *frame = &seen[0].frame;
    assert_int_equal(frame->number, 1);
    assert_int_equal(frame->time, 77);
    assert_int_equal(frame->elapsed, 0);
    assert_int_equal(frame->epoch, 0);
    assert_int_equal(frame->bus, 3);
    assert_int_equal(frame->file, 2);
    assert_int_equal(frame->offset, 312);
    assert_int_equal(frame->data_offset, 312 + 16 + 8);
    assert_int_equal(frame->id, 0x6C5);
    assert_false(frame->extended || frame->remote);
    assert_int_equal(frame->length, 8);
    assert_memory_equal(frame->data, "\x10\x14\x62\xF1\x90\x31\x4D\x38", 8);
}

static void extended_identifier_is_29_bits(void **state)
{
    (void)state;
    push("\x98\xDA\xF1\x10\x01\0\0\0\x7E\0\0\0\0\0\0\0", 16, 16);
    push("\x80\x00\x07\xDF\x01\0\0\0\x7E\0\0\0\0\0\0\0", 16, 16); /* an 11-bit number with the 29-bit mark */
    assert_int_equal(seen[0].event.kind, FRAME_DATA);
    assert_true(seen[0].frame.extended);
    assert_int_equal(seen[0].frame.id, 0x18DAF110);
    assert_true(seen[1].frame.extended);
    assert_int_equal(seen[1].frame.id, 0x7DF);
}

/* What lies behind a frame's length in its packet is padding, and does not pass for data of the next frame either. */
static void padding_is_no_data(void **state)
{
    (void)state;
    push("\0\0\x01\x00\x08\0\0\0\xA1\xA2\xA3\xA4\xA5\xA6\xA7\xA8", 16, 16);
    push("\0\0\x01\x00\x03\0\0\0\xB1\xB2\xB3\xB4\xB5\xB6\xB7\xB8", 16, 16);
    push("\0\0\x01\x00\x02\0\0\0\xC1\xC2", 10, 10);
    push("\0\0\x01\x00\x00\0\0\0", 8, 8);
    assert_int_equal(count, 4);
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(seen[i].event.kind, FRAME_DATA);
    assert_int_equal(seen[1].frame.length, 3);
    assert_memory_equal(seen[1].frame.data, "\xB1\xB2\xB3\0\0\0\0\0", 8);
    assert_memory_equal(seen[2].frame.data, "\xC1\xC2\0\0\0\0\0\0", 8);
    assert_memory_equal(seen[3].frame.data, "\0\0\0\0\0\0\0\0", 8);
}

/* A writer may strip the padding; a capture may be cut anywhere behind the data. */
static void stripped_packets_of_every_length(void **state)
{
    (void)state;
    for (uint8_t length = 0; length <= 8; length++) {
        for (uint32_t captured = 0; captured <= 16; captured++) {
            uint8_t packet[16] = {0, 0, 1, 0, length, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8};
            uint8_t *exact = test_malloc(captured); /* so that a sanitizer sees one byte too far */
            memcpy(exact, packet, captured);
            count = 0;
            push(exact, captured, 16);
            assert_int_equal(count, 1);
            if (captured < 8) {
                assert_fault(0, "shorter than its header");
            } else if (captured < 8u + length) {
                assert_fault(0, "its data are cut off");
            } else {
                assert_int_equal(seen[0].event.kind, FRAME_DATA);
                assert_int_equal(seen[0].frame.length, length);
                assert_memory_equal(seen[0].frame.data, packet + 8, length);
            }
            test_free(exact);
        }
    }
}

static void remote_frame_carries_nothing(void **state)
{
    (void)state;
    push("\x40\0\x06\xC5\x05\0\0\0", 8, 8);
    push("\x40\0\x06\xC5\x08\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08", 16, 16);
    for (size_t i = 0; i < 2; i++) {
        assert_int_equal(seen[i].event.kind, FRAME_DATA);
        assert_true(seen[i].frame.remote);
        assert_int_equal(seen[i].frame.id, 0x6C5);
        assert_int_equal(seen[i].frame.length, i == 0 ? 5 : 8);
        assert_memory_equal(seen[i].frame.data, "\0\0\0\0\0\0\0\0", 8);
    }
}

static void lengths_over_8_are_faults(void **state)
{
    (void)state;
    push("\0\0\x06\xC5\x09\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08", 16, 16);
    push("\0\0\x06\xC5\x0F\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08", 16, 16);
    push("\x40\0\x06\xC5\x09\0\0\0", 8, 8);
    push("\0\0\x06\xC5\x7F\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08", 16, 16);
    assert_int_equal(count, 4);
    for (size_t i = 0; i < 4; i++)
        assert_fault(i, "length over 8");
}

static void other_kinds_of_packet_are_faults(void **state)
{
    uint8_t packet[80] = {0, 0, 6, 0xC5, 8};
    (void)state;
    packet[4] = 0x80;
    packet[5] = 0x04;
    push(packet, 16, 16); /* 0: XL before FD */
    packet[4] = 8;
    packet[5] = 0;
    push(packet, 17, 17); /* 1, 2, 3: no size of a classic frame */
    push(packet, 71, 71);
    push(packet, 73, 73);
    push(packet, 7, 7); /* 4, 5: no header */
    push(packet, 16, 7);
    push(packet, 16, 15); /* 6, 7: more than there was */
    push(packet, 17, 16);
    packet[5] = 0x04;
    push(packet, 73, 73); /* 8 */
    packet[0] = 0x40;
    push(packet, 72, 72); /* 9 */
    packet[0] = 0;
    packet[4] = 64;
    push(packet, 71, 72); /* 10 */
    assert_int_equal(count, 11);
    assert_fault(0, "CAN XL frame: not read by this version");
    assert_fault(1, "longer than a classic CAN frame");
    assert_fault(2, "longer than a classic CAN frame");
    assert_fault(3, "longer than a classic CAN frame");
    assert_fault(4, "shorter than its header");
    assert_fault(5, "shorter than its header");
    assert_fault(6, "more bytes recorded than its stated length");
    assert_fault(7, "more bytes recorded than its stated length");
    assert_fault(8, "longer than a CAN FD frame");
    assert_fault(9, "remote frame in CAN FD form"); /* ISO 11898-1: there is none (from memory) */
    assert_fault(10, "its data are cut off");
    assert_int_equal(seen[10].frame.number, 11); /* each was counted */
}

/* Lengths of ISO 11898-1, DLC 9 to 15 (FACTS.md 1.5; Linux can_fd_dlc2len), and no others. */
static void can_fd_lengths(void **state)
{
    uint8_t packet[72] = {0x98, 0xDA, 0xF1, 0x10, 0, 0x05}; /* FDF and BRS */
    (void)state;
    for (size_t i = 0; i < 64; i++)
        packet[8 + i] = (uint8_t)(i + 1);
    for (unsigned length = 0; length <= 65; length++) {
        bool legal = length <= 8 || length == 12 || length == 16 || length == 20 || length == 24 || length == 32 ||
                     length == 48 || length == 64;
        count = 0;
        packet[4] = (uint8_t)length;
        push(packet, 72, 72);
        assert_int_equal(count, 1);
        assert_int_equal(seen[0].event.kind, legal ? FRAME_DATA : FRAME_FAULT);
        assert_int_equal(seen[0].frame.id, 0x18DAF110);
        if (!legal) {
            assert_string_equal(seen[0].event.reason, "a length no CAN FD frame has");
            continue;
        }
        assert_int_equal(seen[0].frame.length, length);
        assert_true(seen[0].frame.fd && seen[0].frame.brs && !seen[0].frame.esi && seen[0].frame.extended);
        assert_memory_equal(seen[0].frame.data, packet + 8, length);
    }
}

/* FD by its size alone (old writers never set FDF), by its flag alone padding stripped; the next is classic again. */
static void can_fd_by_size_or_flag(void **state)
{
    uint8_t packet[72] = {0, 0, 6, 0xC5, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8};
    (void)state;
    push(packet, 72, 72);
    packet[5] = 0x06; /* FDF, ESI */
    push(packet, 16, 16);
    packet[4] = 12;
    push(packet, 20, 20);
    packet[4] = 8;
    packet[5] = 0x03;
    push(packet, 16, 16); /* BRS and ESI mean nothing in a classic frame */
    packet[4] = 1;
    push(packet, 9, 9);
    assert_int_equal(count, 5);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(seen[i].event.kind, FRAME_DATA);
    assert_true(seen[0].frame.fd && !seen[0].frame.esi && !seen[0].frame.brs);
    assert_true(seen[1].frame.fd && seen[1].frame.esi && !seen[1].frame.brs);
    assert_true(seen[2].frame.fd && seen[2].frame.length == 12);
    assert_false(seen[3].frame.fd || seen[3].frame.esi || seen[3].frame.brs);
    assert_false(seen[4].frame.fd || seen[4].frame.esi || seen[4].frame.brs);
}

/* Found by fuzz_savefile: a classic frame behind a CAN FD record that is no frame was given as a CAN FD frame. */
static void fault_in_can_fd_form_leaves_nothing_behind(void **state)
{
    uint8_t packet[72] = {0, 0, 6, 0xC5, 9, 0x07, 0, 0};
    (void)state;
    push(packet, 72, 72);
    push("\0\0\x06\xC5\x08\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08", 16, 16);
    assert_fault(0, "a length no CAN FD frame has");
    assert_int_equal(seen[1].event.kind, FRAME_DATA);
    assert_false(seen[1].frame.fd || seen[1].frame.esi || seen[1].frame.brs);
}

/* Whose frame was lost is known as far as the header is there; never that of the frame before. */
static void fault_has_its_own_identifier(void **state)
{
    (void)state;
    push("\0\0\x06\xC5\x09\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08", 16, 16);
    push("\x98\xDA\xF1\x10\x01\0\0", 7, 16);
    assert_fault(0, "length over 8");
    assert_int_equal(seen[0].frame.id, 0x6C5);
    assert_fault(1, "shorter than its header");
    assert_int_equal(seen[1].frame.id, 0);
    assert_false(seen[1].frame.extended);
    push("\x98\xDA\xF1\x10\x08\0\0\0\x01", 9, 16);
    push("", 0, 0);
    assert_int_equal(seen[2].frame.id, 0x18DAF110);
    assert_true(seen[2].frame.extended && !seen[3].frame.extended);
    assert_int_equal(seen[3].frame.id, 0);
}

static void reserved_bytes_and_raw_dlc_do_not_matter(void **state)
{
    (void)state;
    push("\0\0\x06\xC5\x08\x03\xFF\x0F\x01\x02\x03\x04\x05\x06\x07\x08", 16, 16);
    assert_int_equal(seen[0].event.kind, FRAME_DATA);
    assert_int_equal(seen[0].frame.length, 8);
}

static void standard_identifier_over_7ff_is_a_fault(void **state)
{
    (void)state;
    push("\0\0\x07\xFF\0\0\0\0", 8, 8);
    push("\0\0\x08\x00\0\0\0\0", 8, 8);
    push("\xC5\x06\0\0\x01\0\0\0\x7E", 9, 9); /* an identifier in the wrong byte order */
    assert_int_equal(seen[0].event.kind, FRAME_DATA);
    assert_int_equal(seen[1].event.kind, FRAME_FAULT);
    assert_string_equal(seen[1].event.reason, "identifier over 0x7FF without the 29-bit mark");
    assert_int_not_equal(seen[2].frame.id, 0x6C5);
}

/* CAN_ERR_CRTL 004 with data[1] bit 01 is RX_OVERFLOW; nothing else is a loss. */
static void only_rx_overflow_is_a_loss(void **state)
{
    (void)state;
    push("\x20\0\0\x04\x08\0\0\0\0\x01\0\0\0\0\0\0", 16, 16);
    push("\x20\0\0\x44\x08\0\0\0\0\x09\0\0\0\0\0\0", 16, 16); /* with BUSOFF and TX_WARNING beside it */
    push("\x20\0\0\x04\x08\0\0\0\0\x02\0\0\0\0\0\0", 16, 16); /* TX_OVERFLOW */
    push("\x20\0\0\x08\x08\0\0\0\0\x01\0\0\0\0\0\0", 16, 16); /* class PROT: byte 1 says nothing of this */
    push("\x20\0\0\x04\x01\0\0\0\x01\x01\0\0\0\0\0\0", 16, 16); /* byte 1 is padding */
    push("\x20\0\0\x04\x08\0\0\0\0", 9, 16);                   /* byte 1 was not recorded: nobody knows */
    push("\x60\0\0\x04\x08\0\0\0\0\x01\0\0\0\0\0\0", 16, 16);
    push("\xA0\0\0\x04\x08\0\0\0\0\x01\0\0\0\0\0\0", 16, 16);
    static const enum frame_event_kind kinds[] = {FRAME_LOST, FRAME_LOST, FRAME_ERROR, FRAME_ERROR, FRAME_ERROR,
                                                  FRAME_FAULT, FRAME_FAULT, FRAME_FAULT};
    assert_int_equal(count, 8);
    for (size_t i = 0; i < 8; i++) {
        assert_int_equal(seen[i].event.kind, kinds[i]);
        assert_int_equal(seen[i].frame.number, i + 1);
    }
}

/* Classes and words: Linux can/error.h. */
static void error_frames_carry_what_they_say(void **state)
{
    static const struct { const char *packet, *text; } table[] = {
        {"\x20\0\0\x40\x08\0\0\0\0\0\0\0\0\0\0\0", "bus-off"},
        {"\x20\0\x01\x02\x08\0\0\0\0\0\0\0\0\0\0\0", "arbitration lost, controller restarted"},
        {"\x20\0\0\x04\x08\0\0\0\0\x30\0\0\0\0\0\0", "error passive (receive), error passive (transmit)"},
        {"\x20\0\0\x08\x08\0\0\0\0\0\x84\0\0\0\0\0", "bit stuffing error, while sending"},
        {"\x20\0\0\x0C\x08\0\0\0\0\0\0\0\0\0\0\0", "controller, protocol violation"},
        {"\x20\0\x02\0\x08\0\0\0\0\0\0\0\0\0\x05\x07", "error frame"}, /* counters only: no name */
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        char text[200], small[10];
        push(table[i].packet, 16, 16);
        assert_int_equal(seen[i].event.kind, FRAME_ERROR);
        assert_int_equal(seen[i].frame.error & 0xFF, (uint8_t)table[i].packet[3]);
        assert_int_equal(seen[i].frame.error >> 29, 1);
        assert_int_equal(seen[i].frame.id, 0);
        assert_memory_equal(seen[i].frame.data, table[i].packet + 8, 8);
        assert_int_equal(frame_error_text(&seen[i].frame, text, sizeof text), strlen(table[i].text));
        assert_string_equal(text, table[i].text);
        assert_int_equal(frame_error_text(&seen[i].frame, small, sizeof small), strlen(table[i].text));
        assert_true(strlen(small) < sizeof small && strncmp(small, text, strlen(small)) == 0);
    }
    push("\0\0\x01\0\x01\0\0\0\x7E\0\0\0\0\0\0\0", 16, 16);
    assert_int_equal(seen[6].frame.error, 0);
}

/* ---- cooked captures (tcpdump.org LINKTYPE_LINUX_SLL, LINKTYPE_LINUX_SLL2) ---- */

static void set_link(uint32_t linktype, bool big, enum frame_id_order order)
{
    const struct trace_reader reader = {.linktype = linktype, .swapped = big};
    frame_set_link(&stage, &reader, order);
}

#define SLL "\0\x01\x01\x18\0\0\0\0\0\0\0\0\0\0" /* broadcast, ARPHRD_CAN; the protocol follows */
#define SLL2_BEHIND "\0\0\0\0\0\x03\x01\x18\x01\0\0\0\0\0\0\0\0\0" /* the protocol comes first */

static void cooked_frames_have_the_id_in_the_order_of_the_file(void **state)
{
    (void)state;
    set_link(113, false, FRAME_ID_DEFINED);
    push(SLL "\0\x0C" "\xC5\x06\0\0\x02\0\0\0\x01\x3E\0\0\0\0\0\0", 32, 32);
    set_link(113, true, FRAME_ID_DEFINED);
    push(SLL "\0\x0C" "\0\0\x06\xC5\x02\0\0\0\x01\x3E\0\0\0\0\0\0", 32, 32);
    set_link(113, true, FRAME_ID_SWAPPED);
    push(SLL "\0\x0C" "\xC5\x06\0\0\x02\0\0\0\x01\x3E", 26, 26);
    set_link(276, false, FRAME_ID_DEFINED);
    push("\0\x0C" SLL2_BEHIND "\xC5\x06\0\0\x02\0\0\0\x01\x3E\0\0\0\0\0\0", 36, 36);
    set_link(227, true, FRAME_ID_SWAPPED);
    push("\xC5\x06\0\0\x02\0\0\0\x01\x3E\0\0\0\0\0\0", 16, 16);
    set_link(227, true, FRAME_ID_DEFINED);
    push("\0\0\x06\xC5\x02\0\0\0\x01\x3E\0\0\0\0\0\0", 16, 16);
    assert_int_equal(count, 6);
    for (size_t i = 0; i < 6; i++) {
        assert_int_equal(seen[i].event.kind, FRAME_DATA);
        assert_int_equal(seen[i].frame.id, 0x6C5);
        assert_int_equal(seen[i].frame.length, 2);
        assert_memory_equal(seen[i].frame.data, "\x01\x3E", 2);
        uint64_t cooked = i < 3 ? 16 : i == 3 ? 20 : 0;
        assert_int_equal(seen[i].frame.data_offset - seen[i].frame.offset, 16 + 8 + cooked);
    }
}

static void cooked_packets_of_other_kinds(void **state)
{
    uint8_t fd[16 + 72] = SLL "\0\x0D" "\xC5\x06\0\0\x40\0\0\0"; /* FDF not set: the protocol says it */
    (void)state;
    memset(fd + 24, 0x5A, 64);
    set_link(113, false, FRAME_ID_DEFINED);
    push(fd, sizeof fd, sizeof fd);
    push(SLL "\0\x0D" "\xC5\x06\0\0\x08\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08", 32, 32); /* FD by the protocol alone */
    push(SLL "\0\x0E" "\0\0\x01\x23\x80\0\x05\0\0\0\0\0\0", 29, 29);
    push(SLL "\x08\0" "\x45\0\0\x14", 20, 40); /* IPv4 */
    push(SLL "\0", 15, 32);
    push(SLL "\0\x0C", 16, 16);
    push(SLL "\0\x0C" "\xC5\x06\0\0\x02\0\0\0\x01\x3E", 26, 15);
    assert_int_equal(count, 7);
    assert_int_equal(seen[0].event.kind, FRAME_DATA);
    assert_true(seen[0].frame.fd && seen[0].frame.length == 64 && seen[0].frame.data[63] == 0x5A);
    assert_true(seen[1].frame.fd && seen[1].frame.length == 8);
    assert_fault(2, "CAN XL frame: not read by this version");
    assert_int_equal(seen[3].event.kind, FRAME_OTHER);
    assert_fault(4, "shorter than its cooked header");
    assert_fault(5, "shorter than its header");
    assert_fault(6, "shorter than its cooked header");
}

/* ---- the order of the ids (D 5.4) ---- */

static bool ids_are_swapped(const struct trace_build *build)
{
    static struct diagnostics silent;
    struct trace_reader reader;
    struct trace_record record;
    char path[64];
    diagnostics_init(&silent, NULL);
    build_file(build, path);
    assert_int_equal(trace_reader_open(&reader, path, false, &silent), 0);
    bool swapped = frame_ids_are_swapped(&reader);
    uint64_t records = 0;
    while (trace_reader_next(&reader, &record) == TRACE_RECORD) /* looking took nothing away */
        assert_int_equal(record.number, ++records);
    assert_int_equal(reader.good_length, build->length);
    trace_reader_close(&reader);
    (void)unlink(path);
    return swapped;
}

/* 0x6C5 reads as 0xC5060000 the other way round: 29-bit, RTR: not senseless. 0x5E3 does as 0xE3050000: ERR with EFF. */
static void order_is_swapped_only_on_proof(void **state)
{
    struct trace_build build = {0};
    (void)state;
    build_header(&build);
    build_can(&build, 1, 0, 0x6C5, "\x3E", 1);
    assert_false(ids_are_swapped(&build)); /* both orders make sense */
    build_can(&build, 1, 1, 0xC5050000, "\x3E", 1);
    build_can(&build, 1, 2, 0xE3050000, "\x3E", 1); /* 0x5E3 the wrong way round */
    assert_true(ids_are_swapped(&build));
    build_can(&build, 1, 3, 0x5E3, "\x3E", 1); /* and now neither order makes sense all along */
    assert_false(ids_are_swapped(&build));
    build_free(&build);
    build_header(&build);
    build_can(&build, 1, 0, 0x01000000, "\x3E", 1); /* over 0x7FF without the 29-bit mark; 1 the other way round */
    assert_true(ids_are_swapped(&build));
    build_free(&build);
    build_header_full(&build, 0xA1B23C4D, 2, 4, 0, 262144, 113);
    build_record(&build, 1, 0, 32, 32, SLL "\0\x0C" "\0\0\x05\xE3\x01\0\0\0\x3E\0\0\0\0\0\0\0", 32);
    assert_true(ids_are_swapped(&build)); /* a little-endian file: 0x5E3 should be E3 05 00 00 */
    build_free(&build);
}

/* What comes behind the 65,536th record counts no more, and looking so far reads a room full of records ahead. */
static void order_is_looked_up_in_65536_records(void **state)
{
    (void)state;
    for (uint32_t before = 65535; before <= 65536; before++) {
        struct trace_build build = {0};
        build_header(&build);
        for (uint32_t i = 0; i < before; i++)
            build_can(&build, 1, i, 0xC5060000, "\x3E", 1); /* sensible both ways */
        build_can(&build, 2, 0, 0xE3050000, "\x3E", 1); /* senseless; 0x5E3 the other way round */
        assert_int_equal(ids_are_swapped(&build), before < 65536);
        build_free(&build);
    }
}

/* ---- time ---- */

static const uint8_t any[16] = {0, 0, 1, 0, 0};

static void assert_frame(size_t index, int64_t time, int64_t elapsed, uint32_t epoch, uint64_t number)
{
    assert_true(index < count);
    assert_int_equal(seen[index].event.kind, FRAME_DATA);
    assert_true(seen[index].frame.time == time && seen[index].frame.elapsed == elapsed);
    assert_int_equal(seen[index].frame.epoch, epoch);
    assert_int_equal(seen[index].frame.number, number);
}

static void elapsed_is_the_sum_of_forward_steps(void **state)
{
    (void)state;
    push_all(100, false, any, 16, 16);
    push_all(150, false, any, 16, 16);
    push_all(150, false, any, 16, 16);
    push_all(120, false, any, 16, 16); /* back by 30 */
    push_all(121, false, any, 16, 16);
    push_all(121 + INT64_C(31536000000000000), false, any, 16, 16); /* a year on */
    assert_int_equal(count, 7);
    assert_frame(0, 100, 0, 0, 1);
    assert_frame(1, 150, 50, 0, 2);
    assert_frame(2, 150, 50, 0, 3);
    assert_int_equal(seen[3].event.kind, FRAME_CLOCK_BACK);
    assert_int_equal(seen[3].event.step, 30);
    assert_int_equal(seen[3].frame.number, 4);
    assert_int_equal(seen[3].frame.time, 120);
    assert_int_equal(seen[3].frame.elapsed, 50);
    assert_int_equal(seen[3].frame.epoch, 1);
    assert_frame(4, 120, 50, 1, 4);
    assert_frame(5, 121, 51, 1, 5);
    assert_frame(6, 121 + INT64_C(31536000000000000), 51 + INT64_C(31536000000000000), 1, 6);
}

static void clock_back_comes_before_a_fault_too(void **state)
{
    (void)state;
    push_all(100, false, any, 16, 16);
    push_all(99, false, any, 7, 7);
    assert_int_equal(seen[1].event.kind, FRAME_CLOCK_BACK);
    assert_int_equal(seen[1].event.step, 1);
    assert_fault(2, "shorter than its header");
}

/* Between a doubtful time and its neighbours nothing is known, whichever way the seconds point. */
static void no_time_is_believed_across_an_impossible_one(void **state)
{
    (void)state;
    push_all(100, false, any, 16, 16);
    push_all(TT_SECOND, true, any, 16, 16);
    push_all(TT_SECOND + 5, false, any, 16, 16);
    push_all(TT_SECOND + 9, false, any, 16, 16);
    assert_int_equal(count, 6);
    assert_int_equal(seen[1].event.kind, FRAME_CLOCK_BACK);
    assert_int_equal(seen[1].event.step, 0);
    assert_frame(2, TT_SECOND, 0, 1, 2);
    assert_int_equal(seen[3].event.kind, FRAME_CLOCK_BACK);
    assert_int_equal(seen[3].event.step, 0);
    assert_frame(4, TT_SECOND + 5, 0, 2, 3);
    assert_frame(5, TT_SECOND + 9, 4, 2, 4);
}

static void impossible_first_time(void **state)
{
    (void)state;
    push_all(TT_SECOND, true, any, 16, 16);
    push_all(TT_SECOND + 5, false, any, 16, 16);
    assert_frame(0, TT_SECOND, 0, 0, 1);
    assert_int_equal(seen[1].event.kind, FRAME_CLOCK_BACK);
    assert_frame(2, TT_SECOND + 5, 0, 1, 2);
}

/* From 1970 to 2106 and back again and again: the sum passes 63 bits unless it begins again. */
static void elapsed_never_overflows(void **state)
{
    const int64_t late = INT64_C(4294967295999999999);
    (void)state;
    for (unsigned i = 0; i < 20; i++) {
        count = 0;
        push_all(0, false, any, 16, 16);
        push_all(late, false, any, 16, 16);
        const struct frame *low = &seen[count - 2].frame, *high = &seen[count - 1].frame;
        assert_int_equal(low->epoch, high->epoch);
        assert_int_equal(high->epoch, i);
        assert_true(low->elapsed >= 0 && high->elapsed <= FRAME_ELAPSED_MAX);
        assert_true(high->elapsed - low->elapsed == late);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(classic_frame_is_read, set_up),
        cmocka_unit_test_setup(extended_identifier_is_29_bits, set_up),
        cmocka_unit_test_setup(padding_is_no_data, set_up),
        cmocka_unit_test_setup(stripped_packets_of_every_length, set_up),
        cmocka_unit_test_setup(remote_frame_carries_nothing, set_up),
        cmocka_unit_test_setup(lengths_over_8_are_faults, set_up),
        cmocka_unit_test_setup(other_kinds_of_packet_are_faults, set_up),
        cmocka_unit_test_setup(can_fd_lengths, set_up),
        cmocka_unit_test_setup(can_fd_by_size_or_flag, set_up),
        cmocka_unit_test_setup(fault_in_can_fd_form_leaves_nothing_behind, set_up),
        cmocka_unit_test_setup(error_frames_carry_what_they_say, set_up),
        cmocka_unit_test_setup(cooked_frames_have_the_id_in_the_order_of_the_file, set_up),
        cmocka_unit_test_setup(cooked_packets_of_other_kinds, set_up),
        cmocka_unit_test_setup(order_is_swapped_only_on_proof, set_up),
        cmocka_unit_test_setup(order_is_looked_up_in_65536_records, set_up),
        cmocka_unit_test_setup(fault_has_its_own_identifier, set_up),
        cmocka_unit_test_setup(reserved_bytes_and_raw_dlc_do_not_matter, set_up),
        cmocka_unit_test_setup(standard_identifier_over_7ff_is_a_fault, set_up),
        cmocka_unit_test_setup(only_rx_overflow_is_a_loss, set_up),
        cmocka_unit_test_setup(elapsed_is_the_sum_of_forward_steps, set_up),
        cmocka_unit_test_setup(clock_back_comes_before_a_fault_too, set_up),
        cmocka_unit_test_setup(no_time_is_believed_across_an_impossible_one, set_up),
        cmocka_unit_test_setup(impossible_first_time, set_up),
        cmocka_unit_test_setup(elapsed_never_overflows, set_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
