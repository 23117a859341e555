/* taretrace mark: what a person saw, did or read off goes into the job's marks.jsonl, one line a call (D 5.6). */
#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "../evidence/mark_append.h"
#include "../support/text.h"
#include "commands.h"
#include "job_definitions.h"

const char mark_help[] =
    "taretrace mark JOB: notes what a person saw, did or read off, with the time\n"
    "\n"
    "  taretrace mark JOB \"tap plugged in behind the gateway\"\n"
    "  taretrace mark JOB --moment \"weight on\"\n"
    "  taretrace mark JOB --displayed \"seat load.total = 29.8 kg\"\n"
    "\n"
    "One mark a call. TEXT alone is a note; beside another mark it is a remark on it.\n"
    "Names are those of the job's definition files; a wrong one is refused.\n"
    "\n"
    "  -m, --moment NAME          this moment has just come\n"
    "  -d, --displayed \"READING = NUMBER UNIT\"   what the scan tool shows now\n"
    "  -c, --condition WORDS yes|no   whether a condition holds\n"
    "  -v, --vin VIN              as read off the vehicle\n"
    "  -i, --identity NAME=VALUE  another number, as \"work order=4711\"\n"
    "  -n, --weight NUMBER        the test weight's own number, with --mass\n"
    "  -k, --mass \"30 kg\"         the mass it was weighed at\n"
    "  -t, --challenge TEXT       a word that a third party gave just now\n"
    "  -w, --withdraw LINE        takes back the mark on this line of marks.jsonl\n"
    "  -y, --why TEXT             the reason of a withdrawal\n"
    "  -h, --help                 this page\n"
    "\n"
    "Lines are only ever added. A mark counts as made in time when the recorder saw it\n"
    "within 2 s; what is noted after the recording is shown as stated afterwards.\n";

static const char *const option_names[] = {"moment", "displayed", "condition", "vin", "identity", "weight", "mass",
                                           "challenge", "withdraw", "why", "help", NULL};

struct mark_command {
    struct diagnostics diagnostics;
    const char *job, *text;
    int what;               /* the option that says which mark it is; 0: a note */
    const char *given;      /* its value */
    const char *yes_or_no, *mass, *why;
    bool asks_help;
};

static int wrong(struct mark_command *command, const char *what)
{
    return usage_error(&command->diagnostics, "mark", "%s", what);
}

/* A word that belongs to no option: JOB, then a condition's answer, then the text. */
static int take_word(struct mark_command *command, const char *word)
{
    if (!command->job)
        command->job = word;
    else if (command->what == 'c' && !command->yes_or_no)
        command->yes_or_no = word;
    else if (!command->text)
        command->text = word;
    else
        return usage_error(&command->diagnostics, "mark", "\"%.60s\" is one word too many; put the text in quotes",
                           word);
    return 0;
}

static int take_option(struct mark_command *command, int option, const char *value)
{
    switch (option) {
    case 1:
        return take_word(command, value);
    case 'k':
        command->mass = value;
        return 0;
    case 'y':
        command->why = value;
        return 0;
    case 'h':
        command->asks_help = true;
        return 0;
    default:
        if (command->what)
            return wrong(command, "one mark a call: give only one of the options");
        command->what = option;
        command->given = value;
        return 0;
    }
}

static int parse(struct mark_command *command, int argc, char **argv)
{
    static const struct option options[] = {
        {"moment", required_argument, NULL, 'm'},    {"displayed", required_argument, NULL, 'd'},
        {"condition", required_argument, NULL, 'c'}, {"vin", required_argument, NULL, 'v'},
        {"identity", required_argument, NULL, 'i'},  {"weight", required_argument, NULL, 'n'},
        {"mass", required_argument, NULL, 'k'},      {"challenge", required_argument, NULL, 't'},
        {"withdraw", required_argument, NULL, 'w'},  {"why", required_argument, NULL, 'y'},
        {"help", no_argument, NULL, 'h'},            {NULL, 0, NULL, 0}};
    int option, result = 0;
    opterr = 0;
    while (!result && (option = getopt_long(argc, argv, "-:m:d:c:v:i:n:k:t:w:y:h", options, NULL)) != -1)
        result = option == '?' || option == ':'
                     ? option_error(&command->diagnostics, "mark", option, argv, option_names)
                     : take_option(command, option, optarg);
    for (; !result && optind < argc; optind++) /* behind -- */
        result = take_word(command, argv[optind]);
    return result;
}

/* What does not go together. */
static int check_words(struct mark_command *command)
{
    if (!command->job)
        return wrong(command, "no job folder given");
    if (!command->what && !command->text)
        return wrong(command, "nothing to note: give a text or one of the options");
    if (command->what == 'c' && !command->yes_or_no)
        return wrong(command, "yes or no is missing behind the condition");
    if ((command->what == 'n') != (command->mass != NULL))
        return wrong(command, "--weight and --mass belong together");
    if ((command->what == 'w') != (command->why != NULL))
        return wrong(command, "--withdraw and --why belong together");
    if ((command->what == 't' || command->what == 'w') && command->text)
        return wrong(command, "this mark has a text already; note the other one by a call of its own");
    return 0;
}

static bool fill(struct mark_command *command, struct new_mark *mark, int64_t now)
{
    static const struct { int option; enum mark_kind kind; } kinds[] = {
        {0, MARK_NOTE}, {'m', MARK_MOMENT}, {'d', MARK_DISPLAYED}, {'c', MARK_CONDITION}, {'v', MARK_IDENTITY},
        {'i', MARK_IDENTITY}, {'n', MARK_WEIGHT}, {'t', MARK_CHALLENGE}, {'w', MARK_WITHDRAWAL}};
    uint64_t line;
    size_t kind = 0;
    while (kinds[kind].option != command->what)
        kind++;
    new_mark_init(mark, kinds[kind].kind, now);
    if (command->text)
        mark->text = command->text;
    switch (command->what) {
    case 'd':
        return new_mark_displayed(mark, command->given, &command->diagnostics);
    case 'i':
        return new_mark_identity(mark, command->given, &command->diagnostics);
    case 'n':
        mark->name = command->given;
        return new_mark_mass(mark, command->mass, &command->diagnostics);
    case 'v':
        mark->name = "vin";
        mark->value = command->given;
        return true;
    case 'c':
        mark->name = command->given;
        mark->value = command->yes_or_no;
        return true;
    case 'm':
        mark->name = command->given;
        return true;
    case 't':
        mark->text = command->given;
        return true;
    case 'w':
        if (!parse_number(command->given, 1, MARKS_MAX, &line)) {
            (void)usage_error(&command->diagnostics, "mark",
                              "--withdraw is the number of a line of marks.jsonl, not %.40s", command->given);
            return false;
        }
        mark->withdraws = (uint32_t)line;
        mark->text = command->why;
        return true;
    default:
        return true;
    }
}

static int print_receipt(struct mark_command *command, const struct new_mark *mark, const struct mark_receipt *receipt)
{
    struct sink out;
    char time[TEXT_TIME_MAX];
    if (!sink_open_fd(&out, STDOUT_FILENO, false))
        return EXIT_OUR_FAULT;
    (void)text_time(mark->time, time); /* 2026-03-02T08:00:01.25...: day and second for a person */
    sink_text(&out, "line ");
    sink_unsigned(&out, receipt->line);
    sink_text(&out, ", ");
    sink_put(&out, time, 10);
    sink_char(&out, ' ');
    sink_put(&out, time + 11, 8);
    sink_text(&out, " UTC: ");
    new_mark_words(&out, mark);
    sink_char(&out, '\n');
    if (!receipt->growing)
        diagnostics_say(&command->diagnostics, SEVERITY_REMARK, NULL,
                        receipt->recorded ? "the recording has ended: this mark will be shown as stated afterwards"
                                          : "no recorder saw this mark, so nothing proves when it was made");
    return close_output(&out, &command->diagnostics, 0);
}

static int note(struct mark_command *command, int64_t now)
{
    struct new_mark mark;
    struct definitions definitions;
    struct mark_receipt receipt;
    bool loaded;
    if (!fill(command, &mark, now))
        return EXIT_USAGE;
    struct diagnostics silent;
    diagnostics_init(&silent, NULL);
    int code = 0;
    bool usable = job_definitions_load(command->job, &silent, &definitions, &loaded) == 0 && loaded;
    /* What a person has to say now is not held up by a file that can still be mended. */
    if (loaded && !usable)
        diagnostics_say(&command->diagnostics, SEVERITY_WARNING, command->job,
                        "its definition files cannot be used (see: taretrace lint), so the name is not checked");
    if (!new_mark_check(&mark, usable ? &definitions : NULL, &command->diagnostics))
        code = EXIT_USAGE;
    if (!code)
        code = mark_append(command->job, &mark, &command->diagnostics, &receipt);
    if (!code)
        code = print_receipt(command, &mark, &receipt);
    if (loaded)
        definitions_free(&definitions);
    return code;
}

int command_mark(int argc, char **argv)
{
    struct mark_command command = {.job = NULL};
    struct timespec now;
    /* Taken first: the moment is when the person pressed the key, not when the files were read. */
    (void)clock_gettime(CLOCK_REALTIME, &now);
    diagnostics_init(&command.diagnostics, stderr);
    int code = parse(&command, argc, argv);
    if (!code && command.asks_help)
        return print_help(mark_help);
    if (!code)
        code = check_words(&command);
    return code ? code : note(&command, now.tv_sec * TT_SECOND + now.tv_nsec);
}
