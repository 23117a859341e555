/* See redact.h: values found in the original's messages, and masked in the copy's frames. */
#define _POSIX_C_SOURCE 200809L
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../stages/pair.h"
#include "redact_parts.h"

#define CLASSIC_DATA 8u
#define BEGINNING 3u /* bytes of a value that are worth masking where a message broke off */

/* ---- which ids ---- */

static bool is_of_pair(uint32_t word, uint32_t request, uint32_t response, uint32_t functional)
{
    return word == request || word == response || (functional != DEF_NO_ID && word == functional);
}

bool redact_is_examined(const struct redacting *redacting, uint32_t word)
{
    const struct job_inputs *job = &redacting->job;
    bool found = false;
    if (job->options.pair_count) {
        for (uint32_t i = 0; i < job->options.pair_count && !found; i++)
            found = is_of_pair(word, job->options.pairs[i].request_id, job->options.pairs[i].response_id,
                               job->options.pairs[i].functional_id);
    } else if (job->definitions.module_count) {
        for (uint32_t i = 0; i < job->definitions.module_count && !found; i++)
            found = is_of_pair(word, job->definitions.modules[i].request_id, job->definitions.modules[i].response_id,
                               job->definitions.modules[i].functional_id);
    } else { /* ISO 15765-4:2016 table 6, as pipeline_pairs.c */
        found = word == 0x7DF || (word >= 0x7E0 && word <= 0x7EF);
    }
    return found;
}

static bool is_described(const struct redacting *redacting, uint32_t word)
{
    for (uint32_t i = 0; i < redacting->job.definitions.module_count; i++)
        if (definitions_broadcast(&redacting->job.definitions.modules[i], word))
            return true;
    return false;
}

/* Counts a frame of an id that is not examined; its entry, or NULL when there are too many. */
static struct redact_id *count_id(struct redacting *redacting, uint32_t bus, uint32_t word)
{
    uint32_t at = (word ^ word >> 13 ^ bus * 2654435761u) % REDACT_IDS_MAX;
    while (redacting->ids[at].used && (redacting->ids[at].bus != bus || redacting->ids[at].word != word))
        at = (at + 1) % REDACT_IDS_MAX;
    struct redact_id *id = &redacting->ids[at];
    if (!id->used) {
        if (redacting->id_count == REDACT_IDS_MAX - 1) {
            redacting->other_frames++;
            return NULL;
        }
        *id = (struct redact_id){.bus = bus, .word = word, .used = true, .described = is_described(redacting, word)};
        redacting->id_count++;
    }
    id->frames++;
    return id;
}

/* carried: data bytes that are the frame's own. */
static bool note(struct redacting *redacting, FILE **file, const struct frame *frame, uint32_t carried)
{
    const struct redact_drop drop = {frame->offset, frame->number, frame->data_offset + carried};
    if (!*file)
        *file = tmpfile();
    if (*file && fwrite(&drop, sizeof drop, 1, *file) == 1)
        return true;
    redacting->error = errno ? errno : EIO;
    return false;
}

static void leave_out(struct redacting *redacting, const struct frame *frame)
{
    if (note(redacting, &redacting->drops[frame->file], frame, 0))
        redacting->drop_counts[frame->file]++;
}

static void clear_frame(struct redacting *redacting, const struct frame *frame);

static void on_frame(void *context, const struct frame *frame)
{
    struct redacting *redacting = context;
    uint32_t word = frame_id_word(frame);
    if (frame->error)
        return;
    bool examined = redact_is_examined(redacting, word);
    if (redacting->writing && examined && !frame->remote)
        clear_frame(redacting, frame);
    uint32_t carried = frame->remote ? 0 : frame->length; /* a remote frame states a length and carries nothing */
    if (redacting->writing && examined && carried < (frame->fd ? FRAME_DATA_MAX : CLASSIC_DATA))
        (void)note(redacting, &redacting->unclear[frame->file], frame, carried); /* the record may hold more */
    if (redacting->writing || examined)
        return;
    const struct redact_id *id = count_id(redacting, frame->bus, word);
    if (redacting->request->only_pairs && !(id ? id->described : is_described(redacting, word)))
        leave_out(redacting, frame);
}

/* ---- masking in the copy ---- */

static void patch(struct redacting *redacting, uint32_t file, uint64_t offset, const uint8_t *bytes, size_t length)
{
    while (length > 0 && !redacting->error) {
        ssize_t wrote = pwrite(redacting->copies[file], bytes, length, (off_t)offset);
        if (wrote < 0 && errno == EINTR)
            continue;
        if (wrote <= 0) {
            redacting->error = wrote < 0 ? errno : EIO;
            return;
        }
        bytes += wrote;
        offset += (uint64_t)wrote;
        length -= (size_t)wrote;
    }
}

/* New bytes for payload positions start and on, wherever in frames they lie. */
static void patch_message(struct redacting *redacting, const struct message *message, uint32_t start,
                          const uint8_t *bytes, uint32_t length)
{
    for (uint32_t i = 0; i < message->segment_count; i++) {
        const struct segment *segment = &message->segments[i];
        uint32_t from = segment->start > start ? segment->start : start;
        uint32_t to =
            segment->start + segment->length < start + length ? segment->start + segment->length : start + length;
        if (from < to)
            patch(redacting, segment->file, segment->offset + (from - segment->start), bytes + (from - start),
                  to - from);
    }
}

/* ---- frames of the address pairs ---- */

/* Address bytes before what says which kind of frame it is (D 6.5). */
static uint32_t kept_address(const struct redacting *redacting, const struct frame *frame)
{
    uint32_t word = frame_id_word(frame), address = 0;
    const struct job_inputs *job = &redacting->job;
    for (uint32_t i = 0; i < job->options.pair_count; i++) {
        const struct transport_pair *pair = &job->options.pairs[i];
        if (is_of_pair(word, pair->request_id, pair->response_id, pair->functional_id))
            address = pair_has_bytes(pair);
    }
    for (uint32_t i = 0; !job->options.pair_count && i < job->definitions.module_count; i++) {
        const struct def_module *module = &job->definitions.modules[i];
        if (is_of_pair(word, module->request_id, module->response_id, module->functional_id))
            address = module->format == ADDRESS_EXTENDED || module->format == ADDRESS_MIXED;
    }
    return address;
}

/* How many bytes of a frame say what kind it is (ISO 15765-2:2016 9.2); of flow control, what it says. */
static uint32_t kept_of(const struct redacting *redacting, const struct frame *frame)
{
    uint32_t address = kept_address(redacting, frame);
    if (frame->length <= address)
        return frame->length;
    switch (frame->data[address] >> 4) {
    case 0: /* single frame; with a low nibble of 0 the length follows */
        return address + (frame->data[address] & 15 ? 1 : 2);
    case 1: /* first frame; with a length of 0 the real one follows in four bytes */
        return address +
               (frame->data[address] == 0x10 && frame->length > address + 1 && frame->data[address + 1] == 0 ? 6 : 2);
    case 2:
        return address + 1;
    case 3:
        return address + 3;
    default:
        return address + 1;
    }
}

static bool is_uniform(const uint8_t *bytes, size_t length)
{
    for (size_t i = 1; i < length; i++)
        if (bytes[i] != bytes[0])
            return false;
    return true;
}

/*
 * Every byte of such a frame is cleared first, and comes back, masked where need be, with the message it belongs to. So
 * what belongs to none (the rest of an answer of which a frame is lost, what a module left in its buffer) is gone.
 */
static void clear_frame(struct redacting *redacting, const struct frame *frame)
{
    static const uint8_t zeros[FRAME_DATA_MAX];
    uint32_t kept = kept_of(redacting, frame);
    bool flow_control = kept < frame->length && frame->data[kept_address(redacting, frame)] >> 4 == 3;
    redacting->current = *frame;
    if (kept >= frame->length || (flow_control && is_uniform(frame->data + kept, frame->length - kept)))
        return;
    patch(redacting, frame->file, frame->data_offset + kept, zeros, frame->length - kept);
}

/* Padding behind the last byte of a message, where it is one value all through. */
static void restore_padding(struct redacting *redacting, const struct message *message)
{
    const struct frame *frame = &redacting->current;
    if (message->segment_count == 0 || message->last_frame != frame->number || message->bus != frame->bus)
        return;
    const struct segment *last = &message->segments[message->segment_count - 1];
    uint64_t end = last->offset + last->length, length = frame->data_offset + frame->length - end;
    if (last->file != frame->file || end < frame->data_offset || end >= frame->data_offset + frame->length)
        return;
    const uint8_t *padding = frame->data + (end - frame->data_offset);
    if (is_uniform(padding, length))
        patch(redacting, last->file, end, padding, length);
}


/* ---- values ---- */

struct placing {
    struct redacting *redacting;
    const struct message *message;
};

static void on_place(void *context, enum secret_kind kind, uint32_t start, uint32_t length, bool whole)
{
    struct placing *placing = context;
    struct redacting *redacting = placing->redacting;
    const uint8_t *bytes = placing->message->bytes + start;
    bool text = kind == SECRET_VIN || kind == SECRET_SERIAL;
    uint8_t *mask;
    if (text)
        secret_trim(&bytes, &length);
    start = (uint32_t)(bytes - placing->message->bytes);
    if (length == 0)
        return;
    if (!redacting->writing) {
        if (whole && !secrets_add(&redacting->secrets, kind, bytes, length))
            redacting->no_memory = true;
        return;
    }
    mask = malloc(length);
    if (!mask) {
        redacting->no_memory = true;
        return;
    }
    secrets_mask(&redacting->secrets, kind, bytes, length, mask);
    patch_message(redacting, placing->message, start, mask, length);
    free(mask);
}

/* A message that broke off inside a known value: the longest beginning of it that the message ends with. */
static void mask_beginning(struct redacting *redacting, const struct message *message, const struct secret *secret)
{
    uint32_t length = secret->length - 1 < message->received ? secret->length - 1 : message->received;
    while (length >= BEGINNING && !secret_equals(secret, message->bytes + (message->received - length), length))
        length--;
    if (length >= BEGINNING)
        patch_message(redacting, message, message->received - length, secret->mask, length);
}

/* The same values anywhere else in a message. */
static void mask_elsewhere(struct redacting *redacting, const struct message *message)
{
    for (uint32_t i = 0; i < redacting->secrets.count; i++) {
        const struct secret *secret = &redacting->secrets.list[i];
        if (!secret_is_searched(secret))
            continue;
        for (uint32_t at = 0; at + secret->length <= message->received; at++)
            if (secret_equals(secret, message->bytes + at, secret->length))
                patch_message(redacting, message, at, secret->mask, secret->length);
        if (message->state != MESSAGE_COMPLETE)
            mask_beginning(redacting, message, secret);
    }
}

static void on_message(void *context, const struct message *message)
{
    struct redacting *redacting = context;
    struct placing placing = {redacting, message};
    const struct redact_places found = {on_place, &placing};
    if (redacting->writing) {
        patch_message(redacting, message, 0, message->bytes, message->received);
        restore_padding(redacting, message);
        mask_elsewhere(redacting, message);
    }
    redact_find(&redacting->job.definitions, message, &found);
}

/* Fields that the definitions name; those of requests have no places of their own and are found as values. */
static void on_reading(void *context, const struct reading_event *event)
{
    struct redacting *redacting = context;
    struct placing placing = {redacting, event->message};
    enum secret_kind kind;
    if (event->kind != READING_VALUE || !event->value->bytes ||
        !redact_is_named(&redacting->job.definitions, event->value->reading, &kind))
        return;
    on_place(&placing, kind, (uint32_t)(event->value->bytes - event->message->bytes), event->value->length, true);
}

static void on_fault(void *context, const char *stage, const char *reason, const struct frame *frame)
{
    struct redacting *redacting = context;
    (void)reason;
    if (!frame || strcmp(stage, "frame") != 0)
        return;
    if (redacting->writing) /* a record that is no frame: what it carries is cleared */
        (void)note(redacting, &redacting->unclear[frame->file], frame, 0);
    else if (redacting->request->only_pairs && !redact_is_examined(redacting, frame_id_word(frame)))
        leave_out(redacting, frame);
}

/* A packet of another protocol, as an "any" capture has them: nobody can say what is in it. */
static void on_other(void *context, const struct frame *frame)
{
    struct redacting *redacting = context;
    if (redacting->writing)
        (void)note(redacting, &redacting->unclear[frame->file], frame, 0);
    else if (redacting->request->only_pairs)
        leave_out(redacting, frame);
}

const struct pipeline_listener redact_listener = {
    .frame = on_frame, .other = on_other, .message = on_message, .reading = on_reading, .fault = on_fault};
