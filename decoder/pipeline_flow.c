/* What passes from stage to stage of one run (pipeline.h). The order in which one frame passes them is the order of the
 * functions below, read upwards. */
#include "pipeline_parts.h"

/* The frame at hand, or after the last one that. */
static const struct frame *frame_here(const struct pipeline *pipeline)
{
    return pipeline->current ? pipeline->current : &pipeline->last;
}

void pipeline_fault(struct pipeline *pipeline, const char *stage, const char *reason, const struct frame *frame)
{
    pipeline->result->fault_count++;
    if (pipeline->listener.fault)
        pipeline->listener.fault(pipeline->listener.context, stage, reason, frame);
}

void pipeline_event(struct pipeline *pipeline, const char *what, const struct frame *frame)
{
    if (pipeline->listener.event)
        pipeline->listener.event(pipeline->listener.context, what, frame);
}

static void gap(struct pipeline *pipeline, enum gap_kind kind, uint32_t module, const struct frame *frame)
{
    if (pipeline->step)
        step_push_gap(pipeline->step, kind, module, frame);
}

/* ---- readings ---- */

void pipeline_on_reading(void *context, const struct reading_event *reading)
{
    struct pipeline *pipeline = context;
    if (reading->kind == READING_FAULT)
        pipeline->result->fault_count++;
    if (pipeline->listener.reading)
        pipeline->listener.reading(pipeline->listener.context, reading);
    if (pipeline->displayed.count && reading->kind == READING_VALUE)
        displayed_push(&pipeline->displayed, pipeline->options.definitions, reading);
    if (pipeline_judges(pipeline, reading->message->bus, reading->module))
        step_push_reading(pipeline->step, reading);
}

/* ---- exchanges ---- */

static void on_closed(struct pipeline *pipeline, const struct exchange_event *closed)
{
    struct service_content content;
    service_read(closed, &content);
    if (pipeline->listener.exchange)
        pipeline->listener.exchange(pipeline->listener.context, closed, &content);
    if (content.kind == SERVICE_RESET && closed->exchange->has_response && closed->exchange->nrc == 0)
        pipeline_event(pipeline, "module reset", frame_here(pipeline));
    if (pipeline_judges(pipeline, closed->exchange->bus, closed->exchange->module))
        step_push_answer(pipeline->step, closed, &content);
    if (pipeline->wants_readings && closed->exchange->module < pipeline->described)
        reading_push_answer(&pipeline->reading, closed, &content);
}

/* The fields of an action's request are readings too. */
static void on_request(struct pipeline *pipeline, const struct exchange_event *asked)
{
    struct service_content content;
    if (asked->exchange->module >= pipeline->described || !pipeline->wants_readings) /* who judges wants them too */
        return;
    service_read(asked, &content);
    if (pipeline_judges(pipeline, asked->exchange->bus, asked->exchange->module))
        step_push_request(pipeline->step, asked->exchange, &content);
    reading_push_request(&pipeline->reading, asked->exchange, &content);
}

/* A message of no use lies where its own frames are, not at the frame that proved it. */
static struct frame place_of(const struct message *message)
{
    return (struct frame){.number = message->last_frame, .time = message->last_time, .elapsed = message->last_elapsed,
                          .epoch = message->last_epoch, .bus = message->bus, .file = message->file,
                          .offset = message->record_offset, .id = message->id};
}

/* A message that broke off, or is whole and yet no answer. Of the first kind the message itself tells. */
static void on_broken(struct pipeline *pipeline, const struct message *message, uint32_t module)
{
    const struct frame place = place_of(message);
    bool whole = message->state == MESSAGE_COMPLETE;
    if (whole)
        pipeline_fault(pipeline, "exchange", "neither a positive nor a whole negative answer", &place);
    gap(pipeline, whole ? GAP_FAULT : GAP_BROKEN, module, &place);
    if (message->direction == DIRECTION_RESPONSE && pipeline_judges(pipeline, message->bus, message->module))
        step_push_broken(pipeline->step, message);
}

void pipeline_on_exchange(void *context, const struct exchange_event *exchange)
{
    struct pipeline *pipeline = context;
    switch (exchange->kind) {
    case EXCHANGE_EVENT_REQUEST:
        on_request(pipeline, exchange);
        break;
    case EXCHANGE_EVENT_PENDING: /* is told with the whole exchange */
        break;
    case EXCHANGE_EVENT_CLOSED:
        on_closed(pipeline, exchange);
        break;
    case EXCHANGE_EVENT_BROKEN:
        on_broken(pipeline, exchange->response, exchange->response->module);
        break;
    }
}

/* ---- messages ---- */

void pipeline_on_transport(void *context, const struct transport_event *transport)
{
    struct bus *bus = context;
    struct pipeline *pipeline = bus->pipeline;
    const struct message *message = transport->message;
    if (transport->kind == TRANSPORT_FAULT) {
        pipeline_fault(pipeline, "transport", transport->reason, transport->frame);
        gap(pipeline, GAP_FAULT, transport->module, transport->frame);
        return;
    }
    if (transport->kind == TRANSPORT_MESSAGE) {
        if (pipeline->listener.message)
            pipeline->listener.message(pipeline->listener.context, message);
        /* The exchange stage tells of broken answers; of a broken question only the loss itself is known. */
        if (message->state == MESSAGE_ABANDONED && message->direction != DIRECTION_RESPONSE)
            on_broken(pipeline, message, message->direction == DIRECTION_FUNCTIONAL ? DEF_NONE : message->module);
    }
    if (bus->exchange)
        exchange_push(bus->exchange, transport);
}

/* ---- frames ---- */

/* A record that is no frame, but on an id of ours: something a module said may be missing. */
static void on_frame_fault(struct bus *bus, const struct frame_event *bad)
{
    const struct frame *frame = bad->frame;
    uint32_t module;
    pipeline_fault(bus->pipeline, "frame", bad->reason, frame);
    if (!frame->extended && (frame->id == 0 || frame->id > 0x7FF))
        gap(bus->pipeline, GAP_FAULT, DEF_NONE, frame); /* the id itself is missing or senseless: it could be any */
    else if (transport_module_of(&bus->transport, frame_id_word(frame), &module))
        gap(bus->pipeline, GAP_FAULT, module, frame);
}

void pipeline_on_mark(void *context, const struct mark *mark)
{
    struct pipeline *pipeline = context;
    if (pipeline->step)
        step_push_mark(pipeline->step, mark, pipeline->current);
    const struct displayed *displayed = pipeline->displayed.count && mark->kind == MARK_DISPLAYED
                                            ? displayed_mark(&pipeline->displayed, mark, pipeline->current)
                                            : NULL;
    if (displayed && pipeline->listener.displayed)
        pipeline->listener.displayed(pipeline->listener.context, displayed);
}

void pipeline_on_frame(void *context, const struct frame_event *arrived)
{
    struct bus *bus = context;
    struct pipeline *pipeline = bus->pipeline;
    const struct frame *frame = arrived->frame;
    if (!pipeline->started) {
        pipeline->started = true;
        pipeline->result->first_time = frame->time;
    }
    if (frame->number == bus->first_number)
        bus->facts->first_time = frame->time;
    pipeline->current = frame;
    if (pipeline->marking)
        marks_bind_time(&pipeline->walk, frame->time, pipeline_on_mark, pipeline);
    switch (arrived->kind) {
    case FRAME_DATA:
        if (pipeline->listener.frame)
            pipeline->listener.frame(pipeline->listener.context, frame);
        if (pipeline->wants_broadcasts)
            reading_push_frame(&pipeline->reading, frame);
        transport_push(&bus->transport, frame);
        break;
    case FRAME_CLOCK_BACK:
        if (arrived->step > 0 || !arrived->stepped)
            pipeline_event(pipeline, arrived->step > 0 ? "the clock went back" : "the time is not to be believed",
                           frame);
        transport_clock_back(&bus->transport, frame);
        if (bus->exchange)
            exchange_clock_back(bus->exchange, frame);
        if (arrived->step > 0 || !arrived->stepped)
            gap(pipeline, GAP_CLOCK, DEF_NONE, frame);
        else if (pipeline->step) /* the recorder's event is told already */
            step_push_loss(pipeline->step,
                           &(struct gap){.kind = GAP_STEPPED, .bus = frame->bus, .frame = frame->number,
                                         .last_frame = frame->number, .time = frame->time}, frame, true);
        break;
    case FRAME_LOST:
        if (pipeline->listener.frame)
            pipeline->listener.frame(pipeline->listener.context, frame);
        pipeline_event(pipeline, "frames were lost in the controller", frame);
        gap(pipeline, GAP_LOST, DEF_NONE, frame);
        reading_forget(&pipeline->reading, DEF_NONE);
        break;
    case FRAME_ERROR:
        if (pipeline->listener.frame)
            pipeline->listener.frame(pipeline->listener.context, frame);
        break;
    case FRAME_OTHER:
        bus->others++;
        if (pipeline->listener.other)
            pipeline->listener.other(pipeline->listener.context, frame);
        break;
    case FRAME_FAULT:
        on_frame_fault(bus, arrived);
        break;
    }
    pipeline->current = NULL;
}

/* ---- steps ---- */

void pipeline_on_step(void *context, const struct step_event *step)
{
    struct pipeline *pipeline = context;
    if (pipeline->listener.step)
        pipeline->listener.step(pipeline->listener.context, step);
}
