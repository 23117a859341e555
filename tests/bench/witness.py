"""A witness of CAN interfaces, on Python's own socket.AF_CAN: shares no code with recorder, decoder or witness.c.

    witness.py INTERFACE FILE [INTERFACE FILE]...

Writes every frame it hears on an interface, errors too, into its file as the kernel hands it over (struct can_frame or
canfd_frame of linux/can.h, this machine's byte order): 8 bytes time in ns, 4 bytes size (16 or 72), 4 bytes "made on
this machine" (MSG_DONTROUTE), then the frame. The last FILE appears once all sockets listen. On SIGTERM what is
queued is read, each FILE.count gets "frames N dropped M", and the witness ends: 0 all written, 1 frames were dropped.
Runs inside tests/bench/vm.
"""

import errno
import os
import select
import signal
import socket
import struct
import sys

# asm-generic/socket.h; Python names only some of them.
SO_TIMESTAMPNS, SO_RXQ_OVFL, SO_RCVBUFFORCE, SO_MEMINFO = 35, 40, 33, 55
SK_MEMINFO_DROPS = 8     # linux/sock_diag.h
CAN_RAW_ERR_FILTER, CAN_ERR_MASK = 2, 0x1FFFFFFF     # linux/can/raw.h, linux/can/error.h


class Witness:
    """One interface and its file."""

    def __init__(self, interface, name):
        self.interface, self.name = interface, name
        self.frames = 0
        self.room = socket.CMSG_SPACE(16)
        self.bus = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        self.bus.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FD_FRAMES, 1)
        self.bus.setsockopt(socket.SOL_CAN_RAW, CAN_RAW_ERR_FILTER, CAN_ERR_MASK)
        self.bus.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self.bus.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, 256 << 20)
        self.bus.bind((interface,))
        self.bus.setblocking(False)
        self.file = open(name, "xb", buffering=1 << 20)

    def drain(self):
        """Reads what is queued; False when the interface is gone."""
        while True:
            try:
                frame, control, flags, _ = self.bus.recvmsg(72, self.room)
            except BlockingIOError:
                return True
            except OSError as error:     # ENETDOWN, ENODEV: said once by the kernel
                print("witness.py:", self.interface, error.strerror, flush=True)
                return error.errno != errno.ENODEV
            seconds, nanoseconds = struct.unpack_from("qq", control[0][2])
            self.file.write(struct.pack("QII", seconds * 10**9 + nanoseconds, len(frame),
                                        1 if flags & socket.MSG_DONTROUTE else 0))
            self.file.write(frame)
            self.frames += 1

    def close(self):
        self.file.close()
        memory = self.bus.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, 4 * (SK_MEMINFO_DROPS + 1))
        dropped, = struct.unpack_from("I", memory, 4 * SK_MEMINFO_DROPS)
        with open(self.name + ".count", "w", encoding="ascii") as count:
            count.write(f"frames {self.frames} dropped {dropped}\n")
        return dropped


def main():
    words = sys.argv[1:]
    witnesses = {}
    poll = select.poll()
    for interface, name in zip(words[::2], words[1::2]):
        witness = Witness(interface, name)
        witnesses[witness.bus.fileno()] = witness
        poll.register(witness.bus, select.POLLIN)
    stop, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.set_wakeup_fd(wake)
    signal.signal(signal.SIGTERM, lambda *_: None)
    poll.register(stop, select.POLLIN)
    ending = False
    while not ending:
        for fd, _ in poll.poll():
            if fd == stop:
                ending = True
            elif not witnesses[fd].drain():
                poll.unregister(fd)
    for witness in witnesses.values():
        witness.drain()
    return 1 if sum(witness.close() for witness in witnesses.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
