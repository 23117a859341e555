/* See scenario.h. */
#include "scenario.h"

#include <ctype.h>
#include <errno.h>
#include <linux/can.h>
#include <linux/can/isotp.h>
#include <net/if.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static unsigned failures;

_Noreturn void die(const char *what)
{
    fprintf(stderr, "bench: %s: %s\n", what, errno ? strerror(errno) : "bad");
    exit(2);
}

bool scenario_thousandths(const char *text, int64_t *value)
{
    char *rest;
    bool negative = *text == '-';
    text += negative;
    if (!isdigit((unsigned char)*text))
        return false;
    *value = strtoll(text, &rest, 10) * 1000;
    if (*rest == '.') {
        int64_t weight = 100;
        for (rest++; isdigit((unsigned char)*rest); rest++, weight /= 10)
            *value += (*rest - '0') * weight;
    }
    if (negative)
        *value = -*value;
    return !*rest;
}

void scenario_read(struct scenario *scenario, const char *file, const char *who, const char *start)
{
    char line[512];
    unsigned number = 0;
    int64_t thousandths;
    FILE *in = fopen(file, "r");
    if (!in)
        die(file);
    if (!scenario_thousandths(start, &thousandths))
        die("second 0");
    scenario->start = thousandths * 1000000;
    while (fgets(line, sizeof line, in)) {
        number++;
        line[strcspn(line, "#\r\n")] = 0;
        char *at = strtok(line, " \t"), *role = strtok(NULL, " \t"), *what = strtok(NULL, "");
        errno = 0;
        if (!at)
            continue;
        if (!role || !what || !scenario_thousandths(at, &thousandths))
            die("a line of the scenario is not SECONDS WHO WHAT");
        if (strcmp(role, who) != 0)
            continue;
        if (scenario->count == SCENARIO_LINES)
            die("the scenario is too long");
        struct scenario_line *mine = &scenario->lines[scenario->count++];
        mine->at = thousandths * 1000000;
        mine->number = number;
        what += strspn(what, " \t");
        snprintf(mine->what, sizeof mine->what, "%s", what);
        for (size_t end = strlen(mine->what); end && mine->what[end - 1] == ' ';)
            mine->what[--end] = 0;
    }
    fclose(in);
}

int64_t scenario_now(const struct scenario *scenario)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * NS_A_SECOND + now.tv_nsec - scenario->start;
}

void scenario_sleep_until(const struct scenario *scenario, int64_t at)
{
    int64_t left = at - scenario_now(scenario);
    if (left > 0)
        nanosleep(&(struct timespec){left / NS_A_SECOND, left % NS_A_SECOND}, NULL);
}

size_t scenario_hex(const char *text, uint8_t *bytes)
{
    size_t digits = 0;
    for (; *text; text++) {
        if (*text == ' ')
            continue;
        if (!isxdigit((unsigned char)*text) || digits == 2 * PAYLOAD_MAX)
            return 0;
        int digit = tolower((unsigned char)*text);
        unsigned value = (unsigned)(digit <= '9' ? digit - '0' : digit - 'a' + 10);
        bytes[digits / 2] = (uint8_t)(digits % 2 ? bytes[digits / 2] << 4 | value : value);
        digits++;
    }
    return digits % 2 ? 0 : digits / 2;
}

int isotp_open(const char *bus, struct isotp_way way)
{
    struct can_isotp_options options = {.flags = CAN_ISOTP_TX_PADDING, .txpad_content = way.pad};
    struct can_isotp_fc_options flow = {.bs = way.block, .stmin = way.stmin};
    struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(bus)};
    address.can_addr.tp.tx_id = way.tx;
    address.can_addr.tp.rx_id = way.rx;
    if (way.broadcast)
        options.flags |= CAN_ISOTP_SF_BROADCAST;
    int end = socket(PF_CAN, SOCK_DGRAM, CAN_ISOTP);
    if (end < 0 || !address.can_ifindex || setsockopt(end, SOL_CAN_ISOTP, CAN_ISOTP_OPTS, &options, sizeof options) ||
        setsockopt(end, SOL_CAN_ISOTP, CAN_ISOTP_RECV_FC, &flow, sizeof flow) ||
        bind(end, (struct sockaddr *)&address, sizeof address))
        die("ISO-TP socket");
    return end;
}

void isotp_send(int socket, FILE *list, const uint8_t *bytes, size_t length)
{
    if (write(socket, bytes, length) != (ssize_t)length) {
        fprintf(stderr, "bench: payload not sent: %s\n", strerror(errno));
        failures++;
        return;
    }
    for (size_t i = 0; i < length; i++)
        fprintf(list, "%02x", bytes[i]);
    fputc('\n', list);
    fflush(list);
}

unsigned isotp_failures(void) { return failures; }
