/*
 * taretrace record: starts the recorder, which is a program of its own (capture/), and shows the live view (D 9.6). The
 * recorder gets a session of its own, and a file that is in no folder for its messages: whatever becomes of this
 * program or its terminal, nothing of it reaches the recorder.
 */
#define _GNU_SOURCE /* memfd_create, setresuid */
#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <limits.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include "commands.h"
#include "viewer.h"

#define RECORDER "taretrace-record"
#define ARGUMENTS_MAX 256

const char record_help[] =
    "taretrace record IFACE... --into JOB: records CAN interfaces, and shows the live view\n"
    "\n"
    "  taretrace record can0 --into job --definitions seat.yaml\n"
    "\n"
    "Starts taretrace-record with the options given (see taretrace-record --help) and\n"
    "follows the job as taretrace watch does. Ctrl-C, or q and y, ends the recording and\n"
    "waits until the record is closed; Ctrl-C again kills the recorder. When this view or\n"
    "its terminal dies, the recording goes on: taretrace watch JOB shows it again.\n"
    "\n"
    "      --no-input   takes no keys but q: conditions and moments stay unstated\n"
    "  -h, --help       this page\n";

struct record {
    struct diagnostics diagnostics;
    char *arguments[ARGUMENTS_MAX + 1]; /* for the recorder */
    int count;
    const char *job;
    bool no_input, asks_help;
};

/* Everything is the recorder's but --no-input and --help; --into (or what getopt takes for it) is looked at. */
static int parse(struct record *record, int argc, char **argv)
{
    static char name[] = RECORDER;
    if (argc > ARGUMENTS_MAX)
        return usage_error(&record->diagnostics, "record", "more than %d arguments", ARGUMENTS_MAX);
    record->arguments[record->count++] = name;
    bool behind = false;
    for (int i = 1; i < argc; i++) {
        size_t length = strcspn(argv[i], "=");
        bool into = !behind && length >= 3 && length <= 6 && strncmp(argv[i], "--into", length) == 0;
        behind = behind || strcmp(argv[i], "--") == 0;
        if (!behind && strcmp(argv[i], "--no-input") == 0) {
            record->no_input = true;
            continue;
        }
        if (!behind && (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0))
            record->asks_help = true;
        if (into && argv[i][length] == '=')
            record->job = argv[i] + length + 1;
        else if (into && i + 1 < argc)
            record->job = argv[i + 1];
        record->arguments[record->count++] = argv[i];
    }
    if (!record->job && !record->asks_help)
        return usage_error(&record->diagnostics, "record", "no job folder given: add --into JOB, the folder to make");
    return 0;
}

/* The recorder beside this very program, else the one of the path. */
static void find_recorder(char path[PATH_MAX])
{
    ssize_t length = readlink("/proc/self/exe", path, PATH_MAX - sizeof RECORDER - 1);
    if (length > 0) {
        path[length] = '\0';
        char *slash = strrchr(path, '/');
        (void)snprintf(slash ? slash + 1 : path, sizeof RECORDER, "%s", RECORDER);
        if (access(path, X_OK) == 0)
            return;
    }
    (void)snprintf(path, PATH_MAX, "%s", RECORDER);
}

/* In the child. Only what may be called after fork. */
static _Noreturn void become_recorder(const char *path, char **arguments, int said)
{
    static const int signals[] = {SIGINT, SIGTERM, SIGHUP, SIGPIPE, SIGCHLD};
    int nothing = open("/dev/null", O_RDONLY);
    for (size_t i = 0; i < sizeof signals / sizeof signals[0]; i++)
        (void)signal(signals[i], SIG_DFL);
    (void)setsid();
    if (nothing >= 0)
        (void)dup2(nothing, STDIN_FILENO);
    (void)dup2(said, STDOUT_FILENO);
    (void)dup2(said, STDERR_FILENO);
    execvp(path, arguments);
    int error = errno;
    dprintf(STDERR_FILENO, "error: %s: cannot be started: %s; it belongs beside taretrace\n", path, strerror(error));
    _exit(EXIT_CANNOT_OPEN);
}

static bool number_of(const char *text, long *number)
{
    char *end;
    errno = 0;
    *number = text && *text ? strtol(text, &end, 10) : -1;
    return *number >= 0 && !errno && *end == '\0';
}

/*
 * Run by sudo, only the recorder needs root, and it sheds it by itself. What decodes bytes from a bus and writes marks
 * into the caller's folder goes on as the caller.
 */
static bool become_caller(struct diagnostics *diagnostics)
{
    long user = 0, group = 0;
    if (geteuid() != 0 || !getenv("SUDO_UID")) /* nobody else called */
        return true;
    bool known = number_of(getenv("SUDO_UID"), &user) && number_of(getenv("SUDO_GID"), &group);
    if (known && user == 0)
        return true;
    gid_t groups[] = {(gid_t)group};
    errno = EINVAL;
    if (known && setgroups(1, groups) == 0 && setresgid((gid_t)group, (gid_t)group, (gid_t)group) == 0 &&
        setresuid((uid_t)user, (uid_t)user, (uid_t)user) == 0 && geteuid() != 0 && setuid(0) != 0)
        return true;
    diagnostics_say(diagnostics, SEVERITY_ERROR, NULL,
                    "the view cannot go on as the user who called sudo (%s); watch the job from another terminal: "
                    "taretrace watch", strerror(errno));
    return false;
}

static int run(struct record *record)
{
    char path[PATH_MAX];
    /* The recorder refuses it too; but until it does, the view would show the older job as if it went on. */
    if (access(record->job, F_OK) == 0) {
        diagnostics_say(&record->diagnostics, SEVERITY_ERROR, record->job,
                        "is there already and is never overwritten; give a new name, or move it away");
        return EXIT_CANNOT_CREATE;
    }
    int said = memfd_create("messages", MFD_CLOEXEC);
    if (said < 0 || fcntl(said, F_SETFL, O_APPEND) != 0) {
        diagnostics_say(&record->diagnostics, SEVERITY_ERROR, NULL, "no room for the recorder's messages: %s",
                        strerror(errno));
        return EXIT_OUR_FAULT;
    }
    find_recorder(path);
    pid_t recorder = fork();
    if (recorder == 0)
        become_recorder(path, record->arguments, said);
    if (recorder < 0) {
        diagnostics_say(&record->diagnostics, SEVERITY_ERROR, NULL, "the recorder cannot be started: %s",
                        strerror(errno));
        return EXIT_OUR_FAULT;
    }
    const struct viewer_request request = {.job = record->job, .asks = !record->no_input, .recorder = recorder,
                                           .recorder_said = said, .diagnostics = &record->diagnostics};
    if (!become_caller(&record->diagnostics))
        return EXIT_OUR_FAULT; /* the recording goes on */
    int code = viewer_run(&request);
    (void)close(said);
    return code;
}

int command_record(int argc, char **argv)
{
    struct record record = {.job = NULL};
    diagnostics_init(&record.diagnostics, stderr);
    int code = parse(&record, argc, argv);
    if (!code && record.asks_help)
        return print_help(record_help);
    return code ? code : run(&record);
}
