/* Reading steps: who may look at which samples (D 7.5), which stretches count for whom (D 7.6 to 7.8). */
#include "step_look.h"

#include <stdlib.h>
#include <string.h>

bool step_meets_select(const struct def_step *step, tt_wide value)
{
    return (!step->has_above || value >= step->above_n) && (!step->has_below || value <= step->below_n);
}

static bool stretch_meets_select(const struct def_step *step, const struct stretch *stretch)
{
    return step_meets_select(step, stretch->lowest) && step_meets_select(step, stretch->highest);
}

/* D 7.7. Inside: all samples within the limits less guard; outside: all beyond the same limit. */
enum standing step_standing(const struct def_step *step, const struct stretch *stretch)
{
    if (step->is_count) {
        for (uint32_t i = 0; i < step->is_count; i++)
            if (stretch->state && strcmp(step->is[i], stretch->state) == 0)
                return STANDING_INSIDE;
        return STANDING_OTHER_STATE;
    }
    const struct def_limits *limits = &step->limits;
    if (limits->has_low && stretch->highest < limits->low_n)
        return STANDING_BELOW;
    if (limits->has_high && stretch->lowest > limits->high_n)
        return STANDING_ABOVE;
    if ((!limits->has_low || stretch->lowest >= limits->safe_low_n) &&
        (!limits->has_high || stretch->highest <= limits->safe_high_n))
        return STANDING_INSIDE;
    return STANDING_TOO_CLOSE;
}

static void tell_stretch(const struct look *look, const struct look_step *step, const struct stretch *stretch, bool judged)
{
    const struct look_context *context = look->context;
    if (!look->speaks || !context->emit)
        return;
    struct step_event event = {
        .kind = STEP_EVENT_STRETCH, .part = context->part, .attempt = context->attempt,
        .bus = stretch->bus, .first_frame = stretch->first_frame, .last_frame = stretch->last_frame,
        .time = stretch->last_time, .step = step->def, .stretch = stretch, .judged = judged,
    };
    context->emit(context->emit_context, &event);
}

static void add_to_tally(struct look *look, struct look_step *step, struct stretch *stretch)
{
    struct tally *tally = &step->tally;
    bool judged = stretch_meets_select(step->def, stretch);
    stretch->standing = step_standing(step->def, stretch);
    if (!judged) {
        tally->other++;
        tally->last_other = *stretch;
    } else {
        if (tally->inside + tally->outside + tally->close == 0)
            gap_ring_read(look->context->gaps, stretch->bus, stretch->first_frame, stretch->last_frame, ~0u,
                          &tally->first_gaps);
        if (stretch->standing == STANDING_INSIDE)
            tally->inside++;
        else if (stretch->standing == STANDING_TOO_CLOSE)
            tally->close++;
        else
            tally->outside++;
        kept_list_add(&tally->list, stretch);
    }
    /* A tentative link's stretches are told when it becomes firm; once a moment is on record, only its tries are judged. */
    if (step->link != LINK_TENTATIVE)
        tell_stretch(look, step, stretch, judged && !step->try_count);
}

struct steady_rule step_rule(const struct def_step *step)
{
    return (struct steady_rule){
        .states = step->is_count > 0, .each = !step->has_steady, .within = step->within_n,
        .span = step->steady_for, .gap = step->steady_gap,
    };
}

static void tally_reset(struct tally *tally)
{
    kept_list_free(&tally->list);
    memset(tally, 0, sizeof *tally);
    kept_list_init(&tally->list, sizeof(struct stretch));
}

/* The stretch that had begun this link's part turned out not to: the link and all behind it go back to waiting. */
static void chain_forget(struct look *look, uint32_t index)
{
    for (; index != LOOK_NONE; index = look->steps[index].next) {
        struct look_step *step = &look->steps[index];
        if (step->link == LINK_IDLE)
            return;
        struct stretch ignored;
        (void)steady_break(&step->steady, &ignored);
        tally_reset(&step->tally);
        step->evident = step->evident_maybe = 0; /* evidence that was none */
        step->link = LINK_IDLE;
        step->next_tentative = false;
    }
}

static void chain_firm(struct look *look, uint32_t index)
{
    struct look_step *step = &look->steps[index];
    for (uint32_t i = 0; i < step->tally.list.kept; i++)
        tell_stretch(look, step, kept_list_at(&step->tally.list, i), !step->try_count);
    if (step->link == LINK_TENTATIVE)
        step->link = LINK_FIRM;
    else if (step->link == LINK_CLOSED && step->next != LOOK_NONE) /* it was over before it was sure that it had begun */
        chain_firm(look, step->next);
}

/* The open stretch of a link has ended: it either was the next step's (then this part is over), or counts here. */
static void chain_ended(struct look *look, struct look_step *step, struct stretch *ended)
{
    if (!step->next_tentative) {
        add_to_tally(look, step, ended);
        return;
    }
    struct stretch ignored;
    (void)steady_break(&step->steady, &ignored);
    step->next_tentative = false;
    step->evident_maybe = 0;
    bool firm = step->link == LINK_FIRM;
    step->link = LINK_CLOSED;
    if (firm)
        chain_firm(look, step->next);
}

static void evident_unmarked(struct look *look, uint32_t index)
{
    struct look_step *step = &look->steps[index];
    if (step->evident)
        return;
    step->evident = *look->context->sequence;
    look_evident(look, index, 0);
}

static void chain_feed(struct look *look, uint32_t index, const struct sample *sample)
{
    while (index != LOOK_NONE) {
        struct look_step *step = &look->steps[index];
        if (step->link == LINK_IDLE)
            return;
        if (step->link == LINK_CLOSED) {
            index = step->next;
            continue;
        }
        struct stretch ended;
        unsigned said = steady_push(&step->steady, sample, &ended);
        if (said & STEADY_ENDED) {
            chain_ended(look, step, &ended);
            if (step->link == LINK_CLOSED) {
                index = step->next;
                continue;
            }
        }
        if (said & STEADY_JOINED && step->next_tentative &&
            !step_meets_select(look->steps[step->next].def, sample->numerator)) {
            step->next_tentative = false;
            chain_forget(look, step->next);
            /* It was this step's all along, and had its evidence when it first counted. */
            if (!step->evident && stretch_meets_select(step->def, &step->steady.open))
                step->evident = step->evident_maybe;
            step->evident_maybe = 0;
            return;
        }
        if (said & STEADY_JOINED && step->evident && !step_meets_select(step->def, sample->numerator) &&
            step->tally.inside + step->tally.outside + step->tally.close == 0)
            step->evident = 0; /* its only evidence so far is judged no longer */
        if (said & STEADY_COUNTED) {
            if (step->next != LOOK_NONE && stretch_meets_select(look->steps[step->next].def, &step->steady.open)) {
                /* The next step's part may begin with this stretch's first sample: it gets all of them. */
                struct look_step *next = &look->steps[step->next];
                step->next_tentative = true;
                step->evident_maybe = *look->context->sequence;
                look_evident(look, index, 0);
                next->link = LINK_TENTATIVE;
                for (uint32_t i = 0; i < steady_window(&step->steady); i++)
                    chain_feed(look, step->next, steady_window_at(&step->steady, i));
                return;
            }
            if (stretch_meets_select(step->def, &step->steady.open))
                evident_unmarked(look, index);
        }
        index = step->next;
    }
}

static void chain_break(struct look *look, uint32_t index)
{
    for (; index != LOOK_NONE; index = look->steps[index].next) {
        struct look_step *step = &look->steps[index];
        if (step->link == LINK_IDLE)
            return;
        struct stretch ended;
        if (step->link != LINK_CLOSED && steady_break(&step->steady, &ended))
            chain_ended(look, step, &ended);
    }
}

static void try_done(struct look_try *try, const struct stretch *stretch)
{
    if (stretch) {
        try->stretch = *stretch;
        try->judged = true;
    }
    try->state = TRY_DONE;
    try->short_of = try->short_of || try->steady.short_of;
    steady_free(&try->steady);
}

static void try_judged(const struct look *look, const struct look_step *step, struct look_try *try, struct stretch *stretch)
{
    stretch->standing = step_standing(step->def, stretch);
    gap_ring_read(look->context->gaps, stretch->bus, stretch->first_frame, stretch->last_frame, ~0u, &try->gaps);
    tell_stretch(look, step, stretch, true);
    try_done(try, stretch);
}

static void tries_feed(struct look *look, uint32_t index, const struct sample *sample)
{
    struct look_step *step = &look->steps[index];
    for (uint32_t i = step->try_active; i < step->try_count; i++) {
        struct look_try *try = &step->tries[i];
        if (try->state == TRY_DONE)
            continue;
        struct stretch ended;
        unsigned said = steady_push(&try->steady, sample, &ended);
        if (try->state == TRY_JUDGING) {
            if (said & STEADY_ENDED)
                try_judged(look, step, try, &ended);
            continue;
        }
        if (said & STEADY_COUNTED) {
            if (try->steady.open_elapsed > try->deadline) {
                try_done(try, NULL);
                continue;
            }
            try->state = TRY_JUDGING;
            if (!try->mark->withdrawn_by && !step->evident_marked) {
                step->evident_marked = *look->context->sequence;
                look_evident(look, index, 0);
            }
        } else if (sample->elapsed > try->deadline &&
                   (steady_window(&try->steady) == 0 || steady_window_at(&try->steady, 0)->elapsed > try->deadline)) {
            try_done(try, NULL); /* whatever counts now would begin after the wait */
        }
    }
    while (step->try_active < step->try_count && step->tries[step->try_active].state == TRY_DONE)
        step->try_active++;
}

static void tries_break(struct look *look, struct look_step *step)
{
    for (uint32_t i = step->try_active; i < step->try_count; i++) {
        struct look_try *try = &step->tries[i];
        struct stretch ended;
        if (try->state != TRY_DONE && steady_break(&try->steady, &ended))
            try_judged(look, step, try, &ended);
    }
}

static void note_read(struct look_step *step, const struct sample *sample)
{
    step->reads++;
    step->bus = sample->bus;
    for (uint32_t i = step->try_active; i < step->try_count; i++)
        if (sample->elapsed <= step->tries[i].deadline)
            step->tries[i].read = true;
}

static void note_sample(const struct look *look, struct look_step *step, const struct sample *sample)
{
    if (step->samples && sample->elapsed - step->last_elapsed > step->def->steady_gap)
        step->long_intervals++;
    if (!step->samples)
        step->first_elapsed = sample->elapsed;
    step->samples++;
    step->last_elapsed = sample->elapsed;
    step->last_value = sample->numerator;
    step->has_value = true;
    if (step_meets_select(step->def, sample->numerator))
        step->last_meeting = *look->context->sequence;
}

void look_sample(struct look *look, uint32_t reading, const struct sample *sample, enum value_state state)
{
    bool good = state == VALUE_GOOD;
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_READING || step->def->reading != reading)
            continue;
        note_read(step, sample);
        if (good)
            note_sample(look, step, sample);
        if (step->head) {
            if (good)
                chain_feed(look, i, sample);
            else
                chain_break(look, i); /* an absent or invalid value ends a stretch (D 7.6) */
        }
        if (good)
            tries_feed(look, i, sample);
        else
            tries_break(look, step);
    }
}

/* The bus on which the step's reading was last heard. */
static bool heard_on(const struct look_step *step, uint32_t bus)
{
    return bus == GAP_EVERY_BUS || !step->reads || step->bus == bus;
}

void look_break(struct look *look, uint32_t module, uint32_t bus)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_READING || !heard_on(step, bus) ||
            (module != DEF_NONE && look->context->definitions->readings[step->def->reading].module != module))
            continue;
        if (step->head)
            chain_break(look, i);
        tries_break(look, step);
    }
}

void look_clock_back(struct look *look)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        for (uint32_t k = step->try_active; k < step->try_count; k++) {
            if (step->tries[k].state != TRY_SEEKING)
                continue;
            step->tries[k].clock_back = true;
            try_done(&step->tries[k], NULL);
        }
    }
}

void look_end(struct look *look)
{
    look_break(look, DEF_NONE, GAP_EVERY_BUS);
}

static struct look_try *try_add(struct look *look, struct look_step *step)
{
    if (step->try_count == TRIES_MAX) {
        step->tries_over++;
        return NULL;
    }
    if (step->try_count == step->try_room) {
        uint32_t room = step->try_room ? step->try_room * 2 : 4;
        struct look_try *grown = realloc(step->tries, room * sizeof *grown);
        if (!grown) {
            look->failed = true;
            return NULL;
        }
        step->tries = grown;
        step->try_room = room;
    }
    struct look_try *try = &step->tries[step->try_count++];
    memset(try, 0, sizeof *try);
    struct steady_rule rule = step_rule(step->def);
    steady_init(&try->steady, &rule);
    try->steady.budget = look->context->windows;
    if (step->try_count - step->try_active > TRIES_OPEN_MAX) {
        try->crowded = true;
        try->state = TRY_DONE;
    }
    return try;
}

void look_mark(struct look *look, const struct mark *mark, int64_t elapsed)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        if (step->def->kind != STEP_READING || !step->def->mark || strcmp(step->def->mark, mark->name) != 0)
            continue;
        struct look_try *try = try_add(look, step);
        if (!try)
            continue;
        try->mark = mark;
        try->sequence = *look->context->sequence;
        try->deadline = elapsed + step->def->wait;
    }
}

void look_take_moments(struct look *look, const struct look *from)
{
    for (uint32_t i = 0; i < look->count; i++) {
        struct look_step *step = &look->steps[i];
        const struct look_step *source = &from->steps[look->first + i - from->first];
        step->last_meeting = source->last_meeting;
        step->tries_over = source->tries_over;
        for (uint32_t k = 0; k < source->try_count; k++) {
            struct look_try *try = try_add(look, step);
            if (!try)
                break;
            try->mark = source->tries[k].mark;
            try->sequence = source->tries[k].sequence;
            try->deadline = source->tries[k].deadline;
            try->read = source->tries[k].read;
        }
    }
}
