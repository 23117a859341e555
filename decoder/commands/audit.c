/* taretrace audit: is a job folder the one that was sealed, by whom, and does it follow from its record (D 11)? */
#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../evidence/audit.h"
#include "../support/text.h"
#include "commands.h"

const char audit_help[] =
    "taretrace audit JOB: checks a sealed job folder from somebody else\n"
    "\n"
    "  taretrace audit job-folder --public-key pub.pem\n"
    "  taretrace audit job-folder --public-key pub.pem --token-ca authority.pem\n"
    "\n"
    "Compares every file with MANIFEST.sha256, checks the signature, the recorder's\n"
    "log and a timestamp, and derives readings, log, verdict and report anew, byte by\n"
    "byte. Prints what was found, what is proven and what stays unproven all the same;\n"
    "the last line is the whole answer. Nothing in the folder is written.\n"
    "\n"
    "  -k, --public-key KEY  Ed25519 public key of whoever vouches for the job, a PEM\n"
    "                        file that came another way than the folder\n"
    "      --token-ca CA     certificates of the time-stamping authority, a PEM file\n"
    "  -h, --help            this page\n"
    "\n"
    "Exit codes: 0 passed (whole, signed by the key given, reproduced byte for byte);\n"
    "1 not sealed, changed, missing, extra file, fewer checkpoints than recorded, chain\n"
    "broken, other key, other timestamp, not reproduced; 2 signer unknown (no key\n"
    "given), another version's job. What is derived anew takes room in $TMPDIR.\n";

#define OPTION_TOKEN_CA 256
static const char *const option_names[] = {"public-key", "token-ca", "help", NULL};

struct checking {
    struct diagnostics diagnostics;
    const char *job, *key, *ca;
    bool asks_help;
};

static int parse(struct checking *checking, int argc, char **argv)
{
    static const struct option options[] = {{"public-key", required_argument, NULL, 'k'},
                                            {"token-ca", required_argument, NULL, OPTION_TOKEN_CA},
                                            {"help", no_argument, NULL, 'h'},
                                            {NULL, 0, NULL, 0}};
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:k:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&checking->diagnostics, "audit", option, argv, option_names);
        if (option == 'k')
            checking->key = optarg;
        else if (option == OPTION_TOKEN_CA)
            checking->ca = optarg;
        else if (option == 'h')
            checking->asks_help = true;
        else
            result = take_job(&checking->diagnostics, "audit", &checking->job, optarg);
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_job(&checking->diagnostics, "audit", &checking->job, argv[optind]);
    if (!result && !checking->asks_help && !checking->job)
        return usage_error(&checking->diagnostics, "audit", "no job folder given");
    return result;
}

/* A word in a column of its own, then a sentence, in which names from the folder are escaped. */
static void put_line(struct sink *out, const char *word, const char *text)
{
    sink_text(out, word);
    for (size_t i = strlen(word); i < 16; i++)
        sink_char(out, ' ');
    if (strlen(word) >= 16)
        sink_text(out, ": ");
    text_terminal(out, text, strlen(text));
    sink_char(out, '\n');
}

static void put_audit(struct sink *out, const struct audit *audit, bool has_key)
{
    for (uint32_t i = 0; i < audit->count; i++)
        put_line(out, audit_answer_text(audit->findings[i].answer), audit->findings[i].text);
    if (audit->found > audit->count)
        sink_format(out, "and %llu more\n", (unsigned long long)(audit->found - audit->count));
    for (uint32_t i = 0; i < audit->proven_count; i++) {
        char word[32];
        const char *tab = strchr(audit->proven[i], '\t');
        (void)snprintf(word, sizeof word, "%.*s", (int)(tab - audit->proven[i]), audit->proven[i]);
        put_line(out, word, tab + 1);
    }
    for (uint32_t i = 0; i < audit->unproven_count; i++)
        put_line(out, "not proven", audit->unproven[i]);
    sink_text(out, audit_answer_text(audit->answer));
    if (audit->answer == AUDIT_PASSED)
        sink_text(out, ": whole, signed by the key given, and reproduced byte for byte\n");
    else if (audit->answer == AUDIT_SIGNER_UNKNOWN)
        sink_text(out, ": whole and reproduced byte for byte, and nobody known vouches for it\n");
    else if (audit->answer == AUDIT_OTHER_VERSION)
        sink_text(out, has_key ? ": whole and signed by the key given, not derived again\n"
                               : ": whole, not derived again, and nobody known vouches for it\n");
    else if (audit->answer == AUDIT_NOT_SEALED)
        sink_text(out, ": nobody vouches for this folder\n");
    else
        sink_text(out, ": this folder is not to be relied on\n");
}

int command_audit(int argc, char **argv)
{
    struct checking checking = {.job = NULL};
    struct signature_key key = {.key = NULL};
    struct sink out;
    diagnostics_init(&checking.diagnostics, stderr);
    int code = parse(&checking, argc, argv);
    if (code || checking.asks_help)
        return code ? code : print_help(audit_help);
    struct audit *audit = calloc(1, sizeof *audit);
    if (!audit || !sink_open_fd(&out, STDOUT_FILENO, false)) {
        (void)diagnostics_no_memory(&checking.diagnostics, NULL);
        free(audit);
        return EXIT_OUR_FAULT;
    }
    if (checking.key)
        code = signature_public(&key, checking.key, &checking.diagnostics);
    if (!code)
        code = audit_run(&(struct audit_request){.path = checking.job, .key = key.key ? &key : NULL,
                                                 .token_ca = checking.ca, .progress = true,
                                                 .diagnostics = &checking.diagnostics}, audit);
    if (!code) {
        put_audit(&out, audit, key.key != NULL);
        code = audit_answer_exit(audit->answer);
    }
    signature_key_free(&key);
    free(audit);
    return close_output(&out, &checking.diagnostics, code);
}
