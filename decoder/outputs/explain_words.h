/*
 * What the parts of an explanation in words share (explain_text.c, explain_value.c): escaped text, numbers, times and
 * places, and a value followed from its bytes.
 */
#ifndef TT_EXPLAIN_WORDS_H
#define TT_EXPLAIN_WORDS_H

#include "explain.h"

struct explain_words {
    struct sink *sink;
    const struct explain *explain;
    const struct verdict_about *about;
    const struct definitions *definitions;
};

/* explain_put: text of ours. explain_put_text: from bus or files, escaped for a terminal.
 * explain_put_bytes: count of length bytes are there. */
void explain_put(struct explain_words *words, const char *text);
void explain_put_text(struct explain_words *words, const char *text);
void explain_put_number(struct explain_words *words, uint64_t number);
void explain_put_decimal(struct explain_words *words, tt_wide numerator, tt_wide denominator);
void explain_put_unit(struct explain_words *words, const char *unit);
void explain_put_bytes(struct explain_words *words, const uint8_t *bytes, uint32_t count, uint32_t length);
void explain_put_time(struct explain_words *words, int64_t time);
void explain_put_frames(struct explain_words *words, uint64_t first, uint64_t last);
void explain_put_definition(struct explain_words *words, struct def_place place);
void explain_put_id(struct explain_words *words, uint32_t id);
void explain_put_file(struct explain_words *words, uint32_t file);
void explain_put_value(struct explain_words *words, const struct value *value);
void explain_put_field(struct explain_words *words, const struct explain_item *item, const struct def_field *field,
                       const struct def_flag *flag, const struct value *value);
void explain_put_sum(struct explain_words *words, const struct explain_item *item, const struct explain_place *place);

#endif
