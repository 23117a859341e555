/*
 * options.json of a job folder: what was said on the command line that its other files do not hold and that changes
 * what follows from them. Absent where nothing was said, as in every job of the recorder.
 *
 *     {"format":1,"part":null,"bus":null,"pairs":["0x5e3:0x6c5"],"id_order":null,"longest":null,
 *      "originals":[{"file":"trace-1.pcap","sha256":"...","interface":0,"name":"can0"}]}
 */
#ifndef TT_JOB_OPTIONS_H
#define TT_JOB_OPTIONS_H

#include "../pipeline.h"
#include "../support/sink.h"

#define JOB_PAIRS_MAX 256u

/* One trace that was an interface of a pcapng (D 5.3). */
struct job_original {
    bool there;
    char sha256[DIGEST_TEXT];
    uint32_t interface;
    char name[64];      /* as the file named the interface; "" */
};

struct job_options {
    uint32_t part;                  /* --part; 0: not given */
    char bus[32];                   /* --bus: a bus name; "": not given */
    struct transport_pair pairs[JOB_PAIRS_MAX];
    uint32_t pair_count;
    enum frame_id_order id_order;   /* FRAME_ID_LOOK: not given */
    uint32_t longest;               /* 0: not given */
    struct job_original originals[TRACE_INPUTS_MAX]; /* by trace file */
};

/* Anything worth a file? */
bool job_options_said(const struct job_options *options);
/* Reads options.json of the folder; unset when there is none. 0, EXIT_BAD_INPUT, EXIT_CANNOT_OPEN, told. */
TT_MUST_USE int job_options_load(struct job_options *options, int folder, const char *shown,
                                 struct diagnostics *diagnostics);
void job_options_write(struct sink *sink, const struct job_options *options);

#endif
