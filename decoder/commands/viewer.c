/* See viewer.h. */
#define _GNU_SOURCE
#include "viewer.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "../outputs/live_lines.h"
#include "../outputs/live_view.h"
#include "../outputs/live_words.h"
#include "../support/text.h"
#include "follow.h"
#include "person.h"

#define TICK_MS 250
#define SAID_SHOWN (6 * TT_SECOND)
#define SILENT_END (3 * TT_SECOND) /* lines over a job that nobody records end after this */

struct viewer {
    const struct viewer_request *request;
    struct follow follow;
    struct person person;
    struct terminal terminal;
    struct live_page page;
    struct live_lines lines;
    struct live_state state;
    bool drawing;           /* as a page; else as lines */
    bool leaves;            /* the person has had enough */
    bool stopping;          /* the recorder was asked to end */
    bool ended;             /* it has ended */
    bool gone;              /* stdout or the terminal is gone */
    int recorder_exit;
    off_t said;             /* how much of the recorder's messages was shown */
    char last_said[300];    /* the last of them */
    char shown_said[200];   /* beginning of what came of the last key, and since when it is shown */
    int64_t said_since;
    int64_t silent_since;   /* nobody records since then; 0 */
};

/* ---- signals: counted, and looked at between two ticks ---- */

static volatile sig_atomic_t interrupts, hangups;

static void on_signal(int number)
{
    if (number == SIGINT || number == SIGTERM)
        interrupts++;
    else if (number == SIGHUP)
        hangups = 1;
}

static void watch_signals(void)
{
    static const int signals[] = {SIGINT, SIGTERM, SIGHUP, SIGWINCH, SIGCHLD};
    struct sigaction action = {.sa_handler = on_signal}; /* no SA_RESTART: poll must come back */
    (void)sigemptyset(&action.sa_mask);
    interrupts = hangups = 0;
    for (size_t i = 0; i < sizeof signals / sizeof signals[0]; i++)
        (void)sigaction(signals[i], &action, NULL);
}

static int64_t clock_now(clockid_t clock)
{
    struct timespec now;
    (void)clock_gettime(clock, &now);
    return now.tv_sec * TT_SECOND + now.tv_nsec;
}

/* ---- the recorder ---- */

static void stop_recorder(struct viewer *viewer)
{
    if (!viewer->request->recorder || viewer->ended) {
        viewer->leaves = true;
    } else if (!viewer->stopping) {
        viewer->stopping = true;
        (void)kill(viewer->request->recorder, SIGINT);
    } else {
        (void)kill(-viewer->request->recorder, SIGKILL); /* its whole group: reader and keeper */
    }
}

static void look_after_recorder(struct viewer *viewer)
{
    int status;
    if (!viewer->request->recorder || viewer->ended || waitpid(viewer->request->recorder, &status, WNOHANG) <= 0)
        return;
    viewer->ended = true;
    viewer->recorder_exit = WIFEXITED(status) ? WEXITSTATUS(status) : EXIT_OUR_FAULT;
}

/* What the recorder said since it was looked at last: passed on to stderr, and its last line kept for the page. */
static void pass_messages(struct viewer *viewer, bool aloud)
{
    char room[4096];
    ssize_t got;
    off_t at = viewer->said;
    while (viewer->request->recorder_said >= 0 &&
           (got = pread(viewer->request->recorder_said, room, sizeof room - 1, at)) > 0) {
        at += got;
        room[got] = '\0';
        if (aloud && write(STDERR_FILENO, room, (size_t)got) < 0)
            return;
        if (aloud)
            viewer->said = at;
        while (got > 0 && room[got - 1] == '\n')
            room[--got] = '\0';
        const char *last = strrchr(room, '\n');
        (void)snprintf(viewer->last_said, sizeof viewer->last_said, "%.280s", last ? last + 1 : room);
    }
}

/* ---- one tick ---- */

/* What came of a key is news for a while, then it only takes room. */
static void age_said(struct viewer *viewer, int64_t now)
{
    struct live_state *state = &viewer->state;
    if (strncmp(viewer->shown_said, state->said, sizeof viewer->shown_said - 1) != 0) {
        (void)snprintf(viewer->shown_said, sizeof viewer->shown_said, "%s", state->said);
        viewer->said_since = now;
    } else if (now - viewer->said_since > SAID_SHOWN && !state->prompt) {
        state->said = "";
    }
}

static void fill_state(struct viewer *viewer, int64_t now)
{
    struct live_state *state = &viewer->state;
    memset(state, 0, sizeof *state);
    state->condition = DEF_NONE;
    state->said = "";
    follow_tell(&viewer->follow, now, state);
    if (viewer->request->recorder) {
        if (viewer->ended)
            state->recorder = viewer->follow.recorder.at == RECORDER_HAS_ENDED ? LIVE_ENDED : LIVE_NOBODY;
        else if (viewer->stopping)
            state->recorder = LIVE_STOPPING;
        else if (state->recorder != LIVE_RECORDING)
            state->recorder = LIVE_STARTING;
    }
    if (!state->warning[0] && state->recorder != LIVE_RECORDING)
        state->warning = viewer->last_said;
    person_offer(&viewer->person, state);
    age_said(viewer, now);
}

static void draw(struct viewer *viewer)
{
    (void)terminal_resized(&viewer->terminal);
    if (live_view(&viewer->page, &viewer->state, viewer->terminal.columns, viewer->terminal.rows) &&
        !terminal_draw(&viewer->terminal, viewer->page.rows, viewer->page.strong, viewer->page.count))
        viewer->gone = true;
}

static void print_lines(struct viewer *viewer)
{
    struct sink sink;
    if (!sink_open_fd(&sink, STDOUT_FILENO, false))
        return;
    live_lines(&viewer->lines, &viewer->state, &sink);
    if (!sink_close(&sink))
        viewer->gone = true;
}

static void take_keys(struct viewer *viewer)
{
    int key;
    while ((key = terminal_key(&viewer->terminal)) != KEY_NONE) {
        if (key == KEY_GONE) {
            viewer->gone = true;
            return;
        }
        if (key == KEY_INTERRUPT) {
            stop_recorder(viewer);
            continue;
        }
        int64_t now = clock_now(CLOCK_MONOTONIC);
        enum person_wish wish = person_key(&viewer->person, key, clock_now(CLOCK_REALTIME), &viewer->state);
        if (wish == PERSON_LEAVE || (wish == PERSON_STOP && viewer->ended))
            viewer->leaves = true;
        else if (wish == PERSON_STOP && !viewer->stopping)
            stop_recorder(viewer);
        fill_state(viewer, now); /* the next key may be an answer to what this one asked */
    }
}

/* Has everything come that will come? A page stays until the person leaves; lines end by themselves. */
static bool is_over(struct viewer *viewer, int64_t now)
{
    if (viewer->leaves || viewer->gone || hangups)
        return true;
    if (viewer->request->recorder)
        return viewer->ended;
    if (viewer->drawing || viewer->follow.recorder.at == RECORDER_AT_WORK) {
        viewer->silent_since = 0;
        return false;
    }
    if (viewer->follow.recorder.at == RECORDER_HAS_ENDED)
        return true;
    viewer->silent_since = viewer->silent_since ? viewer->silent_since : now;
    return now - viewer->silent_since > SILENT_END;
}

static void tick(struct viewer *viewer)
{
    int64_t now = clock_now(CLOCK_MONOTONIC);
    look_after_recorder(viewer);
    pass_messages(viewer, !viewer->drawing);
    (void)follow_advance(&viewer->follow, now);
    fill_state(viewer, now);
    if (viewer->drawing)
        draw(viewer);
    else
        print_lines(viewer);
}

static void wait_for_news(struct viewer *viewer)
{
    struct pollfd keys = {.fd = viewer->terminal.keys ? STDIN_FILENO : -1, .events = POLLIN};
    (void)poll(&keys, 1, TICK_MS);
    if (keys.revents & (POLLHUP | POLLERR | POLLNVAL))
        viewer->gone = true;
    else if (keys.revents & POLLIN)
        take_keys(viewer);
    for (; interrupts > 0; interrupts--)
        stop_recorder(viewer);
}

/* ---- the end ---- */

/* A page leaves nothing on the screen: what it came to is printed once more, as lines. */
static void sum_up(struct viewer *viewer)
{
    struct sink out;
    if (viewer->gone || hangups)
        return;
    pass_messages(viewer, true);
    if (viewer->drawing && sink_open_fd(&out, STDOUT_FILENO, false)) {
        memset(&viewer->lines, 0, sizeof viewer->lines);
        live_lines(&viewer->lines, &viewer->state, &out);
        (void)!sink_close(&out);
    }
    if (viewer->request->recorder && !viewer->ended)
        diagnostics_say(viewer->request->diagnostics, SEVERITY_REMARK, viewer->request->job,
                        "is still being recorded by process %ld; to see it again: taretrace watch %s; to stop it: kill "
                        "-INT %ld",
                        (long)viewer->request->recorder, viewer->request->job, (long)viewer->request->recorder);
}

int viewer_run(const struct viewer_request *request)
{
    struct viewer *viewer = calloc(1, sizeof *viewer);
    if (!viewer)
        return diagnostics_no_memory(request->diagnostics, NULL);
    viewer->request = request;
    watch_signals();
    follow_init(&viewer->follow, request->job);
    live_page_init(&viewer->page);
    viewer->drawing = terminal_can_draw() && terminal_open(&viewer->terminal, true);
    person_init(&viewer->person, request->job, request->asks && viewer->drawing && viewer->terminal.keys,
                request->recorder != 0);
    for (;;) {
        tick(viewer);
        if (is_over(viewer, clock_now(CLOCK_MONOTONIC)))
            break;
        wait_for_news(viewer);
    }
    terminal_close(&viewer->terminal);
    sum_up(viewer);
    int code = request->recorder && viewer->ended ? viewer->recorder_exit : 0;
    follow_close(&viewer->follow);
    live_page_free(&viewer->page);
    free(viewer);
    return code;
}
