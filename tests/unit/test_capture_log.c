/*
 * capture/log_lines.h and lines.h: the lines of recorder.jsonl, written out by hand, and their chain, held against
 * coreutils' sha256sum.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include <fcntl.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <unistd.h>

#include "capture/lines.h"
#include "capture/trace_format.h"

#define ROOM 65536

static struct log log_of;
static char text[ROOM];

static void begin(void)
{
    int fd = memfd_create("log", 0);
    assert_true(fd >= 0);
    assert_true(log_open(&log_of, fd));
}

/* What is in the file, as text. */
static const char *content(void)
{
    ssize_t got = pread(log_of.fd, text, ROOM - 1, 0);
    assert_true(got >= 0);
    text[got] = '\0';
    return text;
}

static void end(void)
{
    (void)close(log_of.fd);
    log_close(&log_of);
}

/* sha256sum of length bytes, as it prints it. */
static void sha256sum(const char *bytes, size_t length, char out[DIGEST_TEXT])
{
    char name[] = "/tmp/taretrace-line-XXXXXX", command[128];
    int fd = mkstemp(name);
    assert_int_equal(write(fd, bytes, length), (ssize_t)length);
    (void)close(fd);
    (void)snprintf(command, sizeof command, "sha256sum %s", name);
    FILE *pipe = popen(command, "r");
    assert_non_null(pipe);
    assert_int_equal(fread(out, 1, 64, pipe), 64);
    out[64] = '\0';
    (void)pclose(pipe);
    (void)unlink(name);
}

static const struct clocks now = {.time = INT64_C(1772438400000000001), .monotonic = INT64_C(1500000000),
                                  .boottime = INT64_C(2000000007), .synchronised = true, .error = 12000};

/* 1772438400 = 2026-03-02T08:00:00Z by date -u -d @1772438400. */
static void the_first_line(void **state)
{
    (void)state;
    const struct link_facts controller = {.name = "can0", .listen_only = true, .state = "error active",
                                          .bitrate = 500000, .sample_point = 875, .has_restart = true};
    const struct link_facts link = {.name = "vcan0", .is_virtual = true, .fd = true};
    const struct start_bus buses[] = {{&controller, "trace-can0.pcap", 8388608, 2238},
                                      {&link, "trace-vcan0.pcap", 212992, 0}};
    struct def_file file = {.name = "seat.yaml",
                            .sha256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"};
    const struct definitions definitions = {.files = &file, .file_count = 1};
    begin();
    assert_true(lines_start(&log_of, &now, true, false, buses, 2, &definitions));
    assert_string_equal(content(),
        "{\"line\":1,\"kind\":\"start\",\"format\":1,\"version\":\"0.2\",\"time\":\"2026-03-02T08:00:00.000000001Z\","
        "\"monotonic\":\"1.500000000\",\"boottime\":\"2.000000007\",\"synchronised\":true,"
        "\"clock_error\":\"0.000012000\","
        "\"stamp_uncertainty\":\"0.001000000\",\"filter\":true,\"acknowledging_accepted\":false,\"buses\":["
        "{\"bus\":\"can0\",\"file\":\"trace-can0.pcap\",\"link\":\"controller\",\"listen_only\":true,"
        "\"state\":\"error active\",\"bitrate\":500000,\"sample_point\":\"0.875\",\"fd\":false,\"restart_ms\":0,"
        "\"receive_buffer\":8388608,\"bears_stall\":\"2.238\"},"
        "{\"bus\":\"vcan0\",\"file\":\"trace-vcan0.pcap\",\"link\":\"virtual\",\"listen_only\":false,\"state\":null,"
        "\"bitrate\":null,\"sample_point\":null,\"fd\":true,\"restart_ms\":null,\"receive_buffer\":212992,"
        "\"bears_stall\":null}],\"definitions\":[{\"file\":\"definitions/seat.yaml\",\"sha256\":"
        "\"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad\"}],\"previous\":null}\n");
    end();
}

static void an_event_a_checkpoint_and_the_end(void **state)
{
    (void)state;
    const struct event event = {.what = RECORDER_SOCKET_LOSS, .bus = 0, .after = 7, .before = 8, .has_count = true,
                                .count = 1001, .time = now.time};
    struct event bare = {.what = RECORDER_MARKS_CHANGED, .bus = EVENT_NO_BUS, .time = now.time,
                         .detail = "say \"so\"\n"};
    const struct checkpoint_bus bus = {.name = "can0", .bytes = 24, .frames = 0, .sha256 = "ab", .socket_lost = 1,
                                       .controller_lost = 2, .listen_only = false, .listen_only_known = true,
                                       .sent = 0, .sent_known = true};
    const struct marks_follow marks = {.bytes = 5, .sha256 = "cd"};
    const struct clocks unsure = {.time = now.time, .error = -1};
    begin();
    assert_true(lines_event(&log_of, &event, "can0"));
    assert_true(lines_event(&log_of, &bare, NULL));
    assert_true(lines_checkpoint(&log_of, 3, &unsure, &bus, 1, &marks));
    assert_true(lines_end(&log_of, RECORDER_WHY_STOPPED, &now, &bus, 1, &marks));
    char expected[4][1024], sum[DIGEST_TEXT];
    (void)snprintf(expected[0], sizeof *expected,
                   "{\"line\":1,\"kind\":\"event\",\"time\":\"2026-03-02T08:00:00.000000001Z\",\"bus\":\"can0\","
                   "\"what\":\"frames lost in the socket\",\"after_frame\":7,\"before_frame\":8,\"count\":1001,"
                   "\"detail\":null,\"previous\":null}");
    sha256sum(expected[0], strlen(expected[0]), sum);
    (void)snprintf(expected[1], sizeof *expected,
                   "{\"line\":2,\"kind\":\"event\",\"time\":\"2026-03-02T08:00:00.000000001Z\",\"bus\":null,"
                   "\"what\":\"marks changed\",\"after_frame\":0,\"before_frame\":0,\"count\":null,"
                   "\"detail\":\"say \\\"so\\\"\\u000a\",\"previous\":\"%s\"}", sum);
    sha256sum(expected[1], strlen(expected[1]), sum);
    (void)snprintf(expected[2], sizeof *expected,
                   "{\"line\":3,\"kind\":\"checkpoint\",\"number\":3,\"time\":\"2026-03-02T08:00:00.000000001Z\","
                   "\"monotonic\":\"0.000000000\",\"boottime\":\"0.000000000\",\"synchronised\":false,"
                   "\"clock_error\":null,\"buses\":[{\"bus\":\"can0\",\"bytes\":24,\"frames\":0,\"sha256\":\"ab\","
                   "\"socket_lost\":1,\"controller_lost\":2,\"listen_only\":false,\"sent\":0}],"
                   "\"marks\":{\"bytes\":5,\"sha256\":\"cd\"},\"previous\":\"%s\"}", sum);
    sha256sum(expected[2], strlen(expected[2]), sum);
    (void)snprintf(expected[3], sizeof *expected,
                   "{\"line\":4,\"kind\":\"end\",\"why\":\"stopped\",\"time\":\"2026-03-02T08:00:00.000000001Z\","
                   "\"monotonic\":\"1.500000000\",\"boottime\":\"2.000000007\",\"buses\":[{\"bus\":\"can0\","
                   "\"bytes\":24,\"frames\":0,\"sha256\":\"ab\",\"socket_lost\":1,\"controller_lost\":2,"
                   "\"listen_only\":false,\"sent\":0}],\"marks\":{\"bytes\":5,\"sha256\":\"cd\"},\"previous\":\"%s\"}",
                   sum);
    char *line = (char *)(uintptr_t)content();
    for (int i = 0; i < 4; i++) {
        char *stop = strchr(line, '\n');
        assert_non_null(stop);
        *stop = '\0';
        assert_string_equal(line, expected[i]);
        line = stop + 1;
    }
    assert_string_equal(line, "");
    end();
}

/* A line that does not fit is taken back whole; the next one takes its number and its place in the chain. */
static void a_line_that_fails_leaves_nothing(void **state)
{
    (void)state;
    const struct event event = {.what = RECORDER_LINK_UP, .bus = 0, .after = 1, .before = 2, .time = now.time};
    struct rlimit before;
    begin();
    assert_true(lines_event(&log_of, &event, "can0"));
    size_t length = strlen(content());
    char first[ROOM];
    memcpy(first, text, length + 1);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    (void)signal(SIGXFSZ, SIG_IGN);
    const struct rlimit small = {length + 20, before.rlim_max};
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    assert_false(lines_event(&log_of, &event, "can0"));
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    assert_true(log_of.error != 0);
    assert_string_equal(content(), first);
    assert_true(lines_event(&log_of, &event, "can0"));
    const char *second = content() + length;
    char sum[DIGEST_TEXT], wanted[128];
    sha256sum(first, length - 1, sum);
    (void)snprintf(wanted, sizeof wanted, "\"previous\":\"%s\"}\n", sum);
    assert_non_null(strstr(second, wanted));
    assert_int_equal(strncmp(second, "{\"line\":2,", 10), 0);
    end();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_first_line),
        cmocka_unit_test(an_event_a_checkpoint_and_the_end),
        cmocka_unit_test(a_line_that_fails_leaves_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
