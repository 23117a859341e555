/*
 * The seat module of the bench: an invented front passenger seat with a scale of four corners, which answers ISO 14229
 * requests over the kernel's own ISO-TP sockets and tells the airbag lamp in plain frames. What it weighs is scripted.
 *
 *   seat_module BUS SCENARIO SECOND-0 LIST          until SIGTERM
 *
 * Lines of "seat" in the scenario (scenario.h):
 *
 *   load KG [over SECONDS]     what the scale carries from then on, moved there evenly
 *   shake KG                   the load swings by that much, twice a second (somebody touches the seat)
 *   supply V
 *   lamp unnamed|follows       the lamp's frame says 2, or again what follows from the load
 *
 * Its behaviour, all invented (definitions/examples/seat-scale.yaml describes it to taretrace): zeroing with 13 kg or
 * more on it is refused (22 conditionsNotCorrect), with 1 kg or more it runs and ends with "seat not empty", below
 * 11.5 V with "supply voltage", else with "done" after 2 s. Until then each corner is off by some tenths. The lamp is
 * lit from 13 kg up to below 50 kg. Code 9A4254 is stored until cleared; its test has run again 2 s after a clear,
 * and fails unless the scale has been zeroed. LIST gets a line of hex for each payload sent. Exit: 0; 1 a payload
 * could not be sent; 2 it cannot run.
 */
#define _GNU_SOURCE /* ppoll */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "scenario.h"

#define ID_LAMP 0x3D0
#define LAMP_EACH (NS_A_SECOND / 10)
#define ID_SPEED 0x1A4 /* some other module's frame, so that the bus is not only ours */
#define SPEED_EACH (NS_A_SECOND / 50)
#define ZEROING_TAKES (2 * NS_A_SECOND)
#define TEST_TAKES (2 * NS_A_SECOND)
#define CLEARING_TAKES (NS_A_SECOND * 3 / 10)
#define OCCUPIED_G 13000
#define GROWN_G 50000

enum zero_state { DONE, RUNNING, NOT_EMPTY, SUPPLY };

static struct scenario scenario;
static size_t next_line;
static FILE *list;
static int physical, functional, plain;

/* The seat: grams and thousandths of a volt. */
static int64_t load_from, load_to, load_begin, load_takes, shake, supply = 12600;
static int lamp_forced = -1;
/* The module. */
static bool extended, zero_asked, zeroed, test_failed = true, stored = true, tested = true;
static int corner_off[4] = {9, -4, 6, 3}; /* tenths of a kg */
static int64_t zero_due, test_due, clear_due;
static enum zero_state zero_state;
static unsigned counter;

static volatile sig_atomic_t stop;
static void on_term(int number) { (void)number; stop = 1; }

static int64_t load_at(int64_t now)
{
    int64_t grams = load_to;
    if (now >= load_begin && now < load_begin + load_takes)
        grams = load_from + (load_to - load_from) * (now - load_begin) / load_takes;
    if (shake) {
        int64_t phase = (now / (NS_A_SECOND / 8)) % 4; /* eighths of a second: 0, up, 0, down */
        grams += phase == 1 ? shake : phase == 3 ? -shake : 0;
    }
    return grams;
}

static int64_t number_behind(const char *words, const char *key, int64_t otherwise)
{
    char value[32];
    int64_t number;
    const char *at = strstr(words, key);
    if (!at)
        return otherwise;
    errno = 0;
    if (sscanf(at + strlen(key), " %31s", value) != 1 || !scenario_thousandths(value, &number))
        die(words);
    return number;
}

static void happens(const char *what)
{
    if (!strncmp(what, "load ", 5)) {
        int64_t from = load_at(scenario_now(&scenario));
        load_to = number_behind(what, "load", 0);
        load_takes = number_behind(what, "over", 0) * 1000000;
        load_begin = scenario_now(&scenario);
        load_from = from;
    } else if (!strncmp(what, "shake ", 6)) {
        shake = number_behind(what, "shake", 0);
    } else if (!strncmp(what, "supply ", 7)) {
        supply = number_behind(what, "supply", 0);
    } else if (!strcmp(what, "lamp unnamed")) {
        lamp_forced = 2;
    } else if (!strcmp(what, "lamp follows")) {
        lamp_forced = -1;
    } else {
        errno = 0;
        die(what);
    }
}

/* The four corners share the load unevenly; the last tenth of a kilogram of each flickers, as scales do. */
static size_t seat_load(uint8_t *at)
{
    static const int share[4] = {31, 22, 26, 21}; /* per cent */
    int64_t grams = load_at(scenario_now(&scenario)), tenths = (grams + (grams < 0 ? -50 : 50)) / 100, rest = tenths;
    unsigned raw[4];
    for (int i = 0; i < 4; i++) {
        int64_t corner = i == 3 ? rest : tenths * share[i] / 100;
        rest -= corner;
        raw[i] = (unsigned)(corner + (zeroed ? 0 : corner_off[i]) + 1000);
    }
    raw[counter % 4] += counter % 3 == 0;
    counter++;
    at[0] = (uint8_t)(raw[0] >> 4);
    at[1] = (uint8_t)(raw[0] << 4 | raw[1] >> 8);
    at[2] = (uint8_t)raw[1];
    at[3] = (uint8_t)(raw[2] >> 4);
    at[4] = (uint8_t)(raw[2] << 4 | raw[3] >> 8);
    at[5] = (uint8_t)raw[3];
    at[6] = (uint8_t)(supply / 100);
    at[7] = grams >= OCCUPIED_G;
    return 8;
}

static unsigned code_status(void)
{
    /* ISO 14229-1 annex D: failed, this cycle, pending, confirmed, not completed since clear, failed since clear,
       not completed this cycle, warning. */
    return (test_failed && tested ? 0x27u : 0u) | (stored ? 0x08u : 0u) | (tested ? 0u : 0x50u);
}

static void answer(const uint8_t *bytes, size_t length) { isotp_send(physical, list, bytes, length); }
static void refuse(uint8_t service, uint8_t why) { answer((uint8_t[]){0x7F, service, why}, 3); }

static void zero_routine(const uint8_t *ask, size_t length)
{
    uint8_t reply[5] = {0x71, ask[1], 0x02, 0x42, 0};
    if (length != 4 || ask[2] != 0x02 || ask[3] != 0x42) {
        refuse(0x31, length < 4 ? 0x13 : 0x31); /* incorrect length; request out of range */
    } else if (!extended) {
        refuse(0x31, 0x7F); /* serviceNotSupportedInActiveSession */
    } else if (ask[1] == 1) {
        if (load_at(scenario_now(&scenario)) >= OCCUPIED_G) {
            refuse(0x31, 0x22);
            return;
        }
        zero_asked = true;
        zero_state = RUNNING;
        zero_due = scenario_now(&scenario) + ZEROING_TAKES;
        answer(reply, 5);
    } else if (ask[1] == 3) {
        if (!zero_asked) {
            refuse(0x31, 0x24); /* requestSequenceError */
            return;
        }
        reply[4] = (uint8_t)zero_state;
        answer(reply, 5);
    } else {
        refuse(0x31, 0x12);
    }
}

static void read_identifier(const uint8_t *ask, size_t length)
{
    uint8_t reply[64] = {0x62};
    size_t size = 1;
    if (length < 3 || length % 2 == 0) {
        refuse(0x22, 0x13);
        return;
    }
    for (size_t i = 1; i + 1 < length && size < 40; i += 2) {
        unsigned identifier = (unsigned)ask[i] << 8 | ask[i + 1];
        if (identifier != 0xF190 && identifier != 0xF18C && identifier != 0x3C40)
            continue;
        reply[size++] = ask[i];
        reply[size++] = ask[i + 1];
        if (identifier == 0x3C40) {
            size += seat_load(reply + size);
        } else {
            const char *text = identifier == 0xF190 ? "TT0SEATBENCH00042" : "SM-BENCH-0007";
            memcpy(reply + size, text, strlen(text));
            size += strlen(text);
        }
    }
    if (size == 1)
        refuse(0x22, 0x31);
    else
        answer(reply, size);
}

static void request(const uint8_t *ask, size_t length, bool to_everybody)
{
    uint8_t reply[8] = {0};
    if (to_everybody && ask[0] != 0x3E)
        return; /* nothing else is asked of everybody here */
    switch (ask[0]) {
    case 0x10:
        if (length != 2 || (ask[1] != 1 && ask[1] != 3)) {
            refuse(0x10, length == 2 ? 0x12 : 0x13);
            return;
        }
        extended = ask[1] == 3;
        answer((uint8_t[]){0x50, ask[1], 0x00, 0x32, 0x01, 0xF4}, 6);
        return;
    case 0x3E:
        if (length == 2 && ask[1] == 0)
            answer((uint8_t[]){0x7E, 0x00}, 2);
        return;
    case 0x22:
        read_identifier(ask, length);
        return;
    case 0x31:
        zero_routine(ask, length);
        return;
    case 0x14: /* in its own time: first "more time", then the answer */
        refuse(0x14, length == 4 ? 0x78 : 0x13);
        if (length == 4)
            clear_due = scenario_now(&scenario) + CLEARING_TAKES;
        return;
    case 0x19:
        if (length != 3 || ask[1] != 2) {
            refuse(0x19, 0x12);
            return;
        }
        reply[0] = 0x59;
        reply[1] = 2;
        reply[2] = 0x7F; /* availability: all but the warning bit */
        memcpy(reply + 3, "\x9A\x42\x54", 3);
        reply[6] = (uint8_t)code_status();
        answer(reply, code_status() & ask[2] ? 7 : 3);
        return;
    default:
        refuse(ask[0], 0x11);
    }
}

static void hear(int end, bool to_everybody)
{
    static uint8_t ask[PAYLOAD_MAX];
    ssize_t got = read(end, ask, sizeof ask);
    if (got > 0)
        request(ask, (size_t)got, to_everybody);
}

static void tell_plain(canid_t id, const uint8_t *bytes, uint8_t length)
{
    struct can_frame frame = {.can_id = id, .len = length};
    memcpy(frame.data, bytes, length);
    if (write(plain, &frame, sizeof frame) != sizeof frame && errno != ENOBUFS && errno != ENETDOWN)
        die("plain frame");
}

static void tell_lamp(int64_t now)
{
    int64_t grams = load_at(now);
    int lamp = lamp_forced >= 0 ? lamp_forced : grams >= OCCUPIED_G && grams < GROWN_G;
    static uint8_t turn;
    tell_plain(ID_LAMP, (uint8_t[]){turn++, 0x40, (uint8_t)lamp, 0}, 4);
}

/* What has become due by itself. */
static void pass_time(int64_t now)
{
    while (next_line < scenario.count && scenario.lines[next_line].at <= now)
        happens(scenario.lines[next_line++].what);
    if (zero_due && now >= zero_due) {
        zero_due = 0;
        zero_state = supply < 11500 ? SUPPLY : load_at(now) >= 1000 ? NOT_EMPTY : DONE;
        if (zero_state == DONE) {
            zeroed = true;
            test_failed = false;
        }
    }
    if (clear_due && now >= clear_due) {
        clear_due = 0;
        stored = tested = false;
        test_due = now + TEST_TAKES;
        answer((uint8_t[]){0x54}, 1);
    }
    if (test_due && now >= test_due) {
        test_due = 0;
        tested = true;
        stored = test_failed;
    }
}

static int64_t sooner(int64_t one, int64_t other) { return other && other < one ? other : one; }

int main(int argc, char **argv)
{
    if (argc != 5)
        die("usage: seat_module BUS SCENARIO SECOND-0 LIST");
    sigset_t term, before;
    sigemptyset(&term);
    sigaddset(&term, SIGTERM);
    sigprocmask(SIG_BLOCK, &term, &before);
    sigaction(SIGTERM, &(struct sigaction){.sa_handler = on_term}, NULL);
    scenario_read(&scenario, argv[2], "seat", argv[3]);
    physical = isotp_open(argv[1], (struct isotp_way){.tx = 0x6C5, .rx = 0x5E3, .pad = 0xAA});
    functional = isotp_open(argv[1], (struct isotp_way){.tx = 0x6C6, .rx = 0x7DF, .pad = 0xAA});
    plain = socket(PF_CAN, SOCK_RAW, CAN_RAW);
    struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(argv[1])};
    if (plain < 0 || setsockopt(plain, SOL_CAN_RAW, CAN_RAW_FILTER, NULL, 0) ||
        bind(plain, (struct sockaddr *)&address, sizeof address))
        die("CAN socket");
    list = fopen(argv[4], "w");
    if (!list)
        die(argv[4]);

    int64_t lamp_due = scenario_now(&scenario), speed_due = lamp_due;
    while (!stop) {
        int64_t now = scenario_now(&scenario), due = sooner(lamp_due, speed_due);
        due = sooner(sooner(sooner(due, zero_due), clear_due), test_due);
        if (next_line < scenario.count)
            due = due < scenario.lines[next_line].at ? due : scenario.lines[next_line].at;
        int64_t left = due > now ? due - now : 0;
        struct pollfd ends[2] = {{.fd = physical, .events = POLLIN}, {.fd = functional, .events = POLLIN}};
        struct timespec patience = {left / NS_A_SECOND, left % NS_A_SECOND};
        if (ppoll(ends, 2, &patience, &before) > 0) {
            if (ends[0].revents)
                hear(physical, false);
            if (ends[1].revents)
                hear(functional, true);
        }
        now = scenario_now(&scenario);
        pass_time(now);
        if (now >= lamp_due) {
            tell_lamp(now);
            lamp_due += LAMP_EACH;
        }
        if (now >= speed_due) {
            tell_plain(ID_SPEED, (uint8_t[]){0, 0, (uint8_t)(counter >> 8), (uint8_t)counter, 0x7F, 0, 0, 0}, 8);
            speed_due += SPEED_EACH;
        }
    }
    fclose(list);
    return isotp_failures() ? 1 : 0;
}
