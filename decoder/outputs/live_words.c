/* See live_words.h. */
#include "live_words.h"

#include <string.h>

#include "../support/text.h"

#define QUIET (5 * TT_SECOND) /* without a frame: no bus at work is silent for so long */

static void put(struct sink *sink, const char *text)
{
    text_terminal(sink, text, strlen(text));
}

static void quoted(struct sink *sink, const char *text)
{
    sink_char(sink, '"');
    put(sink, text);
    sink_char(sink, '"');
}

static void put_ratio(struct sink *sink, struct ratio value, const char *unit)
{
    char text[RATIO_TEXT_MAX];
    bool exact;
    sink_put(sink, text, ratio_text(value, text, &exact));
    if (unit && unit[0])
        sink_char(sink, ' ');
    put(sink, unit ? unit : "");
}

void live_words_span(struct sink *sink, int64_t nanoseconds)
{
    int64_t seconds = nanoseconds / TT_SECOND;
    if (nanoseconds < 0) {
        sink_text(sink, "0 s");
        return;
    }
    if (seconds >= 3600) {
        sink_unsigned(sink, (uint64_t)(seconds / 3600));
        sink_text(sink, " h ");
    }
    if (seconds >= 60) {
        sink_unsigned(sink, (uint64_t)(seconds / 60 % 60));
        sink_text(sink, " min ");
    }
    sink_unsigned(sink, (uint64_t)(seconds % 60));
    if (seconds < 60 && nanoseconds / (100 * TT_MS) % 10) {
        sink_char(sink, '.');
        sink_unsigned(sink, (uint64_t)(nanoseconds / (100 * TT_MS) % 10));
    }
    sink_text(sink, " s");
}

void live_words_value(struct sink *sink, const struct live_reading *shown)
{
    char number[RATIO_TEXT_MAX];
    bool exact;
    if (shown->state) {
        put(sink, shown->state);
    } else if (!shown->has_value) {
        sink_text(sink, shown->read ? "no value" : "not read yet");
    } else if (shown->reading->kind != READING_NUMBER) {
        sink_text(sink, "no number");
    } else {
        sink_put(sink, number, ratio_print(shown->numerator, shown->reading->denominator, number, &exact));
        if (shown->reading->unit[0])
            sink_char(sink, ' ');
        put(sink, shown->reading->unit);
    }
}

void live_words_head(struct sink *sink, const struct live_state *state)
{
    static const char *const verbs[] = {"Starting to record into ", "Recording into ", "Stopping the recording into ",
                                        "The recording has ended: ", "Nobody is recording into "};
    sink_text(sink, verbs[state->recorder]);
    put(sink, state->job);
    if (state->recorder == LIVE_RECORDING && state->frames) {
        sink_text(sink, " for ");
        live_words_span(sink, state->span);
    }
    sink_text(sink, state->recorder == LIVE_ENDED ? ", " : ": ");
    sink_unsigned(sink, state->frames);
    sink_text(sink, state->frames == 1 ? " frame" : " frames");
    if (state->buses[0])
        sink_text(sink, " on ");
    put(sink, state->buses);
    if (state->recorder != LIVE_RECORDING && state->frames) {
        sink_text(sink, " in ");
        live_words_span(sink, state->span);
    }
    if (state->verdict->there && state->verdict->opened && state->verdict->attempt > 1) {
        sink_text(sink, ", attempt ");
        sink_unsigned(sink, state->verdict->attempt);
    }
    sink_char(sink, '.');
}

/* ---- what to do next ---- */

static bool is_over(const struct live_state *state)
{
    return state->recorder == LIVE_ENDED || state->recorder == LIVE_NOBODY;
}

static const struct live_key *key_of(const struct live_state *state, const char *moment)
{
    for (uint32_t i = 0; i < state->key_count; i++)
        if (state->keys[i].moment && strcmp(state->keys[i].moment, moment) == 0)
            return &state->keys[i];
    return NULL;
}

/* "press w" or, without keys, the command that does the same. */
static void press(struct sink *sink, const struct live_state *state, const char *moment)
{
    const struct live_key *key = key_of(state, moment);
    if (key) {
        sink_text(sink, "press ");
        sink_char(sink, key->key);
        return;
    }
    sink_text(sink, "note it: taretrace mark ");
    put(sink, state->path);
    sink_text(sink, " --moment ");
    quoted(sink, moment);
}

/* The same once more, as the end of a sentence. */
static void press_again(struct sink *sink, const struct live_state *state, const char *moment)
{
    bool key = key_of(state, moment) != NULL;
    if (key)
        press(sink, state, moment);
    sink_text(sink, key ? " once more when all lies still" : "note it once more when all lies still: ");
    if (!key) {
        sink_text(sink, "taretrace mark ");
        put(sink, state->path);
        sink_text(sink, " --moment ");
        quoted(sink, moment);
    }
    sink_char(sink, '.');
}

/* "for 2 s", of a step that needs the reading steady. */
static void how_long(struct sink *sink, const struct def_step *step)
{
    sink_text(sink, " for ");
    live_words_span(sink, step->steady_for);
}

static void one_of(struct sink *sink, const char *const *names, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++) {
        sink_text(sink, i == 0 ? "" : i + 1 == count ? " or " : ", ");
        quoted(sink, names[i]);
    }
}

/* A moment after which the reading did not stand in time, or moments that disagree (D 7.8): pressing again alone does
 * not help, since tries must agree until one is taken back. */
static bool moment_is_spoilt(const struct def_step *step, const struct live_step *so_far)
{
    return step->mark && so_far->moments && so_far->answer == STEP_NOT_CONFIRMED &&
           (so_far->since_moment > step->wait + step->steady_for || strstr(so_far->reason, "disagree"));
}

static void next_reading(struct sink *sink, const struct live_state *state, const struct def_step *step,
                         const struct live_step *so_far)
{
    const char *reading = state->definitions->readings[step->reading].name;
    if (step->mark && so_far->moments == 0) {
        if (step->applied) {
            sink_text(sink, "Put the test weight (");
            put(sink, step->applied);
            sink_text(sink, ") on the seat. When all of it lies still and nobody touches the seat, ");
        } else {
            sink_text(sink, "When the moment ");
            quoted(sink, step->mark);
            sink_text(sink, " has come, ");
        }
        press(sink, state, step->mark);
        sink_char(sink, '.');
        return;
    }
    if (moment_is_spoilt(step, so_far)) {
        sink_text(sink, "The moment ");
        quoted(sink, step->mark);
        sink_text(sink, so_far->moments > 1
                            ? " was noted more than once, and what followed differs. Take back the wrong one"
                            : " was followed by no steady reading in time. Take it back");
        sink_text(sink, key_of(state, step->mark) ? " (u, or taretrace mark --withdraw), and "
                                                  : " (taretrace mark --withdraw), and ");
        press_again(sink, state, step->mark);
        return;
    }
    if (!step->mark && strncmp(so_far->reason, "readings disagree", 17) == 0) {
        quoted(sink, step->name);
        sink_text(sink,
                  ": the readings disagree, and more of them do not mend that. Zeroing again begins a new attempt.");
        return;
    }
    if (step->applied && !step->mark) {
        sink_text(sink, "Put the test weight (");
        put(sink, step->applied);
        sink_text(sink, ") on the seat. ");
    }
    sink_text(sink, step->applied || step->mark ? "Touch nothing" : "Leave the seat empty and touch nothing");
    sink_text(sink, ", and let the scan tool go on showing ");
    quoted(sink, reading);
    if (step->is_count) {
        sink_text(sink, " until it has been ");
        one_of(sink, step->is, step->is_count);
        if (step->has_steady)
            how_long(sink, step);
    } else if (step->has_steady) {
        sink_text(sink, " until it has stood steady");
        how_long(sink, step);
    }
    sink_char(sink, '.');
    if (step->mark && so_far->moments) {
        sink_text(sink, " If something moved, ");
        press_again(sink, state, step->mark);
    }
}

static void next_action(struct sink *sink, const struct live_state *state, const struct def_step *step,
                        const struct live_step *so_far)
{
    const char *action = state->definitions->actions[step->action].name;
    /* The reason is the judge's; its first words tell how far the module got. */
    if (strncmp(so_far->reason, "still running", 13) == 0 || strncmp(so_far->reason, "accepted, but", 13) == 0) {
        sink_text(sink, "Wait, and let the scan tool ask how ");
        quoted(sink, action);
        sink_text(sink, " ended.");
        return;
    }
    if (so_far->answer == STEP_CONTRADICTED) {
        sink_text(sink, "The module did not do it (");
        put(sink, so_far->reason);
        if (state->verdict->nrc && step->opens_attempt) {
            sink_text(sink, ", last with ");
            put(sink, standard_nrc_name(DIALECT_ISO14229, state->verdict->nrc));
        }
        sink_text(sink, "). Look at the conditions, then start ");
        quoted(sink, action);
        sink_text(sink, " again with the scan tool.");
        return;
    }
    sink_text(sink, "Start ");
    quoted(sink, action);
    sink_text(sink, " with the scan tool.");
}

static void next_step(struct sink *sink, const struct live_state *state, uint32_t index)
{
    const struct def_step *step = &state->definitions->steps[index];
    const struct live_step *so_far = &state->verdict->steps[index];
    if (so_far->answer == STEP_CONTRADICTED && step->kind != STEP_ACTION &&
        !live_waits_moment(state->verdict, state->definitions, index)) {
        quoted(sink, step->name);
        sink_text(sink, " is contradicted: ");
        put(sink, so_far->reason);
        sink_text(sink, ". Find out why before you go on; zeroing again begins a new attempt.");
        return;
    }
    switch (step->kind) {
    case STEP_READING:
        next_reading(sink, state, step, so_far);
        break;
    case STEP_ACTION:
        next_action(sink, state, step, so_far);
        break;
    case STEP_ANSWERED:
        if (step->service == 0x14 || step->service == 0x04) {
            sink_text(sink, "Clear the trouble codes with the scan tool.");
        } else {
            sink_text(sink, "Let the scan tool do this: ");
            quoted(sink, step->name);
            sink_char(sink, '.');
        }
        break;
    case STEP_CODES:
        sink_text(sink, "Let the scan tool read the trouble codes");
        sink_text(sink, strncmp(so_far->reason, "cleared, not tested", 19) == 0
                            ? " again when the module has run its tests (they may need a new ignition cycle)." : ".");
        break;
    case STEP_IDENTITY:
        sink_text(sink, "Let the scan tool read ");
        quoted(sink, state->definitions->readings[step->reading].name);
        sink_text(sink, ", and note ");
        quoted(sink, step->equals_mark);
        sink_text(sink, " as you read it off.");
        break;
    case STEP_RECORD:
        break;
    }
}

static void no_answer(struct sink *sink, const struct live_state *state)
{
    const struct definitions *definitions = state->definitions;
    const char *name = definitions->main_module < definitions->module_count
                           ? definitions->modules[definitions->main_module].name : "the module";
    sink_text(sink, state->asked ? "The scan tool asks, but no answer from " : "No answer from ");
    quoted(sink, name);
    sink_text(sink, " on this bus: gateway, wrong pair, wrong bit rate?");
    if (!state->asked)
        sink_text(sink, " (Before the scan tool talks to the module there is none.)");
}

void live_words_next(struct sink *sink, const struct live_state *state)
{
    const struct live_verdict *verdict = state->verdict;
    if (state->recorder == LIVE_STARTING) {
        sink_text(sink, "Wait until the recorder has opened the bus.");
    } else if (state->recorder == LIVE_STOPPING) {
        sink_text(sink, "Wait until the recorder has closed the record. (Ctrl-C again kills it: the record then lacks "
                        "its end, and says so.)");
    } else if (is_over(state) && !state->buses[0]) { /* not even an empty trace */
        sink_text(sink, "Nothing was recorded. Mend what the recorder says, and start it again.");
    } else if (is_over(state)) {
        sink_text(sink, "Have the record judged: taretrace verify ");
        put(sink, state->path);
    } else if (state->frames == 0) {
        sink_text(sink, "No frame on this bus yet: is the ignition on, is the tap plugged in, is the bit rate right?");
    } else if (!state->definitions || state->definitions->step_count == 0) {
        sink_text(sink, "This job has no definition file with a procedure: everything is recorded, nothing is judged.");
    } else if (verdict->mixed) {
        sink_text(sink, "The module is heard on two buses, so nothing can be judged now: see taretrace verify --bus.");
    } else if (!state->answered && !state->shown.read) {
        no_answer(sink, state);
    } else if (!verdict->there) {
        sink_text(sink, "Wait: the record is being read.");
    } else if (state->quiet > QUIET && live_current(verdict) < verdict->step_count) {
        sink_text(sink, "No frame has come for ");
        live_words_span(sink, state->quiet / TT_SECOND * TT_SECOND);
        sink_text(sink, ": is the ignition still on, is the tap still plugged in?");
    } else if (live_current(verdict) < verdict->step_count) {
        next_step(sink, state, live_current(verdict));
    } else if (verdict->part_count > 1) {
        sink_text(sink, "Stop the recording, and record each vehicle or unit into a job of its own.");
    } else {
        sink_text(sink, "Stop the recording when the work on the vehicle is done.");
    }
}

/* ---- what is missing ---- */

void live_words_lacks(struct sink *sink, const struct live_state *state)
{
    const struct live_verdict *verdict = state->verdict;
    uint32_t count = 0, contradicted = 0, nobody = 0;
    if (!state->definitions || !verdict->there || verdict->step_count == 0 || verdict->mixed)
        return;
    for (uint32_t i = 0; i < verdict->condition_count; i++) {
        nobody += verdict->conditions[i].vouched == VOUCHED_NOBODY;
        if (verdict->conditions[i].vouched != VOUCHED_CONTRADICTED)
            continue;
        sink_text(sink, contradicted++ ? ", " : "The conditions are not met: ");
        quoted(sink, state->definitions->conditions[i].text);
    }
    sink_text(sink, contradicted ? ". " : "");
    for (uint32_t i = 0; i < verdict->step_count; i++)
        count += verdict->steps[i].answer != STEP_CONFIRMED && verdict->steps[i].answer != STEP_RECORDED;
    if (count == 0 && verdict->part_count > 1) {
        sink_text(sink, "All steps are confirmed for the last vehicle or unit; the record as a whole is not.");
    } else if (count == 0) {
        sink_text(sink, contradicted      ? "All steps are confirmed, the job as a whole is not."
                        : is_over(state) ? "Nothing is missing: all steps are confirmed."
                                         : "You can stop: all steps are confirmed.");
    } else {
        sink_text(sink, is_over(state) ? "The record lacks " : "The record still lacks ");
        sink_unsigned(sink, count);
        sink_text(sink, " of ");
        sink_unsigned(sink, verdict->step_count);
        sink_text(sink, verdict->step_count == 1 ? " step." : " steps.");
    }
    if (nobody) {
        sink_text(sink, nobody == 1 ? " Nobody vouches for one condition." : " Nobody vouches for ");
        if (nobody > 1) {
            sink_unsigned(sink, nobody);
            sink_text(sink, " conditions.");
        }
    }
}

const char *live_words_answer(const struct live_state *state, uint32_t step)
{
    enum step_answer answer = state->verdict->steps[step].answer;
    if (!is_over(state) &&
        (answer == STEP_NOT_CONFIRMED || live_waits_moment(state->verdict, state->definitions, step)))
        return "not yet";
    return step_answer_text(answer);
}

void live_words_reason(struct sink *sink, const struct live_state *state, uint32_t step)
{
    if (!is_over(state) && live_waits_moment(state->verdict, state->definitions, step)) {
        sink_text(sink, "waits for ");
        quoted(sink, state->definitions->steps[step].mark);
        return;
    }
    const struct live_step *so_far = &state->verdict->steps[step];
    const struct def_step *def = &state->definitions->steps[step];
    /* The judge speaks as if the record ended here. */
    if (!is_over(state) && def->kind == STEP_READING && so_far->moments && so_far->answer == STEP_NOT_CONFIRMED &&
        strstr(so_far->reason, "no steady reading began") && !moment_is_spoilt(def, so_far)) {
        sink_text(sink, "not steady long enough since ");
        quoted(sink, def->mark);
        return;
    }
    put(sink, so_far->reason);
}

/* ---- the clock ---- */

/* What stands long enough need not stand inside. */
static const char *standing(const struct live_reading *shown)
{
    const struct def_limits *limits = &shown->step->limits;
    if (!shown->step->has_between || !shown->has_value)
        return "";
    if ((limits->has_low && shown->numerator < limits->low_n) ||
        (limits->has_high && shown->numerator > limits->high_n))
        return ", but outside the limits";
    if ((limits->has_low && shown->numerator < limits->safe_low_n) ||
        (limits->has_high && shown->numerator > limits->safe_high_n))
        return ", but too close to a limit";
    return "";
}

static bool is_stale(const struct live_reading *shown)
{
    return shown->age > shown->step->steady_gap && shown->step->steady_gap > 0;
}

bool live_words_clock_runs(const struct live_reading *shown)
{
    return shown->step && shown->step->has_steady && shown->read && (shown->has_value || shown->state) &&
           !is_stale(shown) && !shown->waits_mark && !shown->waits_select;
}

void live_words_clock(struct sink *sink, const struct live_state *state)
{
    const struct live_reading *shown = &state->shown;
    const struct def_step *step = shown->step;
    if (!step || !shown->read || is_over(state))
        return;
    if (is_stale(shown)) {
        sink_text(sink, "not read for ");
        live_words_span(sink, shown->age);
        sink_text(sink, ": let the scan tool show it all the time");
    } else if (!shown->has_value && !shown->state) {
        sink_text(sink, "the module gives no value");
    } else if (shown->waits_mark) {
        sink_text(sink, "counts from the moment ");
        quoted(sink, step->mark);
    } else if (shown->waits_select) {
        sink_text(sink, "counts when it is ");
        one_of(sink, step->is, step->is_count);
        if (step->has_above) {
            sink_text(sink, "above ");
            put_ratio(sink, step->above, step->select_unit);
        }
        if (step->has_below) {
            sink_text(sink, step->has_above ? " and below " : "below ");
            put_ratio(sink, step->below, step->select_unit);
        }
    } else if (!step->has_steady) {
        sink_text(sink, "each reading counts by itself");
    } else if (shown->counts) {
        sink_text(sink, "steady for ");
        live_words_span(sink, shown->steady);
        sink_text(sink, ": long enough");
        sink_text(sink, standing(shown));
    } else {
        sink_text(sink, "steady for ");
        live_words_span(sink, shown->steady);
        sink_text(sink, " of ");
        live_words_span(sink, step->steady_for);
    }
}

void live_words_key(struct sink *sink, const struct live_state *state, const struct live_key *key)
{
    (void)state;
    if (!key->moment) {
        sink_text(sink, key->what);
        return;
    }
    quoted(sink, key->moment);
    sink_text(sink, key->with_weight ? ": all of it lies still, nobody touches the seat" : ": this moment has come");
}
