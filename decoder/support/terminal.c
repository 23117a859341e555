/* See terminal.h. */
#include "terminal.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include "sink.h"

#define ROW_BYTES_MAX (8u * TERMINAL_COLUMNS_MAX)
#define PAGE_BYTES_MAX (4u << 20)

/* ---- width ---- */

/* The character at `at` (clean UTF-8, left > 0): its code point; *length its bytes. */
static uint32_t character(const char *text, size_t left, size_t *length)
{
    const uint8_t *at = (const uint8_t *)text;
    size_t wanted = at[0] < 0x80 ? 1 : at[0] < 0xE0 ? 2 : at[0] < 0xF0 ? 3 : 4;
    uint32_t code = wanted == 1 ? at[0] : at[0] & (0x7FU >> wanted);
    if (wanted > left)
        wanted = left;
    for (size_t i = 1; i < wanted; i++)
        code = code << 6 | (at[i] & 0x3F);
    *length = wanted;
    return code;
}

static bool within(uint32_t code, const uint32_t (*ranges)[2], size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (code >= ranges[i][0] && code <= ranges[i][1])
            return true;
    return false;
}

/* Unicode's EastAsianWidth.txt (W and F) and general category Mn, in blocks: from memory, and only for alignment. */
static size_t columns_of(uint32_t code)
{
    static const uint32_t none[][2] = {{0x0300, 0x036F}, {0x0483, 0x0489}, {0x0591, 0x05BD}, {0x064B, 0x065F},
                                       {0x200B, 0x200D}, {0x20D0, 0x20F0}, {0xFE00, 0xFE0F}, {0xFE20, 0xFE2F}};
    static const uint32_t wide[][2] = {{0x1100, 0x115F}, {0x2E80, 0x303E}, {0x3041, 0xA4CF}, {0xAC00, 0xD7A3},
                                       {0xF900, 0xFAFF}, {0xFE30, 0xFE6F}, {0xFF01, 0xFF60}, {0xFFE0, 0xFFE6},
                                       {0x1F300, 0x1FAFF}, {0x20000, 0x3FFFD}};
    if (code < 0x300)
        return 1;
    return within(code, none, sizeof none / sizeof none[0])   ? 0
           : within(code, wide, sizeof wide / sizeof wide[0]) ? 2
                                                              : 1;
}

size_t terminal_width(const char *text, size_t length)
{
    size_t columns = 0, taken;
    for (size_t at = 0; at < length; at += taken)
        columns += columns_of(character(text + at, length - at, &taken));
    return columns;
}

size_t terminal_fit(const char *text, size_t length, size_t columns)
{
    size_t at = 0, used = 0, taken;
    while (at < length) {
        used += columns_of(character(text + at, length - at, &taken));
        if (used > columns)
            break;
        at += taken;
    }
    return at;
}

/* ---- the screen ---- */

bool terminal_can_draw(void)
{
    const char *kind = getenv("TERM");
    return isatty(STDOUT_FILENO) && kind && kind[0] && strcmp(kind, "dumb") != 0;
}

static bool put_all(const void *data, size_t length)
{
    const char *at = data;
    while (length > 0) {
        ssize_t put = write(STDOUT_FILENO, at, length);
        if (put < 0 && errno == EAGAIN) {
            struct pollfd out = {.fd = STDOUT_FILENO, .events = POLLOUT};
            (void)poll(&out, 1, 1000);
            continue;
        }
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0)
            return false;
        at += put;
        length -= (size_t)put;
    }
    return true;
}

static bool put_text(const char *text)
{
    return put_all(text, strlen(text));
}

bool terminal_resized(struct terminal *terminal)
{
    struct winsize size = {0};
    unsigned columns = 80, rows = 24; /* what a terminal that does not say is */
    if (ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col && size.ws_row) {
        columns = size.ws_col < TERMINAL_COLUMNS_MAX ? size.ws_col : TERMINAL_COLUMNS_MAX;
        rows = size.ws_row < TERMINAL_ROWS_MAX ? size.ws_row : TERMINAL_ROWS_MAX;
    }
    bool changed = columns != terminal->columns || rows != terminal->rows;
    terminal->columns = columns;
    terminal->rows = rows;
    terminal->fresh = terminal->fresh || changed;
    return changed;
}

bool terminal_open(struct terminal *terminal, bool wants_keys)
{
    *terminal = (struct terminal){.fresh = true};
    for (unsigned i = 0; i < TERMINAL_ROWS_MAX; i++)
        buffer_init(&terminal->drawn[i], ROW_BYTES_MAX);
    if (wants_keys && isatty(STDIN_FILENO) && tcgetattr(STDIN_FILENO, &terminal->before) == 0) {
        struct termios now = terminal->before;
        now.c_iflag &= (tcflag_t)~(ICRNL | IXON | ISTRIP);
        now.c_lflag &= (tcflag_t)~(ICANON | ECHO | ISIG | IEXTEN);
        now.c_cc[VMIN] = 0; /* a read never waits */
        now.c_cc[VTIME] = 0;
        terminal->keys = tcsetattr(STDIN_FILENO, TCSAFLUSH, &now) == 0;
    }
    terminal->on = put_text("\x1b[?1049h\x1b[?25l\x1b[2J");
    if (!terminal->on)
        terminal_close(terminal);
    (void)terminal_resized(terminal);
    return terminal->on;
}

void terminal_close(struct terminal *terminal)
{
    int error = errno;
    if (terminal->on)
        (void)put_text("\x1b[0m\x1b[?25h\x1b[?1049l");
    if (terminal->keys)
        (void)tcsetattr(STDIN_FILENO, TCSAFLUSH, &terminal->before);
    for (unsigned i = 0; i < TERMINAL_ROWS_MAX; i++)
        buffer_free(&terminal->drawn[i]);
    terminal->on = terminal->keys = false;
    errno = error;
}

/* One row, when it is another one than stands there. strong: its first byte in drawn tells. */
static void draw_row(struct terminal *terminal, struct sink *page, unsigned row, const char *text, bool strong)
{
    struct buffer *drawn = &terminal->drawn[row];
    size_t length = strlen(text);
    char weight = strong ? 'B' : 'n';
    if (!terminal->fresh && drawn->length == length + 1 && drawn->data[0] == (uint8_t)weight &&
        memcmp(drawn->data + 1, text, length) == 0)
        return;
    sink_format(page, "\x1b[%u;1H", row + 1); /* CUP */
    sink_text(page, strong ? "\x1b[1m" : "");
    sink_put(page, text, length);
    sink_text(page, strong ? "\x1b[0m\x1b[K" : "\x1b[K"); /* EL */
    buffer_clear(drawn);
    if (!buffer_append(drawn, &weight, 1) || !buffer_append(drawn, text, length))
        buffer_clear(drawn); /* drawn again next time */
}

bool terminal_draw(struct terminal *terminal, const char *const *rows, const bool *strong, unsigned count)
{
    struct buffer memory;
    struct sink page;
    buffer_init(&memory, PAGE_BYTES_MAX);
    if (!sink_open_memory(&page, &memory))
        return false;
    if (terminal->fresh)
        sink_text(&page, "\x1b[2J"); /* ED */
    for (unsigned i = 0; i < terminal->rows; i++)
        draw_row(terminal, &page, i, i < count ? rows[i] : "", i < count && strong[i]);
    bool good = sink_close(&page) && put_all(memory.data, memory.length);
    terminal->fresh = false;
    buffer_free(&memory);
    return good;
}

/* ---- keys ---- */

/* Bytes of an escape sequence at the beginning of pending (ECMA-48 5.4: ESC [ parameters, intermediates, final), 1 for
 * the key Escape alone. */
static size_t sequence_length(const uint8_t *at, size_t count)
{
    if (count < 2 || (at[1] != '[' && at[1] != 'O'))
        return 1;
    size_t length = 2;
    while (length < count && at[length] >= 0x20 && at[length] < 0x40)
        length++;
    return length < count ? length + 1 : length;
}

static void drop(struct terminal *terminal, size_t length)
{
    terminal->pending_count -= length;
    memmove(terminal->pending, terminal->pending + length, terminal->pending_count);
}

/* The first key of pending; KEY_NONE when it was to be passed over. */
static int take_key(struct terminal *terminal)
{
    const uint8_t *at = terminal->pending;
    uint8_t first = at[0];
    size_t length = 1;
    int key = KEY_NONE;
    if (first == KEY_ESCAPE) {
        length = sequence_length(at, terminal->pending_count);
        key = length == 1 ? KEY_ESCAPE : KEY_NONE;
    } else if (first == '\r' || first == '\n') {
        key = KEY_ENTER;
    } else if (first == 0x08 || first == KEY_BACKSPACE) {
        key = KEY_BACKSPACE;
    } else if (first == KEY_INTERRUPT || (first >= 0x20 && first < 0x80)) {
        key = first;
    } else if (first >= 0xC2 && first < 0xF5) {
        uint32_t code = character((const char *)at, terminal->pending_count, &length);
        for (size_t i = 1; i < length; i++)
            if ((at[i] & 0xC0) != 0x80)
                code = KEY_NONE;
        key = code >= 0xA0 ? (int)code : KEY_NONE;
    }
    drop(terminal, length);
    return key;
}

int terminal_key(struct terminal *terminal)
{
    if (!terminal->keys)
        return KEY_NONE;
    for (;;) {
        if (terminal->pending_count == 0) {
            ssize_t got = read(STDIN_FILENO, terminal->pending, sizeof terminal->pending);
            if (got < 0 && errno != EAGAIN && errno != EINTR)
                return KEY_GONE; /* EIO: the terminal was closed */
            if (got <= 0)
                return KEY_NONE;
            terminal->pending_count = (size_t)got;
        }
        int key = take_key(terminal);
        if (key != KEY_NONE)
            return key;
    }
}
