/* See trace_inputs.h. */
#include "trace_inputs.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "pcapng.h"

#define COPY_ROOM (64u * 1024u)

_Static_assert(sizeof ((struct trace_input *)0)->interface_name == PCAPNG_NAME_MAX, "a part's name fits");

static int open_path(struct trace_inputs *inputs, const char *path, struct trace_input *input)
{
    struct stat facts;
    if (strcmp(path, "-") == 0) {
        input->name = "standard input";
        input->fd = STDIN_FILENO;
    } else {
        do
            input->fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
        while (input->fd < 0 && errno == EINTR);
        if (input->fd < 0) {
            diagnostics_say(inputs->diagnostics, SEVERITY_ERROR, path, "cannot be opened (%s); check name and rights",
                            strerror(errno));
            return EXIT_CANNOT_OPEN;
        }
    }
    if (fstat(input->fd, &facts) == 0 && S_ISDIR(facts.st_mode)) {
        diagnostics_say(inputs->diagnostics, SEVERITY_ERROR, input->name,
                        "is a directory; name the trace file in it");
        return EXIT_CANNOT_OPEN;
    }
    /* Standard input may be a file that its owner has read from: it is taken from where it stands. */
    input->again = input->fd != STDIN_FILENO && fstat(input->fd, &facts) == 0 && S_ISREG(facts.st_mode);
    return 0;
}

static int cannot_read(struct trace_inputs *inputs, const struct trace_input *input)
{
    diagnostics_say(inputs->diagnostics, SEVERITY_ERROR, input->name,
                    "cannot be read (%s); check the disk and run again on a copy", strerror(errno));
    return EXIT_CANNOT_OPEN;
}

/* Up to length bytes; fewer at the end. -1 on failure. */
static ssize_t read_whole(int fd, uint8_t *to, size_t length)
{
    size_t got = 0;
    while (got < length) {
        ssize_t more = read(fd, to + got, length - got);
        if (more < 0 && errno == EINTR)
            continue;
        if (more < 0)
            return -1;
        if (more == 0)
            break;
        got += (size_t)more;
    }
    return (ssize_t)got;
}

/*
 * The SHA-256 of what is left of the input, its start included; and a copy of it where copy is not NULL. The bytes are
 * read once.
 */
static int sum_and_copy(struct trace_inputs *inputs, const struct trace_input *input, FILE *copy, char out[DIGEST_TEXT])
{
    struct digest digest;
    uint8_t *room = malloc(COPY_ROOM);
    int code = EXIT_OUR_FAULT;
    bool summing = room && digest_open(&digest);
    size_t length = input->start_length;
    if (summing && length > 0)
        memcpy(room, input->start, length);
    while (summing) {
        if (!digest_add(&digest, room, length))
            break;
        if (copy && length > 0 && fwrite(room, length, 1, copy) != 1) {
            code = EXIT_WRITE_FAILED;
            break;
        }
        ssize_t got = read_whole(input->fd, room, COPY_ROOM);
        if (got < 0)
            code = cannot_read(inputs, input);
        else if (got == 0 && copy && fflush(copy) != 0)
            code = EXIT_WRITE_FAILED;
        else if (got == 0)
            code = digest_text(&digest, out) ? 0 : EXIT_OUR_FAULT;
        if (got <= 0)
            break;
        length = (size_t)got;
    }
    if (code == EXIT_WRITE_FAILED)
        diagnostics_say(inputs->diagnostics, SEVERITY_ERROR, input->name,
                        "could not be kept in a temporary file (%s); make room in /tmp and run again", strerror(errno));
    else if (code == EXIT_OUR_FAULT)
        (void)diagnostics_no_memory(inputs->diagnostics, input->name);
    if (summing)
        digest_close(&digest);
    free(room);
    return code;
}

/* Which bus is which, when there is something to choose from. */
static void tell_parts(struct trace_inputs *inputs, const struct trace_input *input, const struct pcapng *split)
{
    for (uint32_t i = 0; split->count > 1 && i < split->count; i++) {
        const struct pcapng_part *part = &split->parts[i];
        diagnostics_say(inputs->diagnostics, SEVERITY_REMARK, input->name,
                        "interface %u%s%s%s is bus %u: %llu records", part->interface, part->name[0] ? " (" : "",
                        part->name, part->name[0] ? ")" : "", inputs->count + i + 1, (unsigned long long)part->records);
    }
}

/* The input is a pcapng: its interfaces take its place. */
static int add_interfaces(struct trace_inputs *inputs, struct trace_input *input)
{
    struct pcapng *split = malloc(sizeof *split);
    FILE *copy = input->again ? NULL : tmpfile();
    int code = EXIT_OUR_FAULT;
    if (split && !input->again && !copy) {
        diagnostics_say(inputs->diagnostics, SEVERITY_ERROR, input->name,
                        "could not be kept in a temporary file (%s); make room in /tmp and run again", strerror(errno));
        code = EXIT_WRITE_FAILED;
    } else if (split) {
        code = sum_and_copy(inputs, input, copy, inputs->original[input->trace]);
    }
    if (!code)
        code = pcapng_split(split, copy ? fileno(copy) : input->fd, input->name, inputs->diagnostics);
    if (!code && inputs->count + split->count > TRACE_INPUTS_MAX) {
        diagnostics_say(inputs->diagnostics, SEVERITY_ERROR, input->name,
                        "with its interfaces there are more than %u buses; give fewer traces", TRACE_INPUTS_MAX);
        pcapng_close(split);
        code = EXIT_USAGE;
    }
    if (!code) {
        tell_parts(inputs, input, split);
        for (uint32_t i = 0; i < split->count; i++) {
            struct trace_input *part = &inputs->list[inputs->count++];
            *part = (struct trace_input){.name = input->name, .trace = input->trace, .fd = split->parts[i].fd,
                                         .again = true, .split = true, .interface = i, .damaged = split->damaged};
            memcpy(part->interface_name, split->parts[i].name, sizeof part->interface_name);
        }
    }
    if (copy)
        (void)fclose(copy);
    free(split);
    return code;
}

static int add_path(struct trace_inputs *inputs, const char *path, uint32_t trace)
{
    static const uint8_t section[4] = {0x0A, 0x0D, 0x0D, 0x0A};
    struct trace_input input = {.name = path, .trace = trace, .fd = -1};
    int code = open_path(inputs, path, &input);
    if (!code) {
        ssize_t got = read_whole(input.fd, input.start, sizeof input.start);
        if (got < 0)
            code = cannot_read(inputs, &input);
        input.start_length = got > 0 ? (size_t)got : 0;
    }
    bool ours = input.fd >= 0 && input.fd != STDIN_FILENO;
    bool is_pcapng = input.start_length == sizeof section && memcmp(input.start, section, sizeof section) == 0;
    if (!code && !is_pcapng && inputs->count < TRACE_INPUTS_MAX) {
        inputs->list[inputs->count++] = input;
        return 0;
    }
    if (!code && is_pcapng) {
        code = add_interfaces(inputs, &input);
    } else if (!code) {
        diagnostics_say(inputs->diagnostics, SEVERITY_ERROR, path,
                        "is one trace more than the %u that can be read at once",
                        TRACE_INPUTS_MAX);
        code = EXIT_USAGE;
    }
    if (ours)
        close(input.fd);
    return code;
}

int trace_inputs_open(struct trace_inputs *inputs, const char *const *paths, uint32_t count,
                      struct diagnostics *diagnostics)
{
    uint32_t standard = 0;
    int code = 0;
    memset(inputs, 0, sizeof *inputs);
    inputs->diagnostics = diagnostics;
    for (uint32_t i = 0; i < count; i++)
        standard += strcmp(paths[i], "-") == 0;
    if (count > TRACE_INPUTS_MAX || standard > 1) {
        diagnostics_say(diagnostics, SEVERITY_ERROR, NULL,
                        standard > 1 ? "standard input (-) can be read only once: name it once"
                                     : "more than 64 traces; give fewer");
        return EXIT_USAGE;
    }
    for (uint32_t i = 0; i < count && !code; i++)
        code = add_path(inputs, paths[i], i);
    if (code)
        trace_inputs_close(inputs);
    return code;
}

int trace_input_read(const struct trace_input *input, struct trace_reader *reader, bool hashing,
                     struct diagnostics *diagnostics)
{
    if (input->again)
        (void)lseek(input->fd, 0, SEEK_SET); /* a regular file: cannot fail, and the reader would tell */
    return trace_reader_open_fd(reader, input->fd, input->name, input->start, input->again ? 0 : input->start_length,
                                hashing, diagnostics);
}

void trace_inputs_close(struct trace_inputs *inputs)
{
    for (uint32_t i = 0; i < inputs->count; i++)
        if (inputs->list[i].fd != STDIN_FILENO)
            close(inputs->list[i].fd);
    inputs->count = 0;
}

/* ---- merging ---- */

int trace_merge_open(struct trace_merge *merge, const struct trace_inputs *inputs, bool hashing,
                     struct diagnostics *diagnostics)
{
    uint32_t room = inputs->count ? inputs->count : 1;
    *merge = (struct trace_merge){.inputs = inputs, .diagnostics = diagnostics, .hashing = hashing};
    merge->sources = calloc(room, sizeof *merge->sources);
    merge->files = calloc(room, sizeof *merge->files);
    if (!merge->sources || !merge->files) {
        (void)diagnostics_no_memory(diagnostics, NULL);
        trace_merge_close(merge);
        return EXIT_OUR_FAULT;
    }
    for (uint32_t i = 0; i < inputs->count; i++) {
        if (inputs->list[i].continues && merge->count > 0) {
            merge->sources[merge->count - 1].end = i + 1;
            continue;
        }
        struct trace_merge_source *source = &merge->sources[merge->count];
        int code = trace_input_read(&inputs->list[i], &source->reader, hashing, diagnostics);
        if (code) {
            trace_merge_close(merge);
            return code;
        }
        source->input = i;
        source->end = i + 1;
        merge->count++;
    }
    return 0;
}

bool trace_merge_file_end(struct trace_merge *merge, struct trace_merge_source *source)
{
    struct trace_file_end *file = &merge->files[source->input];
    file->status = source->status;
    file->good_length = source->reader.good_length;
    file->records = source->reader.records;
    return !merge->hashing || trace_reader_digest(&source->reader, file->sha256);
}

static void set_following(const struct trace_merge *merge, struct trace_merge_source *source)
{
    source->reader.following = merge->following && source->input + 1 == source->end; /* no other one grows */
}

bool trace_merge_continue(struct trace_merge *merge, struct trace_merge_source *source)
{
    if (source->input + 1 >= source->end || source->status == TRACE_RECORD || source->status == TRACE_READ_FAILED)
        return false;
    if (!trace_merge_file_end(merge, source))
        diagnostics_say(merge->diagnostics, SEVERITY_ERROR, source->reader.name,
                        "its SHA-256 could not be computed; run again");
    trace_reader_close(&source->reader);
    source->input++;
    source->status = TRACE_RECORD;
    if (trace_input_read(&merge->inputs->list[source->input], &source->reader, merge->hashing, merge->diagnostics))
        source->status = TRACE_READ_FAILED; /* told; the reader is closed */
    set_following(merge, source);
    return true;
}

static void advance(struct trace_merge *merge, struct trace_merge_source *source)
{
    do {
        source->status = trace_reader_next(&source->reader, &source->record);
    } while (source->status != TRACE_RECORD && trace_merge_continue(merge, source) && source->status == TRACE_RECORD);
}

/* Finds the source of the earliest record, and how far it may go on before another one's turn comes. */
static bool choose(struct trace_merge *merge)
{
    uint32_t best = UINT32_MAX;
    for (uint32_t i = 0; i < merge->count; i++)
        if (merge->sources[i].status == TRACE_RECORD &&
            (best == UINT32_MAX || merge->sources[i].record.time < merge->sources[best].record.time))
            best = i;
    if (best == UINT32_MAX)
        return false;
    merge->current = best;
    merge->limit = INT64_MAX;
    merge->first_at_limit = true;
    for (uint32_t i = 0; i < merge->count; i++)
        if (i != best && merge->sources[i].status == TRACE_RECORD && merge->sources[i].record.time < merge->limit) {
            merge->limit = merge->sources[i].record.time;
            merge->first_at_limit = best < i;
        }
    return true;
}

int64_t trace_merge_start(struct trace_merge *merge)
{
    int64_t earliest = INT64_MAX;
    for (uint32_t i = 0; i < merge->count; i++) {
        struct trace_merge_source *source = &merge->sources[i];
        advance(merge, source);
        if (source->status == TRACE_RECORD && !source->record.time_doubtful && source->record.time < earliest)
            earliest = source->record.time;
    }
    return earliest == INT64_MAX ? INT64_MIN : earliest;
}

const struct trace_record *trace_merge_next(struct trace_merge *merge)
{
    struct trace_merge_source *source = merge->sources ? &merge->sources[merge->current] : NULL;
    if (merge->started) { /* the record given last is used up */
        advance(merge, source);
        if (source->status == TRACE_RECORD &&
            (source->record.time < merge->limit || (source->record.time == merge->limit && merge->first_at_limit)))
            return &source->record;
    }
    merge->started = true;
    return choose(merge) ? &merge->sources[merge->current].record : NULL;
}

void trace_merge_follow(struct trace_merge *merge, bool following)
{
    merge->following = following;
    for (uint32_t i = 0; i < merge->count; i++)
        set_following(merge, &merge->sources[i]);
}

void trace_merge_again(struct trace_merge *merge)
{
    for (uint32_t i = 0; i < merge->count; i++) {
        struct trace_merge_source *source = &merge->sources[i];
        if (source->status == TRACE_RECORD)
            continue;
        trace_reader_again(&source->reader);
        advance(merge, source);
    }
    merge->started = false; /* every source stands on a record not yet given, or has ended */
}

void trace_merge_close(struct trace_merge *merge)
{
    for (uint32_t i = 0; i < merge->count; i++)
        trace_reader_close(&merge->sources[i].reader);
    free(merge->sources);
    free(merge->files);
    *merge = (struct trace_merge){0};
}
