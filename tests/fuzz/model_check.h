/* What a loaded model promises to the stages (definitions/model.h, load.h), checked over all of it. */
#ifndef TT_MODEL_CHECK_H
#define TT_MODEL_CHECK_H

#include "../../definitions/loader.h"

/* bytes: any, tried as the bytes of every record. Ends the process when something does not hold. */
void model_check(const struct definitions *definitions, const uint8_t *bytes, size_t length);

#endif
