/* decoder/pipeline.c: the order in which one frame passes the stages, pairs, marks, and how a run ends. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#include "loader.h"
#include "pipeline.h"
#include "trace_build.h"

#define BEGIN 1772438400u /* date -u -d 2026-03-02T08:00:00Z +%s */

/* What the callbacks told, one word each. */
static char told[4000];
static struct pipeline *pipeline;
static uint64_t stop_after;

static void tell(const char *format, ...)
{
    size_t used = strlen(told);
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(told + used, sizeof told - used, format, arguments);
    va_end(arguments);
}

static void on_frame(void *context, const struct frame *frame)
{
    (void)context;
    if (frame->number == stop_after)
        pipeline_stop(pipeline);
    if (!stop_after)
        tell("frame%llu ", (unsigned long long)frame->number);
}

static void on_message(void *context, const struct message *message)
{
    (void)context;
    tell("%s%u ", message->state == MESSAGE_COMPLETE ? "message" : "abandoned", message->received);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    (void)context;
    tell("exchange:%s:%s ", pipeline_module_name(pipeline, event->exchange->module),
         exchange_state_text(event->exchange->state));
    (void)content;
}

static void on_reading(void *context, const struct reading_event *event)
{
    const struct definitions *definitions = context;
    if (event->kind == READING_VALUE)
        tell("reading:%s ", definitions->readings[event->value->reading].name);
}

static void on_step(void *context, const struct step_event *event)
{
    (void)context;
    if (event->kind == STEP_EVENT_MARK)
        tell("mark%u:%s ", event->mark->line, event->bound ? "bound" : "free");
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    (void)context;
    (void)reason;
    tell("fault:%s@%llu ", stage, frame ? (unsigned long long)frame->number : 0);
}

static void on_event(void *context, const char *what, const struct frame *frame)
{
    (void)context;
    tell("event:%s@%llu ", what, (unsigned long long)frame->number);
}

static const char text_of_definitions[] = "taretrace: 1\n"
                                          "module:\n"
                                          "  name: scale\n"
                                          "  services: iso14229\n"
                                          "  address: {format: normal, request: 0x5E3, response: 0x6C5}\n"
                                          "identifiers:\n"
                                          "  0x1000: {name: load, fields: {total: {byte: 0}}}\n"
                                          "broadcasts:\n"
                                          "  0x3D0: {name: lamp, fields: {state: {byte: 0, names: {1: lit}}}}\n"
                                          "procedure:\n"
                                          "  - {step: Asked, answered: ReadDataByIdentifier}\n";

static void load(struct definitions *definitions)
{
    char path[64];
    const char *paths[] = {path};
    struct trace_build build = {0};
    struct diagnostics loud;
    diagnostics_init(&loud, stderr);
    build_bytes(&build, text_of_definitions, sizeof text_of_definitions - 1);
    build_file(&build, path);
    build_free(&build);
    assert_int_equal(definitions_load(paths, 1, &loud, definitions), LOAD_OK);
    (void)unlink(path);
}

/* Runs a trace; told holds what came. */
static int run(const struct trace_build *build, struct pipeline_options options, const struct definitions *definitions,
               struct pipeline_result *result)
{
    static struct diagnostics silent;
    const struct pipeline_listener listener = {.context = (void *)definitions, .frame = on_frame, .message = on_message,
                                               .exchange = on_exchange, .reading = on_reading, .step = on_step,
                                               .fault = on_fault, .event = on_event};
    char path[64];
    told[0] = '\0';
    diagnostics_init(&silent, NULL);
    build_file(build, path);
    if (!options.trace)
        options.trace = path;
    options.definitions = definitions;
    options.listener = &listener;
    options.diagnostics = &silent;
    int code = pipeline_run(&options, &pipeline, result);
    (void)unlink(path);
    return code;
}

/* A frame of eight bytes whose first ones are `there` bytes of text; the rest is 0. */
static void build_padded(struct trace_build *build, uint32_t seconds, uint32_t fraction, uint32_t id_word, const char *text,
                         size_t there)
{
    uint8_t data[8] = {0};
    for (size_t i = 0; i < there && i < sizeof data; i++)
        data[i] = (uint8_t)text[i];
    build_can(build, seconds, fraction, id_word, data, sizeof data);
}

static void a_frame_passes_the_stages_in_order(void **state)
{
    (void)state;
    struct definitions definitions;
    struct pipeline_result result;
    struct trace_build build = {0};
    build_header(&build);
    build_can(&build, BEGIN, 0, 0x3D0, "\x01", 1);
    build_padded(&build, BEGIN, 1000, 0x5E3, "\x03\x22\x10\x00", sizeof "\x03\x22\x10\x00" - 1);
    build_padded(&build, BEGIN, 2000, 0x6C5, "\x04\x62\x10\x00\x41", sizeof "\x04\x62\x10\x00\x41" - 1);
    build_padded(&build, BEGIN, 1500, 0x20000004, "\x00\x01", sizeof "\x00\x01" - 1); /* receive overflow, and the clock goes back */
    build_padded(&build, BEGIN, 3000, 0x6C5, "\x21\x00", sizeof "\x21\x00" - 1);      /* a consecutive frame of nothing */
    build_padded(&build, BEGIN, 4000, 0x5E3, "\x02\x11\x01", sizeof "\x02\x11\x01" - 1);
    build_padded(&build, BEGIN, 5000, 0x6C5, "\x02\x51\x01", sizeof "\x02\x51\x01" - 1);
    build_padded(&build, BEGIN, 5500, 0x6C5, "\x02\x7f\x22", sizeof "\x02\x7f\x22" - 1); /* a refusal without its reason */
    build_padded(&build, BEGIN, 6000, 0x5E3, "\x10\x10\x22\x10\x00\x10\x01\x10", sizeof "\x10\x10\x22\x10\x00\x10\x01\x10" - 1);
    build_bytes(&build, "\x01\x02\x03", 3); /* torn */
    load(&definitions);
    assert_int_equal(run(&build, (struct pipeline_options){.judging = true, .hashing = true}, &definitions, &result),
                     0);
    assert_string_equal(
        told, "frame1 reading:lamp.state frame2 message3 frame3 message4 exchange:scale:answered reading:load.total "
              "event:the clock went back@4 frame4 event:frames were lost in the controller@4 frame5 fault:transport@5 "
              "frame6 message2 frame7 message2 exchange:scale:answered event:module reset@7 frame8 message2 "
              "fault:exchange@8 frame9 fault:trace@9 abandoned6 exchange:scale:cut ");
    assert_int_equal(result.status, TRACE_TORN);
    assert_int_equal(result.frames, 9);
    assert_int_equal(result.bytes, 24 + 9 * 32);
    assert_int_equal(result.fault_count, 3);
    assert_true(result.first_time == BEGIN * TT_SECOND);
    assert_true(result.last_time == BEGIN * TT_SECOND + 6000);
    assert_int_equal(strlen(result.sha256), 64);
    assert_non_null(result.verdict);
    pipeline_free(pipeline);
    definitions_free(&definitions);
    build_free(&build);
}

static void pairs_without_definitions(void **state)
{
    (void)state;
    struct pipeline_result result;
    struct trace_build build = {0};
    const struct transport_pair pairs[] = {{.request_id = 0x5E3, .response_id = 0x6C5, .functional_id = UINT32_MAX,
                                            .n_cr = TT_SECOND, .n_bs = TT_SECOND}};
    build_header(&build);
    build_padded(&build, BEGIN, 0, 0x5E3, "\x03\x22\x10\x00", sizeof "\x03\x22\x10\x00" - 1);
    build_padded(&build, BEGIN, 1000, 0x6C5, "\x04\x62\x10\x00\x41", sizeof "\x04\x62\x10\x00\x41" - 1);
    build_padded(&build, BEGIN, 2000, 0x7E3, "\x03\x22\x10\x00", sizeof "\x03\x22\x10\x00" - 1);
    build_padded(&build, BEGIN, 3000, 0x7EB, "\x03\x7f\x22\x31", sizeof "\x03\x7f\x22\x31" - 1);
    assert_int_equal(run(&build, (struct pipeline_options){.pairs = pairs, .pair_count = 1}, NULL, &result), 0);
    assert_string_equal(told, "frame1 message3 frame2 message4 exchange:0x5e3:0x6c5:answered frame3 frame4 ");
    assert_string_equal(result.sha256, "");
    pipeline_free(pipeline);
    /* With neither, the pairs of ISO 15765-4. */
    assert_int_equal(run(&build, (struct pipeline_options){0}, NULL, &result), 0);
    assert_string_equal(told, "frame1 frame2 frame3 message3 frame4 message3 exchange:0x7e3:0x7eb:refused ");
    pipeline_free(pipeline);
    const struct transport_pair twice[] = {pairs[0], pairs[0]};
    assert_int_equal(run(&build, (struct pipeline_options){.pairs = twice, .pair_count = 2}, NULL, &result),
                     EXIT_USAGE);
    pipeline_free(pipeline);
    build_free(&build);
}

static void marks_stand_before_the_frame_that_follows(void **state)
{
    (void)state;
    struct definitions definitions;
    struct pipeline_result result;
    struct trace_build build = {0};
    struct mark list[] = {{.line = 1,
                           .kind = MARK_NOTE,
                           .time = BEGIN * TT_SECOND + 1000,
                           .name = "",
                           .text = "",
                           .value = "",
                           .unit = ""},
                          {.line = 2,
                           .kind = MARK_NOTE,
                           .time = BEGIN * TT_SECOND + 4500,
                           .name = "",
                           .text = "",
                           .value = "",
                           .unit = ""},
                          {.line = 3,
                           .kind = MARK_NOTE,
                           .time = BEGIN * TT_SECOND + 9000,
                           .name = "",
                           .text = "",
                           .value = "",
                           .unit = ""}};
    struct mark *by_time[] = {&list[0], &list[1], &list[2]};
    struct marks marks = {.list = list, .by_time = by_time, .count = 3};
    build_header(&build);
    build_can(&build, BEGIN, 0, 0x100, "", 0);
    build_can(&build, BEGIN, 1000, 0x100, "", 0);
    build_can(&build, BEGIN, 5000, 0x100, "", 0);
    build_can(&build, BEGIN, 4000, 0x100, "", 0);
    build_can(&build, BEGIN, 6000, 0x100, "", 0);
    load(&definitions);
    assert_int_equal(run(&build, (struct pipeline_options){.judging = true, .marks = &marks}, &definitions, &result),
                     0);
    assert_non_null(strstr(told, "frame1 "));
    assert_non_null(strstr(told, "mark1:bound "));
    assert_null(strstr(told, "mark2:bound ")); /* passed at frame 3 and again at frame 5 */
    assert_non_null(strstr(told, "mark3:bound ")); /* behind the last frame */
    assert_int_equal(list[1].places, 2);
    assert_true(list[2].outside);
    pipeline_free(pipeline);
    /* A trace that can be read once only. */
    assert_int_equal(
        run(&build, (struct pipeline_options){.trace = "-", .judging = true, .marks = &marks}, &definitions, &result),
        EXIT_USAGE);
    pipeline_free(pipeline);
    definitions_free(&definitions);
    build_free(&build);
}

static void bad_traces_have_their_codes(void **state)
{
    (void)state;
    struct pipeline_result result;
    struct trace_build build = {0};
    assert_int_equal(run(&build, (struct pipeline_options){0}, NULL, &result), EXIT_BAD_INPUT); /* empty */
    pipeline_free(pipeline);
    assert_int_equal(run(&build, (struct pipeline_options){.trace = "/nonexistent"}, NULL, &result), EXIT_CANNOT_OPEN);
    pipeline_free(pipeline);
    build_header(&build);
    assert_int_equal(run(&build, (struct pipeline_options){0}, NULL, &result), 0); /* no frames */
    assert_int_equal(result.frames, 0);
    pipeline_free(pipeline);
    build_record(&build, BEGIN, 0, 0xFFFFFFFF, 16, "", 0); /* nothing but a length that cannot be */
    build_bytes(&build, "0123456789abcdef", 16);
    assert_int_equal(run(&build, (struct pipeline_options){0}, NULL, &result), EXIT_BAD_INPUT);
    pipeline_free(pipeline);
    build_free(&build);
}

static void a_run_can_be_stopped(void **state)
{
    (void)state;
    struct pipeline_result result;
    struct trace_build build = {0};
    build_header(&build);
    for (uint32_t i = 0; i < 20000; i++)
        build_can(&build, BEGIN, i, 0x100, "", 0);
    stop_after = 5000;
    assert_int_equal(run(&build, (struct pipeline_options){0}, NULL, &result), 0);
    stop_after = 0;
    assert_true(result.interrupted);
    assert_int_equal(result.frames, 8192); /* looked at each 4,096 records */
    pipeline_free(pipeline);
    build_free(&build);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frame_passes_the_stages_in_order),
        cmocka_unit_test(pairs_without_definitions),
        cmocka_unit_test(marks_stand_before_the_frame_that_follows),
        cmocka_unit_test(bad_traces_have_their_codes),
        cmocka_unit_test(a_run_can_be_stopped),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
