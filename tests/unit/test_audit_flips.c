/*
 * A small sealed job in which every single bit is flipped, one at a time, in one process: audit never passes it (the
 * model is systemd's journal test). Then the same by somebody who can sign: another key, and the right one. Under
 * sanitizers, which are slow, every seventh bit.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

#include "audit.h"
#include "audit_log.h"
#include "folder_change.h"
#include "seal.h"

#if defined(__SANITIZE_ADDRESS__)
#define STEP 7u
#else
#define STEP 1u
#endif
#define SECOND_FRAMES 3u /* questions a second */
#define ASKED 9u
#define FILE_MAX 262144u

static char root[64], job[128];
static int job_fd = -1;
static struct diagnostics silent;
static struct signature_key signer, public_key, attacker;

static const char definitions[] = "taretrace: 1\n"
                                  "module:\n"
                                  "  name: seat scale\n"
                                  "  services: iso14229\n"
                                  "  address: {format: normal, request: 0x5E3, response: 0x6C5}\n"
                                  "identifiers:\n"
                                  "  0x3C40:\n"
                                  "    name: seat load\n"
                                  "    length: 1\n"
                                  "    fields:\n"
                                  "      total: {byte: 0, factor: 0.1, unit: kg}\n"
                                  "conditions:\n"
                                  "  - {condition: Level ground}\n"
                                  "procedure:\n"
                                  "  - step: Reads near zero\n"
                                  "    reading: seat load.total\n"
                                  "    steady: {for: 1 s, within: 0.2 kg}\n"
                                  "    between: [0 kg, 1.4 kg]\n";
static const char marks[] = "{\"time\":\"2026-03-02T08:00:00.500000000Z\",\"kind\":\"condition\",\"name\":\"Level "
                            "ground\",\"value\":\"yes\"}\n";

/* ---- making the job ---- */

static void put(const char *name, const void *bytes, size_t length)
{
    int file = openat(job_fd, name, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    assert_true(file >= 0);
    assert_int_equal(write(file, bytes, length), (ssize_t)length);
    assert_int_equal(close(file), 0);
}

static size_t get(const char *name, uint8_t room[FILE_MAX])
{
    size_t length;
    assert_true(folder_read(job_fd, name, room, FILE_MAX, &length));
    return length;
}

static void put_word(uint8_t *at, uint32_t word)
{
    for (int i = 0; i < 4; i++)
        at[i] = (uint8_t)(word >> 8 * i);
}

/* 2026-03-02T08:00:00Z. */
#define BEGIN 1772438400u

static size_t make_frame(uint8_t *at, uint32_t milliseconds, uint32_t id, const uint8_t *data, uint8_t length)
{
    memset(at, 0, 32);
    put_word(at, BEGIN + milliseconds / 1000);
    put_word(at + 4, milliseconds % 1000 * 1000000u);
    put_word(at + 8, 16);
    put_word(at + 12, 16);
    at[18] = (uint8_t)(id >> 8);
    at[19] = (uint8_t)id;
    at[20] = length;
    memcpy(at + 24, data, length);
    return 32;
}

/* Question and answer, three a second: 0.4 kg each time. */
static size_t make_trace(uint8_t room[FILE_MAX])
{
    static const uint8_t question[8] = {0x03, 0x22, 0x3C, 0x40}, answer[8] = {0x04, 0x62, 0x3C, 0x40, 4};
    size_t used = 24;
    memset(room, 0, 24);
    put_word(room, 0xA1B23C4Du);
    room[4] = 2;
    room[6] = 4;
    put_word(room + 16, 262144);
    put_word(room + 20, 227);
    for (uint32_t i = 0; i < ASKED; i++) {
        used += make_frame(room + used, 1000 + i * (1000 / SECOND_FRAMES), 0x5E3, question, 8);
        used += make_frame(room + used, 1010 + i * (1000 / SECOND_FRAMES), 0x6C5, answer, 8);
    }
    return used;
}

struct log {
    char text[FILE_MAX];
    size_t used;
    unsigned line;
    char previous[DIGEST_TEXT + 2];
};

/* Puts one line: its head and tail around what makes it up. */
static void log_line(struct log *log, const char *kind, const char *body)
{
    size_t from = log->used;
    log->line++;
    log->used += (size_t)snprintf(log->text + log->used, sizeof log->text - log->used,
                                  "{\"line\":%u,\"kind\":\"%s\",%s,\"previous\":%s}", log->line, kind, body,
                                  log->line == 1 ? "null" : log->previous);
    char sum[DIGEST_TEXT];
    assert_true(digest_of(log->text + from, log->used - from, sum));
    (void)snprintf(log->previous, sizeof log->previous, "\"%s\"", sum);
    log->text[log->used++] = '\n';
}

static void log_state(char *out, size_t room, const char *head, unsigned second, const uint8_t *trace, size_t frames)
{
    char sum[DIGEST_TEXT], noted[DIGEST_TEXT];
    size_t bytes = 24 + frames * 32;
    assert_true(digest_of(trace, bytes, sum));
    assert_true(digest_of(marks, strlen(marks), noted));
    (void)snprintf(
        out, room,
        "%s\"time\":\"2026-03-02T08:00:%02u.000000000Z\",\"monotonic\":\"%u.000000000\",\"boottime\":"
        "\"%u.000000000\",\"synchronised\":true,\"clock_error\":\"0.000012000\",\"buses\":[{\"bus\":\"can0\","
        "\"bytes\":%zu,\"frames\":%zu,\"sha256\":\"%s\",\"socket_lost\":0,\"controller_lost\":0,"
        "\"listen_only\":true,\"sent\":0}],\"marks\":{\"bytes\":%zu,\"sha256\":\"%s\"}",
        head, second, 100 + second, 100 + second, bytes, frames, sum, strlen(marks), noted);
}

static void make_log(struct log *log, const uint8_t *trace)
{
    char body[2000], head[64], sum[DIGEST_TEXT];
    memset(log, 0, sizeof *log);
    assert_true(digest_of(definitions, strlen(definitions), sum));
    (void)snprintf(
        body, sizeof body,
        "\"format\":1,\"version\":\"0.1\",\"time\":\"2026-03-02T08:00:00.000000000Z\",\"monotonic\":"
        "\"100.000000000\",\"boottime\":\"100.000000000\",\"synchronised\":true,\"clock_error\":\"0.000012000\","
        "\"stamp_uncertainty\":\"0.001000000\",\"filter\":true,\"acknowledging_accepted\":false,\"buses\":[{"
        "\"bus\":\"can0\",\"file\":\"trace-can0.pcap\",\"link\":\"controller\",\"listen_only\":true,\"state\":"
        "\"error active\",\"bitrate\":500000,\"sample_point\":\"0.875\",\"fd\":false,\"restart_ms\":0,"
        "\"receive_buffer\":425984,\"bears_stall\":\"2.200\"}],\"definitions\":[{\"file\":"
        "\"definitions/seat.yaml\",\"sha256\":\"%s\"}]",
        sum);
    log_line(log, "start", body);
    for (unsigned second = 1; second <= 5; second++) {
        size_t frames = second < 2 ? 0 : (second - 1) * SECOND_FRAMES * 2;
        (void)snprintf(head, sizeof head, "\"number\":%u,", second);
        log_state(body, sizeof body, head, second, trace, frames < ASKED * 2 ? frames : ASKED * 2);
        log_line(log, "checkpoint", body);
    }
    log_state(body, sizeof body, "\"why\":\"stopped\",", 6, trace, ASKED * 2);
    log_line(log, "end", body);
}

static enum audit_answer audit(const struct signature_key *key)
{
    static struct audit result;
    const struct audit_request request = {.path = job, .key = key, .diagnostics = &silent};
    assert_int_equal(audit_run(&request, &result), 0);
    if (getenv("TELL"))
        for (uint32_t i = 0; i < result.count; i++)
            print_message("%s: %s\n", audit_answer_text(result.findings[i].answer), result.findings[i].text);
    return result.answer;
}

static int set_up(void **state)
{
    (void)state;
    static uint8_t trace[FILE_MAX];
    static struct log log;
    static const uint8_t secrets[2][32] = {{1}, {2}};
    struct seal_result sealed;
    /* In memory where there is such a place: the disk is not what is tested. */
    (void)strcpy(root, access("/dev/shm", W_OK) == 0 ? "/dev/shm/test_audit_XXXXXX" : "/tmp/test_audit_XXXXXX");
    diagnostics_init(&silent, getenv("TELL") ? stderr : NULL);
    if (!mkdtemp(root))
        return -1;
    (void)setenv("TMPDIR", root, 1);
    (void)snprintf(job, sizeof job, "%s/job", root);
    assert_int_equal(mkdir(job, 0755), 0);
    job_fd = open(job, O_RDONLY | O_DIRECTORY);
    size_t length = make_trace(trace);
    make_log(&log, trace);
    put("trace-can0.pcap", trace, length);
    put("recorder.jsonl", log.text, log.used);
    put("marks.jsonl", marks, strlen(marks));
    assert_int_equal(mkdirat(job_fd, "definitions", 0755), 0);
    put("definitions/seat.yaml", definitions, strlen(definitions));
    assert_true(signature_private_raw(&signer, secrets[0]) && signature_private_raw(&attacker, secrets[1]));
    public_key = signer; /* a private key of OpenSSL can check too */
    assert_int_equal(seal_job(&(struct seal_request){.path = job, .key = &signer, .diagnostics = &silent}, &sealed), 0);
    assert_int_equal(sealed.verdict, 0); /* confirmed */
    (void)close(job_fd);
    job_fd = open(job, O_RDONLY | O_DIRECTORY); /* sealing put another folder in its place */
    assert_int_equal(audit(&public_key), AUDIT_PASSED);
    assert_int_equal(audit(&attacker), AUDIT_OTHER_KEY);
    assert_int_equal(audit(NULL), AUDIT_SIGNER_UNKNOWN);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    char command[128];
    assert_int_equal(audit(&public_key), AUDIT_PASSED); /* every flip was taken back */
    signature_key_free(&signer);
    signature_key_free(&attacker);
    (void)close(job_fd);
    (void)snprintf(command, sizeof command, "rm -rf %s", root);
    return system(command);
}

/* ---- flipping ---- */

struct flipping {
    const char *name;
    int file;
    uint8_t *bytes;
    size_t length;
};

static void begin(struct flipping *flipping, const char *name)
{
    flipping->name = name;
    flipping->bytes = malloc(FILE_MAX);
    assert_non_null(flipping->bytes);
    flipping->length = get(name, flipping->bytes);
    flipping->file = openat(job_fd, name, O_WRONLY);
    assert_true(flipping->length > 0 && flipping->file >= 0);
}

static void flip(struct flipping *flipping, size_t bit)
{
    flipping->bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    assert_int_equal(pwrite(flipping->file, flipping->bytes + bit / 8, 1, (off_t)(bit / 8)), 1);
}

static void end(struct flipping *flipping)
{
    (void)close(flipping->file);
    free(flipping->bytes);
}

/* Flips bits of a file and audits each time; which: 8 for every bit, 1 for one of every byte. */
static void flips(const char *name, unsigned which, size_t *counts)
{
    struct flipping flipping;
    begin(&flipping, name);
    for (size_t i = 0; i < flipping.length * which; i += STEP) {
        size_t bit = which == 8 ? i : i * 8 + i * 5 % 8;
        flip(&flipping, bit);
        enum audit_answer answer = audit(&public_key);
        flip(&flipping, bit);
        if (audit_answer_exit(answer) != 1)
            fail_msg("%s, bit %zu of byte %zu: %s", name, bit % 8, bit / 8, audit_answer_text(answer));
        counts[answer]++;
    }
    end(&flipping);
}

static void every_bit(void **state)
{
    (void)state;
    static const char *const whole[] = {"trace-can0.pcap", "marks.jsonl", "recorder.jsonl", "definitions/seat.yaml",
                                        "verdict.json", MANIFEST_NAME, MANIFEST_SIGNATURE_NAME};
    static const char *const bytewise[] = {"readings.csv", "log.jsonl", "report.html"};
    size_t counts[AUDIT_PASSED + 1] = {0};
    for (size_t i = 0; i < sizeof whole / sizeof whole[0]; i++)
        flips(whole[i], 8, counts);
    for (size_t i = 0; i < sizeof bytewise / sizeof bytewise[0]; i++)
        flips(bytewise[i], 1, counts);
    for (int answer = 0; answer <= AUDIT_PASSED; answer++)
        if (counts[answer])
            print_message("%zu flips: %s\n", counts[answer], audit_answer_text((enum audit_answer)answer));
    /* Every bit of the signature, and nothing else, looks like another key. */
    assert_int_equal(counts[AUDIT_OTHER_KEY], (SIGNATURE_BYTES * 8 + STEP - 1) / STEP);
}

/* ---- by somebody who can sign ---- */

/* The file's line in the manifest gets its sum as it is now; then it is signed. */
static void sign_anew(const struct signature_key *key, const char *name, const uint8_t *bytes, size_t length)
{
    static uint8_t manifest[FILE_MAX];
    char wanted[300], sum[DIGEST_TEXT];
    uint8_t signature[SIGNATURE_BYTES];
    size_t size = get(MANIFEST_NAME, manifest);
    manifest[size] = '\0';
    (void)snprintf(wanted, sizeof wanted, "  %s\n", name);
    char *at = strstr((char *)manifest, wanted);
    assert_true(at != NULL && at - (char *)manifest >= 64);
    assert_true(digest_of(bytes, length, sum));
    memcpy(at - 64, sum, 64);
    assert_true(signature_make(key, manifest, size, signature));
    put(MANIFEST_NAME, manifest, size);
    put(MANIFEST_SIGNATURE_NAME, signature, sizeof signature);
}

static void sign_flips(const char *name, const struct signature_key *key, size_t step, size_t *counts)
{
    struct flipping flipping;
    begin(&flipping, name);
    for (size_t bit = 0; bit < flipping.length * 8; bit += step) {
        flip(&flipping, bit);
        sign_anew(key, name, flipping.bytes, flipping.length);
        enum audit_answer answer = audit(&public_key);
        flip(&flipping, bit);
        if (answer == AUDIT_PASSED)
            fail_msg("%s signed anew, bit %zu of byte %zu: passed", name, bit % 8, bit / 8);
        counts[answer]++;
    }
    sign_anew(&signer, name, flipping.bytes, flipping.length);
    end(&flipping);
}

static void sum_of(size_t *counts, size_t *sum)
{
    *sum = 0;
    for (int answer = 0; answer <= AUDIT_PASSED; answer++)
        *sum += counts[answer];
}

static void another_key(void **state)
{
    (void)state;
    static const char *const names[] = {"trace-can0.pcap", "marks.jsonl", "recorder.jsonl", "definitions/seat.yaml",
                                        "verdict.json", "readings.csv", "log.jsonl", "report.html"};
    size_t counts[AUDIT_PASSED + 1] = {0}, sum;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        sign_flips(names[i], &attacker, 23 * STEP, counts);
    sum_of(counts, &sum);
    assert_int_equal(counts[AUDIT_OTHER_KEY], sum); /* hashes are right: only the signature tells */
    assert_true(sum > 500 / STEP);
}

/* The signer himself: what he derived otherwise is not reproduced; what was recorded otherwise has no checkpoint. */
static void the_right_key(void **state)
{
    (void)state;
    static const char *const derived[] = {"verdict.json", "readings.csv", "log.jsonl", "report.html"};
    size_t counts[AUDIT_PASSED + 1] = {0}, sum;
    for (size_t i = 0; i < sizeof derived / sizeof derived[0]; i++)
        sign_flips(derived[i], &signer, (i == 3 ? 997 : i == 0 ? 37 : 97) * STEP, counts);
    sum_of(counts, &sum);
    assert_true(sum > 500 / STEP);
    /* The head of verdict.json names its format: flipped, it is another version's. */
    assert_int_equal(counts[AUDIT_NOT_REPRODUCED] + counts[AUDIT_OTHER_VERSION], sum);
    assert_true(counts[AUDIT_OTHER_VERSION] <= 8);

    memset(counts, 0, sizeof counts);
    sign_flips("trace-can0.pcap", &signer, 11 * STEP, counts);
    sign_flips("definitions/seat.yaml", &signer, 11 * STEP, counts);
    sign_flips("marks.jsonl", &signer, 5 * STEP, counts);
    sum_of(counts, &sum);
    print_message("signed by the right key: %zu changed, %zu not reproduced of %zu\n", counts[AUDIT_CHANGED],
                  counts[AUDIT_NOT_REPRODUCED], sum);
    assert_int_equal(counts[AUDIT_CHANGED] + counts[AUDIT_NOT_REPRODUCED], sum);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_bit),
        cmocka_unit_test(another_key),
        cmocka_unit_test(the_right_key),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
