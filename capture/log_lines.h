/*
 * recorder.jsonl: one JSON object a line (RFC 8259), each with the SHA-256 of the line before it, so that none can be
 * taken out or changed unseen (D 5). Each line goes out in one write(2).
 *
 *   struct sink *line = log_begin(log, RECORDER_KIND_EVENT);   {"line":7,"kind":"event"
 *   log_text(line, "bus", "can0");                             ,"bus":"can0"
 *   log_finish(log);                                           ,"previous":"..."}
 */
#ifndef TT_CAPTURE_LOG_LINES_H
#define TT_CAPTURE_LOG_LINES_H

#include "../decoder/support/digest.h"
#include "../decoder/support/sink.h"

struct log {
    int fd;                     /* borrowed; -1 collects nothing */
    uint64_t line;              /* lines written */
    uint64_t bytes;             /* of them */
    char previous[DIGEST_TEXT]; /* of the last line; "" before the first */
    struct buffer text;
    struct sink sink;
    int error;                  /* errno of the last failure */
};

TT_MUST_USE bool log_open(struct log *log, int fd);
struct sink *log_begin(struct log *log, const char *kind);
/* False when the line could not be written whole; what got out is taken back, and the next line takes its number. */
TT_MUST_USE bool log_finish(struct log *log);
void log_close(struct log *log);

/* Members; NULL text is null. */
void log_text(struct sink *line, const char *key, const char *text);
void log_unsigned(struct sink *line, const char *key, uint64_t number);
void log_bool(struct sink *line, const char *key, bool yes);
void log_null(struct sink *line, const char *key);
void log_time(struct sink *line, const char *key, int64_t time);       /* RFC 3339 */
void log_seconds(struct sink *line, const char *key, int64_t seconds); /* ns as "1.500000000" */
/* '[' or '{', and ']' or '}'; key is NULL inside an array. Commas come by themselves. */
void log_open_list(struct sink *line, const char *key, char bracket);
void log_close_list(struct sink *line, char bracket);

#endif
