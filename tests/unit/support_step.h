/*
 * A job for tests of decoder/stages/step.h: the step stage driven directly with hand-made questions, answers, readings
 * and moments, and its verdict read off as letters. The scale counts in tenths of a kilogram; time is in ms. Include
 * cmocka.h before it.
 */
#ifndef TT_TEST_SUPPORT_STEP_H
#define TT_TEST_SUPPORT_STEP_H

#include <string.h>
#include <unistd.h>

#include "loader.h"
#include "step.h"
#include "support_message.h"

#define ASKED_MAX 80
#define MARKS 8
#define VIN_1 "31 48 47 42 48 34 31 4A 58 4D 4E 31 30 39 31 38 36"
#define VIN_2 "31 48 47 42 48 34 31 4A 58 4D 4E 31 30 39 31 38 37"

/* One record while it is told, then its verdict. */
struct job {
    struct definitions definitions;
    struct marks marks;
    struct mark mark_list[MARKS], *by_time[MARKS];
    struct step_stage *stage;
    struct exchange asked[ASKED_MAX];
    uint8_t request[ASKED_MAX][16];
    uint64_t frame, serial;
    int64_t now; /* ms */
    uint32_t marked; /* of the MARKS marks that the file holds; the others stand nowhere */
    const struct verdict *verdict;
};

static const char step_head[] = "taretrace: 1\n"
                           "module:\n"
                           "  name: scale\n"
                           "  services: iso14229\n"
                           "  address: {format: normal, request: 0x5E3, response: 0x6C5}\n"
                           "routines:\n"
                           "  0x0242:\n"
                           "    name: zero\n"
                           "    start: {answer: {info: {byte: 0}}}\n"
                           "    results: {answer: {state: {byte: 0, names: {0: done, 1: running, 2: not empty}}}}\n"
                           "  0x0243:\n"
                           "    name: lamp test\n"
                           "    results: {answer: {state: {byte: 0, names: {0: done, 1: bad}}}}\n"
                           "broadcasts:\n"
                           "  0x3D0: {name: seat, fields: {load: "
                           "{byte: 0, length: 2, type: signed, factor: 0.1, unit: kg}}}\n"
                           "  0x3D1: {name: lamp, fields: {off: {byte: 0, names: {0: dark, 1: lit}}}}\n"
                           "codes: {0x9A4254: calibration missing}\n";
#define ZERO "  - {step: Zero, opens attempt: yes, action: zero, outcome: {field: results.state, confirmed: [done], " \
             "waiting: [running]}}\n"
#define EMPTY "  - {step: Empty, reading: seat.load, steady: {for: 1 s, within: 0.2 kg}, between: [-1.4 kg, 1.4 kg]}\n"
#define WEIGHT "  - {step: Weight, reading: seat.load, mark: weight on, select: {above: 13 kg}, " \
               "steady: {for: 1 s, within: 0.2 kg}, between: [26.6 kg, 33.4 kg], guard: 0.1 kg, wait: 5 s}\n"
#define CLEARED "  - {step: Cleared, answered: ClearDiagnosticInformation}\n"
#define CODES "  - {step: Codes, codes: {none with: 0x09}}\n"

static inline void begin(struct job *job, const char *steps)
{
    char path[] = "/tmp/test_step_XXXXXX";
    const char *paths[] = {path};
    struct diagnostics loud;
    memset(job, 0, sizeof *job);
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    FILE *out = fdopen(fd, "w");
    assert_non_null(out);
    fprintf(out, "%s%s%s", step_head, strstr(steps, "procedure:") ? "" : "procedure:\n", steps);
    assert_int_equal(fclose(out), 0);
    diagnostics_init(&loud, stderr);
    assert_int_equal(definitions_load(paths, 1, &loud, &job->definitions), LOAD_OK);
    (void)unlink(path);
    for (uint32_t i = 0; i < MARKS; i++) {
        job->by_time[i] = &job->mark_list[i];
        job->mark_list[i] = (struct mark){
            .line = i + 1, .kind = MARK_NOTE, .name = "", .text = "", .value = "", .unit = "",
        };
    }
    job->marks = (struct marks){.list = job->mark_list, .by_time = job->by_time, .count = MARKS};
    job->stage = step_open(&job->definitions, &job->marks, 0, NULL, NULL);
    assert_non_null(job->stage);
}

static inline uint32_t index_of(const struct job *job, const char *reading)
{
    for (uint32_t i = 0; i < job->definitions.reading_count; i++)
        if (strcmp(job->definitions.readings[i].name, reading) == 0)
            return i;
    fail_msg("no reading '%s'", reading);
    return 0;
}

static inline struct message next_message(struct job *job, enum direction direction, const uint8_t *bytes,
                                          uint32_t length)
{
    job->frame++;
    return test_message(direction, 0, job->frame, job->frame, job->now, job->now, bytes, length);
}

static inline struct span span_of(const struct message *message)
{
    return (struct span){.first_frame = message->first_frame, .last_frame = message->last_frame,
                         .first_time = message->first_time, .last_time = message->last_time,
                         .first_elapsed = message->first_elapsed, .last_elapsed = message->last_elapsed};
}

/* A question; its number is for close() and answer(). The suppress bit is read off as the exchange stage does. */
static inline uint32_t ask(struct job *job, const char *hex)
{
    uint32_t number = (uint32_t)job->serial++;
    assert_true(number < ASKED_MAX);
    uint8_t *bytes = job->request[number];
    uint32_t length = test_hex(hex, bytes, sizeof job->request[number]);
    struct message message = next_message(job, DIRECTION_REQUEST, bytes, length);
    struct exchange *exchange = &job->asked[number];
    *exchange = (struct exchange){
        .serial = job->serial, .service = bytes[0],
        .suppress = exchange_has_sub_function(DIALECT_ISO14229, bytes[0]) &&
                    (bytes[1] & 0x80),
        .request = span_of(&message), .request_bytes = bytes, .request_kept = length, .request_length = length,
    };
    struct service_content content;
    service_read(&(struct exchange_event){.kind = EXCHANGE_EVENT_REQUEST, .exchange = exchange}, &content);
    step_push_request(job->stage, exchange, &content);
    return number;
}

static inline void push_closed(struct job *job, const struct exchange *exchange, const struct message *answer)
{
    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = exchange, .response = answer};
    struct service_content content;
    service_read(&event, &content);
    step_push_answer(job->stage, &event, &content);
    if (!answer || answer->bytes[0] != 0x71 || answer->bytes[1] != PART_RESULTS || answer->length < 5)
        return;
    uint32_t reading = index_of(job, answer->bytes[3] == 0x42 ? "zero.results.state" : "lamp test.results.state");
    struct value value = {
        .reading = reading, .has_number = true, .numerator = answer->bytes[4], .raw = answer->bytes[4],
        .name = definitions_state(&job->definitions.readings[reading], answer->bytes[4]),
    };
    step_push_reading(job->stage, &(struct reading_event){.kind = READING_VALUE, .value = &value, .message = answer,
                                                          .exchange = exchange});
}

static inline void answer(struct job *job, uint32_t number, const char *hex)
{
    uint8_t bytes[64];
    uint32_t length = test_hex(hex, bytes, sizeof bytes);
    struct message message = next_message(job, DIRECTION_RESPONSE, bytes, length);
    struct exchange *exchange = &job->asked[number];
    exchange->has_response = true;
    exchange->nrc = bytes[0] == 0x7F ? bytes[2] : 0;
    exchange->state = exchange->nrc ? EXCHANGE_REFUSED : EXCHANGE_ANSWERED;
    exchange->response = span_of(&message);
    push_closed(job, exchange, &message);
}

static inline void unanswered(struct job *job, uint32_t number, enum exchange_state state)
{
    job->asked[number].state = state;
    push_closed(job, &job->asked[number], NULL);
}

static inline void exchanged(struct job *job, const char *question, const char *hex)
{
    answer(job, ask(job, question), hex);
}

/* An answer whose question the record does not hold. */
static inline void unsolicited(struct job *job, const char *hex)
{
    uint32_t number = (uint32_t)job->serial++;
    assert_true(number < ASKED_MAX);
    uint8_t bytes[64];
    uint32_t length = test_hex(hex, bytes, sizeof bytes);
    struct message message = next_message(job, DIRECTION_RESPONSE, bytes, length);
    job->asked[number] = (struct exchange){
        .serial = job->serial, .service = bytes[0] == 0x7F ? bytes[1] : bytes[0] - 0x40, .state = EXCHANGE_UNSOLICITED,
        .nrc = bytes[0] == 0x7F ? bytes[2] : 0, .has_response = true, .response = span_of(&message),
    };
    push_closed(job, &job->asked[number], &message);
}

static inline void sample(struct job *job, const char *name, int64_t value, int64_t after)
{
    uint8_t bytes[2] = {(uint8_t)((uint16_t)value >> 8), (uint8_t)value};
    uint32_t reading = index_of(job, name);
    job->now += after;
    struct message message = next_message(job, DIRECTION_RESPONSE, bytes, sizeof bytes);
    struct value one = {.reading = reading, .has_number = true, .numerator = value, .raw = (uint64_t)value,
                        .name = definitions_state(&job->definitions.readings[reading], (uint64_t)value)};
    step_push_reading(job->stage, &(struct reading_event){.kind = READING_VALUE, .value = &one, .message = &message,
                                                          .broadcast = true});
}

/* count loads of this value, one each 500 ms: three of them are a stretch of one second. */
static inline void loads(struct job *job, int64_t value, unsigned count)
{
    for (unsigned i = 0; i < count; i++)
        sample(job, "seat.load", value, 500);
}

static inline struct mark *mark(struct job *job, enum mark_kind kind, const char *name, const char *value)
{
    assert_true(job->marked < MARKS);
    struct mark *one = &job->mark_list[job->marked++];
    one->kind = kind;
    one->time = job->now * TT_MS;
    one->name = name;
    one->value = value;
    one->places = 1;
    struct frame following = {.number = job->frame + 1, .time = job->now * TT_MS, .elapsed = job->now * TT_MS};
    step_push_mark(job->stage, one, &following);
    return one;
}

static inline void zeroed(struct job *job)
{
    exchanged(job, "31 01 02 42", "71 01 02 42 00");
    exchanged(job, "31 03 02 42", "71 03 02 42 00");
}

static inline void conclude(struct job *job)
{
    struct frame last = {.number = job->frame, .time = job->now * TT_MS, .elapsed = job->now * TT_MS};
    job->verdict = step_finish(job->stage, &last);
    assert_non_null(job->verdict);
}

static inline void end(struct job *job)
{
    step_close(job->stage);
    definitions_free(&job->definitions);
}

/* The last attempt of a part, by its letters: + confirmed, - contradicted, ? not confirmed. */
static inline void is(const struct job *job, uint32_t part, uint64_t attempts, const char *letters)
{
    const struct attempt_result *attempt = NULL;
    char got[DEF_STEPS_MAX + 1] = "";
    for (uint32_t i = 0; i < job->verdict->attempts_kept; i++)
        if (job->verdict->attempts[i]->part == part && job->verdict->attempts[i]->last)
            attempt = job->verdict->attempts[i];
    assert_non_null(attempt);
    for (uint32_t i = 0; i < job->definitions.step_count; i++)
        got[i] = "+-?r"[attempt->steps[i].answer];
    assert_string_equal(got, letters);
    assert_int_equal(attempt->number, attempts);
}

/* The usual end of a test: one part, its last attempt's steps, exit code. */
static inline void ends(struct job *job, uint64_t attempts, const char *letters, int exit_code)
{
    conclude(job);
    assert_int_equal(job->verdict->part_count, 1);
    is(job, 1, attempts, letters);
    assert_int_equal(job->verdict->exit_code, exit_code);
    end(job);
}

#endif
