/*
 * capture/trace_follow.h and marks_follow.h: what the keeper reads back. Hashes against coreutils' sha256sum, error
 * frames after Linux include/uapi/linux/can/error.h.
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
#include <linux/can.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include "capture/marks_follow.h"
#include "capture/records.h"
#include "capture/trace_follow.h"

static void sha256sum(const char *path, char out[DIGEST_TEXT])
{
    char command[256];
    (void)snprintf(command, sizeof command, "sha256sum %s", path);
    FILE *pipe = popen(command, "r");
    assert_non_null(pipe);
    assert_int_equal(fread(out, 1, 64, pipe), 64);
    out[64] = '\0';
    (void)pclose(pipe);
}

static char folder[] = "/tmp/taretrace-follow-XXXXXX";

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
    (void)state;
    return rmdir(folder);
}

struct heard {
    unsigned count;
    uint64_t frame[32];
    const char *what[32], *detail[32];
};

static void on_error(void *context, uint64_t frame, const char *what, const char *detail)
{
    struct heard *heard = context;
    assert_true(heard->count < 32);
    heard->frame[heard->count] = frame;
    heard->what[heard->count] = what;
    heard->detail[heard->count++] = detail;
}

static size_t put_frame(uint8_t *out, uint32_t id, uint8_t first, uint8_t second)
{
    struct can_frame frame = {.can_id = id, .len = 8, .data = {first, second}};
    return records_put(out, (const uint8_t *)&frame, sizeof frame, 1, 2);
}

static void hash_frames_and_errors(void **state)
{
    (void)state;
    char path[64], sum[DIGEST_TEXT], hash[DIGEST_TEXT];
    uint8_t record[RECORDS_LARGEST], header[TRACE_FILE_HEADER];
    struct trace_follow follow;
    struct heard heard = {0};
    (void)snprintf(path, sizeof path, "%s/trace", folder);
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    records_file_header(header);
    (void)fwrite(header, 1, sizeof header, file);
    uint64_t frames = 20000; /* more than one piece of 256 KiB */
    for (uint64_t i = 1; i <= frames; i++) {
        struct canfd_frame fd = {.can_id = 0x100, .len = 64};
        /* An ordinary frame whose bytes look like an error's is none. */
        size_t length = i % 3 ? put_frame(record, 0x004, 0, 1)
                              : records_put(record, (const uint8_t *)&fd, sizeof fd, 1, 2);
        (void)fwrite(record, 1, length, file);
    }
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x004, 0, 0x01), file); /* RX_OVERFLOW */
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x040, 0, 0), file);    /* BUSOFF */
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x100, 0, 0), file);    /* RESTARTED */
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x004, 0, 0x10), file); /* RX_PASSIVE */
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x004, 0, 0x08), file); /* TX_WARNING */
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x004, 0, 0x40), file); /* ACTIVE */
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x088, 0, 0xFF), file); /* PROT, BUSERROR */
    (void)fwrite(record, 1, put_frame(record, CAN_ERR_FLAG | 0x044, 0, 0x21), file); /* three things at once */
    assert_int_equal(fclose(file), 0);
    sha256sum(path, sum);
    assert_true(trace_follow_begin(&follow, open(path, O_RDONLY)));
    follow.on_error = on_error;
    follow.context = &heard;
    struct stat about;
    assert_int_equal(stat(path, &about), 0);
    /* In three steps, as the keeper does. */
    assert_true(trace_follow_to(&follow, 24));
    assert_int_equal(follow.frames, 0);
    assert_true(trace_follow_to(&follow, 24 + 32));
    assert_int_equal(follow.frames, 1);
    assert_true(trace_follow_to(&follow, (uint64_t)about.st_size));
    assert_int_equal(follow.bytes, about.st_size);
    assert_int_equal(follow.frames, frames + 8);
    assert_int_equal(follow.errors, 8);
    assert_int_equal(follow.good, frames);
    assert_true(digest_text(&follow.digest, hash));
    assert_string_equal(hash, sum);
    static const char *const what[] = {RECORDER_CONTROLLER_LOSS, RECORDER_BUS_OFF, RECORDER_RESTARTED,
                                       RECORDER_CONTROLLER_STATE, RECORDER_CONTROLLER_STATE,
                                       RECORDER_CONTROLLER_STATE, NULL, RECORDER_CONTROLLER_LOSS,
                                       RECORDER_CONTROLLER_STATE, RECORDER_BUS_OFF};
    static const char *const detail[] = {NULL, NULL, NULL, "error passive, receiving", "error warning, sending",
                                         "error active", NULL, NULL, "error passive, sending", NULL};
    assert_int_equal(heard.count, 10);
    for (unsigned i = 0; i < 10; i++) {
        assert_int_equal(heard.frame[i], frames + 1 + (i < 7 ? i : 7));
        assert_string_equal(heard.what[i] ? heard.what[i] : "-", what[i] ? what[i] : "-");
        assert_string_equal(heard.detail[i] ? heard.detail[i] : "-", detail[i] ? detail[i] : "-");
    }
    trace_follow_end(&follow);
    (void)unlink(path);
}

/* Every cut of a short trace: whole records only, and the hash is that of exactly these bytes. */
static void torn_anywhere(void **state)
{
    (void)state;
    uint8_t trace[TRACE_FILE_HEADER + 3 * 32];
    char sum[DIGEST_TEXT], hash[DIGEST_TEXT];
    records_file_header(trace);
    for (unsigned i = 0; i < 3; i++)
        (void)put_frame(trace + TRACE_FILE_HEADER + i * 32, i, 0, 0);
    for (size_t cut = 0; cut <= sizeof trace; cut++) {
        struct trace_follow follow;
        size_t whole = cut < 24 ? 0 : 24 + (cut - 24) / 32 * 32;
        int fd = memfd_create("torn", 0);
        assert_int_equal(write(fd, trace, cut), (ssize_t)cut);
        assert_true(trace_follow_begin(&follow, fd));
        assert_true(trace_follow_to(&follow, cut));
        assert_int_equal(follow.bytes, whole);
        assert_int_equal(follow.frames, cut < 24 ? 0 : (cut - 24) / 32);
        assert_true(digest_text(&follow.digest, hash));
        assert_true(digest_of(trace, whole, sum));
        assert_string_equal(hash, sum);
        trace_follow_end(&follow);
    }
}

static void what_is_no_record_is_refused(void **state)
{
    (void)state;
    uint8_t trace[TRACE_FILE_HEADER + 32] = {0};
    struct trace_follow follow;
    records_file_header(trace);
    int fd = memfd_create("wrong", 0);
    assert_int_equal(write(fd, trace, sizeof trace), sizeof trace);
    assert_true(trace_follow_begin(&follow, fd));
    assert_false(trace_follow_to(&follow, sizeof trace));
    assert_int_equal(follow.frames, 0);
    trace_follow_end(&follow);
}

/* ---- marks ---- */

static void write_marks(const char *path, const char *content, const char *mode)
{
    FILE *file = fopen(path, mode);
    assert_non_null(file);
    (void)fputs(content, file);
    assert_int_equal(fclose(file), 0);
}

static void marks_grow_and_change(void **state)
{
    (void)state;
    char path[64], sum[DIGEST_TEXT];
    struct marks_follow marks;
    bool changed;
    int at = open(folder, O_RDONLY | O_DIRECTORY);
    (void)snprintf(path, sizeof path, "%s/" RECORDER_MARKS_NAME, folder);
    assert_true(marks_follow_begin(&marks));
    assert_true(marks_follow_look(&marks, at, &changed)); /* no such file */
    assert_false(changed);
    assert_int_equal(marks.bytes, 0);
    write_marks(path, "{\"kind\":\"note\"}\n", "w");
    assert_true(marks_follow_look(&marks, at, &changed));
    assert_false(changed);
    assert_int_equal(marks.bytes, 16);
    sha256sum(path, sum);
    assert_string_equal(marks.sha256, sum);
    write_marks(path, "{\"kind\":\"moment\"}\n", "a");
    assert_true(marks_follow_look(&marks, at, &changed));
    assert_false(changed);
    assert_int_equal(marks.bytes, 34);
    write_marks(path, "{\"kind\":\"vote\"}\n{\"kind\":\"moment\"}\n{}\n", "w"); /* an early byte, and longer */
    assert_true(marks_follow_look(&marks, at, &changed));
    assert_true(changed);
    assert_int_equal(marks.bytes, 37);
    assert_true(marks_follow_look(&marks, at, &changed)); /* told once */
    assert_false(changed);
    write_marks(path, "{\"kind\":\"vote\"}\n", "w"); /* shrunk */
    assert_true(marks_follow_look(&marks, at, &changed));
    assert_true(changed);
    sha256sum(path, sum);
    assert_string_equal(marks.sha256, sum);
    (void)unlink(path);
    assert_true(marks_follow_look(&marks, at, &changed)); /* taken away */
    assert_true(changed);
    assert_int_equal(marks.bytes, 0);
    /* A pipe or a link of that name is no file of marks, and nobody is waited for. */
    assert_int_equal(mkfifo(path, 0600), 0);
    assert_false(marks_follow_look(&marks, at, &changed));
    (void)unlink(path);
    assert_int_equal(symlink("/etc/hostname", path), 0);
    assert_false(marks_follow_look(&marks, at, &changed));
    (void)unlink(path);
    (void)close(at);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hash_frames_and_errors),
        cmocka_unit_test(torn_anywhere),
        cmocka_unit_test(what_is_no_record_is_refused),
        cmocka_unit_test(marks_grow_and_change),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
