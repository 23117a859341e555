/* See pipeline.h. The order in which one frame passes the stages is the order of the functions below, read upwards. */
#include "pipeline.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define LOOK_EVERY 4096u /* records between two looks at Ctrl-C and the clock */
#define IDS 0x800u       /* 11-bit identifiers */
#define STANDARD_PAIRS 8u
#define PAIR_NAME_MAX 16 /* "0x5e3:0x6c5" */

struct pipeline {
    struct pipeline_options options;
    struct pipeline_listener listener;
    struct pipeline_result *result;
    struct trace_reader reader;
    struct frame_stage frame;
    struct transport transport;
    struct exchange_stage *exchange;
    struct reading_stage reading;
    struct step_stage *step;
    bool reader_open, transport_open;
    bool wants_exchanges, wants_readings, wants_broadcasts, marking, stopped;
    const struct frame *current; /* the frame being pushed, NULL outside */
    struct frame last;           /* copy of the newest frame */
    uint64_t newest;             /* its number */
    const struct service_content *content; /* of the closed exchange whose readings are being made */
    struct mark_walk walk;
    uint32_t module_count;       /* definitions' modules, then bare pairs */
    uint32_t described;          /* definitions' modules */
    char (*pair_names)[PAIR_NAME_MAX]; /* of bare pairs; owned */
    uint32_t module_of_id[IDS];  /* of a configured id, else DEF_NONE */
    struct timespec begun;
    int64_t progress_shown;      /* ns after begun; 0: nothing shown yet */
    uint64_t size;               /* of a regular trace file, else 0 */
};

static volatile sig_atomic_t stop_asked;

static void on_interrupt(int signal_number)
{
    (void)signal_number;
    stop_asked = 1;
}

/* The frame at hand, or after the last one that. */
static const struct frame *frame_here(const struct pipeline *pipeline)
{
    return pipeline->current ? pipeline->current : &pipeline->last;
}

static void fault(struct pipeline *pipeline, const char *stage, const char *reason, const struct frame *frame)
{
    pipeline->result->fault_count++;
    if (pipeline->listener.fault)
        pipeline->listener.fault(pipeline->listener.context, stage, reason, frame);
}

static void event(struct pipeline *pipeline, const char *what, const struct frame *frame)
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

static void on_reading(void *context, const struct reading_event *reading)
{
    struct pipeline *pipeline = context;
    if (reading->kind == READING_FAULT)
        pipeline->result->fault_count++;
    if (pipeline->listener.reading)
        pipeline->listener.reading(pipeline->listener.context, reading);
    if (pipeline->step)
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
        event(pipeline, "module reset", frame_here(pipeline));
    if (pipeline->step)
        step_push_answer(pipeline->step, closed, &content);
    if (pipeline->wants_readings && closed->response && closed->exchange->module < pipeline->described)
        reading_push_answer(&pipeline->reading, closed, &content);
}

/* A message that broke off lies where its own frames are, not at the frame that proved it. */
static void on_broken(struct pipeline *pipeline, const struct message *message, uint32_t module)
{
    const struct frame place = {.number = message->last_frame, .time = message->last_time,
                                .elapsed = message->last_elapsed, .epoch = message->last_epoch, .bus = message->bus,
                                .file = message->file, .offset = message->record_offset, .id = message->id};
    gap(pipeline, GAP_BROKEN, module, &place);
}

static void on_exchange(void *context, const struct exchange_event *exchange)
{
    struct pipeline *pipeline = context;
    switch (exchange->kind) {
    case EXCHANGE_EVENT_REQUEST:
        if (pipeline->step)
            step_push_request(pipeline->step, exchange->exchange);
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

static void on_transport(void *context, const struct transport_event *transport)
{
    struct pipeline *pipeline = context;
    const struct message *message = transport->message;
    if (transport->kind == TRANSPORT_FAULT) {
        fault(pipeline, "transport", transport->reason, transport->frame);
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
    if (pipeline->exchange)
        exchange_push(pipeline->exchange, transport);
}

/* ---- frames ---- */

/* A record that is no classic frame, but on an id of ours: something a module said may be missing. */
static void on_frame_fault(struct pipeline *pipeline, const struct frame_event *bad)
{
    const struct frame *frame = bad->frame;
    fault(pipeline, "frame", bad->reason, frame);
    if (frame->id == 0 && !frame->extended)
        gap(pipeline, GAP_FAULT, DEF_NONE, frame); /* the id itself is missing or senseless: it could be any */
    else if (!frame->extended && frame->id < IDS && pipeline->module_of_id[frame->id] != DEF_NONE)
        gap(pipeline, GAP_FAULT, pipeline->module_of_id[frame->id], frame);
}

static void on_mark(void *context, const struct mark *mark)
{
    struct pipeline *pipeline = context;
    if (pipeline->step)
        step_push_mark(pipeline->step, mark, pipeline->current);
}

static void on_frame(void *context, const struct frame_event *arrived)
{
    struct pipeline *pipeline = context;
    const struct frame *frame = arrived->frame;
    if (pipeline->newest == 0)
        pipeline->result->first_time = frame->time;
    pipeline->newest = frame->number;
    pipeline->current = frame;
    if (pipeline->marking)
        marks_bind_time(&pipeline->walk, frame->time, on_mark, pipeline);
    switch (arrived->kind) {
    case FRAME_DATA:
        if (pipeline->listener.frame)
            pipeline->listener.frame(pipeline->listener.context, frame);
        if (pipeline->wants_broadcasts)
            reading_push_frame(&pipeline->reading, frame);
        transport_push(&pipeline->transport, frame);
        break;
    case FRAME_CLOCK_BACK:
        event(pipeline, arrived->step > 0 ? "the clock went back" : "the time is not to be believed", frame);
        transport_clock_back(&pipeline->transport, frame);
        if (pipeline->exchange)
            exchange_clock_back(pipeline->exchange, frame);
        gap(pipeline, GAP_CLOCK, DEF_NONE, frame);
        break;
    case FRAME_LOST:
        event(pipeline, "frames were lost in the controller", frame);
        gap(pipeline, GAP_LOST, DEF_NONE, frame);
        break;
    case FRAME_ERROR:
        break;
    case FRAME_FAULT:
        on_frame_fault(pipeline, arrived);
        break;
    }
    pipeline->current = NULL;
}

/* ---- steps and marks ---- */

static void on_step(void *context, const struct step_event *step)
{
    struct pipeline *pipeline = context;
    if (pipeline->listener.step)
        pipeline->listener.step(pipeline->listener.context, step);
}

/* Walks the trace's times once before the run (D 7.1). What is wrong with the file is told by the run itself. */
static int survey_marks(struct pipeline *pipeline)
{
    struct trace_reader reader;
    struct trace_record record;
    struct diagnostics silent;
    struct mark_walk walk;
    struct stat facts;
    if (strcmp(pipeline->options.trace, "-") == 0 ||
        (stat(pipeline->options.trace, &facts) == 0 && !S_ISREG(facts.st_mode) && !S_ISDIR(facts.st_mode))) {
        diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, pipeline->options.trace,
                        "marks need a trace that can be read twice: give a file");
        return EXIT_USAGE;
    }
    diagnostics_init(&silent, NULL);
    if (trace_reader_open(&reader, pipeline->options.trace, false, &silent)) {
        trace_reader_close(&reader);
        return 0; /* the run opens it again, and says why not */
    }
    mark_walk_init(&walk, pipeline->options.marks);
    while (trace_reader_next(&reader, &record) == TRACE_RECORD) {
        marks_survey_time(&walk, record.time);
        if (reader.records % LOOK_EVERY == 0 && stop_asked)
            break;
    }
    marks_survey_end(&walk);
    trace_reader_close(&reader);
    mark_walk_init(&pipeline->walk, pipeline->options.marks);
    return 0;
}

/* ---- progress ---- */

/* A line that ends in CR, so that whatever is printed next begins over it. */
static void show_progress(struct pipeline *pipeline)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    int64_t passed = (now.tv_sec - pipeline->begun.tv_sec) * TT_SECOND + now.tv_nsec - pipeline->begun.tv_nsec;
    if (passed < TT_SECOND || passed - pipeline->progress_shown < TT_SECOND / 4)
        return;
    pipeline->progress_shown = passed;
    uint64_t done = pipeline->reader.good_length;
    if (pipeline->size > 0)
        fprintf(stderr, "%llu frames read, %u %% of the file \r", (unsigned long long)pipeline->newest,
                (unsigned)(done >= pipeline->size ? 100 : done / (pipeline->size / 100 + 1)));
    else
        fprintf(stderr, "%llu frames read \r", (unsigned long long)pipeline->newest);
    (void)fflush(stderr);
}

static void begin_progress(struct pipeline *pipeline)
{
    struct stat facts;
    pipeline->options.progress = pipeline->options.progress && isatty(STDERR_FILENO);
    (void)clock_gettime(CLOCK_MONOTONIC, &pipeline->begun);
    if (fstat(pipeline->reader.fd, &facts) == 0 && S_ISREG(facts.st_mode))
        pipeline->size = (uint64_t)facts.st_size;
}

static void end_progress(struct pipeline *pipeline)
{
    if (pipeline->progress_shown)
        fprintf(stderr, "%60s\r", "");
}

/* ---- setting up ---- */

static int no_memory(struct pipeline *pipeline)
{
    diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, NULL,
                    "memory ran out; close other programs and run again");
    return EXIT_OUR_FAULT;
}

static int add_pair(struct pipeline *pipeline, const struct transport_pair *pair)
{
    const char *why = transport_add_pair(&pipeline->transport, pair);
    if (why) {
        diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, NULL,
                        "the pair of question 0x%03X and answer 0x%03X cannot be used: %s", (unsigned)pair->request_id,
                        (unsigned)pair->response_id, why);
        return EXIT_USAGE;
    }
    if (pair->request_id < IDS)
        pipeline->module_of_id[pair->request_id] = pair->module;
    if (pair->response_id < IDS)
        pipeline->module_of_id[pair->response_id] = pair->module;
    return 0;
}

/* A pair that no definition file describes gets the next module number and its own name. */
static int add_bare_pair(struct pipeline *pipeline, struct transport_pair pair)
{
    for (uint32_t i = 0; i < pipeline->described; i++) {
        const struct def_module *module = &pipeline->options.definitions->modules[i];
        if (module->request_id == pair.request_id && module->response_id == pair.response_id) {
            pair.module = i;
            pair.functional_id = module->functional_id;
            pair.n_cr = module->n_cr;
            return add_pair(pipeline, &pair);
        }
    }
    char *name = pipeline->pair_names[pipeline->module_count - pipeline->described];
    (void)snprintf(name, PAIR_NAME_MAX, "0x%03x:0x%03x", pair.request_id & (IDS - 1), pair.response_id & (IDS - 1));
    pair.module = pipeline->module_count++;
    return add_pair(pipeline, &pair);
}

static int add_pairs(struct pipeline *pipeline)
{
    const struct pipeline_options *options = &pipeline->options;
    uint32_t bare = options->pair_count ? options->pair_count : STANDARD_PAIRS;
    int result = 0;
    pipeline->module_count = pipeline->described;
    pipeline->pair_names = calloc(bare, sizeof *pipeline->pair_names);
    if (!pipeline->pair_names)
        return no_memory(pipeline);
    if (options->pair_count) {
        for (uint32_t i = 0; i < options->pair_count && !result; i++)
            result = add_bare_pair(pipeline, options->pairs[i]);
    } else if (pipeline->described) {
        for (uint32_t i = 0; i < pipeline->described && !result; i++) {
            const struct def_module *module = &options->definitions->modules[i];
            result = add_pair(pipeline, &(struct transport_pair){
                                            .request_id = module->request_id, .response_id = module->response_id,
                                            .functional_id = module->functional_id, .module = i, .n_cr = module->n_cr,
                                            .n_bs = TT_SECOND});
        }
    } else { /* ISO 15765-4:2016 table 6: 11-bit legislated diagnostics */
        for (uint32_t i = 0; i < STANDARD_PAIRS && !result; i++)
            result = add_bare_pair(pipeline, (struct transport_pair){.request_id = 0x7E0 + i, .response_id = 0x7E8 + i,
                                                                     .functional_id = 0x7DF, .n_cr = TT_SECOND,
                                                                     .n_bs = TT_SECOND});
    }
    return result;
}

static bool describes_broadcasts(const struct definitions *definitions)
{
    for (uint32_t i = 0; definitions && i < definitions->module_count; i++)
        if (definitions->modules[i].broadcast_count)
            return true;
    return false;
}

static int open_stages(struct pipeline *pipeline)
{
    const struct pipeline_options *options = &pipeline->options;
    const struct pipeline_listener *listener = &pipeline->listener;
    bool judging = options->judging && options->definitions;
    pipeline->wants_readings = options->definitions && (judging || listener->reading);
    pipeline->wants_broadcasts = pipeline->wants_readings && describes_broadcasts(options->definitions);
    pipeline->wants_exchanges = judging || pipeline->wants_readings || listener->exchange;
    frame_init(&pipeline->frame, 0, 0, on_frame, pipeline);
    if (!transport_init(&pipeline->transport, options->longest ? options->longest : TRANSPORT_LONGEST, on_transport,
                        pipeline))
        return no_memory(pipeline);
    pipeline->transport_open = true;
    int result = add_pairs(pipeline);
    if (result)
        return result;
    if (pipeline->wants_exchanges) {
        pipeline->exchange = exchange_open(options->definitions, pipeline->module_count, on_exchange, pipeline);
        if (!pipeline->exchange)
            return no_memory(pipeline);
    }
    if (pipeline->wants_readings)
        reading_init(&pipeline->reading, options->definitions, on_reading, pipeline);
    if (judging) {
        pipeline->step = step_open(options->definitions, options->marks, options->part, on_step, pipeline);
        if (!pipeline->step)
            return no_memory(pipeline);
        pipeline->marking = options->marks != NULL;
    }
    return 0;
}

/* ---- the run ---- */

static enum trace_status read_records(struct pipeline *pipeline)
{
    struct trace_record record;
    enum trace_status status;
    while ((status = trace_reader_next(&pipeline->reader, &record)) == TRACE_RECORD) {
        frame_push(&pipeline->frame, &record);
        if (record.number % LOOK_EVERY == 0) {
            if (stop_asked || pipeline->stopped) {
                pipeline->result->interrupted = true;
                break;
            }
            if (pipeline->options.progress)
                show_progress(pipeline);
        }
    }
    return status;
}

/* Closes what is open, in stage order. */
static int finish_stages(struct pipeline *pipeline)
{
    transport_finish(&pipeline->transport);
    if (pipeline->exchange)
        exchange_finish(pipeline->exchange, pipeline->last.elapsed, pipeline->last.epoch);
    if (!pipeline->step)
        return 0;
    if (pipeline->marking)
        marks_bind_end(&pipeline->walk, on_mark, pipeline);
    pipeline->result->verdict = step_finish(pipeline->step, pipeline->newest ? &pipeline->last : NULL);
    if (!pipeline->result->verdict) {
        diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, NULL,
                        "the steps could not be judged (%s); make room in the folder for temporary files and run again",
                        strerror(errno));
        return EXIT_WRITE_FAILED;
    }
    return 0;
}

static int run(struct pipeline *pipeline)
{
    struct pipeline_result *result = pipeline->result;
    const struct pipeline_options *options = &pipeline->options;
    int code = 0;
    if (options->marks && options->judging)
        code = survey_marks(pipeline);
    if (!code) {
        code = trace_reader_open(&pipeline->reader, options->trace, options->hashing, options->diagnostics);
        pipeline->reader_open = code == 0;
    }
    if (!code)
        code = open_stages(pipeline);
    if (code)
        return code;
    begin_progress(pipeline);
    result->status = read_records(pipeline);
    end_progress(pipeline);
    pipeline->last = pipeline->frame.frame;
    result->frames = pipeline->newest;
    result->bytes = pipeline->reader.good_length;
    result->last_record = pipeline->reader.records;
    result->last_time = pipeline->newest ? pipeline->last.time : 0;
    if (result->status == TRACE_READ_FAILED)
        return EXIT_CANNOT_OPEN;
    if (result->status == TRACE_SENSELESS && result->frames == 0)
        return EXIT_BAD_INPUT;
    if (result->status == TRACE_TORN || result->status == TRACE_SENSELESS)
        fault(pipeline, "trace",
              result->status == TRACE_TORN ? "the file ends inside a record" : "a record header that cannot be one: the file is damaged",
              NULL);
    if (options->hashing && !result->interrupted && !trace_reader_digest(&pipeline->reader, result->sha256)) {
        diagnostics_say(options->diagnostics, SEVERITY_ERROR, options->trace,
                        "its SHA-256 could not be computed; run again");
        return EXIT_OUR_FAULT;
    }
    return finish_stages(pipeline);
}

int pipeline_run(const struct pipeline_options *options, struct pipeline **made, struct pipeline_result *result)
{
    static const struct pipeline_listener nobody;
    *result = (struct pipeline_result){.sha256 = ""};
    struct pipeline *pipeline = calloc(1, sizeof *pipeline);
    *made = pipeline;
    if (!pipeline) {
        diagnostics_say(options->diagnostics, SEVERITY_ERROR, NULL, "memory ran out; close other programs and run again");
        return EXIT_OUR_FAULT;
    }
    pipeline->options = *options;
    pipeline->listener = options->listener ? *options->listener : nobody;
    pipeline->result = result;
    pipeline->described = options->definitions ? options->definitions->module_count : 0;
    for (uint32_t i = 0; i < IDS; i++)
        pipeline->module_of_id[i] = DEF_NONE;

    /* The second Ctrl-C ends the program at once. */
    struct sigaction ask = {.sa_handler = on_interrupt, .sa_flags = SA_RESETHAND}, before;
    (void)sigemptyset(&ask.sa_mask);
    stop_asked = 0;
    bool handled = sigaction(SIGINT, &ask, &before) == 0;
    int code = run(pipeline);
    if (handled)
        (void)sigaction(SIGINT, &before, NULL);
    return code;
}

const char *pipeline_module_name(const struct pipeline *pipeline, uint32_t module)
{
    if (module < pipeline->described)
        return pipeline->options.definitions->modules[module].name;
    return module < pipeline->module_count ? pipeline->pair_names[module - pipeline->described] : "";
}

void pipeline_stop(struct pipeline *pipeline)
{
    pipeline->stopped = true;
}

void pipeline_free(struct pipeline *pipeline)
{
    if (!pipeline)
        return;
    if (pipeline->step)
        step_close(pipeline->step);
    if (pipeline->exchange)
        exchange_close(pipeline->exchange);
    if (pipeline->transport_open)
        transport_free(&pipeline->transport);
    if (pipeline->reader_open)
        trace_reader_close(&pipeline->reader);
    free(pipeline->pair_names);
    free(pipeline);
}
