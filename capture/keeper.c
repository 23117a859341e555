/* See keeper.h. */
#define _GNU_SOURCE /* ppoll */
#include "keeper.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "../decoder/support/interrupt.h"
#include "../decoder/support/text.h"
#include "keeper_state.h"
#include "link_watch.h"
#include "trace_format.h"

#define TICK_MS 50
#define CHECKPOINT_EACH TT_SECOND
#define LATE (2 * TT_SECOND)       /* between two checkpoints */
#define READER_MOST (15 * TT_SECOND) /* that a reader which was told to stop may take */

/* The reader's news. */
static void take_ring(struct keeper *keeper)
{
    struct reader_event from;
    while (shared_take(keeper->shared, &from)) {
        static const char *const what[READER_EVENT_KINDS] = {
            [READER_LOSS] = RECORDER_SOCKET_LOSS,
            [READER_LOCAL] = RECORDER_LOCAL_FRAMES,
            [READER_DOWN] = RECORDER_LINK_DOWN,
            [READER_REMOVED] = RECORDER_REMOVED,
        };
        struct kept_bus *bus = &keeper->bus[from.bus];
        struct event event = {.what = what[from.kind], .bus = from.bus, .after = from.after, .before = from.before,
                              .has_count = from.count != 0, .count = from.count, .time = from.time};
        if (from.kind == READER_DOWN) {
            if (bus->down)
                continue; /* told by the kernel's news already */
            bus->down = true;
            bus->down_after = from.after;
        }
        keeper_note(keeper, &event);
    }
}

static void on_error_frame(void *context, uint64_t frame, const char *what, const char *detail)
{
    struct kept_bus *bus = context;
    if (!what)
        return;
    if (strcmp(what, RECORDER_CONTROLLER_LOSS) == 0) {
        bus->overruns++; /* told together with the counters of the link */
        return;
    }
    struct event event = {.what = what, .bus = bus->number, .after = frame - 1, .before = frame};
    (void)snprintf(event.detail, sizeof event.detail, "%s", detail ? detail : "");
    keeper_note(bus->keeper, &event);
}

/* ---- clocks and marks ---- */

static void look_at_clock(struct keeper *keeper)
{
    int64_t step;
    if (!clock_watch_look(&keeper->clock, &step))
        return;
    char text[TEXT_TIME_MAX], detail[TEXT_TIME_MAX + 1];
    (void)text_seconds(step, text);
    (void)snprintf(detail, sizeof detail, "%s%s", step > 0 ? "+" : "", text);
    for (unsigned b = 0; b < keeper->bus_count; b++)
        keeper_note_late(keeper, b, RECORDER_CLOCK_STEPPED, keeper->bus[b].frames_at_tick, 0, detail);
}

static void look_at_synchronisation(struct keeper *keeper, const struct clocks *now)
{
    if (now->synchronised == keeper->synchronised)
        return;
    keeper->synchronised = now->synchronised;
    const struct event event = {.what = now->synchronised ? RECORDER_SYNCHRONISED : RECORDER_NOT_SYNCHRONISED,
                                .bus = EVENT_NO_BUS};
    keeper_note(keeper, &event);
}

static void look_at_marks(struct keeper *keeper)
{
    bool changed;
    if (!marks_follow_look(&keeper->marks, keeper->setup->job->folder, &changed) || !changed)
        return;
    const struct event event = {.what = RECORDER_MARKS_CHANGED, .bus = EVENT_NO_BUS};
    keeper_note(keeper, &event);
}

/* ---- checkpoints ---- */

static void fill_bus(const struct keeper *keeper, unsigned b, struct checkpoint_bus *out)
{
    const struct kept_bus *bus = &keeper->bus[b];
    *out = (struct checkpoint_bus){
        .name = keeper->setup->facts[b].name,
        .bytes = bus->follow.bytes,
        .frames = bus->follow.frames,
        .socket_lost = atomic_load(&keeper->shared->bus[b].lost),
        .controller_lost = bus->controller_lost,
        .listen_only = bus->listen_only,
        .listen_only_known = bus->listen_only_known,
        .sent = bus->sent,
        .sent_known = bus->counters_known && !keeper->setup->facts[b].is_virtual,
    };
    if (!digest_text(&bus->follow.digest, out->sha256))
        out->sha256[0] = '\0';
}

/* Everything that a checkpoint and the end have in common. bytes: how far each trace is read. */
static void look_at_everything(struct keeper *keeper, const uint64_t *bytes, struct clocks *now)
{
    for (unsigned b = 0; b < keeper->bus_count; b++)
        keeper_secure(keeper, b, bytes[b]);
    for (unsigned b = 0; b < keeper->bus_count; b++)
        keeper_look_at_link(keeper, b);
    look_at_marks(keeper);
    clocks_read(now);
    look_at_synchronisation(keeper, now);
    for (unsigned b = 0; b < keeper->bus_count; b++)
        keeper_look_for_good_frames(keeper, b, now->monotonic);
}

static void checkpoint(struct keeper *keeper)
{
    struct checkpoint_bus buses[BUSES_MAX] = {{0}};
    uint64_t bytes[BUSES_MAX] = {0};
    struct clocks now;
    for (unsigned b = 0; b < keeper->bus_count; b++)
        bytes[b] = atomic_load_explicit(&keeper->shared->bus[b].bytes, memory_order_acquire);
    look_at_everything(keeper, bytes, &now);
    if (now.boottime - (keeper->due - CHECKPOINT_EACH) > LATE) {
        struct event event = {.what = RECORDER_CHECKPOINT_LATE, .bus = EVENT_NO_BUS};
        (void)text_seconds(now.boottime - (keeper->due - CHECKPOINT_EACH), event.detail);
        keeper_note(keeper, &event);
    }
    for (unsigned b = 0; b < keeper->bus_count; b++)
        fill_bus(keeper, b, &buses[b]);
    events_settle(&keeper->events, keeper->shared);
    keeper_write_events(keeper, false);
    if (!lines_checkpoint(keeper->setup->log, ++keeper->checkpoints, &now, buses, keeper->bus_count, &keeper->marks)) {
        keeper->log_failed = true;
        keeper->checkpoints--;
    }
    keeper_sync_log(keeper);
    keeper->due += CHECKPOINT_EACH;
    if (keeper->due < now.boottime) /* none is made up for what was missed */
        keeper->due = now.boottime + CHECKPOINT_EACH;
}

/* ---- the end ---- */

static const char *why_ended(const struct keeper *keeper, int status)
{
    enum reader_why why = (enum reader_why)atomic_load(&keeper->shared->why);
    if (why == READER_RUNS || why == READER_READ_FAILED || !WIFEXITED(status))
        return RECORDER_WHY_READER_KILLED;
    return why == READER_GONE           ? RECORDER_REMOVED
           : why == READER_FULL         ? RECORDER_DISK_FULL
           : why == READER_WRITE_FAILED ? RECORDER_WRITE_FAILED
           : keeper->why                ? keeper->why
                                        : RECORDER_WHY_STOPPED;
}

static void note_end(struct keeper *keeper, int status)
{
    unsigned b = atomic_load(&keeper->shared->why_bus);
    int why = atomic_load(&keeper->shared->why), error = atomic_load(&keeper->shared->error);
    struct event event = {.bus = b, .after = keeper->bus[b].follow.frames,
                          .before = keeper->bus[b].follow.frames + 1};
    if (why == READER_FULL) {
        event.what = RECORDER_DISK_FULL;
    } else if (why == READER_WRITE_FAILED) {
        event.what = RECORDER_WRITE_FAILED;
        (void)snprintf(event.detail, sizeof event.detail, "%s", strerror(error));
    } else if (keeper->why && strcmp(keeper->why, RECORDER_DISK_FULL) == 0) {
        event = (struct event){.what = RECORDER_DISK_FULL, .bus = EVENT_NO_BUS};
    }
    if (event.what)
        keeper_note(keeper, &event);
    if (WIFSIGNALED(status))
        diagnostics_say(keeper->setup->diagnostics, SEVERITY_ERROR, NULL,
                        "the reading process was killed by signal %d (%s); the recording ends", WTERMSIG(status),
                        WTERMSIG(status) == SIGSYS ? "a call that its filter forbids" : strsignal(WTERMSIG(status)));
    else if (why == READER_READ_FAILED)
        diagnostics_say(keeper->setup->diagnostics, SEVERITY_ERROR, keeper->setup->facts[b].name,
                        "cannot be read any more: %s; the recording ends", strerror(error));
}

static void say_end(struct keeper *keeper, const char *why, const struct checkpoint_bus *buses)
{
    struct diagnostics *diagnostics = keeper->setup->diagnostics;
    for (unsigned b = 0; b < keeper->bus_count; b++) {
        const struct checkpoint_bus *bus = &buses[b];
        char controller[64] = "";
        if (bus->controller_lost)
            (void)snprintf(controller, sizeof controller, ", at least %llu lost in the controller",
                           (unsigned long long)bus->controller_lost);
        diagnostics_say(diagnostics, SEVERITY_REMARK, bus->name, "%llu frames recorded, %llu lost in the socket%s",
                        (unsigned long long)bus->frames, (unsigned long long)bus->socket_lost, controller);
    }
    diagnostics_say(diagnostics, SEVERITY_REMARK, keeper->setup->job->path, "the recording has ended: %s", why);
    if (keeper->log_failed)
        diagnostics_say(diagnostics, SEVERITY_ERROR, keeper->setup->job->path,
                        RECORDER_LOG_NAME " is not complete: %s; the record proves less without it",
                        strerror(keeper->setup->log->error));
}

static int finish(struct keeper *keeper, int status)
{
    struct checkpoint_bus buses[BUSES_MAX] = {{0}};
    uint64_t bytes[BUSES_MAX] = {0};
    struct stat about;
    struct clocks now;
    take_ring(keeper);
    keeper_take_news(keeper);
    look_at_clock(keeper);
    /* A reader that was killed may have written more than it counted: what is whole in the file counts. */
    for (unsigned b = 0; b < keeper->bus_count; b++)
        bytes[b] = fstat(keeper->bus[b].follow.fd, &about) == 0 ? (uint64_t)about.st_size : 0;
    look_at_everything(keeper, bytes, &now);
    for (unsigned b = 0; b < keeper->bus_count; b++)
        keeper_trim(keeper, b);
    note_end(keeper, status);
    for (unsigned b = 0; b < keeper->bus_count; b++) {
        keeper_secure(keeper, b, keeper->bus[b].follow.bytes);
        fill_bus(keeper, b, &buses[b]);
    }
    for (unsigned i = 0; i < keeper->events.count; i++)
        if (keeper->events.list[i].emptied)
            keeper->events.list[i].before = keeper->bus[keeper->events.list[i].bus].follow.frames + 1;
    keeper_write_events(keeper, true);
    const char *why = why_ended(keeper, status);
    clocks_read(&now);
    if (!lines_end(keeper->setup->log, why, &now, buses, keeper->bus_count, &keeper->marks))
        keeper->log_failed = true;
    (void)!ftruncate(keeper->setup->job->log, (off_t)keeper->setup->log->bytes);
    keeper_sync_log(keeper);
    say_end(keeper, why, buses);
    if (strcmp(why, RECORDER_WHY_STOPPED) == 0 || strcmp(why, RECORDER_WHY_TIME_LIMIT) == 0)
        return keeper->log_failed ? EXIT_WRITE_FAILED : 0;
    return strcmp(why, RECORDER_REMOVED) == 0             ? EXIT_CANNOT_OPEN
           : strcmp(why, RECORDER_WHY_READER_KILLED) == 0 ? EXIT_OUR_FAULT
                                                          : EXIT_WRITE_FAILED;
}

/* ---- the run ---- */

static bool begin(struct keeper *keeper, const struct keeper_setup *setup)
{
    struct clocks now;
    clocks_read(&now);
    keeper->setup = setup;
    keeper->shared = setup->shared;
    keeper->bus_count = setup->options->interface_count;
    keeper->synchronised = now.synchronised;
    keeper->began = now.boottime;
    keeper->due = now.boottime + CHECKPOINT_EACH;
    keeper->log_room = JOB_LOG_ROOM;
    keeper->news = link_watch_open();
    clock_watch_begin(&keeper->clock);
    bool good = marks_follow_begin(&keeper->marks);
    for (unsigned b = 0; good && b < keeper->bus_count; b++) {
        struct kept_bus *bus = &keeper->bus[b];
        bus->keeper = keeper;
        bus->number = b;
        bus->room = JOB_TRACE_LEAST;
        bus->base = bus->counters = setup->counters[b];
        bus->errors_seen = bus->counters.errors;
        bus->good_at = now.monotonic;
        bus->listen_only = bus->listen_only_known = setup->facts[b].listen_only;
        bus->not_listen_only = !setup->facts[b].listen_only;
        int fd = openat(setup->job->folder, setup->job->name[b], O_RDONLY | O_CLOEXEC);
        good = fd >= 0 && trace_follow_begin(&bus->follow, fd);
        bus->follow.on_error = on_error_frame;
        bus->follow.context = bus;
    }
    return good;
}

static void ask_to_stop(struct keeper *keeper, int64_t monotonic, int64_t *asked)
{
    if (!*asked) {
        *asked = monotonic;
        atomic_store(&keeper->shared->stop, true);
        (void)kill(keeper->setup->reader, SIGCONT);
    } else if (monotonic - *asked > READER_MOST) {
        (void)kill(keeper->setup->reader, SIGKILL);
    }
}

static void tick(struct keeper *keeper, struct clocks *now)
{
    struct pollfd polled = {.fd = keeper->news, .events = POLLIN};
    (void)poll(&polled, 1, TICK_MS);
    take_ring(keeper); /* first: it knows the exact frame at which a link went down */
    keeper_take_news(keeper);
    look_at_clock(keeper);
    keeper_reserve(keeper);
    events_settle(&keeper->events, keeper->shared);
    clocks_read(now);
    for (unsigned b = 0; b < keeper->bus_count; b++)
        keeper->bus[b].frames_at_tick = keeper_frames(keeper, b);
}

int keeper_run(const struct keeper_setup *setup)
{
    static struct keeper keeper;
    struct clocks now;
    int status = 0;
    int64_t asked = 0, limit = (int64_t)setup->options->seconds * TT_SECOND;
    if (!begin(&keeper, setup)) {
        diagnostics_say(setup->diagnostics, SEVERITY_ERROR, setup->job->path,
                        "cannot be watched: %s; the recording ends", strerror(errno));
        atomic_store(&setup->shared->stop, true);
        (void)waitpid(setup->reader, &status, 0);
        return EXIT_OUR_FAULT;
    }
    clocks_read(&now);
    while (waitpid(setup->reader, &status, WNOHANG) == 0) {
        tick(&keeper, &now);
        if (limit && !keeper.why && now.boottime - keeper.began >= limit)
            keeper.why = RECORDER_WHY_TIME_LIMIT;
        if (keeper.why || interrupt_asked())
            ask_to_stop(&keeper, now.monotonic, &asked);
        if (now.boottime >= keeper.due)
            checkpoint(&keeper);
    }
    int code = finish(&keeper, status);
    for (unsigned b = 0; b < keeper.bus_count; b++)
        trace_follow_end(&keeper.bus[b].follow);
    clock_watch_end(&keeper.clock);
    if (keeper.news >= 0)
        (void)close(keeper.news);
    return code;
}
