/*
 * decoder/stages/exchange.h: which answer belongs to which request, and how each ends. Expected sequences are worked by
 * hand from D 8.4 and FACTS 3.1, 3.2; support_exchange.h says how they are written.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <cmocka.h>

#include "support_exchange.h"

static void an_answer_closes_its_request(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    answer(&s, 20, "62 3C 40 01 02");
    assert_int_equal(s.last.service, 0x22);
    assert_int_equal(s.last.request_length, 3);
    assert_int_equal(s.last.request_kept, 3);
    assert_memory_equal(s.last.request_bytes, ((uint8_t[]){0x22, 0x3C, 0x40}), 3);
    assert_int_equal(s.last.response.first_frame, 2);
    assert_int_equal(s.last.request.last_frame, 1);
    ask(&s, 100, "31 01 02 42");
    answer(&s, 120, "7F 31 22");
    ends(&s, 1000, "ask#1; #1 answered; ask#2; #2 refused 22");
}

/* D 8.4: same echo. 10 11 19 27 28 3E 85 echo a sub-function, 22 2E 2F an identifier, 31 both; 14 nothing. */
static void an_answer_must_echo_its_request(void **state)
{
    (void)state;
    static const struct {
        const char *request, *other_answer, *answer;
    } cases[] = {
        {"10 03", "50 01 00 32 01 F4", "50 03 00 32 01 F4"},
        {"11 01", "51 03", "51 01"},
        {"14 FF FF FF", "55", "54"},
        {"19 02 09", "59 0A FF", "59 02 FF"},
        {"22 F1 90", "62 F1 8C 31", "62 F1 90 31"},
        {"22 F1 90 F1 8C", "62 F1 8C 31", "62 F1 90 31"}, /* the first identifier */
        {"27 01", "67 02", "67 01 12 34"},
        {"28 03 01", "68 00", "68 03"},
        {"2E F1 90 31", "6E F1 91", "6E F1 90"},
        {"2F 12 34 03 01", "6F 12 35 03", "6F 12 34 03"},
        {"31 01 02 42", "71 03 02 42", "71 01 02 42"},
        {"31 01 02 42", "71 01 02 43", "71 01 02 42 00"},
        {"31 01 02 42", "71 01 02", "71 01 02 42 00"}, /* too short to echo all of it */
        {"3E 00", "7E 01", "7E 00"},
        {"85 02", "C5 01", "C5 02"},
        {"23 14 00 00 00 10", "64 00", "63 AA"},
        {"2F 12 34 03 01", "6F 12 34 00", "6F 12 34 03"}, /* the answer to a return is none to a set */
        {"2C 01 F3 00 3C 40 01 02", "6C 01 F3 01", "6C 01 F3 00"},
        {"2C 03", "6C 01 F3 00", "6C 03"},
        {"36 01 AA", "76 02", "76 01"},
        {"38 04 00 01 41", "78 01", "78 04"},
        {"29 08", "69 00 00", "69 08 02"},
        {"09 02", "49 04 01", "49 02 01"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        SCENE(s, NULL, 1);
        ask(&s, 0, cases[i].request);
        answer(&s, 10, cases[i].other_answer);
        answer(&s, 20, cases[i].answer);
        ends(&s, 1000, "ask#1; #2 unsolicited; #1 answered");
    }
}

static struct def_module module_14230 = {.dialect = DIALECT_ISO14230, .p2 = 50 * TT_MS, .p2_star = 5 * TT_SECOND};
static struct definitions definitions_14230 = {.modules = &module_14230, .module_count = 1};

/* ISO 14230-3 by its message layouts (docs/services.md): local identifier, address, common identifier, parameter. */
static void an_answer_of_iso14230_must_echo_its_request(void **state)
{
    (void)state;
    static const struct {
        const char *request, *other_answer, *answer;
    } cases[] = {
        {"10 81", "50 89", "50 81"},
        {"1A 90", "5A 91 31", "5A 90 31"},
        {"21 01", "61 02 00", "61 01 00"},
        {"22 10 11", "62 10 12 00", "62 10 11 00"},
        {"27 01", "67 03 00", "67 01 00"},
        {"2F 10 11 07", "6F 10 11 00", "6F 10 11 07"},
        {"30 10 07 01", "70 10 00", "70 10 07 01"},
        {"31 22", "71 23", "71 22 00"},
        {"32 22", "72 23", "72 22"},
        {"33 22", "73 23 00", "73 22 00"},
        {"38 12 34 56", "78 12 34 57", "78 12 34 56"},
        {"39 12 34 56", "79 13 34 56", "79 12 34 56"},
        {"3A 12 34 56", "7A 12 34", "7A 12 34 56"},
        {"3B 91 05", "7B 92", "7B 91"},
        {"2E 10 11 05", "6E 11 11", "6E 10 11"},
        {"18 00 FF 00", "57 00", "58 00"},
        {"A1 01", "E2 01", "E1 01"}, /* a service of the maker's: by its number alone */
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        SCENE(s, &definitions_14230, 1);
        ask(&s, 0, cases[i].request);
        answer(&s, 10, cases[i].other_answer);
        answer(&s, 20, cases[i].answer);
        assert_int_equal(s.last.dialect, DIALECT_ISO14230);
        ends(&s, 1000, "ask#1; #2 unsolicited; #1 answered");
    }
}

/* Bit 7 of a mode is part of it; 02 noResponse of TesterPresent is what suppresses; 50 announces no times. */
static void iso14230_has_no_suppress_bit(void **state)
{
    (void)state;
    SCENE(s, &definitions_14230, 1);
    ask(&s, 0, "10 81");
    assert_false(s.last.suppress);
    answer(&s, 10, "50 81 00 01 00 01"); /* 1 ms and 10 ms, would ISO 14229 say */
    ask(&s, 100, "3E 02");
    assert_true(s.last.suppress);
    ask(&s, 200, "3E 01");
    assert_false(s.last.suppress);
    answer(&s, 240, "7E");
    ends(&s, 2000, "ask#1; #1 answered; ask#2; #2 suppressed; ask#3; #3 answered");
}

/* D 8.4: the newest open one; a refusal carries only the service. */
static void the_newest_open_request_owns_the_answer(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "19 02 09");
    ask(&s, 10, "19 02 FF");
    answer(&s, 20, "59 02 FF");
    answer(&s, 30, "59 02 FF");
    ask(&s, 100, "22 3C 40");
    ask(&s, 110, "22 3C 41");
    answer(&s, 120, "62 3C 40 00");
    answer(&s, 130, "7F 22 31");
    ask(&s, 200, "22 3C 40");
    ask(&s, 210, "22 3C 41");
    answer(&s, 220, "7F 22 31");
    answer(&s, 230, "62 3C 40 00");
    ends(&s, 1000, "ask#1; ask#2; #2 answered or #1; #1 answered; "
                   "ask#3; ask#4; #3 answered; #4 refused 31; ask#5; ask#6; #6 refused 31 or #5; #5 answered");
}

static void an_equal_request_closes_the_first_as_asked_again(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 30, "22 3C 40");
    answer(&s, 40, "62 3C 40 07");
    answer(&s, 45, "62 3C 40 07"); /* to the first one: now nobody's, and said before */
    answer(&s, 46, "62 3C 40 08");
    ask(&s, 100, "22 3C 40"); /* the unanswered one before is not "directly before" any more */
    answer(&s, 110, "62 3C 40 09");
    ends(&s, 1000,
         "ask#1; #1 asked again; ask#2; #2 answered or #1; #3 unsolicited again; #4 unsolicited; ask#5; #5 answered");
}

/* D 8.4: such a request never closes another, neither as equal nor as the next of its service. */
static void a_suppressed_request_closes_nothing(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "3E 00");
    ask(&s, 200, "3E 80");
    ask(&s, 400, "3E 80");
    answer(&s, 420, "7F 3E 22"); /* refusals are sent all the same (FACTS 3.2) */
    answer(&s, 500, "7E 00");    /* late by the request at 400... of the open ones the newest is that at 200 */
    ends(&s, 1000, "ask#1; ask#2; ask#3; #3 refused 22 or #1 or #2; #2 late or #1; #1 missing");
}

/* FACTS 3.2: after 0x78 the final answer always comes. */
/* A request seen while an answer is on its way closes neither what that answer may belong to, nor can it own it. */
/* Positive 50: P2 in 1 ms, P2* in 10 ms (ISO 14229-1, sessionParameterRecord), until the next 50 or a positive 51. */
/* D 8.4: waits for a late answer until the next request of that service, a fifth open one, or the end. */
/* Tester present beside a routine that takes its time: the routine is still the one that is waited for. */
/* D 7.10: an answer that may be to a question given up just before. */
static void a_question_closed_by_the_next_is_its_rival(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "19 02 01");
    ask(&s, 500, "19 0A");    /* gives it up, and is given up itself */
    ask(&s, 1000, "19 02 FF");
    answer(&s, 1010, "59 02 FF");
    ask(&s, 2000, "19 02 FF"); /* answered since: no rival any more */
    answer(&s, 2010, "59 02 FF");
    ask(&s, 3000, "19 0A");    /* nor the first 19 0A: the module has answered its service since */
    answer(&s, 3010, "59 0A FF");
    ask(&s, 4000, "19 02 01");
    ask(&s, 4500, "22 3C 40"); /* another service is no answer to it */
    answer(&s, 4510, "62 3C 40 00");
    ask(&s, 5000, "19 02 FF");
    answer(&s, 5010, "59 02 FF");
    ends(&s, 9000, "ask#1; #1 missing; ask#2; #2 missing; ask#3; #3 answered or #1; ask#4; #4 answered; "
                   "ask#5; #5 answered; ask#6; ask#7; #7 answered; #6 missing; ask#8; #8 answered or #6");
}

static void a_refusal_too_ends_the_doubt(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "19 02 01");
    ask(&s, 500, "19 0A");
    answer(&s, 510, "7F 19 31"); /* could be the first one's too */
    ask(&s, 1000, "19 02 FF");
    answer(&s, 1010, "59 02 FF");
    ends(&s, 9000, "ask#1; #1 missing; ask#2; #2 refused 31 or #1; ask#3; #3 answered");
}

static void equal_unanswered_questions_take_one_place(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "19 02 01");
    for (int i = 1; i <= 20; i++)
        ask(&s, i * 100, "19 02 FF"); /* asked again and again */
    answer(&s, 2010, "59 02 FF");
    const char *end = strstr(s.text, "; #21 ");
    assert_non_null(end);
    assert_true(strcmp(end, "; #21 answered or #1 or #20") == 0 || strcmp(end, "; #21 answered or #20 or #1") == 0);
    exchange_close(s.stage);
}

static void functional_requests_open_one_exchange_each(void **state)
{
    (void)state;
    SCENE(s, NULL, 2);
    say(&s, DIRECTION_FUNCTIONAL, 0, 0, "3E 00");
    assert_true(s.last.functional);
    say(&s, DIRECTION_FUNCTIONAL, 1, 0, "3E 00");
    say(&s, DIRECTION_RESPONSE, 1, 10, "7E 00");
    assert_int_equal(s.last.module, 1);
    ends(&s, 1000, "ask#1; ask#2; #2 answered; #1 missing");
}

static void answers_nobody_asked_for(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    answer(&s, 0, "62 3C 40 05");
    assert_int_equal(s.last.service, 0x22);
    assert_int_equal(s.last.request_length, 0);
    assert_null(s.last.request_bytes);
    assert_int_equal(s.last.nrc, 0);
    answer(&s, 10, "62 3C 40 05");
    answer(&s, 20, "71 03 02 42 00"); /* another service between does not matter */
    answer(&s, 30, "62 3C 40 05");
    answer(&s, 40, "7F 22 31");
    assert_int_equal(s.last.service, 0x22);
    answer(&s, 50, "62 3C 40 05");
    answer(&s, 60, "7F 31 78"); /* asks for time nobody wants */
    ends(&s, 1000, "#1 unsolicited; #2 unsolicited again; #3 unsolicited; #4 unsolicited again; #5 unsolicited 31; "
                   "#6 unsolicited; #7 unsolicited 78");
}

/* What is no answer never becomes one: 7F cut short, NRC 0 (never sent, FACTS 3.8), a request SID. */
static void what_is_no_answer_is_told_as_broken(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 01 02 42");
    answer(&s, 10, "7F");
    answer(&s, 11, "7F 31");
    answer(&s, 12, "7F 31 00");
    answer(&s, 13, "31 01 02 42");
    assert_non_null(s.response);
    answer(&s, 20, "71 01 02 42");
    ends(&s, 1000, "ask#1; broken; broken#1; broken#1; broken; #1 answered");
}

static void an_abandoned_answer_leaves_its_exchange_open(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    uint64_t first = answer_starts(&s, 20);
    answer_ends(&s, first, 20, 40, "62 3C 40 00 01 02", REASON_SEQUENCE);
    answer(&s, 50, "62 3C 40 00");
    ask(&s, 100, "22 3C 40");
    first = answer_starts(&s, 120);
    answer_ends(&s, first, 120, 140, "62 3C 40 00 01 02", REASON_TIMEOUT);
    ask(&s, 2000, "22 3C 41");
    first = answer_starts(&s, 2020);
    answer_ends(&s, first, 2020, 2100, "62 3C 41 00 01 02", REASON_CUT); /* the trace ends inside the answer */
    ends(&s, 2100, "ask#1; broken#1; #1 answered; ask#2; broken#2; #2 missing; ask#3; broken#3; #3 cut");
}

/* Lost by the listener, the request may have reached the module; refused or given up, it has not. */
static void a_request_seen_in_part(void **state)
{
    (void)state;
    static const struct {
        enum message_reason reason;
        const char *expected;
    } cases[] = {
        {REASON_SEQUENCE, "ask#1; #1 answered"},      {REASON_TIMEOUT, "ask#1; #1 answered"},
        {REASON_CROWDED_OUT, "ask#1; #1 answered"},   {REASON_TOO_LONG, "ask#1; #1 answered"},
        {REASON_OVERFLOW, "#1 unsolicited"},          {REASON_UNANSWERED, "#1 unsolicited"},
        {REASON_INTERRUPTED, "#1 unsolicited"},
    };
    uint8_t bytes[16];
    uint32_t length = test_hex("31 01 02 42 01 02", bytes, sizeof bytes);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        SCENE(s, NULL, 1);
        struct message message = test_message(DIRECTION_REQUEST, 0, 1, 2, 0, 10, bytes, length);
        message.length = 10;
        message.state = MESSAGE_ABANDONED;
        message.reason = cases[i].reason;
        s.frame = 2;
        push(&s, TRANSPORT_MESSAGE, &message);
        answer(&s, 30, "71 01 02 42");
        ends(&s, 1000, cases[i].expected);
    }
    /* Of two that agree as far as the first was seen, nobody can say that they are equal. */
    SCENE(s, NULL, 1);
    struct message message = test_message(DIRECTION_REQUEST, 0, 1, 2, 0, 10, bytes, length);
    message.length = 10;
    message.state = MESSAGE_ABANDONED;
    message.reason = REASON_SEQUENCE;
    s.frame = 2;
    push(&s, TRANSPORT_MESSAGE, &message);
    ask(&s, 20, "31 01 02 42 01 02 03 04 05 06");
    ends(&s, 1000, "ask#1; ask#2; #1 missing; #2 missing");
}

/* D 8.5: timers restart, no timeout is declared across a step back; one that had run out stays so. */
static void long_requests_are_kept_up_to_a_bound(void **state)
{
    (void)state;
    static uint8_t bytes[6000];
    memset(bytes, 0xA5, sizeof bytes);
    bytes[0] = 0x2E;
    bytes[1] = 0xF1;
    bytes[2] = 0x98;
    SCENE(s, NULL, 1);
    for (uint64_t i = 0; i < 3; i++) {
        struct message message =
            test_message(DIRECTION_REQUEST, 0, 1 + i, 1 + i, (int64_t)i, (int64_t)i, bytes, i ? 6000 : 500);
        push(&s, TRANSPORT_MESSAGE, &message);
    }
    assert_int_equal(s.last.request_length, 6000);
    assert_int_equal(s.last.request_kept, EXCHANGE_REQUEST_KEPT);
    assert_memory_equal(s.last.request_bytes, bytes, EXCHANGE_REQUEST_KEPT);
    s.frame = 10;
    answer(&s, 10, "6E F1 98"); /* that two longer than what is kept are equal cannot be told */
    ends(&s, 1000, "ask#1; ask#2; ask#3; #3 answered or #1 or #2; #1 missing; #2 missing");
}

/* Hostile traffic: any bytes, any order. Every exchange that opens closes exactly once; four at most are open. */
static int64_t open_now, closed_now;
static void count(void *context, const struct exchange_event *event)
{
    (void)context;
    if (event->kind == EXCHANGE_EVENT_REQUEST)
        open_now++;
    if (event->kind == EXCHANGE_EVENT_CLOSED && event->exchange->request_length > 0) {
        open_now--;
        closed_now++;
    }
    for (uint32_t i = 0; i < event->rival_count; i++)
        assert_int_equal(event->rivals[i]->service, event->exchange->service);
    assert_true(open_now >= 0 && open_now <= 2 * EXCHANGE_OPEN_MAX + 1);
}

static void any_traffic_opens_and_closes_evenly(void **state)
{
    (void)state;
    static const uint8_t sids[] = {0x10, 0x11, 0x19, 0x22, 0x2E, 0x31, 0x3E, 0x50,
                                   0x59, 0x62, 0x71, 0x7E, 0x7F, 0x85, 0x00, 0xFF};
    struct exchange_stage *stage = exchange_open(NULL, 2, count, NULL);
    assert_non_null(stage);
    uint32_t seed = 12345;
    int64_t ms = 0, asked = 0;
    for (uint64_t frame = 1; frame < 200000; frame++) {
        uint8_t bytes[8];
        for (int i = 0; i < 8; i++) {
            seed = seed * 1664525 + 1013904223;
            bytes[i] = (seed >> 24) & (i ? 0x83 : 0xFF);
        }
        bytes[0] = sids[bytes[0] % sizeof sids];
        if (bytes[0] == 0x7F)
            bytes[1] = sids[bytes[1] % 8], bytes[2] = (seed >> 9) & 1 ? 0x78 : 0x22;
        ms += (seed >> 13) % 60;
        struct message message = test_message((enum direction)((seed >> 16) % 3), (seed >> 20) % 2, frame, frame, ms,
                                              ms, bytes, 1 + (seed >> 10) % 5);
        if ((seed >> 5) % 8 == 0) {
            message.state = MESSAGE_ABANDONED;
            message.reason = 1 + (seed >> 8) % 8;
        }
        enum transport_event_kind kind = (seed >> 3) % 16 == 0 ? TRANSPORT_STARTED : TRANSPORT_MESSAGE;
        int64_t before = open_now + closed_now;
        exchange_push(stage, &(struct transport_event){.kind = kind, .message = &message, .module = message.module});
        asked += open_now + closed_now - before;
        if ((seed >> 7) % 50 == 0)
            exchange_clock_back(stage, &(struct frame){.elapsed = ms * TT_MS});
    }
    exchange_finish(stage, ms * TT_MS, 0);
    assert_int_equal(open_now, 0);
    assert_int_equal(closed_now, asked);
    assert_true(asked > 10000);
    exchange_close(stage);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_answer_closes_its_request),
        cmocka_unit_test(an_answer_must_echo_its_request),
        cmocka_unit_test(an_answer_of_iso14230_must_echo_its_request),
        cmocka_unit_test(iso14230_has_no_suppress_bit),
        cmocka_unit_test(the_newest_open_request_owns_the_answer),
        cmocka_unit_test(an_equal_request_closes_the_first_as_asked_again),
        cmocka_unit_test(a_suppressed_request_closes_nothing),
        cmocka_unit_test(a_question_closed_by_the_next_is_its_rival),
        cmocka_unit_test(a_refusal_too_ends_the_doubt),
        cmocka_unit_test(equal_unanswered_questions_take_one_place),
        cmocka_unit_test(functional_requests_open_one_exchange_each),
        cmocka_unit_test(answers_nobody_asked_for),
        cmocka_unit_test(what_is_no_answer_is_told_as_broken),
        cmocka_unit_test(an_abandoned_answer_leaves_its_exchange_open),
        cmocka_unit_test(a_request_seen_in_part),
        cmocka_unit_test(long_requests_are_kept_up_to_a_bound),
        cmocka_unit_test(any_traffic_opens_and_closes_evenly),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
