/* An explanation in words that a technician follows, one thing a line, from the value back to the file and forward to
 * the limit. */
#include "explain_words.h"

#include "../stages/service_fields.h"

/* ---- where it came from ---- */

static bool is_secret(const uint8_t *bytes, uint32_t count)
{
    return count > 0 && (bytes[0] & 0xBF) == 0x27;
}

/* Of SecurityAccess no seed and no key (D 8.6). */
static uint32_t shown_of(const uint8_t *bytes, uint32_t count)
{
    uint32_t secret = is_secret(bytes, count) ? service_secret_offset(bytes, count) : count;
    return secret < count ? secret : count;
}

static void put_question(struct explain_words *words, const struct explain_item *item)
{
    const struct explain_question *question = &item->question;
    const char *name = standard_service_name(item->dialect, item->service);
    if (item->broadcast) {
        explain_put(words, "It was broadcast: the module sends it unasked, in ");
        explain_put_frames(words, item->first_frame, item->last_frame);
        explain_put(words, " with the id ");
        explain_put_id(words, item->id);
        explain_put(words, ".\n");
        return;
    }
    if (question->there) {
        explain_put(words, "The scan tool asked ");
        explain_put_bytes(words, question->bytes, shown_of(question->bytes, question->kept), question->length);
        if (name) {
            explain_put(words, " (");
            explain_put(words, name);
            explain_put(words, ")");
        }
        explain_put(words, " in ");
        explain_put_frames(words, question->first_frame, question->last_frame);
        explain_put(words, ", at ");
        explain_put_time(words, question->time);
        explain_put(words, ".\n");
    } else {
        explain_put(words, "No question for it is on record.\n");
    }
    if (item->of_request) {
        explain_put(words,
                    "    The value stands in the question itself: what the scan tool asked for, granted or not.\n");
        return;
    }
    explain_put(words, "    The module \"");
    explain_put_text(words, view_module_name(words->explain->view, item->module));
    explain_put(words, "\" answered ");
    explain_put_bytes(words, item->bytes, shown_of(item->bytes, item->received), item->length);
    explain_put(words, " in ");
    explain_put_frames(words, item->first_frame, item->last_frame);
    explain_put(words, ", at ");
    explain_put_time(words, item->time);
    if (item->state == EXCHANGE_LATE)
        explain_put(words, ", later than allowed");
    explain_put(words, ".\n");
}

static void put_item_frames(struct explain_words *words, const struct explain_item *item)
{
    explain_put(words, "    These frames carried it (offsets in bytes from the start of the file):\n");
    for (uint32_t i = 0; i < item->frame_count; i++) {
        const struct frame *frame = &item->frames[i];
        explain_put(words, "        frame ");
        explain_put_number(words, frame->number);
        explain_put(words, ", bus ");
        explain_put(words, view_bus_name(words->explain->view, frame->bus));
        explain_put(words, ", id ");
        explain_put_id(words, frame_id_word(frame));
        explain_put(words, ": ");
        explain_put_bytes(words, frame->data, is_secret(item->bytes, item->received) ? 0 : frame->length,
                          frame->length);
        explain_put(words, "; ");
        explain_put_file(words, frame->file);
        explain_put(words, ", its record at ");
        explain_put_number(words, frame->offset);
        explain_put(words, ", its data at ");
        explain_put_number(words, frame->data_offset);
        explain_put(words, "\n");
    }
    if (item->frames_left_out) {
        explain_put(words, "        and ");
        explain_put_number(words, item->frames_left_out);
        explain_put(words, " more frames\n");
    }
}

/* ---- forward to the limit ---- */

static void put_ratio(struct explain_words *words, struct ratio ratio, const char *unit)
{
    explain_put_decimal(words, ratio.numerator, ratio.denominator);
    explain_put_unit(words, unit);
}

static void put_limits(struct explain_words *words, const struct def_limits *limits)
{
    if (limits->has_low)
        put_ratio(words, limits->low, limits->has_high ? "" : limits->unit);
    explain_put(words, limits->has_low && limits->has_high ? " to " : limits->has_low ? " or more" : "at most ");
    if (limits->has_high)
        put_ratio(words, limits->high, limits->unit);
}

static void put_wanted(struct explain_words *words, const struct def_step *step)
{
    if (step->is_count) {
        for (uint32_t i = 0; i < step->is_count; i++) {
            explain_put(words, i == 0 ? "" : i + 1 == step->is_count ? " or " : ", ");
            explain_put_text(words, step->is[i]);
        }
        return;
    }
    put_limits(words, &step->limits);
    explain_put(words, ", ends included");
    if (step->has_guard && step->guard.numerator != 0) {
        explain_put(words, ", less a safety margin of ");
        put_ratio(words, step->guard, step->guard_unit);
    }
}

static void put_step_line(struct explain_words *words, const struct explain_item *item,
                          const struct step_result *result, uint32_t number)
{
    static const char *const uses[] = {
        "It belongs to what decided the step", "It belongs to another steady stretch of the step",
        "No steady stretch of the step holds it"};
    const struct def_step *step = result->step;
    explain_put(words, "    step ");
    explain_put_number(words, number);
    explain_put(words, ", ");
    explain_put_text(words, step->name);
    explain_put(words, " (");
    explain_put_definition(words, step->place);
    explain_put(words, ")");
    if (step->kind == STEP_READING) {
        explain_put(words, ": wanted ");
        put_wanted(words, step);
        explain_put(words, "; this value is ");
        explain_put(words, explain_stand_text(explain_stand_of(&item->value, step)));
    }
    explain_put(words, ". ");
    explain_put(words, uses[explain_use_of(item, result)]);
    explain_put(words, ". The step is ");
    explain_put(words, step_answer_text(result->answer));
    if (result->reason[0]) {
        explain_put(words, ": ");
        explain_put_text(words, result->reason);
    }
    explain_put(words, ".\n");
}

static bool step_reads(const struct def_step *step, uint32_t reading)
{
    return ((step->kind == STEP_READING || step->kind == STEP_IDENTITY) && step->reading == reading) ||
           (step->kind == STEP_ACTION && step->outcome == reading);
}

static void put_use(struct explain_words *words, const struct explain_item *item)
{
    const struct verdict *verdict = words->about->verdict;
    const struct attempt_result *attempt = explain_attempt(verdict, item);
    bool any = false;
    explain_put(words, "\nWhat it was held against\n");
    for (uint32_t i = 0; i < verdict->attempts_kept; i++) {
        for (uint32_t j = 0; j < words->definitions->condition_count; j++) {
            const struct condition_result *condition = &verdict->attempts[i]->conditions[j];
            if (!condition->has_value || condition->condition->reading != item->reading ||
                condition->last_frame != item->last_frame || condition->bus != item->bus)
                continue;
            explain_put(words, "    condition ");
            explain_put_text(words, condition->condition->text);
            explain_put(words, " of attempt ");
            explain_put_number(words, verdict->attempts[i]->number);
            explain_put(words, " (");
            explain_put_definition(words, condition->condition->place);
            explain_put(words, "): ");
            explain_put(words, vouched_text(condition->vouched));
            explain_put(words, "\n");
            any = true;
        }
    }
    for (uint32_t j = 0; attempt && j < words->definitions->step_count; j++) {
        if (!step_reads(&words->definitions->steps[j], item->reading))
            continue;
        if (!any || j == 0 || verdict->attempt_count > 1) {
            explain_put(words, "    in attempt ");
            explain_put_number(words, attempt->number);
            explain_put(words, attempt->last ? ", which counts:\n" : ", which does not count any more:\n");
        }
        put_step_line(words, item, &attempt->steps[j], j + 1);
        any = true;
    }
    if (!any)
        explain_put(words, attempt
                       ? "    No step and no condition is about this value.\n"
                       : "    It lies before the first attempt, and no condition rests on it: nothing was judged by "
                         "it.\n");
}

/* ---- the whole ---- */

static void put_item(struct explain_words *words, const struct explain_item *item)
{
    struct explain_place place;
    explain_put(words, "\nQuestion and answer\n    ");
    put_question(words, item);
    put_item_frames(words, item);
    if (item->reading == DEF_NONE)
        return;
    explain_put(words, "\nFrom bytes to value\n");
    if (!explain_find(words->definitions, item->reading, &place)) /* cannot be */
        return;
    if (place.derived)
        explain_put_sum(words, item, &place);
    else
        explain_put_field(words, item, place.field, place.flag, &item->value);
}

static void put_labels(struct explain_words *words, unsigned labels)
{
    static const char *const names[] = {"asked for", "first", "lowest", "highest", "last", "deciding"};
    bool any = false;
    for (unsigned bit = 0; bit < sizeof names / sizeof names[0]; bit++) {
        if (!(labels & 1u << bit))
            continue;
        explain_put(words, any ? ", " : "");
        explain_put(words, names[bit]);
        any = true;
    }
}

static void put_head(struct explain_words *words, const struct explain_item *item)
{
    if (item->reading == DEF_NONE)
        return;
    explain_put_text(words, view_reading_name(words->explain->view, &words->definitions->readings[item->reading]));
    explain_put(words, " = ");
    explain_put_value(words, &item->value);
    explain_put(words, ", at ");
    explain_put_time(words, item->time);
    explain_put(words, ", bus ");
    explain_put(words, view_bus_name(words->explain->view, item->bus));
    explain_put(words, ", ");
    explain_put_frames(words, item->first_frame, item->last_frame);
    explain_put(words, "\n");
}

static void put_step_head(struct explain_words *words, const struct step_result *result,
                          const struct attempt_result *attempt)
{
    const struct def_step *step = result->step;
    explain_put_text(words, step->name);
    explain_put(words, ": ");
    explain_put(words, step_answer_text(result->answer));
    explain_put(words, "\n");
    if (result->reason[0]) {
        explain_put(words, "    why: ");
        explain_put_text(words, result->reason);
        explain_put(words, "\n");
    }
    explain_put(words, "    described in ");
    explain_put_definition(words, step->place);
    explain_put(words, "; judged in attempt ");
    explain_put_number(words, attempt->number);
    explain_put(words, "\n");
    if (step->kind == STEP_READING) {
        explain_put(words, "    wanted: ");
        put_wanted(words, step);
        explain_put(words, "\n");
    }
    if (result->evidence == EVIDENCE_NONE) {
        explain_put(words, "    Nothing in the record is evidence for it.\n");
    } else if (result->evidence == EVIDENCE_STRETCH) {
        explain_put(words, "    It rests on ");
        explain_put_number(words, result->stretch.samples);
        explain_put(words, result->stretch.samples == 1 ? " value, in " : " values, in ");
        explain_put_frames(words, result->stretch.first_frame, result->stretch.last_frame);
        explain_put(words, ", from ");
        explain_put_time(words, result->stretch.first_time);
        explain_put(words, " to ");
        explain_put_time(words, result->stretch.last_time);
        explain_put(words,
                    ". Its ends and extremes follow; taretrace explain JOB \"READING@FRAME\" tells any other.\n");
    }
    for (uint32_t i = 0; i < result->remark_count; i++) {
        explain_put(words, "    remark: ");
        explain_put_text(words, result->remarks[i]);
        explain_put(words, "\n");
    }
}

void explain_text(struct sink *sink, const struct explain *explain, const struct verdict_about *about,
                  const struct attempt_result *attempt)
{
    struct explain_words words = {sink, explain, about, about->definitions};
    if (explain->step)
        put_step_head(&words, explain->step, attempt);
    for (uint32_t i = 0; i < explain->item_count; i++) {
        const struct explain_item *item = &explain->items[i];
        if (explain->step) {
            explain_put(&words, "\n-- ");
            put_labels(&words, item->labels);
            explain_put(&words, " --\n");
        }
        put_head(&words, item);
        put_item(&words, item);
        if (!explain->step)
            put_use(&words, item);
    }
}
