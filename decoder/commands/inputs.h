/*
 * The part of a command line that verify and list share: which traces, which definition files, which pairs, and how
 * ids are read. Everything borrows argv.
 */
#ifndef TT_INPUTS_H
#define TT_INPUTS_H

#include "../../definitions/loader.h"
#include "../evidence/job_options.h"
#include "../pipeline.h"

#define INPUT_FILES_MAX 64u
#define INPUT_PAIRS_MAX 256u

/* What getopt_long gives for these options; the commands' tables use them. */
enum {
    INPUT_DEFINITIONS = 'd',
    INPUT_LONGEST = 'l',
    INPUT_PAIR = 256, /* no letter: -p is --pair in list and --part in verify */
    INPUT_ID_ORDER,
};
#define INPUT_OPTIONS                                                                                                  \
    {"definitions", required_argument, NULL, INPUT_DEFINITIONS}, {"longest", required_argument, NULL, INPUT_LONGEST},  \
        {"pair", required_argument, NULL, INPUT_PAIR}, {"id-order", required_argument, NULL, INPUT_ID_ORDER}

struct inputs {
    struct diagnostics *diagnostics; /* borrowed */
    const char *command;             /* "verify", for messages */
    const char *traces[TRACE_INPUTS_MAX];
    uint32_t trace_count;
    const char *job;                 /* the one thing named is a job folder; else NULL. Set by inputs_complete */
    const char *files[INPUT_FILES_MAX];
    size_t file_count;
    struct transport_pair pairs[INPUT_PAIRS_MAX];
    uint32_t pair_count;
    enum frame_id_order id_order;
    uint64_t longest;                /* 0: not given */
};

/* A trace's path, or a definition file's. 0, or EXIT_USAGE, told. */
TT_MUST_USE int inputs_add_trace(struct inputs *inputs, const char *path);
TT_MUST_USE int inputs_add_file(struct inputs *inputs, const char *path);
/* One of the options above. */
TT_MUST_USE int inputs_option(struct inputs *inputs, int option, const char *value);
/*
 * When all words are taken: `--definitions a.yaml trace.pcap` without another trace means the last word as the trace.
 * Each trace must be named once; a folder is a job and stands alone.
 */
TT_MUST_USE int inputs_complete(struct inputs *inputs);
/* Reads the definition files. 0, or an exit code, told. The definitions are to be freed in every case. */
TT_MUST_USE int inputs_load(const struct inputs *inputs, struct definitions *definitions);
/* What was said of pairs, ids and lengths, over what options holds already. */
void inputs_to_job(const struct inputs *inputs, struct job_options *options);
/* Fills in the options of a run: traces, pairs, longest, id_order, diagnostics. */
void inputs_to_options(const struct inputs *inputs, struct pipeline_options *options);

#endif
