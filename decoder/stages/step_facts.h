/*
 * What an answer says about a question of the procedure, before it becomes a note: trouble codes (D 7.10) and the
 * identities that split a record (D 7.2). Inside the step stage only.
 */
#ifndef TT_STEP_FACTS_H
#define TT_STEP_FACTS_H

#include "step_note.h"

#define VIN_IDENTIFIER 0xF190u    /* ISO 14229-1:2020 Annex C.1 */
#define SERIAL_IDENTIFIER 0xF18Cu
#define VIN_LENGTH 17u
#define OBD_VIN 0x02u             /* information type of service 09 (SAE J1979, from memory) */
#define IDENTITY_KEPT 64u

/* The VIN or serial number that a module answered last, in this part. */
struct known_identity {
    bool known;
    uint32_t length;
    uint8_t text[IDENTITY_KEPT];
};

struct identities {
    const struct definitions *definitions;
    struct known_identity *vins, *serials; /* per module; owned */
};

/* False without memory (close it all the same). */
TT_MUST_USE bool identities_open(struct identities *identities, const struct definitions *definitions);
void identities_close(struct identities *identities);
/* Does this request ask for a VIN or serial number (22 F190, F18C; 09 02; iso14230: fields named "vin", "serial number")? */
bool identities_asked(const struct identities *identities, const struct exchange *exchange,
                      const struct service_content *content);
/* Takes in a positive answer. True when a module answered another well-formed VIN or serial number than before: the
 * record splits; why says so in words. */
bool identities_read(struct identities *identities, const struct exchange_event *event,
                     const struct service_content *content, char why[VERDICT_REASON_MAX]);
/* An accepted write (key as in the note): what the module says next is no second identity. */
void identities_written(struct identities *identities, uint32_t module, uint32_t key);

/* Sets the bit of step in note->codes for what this positive answer of service 19 says of its question. asked: the answer
 * was asked for. */
void facts_codes(const struct def_module *module, const struct def_step *step, uint64_t bit,
                 const struct service_content *content, const struct exchange_event *event, bool asked, struct note *note);

#endif
