/*
 * A redacted copy while entries that wait in temporary files cannot be read back (refused.h): the whole copy, or none
 * and an exit code (D 2.6). What is not read back would stay unmasked, undropped or unnamed.
 */
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "commands.h"
#include "refused.h"

static char folder[64];

static int shell(const char *format)
{
    char command[1024];
    (void)snprintf(command, sizeof command, format, folder, folder, folder, folder);
    return system(command);
}

/* taretrace redact job --into copy, with --only-pairs when asked, and the which-th call named `only` refused. */
static int redact(bool only_pairs, const char *only, uint64_t which, uint64_t *made)
{
    char job[96], copy[96];
    (void)snprintf(job, sizeof job, "%s/job", folder);
    (void)snprintf(copy, sizeof copy, "%s/copy", folder);
    char *arguments[] = {"redact", job, "--into", copy, only_pairs ? "--only-pairs" : NULL, NULL};
    optind = 0;
    refused_only = only;
    refuse(which, EIO);
    int code = command_redact(only_pairs ? 5 : 4, arguments);
    *made = calls;
    refuse(0, 0);
    refused_only = NULL;
    return code;
}

static void walk(bool only_pairs, const char *only, uint64_t least)
{
    uint64_t count, made, none = 0;
    assert_int_equal(redact(only_pairs, only, 0, &count), 0);
    assert_int_equal(shell("rm -rf '%s/whole' && mv '%s/copy' '%s/whole'"), 0);
    if (count < least)
        fail_msg("%s: %llu calls", only, (unsigned long long)count);
    for (uint64_t n = 1; n <= count; n += 1 + n / 16) {
        int code = redact(only_pairs, only, n, &made);
        if (code) {
            assert_int_equal(shell("test ! -e '%s/copy' && test -z \"$(ls -A '%s' | grep -v '^job$' | grep -v '^whole$' "
                                   "| grep -v '^key')\""), 0);
            none++;
        } else {
            if (shell("diff -r '%s/whole' '%s/copy'") != 0)
                fail_msg("%s %llu of %llu: another copy", only, (unsigned long long)n, (unsigned long long)count);
            assert_int_equal(shell("rm -rf '%s/copy'"), 0);
        }
    }
    assert_true(none > 0);
}

static void a_copy_is_whole_or_none(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/test_redact_XXXXXX");
    assert_non_null(mkdtemp(folder));
    char trace[] = TT_SOURCE_DIR "/traces/jobs/wrong-vehicle/trace.pcap",
         marks[] = TT_SOURCE_DIR "/traces/jobs/wrong-vehicle/marks.jsonl",
         definitions[] = TT_SOURCE_DIR "/traces/definitions/seat-scale-identity.yaml", job[96], key[96];
    (void)snprintf(job, sizeof job, "%s/job", folder);
    (void)snprintf(key, sizeof key, "%s/key.pem", folder);
    char *verify[] = {"verify", trace, "--definitions", definitions, "--marks", marks, "--into", job, NULL};
    optind = 0;
    assert_true(command_verify(8, verify) <= 2);
    assert_int_equal(shell("umask 077; openssl genpkey -algorithm ed25519 -out '%s/key.pem' 2>/dev/null"), 0);
    char *seal[] = {"seal", job, "--key", key, NULL};
    optind = 0;
    assert_int_equal(command_seal(4, seal), 0);
    walk(false, "fread", 2);
    walk(false, "fseek", 1);
    walk(true, "fread", 20);
    walk(true, "fseek", 2);
    assert_int_equal(shell("rm -rf '%s'"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_copy_is_whole_or_none)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
