/* The judge as a whole: made, finished, taken apart. */
#include "step_judge.h"

#include "../support/shortage.h"

#include <stdlib.h>

struct judge *judge_open(const struct definitions *definitions, const struct marks *marks, uint32_t part,
                         void (*emit)(void *context, const struct step_event *event), void *context)
{
    struct judge *judge = calloc(1, sizeof *judge);
    if (!judge)
        return NULL;
    judge->definitions = definitions;
    judge->marks = marks;
    judge->wanted_part = part;
    judge->emit = emit;
    judge->emit_context = context;
    judge->opening = DEF_NONE;
    for (uint32_t i = 0; i < definitions->step_count; i++)
        if (definitions->steps[i].opens_attempt)
            judge->opening = i;
    judge->opening_action = judge->opening == DEF_NONE ? DEF_NONE : definitions->steps[judge->opening].action;
    judge->part_gaps = calloc(1, sizeof *judge->part_gaps);
    judge->identities = calloc(definitions->step_count + 1, sizeof *judge->identities);
    judge->identity_floors = calloc(definitions->step_count + 1, sizeof *judge->identity_floors);
    judge->values = calloc(definitions->condition_count + 1, sizeof *judge->values);
    judge->places = calloc((marks ? marks->count : 0) + 1, sizeof *judge->places);
    judge->settings = calloc(definitions->module_count + 1, sizeof *judge->settings);
    judge->verdict.definitions = definitions;
    kept_list_init(&judge->refused, sizeof(struct try_result));
    kept_list_init(&judge->attempt.refused, sizeof(struct try_result));
    if (!judge->part_gaps || !judge->identities || !judge->identity_floors || !judge->values || !judge->places || !judge->settings) {
        judge_close(judge);
        return NULL;
    }
    judge_part_begin(judge, 0, 0, "");
    return judge;
}

void judge_frames(struct judge *judge, uint32_t bus, uint64_t first_frame, int64_t first_time)
{
    judge->part_bus = bus;
    judge->part_first_frame = first_frame;
    judge->part_first_time = first_time;
}

const struct verdict *judge_finish(struct judge *judge, uint64_t last_frame, int64_t last_time)
{
    judge_part_end(judge, last_frame, last_time);
    if (judge->failed) { /* which only ever lacks memory */
        shortage_note();
        return NULL;
    }
    verdict_conclude(judge);
    return &judge->verdict;
}

void judge_close(struct judge *judge)
{
    if (!judge)
        return;
    judge_attempt_clear(&judge->attempt);
    look_close(&judge->before);
    kept_list_free(&judge->refused);
    for (uint32_t i = 0; judge->identities && i < judge->definitions->step_count; i++) {
        kept_answer_free(&judge->identities[i].answer);
        kept_answer_free(&judge->identities[i].other_answer);
    }
    for (uint32_t i = 0; i < judge->verdict.attempts_kept; i++)
        attempt_result_free(judge->verdict.attempts[i], judge->definitions);
    free(judge->verdict.attempts);
    free(judge->verdict.parts);
    free(judge->part_gaps);
    free(judge->identities);
    free(judge->identity_floors);
    free(judge->values);
    free(judge->places);
    free(judge->settings);
    free(judge->action_bytes);
    free(judge);
}
