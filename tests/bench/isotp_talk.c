/*
 * Both ends of ISO 15765-2 conversations on the kernel's own ISO-TP sockets, as a plan file says: so neither encoder
 * nor reassembly is ours. Part of the emulated vehicle bus (tests/bench/vm); plays testers and modules.
 *
 *   isotp_talk PLAN
 *
 * One command a line, # for comments:
 *
 *   socket NAME bus=vcan0 tx=5E3 rx=6C5 ...   opens (again) a socket; further keys, all numbers but ids decimal or 0x:
 *                       tx, rx      hex ids; more than three digits are a 29-bit id
 *                       ext, rxext  address byte sent and expected (extended: two bytes; mixed: the same one twice)
 *                       pad         padding byte; without it frames are only as long as needed
 *                       bs, stmin   what this end's flow control asks for; stmin is the byte of ISO 15765-2
 *                       dl          CAN FD frames with this TX_DL; without it classic CAN
 *                       txtime      ns the kernel adds between frames (its default is 50000)
 *                       broadcast=1 functional requests: single frames only
 *                       listen=1    never answers with flow control
 *   send FROM TO HEX    starts sending; returns before it has arrived, so that both ends may send at once
 *   take TO             waits for the oldest payload sent to TO and compares it
 *   say FROM TO HEX     send and take
 *   wait MS             does nothing for a while
 *
 * Exit: 0 every payload arrived whole, 1 some did not (stdout names the plan's lines), 2 the plan or a socket is bad.
 */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/isotp.h>
#include <net/if.h>
#include <poll.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define PAYLOAD_MAX 65536u
#define SOCKETS_MAX 8
#define QUEUE_MAX 64
#define PATIENCE_MS 20000 /* for one payload; 1,143 frames 5 ms apart take 6 s */

struct expected { /* a payload on its way */
    uint8_t *bytes;
    size_t length;
    unsigned long line;
};

struct end {
    char name[16];
    int socket;
    struct expected queue[QUEUE_MAX]; /* sent to this end, not yet taken */
    size_t queued;
};

static struct end ends[SOCKETS_MAX];
static size_t end_count;
static const char *plan_name;
static unsigned long line_number, delivered, lost;

static void die(const char *what)
{
    fprintf(stderr, "isotp_talk: %s line %lu: %s: %s\n", plan_name, line_number, what, errno ? strerror(errno) : "bad");
    exit(2);
}

static struct end *find_end(const char *name)
{
    for (size_t i = 0; name && i < end_count; i++)
        if (!strcmp(ends[i].name, name))
            return &ends[i];
    return NULL;
}

static struct end *need_end(const char *name)
{
    struct end *end = find_end(name);
    errno = 0;
    if (!end)
        die("no such socket");
    return end;
}

static canid_t parse_id(const char *text)
{
    return (canid_t)strtoul(text, NULL, 16) | (strlen(text) > 3 ? CAN_EFF_FLAG : 0);
}

/* socket NAME key=value...; options must be set before bind, so a change of options is a new socket. */
static void open_end(char *rest)
{
    char *name = strsep(&rest, " "), *word;
    struct can_isotp_options options = {.frame_txtime = CAN_ISOTP_DEFAULT_FRAME_TXTIME};
    struct can_isotp_fc_options flow = {0};
    struct can_isotp_ll_options link = {.mtu = CAN_MTU, .tx_dl = CAN_MAX_DLEN};
    struct sockaddr_can address = {.can_family = AF_CAN};
    while ((word = strsep(&rest, " "))) {
        char *value = strchr(word, '=');
        errno = 0;
        if (!value)
            die(word);
        *value++ = 0;
        unsigned long number = strtoul(value, NULL, 0);
        if (!strcmp(word, "bus")) {
            address.can_ifindex = (int)if_nametoindex(value);
            if (!address.can_ifindex)
                die(value);
        } else if (!strcmp(word, "tx")) {
            address.can_addr.tp.tx_id = parse_id(value);
        } else if (!strcmp(word, "rx")) {
            address.can_addr.tp.rx_id = parse_id(value);
        } else if (!strcmp(word, "ext")) {
            options.flags |= CAN_ISOTP_EXTEND_ADDR;
            options.ext_address = (uint8_t)number;
        } else if (!strcmp(word, "rxext")) {
            options.flags |= CAN_ISOTP_RX_EXT_ADDR;
            options.rx_ext_address = (uint8_t)number;
        } else if (!strcmp(word, "pad")) {
            options.flags |= CAN_ISOTP_TX_PADDING;
            options.txpad_content = (uint8_t)number;
        } else if (!strcmp(word, "bs")) {
            flow.bs = (uint8_t)number;
        } else if (!strcmp(word, "stmin")) {
            flow.stmin = (uint8_t)number;
        } else if (!strcmp(word, "dl")) {
            link = (struct can_isotp_ll_options){.mtu = CANFD_MTU, .tx_dl = (uint8_t)number};
        } else if (!strcmp(word, "txtime")) {
            options.frame_txtime = number ? (uint32_t)number : CAN_ISOTP_FRAME_TXTIME_ZERO;
        } else if (!strcmp(word, "broadcast")) {
            options.flags |= CAN_ISOTP_SF_BROADCAST;
        } else if (!strcmp(word, "listen")) {
            options.flags |= CAN_ISOTP_LISTEN_MODE;
        } else {
            die(word);
        }
    }
    struct end *end = find_end(name);
    if (end) {
        close(end->socket);
    } else {
        if (end_count == SOCKETS_MAX)
            die("too many sockets");
        end = &ends[end_count++];
        snprintf(end->name, sizeof end->name, "%s", name ? name : "");
    }
    end->socket = socket(PF_CAN, SOCK_DGRAM, CAN_ISOTP);
    if (end->socket < 0 || setsockopt(end->socket, SOL_CAN_ISOTP, CAN_ISOTP_OPTS, &options, sizeof options) ||
        setsockopt(end->socket, SOL_CAN_ISOTP, CAN_ISOTP_RECV_FC, &flow, sizeof flow) ||
        setsockopt(end->socket, SOL_CAN_ISOTP, CAN_ISOTP_LL_OPTS, &link, sizeof link) ||
        bind(end->socket, (struct sockaddr *)&address, sizeof address))
        die("ISO-TP socket");
}

static uint8_t *parse_hex(const char *text, size_t *length)
{
    *length = strlen(text) / 2;
    uint8_t *bytes = malloc(*length + 1);
    if (!bytes || !*length || *length > PAYLOAD_MAX)
        die("payload");
    for (size_t i = 0; i < *length; i++) {
        char pair[3] = {text[2 * i], text[2 * i + 1], 0}, *rest;
        bytes[i] = (uint8_t)strtoul(pair, &rest, 16);
        if (*rest)
            die("hex");
    }
    return bytes;
}

static void report_lost(unsigned long line, const char *why)
{
    lost++;
    printf("%s line %lu lost: %s\n", plan_name, line, why);
}

static struct end *send_to(char *rest)
{
    struct end *from = need_end(strsep(&rest, " ")), *to = need_end(strsep(&rest, " "));
    errno = 0;
    if (!rest || to->queued == QUEUE_MAX)
        die("send");
    struct expected sent = {.line = line_number};
    sent.bytes = parse_hex(rest, &sent.length);
    /* Blocks while the socket's last payload is still on its way; its failure, if any, is told here. */
    if (write(from->socket, sent.bytes, sent.length) != (ssize_t)sent.length) {
        report_lost(line_number, strerror(errno));
        free(sent.bytes);
        return NULL;
    }
    to->queue[to->queued++] = sent;
    return to;
}

static void take(struct end *to)
{
    static uint8_t buffer[PAYLOAD_MAX];
    errno = 0;
    if (!to->queued)
        die("nothing was sent to it");
    struct expected next = to->queue[0];
    memmove(to->queue, to->queue + 1, --to->queued * sizeof next);
    struct pollfd one = {.fd = to->socket, .events = POLLIN};
    if (poll(&one, 1, PATIENCE_MS) <= 0) {
        report_lost(next.line, "never arrived");
    } else {
        ssize_t got = read(to->socket, buffer, sizeof buffer);
        if (got < 0)
            report_lost(next.line, strerror(errno));
        else if ((size_t)got != next.length || memcmp(buffer, next.bytes, next.length) != 0)
            report_lost(next.line, "something else arrived");
        else
            delivered++;
    }
    free(next.bytes);
}

int main(int argc, char **argv)
{
    plan_name = argc == 2 ? argv[1] : "";
    FILE *plan = fopen(plan_name, "r");
    if (!plan)
        die("usage: isotp_talk PLAN");
    char *line = NULL;
    size_t room = 0;
    while (getline(&line, &room, plan) > 0) {
        line_number++;
        line[strcspn(line, "\r\n#")] = 0;
        char *rest = line, *command = strsep(&rest, " ");
        struct end *to;
        if (!*command)
            continue;
        if (!strcmp(command, "socket") && rest) {
            open_end(rest);
        } else if (!strcmp(command, "send")) {
            send_to(rest);
        } else if (!strcmp(command, "say")) {
            if ((to = send_to(rest)))
                take(to);
        } else if (!strcmp(command, "take")) {
            /* A payload whose sending failed was told as lost already: then there may be nothing to take. */
            if ((to = need_end(rest))->queued || !lost)
                take(to);
        } else if (!strcmp(command, "wait") && rest) {
            unsigned long ms = strtoul(rest, NULL, 10);
            nanosleep(&(struct timespec){(time_t)(ms / 1000), (long)(ms % 1000) * 1000000L}, NULL);
        } else {
            errno = 0;
            die(command);
        }
    }
    free(line);
    fclose(plan);
    for (size_t i = 0; i < end_count; i++)
        while (ends[i].queued)
            take(&ends[i]);
    printf("%s delivered %lu lost %lu\n", plan_name, delivered, lost);
    return lost ? 1 : 0;
}
