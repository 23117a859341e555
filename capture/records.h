/*
 * Frames as the kernel hands them over (struct can_frame, struct canfd_frame of Linux include/uapi/linux/can.h) into
 * records of the trace (trace_format.h). No payload is interpreted. Nothing here can fail.
 */
#ifndef TT_CAPTURE_RECORDS_H
#define TT_CAPTURE_RECORDS_H

#include "../decoder/support/support.h"
#include "trace_format.h"

#define RECORDS_LARGEST (TRACE_RECORD_HEADER + TRACE_CAN_FD)

/* The file header in this machine's byte order. */
void records_file_header(uint8_t out[TRACE_FILE_HEADER]);
/*
 * One record: frame is length (16 or 72) bytes as received, seconds and nanoseconds are its stamp. Returns the bytes
 * written to out. The flags byte of a classic frame is padding that a local sender may have filled: it is cleared, or
 * the frame could be read as CAN FD. FDF is set on every FD frame, which older kernels leave out.
 */
size_t records_put(uint8_t out[RECORDS_LARGEST], const uint8_t *frame, size_t length, uint32_t seconds,
                   uint32_t nanoseconds);
/* Bytes of whole records at the start of a run of records that is cut after `kept` bytes; *count gets how many. */
size_t records_whole(const uint8_t *records, size_t length, size_t kept, uint64_t *count);

#endif
