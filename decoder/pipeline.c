/* See pipeline.h: how a run is set up, read and finished. What passes between its stages is pipeline_flow.c. */
#include "pipeline_parts.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "support/interrupt.h"
#include "support/shortage.h"

#define LOOK_EVERY 4096u /* records between two looks at Ctrl-C and the clock */

/* ---- setting up ---- */

/* Walks the traces' times once before the run (D 7.1). What is wrong with a file is told by the run itself. */
static int survey_marks(struct pipeline *pipeline)
{
    struct trace_merge merge;
    struct diagnostics silent;
    struct mark_walk walk;
    const struct trace_record *record;
    uint64_t count = 0;
    for (uint32_t i = 0; i < pipeline->inputs->count; i++) {
        if (!pipeline->inputs->list[i].again) {
            diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, pipeline->inputs->list[i].name,
                            "marks need a trace that can be read twice: give a file");
            return EXIT_USAGE;
        }
    }
    diagnostics_init(&silent, NULL);
    int code = trace_merge_open(&merge, pipeline->inputs, false, pipeline->options.diagnostics);
    if (code)
        return code;
    for (uint32_t i = 0; i < merge.count; i++)
        merge.sources[i].reader.diagnostics = &silent; /* the run itself tells what is wrong with the records */
    mark_walk_init(&walk, pipeline->options.marks);
    (void)trace_merge_start(&merge);
    while ((record = trace_merge_next(&merge))) {
        marks_survey_time(&walk, record->time);
        if (++count % LOOK_EVERY == 0 && interrupt_asked())
            break;
    }
    marks_survey_end(&walk);
    /* Marks would get other places than in a run that reads everything. */
    for (uint32_t i = 0; i < merge.count && !code; i++)
        if (merge.sources[i].status == TRACE_READ_FAILED) {
            diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, merge.sources[i].reader.name,
                            "could not be read to its end; check the disk and run again on a copy");
            code = EXIT_CANNOT_OPEN;
        }
    trace_merge_close(&merge);
    mark_walk_init(&pipeline->walk, pipeline->options.marks);
    return code;
}

static int no_memory(struct pipeline *pipeline)
{
    return diagnostics_no_memory(pipeline->options.diagnostics, NULL);
}

/* The ids whose frames some stage or the listener looks at. */
static void want_ids(struct pipeline *pipeline)
{
    const struct definitions *definitions = pipeline->options.definitions;
    if (pipeline->listener.frame)
        plain_want_all(&pipeline->filter);
    for (uint32_t i = 0; i < pipeline->pair_count; i++) {
        plain_want(&pipeline->filter, pipeline->pairs[i].request_id);
        plain_want(&pipeline->filter, pipeline->pairs[i].response_id);
        plain_want(&pipeline->filter, pipeline->pairs[i].functional_id);
    }
    for (uint32_t i = 0; pipeline->wants_broadcasts && i < definitions->module_count; i++)
        for (uint32_t j = 0; j < definitions->modules[i].broadcast_count; j++)
            plain_want(&pipeline->filter, definitions->modules[i].broadcasts[j].id);
}

static bool describes_broadcasts(const struct definitions *definitions)
{
    for (uint32_t i = 0; definitions && i < definitions->module_count; i++)
        if (definitions->modules[i].broadcast_count)
            return true;
    return false;
}

/* The stages of one bus; its reader is open. */
static int open_bus(struct pipeline *pipeline, struct bus *bus, uint32_t index)
{
    const struct pipeline_options *options = &pipeline->options;
    struct trace_reader *reader = &pipeline->merge.sources[index].reader;
    enum frame_id_order order = options->id_order;
    bus->pipeline = pipeline;
    bus->index = index;
    bus->first_file = bus->file = pipeline->merge.sources[index].input;
    bus->facts = &pipeline->facts[bus->file];
    bus->first_number = 1;
    bus->noted_at = UINT64_MAX;
    if (order == FRAME_ID_LOOK && frame_ids_are_swapped(reader)) {
        order = FRAME_ID_SWAPPED;
        diagnostics_say(options->diagnostics, SEVERITY_WARNING, reader->name,
                        "its CAN ids make sense only the wrong way round, and are read so: its writer stored them in "
                        "its own byte order; --id-order big reads them as they stand");
    }
    bus->order = order;
    frame_init(&bus->frame, index, bus->file, pipeline_on_frame, bus);
    frame_set_link(&bus->frame, reader, order);
    if (!transport_init(&bus->transport, options->longest ? options->longest : TRANSPORT_LONGEST, pipeline_on_transport, bus))
        return no_memory(pipeline);
    bus->transport_open = true;
    bool known = options->recorder && options->recorder->stamp_uncertainty >= 0;
    if (known)
        bus->transport.uncertainty = options->recorder->stamp_uncertainty;
    bus->transport.open_limit = TRANSPORT_OPEN_TOTAL / pipeline->bus_count;
    int code = pipeline_add_pairs(pipeline, bus);
    if (code || !pipeline->wants_exchanges)
        return code;
    bus->exchange = exchange_open(options->definitions, pipeline->module_count, pipeline_on_exchange, pipeline);
    if (!bus->exchange)
        return no_memory(pipeline);
    exchange_share_serial(bus->exchange, &pipeline->serial);
    if (known)
        exchange_set_uncertainty(bus->exchange, options->recorder->stamp_uncertainty);
    return 0;
}

static int open_stages(struct pipeline *pipeline)
{
    const struct pipeline_options *options = &pipeline->options;
    const struct pipeline_listener *listener = &pipeline->listener;
    bool judging = options->judging && options->definitions;
    pipeline->wants_readings = options->definitions && (judging || listener->reading);
    pipeline->wants_broadcasts = pipeline->wants_readings && describes_broadcasts(options->definitions);
    pipeline->wants_exchanges = judging || pipeline->wants_readings || listener->exchange;
    int code = pipeline_collect_pairs(pipeline) ? 0 : no_memory(pipeline);
    if (!code)
        want_ids(pipeline);
    for (uint32_t i = 0; i < pipeline->bus_count && !code; i++)
        code = open_bus(pipeline, &pipeline->buses[i], i);
    if (code)
        return code;
    if (pipeline->wants_readings)
        reading_init(&pipeline->reading, options->definitions, pipeline_on_reading, pipeline);
    if (judging) {
        pipeline->step = step_open(options->definitions, options->marks, options->part, pipeline_on_step, pipeline);
        if (!pipeline->step)
            return no_memory(pipeline);
        pipeline->marking = options->marks != NULL;
        if (options->marks && !displayed_open(&pipeline->displayed, options->definitions, options->marks))
            return no_memory(pipeline);
        pipeline->result->displayed = options->marks ? &pipeline->displayed : NULL;
    }
    if (options->recorder)
        pipeline_noted_begin(pipeline);
    return 0;
}

/* The traces, their readers, and room for what is told of each bus. */
static int open_inputs(struct pipeline *pipeline)
{
    const struct pipeline_options *options = &pipeline->options;
    int code = 0;
    if (options->inputs) {
        pipeline->inputs = options->inputs;
    } else {
        code = trace_inputs_open(&pipeline->own_inputs, options->trace_count ? options->traces : &options->trace,
                                 options->trace_count ? options->trace_count : 1, options->diagnostics);
        pipeline->inputs = &pipeline->own_inputs;
    }
    if (code)
        return code;
    uint32_t files = pipeline->inputs->count;
    pipeline->buses = calloc(files, sizeof *pipeline->buses);
    pipeline->facts = calloc(files, sizeof *pipeline->facts);
    if (!pipeline->buses || !pipeline->facts)
        return no_memory(pipeline);
    for (uint32_t i = 0; i < files; i++) {
        const struct trace_input *input = &pipeline->inputs->list[i];
        pipeline->bus_count += !input->continues;
        pipeline->facts[i] = (struct pipeline_source){
            .name = input->name, .bus = pipeline->bus_count - 1, .trace = input->trace, .split = input->split,
            .interface = input->interface, .interface_name = input->interface_name,
            .original = pipeline->inputs->original[input->trace]};
        (void)pipeline_file_name(pipeline, i, pipeline->facts[i].file);
    }
    pipeline->result->sources = pipeline->facts;
    pipeline->result->source_count = files;
    if (options->marks && options->judging)
        code = survey_marks(pipeline);
    return code ? code : trace_merge_open(&pipeline->merge, pipeline->inputs, options->hashing, options->diagnostics);
}

/* ---- the run ---- */

/* How the file at work of this bus ended, and what that is worth telling. */
static void end_file(struct pipeline *pipeline, struct bus *bus)
{
    const struct trace_file_end *end = &pipeline->merge.files[bus->file];
    struct pipeline_source *facts = bus->facts;
    const struct frame *last = &bus->frame.frame;
    bool damaged = pipeline->inputs->list[bus->file].damaged && end->status == TRACE_END;
    facts->status = damaged ? TRACE_TORN : end->status;
    facts->frames = last->number + 1 - bus->first_number;
    facts->bytes = end->good_length;
    facts->last_record = end->records;
    facts->last_time = facts->frames ? last->time : 0;
    memcpy(facts->sha256, end->sha256, sizeof facts->sha256);
    if (facts->status == TRACE_TORN || (facts->status == TRACE_SENSELESS && facts->frames))
        pipeline_fault(pipeline, "trace",
                       damaged                       ? "the pcapng file is damaged or cut behind this frame"
                       : facts->status == TRACE_TORN ? "the file ends inside the record behind this frame"
                                                     : "behind this frame stands what cannot be a record: the file is "
                                                       "damaged",
                       facts->frames ? last : NULL);
}

/* The merge went on with the next file of this bus; what lay between the two is not known. */
static void next_file(struct pipeline *pipeline, struct bus *bus, const struct trace_merge_source *source)
{
    const struct frame place = bus->frame.frame;
    while (bus->file < source->input) {
        end_file(pipeline, bus);
        bus->file++;
        bus->facts = &pipeline->facts[bus->file];
        bus->first_number = place.number + 1;
    }
    bus->frame.frame.file = bus->file;
    if (source->status != TRACE_READ_FAILED)
        frame_set_link(&bus->frame, &source->reader, bus->order);
    pipeline_event(pipeline, "the recording goes on in another file", place.number ? &place : NULL);
    if (pipeline->step)
        step_push_loss(pipeline->step,
                       &(struct gap){.kind = GAP_LINK, .bus = bus->index, .between = true, .frame = place.number,
                                     .last_frame = place.number + 1, .time = place.time}, &place, false);
    reading_forget(&pipeline->reading, DEF_NONE);
}

/* Takes plain records that need nothing but the stages; false when the next one is none (plain.h). */
static bool take_plain(struct pipeline *pipeline, struct bus *bus, struct trace_reader *reader)
{
    uint64_t next = bus->frame.frame.number + 1;
    struct plain_limits limits = {.count = LOOK_EVERY - reader->records % LOOK_EVERY, .time = INT64_MAX,
                                  .elapsed = bus->transport.next_deadline};
    if (pipeline->options.without_plain || next == bus->first_number || next >= bus->noted_at)
        return false;
    if (limits.count > bus->noted_at - next)
        limits.count = bus->noted_at - next;
    if (pipeline->marking && pipeline->walk.next_time != INT64_MAX)
        limits.time = pipeline->walk.next_time - 1;
    return plain_take(&pipeline->filter, reader, &bus->frame, &limits) > 0;
}

/* The records of the file at work: its reader and its frame stage, nothing between. True when it has ended. */
static bool read_file(struct pipeline *pipeline, struct bus *bus, struct trace_merge_source *source)
{
    struct frame_stage *frames = &bus->frame;
    struct trace_record record;
    trace_reader_sum_aside(&source->reader);
    for (;;) {
        if (!take_plain(pipeline, bus, &source->reader)) {
            source->status = trace_reader_next(&source->reader, &record);
            if (source->status != TRACE_RECORD)
                break;
            if (frames->frame.number + 1 >= bus->noted_at)
                pipeline_noted_before(bus);
            frame_push(frames, &record);
        }
        if (source->reader.records % LOOK_EVERY == 0) {
            if (interrupt_asked() || pipeline->stopped)
                return false;
            progress_show(&pipeline->progress, frames->frame.number, source->reader.good_length);
        }
    }
    return true;
}

static void read_one(struct pipeline *pipeline)
{
    struct trace_merge_source *source = &pipeline->merge.sources[0];
    struct bus *bus = &pipeline->buses[0];
    if (pipeline->options.following)
        trace_reader_again(&source->reader);
    while (read_file(pipeline, bus, source) && trace_merge_continue(&pipeline->merge, source)) {
        next_file(pipeline, bus, source);
        if (source->status == TRACE_READ_FAILED)
            break;
    }
    pipeline->last = bus->frame.frame;
}

/* Before the first record of several buses is taken. */
static void start_several(struct pipeline *pipeline)
{
    int64_t origin = trace_merge_start(&pipeline->merge);
    for (uint32_t i = 0; i < pipeline->bus_count; i++)
        frame_set_common(&pipeline->buses[i].frame, origin, &pipeline->epochs);
    pipeline->several_started = true;
}

static void read_several(struct pipeline *pipeline)
{
    const struct trace_record *record;
    uint64_t count = 0;
    if (!pipeline->several_started)
        start_several(pipeline);
    else
        trace_merge_again(&pipeline->merge);
    while ((record = trace_merge_next(&pipeline->merge))) {
        struct bus *bus = &pipeline->buses[pipeline->merge.current];
        const struct trace_merge_source *source = &pipeline->merge.sources[pipeline->merge.current];
        if (source->input != bus->file)
            next_file(pipeline, bus, source);
        if (bus->frame.frame.number + 1 >= bus->noted_at)
            pipeline_noted_before(bus);
        frame_push(&bus->frame, record);
        if (++count % LOOK_EVERY == 0) {
            if (interrupt_asked() || pipeline->stopped)
                break;
            progress_show(&pipeline->progress, count, 0);
        }
        pipeline->last_bus = pipeline->merge.current;
    }
    pipeline->last = pipeline->buses[pipeline->last_bus].frame.frame;
}

/* How this bus's trace ended, and what that means for the run: 0, or an exit code. */
static int end_bus(struct pipeline *pipeline, struct bus *bus)
{
    struct pipeline_result *result = pipeline->result;
    struct trace_merge_source *source = &pipeline->merge.sources[bus->index];
    bool summed = trace_merge_file_end(&pipeline->merge, source) || result->interrupted;
    if (source->input != bus->file) /* its last files hold no frames */
        next_file(pipeline, bus, source);
    end_file(pipeline, bus);
    for (uint32_t i = bus->first_file; i <= bus->file; i++) {
        const struct pipeline_source *facts = &pipeline->facts[i];
        result->frames += facts->frames;
        result->bytes += facts->bytes;
        if (i == 0 || result->status == TRACE_END)
            result->status = facts->status;
    }
    if (bus->others)
        diagnostics_say(pipeline->options.diagnostics, SEVERITY_REMARK, bus->facts->name,
                        "%llu packets of other protocols than CAN are left out", (unsigned long long)bus->others);
    if (bus->facts->status == TRACE_READ_FAILED)
        return EXIT_CANNOT_OPEN;
    if (bus->facts->status == TRACE_SENSELESS && bus->frame.frame.number == 0)
        return EXIT_BAD_INPUT;
    if (!summed) {
        diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, bus->facts->name,
                        "its SHA-256 could not be computed; run again");
        return EXIT_OUR_FAULT;
    }
    if (pipeline->options.recorder && !result->interrupted)
        pipeline_noted_end(bus);
    return 0;
}

/* Closes what is open, in stage order. */
static int finish_stages(struct pipeline *pipeline)
{
    const struct frame newest = pipeline->last;
    for (uint32_t i = 0; i < pipeline->bus_count; i++) {
        struct bus *bus = &pipeline->buses[i];
        pipeline->last = bus->frame.frame;
        transport_finish(&bus->transport);
        if (bus->exchange)
            exchange_finish(bus->exchange, pipeline->last.elapsed, pipeline->last.epoch);
    }
    pipeline->last = newest;
    if (!pipeline->step)
        return shortage_seen() ? no_memory(pipeline) : 0;
    if (pipeline->marking)
        marks_bind_end(&pipeline->walk, pipeline_on_mark, pipeline);
    pipeline->result->verdict = step_finish(pipeline->step, pipeline->started ? &pipeline->last : NULL);
    if (!pipeline->result->verdict && shortage_seen())
        return no_memory(pipeline);
    if (!pipeline->result->verdict) {
        diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, NULL,
                        "the steps could not be judged (%s); make room in the folder for temporary files and run again",
                        strerror(errno));
        return EXIT_WRITE_FAILED;
    }
    return shortage_seen() ? no_memory(pipeline) : 0;
}

int pipeline_begin(const struct pipeline_options *options, struct pipeline **made, struct pipeline_result *result)
{
    static const struct pipeline_listener nobody;
    *result = (struct pipeline_result){.sha256 = ""};
    struct pipeline *pipeline = calloc(1, sizeof *pipeline);
    *made = pipeline;
    if (!pipeline)
        return diagnostics_no_memory(options->diagnostics, NULL);
    pipeline->options = *options;
    pipeline->listener = options->listener ? *options->listener : nobody;
    pipeline->result = result;
    pipeline->described = options->definitions ? options->definitions->module_count : 0;
    int code = open_inputs(pipeline);
    if (!code)
        code = open_stages(pipeline);
    if (!code)
        trace_merge_follow(&pipeline->merge, options->following);
    return code;
}

int pipeline_advance(struct pipeline *pipeline)
{
    bool alone = pipeline->bus_count == 1;
    progress_begin(&pipeline->progress, pipeline->options.progress, alone ? pipeline->inputs->list[0].fd : -1);
    if (alone)
        read_one(pipeline);
    else
        read_several(pipeline);
    progress_end(&pipeline->progress);
    for (uint32_t i = 0; i < pipeline->bus_count; i++)
        if (pipeline->merge.sources[i].status == TRACE_READ_FAILED)
            return EXIT_CANNOT_OPEN; /* told by the reader */
    return 0;
}

int pipeline_finish(struct pipeline *pipeline)
{
    struct pipeline_result *result = pipeline->result;
    trace_merge_follow(&pipeline->merge, false);
    int code = pipeline_advance(pipeline);
    /* Looked at once more: Ctrl-C may also have ended the program that feeds a pipe. */
    result->interrupted = interrupt_asked() || pipeline->stopped;
    for (uint32_t i = 0; i < pipeline->bus_count && !code; i++)
        code = end_bus(pipeline, &pipeline->buses[i]);
    if (!code)
        code = pipeline_noted_whole(pipeline);
    result->last_record = pipeline->facts[0].last_record;
    result->last_time = pipeline->started ? pipeline->last.time : 0;
    memcpy(result->sha256, pipeline->facts[0].sha256, sizeof result->sha256);
    return code ? code : finish_stages(pipeline);
}

int pipeline_run(const struct pipeline_options *options, struct pipeline **made, struct pipeline_result *result)
{
    int code = pipeline_begin(options, made, result);
    return code ? code : pipeline_finish(*made);
}

int pipeline_finish_copy(struct pipeline *pipeline)
{
    pipeline->copied = *pipeline->result;
    pipeline->result = &pipeline->copied;
    pipeline->listener = (struct pipeline_listener){0};
    for (uint32_t i = 0; i < pipeline->bus_count; i++) {
        const struct frame *last = &pipeline->buses[i].frame.frame;
        pipeline->buses[i].facts->frames = last->number + 1 - pipeline->buses[i].first_number;
        pipeline->buses[i].facts->last_time = last->number ? last->time : 0;
        pipeline->copied.frames += last->number;
    }
    pipeline->copied.last_time = pipeline->started ? pipeline->last.time : 0;
    if (pipeline->step)
        step_is_copy(pipeline->step);
    return finish_stages(pipeline);
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
    for (uint32_t i = 0; i < pipeline->bus_count; i++) {
        if (pipeline->buses[i].exchange)
            exchange_close(pipeline->buses[i].exchange);
        if (pipeline->buses[i].transport_open)
            transport_free(&pipeline->buses[i].transport);
    }
    trace_merge_close(&pipeline->merge);
    trace_inputs_close(&pipeline->own_inputs);
    displayed_close(&pipeline->displayed);
    free(pipeline->buses);
    free(pipeline->facts);
    free(pipeline->pairs);
    free(pipeline->pair_names);
    free(pipeline->heard_on);
    free(pipeline);
}
