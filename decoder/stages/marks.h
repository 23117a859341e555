/*
 * What a person noted (D 5.6): one JSON object a line. Loaded whole before the trace (they are few), then bound to
 * places in the record: a mark stands before the first frame whose time is not earlier (D 7.1). Where the clock stepped
 * back, a mark whose time the trace passes twice has two such places and is bound to none; so the trace's times are
 * surveyed once before (marks_survey_*), and only when there are marks.
 */
#ifndef TT_MARKS_H
#define TT_MARKS_H

#include "../support/arena.h"
#include "../support/diagnostics.h"
#include "../support/digest.h"
#include "../support/ratio.h"

#define MARKS_MAX 4096
#define MARKS_FILE_MAX (4u << 20)

enum mark_kind {
    MARK_NOTE, MARK_MOMENT, MARK_DISPLAYED, MARK_IDENTITY, MARK_CONDITION, MARK_WEIGHT, MARK_CHALLENGE, MARK_WITHDRAWAL
};
const char *mark_kind_text(enum mark_kind kind); /* "note", "moment", ... */

/* Was a mark there, as it stands now, when it says it was made (D 11.2)? */
enum mark_covered {
    MARK_COVER_UNKNOWN, /* no recorder wrote checkpoints beside it */
    MARK_COVERED,
    MARK_COVERED_LATE,  /* no checkpoint within 2 s covers it: "stated afterwards" */
    MARK_COVERED_EARLY, /* it was there over 2 s before the time it states */
    MARK_COVER_BROKEN,  /* what a checkpoint covered was changed afterwards, up to this line or beyond */
};
/* In words, NULL for MARK_COVER_UNKNOWN and MARK_COVERED. */
const char *mark_covered_text(enum mark_covered covered);

struct mark {
    uint32_t line;       /* in the marks file, from 1 */
    enum mark_kind kind;
    int64_t time;        /* ns since 1970 */
    const char *name;    /* "" when not given */
    const char *text;    /* "" when not given */
    const char *value;   /* as written; "" when not given */
    const char *unit;
    uint32_t withdraws;  /* WITHDRAWAL: line number; else 0 */
    /* filled after loading */
    const struct mark *withdrawn_by; /* NULL unless a later line withdraws this one */
    uint32_t places;     /* places in the trace where it could stand: 1 is good, more is "passed twice" (D 7.1) */
    bool outside;        /* before the first frame's time or after every frame's */
    size_t end;          /* of its line in the file: bytes up to and with its newline */
    enum mark_covered covered; /* set by recorder_log_load */
};
/* What a person stated: value, or text where value is empty. The mark's own memory. */
const char *mark_said(const struct mark *mark);

struct marks {
    struct arena arena;
    struct mark *list;   /* in file order */
    struct mark **by_time; /* by time, then line */
    uint32_t count;
    const char *bytes;   /* the file as it was read; for the exact copy in the job folder */
    size_t length;
    char sha256[DIGEST_TEXT];
    const char *name;    /* last path component */
};

/*
 * Loads path. Returns 0, EXIT_CANNOT_OPEN, EXIT_BAD_INPUT (every bad line told: file:line, what, what to do: not JSON,
 * an unknown key or kind, a time that is none, a value that is a JSON number, a withdrawal of a line that is not there
 * or is no mark before it, too many) or EXIT_OUR_FAULT.
 */
TT_MUST_USE int marks_load(struct marks *marks, const char *path, struct diagnostics *diagnostics);
/* The same for the marks.jsonl of a job folder: a line that was torn by a power cut (no JSON) is told and left out. */
TT_MUST_USE int marks_load_from_job(struct marks *marks, const char *path, struct diagnostics *diagnostics);
void marks_free(struct marks *marks);

/* Walks times in frame order over marks sorted by time. The same walk surveys and binds. */
struct mark_walk {
    struct marks *marks;
    uint32_t next;      /* first mark of by_time whose time is later than last_time */
    int64_t last_time, next_time; /* next_time: INT64_MAX when none */
    int64_t latest;     /* latest time seen before the last backward step */
    bool started;
};
void mark_walk_init(struct mark_walk *walk, struct marks *marks);
/* Survey: call for every frame's time; counts places. */
void marks_survey_time(struct mark_walk *walk, int64_t time);
/* After the last frame: sets outside, and places = 1 for marks after the last frame. */
void marks_survey_end(struct mark_walk *walk);
/* Bind: before each frame, calls emit for every mark with one place that stands before this frame, in (time, line)
 * order. */
void marks_bind_time(struct mark_walk *walk, int64_t time, void (*emit)(void *context, const struct mark *mark),
                     void *context);
/* After the last frame: the marks behind it. */
void marks_bind_end(struct mark_walk *walk, void (*emit)(void *context, const struct mark *mark), void *context);

/*
 * Holds a marks file against what the recorder's checkpoints say of it: its length and sum at a time. One pass over the
 * marks, however many checkpoints there are.
 */
struct mark_cover {
    struct marks *marks;   /* NULL: there is no marks file */
    struct digest digest;  /* of the first `hashed` bytes */
    uint64_t hashed;
    uint32_t next;         /* first mark, in file order, that no checkpoint covers yet */
    bool changed;          /* a checkpoint's sum is not that of the file's beginning */
    char sha256[DIGEST_TEXT];
    uint64_t bytes;        /* of the checkpoint before */
};
TT_MUST_USE bool marks_cover_begin(struct mark_cover *cover, struct marks *marks);
/*
 * One checkpoint: its time, and length and sum of the marks file then. late: how far off is still "within". False when
 * the digest library fails: nothing can be said of the marks then.
 */
TT_MUST_USE bool marks_cover(struct mark_cover *cover, int64_t time, uint64_t bytes, const char *sha256, int64_t late);
/* What no checkpoint covered stays uncovered; frees. */
void marks_cover_end(struct mark_cover *cover);

#endif
