/* Between the files audit*.c alone. */
#ifndef TT_AUDIT_PARTS_H
#define TT_AUDIT_PARTS_H

#include "audit.h"

struct auditing {
    const struct audit_request *request;
    struct audit *audit;
    int fd;                     /* of the job folder */
    struct folder_list files;
    struct manifest manifest;
};

void audit_found(struct auditing *auditing, enum audit_answer answer, const char *format, ...) TT_PRINTF(3, 4);
void audit_proven(struct auditing *auditing, const char *word, const char *format, ...) TT_PRINTF(3, 4);
void audit_unproven(struct auditing *auditing, const char *format, ...) TT_PRINTF(2, 3);
/* Something that keeps the job from passing with 1 was found. */
bool audit_failed(const struct auditing *auditing);
int audit_no_memory(struct auditing *auditing);
/* A file cannot be read, by no fault of the job: told. */
int audit_cannot_read(struct auditing *auditing, const char *name, int error);

/* The recorder's log, everything derived anew, and what stays unproven. */
TT_MUST_USE int audit_derive(struct auditing *auditing);

#endif
