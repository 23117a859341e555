/* See verdict_json.h. Keys and their order: D 9.5. */
#include "verdict_json.h"

#include <stdio.h>

#include "../stages/service.h"
#include "../support/units.h"
#include "json.h"

static const char *standing_text(enum standing standing)
{
    static const char *const words[] = {"inside", "below", "above", "other state", "too close to the limit"};
    return words[standing];
}

static void frame_or_null(struct json *json, const char *key, uint64_t frame)
{
    if (frame)
        json_unsigned(json, key, frame);
    else
        json_nothing(json, key);
}

/* ---- limit ---- */

/* One end as it was written; a guard may be in another unit than the limits and is converted exactly. */
static bool put_end(struct json *json, const char *key, bool there, struct ratio number)
{
    if (there)
        return json_number(json, key, number.numerator, number.denominator);
    json_nothing(json, key);
    return true;
}

static void put_limits(struct json *json, const struct def_limits *limits, bool has_guard, struct ratio guard,
                       const char *guard_unit)
{
    struct ratio converted = guard;
    json_open(json, "limit", '{');
    bool exact = put_end(json, "low", limits->has_low, limits->low);
    exact = put_end(json, "high", limits->has_high, limits->high) && exact;
    json_text(json, "unit", limits->unit && limits->unit[0] ? limits->unit : NULL);
    bool convertible = has_guard && units_convert(guard, guard_unit ? guard_unit : "", limits->unit ? limits->unit : "",
                                                  &converted);
    exact = put_end(json, "guard", has_guard, convertible ? converted : guard) && exact;
    json_bool(json, "exact", exact);
    json_close(json, '}');
}

static void put_texts(struct json *json, const char *key, const char *const *texts, uint32_t count)
{
    json_open(json, key, '[');
    for (uint32_t i = 0; i < count; i++)
        json_text(json, NULL, texts[i]);
    json_close(json, ']');
}

static void put_limit(struct json *json, const struct def_step *step)
{
    static const char *const tested[] = {NULL, "since clear", "this cycle"};
    if (step->kind == STEP_READING && step->has_between) {
        put_limits(json, &step->limits, step->has_guard, step->guard, step->guard_unit);
    } else if (step->kind == STEP_READING && step->is_count) {
        json_open(json, "limit", '{');
        put_texts(json, "is", step->is, step->is_count);
        json_close(json, '}');
    } else if (step->kind == STEP_CODES) {
        json_open(json, "limit", '{');
        json_hex_number(json, "none_with", step->none_with, 2);
        json_text(json, "tested", tested[step->tested]);
        json_close(json, '}');
    } else {
        json_nothing(json, "limit");
    }
}

/* ---- evidence ---- */

static void put_stretch(struct json *json, const char *key, const struct stretch *stretch,
                        const struct def_reading *reading, bool standing)
{
    bool exact = true;
    json_open(json, key, '{');
    if (stretch->state) {
        json_nothing(json, "lowest");
        json_nothing(json, "highest");
    } else {
        exact = json_number(json, "lowest", stretch->lowest, reading->denominator);
        exact = json_number(json, "highest", stretch->highest, reading->denominator) && exact;
    }
    json_text(json, "unit", reading->unit[0] ? reading->unit : NULL);
    json_unsigned(json, "samples", stretch->samples);
    json_time(json, "first_time", stretch->first_time);
    json_time(json, "last_time", stretch->last_time);
    json_unsigned(json, "first_frame", stretch->first_frame);
    json_unsigned(json, "last_frame", stretch->last_frame);
    json_text(json, "state", stretch->state);
    json_bool(json, "exact", exact);
    if (standing)
        json_text(json, "standing", standing_text(stretch->standing));
    json_close(json, '}');
}

static void put_deciding(struct json *json, const struct step_result *result, const struct def_reading *reading)
{
    if (result->evidence == EVIDENCE_STRETCH && reading) {
        put_stretch(json, "deciding", &result->stretch, reading, false);
    } else if (result->evidence == EVIDENCE_ANSWER) {
        json_open(json, "deciding", '{');
        json_hex(json, "bytes", result->bytes, result->bytes ? result->byte_count : 0);
        json_unsigned(json, "first_frame", result->first_frame);
        json_unsigned(json, "last_frame", result->last_frame);
        json_time(json, "time", result->time);
        json_text(json, "text", result->text);
        json_close(json, '}');
    } else {
        json_nothing(json, "deciding");
    }
}

static void put_covered(struct json *json, const struct mark *mark)
{
    if (mark->covered == MARK_COVER_UNKNOWN)
        json_nothing(json, "covered");
    else
        json_bool(json, "covered", mark->covered == MARK_COVERED);
    json_text(json, "cover", mark_covered_text(mark->covered));
}

static void put_mark(struct json *json, const struct mark *mark)
{
    if (!mark) {
        json_nothing(json, "mark");
        return;
    }
    json_open(json, "mark", '{');
    json_unsigned(json, "line", mark->line);
    json_time(json, "time", mark->time);
    json_text(json, "name", mark->name);
    put_covered(json, mark);
    json_close(json, '}');
}

static void put_try(struct json *json, const struct try_result *try_result, const struct def_reading *reading)
{
    const struct mark *withdrawal = try_result->mark ? try_result->mark->withdrawn_by : NULL;
    json_open(json, NULL, '{');
    json_text(json, "try", try_result->refused_start ? "refused start" : "moment");
    json_text(json, "answer", step_answer_text(try_result->answer));
    json_text(json, "reason", try_result->reason);
    json_bool(json, "left_out", try_result->left_out);
    json_time(json, "time", try_result->time);
    frame_or_null(json, "first_frame", try_result->first_frame);
    frame_or_null(json, "last_frame", try_result->last_frame);
    if (try_result->refused_start) {
        json_hex_number(json, "nrc", try_result->nrc, 2);
        json_text(json, "nrc_name", standard_nrc_name(DIALECT_ISO14229, try_result->nrc));
    } else {
        json_nothing(json, "nrc");
        json_nothing(json, "nrc_name");
    }
    put_mark(json, try_result->mark);
    json_text(json, "withdrawn", withdrawal ? withdrawal->text : NULL);
    if (try_result->has_stretch && reading)
        put_stretch(json, "stretch", &try_result->stretch, reading, true);
    else
        json_nothing(json, "stretch");
    json_close(json, '}');
}

/* last_frame: where something lies between two frames, the one behind it; of a span its last; null: to the end. */
static void put_gaps(struct json *json, const struct verdict_about *about, const struct gaps *gaps)
{
    json_open(json, "gaps", '[');
    for (uint32_t i = 0; i < gaps->kept; i++) {
        const struct gap *gap = &gaps->list[i];
        json_open(json, NULL, '{');
        json_text(json, "what", gap_kind_text(gap->kind));
        json_text(json, "bus", gap->bus == GAP_EVERY_BUS ? NULL : verdict_bus_name(about, gap->bus));
        frame_or_null(json, "frame", gap->frame);
        frame_or_null(json, "last_frame", gap->last_frame == UINT64_MAX ? 0 : gap->last_frame);
        json_bool(json, "between", gap->between);
        if (gap->count)
            json_unsigned(json, "count", gap->count);
        else
            json_nothing(json, "count");
        if (gap->time)
            json_time(json, "time", gap->time);
        else
            json_nothing(json, "time");
        json_close(json, '}');
    }
    json_close(json, ']');
    json_unsigned(json, "gap_count", gaps->count);
}

static void put_step(struct json *json, const struct verdict_about *about, const struct step_result *result)
{
    const struct definitions *definitions = about->definitions;
    const struct def_step *step = result->step;
    bool reads = step->kind == STEP_READING || step->kind == STEP_IDENTITY;
    const struct def_reading *reading = reads ? &definitions->readings[step->reading] : NULL;
    json_open(json, NULL, '{');
    json_text(json, "step", step->name);
    json_text(json, "answer", step_answer_text(result->answer));
    json_text(json, "reason", result->reason);
    json_text(json, "applied", step->applied);
    put_limit(json, step);
    put_deciding(json, result, reading);
    json_open(json, "also", '[');
    for (uint32_t i = 0; i < result->also.kept && reading; i++)
        put_stretch(json, NULL, &result->also.list[i], reading, true);
    json_close(json, ']');
    json_unsigned(json, "also_count", result->also.count);
    json_open(json, "tries", '[');
    for (uint32_t i = 0; i < result->tries.kept; i++)
        put_try(json, &result->tries.list[i], reading);
    json_close(json, ']');
    json_unsigned(json, "try_count", result->tries.count);
    put_gaps(json, about, &result->gaps);
    json_open(json, "remarks", '[');
    for (uint32_t i = 0; i < result->remark_count; i++)
        json_text(json, NULL, result->remarks[i]);
    json_close(json, ']');
    json_close(json, '}');
}

static void put_condition(struct json *json, const struct definitions *definitions,
                          const struct condition_result *result)
{
    const struct def_condition *condition = result->condition;
    bool reads = condition->reading != DEF_NONE;
    const struct def_reading *reading = reads ? &definitions->readings[condition->reading] : NULL;
    json_open(json, NULL, '{');
    json_text(json, "condition", condition->text);
    json_text(json, "vouched", vouched_text(result->vouched));
    json_text(json, "reason", result->reason);
    if (reads && condition->is_count) {
        json_open(json, "limit", '{');
        put_texts(json, "is", condition->is, condition->is_count);
        json_close(json, '}');
    } else if (reads) {
        put_limits(json, &condition->limits, false, ratio_whole(0), NULL);
    } else {
        json_nothing(json, "limit");
    }
    put_mark(json, result->mark);
    bool number = result->has_value && reading && reading->kind == READING_NUMBER && !result->state;
    bool exact = true;
    if (number)
        exact = json_number(json, "value", result->numerator, reading->denominator);
    else
        json_nothing(json, "value");
    json_text(json, "unit", reading && reading->unit[0] ? reading->unit : NULL);
    json_text(json, "state", result->has_value ? result->state : NULL);
    json_bool(json, "exact", exact);
    frame_or_null(json, "first_frame", result->has_value ? result->first_frame : 0);
    frame_or_null(json, "last_frame", result->has_value ? result->last_frame : 0);
    if (result->has_value)
        json_time(json, "time", result->time);
    else
        json_nothing(json, "time");
    json_close(json, '}');
}

static void put_attempt(struct json *json, const struct verdict_about *about, const struct attempt_result *attempt)
{
    const struct definitions *definitions = about->definitions;
    json_open(json, NULL, '{');
    json_unsigned(json, "attempt", attempt->number);
    json_bool(json, "last", attempt->last);
    json_bool(json, "opened", attempt->opened);
    json_bool(json, "answered", attempt->answered);
    frame_or_null(json, "first_frame", attempt->first_frame);
    frame_or_null(json, "last_frame", attempt->last_frame);
    json_time(json, "first_time", attempt->first_time);
    json_time(json, "last_time", attempt->last_time);
    json_open(json, "conditions", '[');
    for (uint32_t i = 0; i < definitions->condition_count; i++)
        put_condition(json, definitions, &attempt->conditions[i]);
    json_close(json, ']');
    json_open(json, "steps", '[');
    for (uint32_t i = 0; i < definitions->step_count; i++)
        put_step(json, about, &attempt->steps[i]);
    json_close(json, ']');
    put_gaps(json, about, &attempt->gaps);
    json_close(json, '}');
}

static void put_part(struct json *json, const struct verdict_about *about, const struct part_result *part)
{
    const struct verdict *verdict = about->verdict;
    json_open(json, NULL, '{');
    json_unsigned(json, "part", part->number);
    frame_or_null(json, "first_frame", part->first_frame);
    frame_or_null(json, "last_frame", part->last_frame);
    json_text(json, "why", part->why[0] ? part->why : NULL);
    json_unsigned(json, "exit", (uint64_t)part->exit_code);
    json_unsigned(json, "attempt_count", part->attempt_count);
    json_open(json, "attempts", '[');
    for (uint32_t i = 0; i < verdict->attempts_kept; i++)
        if (verdict->attempts[i]->part == part->number)
            put_attempt(json, about, verdict->attempts[i]);
    json_close(json, ']');
    json_close(json, '}');
}

/* ---- what it is about ---- */

static void put_traces(struct json *json, const struct verdict_about *about)
{
    json_open(json, "traces", '[');
    for (uint32_t i = 0; i < about->trace_count; i++) {
        const struct trace_facts *trace = &about->traces[i];
        json_open(json, NULL, '{');
        json_text(json, "file", trace->name);
        json_text(json, "bus", trace->bus);
        json_text(json, "sha256", trace->sha256);
        json_unsigned(json, "bytes", trace->bytes);
        json_unsigned(json, "frames", trace->frames);
        json_text(json, "ended", trace_ended_text(trace->status));
        if (trace->original) {
            json_open(json, "original", '{');
            json_text(json, "sha256", trace->original);
            json_unsigned(json, "interface", trace->interface);
            json_text(json, "name", trace->interface_name[0] ? trace->interface_name : NULL);
            json_close(json, '}');
        } else {
            json_nothing(json, "original");
        }
        json_close(json, '}');
    }
    json_close(json, ']');
}

static void put_files(struct json *json, const struct verdict_about *about)
{
    json_open(json, "definitions", '[');
    for (uint32_t i = 0; i < about->definitions->file_count; i++) {
        json_open(json, NULL, '{');
        json_text(json, "file", about->definitions->files[i].name);
        json_text(json, "sha256", about->definitions->files[i].sha256);
        json_close(json, '}');
    }
    json_close(json, ']');
    if (about->marks) {
        json_open(json, "marks", '{');
        json_text(json, "file", "marks.jsonl");
        json_text(json, "sha256", about->marks->sha256);
        json_unsigned(json, "count", about->marks->count);
        json_close(json, '}');
    } else {
        json_nothing(json, "marks");
    }
}

const char *verdict_bus_name(const struct verdict_about *about, uint32_t bus)
{
    for (uint32_t i = 0; i < about->trace_count; i++)
        if (about->traces[i].bus_index == bus)
            return about->traces[i].bus;
    return "";
}

/* ---- what the scan tool displayed ---- */

static void put_bus_value(struct json *json, const struct verdict_about *about, const char *key,
                          const struct displayed *displayed, const struct displayed_value *value)
{
    bool exact = true;
    if (!value->there) {
        json_nothing(json, key);
        return;
    }
    json_open(json, key, '{');
    if (displayed->reading->kind == READING_NUMBER)
        exact = json_number(json, "value", value->numerator, displayed->reading->denominator);
    else
        json_nothing(json, "value");
    json_bool(json, "exact", exact);
    json_text(json, "unit", displayed->reading->unit[0] ? displayed->reading->unit : NULL);
    json_text(json, "state", value->state);
    json_time(json, "time", value->time);
    json_text(json, "bus", verdict_bus_name(about, value->bus));
    json_unsigned(json, "first_frame", value->first_frame);
    json_unsigned(json, "last_frame", value->last_frame);
    json_close(json, '}');
}

static void put_displayed(struct json *json, const struct verdict_about *about)
{
    json_open(json, "displayed", '[');
    for (uint32_t i = 0; about->displayed && i < about->displayed->count; i++) {
        const struct displayed *one = &about->displayed->list[i];
        json_open(json, NULL, '{');
        json_unsigned(json, "line", one->mark->line);
        json_time(json, "time", one->mark->time);
        json_text(json, "name", one->mark->name);
        json_text(json, "value", mark_said(one->mark));
        json_text(json, "unit", one->mark->unit[0] ? one->mark->unit : NULL);
        put_covered(json, one->mark);
        json_text(json, "answer", displayed_answer_text(one->answer));
        json_unsigned(json, "window_seconds", DISPLAYED_WINDOW / TT_SECOND);
        json_unsigned(json, "readings", one->count);
        put_bus_value(json, about, "agreeing", one, &one->agreeing);
        put_bus_value(json, about, "nearest", one, &one->nearest);
        put_bus_value(json, about, "last", one, &one->last);
        json_close(json, '}');
    }
    json_close(json, ']');
}

void verdict_json(struct sink *sink, const struct verdict_about *about)
{
    const struct verdict *verdict = about->verdict;
    struct json json;
    json_begin(&json, sink);
    json_open(&json, NULL, '{');
    json_unsigned(&json, "format", VERDICT_FORMAT);
    json_text(&json, "version", TT_VERSION);
    json_text(&json, "passive", about->passive);
    put_traces(&json, about);
    put_files(&json, about);
    json_text(&json, "limits_fixed_before_recording", about->limits_fixed);
    json_open(&json, "recorder", '{');
    json_bool(&json, "log", about->recorded);
    json_bool(&json, "took_part", about->took_part);
    json_open(&json, "notes", '[');
    for (uint32_t i = 0; i < about->record_note_count; i++)
        json_text(&json, NULL, about->record_notes[i]);
    json_close(&json, ']');
    (void)json_number(&json, "stamp_uncertainty", about->stamp_uncertainty, TT_SECOND);
    json_close(&json, '}');
    json_text(&json, "chosen_bus", about->bus ? about->bus_name : NULL);
    json_unsigned(&json, "part_count", verdict->part_count);
    if (verdict->chosen_part)
        json_unsigned(&json, "chosen_part", verdict->chosen_part);
    else
        json_nothing(&json, "chosen_part");
    json_open(&json, "parts", '[');
    for (uint32_t i = 0; i < verdict->parts_kept; i++)
        put_part(&json, about, &verdict->parts[i]);
    json_close(&json, ']');
    put_displayed(&json, about);
    json_text(&json, "answer", verdict->answer);
    json_unsigned(&json, "exit", (uint64_t)verdict->exit_code);
    json_close(&json, '}');
    json_end(&json);
}
