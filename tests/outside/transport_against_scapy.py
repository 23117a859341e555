#!/usr/bin/python3
"""ISO 15765-2 reassembly against Scapy, an implementation that is not ours.

Source: Scapy (Debian python3-scapy), contrib.isotp: ISOTPMessageBuilder reassembles, ISOTP(...).fragment() and its
frame classes write conversations. The identifier is always given.
1. Every example trace: the payloads of each configured identifier are those of `taretrace list messages`.
2. Thousands of seeded random conversations: every payload comes back whole, in order, and none is invented. In some of
   them a frame is missing or two are swapped: their payload must not come back, and the next one must.
"""
import sys

sys.dont_write_bytecode = True
import logging
import pathlib
import random

import yaml

logging.getLogger("scapy").setLevel(logging.ERROR)
from scapy.contrib.isotp import ISOTP, ISOTPHeader, ISOTP_FC
from scapy.contrib.isotp.isotp_utils import ISOTPMessageBuilder
from scapy.layers.can import CAN
from scapy.utils import PcapReader, RawPcapWriter

from common import Checks, jobs, parse_json, pcap_bytes, read_pcap, run, temporary

# Where Scapy gives a message and a receiver of the standard does not: (job, CAN id, last frame): why.
LENIENCIES = {
}

CONVERSATIONS = 3000
BATCHES = 16


def listed(trace, pairs):
    """What taretrace reassembles: {CAN id: [(first frame, last frame, payload)]} of complete messages."""
    arguments = [argument for pair in pairs for argument in ("--pair", pair)]
    result = run("list", "messages", trace, *arguments, "--secrets", "--format", "jsonl")
    if result.returncode:
        raise SystemExit(f"list messages ended {result.returncode}: {result.stderr.decode()[:500]}")
    found = {}
    for line in result.stdout.decode().splitlines():
        message = parse_json(line)
        if message["kind"] == "message" and message["state"] == "complete":
            payload = bytes.fromhex(message["bytes"])
            assert message["length"] == len(payload)
            found.setdefault(int(message["id"], 16), []).append(
                (message["first_frame"], message["last_frame"], payload))
    return found


def scapy_messages(trace, ids):
    """What Scapy reassembles: {CAN id: [(frame that completed it, payload)]}. One builder an identifier."""
    builders = {can_id: ISOTPMessageBuilder(use_ext_address=False, rx_id=[can_id]) for can_id in ids}
    found = {}
    frame_number = 0
    with PcapReader(str(trace)) as reader:
        while True:
            try:
                packet = reader.read_packet()
            except EOFError:
                break
            # A torn last record reaches Scapy as it is; whole records only are compared.
            if not isinstance(packet, CAN) or len(packet.original) < packet.wirelen:
                break
            frame_number += 1
            builder = builders.get(packet.identifier) if int(packet.flags) == 0 else None
            if builder is None:
                continue
            builder.feed(packet)
            while len(builder):
                found.setdefault(packet.identifier, []).append((frame_number, bytes(builder.pop().data)))
    return found


def pairs_of(job):
    """The identifiers of a job's definition files: (--pair arguments, ids)."""
    pairs, ids = [], set()
    for path in job.definitions:
        with open(path, encoding="utf-8") as file:
            module = yaml.load(file, Loader=yaml.BaseLoader)["module"]
        address = module["address"]
        pairs.append(f"{address['request']}:{address['response']}")
        ids |= {int(address["request"], 16), int(address["response"], 16)}
    return pairs, ids


def check_examples(checks):
    unused = set(LENIENCIES)
    for job in jobs():
        pairs, ids = pairs_of(job)
        ours, theirs = listed(job.trace, pairs), scapy_messages(job.trace, ids)
        for can_id in sorted(ids):
            mine = [(last, payload) for _, last, payload in ours.get(can_id, [])]
            scapys = []
            for last, payload in theirs.get(can_id, []):
                if (job.name, can_id, last) in LENIENCIES:
                    unused.discard((job.name, can_id, last))
                else:
                    scapys.append((last, payload))
            for last, payload in mine:
                checks.that((last, payload) in scapys,
                            f"{job.name}: only taretrace has 0x{can_id:x} ending at frame {last}: {payload.hex()}")
            for last, payload in scapys:
                checks.that((last, payload) in mine,
                            f"{job.name}: only Scapy has 0x{can_id:x} ending at frame {last}: {payload.hex()}")
            checks.equal(len(mine), len(scapys), f"{job.name}: messages of 0x{can_id:x}")
    checks.that(len(LENIENCIES) <= 5, "more than five leniencies")
    checks.that(not unused, f"leniencies that are none: {sorted(unused)}")


def random_length(chance):
    """Every length matters, short ones most: half of them within a few frames, the rest up to 4,095."""
    kind = chance.random()
    if kind < 0.5:
        return chance.randint(1, 20)
    if kind < 0.94:
        return int(20 * (4095 / 20) ** (chance.random() ** 3))
    return chance.choice([1, 6, 7, 8, 13, 14, 62, 111, 112, 118, 119, 255, 256, 4089, 4094, 4095])


def damage(chance, frames, packets):
    """Takes one frame away, or swaps two neighbouring consecutive frames: (frames, is the message still whole?).

    Without a flow control it is (D 8.2); without one of its own frames, or out of order, it is not (ISO 15765-2 9.6.4).
    """
    frames = list(frames)
    at = chance.randrange(len(frames))
    is_data = any(frames[at] is packet for packet in packets)
    follows = at > 0 and at + 1 < len(frames) and is_data and frames[at] is not packets[0] \
        and any(frames[at + 1] is packet for packet in packets)
    if follows and chance.random() < 0.5:
        frames[at], frames[at + 1] = frames[at + 1], frames[at]
    else:
        del frames[at]
    return frames, not is_data


def conversation(chance, sender, receiver, pad, may_damage):
    """The frames of one message by Scapy's code, with the receiver's flow control: [CAN bytes], and the payload.

    Every fifth conversation that may be is damaged; the payload is then None where it must not come back.
    """
    payload = chance.randbytes(random_length(chance))
    packets = ISOTP(payload, rx_id=sender).fragment()
    block = chance.choice([0, 0, 1, 2, 3, 8, 15, 16, 255])
    frames, since = [], 0

    def control(flag):
        frames.append(ISOTPHeader(identifier=receiver)
                      / ISOTP_FC(fc_flag=flag, block_size=block, separation_time=chance.choice([0, 5, 0xF1, 127])))
    for index, packet in enumerate(packets):
        if index == 1 or (index > 1 and block and since == block):
            for _ in range(chance.choice([0, 0, 0, 1, 3])):
                control(1)
            control(0)
            since = 0
        since += 1
        frames.append(packet)
    if may_damage and chance.random() < 1 / 5:
        frames, whole = damage(chance, frames, packets)
        payload = payload if whole else None
    raw = []
    for packet in frames:
        content = bytes(packet)
        if pad is not None:  # the length byte says 8, the data field is filled up
            content = content[:4] + b"\x08" + content[5:] + bytes([pad]) * (16 - len(content))
        raw.append(content)
    return raw, payload


def write_batch(chance, path, count):
    """Interleaves the conversations of several pairs and frames of nobody; gives pairs and what must come back."""
    ids = chance.sample(range(0x100, 0x7F0), 20)
    pairs = [(ids[2 * index], ids[2 * index + 1]) for index in range(chance.randint(1, 6))]
    others = ids[12:]
    expected, queues = {}, []
    for request, response in pairs:
        pad = chance.choice([None, None, 0xCC, 0xAA, 0x00, 0xFF, 0x21, 0x30])
        queue, damaged = [], set()
        for _ in range(count // len(pairs)):
            sender, receiver = chance.choice([(request, response), (response, request)])
            # Never twice in a row: the end of one broken message can complete another, and no receiver can tell.
            frames, payload = conversation(chance, sender, receiver, pad, sender not in damaged)
            damaged = damaged - {sender} if payload is not None else damaged | {sender}
            queue += frames
            if payload is not None:
                expected.setdefault(sender, []).append(payload)
        queues.append(queue)
    time, lines = chance.randrange(1, 2**31) * 10**9, []
    positions = [0] * len(queues)
    while any(position < len(queue) for position, queue in zip(positions, queues)):
        time += chance.randint(120_000, 3_000_000)
        which = chance.randrange(len(queues) + 1)
        if which == len(queues):
            stranger = CAN(identifier=chance.choice(others), data=chance.randbytes(chance.randint(0, 8)))
            lines.append((time, bytes(stranger)))
        elif positions[which] < len(queues[which]):
            lines.append((time, queues[which][positions[which]]))
            positions[which] += 1
    # Scapy's own writer too: records as long as the frame, not padded to 16 bytes.
    with RawPcapWriter(str(path), linktype=227, nano=True, endianness=chance.choice("<>")) as writer:
        writer.write_header(None)
        for time, content in lines:
            writer.write_packet(content, sec=time // 10**9, usec=time % 10**9)
    return pairs, expected


def check_random(checks, folder):
    chance = random.Random(15765)
    sent = 0
    for batch in range(BATCHES):
        path = folder / f"batch{batch}.pcap"
        pairs, expected = write_batch(chance, path, CONVERSATIONS // BATCHES)
        got = listed(path, [f"0x{request:X}:0x{response:X}" for request, response in pairs])
        for can_id in sorted(expected.keys() | got.keys()):
            mine = [payload for _, _, payload in got.get(can_id, [])]
            theirs = expected.get(can_id, [])
            checks.equal(len(mine), len(theirs), f"batch {batch}: messages of 0x{can_id:x}")
            for index, (ours, sent_payload) in enumerate(zip(mine, theirs)):
                checks.that(ours == sent_payload, f"batch {batch}: message {index + 1} of 0x{can_id:x} differs "
                            f"({len(ours)} bytes, sent {len(sent_payload)})")
                sent += 1
    print(f"{sent} random conversations by Scapy compared")


def check_twice_read(checks, folder):
    """Control: a trace with one payload byte changed must be seen as different, else this script checks nothing."""
    job = jobs()[0]
    pairs, ids = pairs_of(job)
    frames = [(frame.time, frame.word, frame.data) for frame in read_pcap(job.trace)]
    target = next(index for index, (_, word, data) in enumerate(frames) if word in ids and data[0] >> 4 == 2)
    time, word, data = frames[target]
    frames[target] = (time, word, bytes([data[0], data[1] ^ 1]) + data[2:])
    path = folder / "changed.pcap"
    path.write_bytes(pcap_bytes(frames))
    before = [payload for _, payload in scapy_messages(job.trace, ids)[word]]
    after = [payload for _, _, payload in listed(path, pairs)[word]]
    checks.that(before != after and len(before) == len(after), "a changed byte was not seen")


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name)
        check_examples(checks)
        check_random(checks, folder)
        check_twice_read(checks, folder)
    checks.finish()


main()
