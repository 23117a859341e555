/*
 * readings.csv (D 9.4): RFC 4180, one line a reading, for people and spreadsheets. offset is the record header of
 * first_frame in file; state is a named state, a text, yes or no; remark says what a value is not.
 */
#ifndef TT_READINGS_CSV_H
#define TT_READINGS_CSV_H

#include "view.h"

void readings_csv_begin(struct sink *sink);
/* READING_VALUE only; others are not readings and stand in log.jsonl. */
void readings_csv_reading(const struct view *view, struct sink *sink, const struct reading_event *event);

#endif
