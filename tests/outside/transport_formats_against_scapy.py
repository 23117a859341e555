#!/usr/bin/python3
"""ISO 15765-2 with address bytes and 29-bit identifiers, against conversations written by Scapy.

Source: Scapy (Debian python3-scapy), contrib.isotp: ISOTP(...).fragment() writes every data frame, with and without an
address byte; the flow control is written here (ISO 15765-2:2016 9.6.5 as FACTS.md 1.1 has it), since that version of
Scapy has no form of it with an address byte. It writes no CAN FD: that is checked against the kernel's ISO-TP sockets
by tests/bench.
Several conversations share each identifier and differ by their address byte only, their frames lie between each other;
frames for address bytes that nobody configured stand there too. Every payload comes back under its own address, in
order, and none is invented.
"""
import sys

sys.dont_write_bytecode = True
import logging
import pathlib
import random

logging.getLogger("scapy").setLevel(logging.ERROR)
from scapy.contrib.isotp import ISOTP

from common import ID_EXTENDED, Checks, parse_json, pcap_bytes, run, temporary

BATCHES = 24
CONVERSATIONS = 90
START = 1772438400 * 10**9
# Name, number of identifier bits, address bytes.
FORMATS = [("normal", 29, False), ("extended", 11, True), ("extended", 29, True), ("mixed", 11, True),
           ("mixed", 29, True)]


def hex_id(number, bits):
    return f"0x{number:03X}" if bits == 11 else f"0x{number:08X}"


def addresses(chance, name, bits, has_byte):
    """Pairs of ((id, byte), (id, byte)). With an address byte three pairs share their two identifiers."""
    ids = chance.sample(range(0x100, 0x7F0) if bits == 11 else range(0x10000000, 0x1FFFFFFF), 6)
    if name == "mixed" and bits == 29:  # 18CE TT SS (8.3.2.5)
        nodes = chance.sample(range(0x10, 0xF0), 3)
        ids = [number for node in nodes for number in (0x18CE00F1 | node << 8, 0x18CEF100 | node)]
    pairs = []
    for request, response in zip(ids[0::2], ids[1::2]):
        if not has_byte:
            pairs.append(((request, None), (response, None)))
            continue
        chosen = chance.sample(range(1, 256), 6)
        for mine, other in zip(chosen[:3], chosen[3:]):
            pairs.append(((request, mine), (response, mine if name == "mixed" else other)))
    return pairs


def conversation(chance, sender, receiver, pad):
    """The frames of one message: [(id, data)], and the payload."""
    length = chance.choice([chance.randint(1, 20), chance.randint(1, 300), 6, 7, 8, 4095, 4096]
                           if chance.random() < 0.1 else [chance.randint(1, 40)])
    payload = chance.randbytes(length)
    packets = ISOTP(payload, rx_id=sender[0], rx_ext_address=sender[1]).fragment()
    block = chance.choice([0, 0, 1, 2, 8])
    frames = []
    for index, packet in enumerate(packets):
        if index == 1 or (index > 1 and block and (index - 1) % block == 0):
            address = b"" if receiver[1] is None else bytes([receiver[1]])
            frames.append((receiver[0], address + bytes([0x30, block, 0])))
        frames.append((packet.identifier, bytes(packet.data)))
    if pad is not None:
        frames = [(number, data + bytes([pad]) * (8 - len(data))) for number, data in frames]
    return frames, payload


def batch(chance, checks, folder, name, bits, has_byte):
    pairs = addresses(chance, name, bits, has_byte)
    mark = ID_EXTENDED if bits == 29 else 0
    expected, queues = {}, []
    for pair in pairs:
        pad = chance.choice([None, 0xCC, 0xAA, 0x00, 0x21, 0x30])
        queue = []
        for _ in range(CONVERSATIONS // len(pairs)):
            sender, receiver = chance.choice([pair, pair[::-1]])
            frames, payload = conversation(chance, sender, receiver, pad)
            queue += frames
            expected.setdefault(sender, []).append(payload)
        queues.append(queue)
    used = {byte for pair in pairs for _, byte in pair}
    lines, time = [], START
    while any(queues):
        time += chance.randint(100_000, 2_000_000)
        queue = chance.choice([queue for queue in queues if queue])
        number, data = queue.pop(0)
        lines.append((time, number | mark, data))
        if has_byte and chance.random() < 0.2:  # to or from a module that is not configured, on the same identifier
            byte = chance.choice([byte for byte in range(256) if byte not in used])
            lines.append((time, number | mark, bytes([byte]) + chance.randbytes(chance.randint(0, 7))))
        if chance.random() < 0.1:  # the same number with the other number of bits: another identifier
            lines.append((time, (number & 0x7FF) | (ID_EXTENDED ^ mark), chance.randbytes(8)))
    path = folder / f"{name}{bits}.pcap"
    path.write_bytes(pcap_bytes(lines))
    arguments = []
    for pair in pairs:
        sides = [hex_id(number, bits) + ("" if byte is None else f"/0x{byte:02X}") for number, byte in pair]
        arguments += ["--pair", ":".join(sides)]
    result = run("list", "messages", path, *arguments, "--format", "jsonl", "--secrets")
    checks.equal(result.returncode, 0, f"{name} {bits}: exit code ({result.stderr.decode()[:300]})")
    got = {}
    for line in result.stdout.decode().splitlines():
        message = parse_json(line)
        if message["kind"] != "message":
            continue
        checks.equal(message["state"], "complete", f"{name} {bits}: {line[:200]}")
        byte = message["address_byte"]
        key = (int(message["id"], 16), None if byte is None else int(byte, 16))
        checks.equal(len(message["id"]), 5 if bits == 11 else 10, f"{name} {bits}: digits of {message['id']}")
        got.setdefault(key, []).append(bytes.fromhex(message["bytes"]))
    for key in sorted(expected.keys() | got.keys(), key=str):
        mine, theirs = got.get(key, []), expected.get(key, [])
        checks.equal(len(mine), len(theirs), f"{name} {bits}: messages of {key}")
        for index, (ours, sent) in enumerate(zip(mine, theirs)):
            checks.that(ours == sent, f"{name} {bits}: message {index + 1} of {key} differs ({len(ours)}, {len(sent)})")
    return sum(map(len, expected.values()))


def main():
    checks = Checks()
    chance = random.Random(157652)
    sent = 0
    with temporary() as name:
        for index in range(BATCHES):
            sent += batch(chance, checks, pathlib.Path(name), *FORMATS[index % len(FORMATS)])
    print(f"{sent} conversations by Scapy compared")
    checks.that(sent > 1500, "too few conversations")
    checks.finish()


main()
