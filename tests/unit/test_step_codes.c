/*
 * decoder/stages/step.h: timelines that try to get a wrong answer out of trouble codes (D 7.10). Every expectation is
 * worked by hand from the rule.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <cmocka.h>

#include "support_step.h"

/* ---- D 7.10 ---- */

/* The codes step after a conversation: question and answer in turn, NULL as question for nobody's. */
static void codes_say(char letter, const char *const *told, size_t count)
{
    struct job job;
    char letters[] = {'+', letter, '\0'};
    begin(&job, ZERO CODES);
    zeroed(&job);
    for (size_t i = 0; i < count; i += 2) {
        if (!told[i])
            unsolicited(&job, told[i + 1]);
        else if (told[i + 1])
            exchanged(&job, told[i], told[i + 1]);
        else
            unanswered(&job, ask(&job, told[i]), told[i][3] == '8' ? EXCHANGE_SUPPRESSED : EXCHANGE_MISSING);
    }
    ends(&job, 1, letters, letter == '+' ? 0 : letter == '-' ? 1 : 2);
}
#define CODES_SAY(letter, ...)                                                      \
    do {                                                                            \
        static const char *const told_[] = {__VA_ARGS__};                           \
        codes_say(letter, told_, sizeof told_ / sizeof *told_);                     \
    } while (0)
#define NONE_LEFT "19 02 09", "59 02 FF"

static void d7_10_the_last_covering_answer_decides(void **state)
{
    (void)state;
    CODES_SAY('+', NONE_LEFT);
    CODES_SAY('?', "19 02 01", "59 02 FF");
    CODES_SAY('-', "19 02 09", "59 02 FF 9A 42 54 08");
    CODES_SAY('+', "19 02 09", "59 02 FF 9A 42 54 08", NONE_LEFT);
    CODES_SAY('+', "19 0A", "59 0A FF 9A 42 54 10");
    CODES_SAY('+', "19 01 09", "59 01 FF 01 00 00");
    CODES_SAY('?', "19 02 09", "59 02 08"); /* bit 0 lies outside the availability mask */
    CODES_SAY('?', NULL, "59 02 FF");       /* nobody asked for it */
}

static void d7_10_a_listing_after_it_contradicts(void **state)
{
    (void)state;
    CODES_SAY('-', NONE_LEFT, "19 02 01", "59 02 FF 9A 42 54 01");
    CODES_SAY('-', NONE_LEFT, NULL, "59 02 FF 9A 42 54 01");
    CODES_SAY('+', NONE_LEFT, "19 02 01", "59 02 FF 9A 42 54 01", NONE_LEFT);
    CODES_SAY('+', NONE_LEFT, "19 02 02", "59 02 FF 9A 42 54 02");
    CODES_SAY('-', NONE_LEFT, "19 01 08", "59 01 FF 01 00 01");
    CODES_SAY('+', NONE_LEFT, "19 01 FF", "59 01 FF 01 00 01"); /* may count codes with other bits */
    CODES_SAY('+', NONE_LEFT, "19 01 00", "59 01 FF 01 00 01"); /* counts none of the bits */
}

static void broken(struct job *job, const char *hex)
{
    uint8_t bytes[64];
    uint32_t length = test_hex(hex, bytes, sizeof bytes);
    struct message message = next_message(job, DIRECTION_RESPONSE, bytes, length);
    message.state = MESSAGE_ABANDONED;
    message.length = length + 7;
    step_push_broken(job->stage, &message);
}

/* D 2.5: what a later answer told of codes, and cannot be read, could have contradicted. */
static void d7_10_a_later_answer_that_cannot_be_read_leaves_nothing_known(void **state)
{
    (void)state;
    CODES_SAY('?', NONE_LEFT, "19 02 09", "59 02 FF 9A 42 54");          /* its status is missing */
    CODES_SAY('?', NONE_LEFT, "19 02 09", "59 02 FF 9A 42 54 09 9A");
    CODES_SAY('+', NONE_LEFT, "19 02 09", "59 02 FF 9A 42 54", NONE_LEFT);
    CODES_SAY('+', "19 02 09", "59 02 FF 9A 42 54", NONE_LEFT);
    CODES_SAY('-', NONE_LEFT, "19 02 09", "59 02 FF 9A 42 54", NULL, "59 02 FF 9A 42 54 01");
    static const struct {
        const char *begins, *then;
        char letter;
    } cases[] = {
        {"59 02 FF 9A 42 54", NULL, '?'}, {"59 0A FF 9A 42 54", NULL, '?'}, {"59 01 FF 01", NULL, '?'},
        {"59 02 FF 9A 42 54", "59 02 FF", '+'}, {"59 02 FF 9A 42 54", "59 02 FF 9A 42 54 08", '-'},
        {"59 06 9A 42 54 09", NULL, '+'}, /* reportDTCExtDataRecord lists nothing */
        {"62 3C 40 59 02 FF", NULL, '+'},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct job job;
        char letters[] = {'+', cases[i].letter, '\0'};
        begin(&job, ZERO CODES);
        zeroed(&job);
        exchanged(&job, "19 02 09", "59 02 FF");
        broken(&job, cases[i].begins);
        if (cases[i].then)
            exchanged(&job, "19 02 09", cases[i].then);
        ends(&job, 1, letters, cases[i].letter == '+' ? 0 : cases[i].letter == '-' ? 1 : 2);
    }
}

static void d7_10_a_clear_after_it_leaves_nothing_known(void **state)
{
    (void)state;
    CODES_SAY('?', NONE_LEFT, "14 FF FF FF", "54");
    CODES_SAY('?', NONE_LEFT, "14 FF FF FF", NULL);
    CODES_SAY('+', NONE_LEFT, "14 FF FF FF", "7F 14 22");
    CODES_SAY('?', NONE_LEFT, NULL, "54");
    CODES_SAY('+', "14 FF FF FF", NULL, NONE_LEFT);
    struct job job;
    begin(&job, ZERO CODES); /* asked before the other vehicle's VIN, and never answered */
    exchanged(&job, "22 F1 90", "62 F1 90 " VIN_1);
    zeroed(&job);
    exchanged(&job, "19 02 09", "59 02 FF");
    uint32_t clear = ask(&job, "14 FF FF FF");
    exchanged(&job, "22 F1 90", "62 F1 90 " VIN_2);
    unanswered(&job, clear, EXCHANGE_CUT);
    conclude(&job);
    is(&job, 1, 1, "+?");
    end(&job);
}

static void d7_10_while_the_setting_is_off_nothing_is_proved(void **state)
{
    (void)state;
    CODES_SAY('?', "85 02", "C5 02", NONE_LEFT);
    CODES_SAY('?', "85 02", NULL, NONE_LEFT);
    CODES_SAY('?', "85 82", NULL, NONE_LEFT);
    CODES_SAY('?', NULL, "C5 02", NONE_LEFT);
    CODES_SAY('+', "85 02", "7F 85 22", NONE_LEFT);
    CODES_SAY('+', "85 02", "C5 02", "85 01", "C5 01", NONE_LEFT);
    CODES_SAY('+', "85 02", "C5 02", "85 81", NULL, NONE_LEFT);
    CODES_SAY('?', "85 02", "C5 02", "85 01", "7F 85 22", NONE_LEFT);
    CODES_SAY('+', "85 02", "C5 02", "10 01", "50 01 00 32 01 F4", NONE_LEFT);
    CODES_SAY('?', "85 02", "C5 02", "10 03", "50 03 00 32 01 F4", NONE_LEFT);
    CODES_SAY('+', "85 02", "C5 02", "11 01", "51 01", NONE_LEFT);
}

/* Two requests at once: a refusal lifts only its own, and what came before an "off" does not undo it. */
static void d7_10_overlapping_settings_are_told_apart(void **state)
{
    (void)state;
    static const struct {
        const char *first, *second, *to_second, *to_first;
        bool second_first; /* the order of the answers */
        char letter;
    } cases[] = {
        {"85 02 FF FF FF", "85 02", "C5 02", "7F 85 22", true, '?'},
        {"85 02 FF FF FF", "85 02", "7F 85 22", "C5 02", true, '?'},
        {"85 02 FF FF FF", "85 02", "7F 85 22", "7F 85 22", true, '+'},
        {"85 01", "85 02", "C5 02", "C5 01", false, '?'},
        {"10 01", "85 02", "C5 02", "50 01 00 32 01 F4", false, '?'},
        {"10 01", "85 02", "7F 85 22", "50 01 00 32 01 F4", false, '+'},
        {"85 02", "10 01", "50 01 00 32 01 F4", "C5 02", true, '?'},
        {"85 02 FF FF FF", "85 02", "7F 85 22", NULL, true, '?'},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct job job;
        char letters[] = {'+', cases[i].letter, '\0'};
        begin(&job, ZERO CODES);
        zeroed(&job);
        uint32_t first = ask(&job, cases[i].first), second = ask(&job, cases[i].second);
        if (cases[i].second_first)
            answer(&job, second, cases[i].to_second);
        if (cases[i].to_first)
            answer(&job, first, cases[i].to_first);
        if (!cases[i].second_first)
            answer(&job, second, cases[i].to_second);
        exchanged(&job, "19 02 09", "59 02 FF");
        if (!cases[i].to_first)
            unanswered(&job, first, EXCHANGE_MISSING);
        ends(&job, 1, letters, cases[i].letter == '+' ? 0 : 2);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(d7_10_the_last_covering_answer_decides),
        cmocka_unit_test(d7_10_a_listing_after_it_contradicts),
        cmocka_unit_test(d7_10_a_later_answer_that_cannot_be_read_leaves_nothing_known),
        cmocka_unit_test(d7_10_a_clear_after_it_leaves_nothing_known),
        cmocka_unit_test(d7_10_while_the_setting_is_off_nothing_is_proved),
        cmocka_unit_test(d7_10_overlapping_settings_are_told_apart),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
