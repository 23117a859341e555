/* See redact.h. */
#define _POSIX_C_SOURCE 200809L
#include "redact.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "audit.h"
#include "redact_parts.h"

/* ---- the original ---- */

/* Only what is as it was sealed can be named by its seal. Who signed it does not matter here. */
static int check_original(struct redacting *redacting)
{
    struct audit *audit = calloc(1, sizeof *audit);
    if (!audit)
        return redact_no_memory(redacting);
    const struct audit_request request = {.path = redacting->request->path, .progress = redacting->request->progress,
                                          .diagnostics = redacting->diagnostics};
    int code = audit_run(&request, audit);
    if (!code && audit->answer == AUDIT_NOT_SEALED)
        code = redact_refuse(redacting,
                             "is not sealed, and a copy names the seal of its original; seal it first: taretrace "
                             "seal JOB --key key.pem");
    else if (!code && audit->answer != AUDIT_SIGNER_UNKNOWN)
        code =
            redact_refuse(redacting, "is not the job that was sealed (%s: %.400s); a copy is made of a good one only",
                          audit_answer_text(audit->answer), audit->findings[0].text);
    (void)snprintf(redacting->manifest_sha256, sizeof redacting->manifest_sha256, "%s", audit->manifest_sha256);
    free(audit);
    return code;
}

static int copy_traces(struct redacting *redacting)
{
    char sha256[DIGEST_TEXT];
    int code = 0;
    for (uint32_t i = 0; i < redacting->job.traces.count && !code; i++) {
        const struct trace_input *input = &redacting->job.traces.list[i];
        const char *name = redact_trace_name(redacting, i);
        (void)lseek(input->fd, 0, SEEK_SET); /* a regular file: cannot fail */
        code = job_folder_copy(&redacting->folder, name, input->fd, name, NULL, 0, sha256);
        if (code)
            break;
        redacting->copies[i] = openat(redacting->folder.fd, name, O_RDWR | O_CLOEXEC);
        if (redacting->copies[i] < 0)
            code = redact_write_failed(redacting, name, errno);
    }
    return code;
}

static int begin(struct redacting *redacting)
{
    int code = check_original(redacting);
    if (code)
        return code;
    code = job_inputs_open(&redacting->job, redacting->request->path, JOB_WHOLE, redacting->diagnostics);
    redacting->job_open = true;
    redacting->ids = calloc(REDACT_IDS_MAX, sizeof *redacting->ids);
    if (!code && (!redacting->ids || !secrets_open(&redacting->secrets)))
        code = redact_no_memory(redacting);
    if (!code)
        code = job_folder_begin(&redacting->folder, redacting->request->into, redacting->diagnostics);
    if (!code)
        code = job_folder_make(&redacting->folder, "definitions");
    return code ? code : copy_traces(redacting);
}

/* ---- two passes ---- */

/* Everything through all stages; what listens finds values, or masks them. */
static int pass(struct redacting *redacting, struct job_inputs *job, struct derived *derived)
{
    struct pipeline_listener listener = redact_listener;
    listener.context = redacting;
    const struct derive_request request = {
        .job = job, .folder = -1, .progress = redacting->request->progress, .listener = &listener};
    int code = derive_run(&request, derived);
    if (!code && redacting->no_memory)
        code = redact_no_memory(redacting);
    if (!code && redacting->error)
        code = redact_write_failed(redacting, "a trace", redacting->error);
    return code;
}

static void errors_alone(const struct redacting *redacting, struct diagnostics *errors)
{
    diagnostics_init(errors, redacting->diagnostics->out);
    errors->errors_only = true;
}

static int second_pass(struct redacting *redacting)
{
    struct job_inputs again;
    struct derived derived;
    struct diagnostics errors; /* the rest was told by the first pass */
    errors_alone(redacting, &errors);
    int code = job_inputs_open(&again, redacting->request->path, JOB_WHOLE, &errors);
    redacting->writing = true;
    if (!code) {
        code = pass(redacting, &again, &derived);
        derived_free(&derived);
    }
    job_inputs_close(&again);
    return code;
}

/* ---- redaction.json ---- */

static void put_ids(struct redacting *redacting, struct json *json)
{
    json_open(json, "ids_not_examined", '[');
    for (uint32_t bus = 0; bus < FRAME_FILE_MAX && redacting->id_count; bus++)
        for (uint64_t word = 0; word <= UINT32_MAX;) { /* in order: the smallest that is not below word */
            const struct redact_id *next = NULL;
            for (uint32_t i = 0; i < REDACT_IDS_MAX; i++) {
                const struct redact_id *id = &redacting->ids[i];
                if (id->used && id->bus == bus && id->word >= word && (!next || id->word < next->word))
                    next = id;
            }
            if (!next)
                break;
            word = (uint64_t)next->word + 1;
            json_open(json, NULL, '{');
            json_unsigned(json, "bus", next->bus + 1);
            json_hex_number(json, "id", next->word & ~DEF_ID_29, next->word & DEF_ID_29 ? 8 : 3);
            json_unsigned(json, "frames", next->frames);
            json_bool(json, "described", next->described);
            json_bool(json, "left_out", redacting->request->only_pairs && !next->described);
            json_close(json, '}');
            redacting->result->ids++;
        }
    json_close(json, ']');
    json_unsigned(json, "frames_of_further_ids", redacting->other_frames);
}

static void put_masked(struct redacting *redacting, struct json *json)
{
    json_open(json, "masked", '[');
    for (uint32_t kind = 0; kind < SECRET_KINDS; kind++) {
        json_open(json, NULL, '{');
        json_text(json, "what", secret_kind_text((enum secret_kind)kind));
        json_unsigned(json, "different_values", redacting->secrets.kinds[kind]);
        json_close(json, '}');
        redacting->result->kinds[kind] = redacting->secrets.kinds[kind];
    }
    json_close(json, ']');
}

/* Files that are neither raw nor derived cannot be looked through. */
static int put_left_out(struct redacting *redacting, struct json *json)
{
    static const char *const known[] = {"recorder.jsonl", "marks.jsonl", "options.json", MANIFEST_NAME,
                                        MANIFEST_SIGNATURE_NAME, MANIFEST_TOKEN_NAME};
    struct folder_list list;
    if (!folder_list(&list, redacting->job.fd)) {
        folder_list_free(&list);
        return redact_no_memory(redacting);
    }
    json_open(json, "files_left_out", '[');
    for (uint32_t i = 0; i < list.count; i++) {
        const char *name = list.list[i].name;
        bool expected = strncmp(name, "definitions/", 12) == 0;
        for (size_t k = 0; k < sizeof known / sizeof known[0]; k++)
            expected = expected || strcmp(name, known[k]) == 0;
        for (size_t k = 0; derived_names[k]; k++)
            expected = expected || strcmp(name, derived_names[k]) == 0;
        for (uint32_t k = 0; k < redacting->job.traces.count; k++)
            expected = expected || strcmp(name, redact_trace_name(redacting, k)) == 0;
        if (expected)
            continue;
        char shown[FOLDER_NAME_MAX];
        (void)snprintf(shown, sizeof shown, "%s", name);
        (void)redact_text(redacting, shown, strlen(shown)); /* photos are called after the vehicle */
        json_text(json, NULL, shown);
        redacting->result->files_left_out++;
    }
    json_close(json, ']');
    folder_list_free(&list);
    return 0;
}

static void put_frames(struct redacting *redacting, struct json *json)
{
    struct redact_change change;
    bool has = redact_list_first(redacting, redacting->changes, &change, sizeof change);
    json_open(json, "frames_changed", '[');
    while (has) {
        json_open(json, NULL, '{');
        json_text(json, "file", redact_trace_name(redacting, change.file));
        json_unsigned(json, "frame", change.number);
        json_unsigned(json, "offset", change.offset);
        json_close(json, '}');
        has = redact_list_next(redacting, redacting->changes, &change, sizeof change);
    }
    json_close(json, ']');
    redacting->result->frames = redacting->change_count;
}

static int put_redaction(struct redacting *redacting)
{
    struct sink sink;
    struct json json;
    int code = job_folder_open(&redacting->folder, "redaction.json", &sink);
    if (code)
        return code;
    json_begin(&json, &sink);
    json_open(&json, NULL, '{');
    json_unsigned(&json, "format", 1);
    json_text(&json, "version", TT_VERSION);
    json_text(&json, "original_manifest_sha256", redacting->manifest_sha256);
    put_masked(redacting, &json);
    json_bool(&json, "marks_changed", redacting->marks_changed);
    json_bool(&json, "only_pairs", redacting->request->only_pairs);
    json_unsigned(&json, "frames_left_out", redacting->result->dropped);
    put_ids(redacting, &json);
    code = put_left_out(redacting, &json);
    put_frames(redacting, &json);
    json_close(&json, '}');
    json_end(&json);
    int closed = job_folder_close(&redacting->folder, "redaction.json", &sink);
    code = code ? code : closed;
    return !code && redacting->error ? redact_write_failed(redacting, "redaction.json", redacting->error) : code;
}

/* ---- the copy gives the same answers ---- */

static bool same_attempt(const struct attempt_result *a, const struct attempt_result *b,
                         const struct definitions *definitions, const char **step)
{
    if (a->part != b->part || a->number != b->number || a->opened != b->opened || a->answered != b->answered)
        return false;
    for (uint32_t i = 0; i < definitions->condition_count; i++)
        if (a->conditions[i].vouched != b->conditions[i].vouched)
            return false;
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        *step = definitions->steps[i].name;
        if (a->steps[i].answer != b->steps[i].answer)
            return false;
    }
    return true;
}

static int compare_verdicts(struct redacting *redacting, const struct verdict *original, const struct verdict *copy)
{
    const char *step = "the whole";
    bool same = original->exit_code == copy->exit_code && original->part_count == copy->part_count &&
                original->attempt_count == copy->attempt_count && original->attempts_kept == copy->attempts_kept;
    for (uint32_t i = 0; same && i < original->attempts_kept; i++)
        same = same_attempt(original->attempts[i], copy->attempts[i], &redacting->job.definitions, &step);
    redacting->result->verdict = copy->exit_code;
    if (same)
        return 0;
    return redact_refuse(redacting,
                         "would be answered otherwise once it is masked (%.200s); nothing is kept, please report "
                         "this",
                         step);
}

static int derive_copy(struct redacting *redacting, const struct verdict *original)
{
    struct job_inputs job;
    struct derived derived;
    struct diagnostics errors;
    errors_alone(redacting, &errors);
    int code = job_inputs_open(&job, redacting->folder.temporary, JOB_WHOLE, &errors);
    if (!code) {
        const struct derive_request request = {
            .job = &job, .folder = redacting->folder.fd, .progress = redacting->request->progress};
        code = derive_run(&request, &derived);
        if (!code)
            code = compare_verdicts(redacting, original, derived.about.verdict);
        derived_free(&derived);
    }
    job_inputs_close(&job);
    if (code == EXIT_BAD_INPUT && errors.errors)
        code = redact_refuse(redacting, "cannot be read once it is masked; nothing is kept, please report this");
    return code;
}

/* ---- the run ---- */

static int mask(struct redacting *redacting)
{
    int code = 0;
    if (!redact_collect_marks(redacting))
        return redact_no_memory(redacting);
    if (redacting->secrets.full)
        return redact_refuse(redacting, "holds more different values to be masked than can be kept apart");
    code = second_pass(redacting);
    if (!code)
        code = redact_compare(redacting);
    if (!code)
        code = redact_drop_frames(redacting);
    if (!code)
        code = redact_definitions(redacting);
    if (!code)
        code = redact_marks(redacting);
    if (!code)
        code = redact_recorder(redacting);
    return code ? code : put_redaction(redacting);
}

static int run(struct redacting *redacting)
{
    struct derived original;
    int code = begin(redacting);
    if (code)
        return code;
    code = pass(redacting, &redacting->job, &original);
    if (!code)
        code = mask(redacting);
    if (!code)
        code = derive_copy(redacting, original.about.verdict);
    derived_free(&original);
    if (!code)
        code = redact_search(redacting);
    return code ? code : job_folder_finish(&redacting->folder);
}

static void free_all(struct redacting *redacting)
{
    for (uint32_t i = 0; i < TRACE_INPUTS_MAX; i++) {
        if (redacting->copies[i] >= 0)
            (void)close(redacting->copies[i]);
        if (redacting->drops[i])
            (void)fclose(redacting->drops[i]);
        if (redacting->unclear[i])
            (void)fclose(redacting->unclear[i]);
    }
    if (redacting->changes)
        (void)fclose(redacting->changes);
    job_folder_end(&redacting->folder);
    secrets_close(&redacting->secrets);
    if (redacting->job_open)
        job_inputs_close(&redacting->job);
    free(redacting->ids);
    free(redacting->marks);
    free(redacting);
}

int redact_job(const struct redact_request *request, struct redact_result *result)
{
    struct redacting *redacting = calloc(1, sizeof *redacting);
    *result = (struct redact_result){.frames = 0};
    if (!redacting)
        return diagnostics_no_memory(request->diagnostics, NULL);
    redacting->request = request;
    redacting->result = result;
    redacting->diagnostics = request->diagnostics;
    redacting->folder.fd = -1;
    for (uint32_t i = 0; i < TRACE_INPUTS_MAX; i++)
        redacting->copies[i] = -1;
    int code = run(redacting);
    free_all(redacting);
    return code;
}
