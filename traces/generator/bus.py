"""The wire: CAN frames, ISO 15765-2 segmentation and the pcap file.

Times are integers: nanoseconds since the start of the job. Nothing here is shared with the decoder.
"""

import calendar
import struct
import zlib

MS = 1_000_000
SECOND = 1_000_000_000

# 2026-03-02T08:00:00Z, the start of every job.
BASE_SECONDS = calendar.timegm((2026, 3, 2, 8, 0, 0))

# A full classic frame takes about 0.23 ms at 500 kbit/s: two frames are never closer.
FRAME_TIME = 240_000

# linux/can.h and linux/can/error.h: error flag, controller class, receive buffer overflow in data[1].
ERROR_FLAG = 0x20000000
ERROR_CONTROLLER = 0x00000004
ERROR_RX_OVERFLOW = 0x01


class Jitter:
    """A small generator of repeatable irregularity, seeded by the job's name; `steady` switches it off."""

    def __init__(self, name, steady=False):
        self.state = zlib.crc32(name.encode()) | 1 << 40
        self.steady = steady

    def between(self, low, high):
        """A whole number of microseconds (as nanoseconds) from low to high; the middle when steady."""
        if self.steady:
            return (low + high) // 2
        self.state = (self.state * 6364136223846793005 + 1442695040888963407) % (1 << 64)
        steps = (high - low) // 1000 + 1
        return low + (self.state >> 33) % steps * 1000


class Frame:
    """One frame on the bus. `number` (from 1) is known once the job is laid out in time."""

    def __init__(self, time, can_id, data):
        if len(data) > 8:
            raise ValueError("a classic CAN frame carries at most 8 bytes")
        self.time = time
        self.can_id = can_id
        self.data = bytes(data)
        self.number = None
        self.stamp = None


class Message:
    """One message that a label can name: its frames on the bus, in order, without the lost ones."""

    def __init__(self, frames):
        self.frames = frames

    def first(self):
        return self.frames[0]

    def last(self):
        return self.frames[-1]


def segment(payload, pad):
    """The N_PDUs of one message, normal addressing, CAN_DL 8: ISO 15765-2 single, first and consecutive frames.

    `pad` is the padding byte, or None for frames no longer than their content.
    """
    length = len(payload)
    if length == 0 or length > 4095:
        raise ValueError("a message has 1 to 4,095 bytes")
    if length <= 7:
        pdus = [bytes([length]) + payload]
    else:
        pdus = [bytes([0x10 | length >> 8, length & 0xFF]) + payload[:6]]
        number = 1
        for start in range(6, length, 7):
            pdus.append(bytes([0x20 | number % 16]) + payload[start:start + 7])
            number += 1
    if pad is not None:
        pdus = [pdu + bytes([pad]) * (8 - len(pdu)) for pdu in pdus]
    return pdus


def flow_control(pad):
    """ContinueToSend, no further flow control, no separation time."""
    pdu = bytes([0x30, 0x00, 0x00])
    return pdu if pad is None else pdu + bytes([pad]) * (8 - len(pdu))


class Bus:
    """Collects frames in any order, then lays them out in time, numbers them and writes the file."""

    def __init__(self, jitter, tester_pad=0xCC, module_pad=0xAA):
        self.frames = []
        self.jitter = jitter
        self.pads = {"tester": tester_pad, "module": module_pad}
        self.clock_steps = []
        self.messages = []

    def put(self, time, can_id, data):
        frame = Frame(time, can_id, data)
        self.frames.append(frame)
        return frame

    def send(self, time, sender, own_id, peer_id, payload, lose=()):
        """One message with its flow control; `lose` names frames (1 = first) the recorder did not get.

        Gives the Message and the time of its last frame.
        """
        peer = "module" if sender == "tester" else "tester"
        kept = []
        pdus = segment(payload, self.pads[sender])
        for index, pdu in enumerate(pdus, 1):
            if index == 2:
                time += self.jitter.between(1 * MS, 3 * MS)
                self.put(time, peer_id, flow_control(self.pads[peer]))
            if index >= 2:
                time += self.jitter.between(1 * MS, 2 * MS)
            if index not in lose:
                kept.append(self.put(time, own_id, pdu))
        if not kept:
            raise ValueError("every frame of this message is lost: leave it out instead")
        self.messages.append(Message(kept))
        return self.messages[-1], time

    def stamp(self, time):
        """What the recorder's clock showed at a moment: true time plus the steps of the clock until then."""
        return time + sum(by for at, by in self.clock_steps if at <= time)

    def lay_out(self):
        """Sort by time, keep frames a frame time apart, number from 1, stamp with the recorder's clock."""
        self.frames.sort(key=lambda frame: frame.time)
        earliest = 0
        for number, frame in enumerate(self.frames, 1):
            frame.time = max(frame.time, earliest)
            earliest = frame.time + FRAME_TIME
            frame.number = number
            frame.stamp = self.stamp(frame.time)

    def pcap(self):
        """The trace: classic pcap, nanosecond magic, link type 227, 16-byte classic CAN records."""
        parts = [struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 227)]
        for frame in self.frames:
            seconds, nanoseconds = divmod(frame.stamp, SECOND)
            parts.append(struct.pack("<IIII", BASE_SECONDS + seconds, nanoseconds, 16, 16))
            parts.append(struct.pack(">IBBBB", frame.can_id, len(frame.data), 0, 0, 0))
            parts.append(frame.data.ljust(8, b"\0"))
        return b"".join(parts)
