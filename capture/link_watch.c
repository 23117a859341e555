/* See link_watch.h. */
#include "link_watch.h"

#include <errno.h>
#include <linux/can/netlink.h>
#include <linux/if_link.h>
#include <linux/netlink.h>
#include <linux/rtnetlink.h>
#include <stddef.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#ifndef IFNAMSIZ
#define IFNAMSIZ 16 /* likewise */
#endif
#define UP 1u /* IFF_UP; its header and linux/if_link.h exclude each other */

int link_watch_open(void)
{
    const struct sockaddr_nl address = {.nl_family = AF_NETLINK, .nl_groups = RTMGRP_LINK};
    int fd = socket(AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, NETLINK_ROUTE);
    if (fd >= 0 && bind(fd, (const struct sockaddr *)&address, sizeof address) != 0) {
        int error = errno;
        (void)close(fd);
        errno = error;
        fd = -1;
    }
    return fd;
}

/* NLMSG_OK of linux/netlink.h, with its lengths compared in one type. */
static bool is_whole(const struct nlmsghdr *at, int left)
{
    return left >= (int)sizeof *at && at->nlmsg_len >= sizeof *at && at->nlmsg_len <= (unsigned)left;
}

/* The attribute of that type among length bytes of them; NULL when it is not there. */
static const struct rtattr *attribute(const struct rtattr *at, size_t length, unsigned type)
{
    for (; RTA_OK(at, length); at = RTA_NEXT(at, length))
        if ((at->rta_type & NLA_TYPE_MASK) == type)
            return at;
    return NULL;
}

static const struct rtattr *inside(const struct rtattr *outer, unsigned type)
{
    return outer ? attribute(RTA_DATA(outer), RTA_PAYLOAD(outer), type) : NULL;
}

/* The controller's mode in a message about a link; false when it tells none. */
static bool mode_of(const struct nlmsghdr *header, bool *listen_only)
{
    const struct ifinfomsg *about = NLMSG_DATA(header);
    const struct rtattr *info = attribute(IFLA_RTA(about), IFLA_PAYLOAD(header), IFLA_LINKINFO);
    const struct rtattr *mode = inside(inside(info, IFLA_INFO_DATA), IFLA_CAN_CTRLMODE);
    struct can_ctrlmode value;
    if (!mode || RTA_PAYLOAD(mode) < sizeof value)
        return false;
    memcpy(&value, RTA_DATA(mode), sizeof value);
    *listen_only = (value.flags & CAN_CTRLMODE_LISTENONLY) != 0;
    return true;
}

static void tell(const struct nlmsghdr *header, void (*news)(void *context, const struct link_message *message),
                 void *context)
{
    const struct ifinfomsg *about = NLMSG_DATA(header);
    struct link_message message = {.index = about->ifi_index, .up = (about->ifi_flags & UP) != 0,
                                   .removed = header->nlmsg_type == RTM_DELLINK};
    message.mode_known = mode_of(header, &message.listen_only);
    news(context, &message);
}

bool link_watch_read(int fd, void (*news)(void *context, const struct link_message *message), void *context)
{
    static union {
        struct nlmsghdr first;
        char bytes[32768];
    } room;
    for (;;) {
        struct sockaddr_nl from = {0};
        struct iovec piece = {&room, sizeof room};
        struct msghdr header = {.msg_name = &from, .msg_namelen = sizeof from, .msg_iov = &piece, .msg_iovlen = 1};
        ssize_t got = recvmsg(fd, &header, 0);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return errno != ENOBUFS;
        if (from.nl_pid != 0) /* only the kernel is believed */
            continue;
        int left = (int)got;
        for (struct nlmsghdr *at = &room.first; is_whole(at, left); at = NLMSG_NEXT(at, left))
            if ((at->nlmsg_type == RTM_NEWLINK || at->nlmsg_type == RTM_DELLINK) &&
                at->nlmsg_len >= NLMSG_LENGTH(sizeof(struct ifinfomsg)))
                tell(at, news, context);
    }
}

static void take_answer(const struct nlmsghdr *header, struct link_answer *answer)
{
    const struct ifinfomsg *about = NLMSG_DATA(header);
    const struct rtattr *counters = attribute(IFLA_RTA(about), IFLA_PAYLOAD(header), IFLA_STATS64);
    struct rtnl_link_stats64 stats = {0};
    answer->mode_known = mode_of(header, &answer->listen_only);
    if (!counters || RTA_PAYLOAD(counters) < offsetof(struct rtnl_link_stats64, rx_compressed))
        return;
    size_t there = RTA_PAYLOAD(counters);
    memcpy(&stats, RTA_DATA(counters), there < sizeof stats ? there : sizeof stats);
    answer->counters_known = true;
    answer->rx_errors = stats.rx_errors;
    answer->tx_packets = stats.tx_packets;
    answer->tx_dropped = stats.tx_dropped;
    answer->rx_over_errors = stats.rx_over_errors;
    answer->rx_fifo_errors = stats.rx_fifo_errors;
    answer->rx_missed_errors = stats.rx_missed_errors;
    answer->rx_dropped = stats.rx_dropped;
}

/* The kernel's one answer. False: an error, nothing in time, or nothing that can be read. */
static bool receive_answer(int fd, struct link_answer *answer)
{
    static union {
        struct nlmsghdr first;
        char bytes[32768];
    } room;
    struct sockaddr_nl from = {0};
    struct iovec piece = {&room, sizeof room};
    struct msghdr header = {.msg_name = &from, .msg_namelen = sizeof from, .msg_iov = &piece, .msg_iovlen = 1};
    ssize_t got;
    do
        got = recvmsg(fd, &header, 0);
    while ((got < 0 && errno == EINTR) || (got >= 0 && from.nl_pid != 0)); /* only the kernel is believed */
    int left = got > 0 ? (int)got : 0;
    const struct nlmsghdr *at = &room.first;
    if (!is_whole(at, left) || at->nlmsg_type != RTM_NEWLINK || at->nlmsg_len < NLMSG_LENGTH(sizeof(struct ifinfomsg)))
        return false;
    take_answer(at, answer);
    return true;
}

bool link_ask(const char *name, struct link_answer *answer)
{
    struct {
        struct nlmsghdr header;
        struct ifinfomsg about;
        struct rtattr attribute;
        char name[IFNAMSIZ];
    } question = {.header = {.nlmsg_type = RTM_GETLINK, .nlmsg_flags = NLM_F_REQUEST},
                  .attribute = {.rta_type = IFLA_IFNAME}};
    const struct timeval patience = {.tv_sec = 1};
    size_t length = strlen(name) + 1;
    *answer = (struct link_answer){0};
    if (length > sizeof question.name)
        return false;
    memcpy(question.name, name, length);
    question.attribute.rta_len = (unsigned short)RTA_LENGTH(length);
    question.header.nlmsg_len =
        (uint32_t)(NLMSG_LENGTH(sizeof question.about) + RTA_ALIGN(question.attribute.rta_len));
    int fd = socket(AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC, NETLINK_ROUTE);
    if (fd < 0)
        return false;
    bool good = setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience) == 0 &&
                send(fd, &question, question.header.nlmsg_len, 0) == (ssize_t)question.header.nlmsg_len &&
                receive_answer(fd, answer);
    (void)close(fd);
    return good;
}
