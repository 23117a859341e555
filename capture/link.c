/* See link.h. */
#define _GNU_SOURCE /* IFF_LOWER_UP lives beside it */
#include "link.h"

#include <errno.h>
#include <fcntl.h>
#include <libsocketcan.h>
#include <linux/can/netlink.h>
#include <linux/if_link.h>
#include <net/if_arp.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include "link_watch.h"
#include "privileges.h"

#define ARPHRD_OF_CAN 280 /* Linux include/uapi/linux/if_arp.h */
#define MTU_OF_FD 72

/* libsocketcan writes its own lines to stderr; ours say it once, in our words. */
static int quiet_begin(void)
{
    int kept = fcntl(STDERR_FILENO, F_DUPFD_CLOEXEC, 3), null = open("/dev/null", O_WRONLY | O_CLOEXEC);
    (void)fflush(stderr);
    if (kept >= 0 && null >= 0)
        (void)dup2(null, STDERR_FILENO);
    if (null >= 0)
        (void)close(null);
    return kept;
}

static void quiet_end(int kept)
{
    if (kept < 0)
        return;
    (void)fflush(stderr);
    (void)dup2(kept, STDERR_FILENO);
    (void)close(kept);
}

static const char *state_text(int state)
{
    static const char *const texts[] = {"error active", "error warning", "error passive",
                                        "bus-off",      "stopped",       "sleeping"};
    return state >= 0 && state < (int)(sizeof texts / sizeof *texts) ? texts[state] : NULL;
}

static bool read_interface(struct link_facts *facts)
{
    struct ifreq request = {0};
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return false;
    memcpy(request.ifr_name, facts->name, sizeof facts->name);
    bool good = ioctl(fd, SIOCGIFINDEX, &request) == 0;
    facts->index = request.ifr_ifindex;
    if (good && (good = ioctl(fd, SIOCGIFHWADDR, &request) == 0))
        facts->is_can = request.ifr_hwaddr.sa_family == ARPHRD_OF_CAN;
    if (good && (good = ioctl(fd, SIOCGIFFLAGS, &request) == 0)) {
        facts->up = (request.ifr_flags & IFF_UP) != 0;
        facts->carrier = (request.ifr_flags & IFF_RUNNING) != 0;
    }
    if (good && ioctl(fd, SIOCGIFMTU, &request) == 0)
        facts->fd = request.ifr_mtu >= MTU_OF_FD;
    int error = errno;
    (void)close(fd);
    errno = error;
    return good;
}

bool link_read(const char *name, struct link_facts *facts)
{
    struct can_ctrlmode mode = {0};
    struct can_bittiming timing = {0};
    int state = -1;
    *facts = (struct link_facts){0};
    (void)snprintf(facts->name, sizeof facts->name, "%s", name);
    if (!read_interface(facts))
        return false;
    if (!facts->is_can)
        return true;
    int kept = quiet_begin();
    facts->is_virtual = can_get_ctrlmode(name, &mode) != 0;
    if (!facts->is_virtual) {
        facts->listen_only = (mode.flags & CAN_CTRLMODE_LISTENONLY) != 0;
        facts->fd = (mode.flags & CAN_CTRLMODE_FD) != 0;
        if (can_get_state(name, &state) == 0)
            facts->state = state_text(state);
        if (can_get_bittiming(name, &timing) == 0) {
            facts->bitrate = timing.bitrate;
            facts->sample_point = timing.sample_point;
        }
        facts->has_restart = can_get_restart_ms(name, &facts->restart_ms) == 0;
    }
    quiet_end(kept);
    return true;
}

bool link_read_listen_only(const char *name, bool *listen_only)
{
    struct link_answer answer;
    bool good = link_ask(name, &answer) && answer.mode_known;
    *listen_only = good && answer.listen_only;
    return good;
}

bool link_read_counters(const char *name, struct link_counters *counters)
{
    struct link_answer answer;
    bool good = link_ask(name, &answer) && answer.counters_known;
    counters->errors = answer.rx_errors;
    counters->sent = answer.tx_packets + answer.tx_dropped;
    /* Drivers count one overrun in one or several of these; their sum could be more than was lost. */
    const uint64_t all[] = {answer.rx_over_errors, answer.rx_fifo_errors, answer.rx_missed_errors, answer.rx_dropped};
    counters->lost = 0;
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        if (all[i] > counters->lost)
            counters->lost = all[i];
    return good;
}

/* Does some program hold a CAN socket on this link? The kernel lists the receivers of every interface. */
static bool is_listened_to(const char *name)
{
    static const char *const lists[] = {"all", "fil", "inv", "sff", "eff", "err"};
    for (size_t i = 0; i < sizeof lists / sizeof *lists; i++) {
        char path[64], line[256], device[64];
        (void)snprintf(path, sizeof path, "/proc/net/can/rcvlist_%s", lists[i]);
        FILE *file = fopen(path, "re");
        bool found = false;
        while (file && !found && fgets(line, sizeof line, file))
            found = sscanf(line, " %63s", device) == 1 && strcmp(device, name) == 0;
        if (file)
            (void)fclose(file);
        if (found)
            return true;
    }
    return false;
}

static int refuse(struct diagnostics *diagnostics, const char *name, const char *what, const char *todo)
{
    diagnostics_say(diagnostics, SEVERITY_ERROR, name, "%s; %s", what, todo);
    return EXIT_CANNOT_OPEN;
}

/* The exact commands, with the bit rate that is known. */
static const char *how_to_set(const struct link_facts *facts, uint32_t bitrate, char *out, size_t room)
{
    uint32_t rate = bitrate ? bitrate : facts->bitrate;
    (void)snprintf(out, room,
                   "set it as root: ip link set %s down; ip link set %s up type can bitrate %u listen-only on%s",
                   facts->name, facts->name, rate ? rate : 500000,
                   facts->fd ? " (and its dbitrate, with fd on)" : rate ? "" : " (with the bit rate of this bus)");
    return out;
}

static int set_failed(const struct link_facts *facts, uint32_t bitrate, struct diagnostics *diagnostics)
{
    char todo[256];
    struct link_facts now;
    (void)how_to_set(facts, bitrate, todo, sizeof todo);
    if (!link_read(facts->name, &now))
        return refuse(diagnostics, facts->name, "went away while it was set", "plug the adapter in and run again");
    diagnostics_say(diagnostics, SEVERITY_ERROR, facts->name,
                    "the controller did not take listen-only mode at %u bit/s%s; %s, and see what that says",
                    bitrate, now.up ? "" : " and is down now", todo);
    return EXIT_CANNOT_OPEN;
}

static int set_link(struct link_facts *facts, const struct options *options, struct diagnostics *diagnostics)
{
    const char *name = facts->name;
    char todo[256];
    (void)how_to_set(facts, options->bitrate, todo, sizeof todo);
    if (!privileges_may_set_links()) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, name,
                        "setting the link is not permitted to this user; run this with sudo, or %s, and record "
                        "without --bitrate", todo);
        return EXIT_CANNOT_OPEN;
    }
    if (facts->fd)
        return refuse(diagnostics, name, "is set up for CAN FD, and a data bit rate cannot be set from here",
                      "bring it up beforehand and record without --bitrate");
    if (facts->up && is_listened_to(name))
        return refuse(diagnostics, name, "is busy: another program listens on it, and would lose the bus",
                      "end that program, or record without --bitrate");
    struct can_ctrlmode mode = {.mask = CAN_CTRLMODE_LISTENONLY, .flags = CAN_CTRLMODE_LISTENONLY};
    int kept = quiet_begin();
    /* Listen-only stands before the link comes up: not one bit is acknowledged. */
    bool good = (!facts->up || can_do_stop(name) == 0) && can_set_bitrate(name, options->bitrate) == 0 &&
                can_set_ctrlmode(name, &mode) == 0 && can_do_start(name) == 0;
    quiet_end(kept);
    if (!good)
        return set_failed(facts, options->bitrate, diagnostics);
    return 0;
}

static int refuse_virtual(const char *name, struct diagnostics *diagnostics)
{
    return refuse(diagnostics, name,
                  "is a virtual link (or an adapter that hides its controller): it has no listen-only mode to read "
                  "back",
                  "add --virtual to record it all the same; passive is then \"not proven\"");
}

int link_prepare(const struct options *options, const char *name, struct link_facts *facts,
                 struct diagnostics *diagnostics)
{
    char todo[256];
    if (!link_read(name, facts))
        return refuse(diagnostics, name, "there is no such interface",
                      "plug the adapter in, and look for its name with: ip link");
    if (!facts->is_can)
        return refuse(diagnostics, name, "is no CAN interface", "name one (ip -details link show type can lists them)");
    if (options->bitrate && facts->is_virtual)
        return refuse(diagnostics, name, "is a virtual link and has no bit rate", "leave --bitrate away");
    if (options->bitrate && !(facts->up && facts->listen_only && facts->bitrate == options->bitrate && !facts->fd)) {
        int code = set_link(facts, options, diagnostics);
        if (code)
            return code;
        if (!link_read(name, facts))
            return refuse(diagnostics, name, "went away while it was set", "plug the adapter in and run again");
        if (!facts->up || !facts->listen_only || facts->bitrate != options->bitrate)
            return set_failed(facts, options->bitrate, diagnostics);
    }
    if (!facts->up)
        return refuse(diagnostics, name, "is down",
                      facts->is_virtual ? "bring it up as root: ip link set IFACE up"
                                        : how_to_set(facts, options->bitrate, todo, sizeof todo));
    if (facts->is_virtual)
        return options->is_virtual ? 0 : refuse_virtual(name, diagnostics);
    if (!facts->listen_only && !options->accept_acknowledging)
        return refuse(diagnostics, name, "is not listen-only: this computer would acknowledge frames on the bus",
                      how_to_set(facts, options->bitrate, todo, sizeof todo));
    return 0;
}
