/* taretrace redact: a copy of a sealed job without VIN, serial numbers, seeds and keys. */
#include <getopt.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "../evidence/redact.h"
#include "commands.h"

const char redact_help[] =
    "taretrace redact JOB --into COPY: a copy of a sealed job that can be shown to others\n"
    "\n"
    "  taretrace redact job-folder --into public-folder --only-pairs\n"
    "\n"
    "VIN, serial numbers, seeds and keys are masked alike in frames, marks and all that\n"
    "is derived; lengths, times and the answers of all steps stay. redaction.json in the\n"
    "copy names the original by the SHA-256 of its manifest, every frame that was\n"
    "changed, and every CAN id that was not examined. Photos and the like are left out.\n"
    "\n"
    "  -i, --into COPY       the new folder\n"
    "      --only-pairs      leaves out every frame that belongs neither to the module's\n"
    "                        questions and answers nor to a broadcast that the definition\n"
    "                        files describe: nobody looked what it carries\n"
    "  -h, --help            this page\n";

#define OPTION_ONLY_PAIRS 256
static const char *const option_names[] = {"into", "only-pairs", "help", NULL};

struct command {
    struct diagnostics diagnostics;
    const char *job, *into;
    bool only_pairs, asks_help;
};

static int parse(struct command *command, int argc, char **argv)
{
    static const struct option options[] = {{"into", required_argument, NULL, 'i'},
                                            {"only-pairs", no_argument, NULL, OPTION_ONLY_PAIRS},
                                            {"help", no_argument, NULL, 'h'},
                                            {NULL, 0, NULL, 0}};
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:i:h", options, NULL)) != -1) {
        if (option == '?' || option == ':')
            return option_error(&command->diagnostics, "redact", option, argv, option_names);
        if (option == 'i')
            command->into = optarg;
        else if (option == OPTION_ONLY_PAIRS)
            command->only_pairs = true;
        else if (option == 'h')
            command->asks_help = true;
        else
            result = take_job(&command->diagnostics, "redact", &command->job, optarg);
    }
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_job(&command->diagnostics, "redact", &command->job, argv[optind]);
    if (result || command->asks_help)
        return result;
    if (!command->job)
        return usage_error(&command->diagnostics, "redact", "no job folder given");
    return command->into ? 0 : usage_error(&command->diagnostics, "redact", "no --into given for the copy");
}

static void put_result(struct sink *out, const struct redact_result *result, bool only_pairs)
{
    static const char *const answers[] = {"all steps confirmed", "a step contradicted", "not confirmed"};
    sink_format(out, "masked: %u VIN, %u serial number, %u seed, %u key; frames changed: %llu\n",
                result->kinds[SECRET_VIN], result->kinds[SECRET_SERIAL], result->kinds[SECRET_SEED],
                result->kinds[SECRET_KEY], (unsigned long long)result->frames);
    if (only_pairs)
        sink_format(out, "left out: %llu frames of ids that were not examined\n", (unsigned long long)result->dropped);
    else if (result->ids)
        sink_format(out, "not examined: %u CAN ids, carried over as they are (redaction.json lists them; --only-pairs "
                    "leaves them out)\n", result->ids);
    if (result->files_left_out)
        sink_format(out, "left out: %u files that cannot be looked through\n", result->files_left_out);
    sink_format(out, "the answers are those of the original: %s\n",
                result->verdict >= 0 && result->verdict < 3 ? answers[result->verdict] : "none");
}

int command_redact(int argc, char **argv)
{
    struct command command = {.job = NULL};
    struct redact_result result;
    struct sink out;
    diagnostics_init(&command.diagnostics, stderr);
    int code = parse(&command, argc, argv);
    if (code || command.asks_help)
        return code ? code : print_help(redact_help);
    code = redact_job(&(struct redact_request){.path = command.job,
                                               .into = command.into,
                                               .only_pairs = command.only_pairs,
                                               .progress = true,
                                               .diagnostics = &command.diagnostics},
                      &result);
    if (code)
        return code;
    if (!sink_open_fd(&out, STDOUT_FILENO, false))
        return diagnostics_no_memory(&command.diagnostics, NULL);
    put_result(&out, &result, command.only_pairs);
    return close_output(&out, &command.diagnostics, 0);
}
