/* See options.h. */
#include "options.h"

#include <getopt.h>
#include <string.h>


#define BITRATE_LEAST 1000
#define BITRATE_MOST 1000000 /* ISO 11898-1: classic frames and the arbitration phase */
#define SECONDS_MOST 31536000

const char options_help[] =
    "taretrace-record IFACE... --into JOB: records CAN interfaces without transmitting\n"
    "\n"
    "  taretrace-record can0 --into job --definitions seat.yaml\n"
    "  sudo taretrace-record can0 --bitrate 500000 --into job --definitions seat.yaml\n"
    "\n"
    "  --into JOB              the folder to make; must not be there yet\n"
    "  --definitions FILE...   definition files to keep beside the trace, so that the\n"
    "                          limits are fixed before the first frame\n"
    "  --bitrate N             set the interface to listen-only and N bit/s first; needs\n"
    "                          root or CAP_NET_ADMIN. Without it the interface must be\n"
    "                          up, and listen-only\n"
    "  --seconds N             end by itself after N seconds\n"
    "  --virtual               accept a virtual link, which has no listen-only mode\n"
    "  --accept-acknowledging  accept an interface that is not listen-only: it then takes\n"
    "                          part in the bus, and the record says so first\n"
    "  -h, --help              this page\n"
    "  --version               the version\n"
    "\n"
    "Ctrl-C ends the recording cleanly; a second one at once. Exit codes: 0 ended as\n"
    "asked; 64 usage; 65 mistakes in a definition file; 66 an interface or file that\n"
    "cannot be used or went away; 73 JOB cannot be made; 74 the disk is full or failed;\n"
    "70 the reading process was killed.\n";

enum { AT_INTO = 256, AT_DEFINITIONS, AT_BITRATE, AT_SECONDS, AT_VIRTUAL, AT_ACKNOWLEDGING, AT_VERSION, AT_FD };

static const struct option long_options[] = {
    {"into", required_argument, NULL, AT_INTO},
    {"definitions", required_argument, NULL, AT_DEFINITIONS},
    {"bitrate", required_argument, NULL, AT_BITRATE},
    {"seconds", required_argument, NULL, AT_SECONDS},
    {"virtual", no_argument, NULL, AT_VIRTUAL},
    {"accept-acknowledging", no_argument, NULL, AT_ACKNOWLEDGING},
    {"help", no_argument, NULL, 'h'},
    {"version", no_argument, NULL, AT_VERSION},
    /* Refused with the way to do it: the library that sets the link knows no data phase (D 10.3). */
    {"fd", no_argument, NULL, AT_FD},
    {"data-bitrate", required_argument, NULL, AT_FD},
    {NULL, 0, NULL, 0},
};
static const char *const option_names[] = {"into",    "definitions", "bitrate", "seconds", "virtual",
                                           "accept-acknowledging", "help",    "version", NULL};

static int usage(struct diagnostics *diagnostics, const char *what, const char *text, const char *todo)
{
    diagnostics_say(diagnostics, SEVERITY_ERROR, "taretrace-record", "%s%s%s; %s", what, text ? " " : "",
                    text ? text : "", todo);
    return EXIT_USAGE;
}

/* A whole number without sign, from least to most. */
static bool number_of(const char *text, uint32_t least, uint32_t most, uint32_t *number)
{
    uint64_t value = 0;
    if (!*text || strlen(text) > 9)
        return false;
    for (; *text; text++) {
        if (*text < '0' || *text > '9')
            return false;
        value = value * 10 + (uint64_t)(*text - '0');
    }
    *number = (uint32_t)value;
    return value >= least && value <= most;
}

static int unknown_option(struct diagnostics *diagnostics, char **argv, int option)
{
    const char *text = argv[optind - 1], *name = text + strspn(text, "-");
    const char *near = diagnostics_nearest(name, option_names, sizeof option_names / sizeof *option_names - 1);
    if (option == ':')
        return usage(diagnostics, text, "needs a value", "see taretrace-record --help");
    if (near)
        diagnostics_say(diagnostics, SEVERITY_ERROR, "taretrace-record", "unknown option %s; did you mean --%s?",
                        text, near);
    else
        return usage(diagnostics, "unknown option", text, "see taretrace-record --help");
    return EXIT_USAGE;
}

/* --definitions takes every argument up to the next option, as a shell writes out *.yaml. */
static int take_definitions(struct options *options, int argc, char **argv, struct diagnostics *diagnostics)
{
    int at = optind - 1;
    for (; at < argc && (at == optind - 1 || argv[at][0] != '-'); at++) {
        if (options->definition_count == DEFINITION_FILES_MAX)
            return usage(diagnostics, "more than 64 definition files", NULL, "put them together");
        options->definitions[options->definition_count++] = argv[at];
    }
    optind = at;
    return 0;
}

static int take_interface(struct options *options, const char *name, struct diagnostics *diagnostics)
{
    static const char good[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-";
    size_t length = strlen(name);
    if (length == 0 || length >= IFNAMSIZ || strspn(name, good) != length || name[0] == '.')
        return usage(diagnostics, "no name of a CAN interface:", name, "name one, such as can0 (ip link lists them)");
    for (unsigned i = 0; i < options->interface_count; i++)
        if (strcmp(options->interfaces[i], name) == 0)
            return usage(diagnostics, name, "is given twice", "name each interface once");
    if (options->interface_count == BUSES_MAX)
        return usage(diagnostics, "more than 16 interfaces", NULL, "start a second recorder for the rest");
    options->interfaces[options->interface_count++] = name;
    return 0;
}

static int take_option(struct options *options, int option, int argc, char **argv, struct diagnostics *diagnostics)
{
    switch (option) {
    case 1:
        return take_interface(options, optarg, diagnostics);
    case AT_INTO:
        if (options->into)
            return usage(diagnostics, "--into is given twice", NULL, "one recording makes one job folder");
        options->into = optarg;
        return 0;
    case AT_DEFINITIONS:
        return take_definitions(options, argc, argv, diagnostics);
    case AT_BITRATE:
        if (!number_of(optarg, BITRATE_LEAST, BITRATE_MOST, &options->bitrate))
            return usage(diagnostics, "no bit rate:", optarg, "give bit/s from 1000 to 1000000, such as 500000");
        return 0;
    case AT_SECONDS:
        if (!number_of(optarg, 1, SECONDS_MOST, &options->seconds))
            return usage(diagnostics, "no number of seconds:", optarg, "give a whole number from 1");
        return 0;
    case AT_VIRTUAL:
        options->is_virtual = true;
        return 0;
    case AT_ACKNOWLEDGING:
        options->accept_acknowledging = true;
        return 0;
    case AT_FD:
        return usage(diagnostics, "a CAN FD link cannot be set up from here", NULL,
                     "bring it up beforehand: ip link set can0 up type can bitrate 500000 dbitrate 2000000 fd on "
                     "listen-only on");
    case AT_VERSION:
        options->version = true;
        return 0;
    case 'h':
        options->help = true;
        return 0;
    default:
        return unknown_option(diagnostics, argv, option);
    }
}

int options_read(struct options *options, int argc, char **argv, struct diagnostics *diagnostics)
{
    int option, code = 0;
    *options = (struct options){0};
    opterr = 0;
    optind = 0; /* glibc: start over, and reread the first character of the short options */
    while (!code && (option = getopt_long(argc, argv, "-:h", long_options, NULL)) != -1) {
        code = take_option(options, option, argc, argv, diagnostics);
        if (options->help || options->version)
            return 0;
    }
    for (; !code && optind < argc; optind++) /* behind "--" */
        code = take_interface(options, argv[optind], diagnostics);
    if (code)
        return code;
    if (options->interface_count == 0)
        return usage(diagnostics, "no interface given", NULL, "name one, such as can0 (ip link lists them)");
    if (!options->into)
        return usage(diagnostics, "no job folder given", NULL, "add --into JOB, the folder to make");
    if (!*options->into)
        return usage(diagnostics, "--into has no name", NULL, "give the folder to make");
    return 0;
}
