/*
 * What is read beside the trace: marks, the recorder's log, a manifest, a pcapng file. Each piece of memory, temporary
 * file, read, write and sum refused in turn (refused.h): the answer is the whole one, or there is an exit code and
 * something was said (D 2.6, 2.9, 5.3). Interrupted reads (EINTR) change nothing.
 */
#define _GNU_SOURCE /* memfd_create */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <cmocka.h>

#include "manifest.h"
#include "pcapng.h"
#include "recorder_lines.h"
#include "recorder_log.h"
#include "refused.h"
#include "trace_build.h"

static int file_of(const void *bytes, size_t length)
{
    int fd = memfd_create("test", 0);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, bytes, length), length);
    return fd;
}

/* What a subject came to: its exit code, its answer and what it said, in words. */
struct answer {
    int code;
    char *text, *said;
};

static struct {
    struct diagnostics diagnostics;
    FILE *text;
} now;

static struct answer ask(int (*subject)(void), uint64_t which, int error, uint64_t *made)
{
    struct answer answer;
    size_t length, said;
    FILE *told = open_memstream(&answer.said, &said);
    now.text = open_memstream(&answer.text, &length);
    assert_true(told && now.text);
    diagnostics_init(&now.diagnostics, told);
    spared = told;
    spared_too = now.text;
    refuse(which, error);
    answer.code = subject();
    *made = calls;
    refuse(0, 0);
    fclose(told);
    fclose(now.text);
    return answer;
}

static void forget(struct answer *answer)
{
    free(answer->text);
    free(answer->said);
}

/* least: calls that the subject makes at least, so that the walk is one. speaks: it says why it ends. */
static void walk(int (*subject)(void), uint64_t least, bool speaks)
{
    uint64_t count, made;
    struct answer whole = ask(subject, 0, 0, &count);
    assert_int_equal(whole.code, 0);
    if (count < least)
        fail_msg("%llu calls", (unsigned long long)count);
    for (uint64_t n = 1; n <= count; n++) {
        struct answer answer = ask(subject, n, EIO, &made);
        bool told = strlen(answer.said) > strlen(whole.said) || !speaks;
        if (answer.code ? !told : strcmp(answer.text, whole.text) != 0)
            fail_msg("call %llu of %llu: code %d, said \"%s\", answer:\n%s\nwanted:\n%s", (unsigned long long)n,
                     (unsigned long long)count, answer.code, answer.said, answer.text, whole.text);
        forget(&answer);
    }
    forget(&whole);
}

/* Reads alone are refused so: what else fails says why, and EINTR is as good a reason. */
static void walk_interrupted(int (*subject)(void), const char *reason)
{
    uint64_t count, made, went_on = 0;
    struct answer whole = ask(subject, 0, 0, &count);
    for (uint64_t n = 1; n <= count; n++) {
        struct answer answer = ask(subject, n, EINTR, &made);
        if (!answer.code) {
            assert_string_equal(answer.text, whole.text);
            went_on++;
        }
        assert_null(strstr(answer.said, reason));
        forget(&answer);
    }
    assert_true(went_on > 0);
    forget(&whole);
}

/* ---- marks ---- */

static char marks_path[64];

static int put_marks(const char *text)
{
    strcpy(marks_path, "/tmp/test_refused_XXXXXX");
    int fd = mkstemp(marks_path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    return close(fd);
}

static int read_marks(void)
{
    struct marks marks;
    int code = marks_load_from_job(&marks, marks_path, &now.diagnostics);
    for (uint32_t i = 0; !code && i < marks.count; i++)
        fprintf(now.text, "%lld %d %s\n", (long long)marks.list[i].time, (int)marks.list[i].kind, marks.list[i].text);
    if (!code)
        fprintf(now.text, "%s", marks.sha256);
    marks_free(&marks);
    return code;
}

static void marks_are_whole_or_refused(void **state)
{
    (void)state;
    assert_int_equal(put_marks(MARK_LINES), 0);
    walk(read_marks, 8, true);
    walk_interrupted(read_marks, "cannot be read");
    unlink(marks_path);
}

/* ---- the recorder's log ---- */

static const char *log_text;

static int read_log(void)
{
    struct recorder_log log;
    struct marks marks;
    uint64_t kept = refused;
    refused = 0; /* reading marks is another walk */
    assert_int_equal(marks_load_from_job(&marks, marks_path, &now.diagnostics), 0);
    int fd = file_of(log_text, strlen(log_text));
    refuse(kept, refused_with);
    int code = recorder_log_load(&log, fd, "recorder.jsonl", &marks, &now.diagnostics);
    if (!code) {
        struct recorder_event event;
        struct recorder_check check;
        fprintf(now.text, "%d lines %llu proven %llu checkpoints %llu losses %llu marks changed %d damage %s why %s\n",
                log.usable, (unsigned long long)log.lines, (unsigned long long)log.proven,
                (unsigned long long)log.checkpoints, (unsigned long long)log.losses, log.marks_changed, log.damage,
                log.why ? log.why : "none");
        for (uint32_t i = 0; i < log.definition_count; i++)
            fprintf(now.text, "definition %s %s\n", log.definitions[i].file, log.definitions[i].sha256);
        for (uint32_t i = 0; i < log.bus_count; i++) {
            fprintf(now.text, "bus %s\n", log.buses[i].name);
            while (recorder_log_event(&log, i, &event))
                fprintf(now.text, "event %d %llu %llu %llu\n", (int)event.what, (unsigned long long)event.after,
                        (unsigned long long)event.before, (unsigned long long)event.count);
            while (recorder_log_check(&log, i, &check))
                fprintf(now.text, "checkpoint %llu %llu %s\n", (unsigned long long)check.number,
                        (unsigned long long)check.frames, check.sha256);
        }
        for (uint32_t i = 0; i < marks.count; i++)
            fprintf(now.text, "covered %d\n", (int)marks.list[i].covered);
        for (uint32_t i = 0; i < log.span_count; i++)
            fprintf(now.text, "span %d %llu %llu\n", (int)log.spans[i].kind, (unsigned long long)log.spans[i].first,
                    (unsigned long long)log.spans[i].last);
    }
    if (!code && log.unread) { /* as the pipeline does */
        code = EXIT_WRITE_FAILED;
        diagnostics_say(&now.diagnostics, SEVERITY_ERROR, NULL, "unread");
    }
    uint64_t made = calls;
    refuse(0, 0);
    recorder_log_free(&log);
    marks_free(&marks);
    close(fd);
    calls = made;
    return code;
}

static void a_recorders_log_is_whole_or_refused(void **state)
{
    (void)state;
    assert_int_equal(put_marks(MARK_LINES), 0);
    log_text = LINE_1 LINE_2 LINE_3 LINE_4 LINE_5 LINE_6 LINE_7;
    walk(read_log, 25, true);
    walk_interrupted(read_log, "cannot be read");
    log_text = LINE_1 LINE_2 LINE_3 LINE_4; /* no closing line */
    walk(read_log, 15, true);
    unlink(marks_path);
}

/* ---- a manifest ---- */

#define SUM "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"

static int read_manifest(void)
{
    static const char text[] = SUM "  definitions/seat.yaml\n" SUM "  marks.jsonl\n" SUM "  trace-1.pcap\n";
    struct manifest manifest;
    struct manifest_mistake mistake;
    bool good = manifest_read(&manifest, text, sizeof text - 1, &mistake);
    for (uint32_t i = 0; good && i < manifest.count; i++)
        fprintf(now.text, "%s %s\n", manifest.list[i].name, manifest.list[i].sha256);
    if (!good) {
        assert_int_equal(mistake.fault, MANIFEST_NO_MEMORY);
        assert_true(strstr(mistake.text, "memory") != NULL);
    }
    manifest_free(&manifest);
    return !good;
}

static int make_manifest(void)
{
    struct folder_entry entries[] = {{"marks.jsonl", FOLDER_FILE}, {MANIFEST_NAME, FOLDER_FILE}, {"t.pcap", FOLDER_FILE}};
    struct folder_list files = {.list = entries, .count = 3};
    struct manifest manifest;
    bool good = manifest_of(&manifest, &files);
    for (uint32_t i = 0; good && i < manifest.count; i++)
        fprintf(now.text, "%s\n", manifest.list[i].name);
    manifest_free(&manifest);
    return !good;
}

static void a_manifest_is_whole_or_refused(void **state)
{
    (void)state;
    walk(read_manifest, 3, false);
    walk(make_manifest, 2, false);
}

/* ---- a pcapng file ---- */

static struct trace_build pcapng_bytes;

static void block(uint32_t type, const struct trace_build *body)
{
    uint32_t padding = (4 - body->length % 4) % 4, length = 12 + (uint32_t)body->length + padding;
    build_u32(&pcapng_bytes, type);
    build_u32(&pcapng_bytes, length);
    build_bytes(&pcapng_bytes, body->bytes, body->length);
    build_bytes(&pcapng_bytes, "\0\0\0", padding);
    build_u32(&pcapng_bytes, length);
}

/* A section, two interfaces of CAN frames and a packet of each (IETF opsawg pcapng draft). */
static void build_pcapng(void)
{
    struct trace_build section = {0};
    build_u32(&section, 0x1A2B3C4D);
    build_u16(&section, 1);
    build_u16(&section, 0);
    build_u32(&section, 0xFFFFFFFF);
    build_u32(&section, 0xFFFFFFFF);
    block(0x0A0D0D0A, &section);
    for (uint32_t i = 0; i < 2; i++) {
        struct trace_build interface = {0};
        build_u16(&interface, 227);
        build_u16(&interface, 0);
        build_u32(&interface, 262144);
        block(1, &interface);
        build_free(&interface);
    }
    for (uint32_t i = 0; i < 2; i++) {
        struct trace_build packet = {0};
        static const uint8_t frame[16] = {0, 0, 0x05, 0xE3, 8, 0, 0, 0, 0x03, 0x22, 0xFD, 0x10};
        build_u32(&packet, i);
        build_u32(&packet, 0);
        build_u32(&packet, 1000000 + i);
        build_u32(&packet, sizeof frame);
        build_u32(&packet, sizeof frame);
        build_bytes(&packet, frame, sizeof frame);
        block(6, &packet);
        build_free(&packet);
    }
    build_free(&section);
}

static int split_pcapng(void)
{
    struct pcapng split;
    uint64_t kept = refused;
    refused = 0;
    int fd = file_of(pcapng_bytes.bytes, pcapng_bytes.length);
    refuse(kept, refused_with);
    int code = pcapng_split(&split, fd, "test.pcapng", &now.diagnostics);
    uint64_t made = calls;
    refuse(0, 0);
    for (uint32_t i = 0; !code && i < split.count; i++) {
        uint8_t bytes[256];
        ssize_t got = pread(split.parts[i].fd, bytes, sizeof bytes, 0);
        fprintf(now.text, "part %u, %llu records:", split.parts[i].interface,
                (unsigned long long)split.parts[i].records);
        for (ssize_t j = 0; j < got; j++)
            fprintf(now.text, " %02x", bytes[j]);
    }
    if (code)
        assert_int_equal(split.count, 0);
    pcapng_close(&split);
    close(fd);
    calls = made;
    return code;
}

static void a_pcapng_file_is_split_whole_or_refused(void **state)
{
    (void)state;
    build_pcapng();
    walk(split_pcapng, 20, true);
    build_free(&pcapng_bytes);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_are_whole_or_refused),
        cmocka_unit_test(a_recorders_log_is_whole_or_refused),
        cmocka_unit_test(a_manifest_is_whole_or_refused),
        cmocka_unit_test(a_pcapng_file_is_split_whole_or_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
