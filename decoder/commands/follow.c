/* See follow.h. */
#define _GNU_SOURCE /* open_memstream */
#include "follow.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define COVER_WAIT (3 * TT_SECOND) /* a checkpoint a second, and the time to write it */

/* What a snapshot hands over. */
struct glance {
    struct live_verdict verdict;
    uint64_t frames;
    int64_t first_time, last_time;
};

void follow_init(struct follow *follow, const char *path)
{
    memset(follow, 0, sizeof *follow);
    follow->path = path;
    diagnostics_init(&follow->heard, NULL);
    follow->module = DEF_NONE;
    recorder_tail_init(&follow->recorder);
}

/* ---- what comes from the stages ---- */

static void on_exchange(void *context, const struct exchange_event *event, const struct service_content *content)
{
    struct follow *follow = context;
    const struct exchange *exchange = event->exchange;
    (void)content;
    if (follow->module != DEF_NONE && exchange->module != follow->module)
        return;
    follow->asked = follow->asked || exchange->request_length > 0;
    follow->answered = follow->answered || exchange->has_response;
}

/* A moment has come: what was steady before it does not count. */
static void pass_marks(struct follow *follow, int64_t time)
{
    const struct definitions *definitions = &follow->job.definitions;
    const struct marks *marks = &follow->job.marks;
    struct stretch ended;
    while (follow->job.marks_loaded && follow->next_mark < marks->count &&
           marks->by_time[follow->next_mark]->time <= time) {
        const struct mark *mark = marks->by_time[follow->next_mark++];
        for (uint32_t i = 0; mark->kind == MARK_MOMENT && !mark->withdrawn_by && i < definitions->step_count; i++)
            if (follow->clocks[i].used && definitions->steps[i].mark &&
                strcmp(definitions->steps[i].mark, mark->name) == 0)
                (void)steady_break(&follow->clocks[i].steady, &ended);
    }
}

static bool meets_select(const struct def_step *step, const struct value *sample)
{
    tt_wide value = sample->numerator;
    for (uint32_t i = 0; i < step->is_count; i++)
        if (sample->name && strcmp(step->is[i], sample->name) == 0)
            return true;
    if (step->is_count || !sample->has_number)
        return false;
    return (!step->has_above || value >= step->above_n) && (!step->has_below || value <= step->below_n);
}

static void on_reading(void *context, const struct reading_event *event)
{
    struct follow *follow = context;
    const struct definitions *definitions = &follow->job.definitions;
    if (event->kind != READING_VALUE)
        return;
    const struct value *value = event->value;
    int64_t time = event->message->last_time;
    struct follow_value *kept = &follow->values[value->reading];
    bool is_sample = value->state == VALUE_GOOD && (value->has_number || value->name);
    *kept = (struct follow_value){true, is_sample && value->has_number, value->numerator,
                                  is_sample ? value->name : NULL, time};
    pass_marks(follow, time);
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        const struct def_step *step = &definitions->steps[i];
        struct follow_clock *clock = &follow->clocks[i];
        struct stretch ended;
        if (!clock->used || step->reading != value->reading)
            continue;
        clock->selected = is_sample && meets_select(step, value);
        const struct sample sample = {.numerator = value->numerator,
                                      .state = value->name,
                                      .time = time,
                                      .elapsed = time,
                                      .first_frame = event->message->first_frame,
                                      .last_frame = event->message->last_frame};
        if (is_sample && clock->selected)
            (void)steady_push(&clock->steady, &sample, &ended);
        else
            (void)steady_break(&clock->steady, &ended);
    }
}

/* A clock step, a loss, a reset: nothing stands steady across it. */
static void on_event(void *context, const char *what, const struct frame *frame)
{
    struct follow *follow = context;
    struct stretch ended;
    (void)what, (void)frame;
    for (uint32_t i = 0; i < DEF_STEPS_MAX; i++)
        if (follow->clocks[i].used)
            (void)steady_break(&follow->clocks[i].steady, &ended);
}

/* ---- the run ---- */

static void free_clocks(struct follow *follow)
{
    for (uint32_t i = 0; i < DEF_STEPS_MAX; i++) {
        if (follow->clocks[i].used)
            steady_free(&follow->clocks[i].steady);
        follow->clocks[i] = (struct follow_clock){.used = false};
    }
    free(follow->values);
    follow->values = NULL;
}

static void end_run(struct follow *follow)
{
    pipeline_free(follow->pipeline);
    follow->pipeline = NULL;
    free_clocks(follow);
    if (follow->open)
        job_inputs_close(&follow->job);
    follow->open = follow->running = false;
    follow->frames = 0;
    follow->asked = follow->answered = false;
    follow->next_mark = 0;
    memset(&follow->verdict, 0, sizeof follow->verdict);
}

static bool begin_clocks(struct follow *follow)
{
    const struct definitions *definitions = &follow->job.definitions;
    follow->values = calloc(definitions->reading_count + 1, sizeof *follow->values);
    for (uint32_t i = 0; i < definitions->step_count && i < DEF_STEPS_MAX; i++) {
        const struct def_step *step = &definitions->steps[i];
        if (step->kind != STEP_READING)
            continue;
        const struct steady_rule rule = {.states = step->is_count > 0,
                                         .each = !step->has_steady,
                                         .within = step->within_n,
                                         .span = step->steady_for,
                                         .gap = step->steady_gap};
        steady_init(&follow->clocks[i].steady, &rule);
        follow->clocks[i].used = true;
    }
    return follow->values != NULL;
}

static void name_buses(struct follow *follow)
{
    size_t used = 0;
    uint32_t count = 0;
    follow->buses[0] = '\0';
    for (uint32_t i = 0; i < follow->job.traces.count; i++) {
        const struct trace_input *input = &follow->job.traces.list[i];
        if (input->continues || !input->bus[0] || used >= sizeof follow->buses)
            continue;
        used += (size_t)snprintf(follow->buses + used, sizeof follow->buses - used, "%s%s%.15s",
                                 count++ ? " and " : "", input->bus[0] >= '0' && input->bus[0] <= '9' ? "bus " : "",
                                 input->bus);
    }
}

/* The first message of what went wrong, without its "error: ". */
static void keep_trouble(struct follow *follow, const char *text)
{
    size_t skip = strncmp(text, "error: ", 7) == 0 ? 7 : 0;
    (void)snprintf(follow->trouble, sizeof follow->trouble, "%.*s", (int)strcspn(text + skip, "\n"), text + skip);
    if (!follow->trouble[0])
        (void)snprintf(follow->trouble, sizeof follow->trouble, "the job cannot be read now");
}

/*
 * A checkpoint covers a mark within a second or two (D 11.2). Until then it counts as it will when one does; the run is
 * begun anew when that must have happened.
 */
static void forgive_new_marks(struct follow *follow, int64_t now)
{
    struct timespec wall;
    (void)clock_gettime(CLOCK_REALTIME, &wall);
    int64_t since = wall.tv_sec * TT_SECOND + wall.tv_nsec - COVER_WAIT;
    follow->again = 0;
    for (uint32_t i = 0; follow->job.marks_loaded && i < follow->job.marks.count; i++) {
        struct mark *mark = &follow->job.marks.list[i];
        if (mark->covered != MARK_COVERED_LATE || mark->time < since)
            continue;
        mark->covered = MARK_COVER_UNKNOWN;
        follow->again = now + COVER_WAIT;
    }
}

/* Opens the job and begins at its first frame. What is wrong is kept as trouble, and tried again when a file changed.
 */
static void begin_run(struct follow *follow, int64_t now)
{
    static const struct pipeline_listener callbacks = {
        .exchange = on_exchange, .reading = on_reading, .event = on_event};
    struct pipeline_listener listener = callbacks;
    struct pipeline_options options;
    char *text = NULL;
    size_t length = 0;
    end_run(follow);
    FILE *memory = open_memstream(&text, &length);
    diagnostics_init(&follow->heard, memory);
    int code = memory ? job_inputs_open(&follow->job, follow->path, JOB_GROWING, &follow->heard) : EXIT_OUR_FAULT;
    follow->open = memory != NULL;
    if (!code && !begin_clocks(follow))
        code = EXIT_OUR_FAULT;
    if (!code) {
        follow->module = follow->job.definitions_loaded ? follow->job.definitions.main_module : DEF_NONE;
        listener.context = follow;
        forgive_new_marks(follow, now);
        job_inputs_to_pipeline(&follow->job, &options);
        options.recorder = NULL; /* its end is not written yet */
        options.judging = follow->job.definitions_loaded;
        options.following = true;
        options.listener = &listener;
        code = pipeline_begin(&options, &follow->pipeline, &follow->result);
    }
    if (memory)
        (void)fclose(memory);
    follow->heard.out = NULL;
    follow->trouble[0] = '\0';
    if (code)
        keep_trouble(follow, text ? text : "");
    else
        name_buses(follow);
    follow->running = code == 0;
    free(text);
}

/* In the forked copy (pipeline_snapshot): no stdio, nothing but this write. */
static void tell_glance(void *context, const struct pipeline_result *result, int fd)
{
    static struct glance glance;
    (void)context;
    if (result->verdict)
        live_verdict_take(&glance.verdict, result->verdict, result->mixed);
    glance.frames = result->frames;
    glance.first_time = result->first_time;
    glance.last_time = result->last_time;
    const char *at = (const char *)&glance;
    for (size_t left = sizeof glance; left > 0;) {
        ssize_t put = write(fd, at, left);
        if (put <= 0)
            _exit(EXIT_WRITE_FAILED);
        at += put;
        left -= (size_t)put;
    }
}

static void look(struct follow *follow, int64_t now)
{
    static struct glance glance;
    if (pipeline_advance(follow->pipeline) != 0) {
        (void)snprintf(follow->trouble, sizeof follow->trouble, "a trace cannot be read any more");
        follow->running = false;
        return;
    }
    ssize_t got = pipeline_snapshot(follow->pipeline, tell_glance, NULL, &glance, sizeof glance);
    if (got != (ssize_t)sizeof glance)
        return; /* short of processes or memory: the next tick tries again */
    if (glance.frames != follow->known)
        follow->moved = now;
    follow->known = glance.frames;
    follow->verdict = glance.verdict;
    follow->frames = glance.frames;
    follow->first_time = glance.first_time;
    follow->last_time = glance.last_time;
}

/* ---- what changed on disk ---- */

struct sizes {
    uint64_t traces, marks;
    uint32_t files;
    bool header; /* each trace has its file header */
};

static struct sizes look_at_files(const char *path)
{
    struct sizes sizes = {.header = true};
    struct stat facts;
    char name[PATH_MAX];
    const struct dirent *entry;
    DIR *list = opendir(path);
    while (list && (entry = readdir(list))) {
        size_t length = strlen(entry->d_name);
        bool trace = length > 11 && strncmp(entry->d_name, "trace-", 6) == 0 &&
                     strcmp(entry->d_name + length - 5, ".pcap") == 0;
        bool marks = strcmp(entry->d_name, "marks.jsonl") == 0;
        (void)snprintf(name, sizeof name, "%.3800s/%.255s", path, entry->d_name);
        if ((!trace && !marks) || stat(name, &facts) != 0)
            continue;
        if (marks) {
            sizes.marks = (uint64_t)facts.st_size;
        } else {
            sizes.files++;
            sizes.traces += (uint64_t)facts.st_size;
            sizes.header = sizes.header && facts.st_size >= 24;
        }
    }
    if (list)
        (void)closedir(list);
    return sizes;
}

bool follow_advance(struct follow *follow, int64_t now)
{
    bool changed = recorder_tail_read(&follow->recorder, follow->path);
    struct sizes sizes = look_at_files(follow->path);
    if (sizes.files == 0 || !sizes.header) /* the recorder has only begun */
        return changed;
    bool grown = sizes.traces != follow->trace_bytes;
    bool others =
        sizes.marks != follow->marks_bytes || sizes.files != follow->trace_files || sizes.traces < follow->trace_bytes;
    others = others || (follow->again && now >= follow->again);
    if (!grown && !others)
        return changed;
    if (others || !follow->running)
        begin_run(follow, now);
    follow->trace_bytes = sizes.traces;
    follow->marks_bytes = sizes.marks;
    follow->trace_files = sizes.files;
    if (follow->running)
        look(follow, now);
    return true;
}

/* ---- what is shown ---- */

/* Has the step's moment come since its reading was read last? Then nothing of it counts yet. */
static bool moment_is_newer(const struct follow *follow, const struct def_step *step, int64_t read)
{
    const struct marks *marks = &follow->job.marks;
    for (uint32_t i = follow->next_mark; step->mark && follow->job.marks_loaded && i < marks->count; i++) {
        const struct mark *mark = marks->by_time[i];
        if (mark->kind == MARK_MOMENT && !mark->withdrawn_by && mark->time > read &&
            strcmp(mark->name, step->mark) == 0)
            return true;
    }
    return false;
}

static void tell_shown(const struct follow *follow, int64_t now, struct live_reading *shown)
{
    const struct definitions *definitions = &follow->job.definitions;
    uint32_t index = live_shown_step(&follow->verdict, definitions);
    if (index == DEF_NONE || !follow->values)
        return;
    const struct def_step *step = &definitions->steps[index];
    const struct follow_value *value = &follow->values[step->reading];
    const struct follow_clock *clock = &follow->clocks[index];
    shown->step = step;
    shown->reading = &definitions->readings[step->reading];
    shown->read = value->read;
    shown->has_value = value->has_value;
    shown->numerator = value->numerator;
    shown->state = value->state;
    shown->age = follow->last_time - value->time + (follow->recorder.at == RECORDER_AT_WORK ? now - follow->moved : 0);
    shown->waits_mark = step->mark && follow->verdict.steps[index].moments == 0;
    shown->waits_select = (value->has_value || value->state) && !clock->selected;
    const struct steady *steady = &clock->steady;
    uint32_t window = steady_window(steady);
    if (moment_is_newer(follow, step, value->time))
        return;
    shown->counts = steady->counting;
    if (steady->counting)
        shown->steady = steady->open.last_time - steady->open.first_time;
    else if (window)
        shown->steady = steady_window_at(steady, window - 1)->time - steady_window_at(steady, 0)->time;
}

void follow_tell(const struct follow *follow, int64_t now, struct live_state *state)
{
    static const enum live_recorder said[] = {[RECORDER_NOT_THERE] = LIVE_NOBODY, [RECORDER_AT_WORK] = LIVE_RECORDING,
                                              [RECORDER_HAS_ENDED] = LIVE_ENDED, [RECORDER_HAS_DIED] = LIVE_NOBODY};
    const char *slash = strrchr(follow->path, '/');
    state->job = slash && slash[1] ? slash + 1 : follow->path;
    state->path = follow->path;
    state->recorder = said[follow->recorder.at];
    state->span = follow->last_time - follow->first_time;
    state->frames = follow->frames;
    state->buses = follow->buses;
    state->definitions =
        follow->open && follow->job.definitions_loaded && follow->running ? &follow->job.definitions : NULL;
    state->verdict = &follow->verdict;
    state->quiet = follow->recorder.at == RECORDER_AT_WORK && follow->frames ? now - follow->moved : 0;
    state->asked = follow->asked;
    state->answered = follow->answered;
    state->warning = follow->trouble[0] ? follow->trouble : follow->recorder.warning;
    if (follow->recorder.at == RECORDER_HAS_DIED && !follow->trouble[0])
        state->warning = "it ended without closing the record (killed, or the power was cut)";
    state->shown = (struct live_reading){.step = NULL};
    if (state->definitions)
        tell_shown(follow, now, &state->shown);
}

void follow_close(struct follow *follow)
{
    end_run(follow);
    recorder_tail_free(&follow->recorder);
}
