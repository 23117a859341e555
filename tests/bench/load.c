/*
 * Load for a CAN link: counted frames at a steady rate, each with its number in it, so that what is missing can be
 * named. Part of the emulated vehicle bus (tests/bench/vm).
 *
 *   load BUS RATE COUNT [ID]       RATE frames a second; COUNT frames, or 0 for "until SIGTERM"; ID hex, default 123
 *
 * A frame has 8 data bytes: its number from 1, most significant byte first. Frames leave in small bursts, one each
 * millisecond. A full queue is waited for, never skipped. At the end, on stdout: "sent N in T ms, L late", L the
 * number of bursts that left more than 10 ms after their time (then this machine cannot keep the rate up). Exit: 0, 1
 * a frame could not be sent, 2 it cannot start.
 */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define BURST_NS 1000000
#define LATE_NS 10000000

static volatile sig_atomic_t stop;
static void on_term(int number) { (void)number; stop = 1; }

static int64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * 1000000000LL + now.tv_nsec;
}

int main(int argc, char **argv)
{
    if (argc < 4)
        return 2;
    int64_t rate = atoll(argv[2]), count = atoll(argv[3]), sent = 0, late = 0;
    canid_t id = argc > 4 ? (canid_t)strtoul(argv[4], NULL, 16) : 0x123;
    int bus = socket(PF_CAN, SOCK_RAW, CAN_RAW);
    struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(argv[1])};
    if (bus < 0 || !address.can_ifindex || rate <= 0 || setsockopt(bus, SOL_CAN_RAW, CAN_RAW_FILTER, NULL, 0) ||
        bind(bus, (struct sockaddr *)&address, sizeof address)) {
        perror("load");
        return 2;
    }
    sigaction(SIGTERM, &(struct sigaction){.sa_handler = on_term}, NULL);
    int64_t start = now_ns(), burst = 0;
    while (!stop && (!count || sent < count)) {
        int64_t due = start + ++burst * BURST_NS, left = due - now_ns();
        if (left > 0)
            nanosleep(&(struct timespec){0, left}, NULL);
        else if (left < -LATE_NS)
            late++;
        int64_t until = burst * BURST_NS * rate / 1000000000;
        if (count && until > count)
            until = count;
        while (sent < until && !stop) {
            struct can_frame frame = {.can_id = id, .len = 8};
            for (int i = 0; i < 8; i++)
                frame.data[i] = (uint8_t)((uint64_t)(sent + 1) >> (56 - 8 * i));
            if (write(bus, &frame, sizeof frame) == sizeof frame) {
                sent++;
            } else if (errno == ENOBUFS || errno == EINTR) {
                nanosleep(&(struct timespec){0, 100000}, NULL);
            } else {
                perror("load");
                printf("sent %lld\n", (long long)sent);
                return 1;
            }
        }
    }
    printf("sent %lld in %lld ms, %lld late\n", (long long)sent, (long long)((now_ns() - start) / 1000000),
           (long long)late);
    return 0;
}
