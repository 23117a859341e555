/* decoder/evidence/manifest.h and folder.h: what a folder from somebody else may and may not hold. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <errno.h>
#include <fcntl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>
#include <cmocka.h>

#include "manifest.h"

#define A "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"

static void reads(const char *text, size_t length, enum manifest_fault fault, uint32_t line)
{
    struct manifest manifest;
    struct manifest_mistake mistake;
    /* The end of what may be read is the end of a piece of memory of its own: a sanitizer sees a step beyond it. */
    char *exact = malloc(length ? length : 1);
    assert_non_null(exact);
    memcpy(exact, text, length);
    bool good = manifest_read(&manifest, exact, length, &mistake);
    if (mistake.fault != fault || mistake.line != line || good != (fault == MANIFEST_GOOD))
        fail_msg("fault %d line %u (%s), wanted %d line %u for: %s", mistake.fault, mistake.line, mistake.text, fault,
                 line, text);
    assert_int_equal(mistake.text[0] != '\0', !good);
    manifest_free(&manifest);
    free(exact);
}

#define READS(text, fault, line) reads(text, sizeof(text) - 1, fault, line)

static void each_refusal_has_its_own_name(void **state)
{
    (void)state;
    READS("", MANIFEST_EMPTY, 0);
    READS(A "  a\n", MANIFEST_GOOD, 1);
    READS(A "  a\n" A "  definitions/b.yaml\n" A "  trace-1.pcap\n", MANIFEST_GOOD, 3);
    READS(A "  a", MANIFEST_CUT, 1);
    READS(A "  a\n" A "  b", MANIFEST_CUT, 2);
    READS(A "  a\r\n", MANIFEST_CARRIAGE_RETURN, 1);
    READS(A "  a\n" A "  b\r\n", MANIFEST_CARRIAGE_RETURN, 2);
    READS(A "  a\0b\n", MANIFEST_NUL, 1);
    READS("\\" A "  a\\nb\n", MANIFEST_ESCAPED, 1);
    READS(A "  a\\b\n", MANIFEST_BAD_NAME, 1);
    READS("\n", MANIFEST_NOT_HEX, 1);
    READS(A "  a\n\n", MANIFEST_NOT_HEX, 2);
    READS("# comment\n", MANIFEST_NOT_HEX, 1);
    READS("0123456789abcdef\n", MANIFEST_NOT_HEX, 1);
    READS("g123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef  a\n", MANIFEST_NOT_HEX, 1);
    READS("0123456789ABCDEF0123456789abcdef0123456789abcdef0123456789abcdef  a\n", MANIFEST_UPPER_CASE, 1);
    READS(A "0  a\n", MANIFEST_NO_SPACES, 1); /* 65 digits */
    READS(A "\n", MANIFEST_NO_SPACES, 1);
    READS(A "  \n", MANIFEST_NO_SPACES, 1);
    READS(A " a\n", MANIFEST_NO_SPACES, 1);
    READS(A " *a\n", MANIFEST_NO_SPACES, 1);  /* sha256sum's binary mode */
    READS(A "\t\ta\n", MANIFEST_NO_SPACES, 1);
    READS(A "   a\n", MANIFEST_BAD_NAME, 1);  /* a name that begins with a space */
    READS(A "  a \n", MANIFEST_BAD_NAME, 1);
    READS(A "  a\xff\n", MANIFEST_BAD_NAME, 1);
    READS(A "  /etc/passwd\n", MANIFEST_BAD_NAME, 1);
    READS(A "  ..\n", MANIFEST_BAD_NAME, 1);
    READS(A "  ../a\n", MANIFEST_BAD_NAME, 1);
    READS(A "  definitions/../a\n", MANIFEST_BAD_NAME, 1);
    READS(A "  definitions/..\n", MANIFEST_BAD_NAME, 1);
    READS(A "  ./a\n", MANIFEST_BAD_NAME, 1);
    READS(A "  .\n", MANIFEST_BAD_NAME, 1);
    READS(A "  definitions/\n", MANIFEST_BAD_NAME, 1);
    READS(A "  definitions/.\n", MANIFEST_BAD_NAME, 1);
    READS(A "  definitions/a/b\n", MANIFEST_BAD_NAME, 1);
    READS(A "  definitions//b\n", MANIFEST_BAD_NAME, 1);
    READS(A "  other/b\n", MANIFEST_BAD_NAME, 1);
    READS(A "  Definitions/b\n", MANIFEST_BAD_NAME, 1);
    READS(A "  ../../../../x\n", MANIFEST_BAD_NAME, 1); /* as long as "definitions/" before its last letter */
    READS(A "  abcdefghijk/b\n", MANIFEST_BAD_NAME, 1);
    READS(A "  ..a\n", MANIFEST_GOOD, 1);     /* an odd name, but one of this folder */
    READS(A "  MANIFEST.sha256\n", MANIFEST_LISTS_ITSELF, 1);
    READS(A "  MANIFEST.sha256.sig\n", MANIFEST_LISTS_ITSELF, 1);
    READS(A "  MANIFEST.sha256.tsr\n", MANIFEST_LISTS_ITSELF, 1);
    READS(A "  a\n" A "  a\n", MANIFEST_TWICE, 2);
    READS(A "  a\n" A "  b\n" A "  a\n", MANIFEST_TWICE, 3);
    READS(A "  b\n" A "  a\n", MANIFEST_UNSORTED, 2);
    READS(A "  a\n" A "  B\n", MANIFEST_UNSORTED, 2); /* bytewise: capitals first */
}

static void refusals_of_names_differ(void **state)
{
    (void)state;
    static const char *const names[] = {"/a", "../a", "x/a", "a b", "."};
    for (size_t i = 0; i < 5; i++)
        for (size_t j = 0; j < i; j++)
            assert_string_not_equal(folder_name_fault(names[i], strlen(names[i])),
                                    folder_name_fault(names[j], strlen(names[j])));
    char name[300];
    memset(name, 'a', sizeof name);
    assert_null(folder_name_fault(name, 255));
    assert_non_null(folder_name_fault(name, 256));
    memcpy(name, "definitions/", 12);
    assert_null(folder_name_fault(name, 12 + 255));
    assert_non_null(folder_name_fault(name, 12 + 256));
}

static void most_lines(void **state)
{
    (void)state;
    size_t each = 64 + 2 + 5 + 1;
    char *text = malloc((FOLDER_ENTRIES_MAX + 1) * each + 1);
    assert_non_null(text);
    for (size_t i = 0; i <= FOLDER_ENTRIES_MAX; i++)
        (void)snprintf(text + i * each, each + 1, A "  %05zu\n", i);
    reads(text, FOLDER_ENTRIES_MAX * each, MANIFEST_GOOD, FOLDER_ENTRIES_MAX);
    reads(text, (FOLDER_ENTRIES_MAX + 1) * each, MANIFEST_TOO_LONG, FOLDER_ENTRIES_MAX + 1);
    free(text);
}

/* ---- a folder ---- */

static char root[64];
static int fd = -1;

static int set_up(void **state)
{
    (void)state;
    (void)strcpy(root, "/tmp/test_manifest_XXXXXX");
    if (!mkdtemp(root))
        return -1;
    fd = open(root, O_RDONLY | O_DIRECTORY);
    return fd < 0 ? -1 : 0;
}

static int tear_down(void **state)
{
    (void)state;
    char command[128];
    (void)close(fd);
    (void)snprintf(command, sizeof command, "rm -rf %s", root);
    return system(command);
}

static void put(const char *name, const char *text)
{
    int file = openat(fd, name, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    assert_true(file >= 0);
    assert_int_equal(write(file, text, strlen(text)), (ssize_t)strlen(text));
    (void)close(file);
}

static enum folder_kind kind_of(const struct folder_list *list, const char *name)
{
    const struct folder_entry *entry = folder_find(list, name);
    assert_non_null(entry);
    return entry->kind;
}

static void what_lies_in_a_folder(void **state)
{
    (void)state;
    struct folder_list list;
    struct folder_stamp stamp;
    char sha256[DIGEST_TEXT];
    put("b", "abc");
    put("MANIFEST.sha256", "x");
    assert_int_equal(mkdirat(fd, "definitions", 0755), 0);
    put("definitions/a.yaml", "abc");
    assert_int_equal(symlinkat("b", fd, "link"), 0);
    assert_int_equal(symlinkat("nowhere", fd, "dead"), 0);
    assert_int_equal(mkfifoat(fd, "pipe", 0644), 0);
    assert_int_equal(mkdirat(fd, "other", 0755), 0);
    assert_int_equal(symlinkat("../b", fd, "definitions/link"), 0);
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int plug = socket(AF_UNIX, SOCK_STREAM, 0);
    (void)snprintf(address.sun_path, sizeof address.sun_path, "%s/socket", root);
    assert_int_equal(bind(plug, (struct sockaddr *)&address, sizeof address), 0);
    (void)close(plug);

    assert_true(folder_list(&list, fd));
    assert_int_equal(list.count, 9);
    assert_true(list.has_definitions);
    assert_int_equal(kind_of(&list, "b"), FOLDER_FILE);
    assert_int_equal(kind_of(&list, "definitions/a.yaml"), FOLDER_FILE);
    assert_int_equal(kind_of(&list, "link"), FOLDER_LINK);
    assert_int_equal(kind_of(&list, "dead"), FOLDER_LINK);
    assert_int_equal(kind_of(&list, "definitions/link"), FOLDER_LINK);
    assert_int_equal(kind_of(&list, "pipe"), FOLDER_PIPE);
    assert_int_equal(kind_of(&list, "socket"), FOLDER_SOCKET);
    assert_int_equal(kind_of(&list, "other"), FOLDER_FOLDER);
    for (uint32_t i = 1; i < list.count; i++)
        assert_true(strcmp(list.list[i - 1].name, list.list[i].name) < 0);

    /* FIPS 180: SHA-256 of "abc". */
    assert_true(folder_hash(fd, "definitions/a.yaml", sha256, &stamp));
    assert_string_equal(sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    static const char *const none[] = {"link", "dead", "pipe", "socket", "other", "definitions/link", "definitions"};
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++) {
        assert_false(folder_hash(fd, none[i], sha256, &stamp)); /* and does not wait at the pipe */
        assert_true(errno == ELOOP || errno == ENOTSUP);
        assert_string_equal(sha256, "");
        assert_false(folder_look(fd, none[i], &stamp));
    }
    folder_list_free(&list);

    /* A linked definitions/ is a link, and nothing is read through it. */
    assert_int_equal(renameat(fd, "definitions", fd, "kept"), 0);
    assert_int_equal(symlinkat("kept", fd, "definitions"), 0);
    assert_true(folder_list(&list, fd));
    assert_false(list.has_definitions);
    assert_int_equal(kind_of(&list, "definitions"), FOLDER_LINK);
    assert_null(folder_find(&list, "definitions/a.yaml"));
    assert_false(folder_hash(fd, "definitions/a.yaml", sha256, &stamp));
    folder_list_free(&list);
}

static void reading_is_bounded(void **state)
{
    (void)state;
    char room[4];
    size_t length;
    put("c", "abcd");
    assert_true(folder_read(fd, "c", room, 4, &length));
    assert_int_equal(length, 4);
    assert_false(folder_read(fd, "c", room, 3, &length));
    assert_int_equal(errno, EFBIG);
    assert_false(folder_read(fd, "none", room, 3, &length));
    assert_int_equal(errno, ENOENT);
}

static void stamps_tell_a_change(void **state)
{
    (void)state;
    struct folder_stamp before, after;
    put("s", "abc");
    assert_true(folder_look(fd, "s", &before));
    assert_true(folder_look(fd, "s", &after));
    assert_true(folder_stamp_same(&before, &after));
    /* The same length and a modification time turned back: the time of change gives it away. */
    struct timespec times[2] = {before.modified, before.modified};
    usleep(20000);
    put("s", "abd");
    assert_int_equal(utimensat(fd, "s", times, 0), 0);
    assert_true(folder_look(fd, "s", &after));
    assert_false(folder_stamp_same(&before, &after));
}

static void too_many_entries(void **state)
{
    (void)state;
    struct folder_list list;
    char name[32];
    int inner;
    assert_int_equal(mkdirat(fd, "many", 0755), 0);
    inner = openat(fd, "many", O_RDONLY | O_DIRECTORY);
    for (unsigned i = 0; i <= FOLDER_ENTRIES_MAX; i++) {
        (void)snprintf(name, sizeof name, "many/%u", i);
        assert_int_equal(mkdirat(fd, name, 0755), 0);
    }
    assert_true(folder_list(&list, inner));
    assert_true(list.more);
    assert_int_equal(list.count, FOLDER_ENTRIES_MAX);
    folder_list_free(&list);
    (void)close(inner);
}

static void what_is_written_is_read(void **state)
{
    (void)state;
    struct folder_list list;
    struct manifest made, read;
    struct manifest_mistake mistake;
    struct buffer text;
    struct sink sink;
    assert_true(folder_list(&list, fd));
    uint32_t files = 0;
    for (uint32_t i = 0; i < list.count; i++)
        if (list.list[i].kind == FOLDER_FILE)
            list.list[files++] = list.list[i];
    list.count = files;
    assert_true(manifest_of(&made, &list));
    assert_int_equal(made.count, files - 1); /* without MANIFEST.sha256 */
    for (uint32_t i = 0; i < made.count; i++)
        assert_true(folder_hash(fd, made.list[i].name, made.list[i].sha256, &made.list[i].stamp));
    buffer_init(&text, 1 << 20);
    assert_true(sink_open_memory(&sink, &text));
    manifest_write(&made, &sink);
    assert_true(sink_close(&sink));
    assert_true(manifest_read(&read, text.data, text.length, &mistake));
    assert_int_equal(read.count, made.count);
    for (uint32_t i = 0; i < made.count; i++) {
        const struct manifest_line *line = manifest_find(&read, made.list[i].name);
        assert_non_null(line);
        assert_string_equal(line->sha256, made.list[i].sha256);
    }
    assert_null(manifest_find(&read, "MANIFEST.sha256"));
    buffer_free(&text);
    manifest_free(&made);
    manifest_free(&read);
    folder_list_free(&list);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_refusal_has_its_own_name), cmocka_unit_test(refusals_of_names_differ),
        cmocka_unit_test(most_lines),                    cmocka_unit_test(what_lies_in_a_folder),
        cmocka_unit_test(reading_is_bounded),            cmocka_unit_test(stamps_tell_a_change),
        cmocka_unit_test(too_many_entries),              cmocka_unit_test(what_is_written_is_read),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
