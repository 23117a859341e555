/*
 * Messages to exchanges (exchange.h). Each module has a fixed set of slots: up to four open exchanges, and up to four
 * that were closed without an answer and are kept only because a late answer to them could be taken for one to the
 * request that followed (D 7.10). All memory is made when the stage is opened, but for requests longer than SLOT_HEAD
 * bytes, whose buffer grows to the longest one seen and is used again.
 *
 * Deadlines are looked at only when something happens to the module: an answer, a request, the end. Nothing is done
 * per frame, and a message of another module costs nothing here.
 */
#include "exchange.h"

#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "../support/bytes.h"
#include "exchange_answer.h"

#define SLOT_HEAD 32      /* bytes of a request kept without a buffer */
#define SLOTS (EXCHANGE_OPEN_MAX + EXCHANGE_UNANSWERED_MAX + 1) /* one is always free for the newcomer */

enum slot_use { SLOT_FREE, SLOT_OPEN, SLOT_UNANSWERED };

struct slot {
    struct exchange exchange;
    enum slot_use use;
    bool cut;                    /* its answer had begun when the trace ended */
    int64_t timer_start;         /* elapsed time from which timer_length counts: P2, or P2* after 0x78 */
    int64_t timer_length;
    struct slot *older, *newer;  /* open ones of the whole stage, in order of serial */
    uint8_t head[SLOT_HEAD];
    struct buffer longer;
};

struct module_state {
    struct slot slots[SLOTS];
    uint32_t open_count, unanswered_count;
    int64_t p2, p2_star;         /* in force */
    bool answering;              /* a segmented answer has begun and not ended */
    uint64_t answer_frame;
    int64_t answer_elapsed;
    struct answer_memory answers;
};

struct exchange_stage {
    const struct definitions *definitions; /* borrowed; may be NULL */
    int64_t uncertainty;                   /* of the stamps, ns */
    struct module_state *modules;          /* owned */
    uint32_t module_count;
    uint64_t own_serial, *serial;          /* the last one used: own_serial, or one that several stages share */
    struct slot *oldest, *newest;          /* open ones */
    struct exchange unsolicited;           /* the one being emitted */
    void (*emit)(void *context, const struct exchange_event *event);
    void *context;
};

const char *exchange_state_text(enum exchange_state state)
{
    static const char *const texts[] = {
        [EXCHANGE_OPEN] = "open",
        [EXCHANGE_ANSWERED] = "answered",
        [EXCHANGE_REFUSED] = "refused",
        [EXCHANGE_LATE] = "late",
        [EXCHANGE_MISSING] = "missing",
        [EXCHANGE_ASKED_AGAIN] = "asked again",
        [EXCHANGE_SUPPRESSED] = "suppressed",
        [EXCHANGE_UNSOLICITED] = "unsolicited",
        [EXCHANGE_CUT] = "cut",
    };
    return texts[state];
}

static struct span span_of(const struct message *message)
{
    return (struct span){
        .first_frame = message->first_frame, .last_frame = message->last_frame,
        .first_time = message->first_time, .last_time = message->last_time,
        .first_elapsed = message->first_elapsed, .last_elapsed = message->last_elapsed,
        .first_epoch = message->first_epoch, .last_epoch = message->last_epoch,
    };
}

static enum dialect dialect_of(const struct exchange_stage *stage, uint32_t module)
{
    bool described = stage->definitions && module < stage->definitions->module_count;
    return described ? stage->definitions->modules[module].dialect : DIALECT_ISO14229;
}

/* The definition's P2 and P2*, or the defaults of ISO 14229-2. */
static void default_timing(const struct exchange_stage *stage, uint32_t module, struct module_state *state)
{
    bool described = stage->definitions && module < stage->definitions->module_count;
    state->p2 = described ? stage->definitions->modules[module].p2 : EXCHANGE_P2_DEFAULT;
    state->p2_star = described ? stage->definitions->modules[module].p2_star : EXCHANGE_P2_STAR_DEFAULT;
}

struct exchange_stage *exchange_open(const struct definitions *definitions, uint32_t module_count,
                                     void (*emit)(void *context, const struct exchange_event *event), void *context)
{
    struct exchange_stage *stage = calloc(1, sizeof *stage);
    if (!stage)
        return NULL;
    stage->modules = calloc(module_count ? module_count : 1, sizeof *stage->modules);
    if (!stage->modules) {
        free(stage);
        return NULL;
    }
    stage->definitions = definitions;
    stage->uncertainty = EXCHANGE_STAMP_UNCERTAINTY;
    stage->serial = &stage->own_serial;
    stage->module_count = module_count;
    stage->emit = emit;
    stage->context = context;
    for (uint32_t i = 0; i < module_count; i++)
        default_timing(stage, i, &stage->modules[i]);
    return stage;
}

void exchange_share_serial(struct exchange_stage *stage, uint64_t *serial)
{
    stage->serial = serial;
}

void exchange_set_uncertainty(struct exchange_stage *stage, int64_t uncertainty)
{
    stage->uncertainty = uncertainty;
}

void exchange_close(struct exchange_stage *stage)
{
    if (!stage)
        return;
    for (uint32_t i = 0; i < stage->module_count; i++)
        for (uint32_t j = 0; j < SLOTS; j++)
            buffer_free(&stage->modules[i].slots[j].longer);
    free(stage->modules);
    free(stage);
}

/*
 * Whether the module let the deadline of this open exchange pass, as of elapsed time `at`. An answer that has begun
 * stops the clock of every request before it: which of them it answers is only known when it is whole.
 */
static bool is_past(const struct exchange_stage *stage, const struct module_state *module, const struct slot *slot, int64_t at)
{
    if (module->answering && slot->exchange.request.last_frame < module->answer_frame && module->answer_elapsed < at)
        at = module->answer_elapsed;
    return at - slot->timer_start > slot->timer_length + stage->uncertainty;
}

/* Suppressed, and no 0x78: no answer is expected (after 0x78 the final one always comes, ISO 14229-1). */
static bool is_quiet(const struct slot *slot)
{
    return slot->exchange.suppress && slot->exchange.pending_count == 0;
}

/* Next slot of this use, in order of opening, after that serial; NULL behind the last. */
static struct slot *next_slot(struct module_state *module, enum slot_use use, uint64_t after)
{
    struct slot *found = NULL;
    uint32_t left = use == SLOT_OPEN ? module->open_count : module->unanswered_count;
    for (struct slot *slot = module->slots; left > 0 && slot < module->slots + SLOTS; slot++) {
        if (slot->use != use)
            continue;
        left--;
        if (slot->exchange.serial > after && (!found || slot->exchange.serial < found->exchange.serial))
            found = slot;
    }
    return found;
}

static struct slot *free_slot(struct module_state *module)
{
    for (uint32_t i = 0; i < SLOTS; i++)
        if (module->slots[i].use == SLOT_FREE)
            return &module->slots[i];
    abort(); /* SLOTS is one more than can be in use */
}

static bool same_request(const struct exchange *a, const struct exchange *b)
{
    /* Of a request longer than what is kept, or only partly seen, nobody can say that it is equal to another. */
    return a->request_length == b->request_length && a->request_kept == a->request_length &&
           b->request_kept == b->request_length && memcmp(a->request_bytes, b->request_bytes, a->request_kept) == 0;
}

/* Keeps an unanswered exchange for D 7.10. Of equal ones the newest is enough. */
static void keep_unanswered(struct module_state *module, struct slot *slot)
{
    struct slot *drop = NULL;
    for (struct slot *other = next_slot(module, SLOT_UNANSWERED, 0); other;
         other = next_slot(module, SLOT_UNANSWERED, other->exchange.serial))
        if (same_request(&other->exchange, &slot->exchange))
            drop = other;
    if (!drop && module->unanswered_count == EXCHANGE_UNANSWERED_MAX)
        drop = next_slot(module, SLOT_UNANSWERED, 0);
    if (drop) {
        drop->use = SLOT_FREE;
        module->unanswered_count--;
    }
    slot->use = SLOT_UNANSWERED;
    module->unanswered_count++;
}

/* The other questions that could own this answer. Not those asked after it had begun. */
static void gather_rivals(const struct module_state *module, const struct message *answer, struct exchange_event *event)
{
    uint32_t left = module->open_count + module->unanswered_count; /* the owner is free already */
    for (const struct slot *slot = module->slots; left > 0 && slot < module->slots + SLOTS; slot++) {
        if (slot->use == SLOT_FREE)
            continue;
        left--;
        if (answer_could_be_of(&slot->exchange, answer))
            event->rivals[event->rival_count++] = &slot->exchange;
    }
}

/* The only way out of OPEN. answer is NULL when there is none. */
static void close_slot(struct exchange_stage *stage, struct module_state *module, struct slot *slot,
                       enum exchange_state state, const struct message *answer)
{
    *(slot->older ? &slot->older->newer : &stage->oldest) = slot->newer;
    *(slot->newer ? &slot->newer->older : &stage->newest) = slot->older;
    slot->older = slot->newer = NULL;
    module->open_count--;
    slot->use = SLOT_FREE;
    slot->exchange.state = state;

    struct exchange_event event = {.kind = EXCHANGE_EVENT_CLOSED, .exchange = &slot->exchange, .response = answer};
    if (answer)
        gather_rivals(module, answer, &event);
    stage->emit(stage->context, &event);

    if (state == EXCHANGE_MISSING || state == EXCHANGE_ASKED_AGAIN)
        keep_unanswered(module, slot);
    /* A module answers in the order it was asked: what this one's service left unanswered before, it has dropped. */
    for (uint32_t i = 0; answer && module->unanswered_count > 0 && i < SLOTS; i++)
        if (module->slots[i].use == SLOT_UNANSWERED && module->slots[i].exchange.service == slot->exchange.service) {
            module->slots[i].use = SLOT_FREE;
            module->unanswered_count--;
        }
}

static void close_unanswered(struct exchange_stage *stage, struct module_state *module, struct slot *slot)
{
    close_slot(stage, module, slot, is_quiet(slot) ? EXCHANGE_SUPPRESSED : EXCHANGE_MISSING, NULL);
}

/*
 * What a new request without the suppress bit closes: an equal one, unless an answer that may be its own is on the
 * way, and those of its service whose deadline has passed.
 */
static void close_replaced(struct exchange_stage *stage, struct module_state *module, const struct slot *newcomer,
                           int64_t at)
{
    uint64_t serial = 0;
    for (struct slot *slot; (slot = next_slot(module, SLOT_OPEN, serial)) != NULL;) {
        serial = slot->exchange.serial;
        if (slot->exchange.service != newcomer->exchange.service)
            continue;
        bool on_the_way = module->answering && slot->exchange.request.last_frame < module->answer_frame;
        if (same_request(&slot->exchange, &newcomer->exchange) && !on_the_way)
            close_slot(stage, module, slot, EXCHANGE_ASKED_AGAIN, NULL);
        else if (is_past(stage, module, slot, at))
            close_unanswered(stage, module, slot);
    }
}

/*
 * Closes one of four open exchanges for a fifth: the oldest of those nobody waits for any more, suppressed ones
 * first; else the oldest. A suppressed request closes only its like (D 8.4). False when it may close none.
 */
static bool make_room(struct exchange_stage *stage, struct module_state *module, bool for_quiet, int64_t at)
{
    struct slot *victim = NULL;
    int best = 0;
    uint64_t serial = 0;
    for (struct slot *slot; (slot = next_slot(module, SLOT_OPEN, serial)) != NULL;) {
        serial = slot->exchange.serial;
        int rank = is_past(stage, module, slot, at) ? (is_quiet(slot) ? 3 : 2) : 1;
        if (for_quiet)
            rank = is_quiet(slot) ? rank : 0;
        if (rank > best) {
            best = rank;
            victim = slot;
        }
    }
    if (victim)
        close_unanswered(stage, module, victim);
    return victim != NULL;
}

/* Copies the request; of a long one as much as there is memory for. */
static void keep_request(struct slot *slot, const struct message *message)
{
    uint32_t kept = message->received < EXCHANGE_REQUEST_KEPT ? message->received : EXCHANGE_REQUEST_KEPT;
    uint8_t *bytes = slot->head;
    if (kept > SLOT_HEAD) {
        if (slot->longer.ceiling == 0)
            buffer_init(&slot->longer, EXCHANGE_REQUEST_KEPT);
        buffer_clear(&slot->longer);
        if (buffer_append(&slot->longer, message->bytes, kept))
            bytes = slot->longer.data;
        else
            kept = SLOT_HEAD;
    }
    if (bytes == slot->head)
        memcpy(slot->head, message->bytes, kept);
    slot->exchange.request_bytes = bytes;
    slot->exchange.request_kept = kept;
    slot->exchange.request_length = message->length;
}

/*
 * A request of which the listener lost a part may have reached the module whole. One that the module itself refused,
 * never let begin, or that the tester gave up, has not.
 */
static bool may_have_arrived(const struct message *message)
{
    return message->state == MESSAGE_COMPLETE ||
           (message->reason != REASON_OVERFLOW && message->reason != REASON_UNANSWERED &&
            message->reason != REASON_INTERRUPTED);
}

static void push_request(struct exchange_stage *stage, struct module_state *module, const struct message *message)
{
    if (message->received == 0 || !may_have_arrived(message))
        return;
    struct bytes cursor = bytes_of(message->bytes, message->received);
    struct slot *slot = free_slot(module);
    struct exchange *exchange = &slot->exchange;
    memset(exchange, 0, offsetof(struct exchange, pending)); /* pending is most of it, and counted */
    exchange->bus = message->bus;
    exchange->module = message->module;
    exchange->functional = message->direction == DIRECTION_FUNCTIONAL;
    exchange->dialect = dialect_of(stage, message->module);
    exchange->service = bytes_u8(&cursor);
    exchange->request = span_of(message);
    exchange->suppress = answer_is_unwanted(exchange->dialect, exchange->service, bytes_u8(&cursor));
    keep_request(slot, message);

    if (!exchange->suppress)
        close_replaced(stage, module, slot, message->first_elapsed);
    /* Where four that are waited for are open, a suppressed request is told and let go: nothing is expected of it. */
    bool alone = module->open_count == EXCHANGE_OPEN_MAX &&
                 !make_room(stage, module, exchange->suppress, message->first_elapsed);

    exchange->serial = ++*stage->serial;
    slot->use = SLOT_OPEN;
    slot->cut = false;
    slot->timer_start = message->last_elapsed;
    slot->timer_length = module->p2;
    slot->older = stage->newest;
    slot->newer = NULL;
    *(stage->newest ? &stage->newest->newer : &stage->oldest) = slot;
    stage->newest = slot;
    module->open_count++;
    stage->emit(stage->context, &(struct exchange_event){.kind = EXCHANGE_EVENT_REQUEST, .exchange = exchange});
    if (alone)
        close_slot(stage, module, slot, EXCHANGE_SUPPRESSED, NULL);
}

static struct slot *owner_of(struct module_state *module, const struct message *answer)
{
    struct slot *newest = NULL;
    uint32_t left = module->open_count;
    for (struct slot *slot = module->slots; left > 0 && slot < module->slots + SLOTS; slot++) {
        if (slot->use != SLOT_OPEN)
            continue;
        left--;
        if (answer_could_be_of(&slot->exchange, answer) &&
            (!newest || slot->exchange.serial > newest->exchange.serial))
            newest = slot;
    }
    return newest;
}

/* A positive 50 announces P2 in 1 ms and P2* in 10 ms; one that does not, and a positive 51, end what was announced. */
static void take_timing(struct exchange_stage *stage, struct module_state *module, const struct message *answer)
{
    struct bytes cursor = bytes_of(answer->bytes, answer->received);
    uint8_t sid = bytes_u8(&cursor);
    if (dialect_of(stage, answer->module) != DIALECT_ISO14229 || (sid != 0x50 && sid != 0x51))
        return; /* ISO 14230 announces none there */
    default_timing(stage, answer->module, module);
    if (sid == 0x51)
        return;
    bytes_skip(&cursor, 1);
    uint16_t p2 = bytes_be16(&cursor), p2_star = bytes_be16(&cursor);
    if (!cursor.bad && p2 != 0 && p2_star != 0) { /* 0 states nothing: nobody answers in no time */
        module->p2 = p2 * TT_MS;
        module->p2_star = p2_star * 10 * TT_MS;
    }
}

static void push_unsolicited(struct exchange_stage *stage, const struct message *answer, const struct answer_form *form,
                             bool repeated)
{
    stage->unsolicited = (struct exchange){
        .serial = ++*stage->serial, .bus = answer->bus, .module = answer->module,
        .dialect = dialect_of(stage, answer->module), .service = form->service,
        .state = EXCHANGE_UNSOLICITED, .nrc = form->nrc, .has_response = true, .response = span_of(answer),
    };
    stage->emit(stage->context, &(struct exchange_event){.kind = EXCHANGE_EVENT_CLOSED, .exchange = &stage->unsolicited,
                                                         .response = answer, .repeated = repeated});
}

/* 7F sid 78: stays open, and has P2* from the end of this message. */
static void push_pending(struct exchange_stage *stage, struct slot *slot, const struct message *answer)
{
    struct exchange *exchange = &slot->exchange;
    if (exchange->pending_count < EXCHANGE_PENDING_KEPT) {
        struct exchange_pending *pending = &exchange->pending[exchange->pending_count];
        pending->span = span_of(answer);
        memcpy(pending->bytes, answer->bytes, sizeof pending->bytes);
    }
    exchange->pending_count++;
    slot->timer_start = answer->last_elapsed;
    slot->timer_length = stage->modules[answer->module].p2_star;
    stage->emit(stage->context,
                &(struct exchange_event){.kind = EXCHANGE_EVENT_PENDING, .exchange = exchange, .response = answer});
}

static void push_answer(struct exchange_stage *stage, struct module_state *module, const struct message *answer)
{
    struct slot *slot = owner_of(module, answer);
    struct answer_form form = answer_form_of(answer);
    if (answer->state != MESSAGE_COMPLETE || form.kind == ANSWER_NONE) {
        if (slot && answer->state != MESSAGE_COMPLETE && answer->reason == REASON_CUT)
            slot->cut = true;
        stage->emit(stage->context, &(struct exchange_event){.kind = EXCHANGE_EVENT_BROKEN, .response = answer,
                                                             .exchange = slot ? &slot->exchange : NULL});
        return;
    }
    bool repeated = answer_remember(&module->answers, form.service, answer);
    if (!slot) {
        push_unsolicited(stage, answer, &form, repeated);
    } else if (form.nrc == NRC_PENDING) {
        push_pending(stage, slot, answer);
    } else {
        slot->exchange.nrc = form.nrc;
        slot->exchange.has_response = true;
        slot->exchange.response = span_of(answer);
        bool late = is_past(stage, module, slot, answer->first_elapsed); /* a segmented answer counts at its first frame */
        close_slot(stage, module, slot,
                   late ? EXCHANGE_LATE : form.kind == ANSWER_NEGATIVE ? EXCHANGE_REFUSED : EXCHANGE_ANSWERED, answer);
    }
    take_timing(stage, module, answer);
}

void exchange_push(struct exchange_stage *stage, const struct transport_event *event)
{
    const struct message *message = event->message;
    if (event->kind == TRANSPORT_FAULT || !message || message->module >= stage->module_count)
        return;
    struct module_state *module = &stage->modules[message->module];
    if (message->direction != DIRECTION_RESPONSE) {
        if (event->kind == TRANSPORT_MESSAGE)
            push_request(stage, module, message);
        return;
    }
    module->answering = event->kind == TRANSPORT_STARTED;
    if (module->answering) {
        module->answer_frame = message->first_frame;
        module->answer_elapsed = message->first_elapsed;
    } else {
        push_answer(stage, module, message);
    }
}

void exchange_clock_back(struct exchange_stage *stage, const struct frame *frame)
{
    /* A timer that had run out before the step stays run out. frame->elapsed is that of the frame before the step. */
    for (struct slot *slot = stage->oldest; slot; slot = slot->newer)
        if (!is_past(stage, &stage->modules[slot->exchange.module], slot, frame->elapsed))
            slot->timer_start = frame->elapsed;
}

void exchange_finish(struct exchange_stage *stage, int64_t elapsed, uint32_t epoch)
{
    (void)epoch; /* timers were restarted at every step back, and elapsed never decreases */
    while (stage->oldest) {
        struct slot *slot = stage->oldest;
        struct module_state *module = &stage->modules[slot->exchange.module];
        if (!slot->cut && is_past(stage, module, slot, elapsed))
            close_unanswered(stage, module, slot);
        else
            close_slot(stage, module, slot, EXCHANGE_CUT, NULL);
    }
}
