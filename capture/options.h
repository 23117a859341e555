/* The command line of taretrace-record, read and held against what makes sense; nothing is opened. */
#ifndef TT_CAPTURE_OPTIONS_H
#define TT_CAPTURE_OPTIONS_H

#include "../decoder/support/diagnostics.h"
#include "shared.h"

#define DEFINITION_FILES_MAX 64

struct options {
    const char *interfaces[BUSES_MAX]; /* borrowed from argv, as all text here */
    unsigned interface_count;
    const char *into;
    const char *definitions[DEFINITION_FILES_MAX];
    unsigned definition_count;
    uint32_t bitrate; /* bit/s; 0: the link stays as it is */
    uint32_t seconds; /* 0: no limit */
    bool accept_acknowledging, is_virtual;
    bool help, version; /* print and end; the rest is not looked at */
};

/* 0, or EXIT_USAGE, told in diagnostics. */
TT_MUST_USE int options_read(struct options *options, int argc, char **argv, struct diagnostics *diagnostics);

extern const char options_help[];

#endif
