/* decoder/outputs/view.c and readings_csv.c: one object a line in three forms, escaped for each (D 9.2 to 9.4, 8.7). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "readings_csv.h"
#include "support_outputs.h"

static void a_message_in_three_forms(void **state)
{
    (void)state;
    struct page_of page;
    struct message message = made_message;
    struct sink *sink = page_open(&page);
    view_message(&made_view, sink, ROW_JSON, &message);
    assert_string_equal(
        page_text(&page),
        "{\"kind\":\"message\",\"time\":\"2026-03-02T08:00:01.250000001Z\",\"seconds\":1.250000001,\"bus\":\"1\","
        "\"first_frame\":17,\"last_frame\":19,\"id\":\"0x6c5\",\"address_byte\":null,\"length\":11,"
        "\"bytes\":\"623c403f23e63e43ed7b00\",\"state\":\"complete\",\"reason\":null,\"remarks\":[]}\n");
    page_close(&page);
    sink = page_open(&page);
    view_message(&made_view, sink, ROW_TEXT, &message);
    assert_string_equal(page_text(&page),
                        "seconds=1.250000001 bus=1 first_frame=17 last_frame=19 id=0x6c5 address_byte= length=11 "
                        "bytes=623c403f23e63e43ed7b00 state=complete reason= remarks=\n");
    page_close(&page);
    sink = page_open(&page);
    message.state = MESSAGE_ABANDONED;
    message.reason = REASON_TOO_LONG;
    message.received = 0;
    message.remarks = REMARK_WAITED | REMARK_CLOCK_BACK;
    view_message(&made_view, sink, ROW_CSV, &message);
    char expected[512];
    (void)snprintf(expected, sizeof expected,
                   "2026-03-02T08:00:01.250000001Z,1.250000001,1,17,19,0x6c5,,11,,abandoned,%s,%s; %s\r\n",
                   message_reason_text(REASON_TOO_LONG), message_remark_text(3), message_remark_text(5));
    assert_string_equal(page_text(&page), expected);
    page_close(&page);
}

/* D 9.2's own line, with its bus's name; and what each other form adds to it. Error classes: Linux can/error.h. */
static void a_frame_of_each_form(void **state)
{
    (void)state;
    static const struct {
        struct frame frame;
        const char *wrong, *text, *csv;
    } rows[] = {
        {{.id = 0x6c5, .length = 4, .data = {0x10, 0x14, 0x62, 0x00}}, NULL, "id=0x6c5 form=classic bytes=10146200\n",
         "0x6c5,classic,10146200,4,,,\r\n"},
        {{.id = 0x18daf110, .extended = true, .length = 1, .data = {7}}, NULL, "id=0x18daf110 form=classic bytes=07\n",
         "0x18daf110,classic,07,1,,,\r\n"},
        {{.id = 0x12, .extended = true, .fd = true, .brs = true, .esi = true, .length = 1, .data = {7}}, NULL,
         "id=0x00000012 form=fd bytes=07 flags=\"brs esi\"\n", "0x00000012,fd,07,1,brs esi,,\r\n"},
        {{.id = 0x123, .remote = true, .length = 5}, NULL, "id=0x123 form=remote bytes=\"\" length=5\n",
         "0x123,remote,,5,,,\r\n"},
        {{.error = 0x20000040, .length = 8}, NULL, "id= form=error bytes=0000000000000000 class=0x040 error=bus-off\n",
         ",error,0000000000000000,8,,0x040,bus-off\r\n"},
        {{.id = 0x6c5, .length = 9}, "length over 8", "id=0x6c5 form=unreadable bytes=\"\" error=\"length over 8\"\n",
         "0x6c5,unreadable,,0,,,length over 8\r\n"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char expected[300];
        struct page_of page;
        struct frame frame = rows[i].frame;
        frame.number = 42;
        frame.bus = 1;
        frame.time = MADE_START + 104233000;
        view_frame(&made_view, page_open(&page), ROW_TEXT, &frame, rows[i].wrong);
        (void)snprintf(expected, sizeof expected, "frame=42 seconds=0.104233000 bus=2 %s", rows[i].text);
        assert_string_equal(page_text(&page), expected);
        page_close(&page);
        view_frame(&made_view, page_open(&page), ROW_CSV, &frame, rows[i].wrong);
        (void)snprintf(expected, sizeof expected, "42,2026-03-02T08:00:00.104233000Z,0.104233000,2,%s", rows[i].csv);
        assert_string_equal(page_text(&page), expected);
        page_close(&page);
    }
}

/* ISO 14229-1:2020 10.4: a seed stands behind 67 and an odd level, a key behind 27 and an even one. */
static void seeds_and_keys_are_shown_only_when_asked_for(void **state)
{
    (void)state;
    static const struct {
        const char *bytes, *shown, *whole;
        uint32_t length;
    } rows[] = {
        {"\x67\x01\xaa\xbb", "6701", "6701aabb", 4}, {"\x27\x02\xaa\xbb", "2702", "2702aabb", 4},
        {"\x27\x82\xaa\xbb", "2782", "2782aabb", 4}, {"\x27\x01\xaa", "2701aa", "2701aa", 3},
        {"\x67\x02", "6702", "6702", 2},             {"\x7f\x27\x35", "7f2735", "7f2735", 3},
        {"\x27", "27", "27", 1},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        for (int secrets = 0; secrets < 2; secrets++) {
            char expected[64];
            struct page_of page;
            struct view view = made_view;
            struct message message = made_message;
            view.secrets = secrets;
            message.bytes = (const uint8_t *)rows[i].bytes;
            message.length = message.received = rows[i].length;
            view_message(&view, page_open(&page), ROW_TEXT, &message);
            (void)snprintf(expected, sizeof expected, "length=%u bytes=%s state", (unsigned)rows[i].length,
                           secrets ? rows[i].whole : rows[i].shown);
            assert_non_null(strstr(page_text(&page), expected));
            page_close(&page);
        }
}

static void columns_and_fields_are_as_many(void **state)
{
    (void)state;
    struct page_of page;
    struct exchange exchange = {.service = 0x22, .state = EXCHANGE_MISSING, .request_bytes = (uint8_t *)"\x22\x3c\x40",
                                .request_kept = 3, .request_length = 3};
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange};
    struct sink *sink = page_open(&page);
    view_exchange(&made_view, sink, ROW_CSV, &event);
    size_t fields = 1, columns = 1;
    for (const char *at = page_text(&page); *at; at++)
        fields += *at == ',';
    for (const char *at = view_exchange_columns; *at; at++)
        columns += *at == ',';
    assert_int_equal(fields, columns);
    page_close(&page);
}

static void an_exchange_shows_every_answer(void **state)
{
    (void)state;
    struct page_of page;
    struct exchange exchange = {
        .service = 0x31, .state = EXCHANGE_REFUSED, .nrc = 0x22, .request_bytes = (uint8_t *)"\x31\x01\x02\x42",
        .request_kept = 4, .request_length = 4, .pending_count = 1, .has_response = true,
        .request = {.first_frame = 1, .last_frame = 1, .last_time = MADE_START},
        .response = {.first_frame = 4, .last_frame = 4, .last_time = MADE_START + 3000000000}};
    exchange.pending[0] = (struct exchange_pending){
        {.first_frame = 2, .last_frame = 2, .last_time = MADE_START + 20000000}, {0x7f, 0x31, 0x78}};
    struct message answer = made_message;
    answer.bytes = (const uint8_t *)"\x7f\x31\x22";
    answer.length = answer.received = 3;
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange, .response = &answer};
    struct sink *sink = page_open(&page);
    view_exchange(&made_view, sink, ROW_JSON, &event);
    assert_string_equal(
        page_text(&page),
        "{\"kind\":\"exchange\",\"time\":\"2026-03-02T08:00:03.000000000Z\",\"seconds\":3.000000000,\"bus\":\"1\","
        "\"first_frame\":1,\"last_frame\":4,\"module\":\"seat "
        "scale\",\"service\":\"0x31\",\"service_name\":\"RoutineControl\","
        "\"request\":{\"first_frame\":1,\"last_frame\":1,\"time\":\"2026-03-02T08:00:00.000000000Z\",\"bytes\":"
        "\"31010242\","
        "\"length\":4},\"responses\":[{\"first_frame\":2,\"last_frame\":2,\"time\":\"2026-03-02T08:00:00.020000000Z\","
        "\"bytes\":\"7f3178\",\"length\":3},{\"first_frame\":4,\"last_frame\":4,\"time\":\"2026-03-02T08:00:03."
        "000000000Z\","
        "\"bytes\":\"7f3122\",\"length\":3}],\"state\":\"refused\",\"nrc\":\"0x22\",\"nrc_name\":"
        "\"conditionsNotCorrect\","
        "\"pending\":1,\"functional\":false,\"warning\":null}\n");
    page_close(&page);
    sink = page_open(&page);
    view_exchange(&made_view, sink, ROW_TEXT, &event);
    assert_non_null(strstr(page_text(&page), " request=31010242 responses=\"7f3178 7f3122\" state=refused "));
    assert_non_null(strstr(page_text(&page), "module=\"seat scale\" "));
    page_close(&page);
    exchange.request_length = 0; /* nobody asked */
    exchange.pending_count = 0;
    exchange.state = EXCHANGE_UNSOLICITED;
    sink = page_open(&page);
    view_exchange(&made_view, sink, ROW_JSON, &event);
    assert_non_null(strstr(page_text(&page), "\"first_frame\":4,\"last_frame\":4,"));
    assert_non_null(strstr(page_text(&page), "\"request\":null,"));
    page_close(&page);
}

/* Payload positions 4 to 7: two bytes in each frame, behind the 62 3c 40 that base 3 skips. */
static void a_field_across_two_frames_has_two_places(void **state)
{
    (void)state;
    struct page_of page;
    struct value value = {.reading = 0, .state = VALUE_GOOD, .has_number = true, .numerator = -25,
                          .bytes = made_message.bytes + 4, .length = 4, .at_count = 1, .at = {{1, 4}}};
    struct reading_event event = {.kind = READING_VALUE, .value = &value, .base = 3, .message = &made_message};
    struct sink *sink = page_open(&page);
    view_reading(&made_view, sink, ROW_JSON, &event);
    assert_string_equal(
        page_text(&page),
        "{\"kind\":\"reading\",\"time\":\"2026-03-02T08:00:01.250000001Z\",\"seconds\":1.250000001,\"bus\":\"1\","
        "\"first_frame\":17,\"last_frame\":19,\"module\":\"seat scale\",\"name\":\"seat load.total\",\"value\":-2.5,"
        "\"exact\":true,\"unit\":\"kg\",\"text\":null,\"raw\":\"23e63e43\",\"at\":[{\"file\":\"trace-1.pcap\","
        "\"offset\":104,"
        "\"length\":2},{\"file\":\"trace-1.pcap\",\"offset\":200,\"length\":2}],\"remark\":null}\n");
    page_close(&page);
    sink = page_open(&page);
    readings_csv_begin(sink);
    readings_csv_reading(&made_view, sink, &event);
    assert_string_equal(
        page_text(&page),
        "reading,value,unit,state,seconds,time,raw,first_frame,last_frame,file,offset,remark\r\n"
        "seat load.total,-2.5,kg,,1.250000001,2026-03-02T08:00:01.250000001Z,23e63e43,17,19,trace-1.pcap,76,\r\n");
    page_close(&page);
}

static void what_is_no_sample_says_so(void **state)
{
    (void)state;
    struct page_of page;
    struct value value = {.reading = 3, .state = VALUE_GOOD, .has_number = true, .numerator = 1, .at_count = 0};
    struct reading_event event = {.kind = READING_VALUE, .value = &value, .message = &made_message};
    struct sink *sink = page_open(&page);
    view_reading(&made_view, sink, ROW_JSON, &event);
    assert_non_null(strstr(page_text(&page), "\"value\":0.333333333333333333,\"exact\":false,"));
    assert_non_null(strstr(page_text(&page), "\"raw\":null,\"at\":[],\"remark\":\"rounded to 18 places\"}"));
    page_close(&page);
    sink = page_open(&page);
    value.state = VALUE_INVALID;
    readings_csv_reading(&made_view, sink, &event);
    assert_non_null(strstr(page_text(&page), ",outside the valid range\r\n"));
    value = (struct value){.reading = 0, .state = VALUE_ABSENT};
    readings_csv_reading(&made_view, sink, &event);
    assert_non_null(strstr(page_text(&page), "seat load.total,,kg,,"));
    assert_non_null(strstr(page_text(&page), ",no value\r\n"));
    page_close(&page);
}

/* What a module may answer as text: a formula, an escape sequence, quotes, a line end, a byte that is no UTF-8. */
static void hostile_text_is_escaped_for_its_place(void **state)
{
    (void)state;
    static const char hostile[] = "=1+1\x1b[31m,\"\n\xff";
    struct page_of page;
    struct value value = {
        .reading = 2, .state = VALUE_GOOD, .bytes = (const uint8_t *)hostile, .length = sizeof hostile - 1};
    struct reading_event event = {.kind = READING_VALUE, .value = &value, .message = &made_message};
    struct sink *sink = page_open(&page);
    view_reading(&made_view, sink, ROW_JSON, &event);
    assert_non_null(strstr(page_text(&page), "\"text\":\"=1+1\\u001b[31m,\\\"\\u000a\\ufffd\""));
    page_close(&page);
    sink = page_open(&page);
    view_reading(&made_view, sink, ROW_TEXT, &event);
    assert_non_null(strstr(page_text(&page), "text=\"=1+1\\x1b[31m,\\\"\\x0a\\xff\""));
    page_close(&page);
    sink = page_open(&page);
    readings_csv_reading(&made_view, sink, &event);
    assert_non_null(strstr(page_text(&page), ",\"'=1+1\\x1b[31m,\"\"\\x0a\\xff\","));
    page_close(&page);
}

/* A row's own room must not cut a long field or lose what stands before it. */
static void long_fields_pass_whole(void **state)
{
    (void)state;
    static uint8_t bytes[5000];
    memset(bytes, 0xa5, sizeof bytes);
    for (size_t length = 100; length <= sizeof bytes; length += 49) {
        struct page_of page;
        struct message message = made_message;
        message.bytes = bytes;
        message.length = message.received = (uint32_t)length;
        struct sink *sink = page_open(&page);
        view_message(&made_view, sink, ROW_CSV, &message);
        const char *text = page_text(&page), *at = strstr(text, ",a5a5");
        assert_non_null(at);
        assert_int_equal(strspn(at + 1, "a5"), 2 * length);
        assert_string_equal(at + 1 + 2 * length, ",complete,,\r\n");
        assert_true(strncmp(text, "2026-03-02T08:00:01.250000001Z,1.250000001,1,17,19,0x6c5,,", 58) == 0);
        page_close(&page);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_message_in_three_forms),
        cmocka_unit_test(a_frame_of_each_form),
        cmocka_unit_test(seeds_and_keys_are_shown_only_when_asked_for),
        cmocka_unit_test(columns_and_fields_are_as_many),
        cmocka_unit_test(an_exchange_shows_every_answer),
        cmocka_unit_test(a_field_across_two_frames_has_two_places),
        cmocka_unit_test(what_is_no_sample_says_so),
        cmocka_unit_test(hostile_text_is_escaped_for_its_place),
        cmocka_unit_test(long_fields_pass_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
