/*
 * Lets a script ask decoder/support: one question a line on stdin, one answer a line on stdout. Ratios go in and out as
 * N/D with up to 39 digits, free text as hexadecimal bytes ("-" for none). "no ..." is a refusal. A question the probe
 * does not understand ends it with 64, so a broken script cannot pass.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "sink.h"
#include "text.h"
#include "units.h"

static void puzzled(void)
{
    fputs("ratio_probe: question not understood\n", stderr);
    exit(EXIT_USAGE);
}

/* The whole number at *at, which moves behind it. Its own reader: ratio_parse stops at 18 digits. */
static tt_wide wide_at(const char **at)
{
    bool negative = **at == '-';
    unsigned __int128 number = 0;
    *at += negative;
    if (**at < '0' || **at > '9')
        puzzled();
    for (; **at >= '0' && **at <= '9'; (*at)++)
        number = number * 10 + (unsigned)(**at - '0');
    return negative ? (tt_wide)-number : (tt_wide)number;
}

static struct ratio ratio_of(const char *text)
{
    struct ratio out;
    out.numerator = wide_at(&text);
    if (*text++ != '/')
        puzzled();
    out.denominator = wide_at(&text);
    return out;
}

static void put_wide(tt_wide number)
{
    char digits[48], *at = digits + sizeof digits;
    unsigned __int128 rest = number < 0 ? -(unsigned __int128)number : (unsigned __int128)number;
    *--at = '\0';
    do
        *--at = (char)('0' + (int)(rest % 10));
    while (rest /= 10);
    printf("%s%s", number < 0 ? "-" : "", at);
}

static void answer(bool good, struct ratio r)
{
    if (good) {
        put_wide(r.numerator);
        putchar('/');
        put_wide(r.denominator);
    } else {
        fputs("no", stdout);
    }
}

static size_t bytes_from_hex(const char *hex, char *out, size_t room)
{
    size_t length = 0;
    if (strcmp(hex, "-") == 0)
        return 0;
    for (; hex[0] && hex[1] && length < room; hex += 2) {
        const char pair[3] = {hex[0], hex[1], 0};
        out[length++] = (char)strtoul(pair, NULL, 16);
    }
    if (*hex)
        puzzled();
    return length;
}

static void ask_text(const char *question, const char *text, size_t length)
{
    struct buffer memory;
    struct sink sink;
    buffer_init(&memory, 1 << 20);
    if (!sink_open_memory(&sink, &memory))
        exit(EXIT_OUR_FAULT);
    if (strcmp(question, "json") == 0)
        text_json(&sink, text, length);
    else if (strcmp(question, "csv") == 0)
        text_csv(&sink, text, length);
    else if (strcmp(question, "terminal") == 0)
        text_terminal(&sink, text, length);
    else if (strcmp(question, "listing") == 0)
        text_listing(&sink, text, length);
    else
        puzzled();
    if (!sink_close(&sink))
        exit(EXIT_OUR_FAULT);
    for (size_t i = 0; i < memory.length; i++)
        printf("%02x", memory.data[i]);
    buffer_free(&memory);
}

static void ask(const char *question, const char *first, const char *second, const char *third)
{
    struct ratio out = {0, 1};
    char text[4096], unit[UNIT_MAX + 1];
    const char *problem;
    if (strcmp(question, "make") == 0) {
        struct ratio raw = ratio_of(first);
        answer(ratio_make(raw.numerator, raw.denominator, &out), out);
    } else if (strcmp(question, "add") == 0) {
        answer(ratio_add(ratio_of(first), ratio_of(second), &out), out);
    } else if (strcmp(question, "subtract") == 0) {
        answer(ratio_subtract(ratio_of(first), ratio_of(second), &out), out);
    } else if (strcmp(question, "multiply") == 0) {
        answer(ratio_multiply(ratio_of(first), ratio_of(second), &out), out);
    } else if (strcmp(question, "compare") == 0) {
        printf("%d", ratio_compare(ratio_of(first), ratio_of(second)));
    } else if (strcmp(question, "floor") == 0) {
        put_wide(ratio_floor(ratio_of(first)));
    } else if (strcmp(question, "ceiling") == 0) {
        put_wide(ratio_ceiling(ratio_of(first)));
    } else if (strcmp(question, "print") == 0) {
        struct ratio raw = ratio_of(first);
        bool exact;
        size_t length = ratio_print(raw.numerator, raw.denominator, text, &exact);
        printf("%s %s %zu", text, exact ? "exact" : "rounded", length);
    } else if (strcmp(question, "parse") == 0) {
        problem = ratio_parse(text, bytes_from_hex(first, text, sizeof text), &out);
        answer(problem == NULL, out);
    } else if (strcmp(question, "quantity") == 0) {
        problem = units_parse(text, bytes_from_hex(first, text, sizeof text), &out, unit);
        answer(problem == NULL, out);
        printf(" [%s]", problem ? "" : unit);
    } else if (strcmp(question, "convert") == 0) {
        answer(units_convert(ratio_of(first), second, third, &out), out);
    } else if (strcmp(question, "time") == 0) {
        text_time(strtoll(first, NULL, 10), text);
        fputs(text, stdout);
    } else if (strcmp(question, "seconds") == 0) {
        text_seconds(strtoll(first, NULL, 10), text);
        fputs(text, stdout);
    } else if (strcmp(question, "instant") == 0) {
        int64_t nanoseconds;
        if (text_parse_time(text, bytes_from_hex(first, text, sizeof text), &nanoseconds))
            printf("%lld", (long long)nanoseconds);
        else
            fputs("no", stdout);
    } else {
        ask_text(question, text, bytes_from_hex(first, text, sizeof text));
    }
    putchar('\n');
}

int main(void)
{
    static char line[20000];
    while (fgets(line, sizeof line, stdin)) {
        char *words[4] = {NULL, NULL, NULL, NULL};
        size_t count = 0;
        for (char *word = strtok(line, " \n"); word && count < 4; word = strtok(NULL, " \n"))
            words[count++] = word;
        if (count < 2)
            puzzled();
        ask(words[0], words[1], words[2] ? words[2] : "", words[3] ? words[3] : "");
    }
    return fflush(stdout) == 0 && !ferror(stdout) ? EXIT_CONFIRMED : EXIT_WRITE_FAILED;
}
