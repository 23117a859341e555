/* See clocks.h. */
#include "clocks.h"

#include <errno.h>
#include <sys/timerfd.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#define TRIES 5
#define STEP_LEAST TT_MS       /* setting the clock to what it is anyway is no step */
#define STEP_UNTOLD (TT_SECOND / 20) /* without the timer: more than slewing does between two looks */
#define FAR_AWAY 4000000000L   /* seconds: the timer never runs out, it is only cancelled */

static int64_t read_clock(clockid_t clock)
{
    struct timespec now = {0};
    (void)clock_gettime(clock, &now);
    return (int64_t)now.tv_sec * TT_SECOND + now.tv_nsec;
}

void clocks_read(struct clocks *clocks)
{
    int64_t narrowest = INT64_MAX;
    /* Being interrupted between two clocks would look like a step: the narrowest of some tries counts. */
    for (int i = 0; i < TRIES; i++) {
        int64_t before = read_clock(CLOCK_MONOTONIC), boottime = read_clock(CLOCK_BOOTTIME);
        int64_t time = read_clock(CLOCK_REALTIME), after = read_clock(CLOCK_MONOTONIC);
        if (after - before >= narrowest)
            continue;
        narrowest = after - before;
        clocks->time = time;
        clocks->boottime = boottime;
        clocks->monotonic = before;
    }
    struct timex about = {.modes = 0};
    int state = adjtimex(&about);
    clocks->synchronised = state >= 0 && state != TIME_ERROR && !(about.status & STA_UNSYNC);
    clocks->error = clocks->synchronised ? (int64_t)about.esterror * 1000 : -1;
}

static void arm(const struct clock_watch *watch)
{
    const struct itimerspec far = {.it_value = {.tv_sec = FAR_AWAY}};
    if (watch->fd >= 0)
        (void)timerfd_settime(watch->fd, TFD_TIMER_ABSTIME | TFD_TIMER_CANCEL_ON_SET, &far, NULL);
}

void clock_watch_begin(struct clock_watch *watch)
{
    struct clocks now;
    watch->fd = timerfd_create(CLOCK_REALTIME, TFD_NONBLOCK | TFD_CLOEXEC);
    arm(watch);
    clocks_read(&now);
    watch->offset = now.time - now.boottime;
}

bool clock_watch_look(struct clock_watch *watch, int64_t *step)
{
    struct clocks now;
    uint64_t expirations;
    bool told = watch->fd >= 0 && read(watch->fd, &expirations, sizeof expirations) < 0 && errno == ECANCELED;
    if (told)
        arm(watch);
    clocks_read(&now);
    int64_t offset = now.time - now.boottime, size;
    *step = offset - watch->offset;
    watch->offset = offset;
    size = *step < 0 ? -*step : *step;
    return size >= (told ? STEP_LEAST : STEP_UNTOLD);
}

void clock_watch_end(struct clock_watch *watch)
{
    if (watch->fd >= 0)
        (void)close(watch->fd);
    watch->fd = -1;
}
