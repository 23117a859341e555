/* decoder/outputs/log_jsonl.c: every kind of line has its keys in the order of D 9.3, and nothing is left out. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

#include "log_jsonl.h"
#include "support_outputs.h"

static const struct frame made_frame = {.number = 7, .time = MADE_START + 500000000};

static void only_broken_messages_are_lines(void **state)
{
    (void)state;
    struct page_of page;
    struct message message = made_message;
    struct sink *sink = page_open(&page);
    log_message(&made_view, sink, &message);
    assert_string_equal(page_text(&page), "");
    message.state = MESSAGE_ABANDONED;
    message.reason = REASON_CUT;
    log_message(&made_view, sink, &message);
    assert_non_null(strstr(page_text(&page), "\"state\":\"abandoned\",\"reason\":\"cut\""));
    page_close(&page);
}

static void each_code_of_a_list_is_a_line(void **state)
{
    (void)state;
    struct page_of page;
    static const uint8_t list[] = {0x59, 0x02, 0xff, 0x9a, 0x42, 0x54, 0x08, 0x00, 0x01, 0x02, 0x2f, 0x77};
    struct message answer = made_message;
    struct exchange exchange = {.service = 0x19, .state = EXCHANGE_ANSWERED, .request_bytes = (uint8_t *)"\x19\x02\x09",
                                .request_kept = 3, .request_length = 3, .has_response = true,
                                .response = {.first_frame = 5, .last_frame = 6, .last_time = MADE_START}};
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange, .response = &answer};
    struct service_content content = {.kind = SERVICE_CODES, .count = 2, .entries_offset = 3};
    answer.bytes = list;
    answer.length = answer.received = sizeof list; /* with one byte too many, which is no code */
    struct sink *sink = page_open(&page);
    log_exchange(&made_view, sink, &event, &content);
    const char *text = strstr(page_text(&page), "{\"kind\":\"code\"");
    assert_non_null(text);
    /* 0x9A4254: the two top bits 10 are B, then 01 1010 0100 0010 is 1A42 (SAE J2012). */
    assert_string_equal(
        text, "{\"kind\":\"code\",\"time\":\"2026-03-02T08:00:00.000000000Z\",\"seconds\":0.000000000,\"bus\":\"1\","
              "\"first_frame\":5,\"last_frame\":6,\"module\":\"seat scale\",\"code\":\"B1A42-54\",\"raw\":\"9a4254\","
              "\"status\":\"0x08\",\"question\":\"190209\",\"text\":\"calibration missing\"}\n"
              "{\"kind\":\"code\",\"time\":\"2026-03-02T08:00:00.000000000Z\",\"seconds\":0.000000000,\"bus\":\"1\","
              "\"first_frame\":5,\"last_frame\":6,\"module\":\"seat scale\",\"code\":\"P0001-02\",\"raw\":\"000102\","
              "\"status\":\"0x2f\",\"question\":\"190209\",\"text\":null}\n");
    page_close(&page);
    sink = page_open(&page);
    content.count = 200; /* more than there are: reading stops at the end of the answer */
    log_exchange(&made_view, sink, &event, &content);
    content.malformed = "shorter than its table";
    log_exchange(&made_view, sink, &event, &content);
    unsigned lines = 0, codes = 0;
    for (const char *at = page_text(&page); (at = strchr(at, '\n')) != NULL; at++)
        lines++;
    for (const char *at = page_text(&page); (at = strstr(at, "\"kind\":\"code\"")) != NULL; at++)
        codes++;
    assert_int_equal(codes, 2);
    assert_int_equal(lines, 4);
    page_close(&page);
}

static void faults_events_and_leftovers(void **state)
{
    (void)state;
    struct page_of page;
    struct sink *sink = page_open(&page);
    log_fault(&made_view, sink, "transport", "single frame length", &made_frame);
    log_fault(&made_view, sink, "trace", "torn", NULL);
    log_event(&made_view, sink, "the clock went back", &made_frame);
    assert_string_equal(
        page_text(&page),
        "{\"kind\":\"fault\",\"time\":\"2026-03-02T08:00:00.500000000Z\",\"seconds\":0.500000000,\"bus\":\"1\",\"first_"
        "frame\":7,"
        "\"last_frame\":7,\"stage\":\"transport\",\"reason\":\"single frame "
        "length\",\"module\":null,\"identifier\":null,"
        "\"length\":null,\"needed\":null}\n"
        "{\"kind\":\"fault\",\"time\":null,\"seconds\":null,\"bus\":\"1\",\"first_frame\":null,\"last_frame\":null,"
        "\"stage\":\"trace\",\"reason\":\"torn\",\"module\":null,\"identifier\":null,\"length\":null,\"needed\":null}\n"
        "{\"kind\":\"event\",\"time\":\"2026-03-02T08:00:00.500000000Z\",\"seconds\":0.500000000,\"bus\":\"1\",\"first_"
        "frame\":7,"
        "\"last_frame\":7,\"what\":\"the clock went back\",\"count\":null,\"detail\":null,\"recorder\":false}\n");
    page_close(&page);
    sink = page_open(&page);
    struct reading_event event = {.kind = READING_FAULT, .message = &made_message, .has_key = true, .key = 0x3c40,
                                  .reason = "shorter than described", .length = 3, .needed = 8};
    log_reading(&made_view, sink, &event);
    assert_non_null(strstr(page_text(&page), "{\"kind\":\"fault\","));
    assert_non_null(strstr(page_text(&page),
                           "\"stage\":\"reading\",\"reason\":\"shorter than described\",\"module\":\"seat "
                           "scale\",\"identifier\":\"0x3c40\",\"length\":3,\"needed\":8}\n"));
    event.kind = READING_UNKNOWN;
    event.has_key = false;
    log_reading(&made_view, sink, &event);
    assert_non_null(strstr(page_text(&page), "{\"kind\":\"unknown\","));
    assert_non_null(strstr(page_text(&page), "\"identifier\":null,\"length\":3,\"needed\":null}\n"));
    page_close(&page);
}

static void what_the_steps_tell(void **state)
{
    (void)state;
    struct page_of page;
    const struct def_action action = {.name = "zero point"};
    const struct def_step step = {.name = "Empty seat", .reading = 0};
    const struct stretch stretch = {.lowest = -3, .highest = 1, .samples = 5, .first_time = MADE_START,
                                    .last_time = MADE_START + 2000000000};
    const struct mark mark = {.line = 3, .kind = MARK_MOMENT, .time = MADE_START + 1, .name = "weight on", .text = "",
                              .value = "", .unit = ""};
    struct sink *sink = page_open(&page);
    log_step(&made_view, sink,
             &(struct step_event){.kind = STEP_EVENT_ACTION,
                                  .part = 1,
                                  .attempt = 2,
                                  .first_frame = 4,
                                  .last_frame = 5,
                                  .time = MADE_START,
                                  .action = &action,
                                  .action_part = PART_RESULTS,
                                  .state = EXCHANGE_REFUSED,
                                  .nrc = 0x24});
    assert_non_null(strstr(page_text(&page),
                           "\"first_frame\":4,\"last_frame\":5,\"module\":\"seat scale\",\"name\":\"zero point\",\"action\":\"routine\","
                           "\"part\":\"results\",\"record_part\":1,\"attempt\":2,\"state\":\"refused\","
                           "\"nrc\":\"0x24\",\"nrc_name\":\"requestSequenceError\"}\n"));
    page_close(&page);
    sink = page_open(&page);
    log_step(&made_view, sink,
             &(struct step_event){.kind = STEP_EVENT_STRETCH,
                                  .part = 1,
                                  .attempt = 1,
                                  .first_frame = 9,
                                  .last_frame = 20,
                                  .time = MADE_START,
                                  .step = &step,
                                  .stretch = &stretch,
                                  .judged = true});
    assert_non_null(
        strstr(page_text(&page),
               "\"step\":\"Empty seat\",\"record_part\":1,\"attempt\":1,\"lowest\":-0.3,\"highest\":0.1,"
               "\"unit\":\"kg\",\"samples\":5,\"first_time\":\"2026-03-02T08:00:00.000000000Z\","
               "\"last_time\":\"2026-03-02T08:00:02.000000000Z\",\"state\":null,\"exact\":true,\"judged\":true}\n"));
    page_close(&page);
    sink = page_open(&page);
    log_unbound_mark(&made_view, sink, &mark);
    assert_string_equal(
        page_text(&page),
        "{\"kind\":\"mark\",\"time\":\"2026-03-02T08:00:00.000000001Z\",\"seconds\":0.000000001,\"bus\":\"1\","
        "\"first_frame\":null,\"last_frame\":null,\"line\":3,\"mark\":\"moment\",\"name\":\"weight on\","
        "\"text\":\"\",\"value\":\"\",\"unit\":\"\",\"record_part\":null,\"attempt\":null,\"step\":null,"
        "\"bound\":false,\"covered\":null,\"cover\":null}\n");
    page_close(&page);
}

/* ISO 14230-3 readDTCByStatus: number of codes, then two bytes and a status each. */
static void codes_of_the_other_dialect_have_two_bytes(void **state)
{
    (void)state;
    static const uint8_t list[] = {0x58, 0x01, 0x9a, 0x42, 0x60};
    struct page_of page;
    struct message answer = made_message;
    struct exchange exchange = {.service = 0x18, .dialect = DIALECT_ISO14230, .state = EXCHANGE_ANSWERED,
                                .request_bytes = (uint8_t *)"\x18\x00\xff\x00", .request_kept = 4, .request_length = 4,
                                .has_response = true, .response = {.last_time = MADE_START}};
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &exchange, .response = &answer};
    struct service_content content = {.kind = SERVICE_CODES_14230, .count = 1, .entries_offset = 2};
    answer.bytes = list;
    answer.length = answer.received = sizeof list;
    log_exchange(&made_view, page_open(&page), &event, &content);
    const char *text = strstr(page_text(&page), "{\"kind\":\"code\"");
    assert_non_null(text);
    assert_non_null(strstr(text, "\"code\":\"B1A42\",\"raw\":\"9a42\",\"status\":\"0x60\",\"question\":\"1800ff00\","));
    page_close(&page);
}

static void actions_are_named_by_their_kind(void **state)
{
    (void)state;
    static const struct {
        enum action_kind kind;
        enum action_part part;
        const char *text;
    } rows[] = {
        {ACTION_ROUTINE, PART_RESULTS, "\"action\":\"routine\",\"part\":\"results\""},
        {ACTION_ROUTINE_ADDRESS, PART_STOP, "\"action\":\"routine\",\"part\":\"stop\""},
        {ACTION_CONTROL, PART_START, "\"action\":\"control\",\"part\":\"set\""},
        {ACTION_CONTROL_LOCAL, PART_STOP, "\"action\":\"control\",\"part\":\"return\""},
        {ACTION_WRITE, PART_START, "\"action\":\"write\",\"part\":\"write\""},
        {ACTION_WRITE_LOCAL, PART_START, "\"action\":\"write\",\"part\":\"write\""},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct page_of page;
        const struct def_action action = {.name = "zero point", .kind = rows[i].kind};
        const struct step_event event = {.kind = STEP_EVENT_ACTION, .action = &action, .action_part = rows[i].part,
                                         .state = EXCHANGE_ANSWERED, .first_frame = 4, .last_frame = 5};
        log_step(&made_view, page_open(&page), &event);
        assert_non_null(strstr(page_text(&page), rows[i].text));
        page_close(&page);
    }
}

static void the_last_line_names_the_traces(void **state)
{
    (void)state;
    struct page_of page;
    const struct trace_facts facts = {.name = "trace-can0.pcap", .bus = "can0", .sha256 = "ab", .bytes = 376, .frames = 11, .status = TRACE_TORN};
    log_end(page_open(&page), &facts, 1, "until frame 7", "no");
    assert_string_equal(page_text(&page),
                        "{\"kind\":\"end\",\"passive\":\"until frame 7\",\"limits_fixed_before_recording\":\"no\",\"traces\":["
                        "{\"file\":\"trace-can0.pcap\",\"bus\":\"can0\",\"sha256\":\"ab\",\"bytes\":376,"
                        "\"frames\":11,\"ended\":\"torn\"}]}\n");
    page_close(&page);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(only_broken_messages_are_lines), cmocka_unit_test(each_code_of_a_list_is_a_line),
        cmocka_unit_test(faults_events_and_leftovers),    cmocka_unit_test(what_the_steps_tell),
        cmocka_unit_test(codes_of_the_other_dialect_have_two_bytes),
        cmocka_unit_test(actions_are_named_by_their_kind),
        cmocka_unit_test(the_last_line_names_the_traces),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
