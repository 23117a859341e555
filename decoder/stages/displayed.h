/*
 * What the scan tool displayed, as a person noted it (D 5.6, marks of kind displayed), held against what the module said
 * on the bus. It agrees when a reading within DISPLAYED_WINDOW before the mark, up to the mark, converted exactly to the
 * unit that was displayed, rounds to the displayed digits: lies within half a unit of the last digit, both ends included,
 * which is all that any rounding of a display can do. Otherwise the nearest reading and the last one are kept, so that
 * both sides can be told. Ratios throughout; the memory is one entry a mark.
 */
#ifndef TT_DISPLAYED_H
#define TT_DISPLAYED_H

#include "reading.h"
#include "marks.h"

#define DISPLAYED_WINDOW (10 * TT_SECOND)

enum displayed_answer {
    DISPLAYED_AGREES,
    DISPLAYED_DIFFERS,
    DISPLAYED_NOT_READ,       /* nothing of this name with a value was on the bus in the window */
    DISPLAYED_NOT_COMPARABLE, /* another unit, or a state against a number */
    DISPLAYED_UNKNOWN,        /* no reading of this name in the definition files */
    DISPLAYED_UNBOUND,        /* the mark has no place in the record (D 7.1) */
};
const char *displayed_answer_text(enum displayed_answer answer); /* "agrees", "differs", "not read", ... */

/* A reading of the bus. */
struct displayed_value {
    bool there;
    tt_wide numerator;        /* over the reading's denominator, in its unit */
    const char *state;        /* its named state, NULL without */
    int64_t time;
    uint32_t bus, epoch;
    uint64_t first_frame, last_frame;
};

struct displayed {
    const struct mark *mark;
    const struct def_reading *reading; /* NULL: DISPLAYED_UNKNOWN */
    enum displayed_answer answer;
    struct displayed_value agreeing;   /* the last one that agrees */
    struct displayed_value nearest;    /* numbers: the one that differs least, the earliest of equals */
    struct displayed_value last;       /* the last one in the window */
    uint64_t count;                    /* readings in the window */
    /* while the record is read */
    uint32_t index;                    /* of the reading; DEF_NONE */
    bool by_state, closed;
    struct ratio said, half;           /* displayed; half of its last digit, 0 for "0x" and "a/b" */
    struct ratio distance;             /* of nearest */
};

struct displayed_list {
    struct displayed *list;            /* owned; in file order of the marks */
    uint32_t count;
    uint64_t *wanted;                  /* owned; a bit for each reading that some mark names */
};

/* One entry for each displayed mark that nobody withdrew. False without memory. */
TT_MUST_USE bool displayed_open(struct displayed_list *list, const struct definitions *definitions,
                                const struct marks *marks);
/* A READING_VALUE, in file order. */
void displayed_push(struct displayed_list *list, const struct definitions *definitions,
                    const struct reading_event *event);
/* A bound mark: its window ends here. following: the frame behind it, NULL at the end. NULL for marks of other kinds. */
const struct displayed *displayed_mark(struct displayed_list *list, const struct mark *mark,
                                       const struct frame *following);
void displayed_close(struct displayed_list *list);

#endif
