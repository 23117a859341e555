/* What every part shares: compiler marks, time constants, the exit codes of D 9.1. No state, nothing that can fail. */
#ifndef TT_SUPPORT_H
#define TT_SUPPORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define TT_MUST_USE __attribute__((warn_unused_result))
#define TT_PRINTF(format_at, arguments_at) __attribute__((format(printf, format_at, arguments_at)))

/* Times are nanoseconds since 1970-01-01T00:00:00Z (int64_t), lengths of time nanoseconds (int64_t). */
#define TT_MS INT64_C(1000000)
#define TT_SECOND INT64_C(1000000000)

/* Exit codes of D 9.1 and 7.12. verify: 0 confirmed, 1 contradicted, 2 anything else. */
enum exit_code {
    EXIT_CONFIRMED = 0,
    EXIT_CONTRADICTED = 1,
    EXIT_NOT_CONFIRMED = 2,
    EXIT_USAGE = 64,
    EXIT_BAD_INPUT = 65,
    EXIT_CANNOT_OPEN = 66,
    EXIT_OUR_FAULT = 70,
    EXIT_CANNOT_CREATE = 73,
    EXIT_WRITE_FAILED = 74,
};

#define TT_VERSION "0.2"

#endif
