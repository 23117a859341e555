/* See log_lines.h. */
#include "log_lines.h"

#include <errno.h>
#include <string.h>
#include <unistd.h>

#include "../decoder/support/text.h"

#define LINE_MOST (1u << 20)

bool log_open(struct log *log, int fd)
{
    *log = (struct log){.fd = fd};
    buffer_init(&log->text, LINE_MOST);
    return sink_open_memory(&log->sink, &log->text);
}

void log_close(struct log *log)
{
    (void)!sink_close(&log->sink);
    buffer_free(&log->text);
}

/* What was put last decides whether a comma is due. Nothing is there when memory was refused: log_finish tells. */
static void separate(struct sink *line, const char *key)
{
    const struct buffer *text = line->memory;
    char last = text->length ? (char)text->data[text->length - 1] : '{';
    if (last != '{' && last != '[')
        sink_char(line, ',');
    if (key) {
        text_json(line, key, strlen(key));
        sink_char(line, ':');
    }
}

struct sink *log_begin(struct log *log, const char *kind)
{
    sink_char(&log->sink, '{');
    log_unsigned(&log->sink, "line", log->line + 1);
    log_text(&log->sink, "kind", kind);
    return &log->sink;
}

/* Takes back what a failed write left of a line: cutting our own tail is the only change ever made to this file. */
static bool write_line(struct log *log, const uint8_t *bytes, size_t length)
{
    size_t done = 0;
    while (done < length) {
        ssize_t put = write(log->fd, bytes + done, length - done);
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0) {
            log->error = put < 0 ? errno : ENOSPC;
            if (done && ftruncate(log->fd, (off_t)log->bytes) == 0)
                (void)!lseek(log->fd, (off_t)log->bytes, SEEK_SET);
            return false;
        }
        done += (size_t)put;
    }
    return true;
}

bool log_finish(struct log *log)
{
    log_text(&log->sink, "previous", log->line ? log->previous : NULL);
    sink_text(&log->sink, "}\n");
    char hash[DIGEST_TEXT];
    bool good = sink_flush(&log->sink) && digest_of(log->text.data, log->text.length - 1, hash);
    if (!good)
        log->error = log->sink.error ? log->sink.error : ENOMEM;
    if (good)
        good = write_line(log, log->text.data, log->text.length);
    if (good) {
        log->line++;
        log->bytes += log->text.length;
        memcpy(log->previous, hash, sizeof hash);
    }
    buffer_clear(&log->text);
    return good;
}

void log_text(struct sink *line, const char *key, const char *text)
{
    separate(line, key);
    if (text)
        text_json(line, text, strlen(text));
    else
        sink_text(line, "null");
}

void log_null(struct sink *line, const char *key)
{
    log_text(line, key, NULL);
}

void log_unsigned(struct sink *line, const char *key, uint64_t number)
{
    separate(line, key);
    sink_unsigned(line, number);
}

void log_bool(struct sink *line, const char *key, bool yes)
{
    separate(line, key);
    sink_text(line, yes ? "true" : "false");
}

void log_time(struct sink *line, const char *key, int64_t time)
{
    char text[TEXT_TIME_MAX];
    (void)text_time(time, text);
    log_text(line, key, text);
}

void log_seconds(struct sink *line, const char *key, int64_t seconds)
{
    char text[TEXT_TIME_MAX];
    (void)text_seconds(seconds, text);
    log_text(line, key, text);
}

void log_open_list(struct sink *line, const char *key, char bracket)
{
    separate(line, key);
    sink_char(line, bracket);
}

void log_close_list(struct sink *line, char bracket)
{
    sink_char(line, bracket);
}
