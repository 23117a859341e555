/* The verdict's bounded lists, its exit code and its last sentence (D 7.2, 7.12 to 7.14). */
#include "step_judge.h"
#include "step_words.h"

#include <stdlib.h>
#include <string.h>

#define ALSO_BUDGET (8u << 20) /* bytes of stretches and tries kept over all attempts; the oldest go first */

void attempt_result_free(struct attempt_result *result, const struct definitions *definitions)
{
    if (!result)
        return;
    for (uint32_t i = 0; i < definitions->step_count; i++)
        step_result_free(&result->steps[i]);
    free(result->conditions);
    free(result->steps);
    free(result);
}

static size_t lists_size(const struct step_result *step)
{
    return step->also.kept * sizeof *step->also.list + step->tries.kept * sizeof *step->tries.list;
}

static void attempt_drop(struct judge *judge, uint32_t index)
{
    struct verdict *verdict = &judge->verdict;
    for (uint32_t i = 0; i < judge->definitions->step_count; i++)
        judge->kept_bytes -= lists_size(&verdict->attempts[index]->steps[i]);
    attempt_result_free(verdict->attempts[index], judge->definitions);
    memmove(&verdict->attempts[index], &verdict->attempts[index + 1],
            (verdict->attempts_kept - index - 1) * sizeof *verdict->attempts);
    verdict->attempts_kept--;
}

/* Over the budget the oldest attempts' lists go; their counts and their evidence stay, the log holds all. */
static void lists_trim(struct judge *judge)
{
    for (uint32_t k = 0; judge->kept_bytes > ALSO_BUDGET && k + 1 < judge->verdict.attempts_kept; k++) {
        for (uint32_t i = 0; i < judge->definitions->step_count; i++) {
            struct step_result *step = &judge->verdict.attempts[k]->steps[i];
            judge->kept_bytes -= lists_size(step);
            free(step->also.list);
            free(step->tries.list);
            step->also.list = NULL;
            step->tries.list = NULL;
            step->also.kept = step->tries.kept = 0;
        }
    }
}

void verdict_add_attempt(struct judge *judge, struct attempt_result *result)
{
    struct verdict *verdict = &judge->verdict;
    if (verdict->attempts_kept == judge->attempts_room) {
        uint32_t room = judge->attempts_room ? judge->attempts_room * 2 : 8;
        struct attempt_result **grown = realloc(verdict->attempts, room * sizeof *grown);
        if (!grown) {
            judge->failed = true;
            attempt_result_free(result, judge->definitions);
            return;
        }
        verdict->attempts = grown;
        judge->attempts_room = room;
    }
    verdict->attempts[verdict->attempts_kept++] = result;
    verdict->attempt_count++;
    for (uint32_t i = 0; i < judge->definitions->step_count; i++)
        judge->kept_bytes += lists_size(&result->steps[i]);
    /* First and last VERDICT_KEPT, and the last of each part: of the others the first one behind the first 50 goes. */
    uint32_t others = 0;
    for (uint32_t i = 0; i < verdict->attempts_kept; i++)
        others += !verdict->attempts[i]->last;
    for (uint32_t i = 0, seen = 0; others > 2 * VERDICT_KEPT && i < verdict->attempts_kept; i++) {
        if (verdict->attempts[i]->last || seen++ < VERDICT_KEPT)
            continue;
        attempt_drop(judge, i);
        break;
    }
    lists_trim(judge);
}

int attempt_exit(const struct definitions *definitions, const struct attempt_result *attempt)
{
    bool any = false, all = true;
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        enum step_answer answer = attempt->steps[i].answer;
        if (answer == STEP_CONTRADICTED)
            return EXIT_CONTRADICTED;
        if (definitions->steps[i].kind == STEP_RECORD)
            continue;
        any = true;
        all = all && answer == STEP_CONFIRMED;
    }
    for (uint32_t i = 0; i < definitions->condition_count; i++)
        all = all && attempt->conditions[i].vouched != VOUCHED_CONTRADICTED;
    return any && all ? EXIT_CONFIRMED : EXIT_NOT_CONFIRMED;
}

void verdict_add_part(struct judge *judge, const struct part_result *part)
{
    struct verdict *verdict = &judge->verdict;
    struct part_result result = *part;
    result.exit_code = EXIT_NOT_CONFIRMED;
    struct attempt_result *last = verdict->attempts_kept ? verdict->attempts[verdict->attempts_kept - 1] : NULL;
    if (last && last->part == part->number)
        result.exit_code = attempt_exit(judge->definitions, last);
    /* Identity looks at the whole part (D 7.3): earlier attempts of the part get its answer now. */
    for (uint32_t k = 0; last && k < verdict->attempts_kept; k++)
        for (uint32_t i = 0; verdict->attempts[k]->part == part->number && i < judge->definitions->step_count; i++)
            if (judge->definitions->steps[i].kind == STEP_IDENTITY)
                judge_identity_result(judge, i, &verdict->attempts[k]->steps[i]);
    judge->any_contradicted = judge->any_contradicted || result.exit_code == EXIT_CONTRADICTED;
    if (result.number == judge->wanted_part) {
        verdict->chosen_part = result.number;
        verdict->exit_code = result.exit_code;
    }
    verdict->part_count++;
    if (verdict->parts_kept == 2 * VERDICT_KEPT) { /* the first one behind the first 50 goes, with its attempts; never the wanted one */
        uint32_t at = VERDICT_KEPT + (verdict->parts[VERDICT_KEPT].number == judge->wanted_part);
        uint32_t gone = verdict->parts[at].number;
        for (uint32_t i = verdict->attempts_kept; i-- > 0;)
            if (verdict->attempts[i]->part == gone)
                attempt_drop(judge, i);
        memmove(&verdict->parts[at], &verdict->parts[at + 1], (2 * VERDICT_KEPT - at - 1) * sizeof *verdict->parts);
        verdict->parts_kept--;
    }
    if (verdict->parts_kept == judge->parts_room) {
        uint32_t room = judge->parts_room ? judge->parts_room * 2 : 4;
        struct part_result *grown = realloc(verdict->parts, room * sizeof *grown);
        if (!grown) {
            judge->failed = true;
            return;
        }
        verdict->parts = grown;
        judge->parts_room = room;
    }
    verdict->parts[verdict->parts_kept++] = result;
}

static const struct attempt_result *chosen_attempt(const struct verdict *verdict)
{
    const struct attempt_result *chosen = NULL;
    for (uint32_t i = 0; i < verdict->attempts_kept; i++)
        if (verdict->attempts[i]->last && (!verdict->chosen_part || verdict->attempts[i]->part == verdict->chosen_part))
            chosen = verdict->attempts[i];
    return chosen;
}

/* "STEP", "STEP and 2 more": the steps of the attempt with this answer. */
static uint32_t name_steps(const struct definitions *definitions, const struct attempt_result *attempt,
                           enum step_answer answer, struct words *words)
{
    uint32_t count = 0;
    for (uint32_t i = 0; i < definitions->step_count; i++) {
        if (attempt->steps[i].answer != answer || definitions->steps[i].kind == STEP_RECORD)
            continue;
        if (count < 3)
            words_add(words, "%s%s", count ? "; " : "", definitions->steps[i].name);
        count++;
    }
    if (count > 3)
        words_add(words, "; and %u more", count - 3);
    return count;
}

static void conclude_one(struct verdict *verdict, const struct attempt_result *attempt)
{
    const struct definitions *definitions = verdict->definitions;
    struct words words = words_in(verdict->answer);
    uint32_t judged = 0;
    for (uint32_t i = 0; i < definitions->step_count; i++)
        judged += definitions->steps[i].kind != STEP_RECORD;
    if (!judged) {
        words_add(&words, "not confirmed: nothing to judge, the definition has no steps");
    } else if (verdict->exit_code == EXIT_CONFIRMED) {
        words_add(&words, judged == 1 ? "confirmed: the one step is confirmed by the record"
                                      : "confirmed: all %u steps are confirmed by the record", judged);
    } else if (verdict->exit_code == EXIT_CONTRADICTED) {
        words_add(&words, "contradicted: ");
        (void)name_steps(definitions, attempt, STEP_CONTRADICTED, &words);
    } else {
        words_add(&words, "not confirmed: ");
        if (name_steps(definitions, attempt, STEP_NOT_CONFIRMED, &words) == 0)
            for (uint32_t i = 0; i < definitions->condition_count; i++)
                if (attempt->conditions[i].vouched == VOUCHED_CONTRADICTED) {
                    words_add(&words, "the condition '%s' is contradicted", definitions->conditions[i].text);
                    break;
                }
    }
}

void verdict_conclude(struct judge *judge)
{
    struct verdict *verdict = &judge->verdict;
    struct words words = words_in(verdict->answer);
    if (judge->wanted_part && !verdict->chosen_part) {
        verdict->exit_code = EXIT_NOT_CONFIRMED;
        words_add(&words, "not confirmed: the record has %llu parts, no part %u", (unsigned long long)verdict->part_count,
                  judge->wanted_part);
        return;
    }
    if (verdict->part_count > 1 && !verdict->chosen_part) { /* D 7.2 */
        verdict->exit_code = judge->any_contradicted ? EXIT_CONTRADICTED : EXIT_NOT_CONFIRMED;
        words_add(&words, "%s: the record holds %llu vehicles or units; --part N judges one of them",
                  judge->any_contradicted ? "contradicted" : "not confirmed", (unsigned long long)verdict->part_count);
        return;
    }
    if (!verdict->chosen_part) {
        verdict->chosen_part = 1;
        verdict->exit_code = verdict->parts_kept ? verdict->parts[0].exit_code : EXIT_NOT_CONFIRMED;
    }
    const struct attempt_result *attempt = chosen_attempt(verdict);
    if (attempt)
        conclude_one(verdict, attempt);
}
