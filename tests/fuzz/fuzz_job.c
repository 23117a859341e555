/*
 * A whole job: marks, definitions (or the example's) and frames through every stage to the verdict and all outputs
 * (D 7, 9). Sections of the input are parted by a line "%%": marks.jsonl, a definition file (empty: examples/
 * seat-scale.yaml), frames. A frame is: who (1 byte), microseconds since the one before (3 bytes; FFFFFF: one second
 * back), length, data.
 *
 * Held: the page is sound HTML (html_check.h), the log and the verdict are JSON, the listing has no control bytes; the
 * fast path and the plain path give the same bytes; a job that is confirmed is no longer confirmed when the module says
 * nothing.
 */
#define _GNU_SOURCE
#include <jansson.h>
#include <string.h>

#include "../../capture/trace_format.h"
#include "../../decoder/outputs/readings_csv.h"
#include "../../decoder/outputs/report_html.h"
#include "../../decoder/outputs/verdict_text.h"
#include "../../decoder/support/text.h"
#include "../../definitions/loader.h"
#include "fuzz.h"
#include "html_check.h"

#define FRAMES_MAX 3000
#define START UINT64_C(1772438400) /* date -u -d 2026-03-02T08:00:00Z +%s */
enum page { PAGE_LOG, PAGE_READINGS, PAGE_VERDICT, PAGE_REPORT, PAGE_TEXT, PAGES };

static struct definitions example;

struct run {
    struct buffer memory[PAGES];
    struct sink sinks[PAGES];
    struct report *report;
    struct pipeline *pipeline;
    struct pipeline_result result;
    struct view view;
    struct diagnostics silent;
    int exit_code;
};

int LLVMFuzzerInitialize(int *argument_count, char ***arguments);

int LLVMFuzzerInitialize(int *argument_count, char ***arguments)
{
    const char *path = TT_SOURCE_DIR "/definitions/examples/seat-scale.yaml";
    struct diagnostics diagnostics;
    (void)argument_count;
    (void)arguments;
    diagnostics_init(&diagnostics, stderr);
    FUZZ_CHECK(definitions_load(&path, 1, &diagnostics, &example) == LOAD_OK);
    return 0;
}

/* ---- the trace ---- */

static struct buffer trace;

static void put32(uint32_t number)
{
    uint8_t bytes[4] = {(uint8_t)number, (uint8_t)(number >> 8), (uint8_t)(number >> 16), (uint8_t)(number >> 24)};
    FUZZ_CHECK(buffer_append(&trace, bytes, sizeof bytes));
}

/* silent: without what the module says. */
static void build_trace(struct bytes input, bool silent)
{
    static const uint32_t ids[] = {0x5E3, 0x6C5, 0x7DF, 0x3D0, 0x123};
    uint64_t time = START * 1000000;
    buffer_clear(&trace);
    put32(TRACE_MAGIC_NANO);
    put32(2 | 4 << 16);
    put32(0);
    put32(0);
    put32(262144);
    put32(TRACE_LINKTYPE_CAN);
    for (unsigned i = 0; i < FRAMES_MAX && input.left >= 5; i++) {
        uint8_t who = bytes_u8(&input), packet[TRACE_CAN_FD] = {0};
        uint32_t step = (uint32_t)fuzz_number(&input, 3);
        uint8_t length = bytes_u8(&input);
        bool fd = who & 0x40, error = who & 0x20;
        uint32_t most = fd ? 64 : 8, id = error ? TRACE_ID_ERROR | length : ids[(who & 0x0F) % 5];
        if (length > most)
            length = (uint8_t)most;
        const uint8_t *data = bytes_take(&input, length <= input.left ? length : input.left);
        uint32_t given = data ? (uint32_t)(input.at - data) : 0;
        time = step == 0xFFFFFF ? time - 1000000 : time + step;
        if (silent && (id == 0x6C5 || id == 0x3D0))
            continue;
        packet[0] = (uint8_t)(id >> 24);
        packet[1] = (uint8_t)(id >> 16);
        packet[2] = (uint8_t)(id >> 8);
        packet[3] = (uint8_t)id;
        packet[4] = length;
        packet[5] = fd ? TRACE_FLAG_FDF : 0;
        if (given)
            memcpy(packet + TRACE_CAN_HEADER, data, given);
        uint32_t size = fd ? TRACE_CAN_FD : TRACE_CAN_CLASSIC;
        put32((uint32_t)(time / 1000000));
        put32((uint32_t)(time % 1000000 * 1000));
        put32(size);
        put32(size);
        FUZZ_CHECK(buffer_append(&trace, packet, size));
    }
}

/* ---- a run ---- */

static void on_message(void *context, const struct message *message)
{
    struct run *run = context;
    log_message(&run->view, &run->sinks[PAGE_LOG], message);
    report_message(run->report, message);
}

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct run *run = context;
    log_exchange(&run->view, &run->sinks[PAGE_LOG], event, content);
    report_exchange(run->report, event, content);
}

static void on_reading(void *context, const struct reading_event *event)
{
    struct run *run = context;
    log_reading(&run->view, &run->sinks[PAGE_LOG], event);
    if (event->kind == READING_VALUE)
        readings_csv_reading(&run->view, &run->sinks[PAGE_READINGS], event);
    report_reading(run->report, event);
}

static void on_step(void *context, const struct step_event *event)
{
    struct run *run = context;
    log_step(&run->view, &run->sinks[PAGE_LOG], event);
    report_step(run->report, event);
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    struct run *run = context;
    log_fault(&run->view, &run->sinks[PAGE_LOG], stage, reason, frame);
    report_fault(run->report, stage, reason, frame);
}

static void on_event(void *context, const char *what, const struct frame *frame)
{
    struct run *run = context;
    log_event(&run->view, &run->sinks[PAGE_LOG], what, frame);
    report_event(run->report, what, frame);
}

static void on_displayed(void *context, const struct displayed *displayed)
{
    struct run *run = context;
    log_displayed(&run->view, &run->sinks[PAGE_LOG], displayed);
}

static void conclude(struct run *run, const struct definitions *definitions, const struct marks *marks)
{
    const struct pipeline_source *source = &run->result.sources[0];
    struct trace_facts facts = {.name = source->file, .sha256 = source->sha256, .bytes = source->bytes,
                                .frames = source->frames, .status = source->status,
                                .bus = pipeline_bus_name(run->pipeline, 0), .first_time = source->first_time,
                                .last_time = source->last_time};
    static char notes[1][RECORDER_NOTE_MAX] = {"nothing"};
    struct verdict_about about = {.verdict = run->result.verdict, .definitions = definitions, .marks = marks,
                                  .traces = &facts, .trace_count = 1, .displayed = run->result.displayed,
                                  .passive = "not proven", .limits_fixed = "unknown", .record_notes = notes,
                                  .record_note_count = 1, .stamp_uncertainty = TRANSPORT_STAMP_UNCERTAINTY,
                                  .first_time = run->result.first_time, .last_time = run->result.last_time};
    for (uint32_t i = 0; marks && i < marks->count; i++)
        if (marks->list[i].places != 1)
            log_unbound_mark(&run->view, &run->sinks[PAGE_LOG], &marks->list[i]);
    log_end(&run->sinks[PAGE_LOG], &facts, 1, about.passive, about.limits_fixed);
    verdict_json(&run->sinks[PAGE_VERDICT], &about);
    report_html(run->report, &run->sinks[PAGE_REPORT], &about);
    verdict_text(&run->sinks[PAGE_TEXT], &about, 80);
    run->exit_code = run->result.verdict->exit_code;
    FUZZ_CHECK(run->exit_code >= EXIT_CONFIRMED && run->exit_code <= EXIT_NOT_CONFIRMED);
}

static void begin(struct run *run, const struct definitions *definitions, const uint8_t *marks_bytes, size_t marks_size,
                  struct marks *marks, bool without_plain)
{
    memset(run, 0, sizeof *run);
    bool marked = marks_size > 0;
    diagnostics_init(&run->silent, NULL);
    fuzz_folder_arm();
    fuzz_folder_put("trace.pcap", trace.data, trace.length);
    fuzz_folder_put("marks.jsonl", marks_bytes, marks_size);
    if (marked)
        marked = marks_load(marks, "job/marks.jsonl", &run->silent) == 0;
    for (int i = 0; i < PAGES; i++) {
        buffer_init(&run->memory[i], 1u << 27);
        FUZZ_CHECK(sink_open_memory(&run->sinks[i], &run->memory[i]));
    }
    run->view = (struct view){.definitions = definitions, .pipeline = (const struct pipeline *const *)&run->pipeline,
                              .start = &run->result.first_time};
    run->report = report_open(&run->view);
    FUZZ_CHECK(run->report);
    readings_csv_begin(&run->sinks[PAGE_READINGS]);
    const struct pipeline_listener listener = {.context = run, .message = on_message, .exchange = on_exchange,
                                               .reading = on_reading, .step = on_step, .fault = on_fault,
                                               .event = on_event, .displayed = on_displayed};
    const struct pipeline_options options = {.trace = "job/trace.pcap", .definitions = definitions,
                                             .marks = marked ? marks : NULL, .hashing = true, .judging = true,
                                             .without_plain = without_plain, .listener = &listener,
                                             .diagnostics = &run->silent};
    FUZZ_CHECK(pipeline_run(&options, &run->pipeline, &run->result) == 0);
    fuzz_folder_disarm();
    FUZZ_CHECK(run->result.verdict && !run->result.mixed);
    conclude(run, definitions, marked ? marks : NULL);
    for (int i = 0; i < PAGES; i++)
        FUZZ_CHECK(sink_close(&run->sinks[i]) && buffer_append(&run->memory[i], "", 1));
    pipeline_free(run->pipeline);
    report_close(run->report);
    if (marked)
        marks_free(marks);
}

static void end(struct run *run)
{
    for (int i = 0; i < PAGES; i++)
        buffer_free(&run->memory[i]);
}

/* Each line, which is clean of control bytes; when json, an object. */
static void check_lines(const struct buffer *page, bool json)
{
    const char *at = (const char *)page->data;
    FUZZ_CHECK(strlen(at) == page->length - 1);
    while (*at) {
        const char *stop = strchr(at, '\n');
        FUZZ_CHECK(stop);
        size_t length = (size_t)(stop - at);
        FUZZ_CHECK(text_is_clean(at, length - (length > 0 && at[length - 1] == '\r')));
        if (json) {
            json_t *line = json_loadb(at, length, JSON_REJECT_DUPLICATES | JSON_ALLOW_NUL, NULL);
            FUZZ_CHECK(json_is_object(line));
            json_decref(line);
        }
        at = stop + 1;
    }
}

/* What stands before the next line "%%"; moves behind it. */
static struct bytes section(struct bytes *input)
{
    const uint8_t *mark = memmem(input->at, input->left, "\n%%\n", 4);
    struct bytes part = bytes_of(input->at, mark ? (size_t)(mark - input->at) : 0);
    if (mark)
        bytes_skip(input, (size_t)(mark - input->at) + 4);
    return part;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct run fast, plain;
    static struct marks marks;
    struct definitions own;
    struct bytes input = bytes_of(data, size), notes = section(&input), definition = section(&input);
    const struct definitions *definitions = &example;
    bool loaded = false;
    if (definition.left > 0) {
        const char *path = "job/own.yaml";
        struct diagnostics silent;
        diagnostics_init(&silent, NULL);
        fuzz_folder_arm();
        fuzz_folder_put("own.yaml", definition.at, definition.left);
        enum load_result result = definitions_load(&path, 1, &silent, &own);
        fuzz_folder_disarm();
        loaded = true;
        if (result != LOAD_OK) {
            definitions_free(&own);
            return 0;
        }
        definitions = &own;
    }
    buffer_init(&trace, 1u << 22);
    build_trace(input, false);
    begin(&fast, definitions, notes.at, notes.left, &marks, false);
    begin(&plain, definitions, notes.at, notes.left, &marks, true);
    for (int i = 0; i < PAGES; i++)
        FUZZ_CHECK(fast.memory[i].length == plain.memory[i].length &&
                   memcmp(fast.memory[i].data, plain.memory[i].data, fast.memory[i].length) == 0);
    check_lines(&fast.memory[PAGE_LOG], true);
    check_lines(&fast.memory[PAGE_READINGS], false);
    check_lines(&fast.memory[PAGE_TEXT], false);
    json_t *verdict = json_loads((const char *)fast.memory[PAGE_VERDICT].data, JSON_REJECT_DUPLICATES, NULL);
    FUZZ_CHECK(json_is_object(verdict));
    json_decref(verdict);
    html_check((const char *)fast.memory[PAGE_REPORT].data, fast.memory[PAGE_REPORT].length - 1);
    if (getenv("TT_FUZZ_SHOW"))
        (void)fprintf(stderr, "%s", (const char *)fast.memory[PAGE_TEXT].data);
    int code = fast.exit_code;
    end(&fast);
    end(&plain);
    if (code == EXIT_CONFIRMED && definitions == &example) {
        build_trace(input, true);
        begin(&fast, definitions, notes.at, notes.left, &marks, false);
        FUZZ_CHECK(fast.exit_code != EXIT_CONFIRMED);
        end(&fast);
    }
    buffer_free(&trace);
    if (loaded)
        definitions_free(&own);
    return 0;
}
