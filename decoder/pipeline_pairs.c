/* See pipeline_parts.h: whom a run listens to. */
#include <stdio.h>
#include <stdlib.h>

#include "pipeline_parts.h"

#define STANDARD_PAIRS 8u

static struct transport_pair pair_of(const struct def_module *module, uint32_t index)
{
    return (struct transport_pair){
        .request_id = module->request_id, .response_id = module->response_id, .functional_id = module->functional_id,
        .module = index, .n_cr = module->n_cr, .n_bs = TT_SECOND, .format = module->format,
        .request_byte = module->request_byte, .response_byte = module->response_byte,
        .functional_byte = module->functional_byte};
}

static bool same_addresses(const struct transport_pair *a, const struct transport_pair *b)
{
    return a->request_id == b->request_id && a->response_id == b->response_id && pair_has_bytes(a) == pair_has_bytes(b) &&
           (!pair_has_bytes(a) || (a->request_byte == b->request_byte && a->response_byte == b->response_byte));
}

/* A pair that no definition file describes gets the next module number and its own name. */
static void collect_bare(struct pipeline *pipeline, struct transport_pair pair)
{
    struct transport_pair *place = &pipeline->pairs[pipeline->pair_count++];
    for (uint32_t i = 0; i < pipeline->described; i++) {
        struct transport_pair known = pair_of(&pipeline->options.definitions->modules[i], i);
        if (same_addresses(&known, &pair)) {
            known.n_bs = pair.n_bs;
            *place = known;
            return;
        }
    }
    pair_text(&pair, pipeline->pair_names[pipeline->module_count - pipeline->described]);
    pair.module = pipeline->module_count++;
    *place = pair;
}

bool pipeline_collect_pairs(struct pipeline *pipeline)
{
    const struct pipeline_options *options = &pipeline->options;
    uint32_t bare = options->pair_count ? options->pair_count : STANDARD_PAIRS;
    uint32_t most = bare > pipeline->described ? bare : pipeline->described;
    pipeline->module_count = pipeline->described;
    pipeline->pairs = calloc(most, sizeof *pipeline->pairs);
    pipeline->pair_names = calloc(bare, sizeof *pipeline->pair_names);
    pipeline->heard_on = calloc(pipeline->described ? pipeline->described : 1, sizeof *pipeline->heard_on);
    if (!pipeline->pairs || !pipeline->pair_names || !pipeline->heard_on)
        return false;
    for (uint32_t i = 0; i < pipeline->described; i++)
        pipeline->heard_on[i] = DEF_NONE;
    if (options->pair_count) {
        for (uint32_t i = 0; i < options->pair_count; i++)
            collect_bare(pipeline, options->pairs[i]);
    } else if (pipeline->described) {
        for (uint32_t i = 0; i < pipeline->described; i++)
            pipeline->pairs[pipeline->pair_count++] = pair_of(&options->definitions->modules[i], i);
    } else { /* ISO 15765-4:2016 table 6: 11-bit legislated diagnostics */
        for (uint32_t i = 0; i < STANDARD_PAIRS; i++)
            collect_bare(pipeline, (struct transport_pair){.request_id = 0x7E0 + i, .response_id = 0x7E8 + i,
                                                           .functional_id = 0x7DF, .n_cr = TT_SECOND,
                                                           .n_bs = TT_SECOND});
    }
    return true;
}

bool pipeline_judges(struct pipeline *pipeline, uint32_t bus, uint32_t module)
{
    struct pipeline_result *result = pipeline->result;
    if (!pipeline->step || module >= pipeline->described) /* a bare pair's module is none that steps know */
        return false;
    if (pipeline->options.bus)
        return bus + 1 == pipeline->options.bus;
    if (pipeline->heard_on[module] == DEF_NONE)
        pipeline->heard_on[module] = bus;
    if (pipeline->heard_on[module] != bus && !result->mixed) {
        result->mixed = true;
        result->mixed_module = module;
        result->mixed_bus[0] = pipeline->heard_on[module];
        result->mixed_bus[1] = bus;
    }
    return true;
}

int pipeline_add_pairs(struct pipeline *pipeline, struct bus *bus)
{
    for (uint32_t i = 0; i < pipeline->pair_count; i++) {
        const char *why = transport_add_pair(&bus->transport, &pipeline->pairs[i]);
        if (why) {
            char name[PAIR_TEXT_MAX];
            pair_text(&pipeline->pairs[i], name);
            diagnostics_say(pipeline->options.diagnostics, SEVERITY_ERROR, NULL,
                            "the pair of question and answer %s cannot be used: %s", name, why);
            return EXIT_USAGE;
        }
    }
    return 0;
}
