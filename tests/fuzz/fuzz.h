/*
 * What the fuzz targets share. A target is one file fuzz_NAME.c with LLVMFuzzerTestOneInput; it is linked to libFuzzer
 * (TT_FUZZ) or to replay.c, which runs kept inputs. A target ends the process with FUZZ_CHECK when something that must
 * hold does not; sanitizers do the same for what is undefined in C.
 */
#ifndef TT_FUZZ_H
#define TT_FUZZ_H

#include <stdio.h>
#include <stdlib.h>

#include "../../decoder/support/bytes.h"
#include "../../decoder/support/diagnostics.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Always on, in every build. */
#define FUZZ_CHECK(condition)                                                                                     \
    do {                                                                                                          \
        if (!(condition)) {                                                                                       \
            (void)fprintf(stderr, "%s:%d: does not hold: %s\n", __FILE__, __LINE__, #condition);                  \
            abort();                                                                                              \
        }                                                                                                         \
    } while (0)

/* Takes the cursor's next byte as a choice of 0 to below - 1; 0 at the end of the input. */
static inline uint32_t fuzz_choice(struct bytes *input, uint32_t below)
{
    return input->left > 0 ? bytes_u8(input) % below : 0;
}

/* The little-endian number of the next bytes (at most 8); bytes that are not there are 0. */
static inline uint64_t fuzz_number(struct bytes *input, size_t length)
{
    uint64_t number = 0;
    for (size_t i = 0; i < length && input->left > 0; i++)
        number |= (uint64_t)bytes_u8(input) << (8 * i);
    return number;
}

/*
 * A file of these bytes that exists in memory only; its descriptor, at the beginning, stays open and is used again for
 * the same slot (0 to FUZZ_SLOTS - 1) of the next input.
 */
#define FUZZ_SLOTS 8
int fuzz_file(unsigned slot, const void *data, size_t size);

/*
 * For code that takes paths. While a folder is armed, open(2) knows no other files than those named here, each in that
 * folder ("job/" NAME), and asking for a path outside of it, or for a file that could be written, is a failed check.
 * tmpfile(3) makes files in memory all the time. Works by the linker's --wrap, see targets.cmake.
 */
void fuzz_folder_arm(void);
void fuzz_folder_put(const char *name, const void *data, size_t size);
void fuzz_folder_disarm(void);

/*
 * The nth allocation from now on (from 1) that our own code makes fails, once; 0: none does. What is tried under it may
 * end as it likes, but by an answer, and must leave nothing behind.
 */
void fuzz_shortage(unsigned nth);

#endif
