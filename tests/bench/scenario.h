/*
 * What the seat module and the tester of the bench share: the scenario they play, the kernel's ISO-TP sockets they talk
 * by, and the list of what each of them sent. Part of the emulated vehicle bus (tests/bench/vm); nothing of it is in
 * the programs under test.
 *
 * A scenario is plain text, a line for each thing that happens, # for comments:
 *
 *     SECONDS WHO WHAT...      who: seat, tester or person; SECONDS, up to three decimals, counted from second 0
 *
 * Each program takes the lines of its own WHO, in the order of the file, each no earlier than its time. Second 0 is
 * given to all programs as the same moment of CLOCK_MONOTONIC, so that what a load does and what a tester asks meet
 * as written.
 */
#ifndef BENCH_SCENARIO_H
#define BENCH_SCENARIO_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define SCENARIO_LINES 512
#define PAYLOAD_MAX 4096
#define NS_A_SECOND 1000000000LL

struct scenario_line {
    int64_t at;       /* ns after second 0 */
    char what[256];   /* the words behind WHO */
    unsigned number;  /* line number in the file */
};

struct scenario {
    struct scenario_line lines[SCENARIO_LINES];
    size_t count;
    int64_t start; /* CLOCK_MONOTONIC of second 0, ns */
};

/* Reads the lines of `who`. `start` is text, seconds of CLOCK_MONOTONIC. Ends the program (2) if anything is bad. */
void scenario_read(struct scenario *scenario, const char *file, const char *who, const char *start);

/* ns since second 0. */
int64_t scenario_now(const struct scenario *scenario);

void scenario_sleep_until(const struct scenario *scenario, int64_t at);

/* "12.5" as 12500 (thousandths); false if it is no number. */
bool scenario_thousandths(const char *text, int64_t *value);

/* Hex digits, spaces allowed, as bytes; 0 if they are none. At most PAYLOAD_MAX. */
size_t scenario_hex(const char *text, uint8_t *bytes);

struct isotp_way {
    uint32_t tx, rx;       /* 11-bit identifiers */
    uint8_t block, stmin;  /* what this end's flow control asks for */
    uint8_t pad;
    bool broadcast;        /* functional requests: single frames, no flow control */
};

/* A bound ISO-TP socket of the kernel (net/can/isotp.c). Ends the program (2) if it cannot be had. */
int isotp_open(const char *bus, struct isotp_way way);

/* Writes one payload and its line into the list ("HEX"). A payload that the socket refused is told on stderr and makes
   isotp_failures() grow. */
void isotp_send(int socket, FILE *list, const uint8_t *bytes, size_t length);
unsigned isotp_failures(void);

_Noreturn void die(const char *what);

#endif
