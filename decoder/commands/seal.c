/* taretrace seal: what a job folder holds is listed, signed, and from then on never changed (D 11). */
#include <getopt.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "../evidence/seal.h"
#include "commands.h"

const char seal_help[] =
    "taretrace seal JOB --key KEY: lists and signs everything in a job folder\n"
    "\n"
    "  openssl genpkey -algorithm ED25519 -out key.pem     once; keep it to yourself\n"
    "  taretrace seal job-folder --key key.pem\n"
    "  taretrace seal job-folder --key key.pem --request job.tsq\n"
    "  taretrace seal job-folder --token job.tsr           when the reply has come\n"
    "\n"
    "Readings, log, verdict and report are derived anew from what was recorded, noted\n"
    "and defined; MANIFEST.sha256 lists every file with its SHA-256, and\n"
    "MANIFEST.sha256.sig is the Ed25519 signature over it. The folder is built beside\n"
    "the job and takes its place in one step: when anything fails, it is as it was.\n"
    "A sealed job is not written again. Anybody can check it: taretrace audit.\n"
    "\n"
    "  -k, --key KEY         Ed25519 private key, a PEM file that only you can read\n"
    "      --request FILE    writes a request for a timestamp over the signature\n"
    "                        (RFC 3161); send it to a time-stamping authority\n"
    "      --token FILE      takes the authority's reply into the sealed folder\n"
    "      --token-ca CA     and only if it is one by an authority of these\n"
    "                        certificates, a PEM file\n"
    "  -h, --help            this page\n";

enum { OPTION_REQUEST = 256, OPTION_TOKEN, OPTION_TOKEN_CA };
static const char *const option_names[] = {"key", "request", "token", "token-ca", "help", NULL};

struct seal {
    struct diagnostics diagnostics;
    const char *job, *key, *request, *token, *ca;
    bool asks_help;
};

static int take_option(struct seal *seal, int option, const char *value)
{
    switch (option) {
    case 'k':
        seal->key = value;
        return 0;
    case OPTION_REQUEST:
        seal->request = value;
        return 0;
    case OPTION_TOKEN:
        seal->token = value;
        return 0;
    case OPTION_TOKEN_CA:
        seal->ca = value;
        return 0;
    case 'h':
        seal->asks_help = true;
        return 0;
    default:
        return take_job(&seal->diagnostics, "seal", &seal->job, value);
    }
}

static int parse(struct seal *seal, int argc, char **argv)
{
    static const struct option options[] = {{"key", required_argument, NULL, 'k'},
                                            {"request", required_argument, NULL, OPTION_REQUEST},
                                            {"token", required_argument, NULL, OPTION_TOKEN},
                                            {"token-ca", required_argument, NULL, OPTION_TOKEN_CA},
                                            {"help", no_argument, NULL, 'h'},
                                            {NULL, 0, NULL, 0}};
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:k:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&seal->diagnostics, "seal", option, argv, option_names);
        result = take_option(seal, option, optarg);
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_job(&seal->diagnostics, "seal", &seal->job, argv[optind]);
    if (result || seal->asks_help)
        return result;
    if (!seal->job)
        return usage_error(&seal->diagnostics, "seal", "no job folder given");
    if (!seal->key && !seal->request && !seal->token)
        return usage_error(&seal->diagnostics, "seal", "no --key given to sign with");
    if (seal->token && (seal->key || seal->request))
        return usage_error(&seal->diagnostics, "seal",
                           "a --token is the reply for a job that is sealed already; take it "
                           "in by itself");
    if (seal->ca && !seal->token)
        return usage_error(&seal->diagnostics, "seal", "--token-ca belongs to --token");
    return 0;
}

static int sign(struct seal *seal, struct sink *out)
{
    static const char *const answers[] = {"all steps confirmed", "a step contradicted", "not confirmed"};
    struct signature_key key;
    struct seal_result result = {0};
    int code = signature_private(&key, seal->key, &seal->diagnostics);
    if (!code)
        code = seal_job(&(struct seal_request){.path = seal->job, .key = &key, .progress = true,
                                               .diagnostics = &seal->diagnostics}, &result);
    if (!code) {
        sink_format(out, "sealed: %u files, verdict: %s\n", result.files,
                    result.verdict >= 0 && result.verdict < 3 ? answers[result.verdict] : "none");
        sink_format(out, "manifest    %s\n", result.manifest_sha256);
        sink_format(out, "fingerprint %s\n", key.fingerprint);
        sink_text(out, "Give the fingerprint to whoever checks the job by another way than the folder.\n");
    }
    signature_key_free(&key);
    return code;
}

static int take_token(struct seal *seal, struct sink *out)
{
    struct token token;
    int code = seal_token_take(seal->job, seal->token, seal->ca, &seal->diagnostics, &token);
    if (!code)
        sink_format(out, "timestamp taken in: %s, %s\n", token.time,
                    token.state == TOKEN_GOOD ? "by an authority of the certificates given"
                                              : "by whom was not checked (--token-ca)");
    return code;
}

int command_seal(int argc, char **argv)
{
    struct seal seal = {.job = NULL};
    struct sink out;
    diagnostics_init(&seal.diagnostics, stderr);
    int code = parse(&seal, argc, argv);
    if (code || seal.asks_help)
        return code ? code : print_help(seal_help);
    if (!sink_open_fd(&out, STDOUT_FILENO, false))
        return diagnostics_no_memory(&seal.diagnostics, NULL);
    if (seal.key)
        code = sign(&seal, &out);
    if (!code && seal.request) {
        code = seal_token_request(seal.job, seal.request, &seal.diagnostics);
        if (!code)
            sink_text(&out, "timestamp request written; the reply is taken in by: taretrace seal JOB --token FILE\n");
    }
    if (!code && seal.token)
        code = take_token(&seal, &out);
    return close_output(&out, &seal.diagnostics, code);
}
