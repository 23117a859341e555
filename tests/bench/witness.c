/*
 * An independent witness of a CAN interface: everything that passes, errors too, into a classic pcap file of its own
 * writing. It shares no code with the decoder or the recorder. Part of the emulated vehicle bus (tests/bench/vm).
 *
 *   witness INTERFACE FILE
 *
 * FILE appears once the socket listens, so whoever starts the traffic waits for it. On SIGTERM what is still queued is
 * read, then FILE.count gets "frames N dropped M" and the program ends: 0 all written, 1 frames were dropped or the
 * file is incomplete, 2 it could not start. A link that goes down, or away, is noted on stderr and waited for.
 *
 * Format: libpcap's pcap-savefile(5) with nanoseconds (magic A1B23C4D); tcpdump.org, LINKTYPE_CAN_SOCKETCAN (227).
 */
#define _GNU_SOURCE /* ppoll */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define PCAP_MAGIC_NS 0xA1B23C4Du
#define LINKTYPE_CAN 227u
#define FLAG_FDF 0x04u /* "this is a CAN FD frame" in the flags byte of link type 227 */

static volatile sig_atomic_t stop;

static void on_term(int number)
{
    (void)number;
    stop = 1;
}

static void die(const char *what)
{
    fprintf(stderr, "witness: %s: %s\n", what, strerror(errno));
    exit(2);
}

/* A raw socket that hears all frames of the interface, FD and error frames included, with nanosecond stamps. */
static int open_bus(const char *interface)
{
    int bus = socket(PF_CAN, SOCK_RAW, CAN_RAW);
    if (bus < 0)
        die("CAN socket");
    int on = 1, room = 128 << 20;
    can_err_mask_t errors = CAN_ERR_MASK;
    if (setsockopt(bus, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof on) ||
        setsockopt(bus, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &errors, sizeof errors) ||
        setsockopt(bus, SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof on) ||
        setsockopt(bus, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on) ||
        setsockopt(bus, SOL_SOCKET, SO_RCVBUFFORCE, &room, sizeof room))
        die("socket options");
    struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(interface)};
    if (!address.can_ifindex || bind(bus, (struct sockaddr *)&address, sizeof address))
        die(interface);
    return bus;
}

static void put32(uint8_t *at, uint32_t value) { memcpy(at, &value, 4); } /* host order, as the magic says */

static void write_header(FILE *file)
{
    uint8_t header[24] = {0};
    uint16_t version[2] = {2, 4};
    put32(header, PCAP_MAGIC_NS);
    memcpy(header + 4, version, 4);
    put32(header + 16, 262144); /* snapshot length */
    put32(header + 20, LINKTYPE_CAN);
    fwrite(header, 1, sizeof header, file);
}

static void write_record(FILE *file, const struct canfd_frame *frame, uint32_t size, const struct timespec *when)
{
    uint8_t record[16 + CANFD_MTU] = {0};
    put32(record, (uint32_t)when->tv_sec);
    put32(record + 4, (uint32_t)when->tv_nsec);
    put32(record + 8, size);
    put32(record + 12, size);
    uint8_t *link = record + 16;
    memcpy(link, frame, size);
    for (int i = 0; i < 4; i++) /* this link type has the identifier in network order */
        link[i] = (uint8_t)(frame->can_id >> (24 - 8 * i));
    if (size == CANFD_MTU)
        link[5] |= FLAG_FDF;
    fwrite(record, 1, 16 + size, file);
}

/* Reads what is queued. Gives the number of frames; *dropped is the socket's own count so far. */
static uint64_t drain(int bus, FILE *file, uint32_t *dropped)
{
    for (uint64_t count = 0;; count++) {
        struct canfd_frame frame;
        union {
            struct cmsghdr align;
            char bytes[CMSG_SPACE(sizeof(struct timespec)) + CMSG_SPACE(sizeof(uint32_t))];
        } control;
        struct iovec part = {&frame, sizeof frame};
        struct msghdr message = {.msg_iov = &part, .msg_iovlen = 1, .msg_control = &control,
                                 .msg_controllen = sizeof control};
        memset(&frame, 0, sizeof frame);
        ssize_t got = recvmsg(bus, &message, MSG_DONTWAIT);
        if (got < 0) {
            if (errno != EAGAIN && errno != EINTR)
                fprintf(stderr, "witness: %s\n", strerror(errno)); /* ENETDOWN: said once by the kernel */
            return count;
        }
        struct timespec when = {0};
        for (struct cmsghdr *c = CMSG_FIRSTHDR(&message); c; c = CMSG_NXTHDR(&message, c)) {
            if (c->cmsg_level == SOL_SOCKET && c->cmsg_type == SO_TIMESTAMPNS)
                memcpy(&when, CMSG_DATA(c), sizeof when);
            if (c->cmsg_level == SOL_SOCKET && c->cmsg_type == SO_RXQ_OVFL)
                memcpy(dropped, CMSG_DATA(c), sizeof *dropped);
        }
        write_record(file, &frame, (uint32_t)got, &when);
    }
}

int main(int argc, char **argv)
{
    if (argc != 3) {
        fputs("usage: witness INTERFACE FILE\n", stderr);
        return 2;
    }
    sigset_t term, before;
    sigemptyset(&term);
    sigaddset(&term, SIGTERM);
    sigprocmask(SIG_BLOCK, &term, &before); /* let in only while waiting, so that no signal is missed */
    sigaction(SIGTERM, &(struct sigaction){.sa_handler = on_term}, NULL);

    int bus = open_bus(argv[1]);
    FILE *file = fopen(argv[2], "wbx");
    if (!file)
        die(argv[2]);
    write_header(file);
    uint64_t frames = 0;
    uint32_t dropped = 0;
    while (!stop) {
        struct pollfd one = {.fd = bus, .events = POLLIN};
        if (ppoll(&one, 1, NULL, &before) > 0)
            frames += drain(bus, file, &dropped);
    }
    frames += drain(bus, file, &dropped);
    bool whole = !ferror(file);
    if (fclose(file))
        whole = false;

    char name[4096];
    snprintf(name, sizeof name, "%s.count", argv[2]);
    FILE *count = fopen(name, "w");
    if (!count || fprintf(count, "frames %llu dropped %lu\n", (unsigned long long)frames, (unsigned long)dropped) < 0 ||
        fclose(count))
        whole = false;
    return whole && !dropped ? 0 : 1;
}
