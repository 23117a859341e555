#include "verdict.h"

const char *step_answer_text(enum step_answer answer)
{
    static const char *const texts[] = {"confirmed", "contradicted", "not confirmed", "recorded"};
    return texts[answer];
}

const char *vouched_text(enum vouched vouched)
{
    static const char *const texts[] = {"stated", "seen on the bus", "contradicted", "nobody"};
    return texts[vouched];
}

const char *gap_kind_text(enum gap_kind kind)
{
    static const char *const texts[] = {
        "the clock went back", "frames were lost", "part of an answer was lost", "an answer is missing",
        "a question was refused", "the module was reset", "an answer could not be read",
        "the clock stepped", "the link was interrupted", "the recorder may have taken part in the bus",
        "losses are not known: the recorder had ended",
    };
    return texts[kind];
}
