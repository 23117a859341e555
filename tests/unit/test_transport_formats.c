/*
 * Transport: every address format, 29-bit identifiers, CAN FD, and the remarks about timing. Each row of
 * docs/transport.md names the test that shows it. Expected values are hand arithmetic on ISO 15765-2:2016 8.3.2
 * (address formats), 9.5.4 (RX_DL), 9.6 (N_PDU forms), 9.8.1 (timing), as FACTS.md 1.1 to 1.5 gives them.
 */
#include "../../decoder/stages/pdu.h"
#include "transport_rig.h"

#define ID29(id) (DEF_ID_29 | (id))

static const char *add_format(enum address_format format, uint32_t request, uint8_t request_byte, uint32_t response,
                              uint8_t response_byte, uint32_t functional, uint8_t functional_byte, uint32_t module)
{
    struct transport_pair pair = make_pair(request, response, functional, module, TT_SECOND, TT_SECOND);
    pair.format = format;
    pair.request_byte = request_byte;
    pair.response_byte = response_byte;
    pair.functional_byte = functional_byte;
    return transport_add_pair(&transport, &pair);
}

static void assert_address(size_t index, uint32_t module, bool has_byte, uint8_t byte)
{
    assert_int_equal(seen[index].message.module, module);
    assert_int_equal(seen[index].message.has_address_byte, has_byte);
    assert_int_equal(seen[index].message.address_byte, byte);
}

/* ---- address formats ---- */

/* Two modules behind one request id; the tester's answer ids differ by their byte only. */
static void extended_conversations_are_told_apart_by_their_byte(void **state)
{
    (void)state;
    restart(LONGEST);
    assert_null(add_format(ADDRESS_EXTENDED, 0x6F1, 0x12, 0x612, 0xF1, 0x6F1, 0xDF, 3));
    assert_null(add_format(ADDRESS_EXTENDED, 0x6F1, 0x13, 0x613, 0xF1, 0x6F1, 0xDF, 4));
    push(0x6F1, "12 03 22 F1 90");
    push(0x6F1, "13 02 3E 00 FF FF FF FF");
    push(0x612, "F1 10 0B 62 F1 90 41 42"); /* 11 bytes: 5, then 6 */
    push(0x613, "F1 02 7E 00");
    push(0x6F1, "13 30 00 00");             /* for the other module: answers nothing here */
    push(0x6F1, "12 30 00 00");
    push(0x612, "F1 21 43 44 45 46 47 48");
    push(0x6F1, "77 02 3E 00");             /* a module that is not configured */
    push(0x612, "F2 02 7E 00");
    push(0x6F1, "DF 02 3E 80");             /* functional, once for each */
    assert_events(7);
    assert_message(0, 0x6F1, 3, 1, 1, 0);
    assert_address(0, 3, true, 0x12);
    assert_message(1, 0x6F1, 2, 2, 2, 0);
    assert_address(1, 4, true, 0x13);
    assert_started(2, 3, 11);
    assert_message(3, 0x613, 2, 4, 4, 0);
    assert_message(4, 0x612, 11, 3, 7, 0);
    assert_address(4, 3, true, 0xF1);
    assert_memory_equal(seen[4].bytes, "\x62\xF1\x90\x41\x42\x43\x44\x45\x46\x47\x48", 11);
    assert_int_equal(seen[4].segments[0].offset, 324 + 3); /* behind address byte and two of the PCI */
    assert_int_equal(seen[4].segments[0].length, 5);
    assert_int_equal(seen[4].segments[1].offset, 724 + 2);
    assert_int_equal(seen[4].segments[1].length, 6);
    assert_int_equal(seen[5].message.direction, DIRECTION_FUNCTIONAL);
    assert_address(5, 3, true, 0xDF);
    assert_address(6, 4, true, 0xDF);
}

/* The longest single frame holds 6 bytes, the shortest first frame announces 7. */
static void lengths_behind_an_address_byte(void **state)
{
    (void)state;
    restart(LONGEST);
    assert_null(add_format(ADDRESS_MIXED, 0x5E3, 0x44, 0x6C5, 0x44, DEF_NO_ID, 0, 3));
    push(0x6C5, "44 06 01 02 03 04 05 06");
    push(0x6C5, "44 07 01 02 03 04 05 06");
    push(0x6C5, "44 10 07 01 02 03 04 05");
    push(0x6C5, "44 21 06 07");
    push(0x6C5, "44 10 06 01 02 03 04 05");
    push(0x6C5, "44 21 06");
    push(0x6C5, "44 30 00");
    push(0x6C5, "44 10 00 00 00 10 00 01"); /* 4,096 bytes, one of them in the first frame */
    push(0x5E3, "44 30 00 00");
    push(0x6C5, "44 21 02 03 04 05 06 07");
    transport_finish(&transport);
    push(0x6C5, "");
    push(0x6C5, "44");
    assert_events(11);
    assert_message(0, 0x6C5, 6, 1, 1, 0);
    assert_address(0, 3, true, 0x44);
    assert_fault(1, 2, "single frame longer than its CAN frame");
    assert_message(3, 0x6C5, 7, 3, 4, REMARK_NO_FLOW_CONTROL);
    assert_message(5, 0x6C5, 6, 5, 6, REMARK_NO_FLOW_CONTROL | REMARK_SHORT_FIRST_FRAME);
    assert_fault(6, 7, "flow control shorter than 3 bytes");
    assert_started(7, 8, 4096);
    assert_abandoned(8, REASON_CUT, 7, 8, 10);
    assert_int_equal(seen[8].segments[0].length, 1);
    assert_int_equal(seen[8].segments[1].length, 6);
    assert_memory_equal(seen[8].bytes, "\x01\x02\x03\x04\x05\x06\x07", 7);
    assert_fault(9, 11, "CAN frame without data");
    assert_fault(10, 12, "CAN frame without data"); /* an address and nothing else */
}

/* 18DA TT SS and 18DB TT SS of normal fixed, 18CE TT SS and 18CD TT SS of mixed (8.3.2.3, 8.3.2.5). */
static void identifiers_of_29_bits(void **state)
{
    (void)state;
    restart(LONGEST);
    assert_null(add_format(ADDRESS_NORMAL_FIXED, ID29(0x18DA10F1), 0, ID29(0x18DAF110), 0, ID29(0x18DB33F1), 0, 3));
    assert_null(add_format(ADDRESS_MIXED, ID29(0x18CE20F1), 0x55, ID29(0x18CEF120), 0x55, ID29(0x18CD33F1), 0x55, 4));
    assert_null(add_format(ADDRESS_MIXED, ID29(0x18CE20F1), 0x56, ID29(0x18CEF120), 0x56, ID29(0x18CD33F1), 0x56, 5));
    push(ID29(0x18DA10F1), "03 22 F1 90");
    push(ID29(0x18DAF110), "10 09 62 F1 90 41 42 43");
    push(ID29(0x18DA10F1), "30 00 00");
    push(ID29(0x18DAF110), "21 44 45 46");
    push(ID29(0x18DB33F1), "02 3E 80");
    push(ID29(0x18CEF120), "56 02 7E 00");
    push(ID29(0x18CD33F1), "55 02 3E 80");
    push(ID29(0x000007E8), "02 7E 00"); /* nobody's, with 29 and with 11 bits */
    push(0x110, "02 7E 00");
    assert_events(6);
    assert_message(0, ID29(0x18DA10F1), 3, 1, 1, 0);
    assert_address(0, 3, false, 0);
    assert_message(2, ID29(0x18DAF110), 9, 2, 4, 0);
    assert_message(3, ID29(0x18DB33F1), 2, 5, 5, 0);
    assert_message(4, ID29(0x18CEF120), 2, 6, 6, 0);
    assert_address(4, 5, true, 0x56);
    assert_message(5, ID29(0x18CD33F1), 2, 7, 7, 0);
    assert_address(5, 4, true, 0x55);
    uint32_t module;
    assert_true(transport_module_of(&transport, ID29(0x18DAF110), &module) && module == 3);
    assert_true(transport_module_of(&transport, ID29(0x18CEF120), &module) && module == DEF_NONE); /* two modules' */
    assert_false(transport_module_of(&transport, ID29(0x18DB33F1), &module)); /* functional only */
    assert_false(transport_module_of(&transport, 0x110, &module));
}

/* The same number as an 11-bit and as a 29-bit identifier are two identifiers. */
static void number_of_bits_is_part_of_the_identifier(void **state)
{
    (void)state;
    restart(LONGEST);
    assert_null(add_format(ADDRESS_NORMAL, 0x5E3, 0, 0x6C5, 0, DEF_NO_ID, 0, 3));
    assert_null(add_format(ADDRESS_NORMAL, ID29(0x5E3), 0, ID29(0x6C5), 0, DEF_NO_ID, 0, 4));
    push(ID29(0x6C5), "01 7E");
    push(0x6C5, "01 7E");
    assert_events(2);
    assert_int_equal(seen[0].message.module, 4);
    assert_int_equal(seen[1].message.module, 3);
}

/* Thousands of 29-bit identifiers, of which many meet in the table: each is found, none is invented. */
static void every_29_bit_identifier_is_found(void **state)
{
    (void)state;
    restart(LONGEST);
    for (uint32_t i = 0; i < 2048; i++)
        assert_null(add_format(ADDRESS_NORMAL, ID29(0x10000000 + i * 4096), 0, ID29(0x10000001 + i * 4096), 0,
                               DEF_NO_ID, 0, i));
    for (uint32_t i = 0; i < 2048; i++) {
        push(ID29(0x10000001 + i * 4096), "01 7E");
        push(ID29(0x10000002 + i * 4096), "01 7E");
    }
    assert_events(2048);
    for (uint32_t i = 0; i < 2048; i++)
        assert_int_equal(seen[i].message.module, i);
}

static void pairs_with_address_bytes_that_cannot_be(void **state)
{
    const char *other = "identifier is already in use in a format with another number of address bytes";
    (void)state;
    restart(LONGEST);
    assert_null(add_format(ADDRESS_EXTENDED, 0x6F1, 0x12, 0x612, 0xF1, 0x6F1, 0xDF, 3));
    assert_string_equal(add_format(ADDRESS_EXTENDED, 0x6F1, 0x12, 0x613, 0xF1, DEF_NO_ID, 0, 4),
                        "identifier is already in use");
    assert_string_equal(add_format(ADDRESS_EXTENDED, 0x6F1, 0x14, 0x612, 0xF1, DEF_NO_ID, 0, 4),
                        "identifier is already in use");
    assert_string_equal(add_format(ADDRESS_EXTENDED, 0x6F1, 0xDF, 0x613, 0xF1, DEF_NO_ID, 0, 4),
                        "identifier is already in use");
    assert_string_equal(add_format(ADDRESS_EXTENDED, 0x6F1, 0x14, 0x614, 0xF1, 0x6F1, 0x12, 4),
                        "functional identifier is already in use as a request or response");
    assert_string_equal(add_format(ADDRESS_NORMAL, 0x6F1, 0, 0x614, 0, DEF_NO_ID, 0, 4), other);
    assert_string_equal(add_format(ADDRESS_NORMAL, 0x111, 0, 0x112, 0, 0x6F1, 0, 4), other);
    assert_string_equal(add_format(ADDRESS_EXTENDED, 0x6F1, 0x15, 0x6F1, 0x15, DEF_NO_ID, 0, 4),
                        "request and response have the same identifier");
    assert_int_equal(transport.count, 3); /* nothing was half added */
    assert_null(add_format(ADDRESS_EXTENDED, 0x6F1, 0x15, 0x6F1, 0x16, DEF_NO_ID, 0, 4)); /* two addresses */
    push(0x6F1, "16 01 7E");
    assert_events(1);
    assert_int_equal(seen[0].message.direction, DIRECTION_RESPONSE);
}

/* ---- CAN FD ---- */

/* A frame of length CAN data bytes: these, then CC. */
static void push_padded(uint32_t id, const char *hex, uint8_t length)
{
    uint8_t data[64];
    unsigned byte;
    int used;
    memset(data, 0xCC, sizeof data);
    for (uint8_t i = 0; sscanf(hex, "%2x%n", &byte, &used) == 1; hex += used)
        data[i++] = (uint8_t)byte;
    now += TT_MS;
    push_bytes(id, data, length);
}

static void fd_single_frames(void **state)
{
    (void)state;
    push_padded(0x6C5, "00 0A 01", 12);
    push_padded(0x6C5, "00 3E 01", 64);
    push_padded(0x6C5, "00 08 01", 12);
    push_padded(0x6C5, "00 07 01", 12); /* the 4-bit form could have stated it */
    push_padded(0x6C5, "00 0B 01", 12);
    push_padded(0x6C5, "00 00 01", 12);
    push_padded(0x6C5, "07 01", 12);
    push_padded(0x7DF, "00 0A 01", 12);
    assert_events(9);
    assert_message(0, 0x6C5, 10, 1, 1, 0);
    assert_message(1, 0x6C5, 62, 2, 2, 0);
    assert_int_equal(seen[1].segments[0].offset, 224 + 2);
    assert_message(2, 0x6C5, 8, 3, 3, 0);
    assert_message(3, 0x6C5, 7, 4, 4, REMARK_LONG_SINGLE);
    assert_fault(4, 5, "single frame longer than its CAN frame");
    assert_fault(5, 6, "single frame of length 0");
    assert_fault(6, 7, "single frame of the short form in a CAN FD frame of more than 8 bytes");
    assert_message(7, 0x7DF, 10, 8, 8, 0);
    assert_int_equal(seen[8].message.module, 8);
    restart(LONGEST);
    assert_null(add_format(ADDRESS_EXTENDED, 0x5E3, 0x12, 0x6C5, 0xF1, DEF_NO_ID, 0, 3));
    push_padded(0x6C5, "F1 00 3D 01", 64);
    push_padded(0x6C5, "F1 00 3E 01", 64);
    push_padded(0x6C5, "F1 00 07 01", 12);
    push_padded(0x6C5, "F1 00 06 01", 12);
    assert_events(4);
    assert_message(0, 0x6C5, 61, 1, 1, 0);
    assert_fault(1, 2, "single frame longer than its CAN frame");
    assert_message(2, 0x6C5, 7, 3, 3, 0);
    assert_message(3, 0x6C5, 6, 4, 4, REMARK_LONG_SINGLE);
}

/* 200 bytes by 64: 62 in the first, 63 each, 12 in the last, which is padded to 16 bytes. */
static void fd_segments_are_as_long_as_the_first_frame(void **state)
{
    (void)state;
    push_padded(0x6C5, "10 C8 62", 64);
    push(0x5E3, "30 00 00");
    push_padded(0x6C5, "21 AA", 64);
    push_padded(0x6C5, "22 BB", 48); /* too short for its part */
    push_padded(0x6C5, "22 BB", 64);
    push_padded(0x6C5, "23 DD EE", 16);
    assert_events(3);
    assert_fault(1, 4, "consecutive frame too short");
    assert_message(2, 0x6C5, 200, 1, 6, 0);
    assert_int_equal(seen[2].message.segment_count, 4);
    assert_int_equal(seen[2].segments[0].length, 62);
    assert_int_equal(seen[2].segments[1].length, 63);
    assert_int_equal(seen[2].segments[1].start, 62);
    assert_int_equal(seen[2].segments[3].start, 188);
    assert_int_equal(seen[2].segments[3].length, 12);
    assert_int_equal(seen[2].segments[3].offset, 624 + 1);
    count = 0;
    push_padded(0x6C5, "10 0E 62", 8); /* a first frame of 8 bytes: RX_DL is 8 */
    push(0x5E3, "30 00 00");
    push_padded(0x6C5, "21 AA", 12);
    push_padded(0x6C5, "21 AA", 8);
    push_padded(0x6C5, "22 BB", 8);
    assert_events(3);
    assert_fault(1, 9, "consecutive frame longer than the first frame");
    assert_message(2, 0x6C5, 14, 7, 11, 0);
}

/* FF_DLmin is what a single frame of that CAN_DL cannot hold: 63 for 64 bytes, 11 for 12; one less behind a byte. */
static void fd_first_frame_lengths(void **state)
{
    static const struct { const char *frame; uint8_t length; uint32_t announced; unsigned remarks; } table[] = {
        {"10 3F", 64, 63, 0}, {"10 3E", 64, 62, REMARK_SHORT_FIRST_FRAME},
        {"10 0B", 12, 11, 0}, {"10 0A", 12, 10, REMARK_SHORT_FIRST_FRAME},
        {"10 00 00 00 10 00", 64, 4096, 0},
        {"10 00 00 00 00 FF", 64, 255, REMARK_ESCAPE_SHORT},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        restart(LONGEST);
        assert_null(add_format(ADDRESS_NORMAL, 0x5E3, 0, 0x6C5, 0, DEF_NO_ID, 0, 3));
        push_padded(0x6C5, table[i].frame, table[i].length);
        assert_started(0, 1, table[i].announced);
        assert_int_equal(seen[0].message.remarks, table[i].remarks);
        if (count == 1)
            transport_finish(&transport);
        assert_events(2);
        assert_int_equal(seen[1].message.received, (unsigned)table[i].length - (strlen(table[i].frame) > 5 ? 6 : 2));
    }
    restart(LONGEST);
    assert_null(add_format(ADDRESS_EXTENDED, 0x5E3, 0x12, 0x6C5, 0xF1, DEF_NO_ID, 0, 3));
    push_padded(0x6C5, "F1 10 3E", 64);
    assert_int_equal(seen[0].message.remarks, 0);
    push_padded(0x6C5, "F1 10 3D", 64);
    assert_int_equal(seen[2].message.remarks, REMARK_SHORT_FIRST_FRAME);
}

/* ---- timing, beyond the stamp uncertainty of 10 ms ---- */

static unsigned remarks_of(void)
{
    assert_int_equal(seen[count - 1].kind, TRANSPORT_MESSAGE);
    assert_int_equal(seen[count - 1].message.state, MESSAGE_COMPLETE);
    return seen[count - 1].message.remarks;
}

static void push_after(int64_t wait, uint32_t id, const char *hex)
{
    now += wait - TT_MS; /* push adds 1 ms */
    push(id, hex);
}

/* An answer of 20 bytes: the flow control after `flow`, the second consecutive frame after `gap`. */
static unsigned timed(const char *flow_control, int64_t flow, int64_t first, int64_t gap)
{
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push_after(flow, 0x5E3, flow_control);
    push_after(first, 0x6C5, "21 47 44 4D 39 41 58 4B");
    push_after(gap, 0x6C5, "22 50 30 34 32 37 38 38");
    return remarks_of();
}

/* STmin 0x14 is 20 ms, F9 900 us, 7F 127 ms, and a reserved value 127 ms. It counts between consecutive frames. */
static void st_min_is_watched(void **state)
{
    (void)state;
    assert_int_equal(timed("30 00 14", TT_MS, TT_MS, 10 * TT_MS), 0);
    assert_int_equal(timed("30 00 14", TT_MS, TT_MS, 10 * TT_MS - 1), REMARK_ST_MIN_BROKEN);
    assert_int_equal(timed("30 00 0A", TT_MS, TT_MS, 0), 0); /* 10 ms: within the uncertainty */
    assert_int_equal(timed("30 00 F9", TT_MS, TT_MS, 0), 0);
    assert_int_equal(timed("30 00 7F", TT_MS, TT_MS, 117 * TT_MS), 0);
    assert_int_equal(timed("30 00 7F", TT_MS, TT_MS, 116 * TT_MS), REMARK_ST_MIN_BROKEN);
    assert_int_equal(timed("30 00 FF", TT_MS, TT_MS, 116 * TT_MS), REMARK_ST_MIN_BROKEN | REMARK_RESERVED_STMIN);
    /* After a block the flow control, not STmin, says when to go on. */
    assert_int_equal(timed("30 01 7F", TT_MS, TT_MS, TT_MS), REMARK_NO_FLOW_CONTROL);
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 01 7F");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x5E3, "30 01 7F");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_int_equal(remarks_of(), 0);
}

/* FACTS.md 1.2; hundreds of microseconds never exceed the uncertainty, so the numbers themselves are looked at. */
static void st_min_values(void **state)
{
    static const struct { uint8_t byte; int64_t time; } table[] = {
        {0x00, 0}, {0x01, TT_MS}, {0x7F, 127 * TT_MS}, {0x80, 127 * TT_MS}, {0xF0, 127 * TT_MS},
        {0xF1, TT_MS / 10}, {0xF9, 9 * TT_MS / 10}, {0xFA, 127 * TT_MS}, {0xFF, 127 * TT_MS},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof *table; i++)
        assert_true(pdu_st_min_time(table[i].byte) == table[i].time);
}

/* A flow control that was missed may have asked for less than the one before it. */
static void st_min_is_unknown_once_a_flow_control_was_missed(void **state)
{
    (void)state;
    push(0x6C5, "10 22 62 F1 90 31 4D 38"); /* 34 bytes: 6 and four times 7 */
    push(0x5E3, "30 02 7F");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push_after(127 * TT_MS, 0x6C5, "22 50 30 34 32 37 38 38");
    push(0x6C5, "23 47 44 4D 39 41 58 4B");
    push(0x6C5, "24 50 30 34 32 37 38 38");
    assert_int_equal(remarks_of(), REMARK_NO_FLOW_CONTROL);
}

static void st_min_across_a_clock_step_is_unknown(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 00 7F");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    go_back(TT_SECOND);
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_int_equal(remarks_of(), REMARK_CLOCK_BACK);
}

static void changed_flow_control_is_a_remark(void **state)
{
    (void)state;
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 01 00");
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x5E3, "30 02 00");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_int_equal(remarks_of(), REMARK_FLOW_CHANGED);
    push(0x6C5, "10 14 62 F1 90 31 4D 38");
    push(0x5E3, "30 01 7F"); /* then less is asked for, and the less is kept */
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x5E3, "30 02 05");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    assert_int_equal(remarks_of(), REMARK_FLOW_CHANGED);
    push(0x6C5, "10 22 62 F1 90 31 4D 38");
    push(0x5E3, "30 02 05"); /* older editions keep the first one, so more than it is not held against the sender */
    push(0x6C5, "21 47 44 4D 39 41 58 4B");
    push(0x6C5, "22 50 30 34 32 37 38 38");
    push(0x5E3, "30 02 7F");
    push(0x6C5, "23 47 44 4D 39 41 58 4B");
    push(0x6C5, "24 50 30 34 32 37 38 38");
    assert_int_equal(remarks_of(), REMARK_FLOW_CHANGED);
}

/* N_Br + N_Ar < 0.9 N_Bs and N_Cs + N_As < 0.9 N_Cr (9.8.1): 900 ms of 1,000, and 10 ms of uncertainty. */
static void late_frames_are_remarks(void **state)
{
    (void)state;
    assert_int_equal(timed("30 00 00", 910 * TT_MS, TT_MS, TT_MS), 0);
    assert_int_equal(timed("30 00 00", 910 * TT_MS + 1, TT_MS, TT_MS), REMARK_LATE_FLOW_CONTROL);
    assert_int_equal(timed("31 00 00", 950 * TT_MS, TT_MS, TT_MS),
                     REMARK_LATE_FLOW_CONTROL | REMARK_WAITED | REMARK_NO_FLOW_CONTROL);
    assert_int_equal(timed("30 00 00", TT_MS, 910 * TT_MS, 910 * TT_MS), 0);
    assert_int_equal(timed("30 00 00", TT_MS, 910 * TT_MS + 1, TT_MS), REMARK_LATE_CONSECUTIVE);
    assert_int_equal(timed("30 00 00", TT_MS, TT_MS, 910 * TT_MS + 1), REMARK_LATE_CONSECUTIVE);
    assert_int_equal(timed("30 00 00", TT_MS, TT_MS, TT_SECOND), REMARK_LATE_CONSECUTIVE);
}

static void remarks_have_words(void **state)
{
    (void)state;
    for (unsigned bit = 0; bit < REMARK_COUNT; bit++)
        assert_non_null(message_remark_text(bit));
    assert_null(message_remark_text(REMARK_COUNT));
    assert_int_equal(1u << (REMARK_COUNT - 1), REMARK_LATE_CONSECUTIVE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(extended_conversations_are_told_apart_by_their_byte), TEST(lengths_behind_an_address_byte),
        TEST(identifiers_of_29_bits), TEST(number_of_bits_is_part_of_the_identifier),
        TEST(every_29_bit_identifier_is_found), TEST(pairs_with_address_bytes_that_cannot_be), TEST(fd_single_frames),
        TEST(fd_segments_are_as_long_as_the_first_frame), TEST(fd_first_frame_lengths), TEST(st_min_is_watched),
        TEST(st_min_values),
        TEST(st_min_is_unknown_once_a_flow_control_was_missed),
        TEST(st_min_across_a_clock_step_is_unknown), TEST(changed_flow_control_is_a_remark),
        TEST(late_frames_are_remarks), TEST(remarks_have_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
