/*
 * The person at the live view: single keys, which the screen explains, become marks (D 9.6). Goes through the
 * definition file's conditions, offers a key for each moment, takes texts. Knows nothing of the terminal.
 */
#ifndef TT_PERSON_H
#define TT_PERSON_H

#include "../evidence/mark_append.h"
#include "../outputs/live_state.h"

enum person_typing { TYPING_NOTHING, TYPING_NOTE, TYPING_DISPLAYED, TYPING_VIN, TYPING_WHY };
enum person_wish { PERSON_NOTHING, PERSON_LEAVE, PERSON_STOP };

struct person {
    const char *path;          /* of the job; borrowed */
    bool asks;                 /* false: --no-input */
    bool records;              /* leaving means stopping the recording, and is asked for */
    struct live_key keys[LIVE_KEYS_MAX];
    uint32_t key_count;
    uint64_t passed;           /* conditions that were asked and need not be asked again, a bit each */
    bool again;                /* asks all of them once more, stated or not */
    uint32_t condition;        /* asked now; DEF_NONE */
    const struct def_reading
        *displayed; /* what d asks for: the reading that is shown, else one that has limits; NULL */
    enum person_typing typing;
    char typed[MARK_TEXT_MAX + 1];
    char prompt[400];
    char said[MARK_TEXT_MAX + 400];
    bool stopping;             /* "stop the recording?" is asked */
    char question[200];
    int last_moment;           /* key of the moment noted last, and when: a key held down is one press */
    int64_t last_moment_time;
    uint32_t last_line;        /* of the mark made last here; 0: none to take back */
};

void person_init(struct person *person, const char *path, bool asks, bool records);
/* What can be asked and pressed now; fills in the person's part of the state. Names borrow from state->definitions. */
void person_offer(struct person *person, struct live_state *state);
/* One key (support/terminal.h); time: when it was pressed, ns since 1970. state as person_offer filled it in. */
enum person_wish person_key(struct person *person, int key, int64_t time, const struct live_state *state);

#endif
