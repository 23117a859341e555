/* See bus_socket.h. */
#include "bus_socket.h"

#include <errno.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define BUFFER_WANTED (32 << 20) /* with CAP_NET_ADMIN; the kernel doubles what is asked */
#define BUFFER_PLAIN (8 << 20)   /* without: the kernel grants net.core.rmem_max at the most */
#define FRAME_IN_BUFFER 832      /* bytes of it that one queued frame takes at the most; 768 measured on vcan */
#define FRAME_BITS 111           /* of a frame with eight data bytes, without stuff bits (ISO 11898-1) */

static int failed(const char *interface, const char *what, struct diagnostics *diagnostics)
{
    int error = errno;
    diagnostics_say(diagnostics, SEVERITY_ERROR, interface, "%s: %s; %s", what, strerror(error),
                    error == EPERM || error == EACCES ? "this user may not use CAN sockets here, ask who set this "
                                                        "computer up"
                    : error == EPROTONOSUPPORT || error == EAFNOSUPPORT
                        ? "load the kernel's CAN modules as root: modprobe can-raw"
                        : "see whether the interface is still there and up (ip link)");
    return EXIT_CANNOT_OPEN;
}

static bool set(int fd, int level, int option, const void *value, socklen_t length)
{
    return setsockopt(fd, level, option, value, length) == 0;
}

int bus_socket_open(const char *interface, int *fd, uint32_t *buffer, struct diagnostics *diagnostics)
{
    static const int on = 1, wanted = BUFFER_WANTED, plain = BUFFER_PLAIN;
    const can_err_mask_t errors = CAN_ERR_MASK;
    int granted = 0;
    socklen_t length = sizeof granted;
    *fd = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, CAN_RAW);
    if (*fd < 0)
        return failed(interface, "no CAN socket can be opened", diagnostics);
    /* Without FD_FRAMES the kernel drops FD frames and counts none of them. */
    if (!set(*fd, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof on) ||
        !set(*fd, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &errors, sizeof errors) ||
        !set(*fd, SOL_SOCKET, SO_TIMESTAMPNS_NEW, &on, sizeof on) ||
        !set(*fd, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on))
        return failed(interface, "the CAN socket refused an option", diagnostics);
    if (!set(*fd, SOL_SOCKET, SO_RCVBUFFORCE, &wanted, sizeof wanted) &&
        !set(*fd, SOL_SOCKET, SO_RCVBUF, &plain, sizeof plain))
        return failed(interface, "the receive buffer cannot be set", diagnostics);
    if (getsockopt(*fd, SOL_SOCKET, SO_RCVBUF, &granted, &length) != 0 || granted <= 0)
        return failed(interface, "the receive buffer cannot be read back", diagnostics);
    *buffer = (uint32_t)granted;
    return 0;
}

int bus_socket_bind(int fd, const char *interface, int index, struct diagnostics *diagnostics)
{
    struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = index};
    if (bind(fd, (const struct sockaddr *)&address, sizeof address) != 0)
        return failed(interface, "cannot be listened on", diagnostics);
    return 0;
}

uint32_t bus_socket_bears(uint32_t buffer, uint32_t bitrate)
{
    uint64_t frames = buffer / FRAME_IN_BUFFER;
    return bitrate ? (uint32_t)(frames * FRAME_BITS * 1000 / bitrate) : 0;
}
