/* See inputs.h. */
#include "inputs.h"

#include <string.h>
#include <sys/stat.h>

#include "../stages/pair.h"
#include "commands.h"

int inputs_add_trace(struct inputs *inputs, const char *path)
{
    if (inputs->trace_count == TRACE_INPUTS_MAX)
        return usage_error(inputs->diagnostics, inputs->command, "more than %u traces; give fewer", TRACE_INPUTS_MAX);
    inputs->traces[inputs->trace_count++] = path;
    return 0;
}

int inputs_add_file(struct inputs *inputs, const char *path)
{
    if (inputs->file_count == INPUT_FILES_MAX)
        return usage_error(inputs->diagnostics, inputs->command, "more than %u definition files", INPUT_FILES_MAX);
    inputs->files[inputs->file_count++] = path;
    return 0;
}

static int add_pair(struct inputs *inputs, const char *text)
{
    struct transport_pair pair;
    const char *wrong = pair_parse(text, &pair);
    if (wrong)
        return usage_error(inputs->diagnostics, inputs->command, "%.80s is no pair; %s", text, wrong);
    if (inputs->pair_count == INPUT_PAIRS_MAX)
        return usage_error(inputs->diagnostics, inputs->command, "more than %u pairs", INPUT_PAIRS_MAX);
    inputs->pairs[inputs->pair_count++] = pair;
    return 0;
}

int inputs_option(struct inputs *inputs, int option, const char *value)
{
    switch (option) {
    case INPUT_DEFINITIONS:
        return inputs_add_file(inputs, value);
    case INPUT_PAIR:
        return add_pair(inputs, value);
    case INPUT_ID_ORDER:
        if (strcmp(value, "big") != 0 && strcmp(value, "swapped") != 0)
            return usage_error(inputs->diagnostics, inputs->command, "--id-order is big or swapped, not %.40s", value);
        inputs->id_order = value[0] == 'b' ? FRAME_ID_DEFINED : FRAME_ID_SWAPPED;
        return 0;
    default:
        if (!parse_number(value, TRANSPORT_LONGEST_LEAST, UINT32_MAX, &inputs->longest))
            return usage_error(inputs->diagnostics, inputs->command,
                               "--longest is a number of bytes from %u to 4294967295 (a module may answer with so many), "
                               "not %.40s", TRANSPORT_LONGEST_LEAST, value);
        return 0;
    }
}

int inputs_complete(struct inputs *inputs)
{
    struct stat facts, others[TRACE_INPUTS_MAX];
    if (inputs->trace_count == 0 && inputs->file_count > 1)
        inputs->traces[inputs->trace_count++] = inputs->files[--inputs->file_count];
    if (inputs->trace_count == 0)
        return usage_error(inputs->diagnostics, inputs->command, "no trace given");
    for (uint32_t i = 0; i < inputs->trace_count; i++) {
        others[i].st_ino = 0;
        others[i].st_dev = 0;
        if (strcmp(inputs->traces[i], "-") == 0 || stat(inputs->traces[i], &facts) != 0)
            continue;
        if (S_ISDIR(facts.st_mode)) {
            if (inputs->trace_count > 1)
                return usage_error(inputs->diagnostics, inputs->command,
                                   "%.80s is a folder: a job folder is named alone, without other traces",
                                   inputs->traces[i]);
            inputs->job = inputs->traces[i];
        }
        others[i] = facts;
        /* The same frames on two buses would be evidence counted twice. */
        for (uint32_t j = 0; j < i && S_ISREG(facts.st_mode); j++)
            if (others[j].st_ino == facts.st_ino && others[j].st_dev == facts.st_dev)
                return usage_error(inputs->diagnostics, inputs->command,
                                   "%.80s and %.80s are one and the same trace; name it once", inputs->traces[j],
                                   inputs->traces[i]);
    }
    return 0;
}

int inputs_load(const struct inputs *inputs, struct definitions *definitions)
{
    return load_exit(definitions_load(inputs->files, inputs->file_count, inputs->diagnostics, definitions));
}

void inputs_to_job(const struct inputs *inputs, struct job_options *options)
{
    if (inputs->pair_count) {
        memcpy(options->pairs, inputs->pairs, inputs->pair_count * sizeof *options->pairs);
        options->pair_count = inputs->pair_count;
    }
    if (inputs->id_order != FRAME_ID_LOOK)
        options->id_order = inputs->id_order;
    if (inputs->longest)
        options->longest = (uint32_t)inputs->longest;
}

void inputs_to_options(const struct inputs *inputs, struct pipeline_options *options)
{
    options->traces = inputs->traces;
    options->trace_count = inputs->trace_count;
    options->pairs = inputs->pairs;
    options->pair_count = inputs->pair_count;
    options->longest = (uint32_t)inputs->longest;
    options->id_order = inputs->id_order;
    options->diagnostics = inputs->diagnostics;
}
