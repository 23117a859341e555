/*
 * The tester of the bench: asks the seat module what the scenario says, over the kernel's own ISO-TP sockets.
 *
 *   scan_tool BUS SCENARIO SECOND-0 LIST
 *
 * Lines of "tester" in the scenario (scenario.h); N is a whole number, SECONDS up to three decimals, HEX a request:
 *
 *   ask HEX                          asks and waits for the answer; an answer 7F .. 78 only asks for more time
 *   every SECONDS times N ask HEX    the same N times, one each SECONDS
 *   every SECONDS until HEX ask HEX  until an answer begins with the first HEX; at most 200 times
 *   tell HEX                         to everybody (functional, id 7DF); waits for nothing
 *   expect HEX ask HEX               asks; ends with 1 if the answer does not begin with the first HEX
 *
 * LIST gets a line of hex for each payload its socket to the module sent, stdout what came back. The addresses are
 * those of the invented seat: 5E3 asks, 6C5 answers. Exit: 0, 1 an answer was missing or not the expected one, 2 it
 * cannot run.
 */
#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "scenario.h"

#define ANSWER_WITHIN_MS 1000
#define MORE_TIME_MS 5000 /* P2* of ISO 14229-2 */
#define ASKED_MOST 200

static int module, everybody;
static FILE *list;
static unsigned bad;

/* Asks once; gives the length of the answer. Without one nothing that follows would make sense: the end. */
static size_t ask(const uint8_t *request, size_t length, uint8_t *answer)
{
    int patience = ANSWER_WITHIN_MS;
    struct pollfd one = {.fd = module, .events = POLLIN};
    isotp_send(module, list, request, length);
    for (;;) {
        if (poll(&one, 1, patience) <= 0)
            break;
        ssize_t got = read(module, answer, PAYLOAD_MAX);
        if (got <= 0)
            break;
        for (ssize_t i = 0; i < got; i++)
            printf("%02x", answer[i]);
        putchar('\n');
        if (got == 3 && answer[0] == 0x7F && answer[2] == 0x78) {
            patience = MORE_TIME_MS;
            continue;
        }
        return (size_t)got;
    }
    errno = 0;
    fprintf(stderr, "scan_tool: no answer to a request with %02x\n", request[0]);
    exit(1);
}

static void play(const struct scenario *scenario, const struct scenario_line *line)
{
    static uint8_t request[PAYLOAD_MAX], wanted[PAYLOAD_MAX], answer[PAYLOAD_MAX];
    char words[256], wanted_text[256] = "";
    int64_t every = 0, next = line->at;
    unsigned times = 1;
    int at = 0;
    snprintf(words, sizeof words, "%s", line->what);
    char *rest = words;
    if (!strncmp(rest, "tell ", 5)) {
        size_t length = scenario_hex(rest + 5, request);
        if (!length)
            die(line->what);
        scenario_sleep_until(scenario, next);
        if (write(everybody, request, length) != (ssize_t)length)
            die("functional request");
        return;
    }
    char *question = strstr(rest, "ask ");
    if (!question)
        die(line->what);
    size_t length = scenario_hex(question + 4, request);
    *question = 0;
    char seconds[32];
    if (sscanf(rest, "every %31s %n", seconds, &at) == 1) {
        if (!scenario_thousandths(seconds, &every))
            die(line->what);
        every *= 1000000;
        rest += at;
    }
    bool until = !strncmp(rest, "until ", 6);
    if (until || !strncmp(rest, "expect ", 7)) {
        snprintf(wanted_text, sizeof wanted_text, "%s", rest + (until ? 6 : 7));
        times = until ? ASKED_MOST : 1;
    } else if (*rest && sscanf(rest, "times %u", &times) != 1) {
        die(line->what);
    }
    size_t wanted_length = scenario_hex(wanted_text, wanted);
    if (!length || (*wanted_text && !wanted_length))
        die(line->what);
    for (unsigned asked = 0; asked < times; asked++, next += every) {
        scenario_sleep_until(scenario, next);
        size_t got = ask(request, length, answer);
        if (wanted_length && got >= wanted_length && !memcmp(answer, wanted, wanted_length))
            return;
    }
    if (wanted_length) {
        fprintf(stderr, "scan_tool: line %u: the answer never began with %s\n", line->number, wanted_text);
        bad++;
    }
}

int main(int argc, char **argv)
{
    static struct scenario scenario;
    if (argc != 5)
        die("usage: scan_tool BUS SCENARIO SECOND-0 LIST");
    list = fopen(argv[4], "w");
    if (!list)
        die(argv[4]);
    scenario_read(&scenario, argv[2], "tester", argv[3]);
    module = isotp_open(argv[1], (struct isotp_way){.tx = 0x5E3, .rx = 0x6C5, .block = 8, .stmin = 2, .pad = 0x55});
    everybody = isotp_open(argv[1], (struct isotp_way){.tx = 0x7DF, .rx = 0x7EF, .pad = 0x55, .broadcast = true});
    setvbuf(stdout, NULL, _IOLBF, 0);
    for (size_t i = 0; i < scenario.count; i++) {
        errno = 0;
        play(&scenario, &scenario.lines[i]);
    }
    /* The last frames must have left before the socket goes. */
    poll(NULL, 0, 200);
    return bad || isotp_failures() ? 1 : 0;
}
