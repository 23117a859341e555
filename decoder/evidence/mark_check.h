/*
 * A mark that a person wants to note (D 5.6), held against what can be known before it is written: its text, its
 * number, its VIN, and whether the job's definition files know the name it is about. What is written into marks.jsonl
 * is read by the judge as it stands; a name with a slip in it would count for nothing, and nobody would notice during
 * the job.
 */
#ifndef TT_MARK_CHECK_H
#define TT_MARK_CHECK_H

#include "../../definitions/model.h"
#include "../stages/marks.h"

#define MARK_TEXT_MAX 1000 /* bytes of a note, challenge or reason */

/* A mark in the making. Texts are borrowed; "" where there is none. */
struct new_mark {
    enum mark_kind kind;
    int64_t time;           /* ns since 1970: when the person acted */
    const char *name, *text, *value, *unit;
    uint32_t withdraws;
    char room[2 * DEF_NAME_MAX + MARK_TEXT_MAX + 8]; /* what had to be taken apart or put in capitals */
};

/* All texts "", time given. */
void new_mark_init(struct new_mark *mark, enum mark_kind kind, int64_t time);

/*
 * "seat load.total = 29.8 kg" to name, value and unit: the last " = " divides (D 6.1). The same for "work order=4711"
 * (an identity; spaces around the sign may be left out, the first sign divides) and for a mass like "30 kg". The parts
 * stand in mark->room. False, told, when the text cannot be divided.
 */
TT_MUST_USE bool new_mark_displayed(struct new_mark *mark, const char *text, struct diagnostics *diagnostics);
TT_MUST_USE bool new_mark_identity(struct new_mark *mark, const char *text, struct diagnostics *diagnostics);
TT_MUST_USE bool new_mark_mass(struct new_mark *mark, const char *text, struct diagnostics *diagnostics);

/*
 * Everything that can be held against it. definitions: the job's, NULL when it has none (names are then taken as they
 * are). Puts a VIN in capitals. False, told with what to do, when it must not be written; a doubt that is none of ours
 * (a VIN's check digit, which only some countries require) is a remark.
 */
TT_MUST_USE bool new_mark_check(struct new_mark *mark, const struct definitions *definitions,
                                struct diagnostics *diagnostics);

struct sink;
/* What the mark says, in plain words and without time: moment "weight on"; escaped for a terminal. */
void new_mark_words(struct sink *sink, const struct new_mark *mark);

#endif
