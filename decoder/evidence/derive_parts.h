/* Between the files derive*.c alone. */
#ifndef TT_DERIVE_PARTS_H
#define TT_DERIVE_PARTS_H

#include "derive.h"

/* Fills derived->about from the run's result and what the recorder noted: passive, limits fixed, what the record lacks.
 * bus: by which it was judged alone, 0 for all. False without memory. */
TT_MUST_USE bool derive_about(struct derived *derived, struct job_inputs *job, uint32_t bus);

#endif
