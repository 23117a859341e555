/*
 * decoder/stages/exchange.h. Expected sequences are worked by hand from D 8.4, 8.5 and FACTS 3.2, 3.7; defaults P2 50 ms
 * and P2* 5 s from FACTS 3.7; the stamp uncertainty of 10 ms from D 8.5.
 * One event is written "ask#1" (a request opened exchange 1), "wait#1" (0x78), "#1 answered", "#1 refused 22" (closed, with
 * the NRC of the final answer), " or #2" (a rival), " again" (repeated), "broken" or "broken#1".
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <cmocka.h>

#include "exchange.h"
#include "support_message.h"

struct scene {
    struct exchange_stage *stage;
    char text[4096];
    uint64_t frame;
    struct exchange last; /* of the last event */
    const struct message *response;
};

static void add(struct scene *scene, const char *format, ...)
{
    size_t used = strlen(scene->text);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(scene->text + used, sizeof scene->text - used, format, arguments);
    va_end(arguments);
}

static void note(void *context, const struct exchange_event *event)
{
    struct scene *scene = context;
    const struct exchange *exchange = event->exchange;
    unsigned long serial = exchange ? (unsigned long)exchange->serial : 0;
    if (scene->text[0])
        add(scene, "; ");
    switch (event->kind) {
    case EXCHANGE_EVENT_REQUEST:
        assert_int_equal(exchange->state, EXCHANGE_OPEN);
        add(scene, "ask#%lu", serial);
        break;
    case EXCHANGE_EVENT_PENDING:
        add(scene, "wait#%lu", serial);
        break;
    case EXCHANGE_EVENT_BROKEN:
        add(scene, serial ? "broken#%lu" : "broken", serial);
        break;
    case EXCHANGE_EVENT_CLOSED:
        assert_int_equal(exchange->has_response, event->response != NULL);
        add(scene, "#%lu %s", serial, exchange_state_text(exchange->state));
        if (exchange->nrc)
            add(scene, " %02x", exchange->nrc);
        break;
    }
    for (uint32_t i = 0; i < event->rival_count; i++)
        add(scene, " or #%lu", (unsigned long)event->rivals[i]->serial);
    if (event->repeated)
        add(scene, " again");
    if (exchange)
        scene->last = *exchange;
    scene->response = event->response;
}

static void push(struct scene *scene, enum transport_event_kind kind, const struct message *message)
{
    exchange_push(scene->stage, &(struct transport_event){.kind = kind, .message = message, .module = message->module});
}

static void say(struct scene *scene, enum direction direction, uint32_t module, int64_t ms, const char *hex)
{
    uint8_t bytes[64];
    uint32_t length = test_hex(hex, bytes, sizeof bytes);
    scene->frame++;
    struct message message = test_message(direction, module, scene->frame, scene->frame, ms, ms, bytes, length);
    push(scene, TRANSPORT_MESSAGE, &message);
}

static void ask(struct scene *scene, int64_t ms, const char *hex)
{
    say(scene, DIRECTION_REQUEST, 0, ms, hex);
}

static void answer(struct scene *scene, int64_t ms, const char *hex)
{
    say(scene, DIRECTION_RESPONSE, 0, ms, hex);
}

/* First frame of a segmented answer, and later its end. */
static uint64_t answer_starts(struct scene *scene, int64_t ms)
{
    scene->frame++;
    struct message message = test_message(DIRECTION_RESPONSE, 0, scene->frame, scene->frame, ms, ms, NULL, 0);
    message.length = 20;
    push(scene, TRANSPORT_STARTED, &message);
    return scene->frame;
}

static void answer_ends(struct scene *scene, uint64_t first_frame, int64_t first_ms, int64_t ms, const char *hex,
                        enum message_reason reason)
{
    uint8_t bytes[64];
    uint32_t length = test_hex(hex, bytes, sizeof bytes);
    scene->frame++;
    struct message message = test_message(DIRECTION_RESPONSE, 0, first_frame, scene->frame, first_ms, ms, bytes, length);
    message.state = reason == REASON_NONE ? MESSAGE_COMPLETE : MESSAGE_ABANDONED;
    message.reason = reason;
    push(scene, TRANSPORT_MESSAGE, &message);
}

static void ends(struct scene *scene, int64_t ms, const char *expected)
{
    exchange_finish(scene->stage, ms * TT_MS, 0);
    assert_string_equal(scene->text, expected);
    exchange_close(scene->stage);
}

/* A scene whose stage notes into it: the address must be the final one. */
#define SCENE(name, definitions, modules)                                                                                        \
    struct scene name = {.frame = 0};                                                                                            \
    name.stage = exchange_open(definitions, modules, note, &name);                                                               \
    assert_non_null(name.stage)

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
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        SCENE(s, NULL, 1);
        ask(&s, 0, cases[i].request);
        answer(&s, 10, cases[i].other_answer);
        answer(&s, 20, cases[i].answer);
        ends(&s, 1000, "ask#1; #2 unsolicited; #1 answered");
    }
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
    ends(&s, 1000, "ask#1; #1 asked again; ask#2; #2 answered or #1; #3 unsolicited again; #4 unsolicited; ask#5; #5 answered");
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

static void suppressed_when_closed_without_an_answer(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "3E 80");
    assert_true(s.last.suppress);
    ask(&s, 200, "3E 00"); /* the next of the service closes it */
    answer(&s, 210, "7E 00");
    ask(&s, 300, "10 83");
    answer(&s, 310, "50 03 00 32 01 F4"); /* sent although suppressed */
    ask(&s, 400, "85 82");
    ask(&s, 940, "22 80 00"); /* no sub-function: 0x80 is no suppress bit */
    assert_false(s.last.suppress);
    ends(&s, 950, "ask#1; #1 suppressed; ask#2; #2 answered; ask#3; #3 answered; ask#4; ask#5; #4 suppressed; #5 cut");
}

/* FACTS 3.2: after 0x78 the final answer always comes. */
static void after_0x78_even_a_suppressed_request_waits(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 81 02 42");
    answer(&s, 20, "7F 31 78");
    ends(&s, 6000, "ask#1; wait#1; #1 missing");
}

static void deadline_of_p2_with_the_stamp_uncertainty(void **state)
{
    (void)state;
    for (int64_t ms = 59; ms <= 61; ms++) { /* 50 ms and 10 ms: equality is still in time */
        SCENE(s, NULL, 1);
        ask(&s, 0, "22 3C 40");
        answer(&s, ms, "62 3C 40 00");
        ends(&s, 1000, ms <= 60 ? "ask#1; #1 answered" : "ask#1; #1 late");
    }
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    answer(&s, 500, "7F 22 31");
    assert_int_equal(s.last.nrc, 0x31);
    ends(&s, 1000, "ask#1; #1 late 31");
}

static void segmented_answers_count_at_their_first_frame(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    uint64_t first = answer_starts(&s, 55);
    answer_ends(&s, first, 55, 300, "62 3C 40 00 01 02 03 04 05", REASON_NONE);
    assert_int_equal(s.last.response.first_frame, 2);
    assert_int_equal(s.last.response.last_frame, 3);
    ask(&s, 400, "22 3C 40");
    first = answer_starts(&s, 461);
    answer_ends(&s, first, 461, 470, "62 3C 40 00 01 02 03 04 05", REASON_NONE);
    ends(&s, 1000, "ask#1; #1 answered; ask#2; #2 late");
}

/* A request seen while an answer is on its way closes neither what that answer may belong to, nor can it own it. */
static void an_answer_that_began_before_the_question_is_not_its_own(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    uint64_t first = answer_starts(&s, 20);
    ask(&s, 150, "22 3C 40");
    answer_ends(&s, first, 20, 160, "62 3C 40 00 01 02 03 04 05", REASON_NONE);
    answer(&s, 170, "62 3C 40 00");
    ends(&s, 1000, "ask#1; ask#2; #1 answered; #2 answered");
}

static void pending_extends_to_p2_star(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 01 02 42");
    answer(&s, 40, "7F 31 78");
    answer(&s, 5050, "7F 31 78"); /* 40 + 5000 + 10 */
    answer(&s, 10060, "71 01 02 42");
    assert_int_equal(s.last.pending_count, 2);
    assert_memory_equal(s.last.pending[1].bytes, ((uint8_t[]){0x7F, 0x31, 0x78}), 3);
    assert_int_equal(s.last.pending[1].span.first_frame, 3);
    ask(&s, 20000, "31 01 02 42");
    answer(&s, 20040, "7F 31 78");
    answer(&s, 25051, "71 01 02 42");
    ask(&s, 30000, "31 01 02 42");
    answer(&s, 30010, "7F 31 21"); /* busyRepeatRequest is an answer, and the last one */
    ends(&s, 40000, "ask#1; wait#1; wait#1; #1 answered; ask#2; wait#2; #2 late; ask#3; #3 refused 21");
}

static void pending_answers_are_all_counted_and_the_first_kept(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 01 02 42");
    for (int i = 1; i <= 40; i++)
        answer(&s, i * 1000, "7F 31 78");
    assert_int_equal(s.last.pending_count, 40);
    assert_int_equal(s.last.pending[EXCHANGE_PENDING_KEPT - 1].span.first_frame, 1 + EXCHANGE_PENDING_KEPT);
    answer(&s, 41000, "71 01 02 42");
    assert_int_equal(s.last.state, EXCHANGE_ANSWERED);
    exchange_close(s.stage);
}

/* Positive 50: P2 in 1 ms, P2* in 10 ms (ISO 14229-1, sessionParameterRecord), until the next 50 or a positive 51. */
static void announced_timing_replaces_the_definitions(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "10 03");
    answer(&s, 10, "50 03 00 C8 00 64"); /* P2 200 ms, P2* 1000 ms */
    ask(&s, 100, "22 3C 40");
    answer(&s, 310, "62 3C 40 00"); /* 200 + 10: in time */
    ask(&s, 400, "22 3C 40");
    answer(&s, 410, "7F 22 78");
    answer(&s, 1421, "62 3C 40 00"); /* 1011 after the 0x78 */
    ask(&s, 2000, "11 01");
    answer(&s, 2010, "51 01");
    ask(&s, 3000, "22 3C 40");
    answer(&s, 3061, "62 3C 40 00"); /* 61: late again */
    ask(&s, 4000, "10 03");
    answer(&s, 4010, "50 03 00 C8 00 64");
    ask(&s, 5000, "10 01");
    answer(&s, 5010, "50 01"); /* announces nothing */
    ask(&s, 6000, "22 3C 40");
    answer(&s, 6061, "62 3C 40 00");
    ends(&s, 9000, "ask#1; #1 answered; ask#2; #2 answered; ask#3; wait#3; #3 late; ask#4; #4 answered; ask#5; #5 late; "
                   "ask#6; #6 answered; ask#7; #7 answered; ask#8; #8 late");
}

static void the_definition_gives_p2_per_module(void **state)
{
    (void)state;
    struct def_module modules[2] = {{.p2 = 100 * TT_MS, .p2_star = 2 * TT_SECOND}, {.p2 = 20 * TT_MS, .p2_star = TT_SECOND}};
    struct definitions definitions = {.modules = modules, .module_count = 2};
    SCENE(s, &definitions, 2);
    say(&s, DIRECTION_REQUEST, 0, 0, "22 3C 40");
    say(&s, DIRECTION_REQUEST, 1, 0, "22 3C 40");
    say(&s, DIRECTION_RESPONSE, 1, 31, "62 3C 40 00");
    assert_int_equal(s.last.module, 1);
    say(&s, DIRECTION_RESPONSE, 0, 110, "62 3C 40 00");
    say(&s, DIRECTION_RESPONSE, 2, 120, "62 3C 40 00"); /* no such module: nothing */
    ends(&s, 1000, "ask#1; ask#2; #2 late; #1 answered");
}

/* D 8.4: waits for a late answer until the next request of that service, a fifth open one, or the end. */
static void missing_only_when_nobody_waits_any_more(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 500, "31 03 02 42"); /* another service */
    answer(&s, 510, "71 03 02 42");
    ask(&s, 600, "22 3C 41"); /* next of the service: the first is given up, and is a rival of nobody with another echo */
    answer(&s, 610, "62 3C 41 00");
    ask(&s, 700, "22 3C 40");
    ask(&s, 720, "22 3C 41"); /* inside its deadline: stays open */
    answer(&s, 740, "62 3C 40 00");
    ends(&s, 2000, "ask#1; ask#2; #2 answered; #1 missing; ask#3; #3 answered; ask#4; ask#5; #4 answered; #5 missing");
}

static void a_fifth_closes_the_oldest(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 100, "31 03 02 42");
    ask(&s, 200, "14 FF FF FF");
    ask(&s, 300, "19 02 FF");
    ask(&s, 400, "2E F1 98 00");
    ends(&s, 410, "ask#1; ask#2; ask#3; ask#4; #1 missing; ask#5; #2 missing; #3 missing; #4 missing; #5 cut");
}

/* Tester present beside a routine that takes its time: the routine is still the one that is waited for. */
static void tester_present_does_not_push_out_a_pending_routine(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "31 01 02 42");
    for (int i = 1; i <= 10; i++) {
        ask(&s, i * 1000 - 500, "3E 80");
        answer(&s, i * 1000, "7F 31 78");
    }
    ask(&s, 10500, "22 3C 40");
    answer(&s, 10510, "62 3C 40 00");
    answer(&s, 11000, "71 01 02 42");
    assert_int_equal(s.last.serial, 1);
    assert_int_equal(s.last.state, EXCHANGE_ANSWERED);
    exchange_close(s.stage);
}

static void a_suppressed_fifth_lets_four_be(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 1, "31 03 02 42");
    ask(&s, 2, "14 FF FF FF");
    ask(&s, 3, "19 02 FF");
    ask(&s, 4, "3E 80");
    answer(&s, 5, "62 3C 40 00");
    ends(&s, 6, "ask#1; ask#2; ask#3; ask#4; ask#5; #5 suppressed; #1 answered; #2 cut; #3 cut; #4 cut");
}

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
    assert_non_null(strstr(s.text, "#21 answered"));
    assert_non_null(strstr(s.text, " or #1"));
    assert_non_null(strstr(s.text, " or #20"));
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
}

/* D 8.5: timers restart, no timeout is declared across a step back; one that had run out stays so. */
static void a_step_back_restarts_timers(void **state)
{
    (void)state;
    struct frame step = {.elapsed = 50 * TT_MS, .epoch = 1};
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    exchange_clock_back(s.stage, &step);
    answer(&s, 110, "62 3C 40 00"); /* 60 after the step */
    ends(&s, 1000, "ask#1; #1 answered");

    SCENE(t, NULL, 1);
    ask(&t, 0, "22 3C 40");
    step.elapsed = 61 * TT_MS;
    exchange_clock_back(t.stage, &step);
    answer(&t, 62, "62 3C 40 00");
    ends(&t, 1000, "ask#1; #1 late");

    SCENE(u, NULL, 1);
    ask(&u, 0, "22 3C 40");
    step.elapsed = 50 * TT_MS;
    exchange_clock_back(u.stage, &step);
    answer(&u, 111, "62 3C 40 00");
    ends(&u, 1000, "ask#1; #1 late");
}

static void the_end_of_the_trace(void **state)
{
    (void)state;
    SCENE(s, NULL, 1);
    ask(&s, 0, "22 3C 40");
    ask(&s, 0, "3E 80");
    ask(&s, 50, "31 03 02 42");
    ask(&s, 50, "85 82");
    ends(&s, 100, "ask#1; ask#2; ask#3; ask#4; #1 missing; #2 suppressed; #3 cut; #4 cut");
}

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
        struct message message = test_message(DIRECTION_REQUEST, 0, 1 + i, 1 + i, (int64_t)i, (int64_t)i, bytes, i ? 6000 : 500);
        push(&s, TRANSPORT_MESSAGE, &message);
    }
    assert_int_equal(s.last.request_length, 6000);
    assert_int_equal(s.last.request_kept, EXCHANGE_REQUEST_KEPT);
    assert_memory_equal(s.last.request_bytes, bytes, EXCHANGE_REQUEST_KEPT);
    s.frame = 10;
    answer(&s, 10, "6E F1 98"); /* that two longer than what is kept are equal cannot be told */
    ends(&s, 1000, "ask#1; ask#2; ask#3; #3 answered or #1 or #2; #1 missing; #2 missing");
}

/* Hostile traffic: any bytes, any order. Every exchange that opens closes exactly once, and no more than four are open. */
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
    static const uint8_t sids[] = {0x10, 0x11, 0x19, 0x22, 0x2E, 0x31, 0x3E, 0x50, 0x59, 0x62, 0x71, 0x7E, 0x7F, 0x85, 0x00, 0xFF};
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
        struct message message = test_message((enum direction)((seed >> 16) % 3), (seed >> 20) % 2, frame, frame, ms, ms, bytes,
                                              1 + (seed >> 10) % 5);
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
        cmocka_unit_test(the_newest_open_request_owns_the_answer),
        cmocka_unit_test(an_equal_request_closes_the_first_as_asked_again),
        cmocka_unit_test(a_suppressed_request_closes_nothing),
        cmocka_unit_test(suppressed_when_closed_without_an_answer),
        cmocka_unit_test(after_0x78_even_a_suppressed_request_waits),
        cmocka_unit_test(deadline_of_p2_with_the_stamp_uncertainty),
        cmocka_unit_test(segmented_answers_count_at_their_first_frame),
        cmocka_unit_test(an_answer_that_began_before_the_question_is_not_its_own),
        cmocka_unit_test(pending_extends_to_p2_star),
        cmocka_unit_test(pending_answers_are_all_counted_and_the_first_kept),
        cmocka_unit_test(announced_timing_replaces_the_definitions),
        cmocka_unit_test(the_definition_gives_p2_per_module),
        cmocka_unit_test(missing_only_when_nobody_waits_any_more),
        cmocka_unit_test(a_fifth_closes_the_oldest),
        cmocka_unit_test(tester_present_does_not_push_out_a_pending_routine),
        cmocka_unit_test(a_suppressed_fifth_lets_four_be),
        cmocka_unit_test(a_question_closed_by_the_next_is_its_rival),
        cmocka_unit_test(a_refusal_too_ends_the_doubt),
        cmocka_unit_test(equal_unanswered_questions_take_one_place),
        cmocka_unit_test(functional_requests_open_one_exchange_each),
        cmocka_unit_test(answers_nobody_asked_for),
        cmocka_unit_test(what_is_no_answer_is_told_as_broken),
        cmocka_unit_test(an_abandoned_answer_leaves_its_exchange_open),
        cmocka_unit_test(a_request_seen_in_part),
        cmocka_unit_test(a_step_back_restarts_timers),
        cmocka_unit_test(the_end_of_the_trace),
        cmocka_unit_test(long_requests_are_kept_up_to_a_bound),
        cmocka_unit_test(any_traffic_opens_and_closes_evenly),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
