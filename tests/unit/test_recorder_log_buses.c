/*
 * decoder/stages/recorder_log.c on a log of two buses, built line by line: each row changes one thing of a log that
 * proves "yes" and says what is left of it (D 2.1, 5). The chain is made with OpenSSL's SHA256(3), not with our digest.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>
#include <openssl/sha.h>

#include "recorder_log.h"

#define SUM "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855" /* of nothing: what it is does not matter */

static struct {
    char text[1 << 17];
    size_t length;
    unsigned lines;
    char previous[65];
} made;

static void sum_of_line(const char *line, size_t length)
{
    unsigned char sum[SHA256_DIGEST_LENGTH];
    (void)SHA256((const unsigned char *)line, length, sum);
    for (size_t i = 0; i < sizeof sum; i++)
        (void)snprintf(made.previous + 2 * i, 3, "%02x", sum[i]);
}

/* A line with the number and the sum that are due. */
static void add(const char *body)
{
    char *line = made.text + made.length;
    const char *quote = made.lines ? "\"" : "";
    int length = snprintf(line, sizeof made.text - made.length, "{\"line\":%u,%s,\"previous\":%s%s%s}", made.lines + 1,
                          body, quote, made.lines ? made.previous : "null", quote);
    assert_true(length > 0 && made.length + (size_t)length + 1 < sizeof made.text);
    sum_of_line(line, (size_t)length);
    made.length += (size_t)length;
    made.text[made.length++] = '\n';
    made.lines++;
}

static const char *definitions = ""; /* of the next first line */

static void begin(const char *filter, const char *acknowledging, const char *link, const char *listen_only)
{
    char body[1200];
    made.length = made.lines = 0;
    (void)snprintf(body, sizeof body,
                   "\"kind\":\"start\",\"format\":1,\"version\":\"0.1\",\"time\":\"2026-03-02T08:00:00.000000000Z\","
                   "\"monotonic\":\"100.000000000\",\"boottime\":\"100.000000000\",\"synchronised\":true,"
                   "\"clock_error\":null,\"stamp_uncertainty\":\"0.001000000\",\"filter\":%s,"
                   "\"acknowledging_accepted\":%s,\"buses\":["
                   "{\"bus\":\"can0\",\"file\":\"trace-can0.pcap\",\"link\":\"controller\",\"listen_only\":true,"
                   "\"state\":null,\"bitrate\":500000,\"fd\":false},"
                   "{\"bus\":\"can1\",\"file\":\"trace-can1.pcap\",\"link\":\"%s\",\"listen_only\":%s,"
                   "\"state\":null,\"bitrate\":500000,\"fd\":false}],\"definitions\":[%s]", filter, acknowledging, link,
                   listen_only, definitions);
    add(body);
}

/* What a checkpoint says of can1; can0 is always well. */
struct said {
    const char *bytes, *frames, *lost, *controller, *listen_only, *sent;
};

/* kind: `"checkpoint","number":1` or `"end","why":"stopped"`; frames: of can0, can1 has five fewer. */
static void state_of(const char *kind, unsigned second, unsigned frames, const char *synchronised, struct said can1)
{
    char body[1600], bytes[24], count[24];
    (void)snprintf(bytes, sizeof bytes, "%u", 24 + 32 * (frames - 5));
    (void)snprintf(count, sizeof count, "%u", frames - 5);
    (void)snprintf(body, sizeof body,
                   "\"kind\":%s,\"time\":\"2026-03-02T08:00:%02u.000000000Z\",\"monotonic\":\"%u.000000000\","
                   "\"boottime\":\"%u.000000000\",\"synchronised\":%s,\"clock_error\":null,\"buses\":["
                   "{\"bus\":\"can0\",\"bytes\":%u,\"frames\":%u,\"sha256\":\"" SUM "\",\"socket_lost\":0,"
                   "\"controller_lost\":0,\"listen_only\":true,\"sent\":0},"
                   "{\"bus\":\"can1\",\"bytes\":%s,\"frames\":%s,\"sha256\":\"" SUM "\",\"socket_lost\":%s,"
                   "\"controller_lost\":%s,\"listen_only\":%s,\"sent\":%s}],\"marks\":{\"bytes\":0,\"sha256\":\"" SUM
                   "\"}", kind, second, 100 + second, 100 + second, synchronised, 24 + 32 * frames, frames,
                   can1.bytes ? can1.bytes : bytes, can1.frames ? can1.frames : count, can1.lost ? can1.lost : "0",
                   can1.controller ? can1.controller : "0", can1.listen_only ? can1.listen_only : "true",
                   can1.sent ? can1.sent : "0");
    add(body);
}

static void event(const char *bus, const char *what, unsigned after, unsigned before, const char *count)
{
    char body[400];
    (void)snprintf(body, sizeof body,
                   "\"kind\":\"event\",\"time\":\"2026-03-02T08:00:01.500000000Z\",\"bus\":\"%s\",\"what\":\"%s\","
                   "\"after_frame\":%u,\"before_frame\":%u,\"count\":%s,\"detail\":null", bus, what, after, before,
                   count);
    add(body);
}

static void load(struct recorder_log *log)
{
    char path[] = "/tmp/test_recorder_buses_XXXXXX";
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    (void)unlink(path);
    assert_int_equal(write(fd, made.text, made.length), made.length);
    assert_int_equal(recorder_log_load(log, fd, "recorder.jsonl", NULL, &silent), 0);
    assert_int_equal(close(fd), 0);
}

/* 30 frames of can0, 25 of can1, as the end says. */
static void assert_passive(struct recorder_log *log, const char *expected)
{
    char text[RECORDER_PASSIVE_MAX];
    recorder_log_trace_ended(log, 0, 30);
    recorder_log_trace_ended(log, 1, 25);
    recorder_log_passive(log, text);
    assert_string_equal(text, expected);
}

#define FIRST "\"checkpoint\",\"number\":1"
#define SECOND "\"checkpoint\",\"number\":2"
#define END "\"end\",\"why\":\"stopped\""

static void passive_is_what_every_bus_vouches_for(void **state)
{
    (void)state;
    static const struct {
        const char *filter, *acknowledging, *link, *listen_only;
        struct said first, second;
        const char *passive;
    } rows[] = {
        {"true", "false", "controller", "true", {0}, {0}, "yes"},
        {"false", "false", "controller", "true", {0}, {0}, "not proven"},
        {"true", "true", "controller", "true", {0}, {0}, "not proven"},
        {"true", "null", "controller", "true", {0}, {0}, "not proven"},
        {"true", "false", "virtual", "true", {0}, {0}, "not proven"},
        {"true", "false", "something", "true", {0}, {0}, "not proven"},
        {"true", "false", "controller", "false", {0}, {0}, "not proven"},
        {"true", "false", "controller", "null", {0}, {0}, "not proven"},
        {"true", "false", "controller", "true", {0}, {.sent = "1"}, "until frame 5 on can1"},
        {"true", "false", "controller", "true", {0}, {.sent = "null"}, "until frame 5 on can1"},
        {"true", "false", "controller", "true", {0}, {.listen_only = "false"}, "until frame 5 on can1"},
        {"true", "false", "controller", "true", {0}, {.listen_only = "null"}, "until frame 5 on can1"},
        /* until frame 0 is nothing at all */
        {"true", "false", "controller", "true", {.sent = "1"}, {0}, "not proven"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        begin(rows[i].filter, rows[i].acknowledging, rows[i].link, rows[i].listen_only);
        state_of(FIRST, 1, 10, "true", rows[i].first);
        state_of(SECOND, 2, 20, "true", rows[i].second);
        state_of(END, 3, 30, "true", (struct said){0});
        load(&log);
        assert_passive(&log, rows[i].passive);
        recorder_log_free(&log);
    }
}

static void events_end_it_where_they_lie(void **state)
{
    (void)state;
    static const struct {
        const char *what, *passive;
    } rows[] = {{"frames sent from this computer", "until frame 7 on can1"},
                {"the link transmitted", "until frame 7 on can1"},
                {"not listen-only", "until frame 7 on can1"},
                {"link down", "yes"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        begin("true", "false", "controller", "true");
        state_of(FIRST, 1, 10, "true", (struct said){0});
        event("can1", rows[i].what, 7, 9, "null");
        state_of(SECOND, 2, 20, "true", (struct said){0});
        state_of(END, 3, 30, "true", (struct said){0});
        load(&log);
        assert_passive(&log, rows[i].passive);
        recorder_log_free(&log);
    }
}

/* Without an end that counts, every bus is unwatched behind its last checkpoint. */
static void without_an_end_no_bus_is_watched_behind_its_checkpoint(void **state)
{
    (void)state;
    for (int damaged = 0; damaged < 2; damaged++) {
        struct recorder_log log;
        begin("true", "false", "controller", "true");
        state_of(FIRST, 1, 10, "true", (struct said){0});
        state_of(SECOND, 2, 20, "true", (struct said){0});
        if (damaged) { /* one digit of the sum is another: the end proves nothing */
            made.previous[63] = made.previous[63] == '0' ? '1' : '0';
            state_of(END, 3, 30, "true", (struct said){0});
        }
        load(&log);
        assert_int_equal(log.proven, 3);
        assert_passive(&log, "until frame 20 on can0 and frame 15 on can1");
        assert_int_equal(log.span_count, 2);
        assert_int_equal(log.spans[0].kind, RECORDER_SPAN_UNWATCHED);
        assert_int_equal(log.spans[0].bus, 0);
        assert_int_equal(log.spans[0].first, 21);
        assert_int_equal(log.spans[1].bus, 1);
        assert_int_equal(log.spans[1].first, 16);
        assert_true(log.spans[0].last == UINT64_MAX && log.spans[1].last == UINT64_MAX);
        recorder_log_free(&log);
    }
}

static void lines_that_cannot_be_are_damage(void **state)
{
    (void)state;
    static const struct {
        struct said second;
        const char *event, *damage;
    } rows[] = {
        {{.sent = "-1"}, NULL, "line 3 has no number \"sent\""},
        {{.sent = "\"0\""}, NULL, "line 3 has no number \"sent\""},
        {{.lost = "null"}, NULL, "line 3 has no number \"socket_lost\""},
        {{.bytes = "183"}, NULL, "line 3 says that the trace became shorter"},
        {{.frames = "4"}, NULL, "line 3 says that the trace became shorter"},
        {{.listen_only = "1"}, NULL, "line 3 has no yes or no in \"listen_only\""},
        {{.sent = "0,\"sent\":0"}, NULL, "line 3 is no JSON object"},
        {{0}, "can2", "line 3 is about a bus that the first line does not know"},
        {{0}, "can1", "line 3 ends before it begins"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        begin("true", "false", "controller", "true");
        state_of(FIRST, 1, 10, "true", (struct said){0}); /* can1: 5 frames, 184 bytes */
        if (rows[i].event)
            event(rows[i].event, "link down", 7, 7, "null");
        state_of(SECOND, 2, 20, "true", rows[i].second);
        state_of(END, 3, 30, "true", (struct said){0});
        load(&log);
        assert_string_equal(log.damage, rows[i].damage);
        assert_int_equal(log.proven, 2);
        recorder_log_free(&log);
    }
}

/* A total that no event accounts for is a loss between its two checkpoints, and told once (D 7.6). */
static void a_total_without_its_event_is_a_loss(void **state)
{
    (void)state;
    static const struct {
        const char *first, *second, *end;   /* totals of can1 */
        unsigned events_first, events_second; /* "frames lost" counts before and behind the second checkpoint; 0: none */
        struct { unsigned after, before, count; } losses[3];
        unsigned count;
    } rows[] = {
        {"0", "1", "1", 0, 0, {{5, 16, 1}}, 1},
        {"0", "3", "3", 0, 0, {{5, 16, 3}}, 1},
        {"1", "3", "3", 0, 0, {{0, 6, 1}, {5, 16, 2}}, 2},
        {"0", "3", "3", 3, 0, {{7, 9, 3}}, 1},             /* its event came first */
        {"0", "3", "3", 0, 3, {{5, 16, 3}, {16, 18, 3}}, 2}, /* its event came afterwards: it is no other loss */
        {"0", "3", "5", 0, 3, {{5, 16, 3}, {16, 18, 3}, {16, 26, 2}}, 3},
        {"0", "5", "5", 3, 0, {{7, 9, 3}, {7, 16, 2}}, 2},
    };
    static const char *const what[] = {"frames lost in the socket", "frames lost in the controller"};
    for (size_t i = 0; i < 2 * sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        struct recorder_event got;
        size_t row = i / 2, which = i % 2;
        char count[12];
        begin("true", "false", "controller", "true");
        state_of(FIRST, 1, 10, "true",
                 which ? (struct said){.controller = rows[row].first} : (struct said){.lost = rows[row].first});
        (void)snprintf(count, sizeof count, "%u", rows[row].events_first);
        if (rows[row].events_first)
            event("can1", what[which], 7, 9, count);
        state_of(SECOND, 2, 20, "true",
                 which ? (struct said){.controller = rows[row].second} : (struct said){.lost = rows[row].second});
        (void)snprintf(count, sizeof count, "%u", rows[row].events_second);
        if (rows[row].events_second)
            event("can1", what[which], 16, 18, count);
        state_of(END, 3, 30, "true",
                 which ? (struct said){.controller = rows[row].end} : (struct said){.lost = rows[row].end});
        load(&log);
        assert_string_equal(log.damage, "");
        recorder_log_rewind(&log, 1);
        for (unsigned j = 0; j < rows[row].count; j++) {
            assert_true(recorder_log_event(&log, 1, &got));
            assert_int_equal(got.what, which ? NOTED_CONTROLLER_LOST : NOTED_SOCKET_LOST);
            assert_int_equal(got.after, rows[row].losses[j].after);
            assert_int_equal(got.before, rows[row].losses[j].before);
            assert_int_equal(got.count, rows[row].losses[j].count);
        }
        assert_false(recorder_log_event(&log, 1, &got));
        recorder_log_free(&log);
    }
}

/* "not listen-only" lasts until the same bus is listen-only again; a span that has ended stays as it is. */
static void a_span_ends_on_its_own_bus(void **state)
{
    (void)state;
    static const struct recorder_span expected[] = {
        {RECORDER_SPAN_ACTIVE, 1, 7, 11}, {RECORDER_SPAN_ACTIVE, 0, 8, UINT64_MAX}, {RECORDER_SPAN_ACTIVE, 1, 14, 16}};
    struct recorder_log log;
    begin("true", "false", "controller", "true");
    state_of(FIRST, 1, 10, "true", (struct said){0});
    event("can1", "not listen-only", 6, 8, "null");
    event("can0", "not listen-only", 7, 8, "null");
    event("can1", "listen-only again", 9, 12, "null");
    event("can1", "not listen-only", 13, 14, "null");
    event("can1", "listen-only again", 14, 17, "null");
    event("can1", "listen-only again", 18, 20, "null"); /* nothing is open any more */
    state_of(SECOND, 2, 20, "true", (struct said){0});
    state_of(END, 3, 30, "true", (struct said){0});
    load(&log);
    assert_int_equal(log.span_count, 3);
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(log.spans[i].bus, expected[i].bus);
        assert_int_equal(log.spans[i].first, expected[i].first);
        assert_true(log.spans[i].last == expected[i].last);
    }
    recorder_log_free(&log);
}

/* More spans than are kept become one that covers all of them, of every bus. */
static void too_many_spans_become_a_wider_one(void **state)
{
    (void)state;
    static struct recorder_log log;
    begin("true", "false", "controller", "true");
    state_of(FIRST, 1, 10, "true", (struct said){0});
    for (unsigned i = 0; i < RECORDER_SPANS_MAX; i++)
        event("can0", "the link transmitted", 100 + i, 101 + i, "1");
    event("can1", "the link transmitted", 3, 4, "1");
    load(&log);
    assert_int_equal(log.span_count, RECORDER_SPANS_MAX);
    assert_true(log.spans[RECORDER_SPANS_MAX - 1].bus == RECORDER_ALL);
    assert_int_equal(log.spans[RECORDER_SPANS_MAX - 1].first, 4);
    assert_true(log.spans[RECORDER_SPANS_MAX - 1].last == UINT64_MAX);
    recorder_log_free(&log);
}

/* Events are looked up as frames come: one that goes back is told where the newest one lies, and has a window. */
static void an_event_that_goes_back_is_not_passed_over(void **state)
{
    (void)state;
    struct recorder_log log;
    struct recorder_event got;
    begin("true", "false", "controller", "true");
    state_of(FIRST, 1, 10, "true", (struct said){0});
    event("can1", "bus-off", 10, 11, "null");
    event("can1", "restarted", 4, 6, "null");
    state_of(SECOND, 2, 20, "true", (struct said){0});
    state_of(END, 3, 30, "true", (struct said){0});
    load(&log);
    recorder_log_rewind(&log, 1);
    assert_true(recorder_log_event(&log, 1, &got));
    assert_true(recorder_log_event(&log, 1, &got));
    assert_int_equal(got.what, NOTED_RESTARTED);
    assert_int_equal(got.after, 10);
    assert_int_equal(got.before, 11);
    recorder_log_free(&log);
}

static void the_trace_is_held_against_it(void **state)
{
    (void)state;
    struct recorder_log log;
    const struct recorder_check at_10 = {.frames = 10};
    char text[RECORDER_PASSIVE_MAX], note[RECORDER_NOTE_MAX];
    begin("true", "false", "controller", "true");
    state_of(FIRST, 1, 10, "true", (struct said){0});
    state_of(SECOND, 2, 20, "false", (struct said){0});
    state_of(END, 3, 30, "true", (struct said){0});
    load(&log);
    assert_true(log.clock_loose); /* it was not synchronised at one of the checkpoints */
    assert_passive(&log, "yes");
    recorder_log_trace_ended(&log, 0, 31); /* one frame that nobody vouched for */
    recorder_log_passive(&log, text);
    assert_string_equal(text, "until frame 30 on can0");
    assert_true(recorder_log_note(&log, 0, note));
    assert_string_equal(note, "the trace of can0 has 1 frames behind the 30 that the recorder closed it with");
    recorder_log_agrees(&log, 0, &at_10);
    recorder_log_differs(&log, 0, &(struct recorder_check){.frames = 20});
    recorder_log_agrees(&log, 0, &(struct recorder_check){.frames = 30}); /* too late */
    recorder_log_passive(&log, text);
    assert_string_equal(text, "until frame 10 on can0");
    recorder_log_free(&log);
}

/* D 2.1: a checkpoint each second; over three without a word and some were taken out. A word counts once. */
static void silence_is_told(void **state)
{
    (void)state;
    static const struct {
        unsigned second, end;
        bool told;
        const char *damage;
    } rows[] = {{4, 5, false, ""}, /* three seconds are not over three */
                {5, 6, false, "line 3 comes 4 s after the checkpoint before it, and nothing says why"},
                {5, 6, true, ""},
                {5, 9, true, "line 5 comes 4 s after the checkpoint before it, and nothing says why"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        begin("true", "false", "controller", "true");
        state_of(FIRST, 1, 10, "true", (struct said){0});
        if (rows[i].told)
            event("can1", "checkpoint late", 5, 6, "null");
        state_of(SECOND, rows[i].second, 20, "true", (struct said){0});
        state_of(END, rows[i].end, 30, "true", (struct said){0});
        load(&log);
        assert_string_equal(log.damage, rows[i].damage);
        recorder_log_free(&log);
    }
}

/* D 2.1: the first bus of a line that is damaged at its second one is not vouched for by that line either. */
static void a_damaged_line_vouches_for_no_bus(void **state)
{
    (void)state;
    static const struct said damaged[] = {{.sent = "-1"}, {.listen_only = "1"}, {.bytes = "\"many\""}, {.frames = "1"}};
    for (size_t i = 0; i < sizeof damaged / sizeof *damaged; i++) {
        struct recorder_log log;
        struct recorder_check check;
        begin("true", "false", "controller", "true");
        state_of(FIRST, 1, 10, "true", (struct said){0});
        state_of(SECOND, 2, 20, "true", damaged[i]);
        state_of(END, 3, 30, "true", (struct said){0});
        load(&log);
        recorder_log_rewind(&log, 0);
        assert_true(recorder_log_check(&log, 0, &check));
        assert_int_equal(check.frames, 10);
        assert_false(recorder_log_check(&log, 0, &check));
        assert_passive(&log, "until frame 10 on can0 and frame 5 on can1");
        recorder_log_free(&log);
    }
}

/* D 11.2: a first line that names a file twice with two sums says of neither that it lay there. */
static void limits_named_with_two_sums_are_not_fixed(void **state)
{
    (void)state;
    static const char other[] = "5d2c13d6f9fa421125a9f55e56fd0e4df9319ef30087f8f4675cd6f05135f397";
    static const struct {
        const char *first, *second;
        bool fixed, other_fixed;
    } rows[] = {{SUM, SUM, true, false}, {SUM, other, false, false}, {other, SUM, false, false},
                {other, other, false, true}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        char both[300];
        (void)snprintf(both, sizeof both,
                       "{\"file\":\"definitions/seat.yaml\",\"sha256\":\"%s\"},"
                       "{\"file\":\"definitions/seat.yaml\",\"sha256\":\"%s\"}",
                       rows[i].first, rows[i].second);
        definitions = both;
        begin("true", "false", "controller", "true");
        definitions = "";
        load(&log);
        assert_string_equal(log.damage, "");
        assert_true(recorder_log_fixed(&log, "seat.yaml", SUM) == rows[i].fixed);
        assert_true(recorder_log_fixed(&log, "seat.yaml", other) == rows[i].other_fixed);
        recorder_log_free(&log);
    }
}

/* D 10.4, 2.1: totals only grow and the steady clock only goes on; what says otherwise contradicts a line before it. */
static void totals_and_the_steady_clock_never_go_back(void **state)
{
    (void)state;
    static const struct {
        struct said second, end;
        unsigned second_at;
        const char *damage;
    } rows[] = {
        {{.lost = "3"}, {.lost = "3"}, 2, ""},
        {{.lost = "3"}, {.lost = "2"}, 2, "line 4 counts fewer lost frames than a line before it"},
        {{.controller = "3"}, {.controller = "3"}, 2, ""},
        {{.controller = "3"}, {.controller = "2"}, 2, "line 4 counts fewer lost frames than a line before it"},
        {{0}, {0}, 1, ""},
        {{0}, {0}, 0, "line 3 has a steady clock that is unset or went back"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recorder_log log;
        begin("true", "false", "controller", "true");
        state_of(FIRST, 1, 10, "true", (struct said){0});
        state_of(SECOND, rows[i].second_at, 20, "true", rows[i].second);
        state_of(END, 3, 30, "true", rows[i].end);
        load(&log);
        assert_string_equal(log.damage, rows[i].damage);
        recorder_log_free(&log);
    }
    static const char unset[] = "\"monotonic\":null           ,"; /* as long as what it stands for */
    struct recorder_log log;
    begin("true", "false", "controller", "true");
    state_of(FIRST, 1, 10, "true", (struct said){0});
    char *at = strstr(made.text, "\"monotonic\":\"101.000000000\",");
    assert_non_null(at);
    memcpy(at, unset, sizeof unset - 1);
    load(&log);
    assert_string_equal(log.damage, "line 2 has a steady clock that is unset or went back");
    recorder_log_free(&log);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(passive_is_what_every_bus_vouches_for),
        cmocka_unit_test(events_end_it_where_they_lie),
        cmocka_unit_test(without_an_end_no_bus_is_watched_behind_its_checkpoint),
        cmocka_unit_test(lines_that_cannot_be_are_damage),
        cmocka_unit_test(a_total_without_its_event_is_a_loss),
        cmocka_unit_test(a_span_ends_on_its_own_bus),
        cmocka_unit_test(too_many_spans_become_a_wider_one),
        cmocka_unit_test(an_event_that_goes_back_is_not_passed_over),
        cmocka_unit_test(the_trace_is_held_against_it),
        cmocka_unit_test(silence_is_told),
        cmocka_unit_test(a_damaged_line_vouches_for_no_bus),
        cmocka_unit_test(limits_named_with_two_sums_are_not_fixed),
        cmocka_unit_test(totals_and_the_steady_clock_never_go_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
