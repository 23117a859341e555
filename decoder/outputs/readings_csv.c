/* See readings_csv.h. */
#include "readings_csv.h"

void readings_csv_begin(struct sink *sink)
{
    sink_text(sink, "reading,value,unit,state,seconds,time,raw,first_frame,last_frame,file,offset,remark\r\n");
}

void readings_csv_reading(const struct view *view, struct sink *sink, const struct reading_event *event)
{
    const struct value *value = event->value;
    const struct message *message = event->message;
    const struct def_reading *reading = &view->definitions->readings[value->reading];
    bool exact = true;
    struct row row;
    row_begin(&row, sink, ROW_CSV, NULL);
    row_text(&row, "reading", view_reading_name(view, reading));
    if (value->has_number)
        exact = row_number(&row, "value", value->numerator, reading->denominator);
    else
        row_null(&row, "value");
    row_text(&row, "unit", reading->unit);
    if (reading->kind == READING_TEXT && value->bytes)
        row_text_of(&row, "state", value->bytes, value->length);
    else
        row_text(&row, "state", value->name);
    row_seconds(&row, "seconds", message->last_time - *view->start);
    row_time(&row, "time", message->last_time);
    row_hex(&row, "raw", value->bytes, value->bytes ? value->length : 0);
    row_unsigned(&row, "first_frame", message->first_frame);
    row_unsigned(&row, "last_frame", message->last_frame);
    row_key(&row, "file");
    view_put_file(view, sink, message->file);
    row_unsigned(&row, "offset", message->record_offset);
    row_word(&row, "remark", view_value_remark(value, exact));
    row_end(&row);
}
