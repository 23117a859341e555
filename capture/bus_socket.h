/*
 * The CAN_RAW socket of one interface (Linux Documentation/networking/can.rst): FD and error frames, nanosecond stamps,
 * the count of drops, a large receive buffer. It is opened while there may be privileges and bound only when everything
 * is ready to record: no frame reaches it before.
 */
#ifndef TT_CAPTURE_BUS_SOCKET_H
#define TT_CAPTURE_BUS_SOCKET_H

#include "../decoder/support/diagnostics.h"

/* 0, or EXIT_CANNOT_OPEN / EXIT_OUR_FAULT, told. *buffer gets the receive buffer that was granted, in bytes. */
TT_MUST_USE int bus_socket_open(const char *interface, int *fd, uint32_t *buffer, struct diagnostics *diagnostics);
/* From now on frames queue up. 0, or EXIT_CANNOT_OPEN, told. */
TT_MUST_USE int bus_socket_bind(int fd, const char *interface, int index, struct diagnostics *diagnostics);
/* Milliseconds of a full bus that the buffer bears while nobody reads; 0 when the bit rate is unknown. */
uint32_t bus_socket_bears(uint32_t buffer, uint32_t bitrate);

#endif
