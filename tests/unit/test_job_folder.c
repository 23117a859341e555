/* decoder/evidence/job_folder.c: a folder has its name only when it is whole; nothing is ever overwritten. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <dirent.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

#include "job_folder.h"

static char root[64];
static char path[128];
static struct diagnostics silent;

static int set_up(void **state)
{
    (void)state;
    (void)strcpy(root, "/tmp/test_job_folder_XXXXXX");
    diagnostics_init(&silent, NULL);
    if (!mkdtemp(root))
        return -1;
    (void)snprintf(path, sizeof path, "%s/job", root);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    char command[128];
    (void)snprintf(command, sizeof command, "rm -rf %s", root);
    return system(command);
}

/* Entries of root, so that a left-over temporary folder is seen. */
static int entries(void)
{
    DIR *list = opendir(root);
    int count = 0;
    assert_non_null(list);
    while (readdir(list))
        count++;
    (void)closedir(list);
    return count - 2;
}

static void read_back(const char *name, char *out, size_t room)
{
    char full[256];
    (void)snprintf(full, sizeof full, "%s/%s", path, name);
    FILE *file = fopen(full, "r");
    assert_non_null(file);
    out[fread(out, 1, room - 1, file)] = '\0';
    (void)fclose(file);
}

static void a_finished_folder_holds_what_was_put(void **state)
{
    (void)state;
    struct job_folder folder;
    struct stat facts;
    char text[64], sha256[DIGEST_TEXT];
    mode_t mask = umask(022);
    assert_int_equal(job_folder_begin(&folder, path, &silent), 0);
    assert_int_not_equal(stat(path, &facts), 0); /* not there yet */
    assert_int_equal(job_folder_make(&folder, "definitions"), 0);
    assert_int_equal(job_folder_put(&folder, "definitions/a.yaml", "abc", 3), 0);
    int pipes[2];
    assert_int_equal(pipe(pipes), 0);
    assert_int_equal(write(pipes[1], "bc", 2), 2);
    (void)close(pipes[1]);
    assert_int_equal(job_folder_copy(&folder, "trace-1.pcap", pipes[0], "x", "a", 1, sha256), 0);
    (void)close(pipes[0]);
    assert_int_equal(job_folder_finish(&folder), 0);
    job_folder_end(&folder);
    (void)umask(mask);
    assert_int_equal(stat(path, &facts), 0);
    assert_int_equal(facts.st_mode & 0777, 0755);
    assert_int_equal(entries(), 1);
    read_back("definitions/a.yaml", text, sizeof text);
    assert_string_equal(text, "abc");
    read_back("trace-1.pcap", text, sizeof text);
    assert_string_equal(text, "abc");
    /* FIPS 180-4 example, "abc" */
    assert_string_equal(sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

static void what_is_there_is_refused_and_untouched(void **state)
{
    (void)state;
    struct job_folder folder;
    assert_int_equal(mkdir(path, 0755), 0);
    assert_int_equal(job_folder_begin(&folder, path, &silent), EXIT_CANNOT_CREATE);
    job_folder_end(&folder);
    char slashed[140];
    (void)snprintf(slashed, sizeof slashed, "%s//", path);
    assert_int_equal(job_folder_begin(&folder, slashed, &silent), EXIT_CANNOT_CREATE);
    job_folder_end(&folder);
    assert_int_equal(rmdir(path), 0);
    /* ... even when it appears while the job is written; an empty folder would be replaced by a plain rename */
    assert_int_equal(job_folder_begin(&folder, path, &silent), 0);
    assert_int_equal(job_folder_put(&folder, "a", "b", 1), 0);
    assert_int_equal(mkdir(path, 0755), 0);
    assert_int_equal(job_folder_finish(&folder), EXIT_CANNOT_CREATE);
    job_folder_end(&folder);
    assert_int_equal(rmdir(path), 0); /* still empty */
    assert_int_equal(entries(), 0);
}

static void an_unfinished_folder_is_removed(void **state)
{
    (void)state;
    struct job_folder folder;
    assert_int_equal(job_folder_begin(&folder, path, &silent), 0);
    assert_int_equal(job_folder_make(&folder, "definitions"), 0);
    assert_int_equal(job_folder_put(&folder, "definitions/a.yaml", "abc", 3), 0);
    assert_int_equal(job_folder_put(&folder, "log.jsonl", "{}", 2), 0);
    assert_int_equal(entries(), 1);
    job_folder_end(&folder);
    assert_int_equal(entries(), 0);
    (void)snprintf(path, sizeof path, "%s/no/such/job", root);
    assert_int_equal(job_folder_begin(&folder, path, &silent), EXIT_CANNOT_CREATE);
    job_folder_end(&folder);
}

static void a_failed_write_is_found_at_the_close(void **state)
{
    (void)state;
    struct job_folder folder;
    struct sink sink;
    assert_int_equal(job_folder_begin(&folder, path, &silent), 0);
    assert_int_equal(job_folder_open(&folder, "log.jsonl", &sink), 0);
    int full = open("/dev/full", O_WRONLY); /* every write fails with ENOSPC */
    assert_true(full >= 0);
    assert_true(dup2(full, sink.fd) >= 0);
    (void)close(full);
    sink_text(&sink, "{}\n");
    assert_int_equal(job_folder_close(&folder, "log.jsonl", &sink), EXIT_WRITE_FAILED);
    job_folder_end(&folder);
    assert_int_equal(entries(), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_finished_folder_holds_what_was_put, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_is_there_is_refused_and_untouched, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_unfinished_folder_is_removed, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_failed_write_is_found_at_the_close, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
