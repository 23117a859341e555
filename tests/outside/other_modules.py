#!/usr/bin/python3
"""Whole jobs of the example modules that are not plain: extended addressing zeroed by input/output control, zeroed by a
write, ISO 14230-3 by local identifiers, CAN FD with 29-bit ids.

The expected answers are worked by hand from the design's rules (D 7.3: which requests open an attempt; D 7.9, 7.10) and
from the layouts of ISO 14229-1:2020 (2F, 2E, 31, 19 02) and ISO 14230-3 (31/33, 21, 1A, 14, 18; status byte of 18 from
memory). Frames by a small encoder of this file: ISO 15765-2:2016 9.6 (single, first, consecutive; CAN FD escape form).
"""
import struct
import sys

sys.dont_write_bytecode = True
import json
import pathlib

from common import ROOT, Checks, parse_json, run, temporary

EXAMPLES = ROOT / "definitions" / "examples"
START = 1772438400 * 10**9  # 2026-03-02T08:00:00Z, an invented workshop's clock
ID_29 = 0x80000000
FD_SIZES = [*range(9), 12, 16, 20, 24, 32, 48, 64]


class Trace:
    """Conversations of one pair; time is in milliseconds."""

    def __init__(self, request, response, request_byte=None, response_byte=None, fd=False):
        self.sides = {"ask": (request, response, request_byte, response_byte),
                      "say": (response, request, response_byte, request_byte)}
        self.fd = fd
        self.now = 0
        self.records = []

    def frame(self, word, data, fd=False):
        time = START + int(self.now * 1_000_000)
        size = next(size for size in FD_SIZES if size >= len(data)) if fd else 8
        data = data + bytes(size - len(data))
        packet = struct.pack(">IBBBB", word, len(data), 4 if fd else 0, 0, 0) + data.ljust(64 if fd else 8, b"\0")
        self.records.append(struct.pack("<IIII", time // 10**9, time % 10**9, len(packet), len(packet)) + packet)
        self.now += 1

    def send(self, side, text):
        own, other, own_byte, other_byte = self.sides[side]
        payload = bytes.fromhex(text)
        head = b"" if own_byte is None else bytes([own_byte])
        room = 7 - len(head)
        if len(payload) <= room:
            self.frame(own, head + bytes([len(payload)]) + payload)
            return
        if self.fd and len(payload) <= 62 - len(head):
            self.frame(own, head + bytes([0, len(payload)]) + payload, fd=True)
            return
        self.frame(own, head + struct.pack(">H", 0x1000 | len(payload)) + payload[:room - 1])
        flow = b"" if other_byte is None else bytes([other_byte])
        self.frame(other, flow + b"\x30\0\0")
        rest = payload[room - 1:]
        for number in range((len(rest) + room - 1) // room):
            self.frame(own, head + bytes([0x20 | (number + 1) & 15]) + rest[number * room:(number + 1) * room])

    def talk(self, question, *answers):
        self.send("ask", question)
        for answer in answers:
            self.now += 8
            self.send("say", answer)
        self.now += 100

    def write(self, path):
        path.write_bytes(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 227) + b"".join(self.records))


def judge(checks, name, definition, trace, exit_code, answers, marks=(), parts=1, attempts=None):
    """answers: of the last attempt of the last part, in the order of the procedure's steps."""
    with temporary() as folder:
        folder = pathlib.Path(folder)
        trace.write(folder / "trace.pcap")
        arguments = ["verify", folder / "trace.pcap", "--definitions", EXAMPLES / definition, "--into", folder / "job"]
        if marks:
            (folder / "marks.jsonl").write_text("".join(json.dumps(mark) + "\n" for mark in marks), encoding="utf-8")
            arguments += ["--marks", folder / "marks.jsonl"]
        result = run(*arguments)
        checks.equal(result.returncode, exit_code, f"{name}: exit code ({result.stdout.decode()[-400:]})")
        verdict = parse_json((folder / "job" / "verdict.json").read_text(encoding="utf-8"))
        checks.equal(verdict["part_count"], parts, f"{name}: parts")
        last = verdict["parts"][-1]
        if attempts is not None:
            checks.equal(last["attempt_count"], attempts, f"{name}: attempts")
        steps = last["attempts"][-1]["steps"]
        short = {"confirmed": "c", "contradicted": "x", "not confirmed": "n", "recorded": "r"}
        checks.equal("".join(short[step["answer"]] for step in steps), answers,
                     f"{name}: answers ({[step['reason'] for step in steps]})")
        return steps


def frame_scale():
    """0x6F1/0x1C asks, 0x61C/0xF1 answers; the left and the right side come on pages."""
    return Trace(0x6F1, 0x61C, 0x1C, 0xF1)


def frame_loads(trace, left="FFFE", right="0002", count=6):
    for _ in range(count):  # two's complement times 0.05 kg: -0.1 kg and 0.1 kg, supply 0x7B = 12.3 V
        trace.talk("22 4A10", f"62 4A10 01 {left} 7B 01")
        trace.talk("22 4A10", f"62 4A10 02 {right} 7B 01")
        trace.now += 300


def controls(checks):
    job = frame_scale()
    frame_loads(job, count=1)
    job.talk("2F 4A20 03 01", "7F 2F 22")             # refused: opens nothing (D 7.3)
    job.talk("2F 4A20 03 01", "7F 2F 78", "6F 4A20 03 00")
    frame_loads(job)
    job.talk("19 02 19", "59 02 FF")
    steps = judge(checks, "control", "extended-address.yaml", job, 0, "cccc", attempts=1)
    checks.equal(len(steps[0]["tries"]), 1, "control: the refused try is listed")
    checks.equal((steps[1]["deciding"]["lowest"], steps[2]["deciding"]["highest"]),
                 (parse_json("-0.1"), parse_json("0.1")), "control: values of the pages")

    job = frame_scale()
    frame_loads(job, count=1)
    job.talk("2F 4A20 00", "6F 4A20 00 00")           # returnControlToECU opens nothing and is no outcome of `set`
    frame_loads(job)
    job.talk("19 02 19", "59 02 FF")
    judge(checks, "control given back only", "extended-address.yaml", job, 2, "nccc", attempts=1)

    job = frame_scale()
    job.talk("2F 4A20 03 01", "6F 4A20 03 00")
    frame_loads(job)
    job.talk("19 02 19", "59 02 FF")
    job.talk("2F 4A20 03 01", "6F 4A20 03 01")        # zeroed again, still busy: every earlier proof is stale
    judge(checks, "control set again", "extended-address.yaml", job, 2, "nnnn", attempts=2)

    job = frame_scale()
    job.talk("2F 4A20 03 01", "6F 4A20 03 02")        # seat not empty
    frame_loads(job, left="0014")                     # 1 kg
    job.talk("19 02 19", "59 02 FF 9B 10 54 09")
    judge(checks, "control contradicted", "extended-address.yaml", job, 1, "xxcx", attempts=1)


def writes(checks):
    def scale():
        return Trace(ID_29 | 0x18DA53F1, ID_29 | 0x18DAF153)

    def loads(trace, values):
        for value in values:
            trace.talk("22 F1A0", f"62 F1A0 {value} 41F00000")
            trace.now += 400

    near = ["BE000000", "3E000000"] * 3               # binary32 -0.125 and 0.125
    job = scale()
    job.talk("2E F1A1 41F00000", "6E F1A1 00")
    loads(job, near)
    job.talk("19 02 19", "59 02 FF")
    steps = judge(checks, "write", "zeroed-by-write.yaml", job, 0, "ccc", attempts=1)
    checks.equal((steps[1]["deciding"]["lowest"], steps[1]["deciding"]["highest"]),
                 (parse_json("-0.125"), parse_json("0.125")), "write: exact floats")

    job = scale()
    job.talk("2E F1A1 41F00000", "6E F1A1 00")
    loads(job, near[:3] + ["7FC00000"] + near[:3])    # NaN is invalid and ends the stretch (D 6.4, 7.6)
    job.talk("19 02 19", "59 02 FF")
    judge(checks, "write with NaN", "zeroed-by-write.yaml", job, 2, "cnc", attempts=1)

    job = scale()
    job.talk("2E F1A1 41F00000", "7F 2E 31")
    loads(job, near)
    job.talk("19 02 19", "59 02 FF")
    judge(checks, "write refused", "zeroed-by-write.yaml", job, 1, "xcc", attempts=1)

    job = scale()
    job.talk("2E F1A1 41F00000")                      # no answer: the module may have acted, and nothing shows it
    loads(job, near)
    job.talk("19 02 19", "59 02 FF")
    judge(checks, "write unanswered", "zeroed-by-write.yaml", job, 2, "ncc", attempts=1)


UNIT = "534D32303031"  # "SM2001"
SERIAL = {"time": "2026-03-02T07:59:59Z", "kind": "identity", "name": "serial number", "text": "0001e240"}


def mats(checks):
    def mat():
        return Trace(0x6B4, 0x5A4)

    def zero(trace):
        trace.talk("31 0A 00", "71 0A")
        trace.talk("33 0A", "73 0A 40")
        trace.now += 500
        trace.talk("33 0A", "7F 33 23")               # routineNotComplete: decides nothing
        trace.talk("33 0A", "73 0A 80")

    def loads(trace):
        for _ in range(6):                            # -1/64 * 16 = -0.25 lb, 155 on the curve = 14.6 V, ready
            trace.talk("21 21", "61 21 FFF0 9B 00 D204")
            trace.now += 400

    def whole(codes, ask="18 03 FF00", after=()):
        job = mat()
        job.talk("1A 9B", f"5A 9B {UNIT} 0001E240")
        zero(job)
        loads(job)
        job.talk("14 FF00", "54 FF00")
        job.talk(ask, codes)
        for exchange in after:
            job.talk(*exchange)
        return job

    clean = "58 02 9A42 00 9A50 00"                   # both supported codes: not stored, tested
    judge(checks, "14230", "local-identifiers.yaml", whole(clean), 0, "cccccc", [SERIAL], attempts=1)
    judge(checks, "14230 present", "local-identifiers.yaml", whole("58 02 9A42 60 9A50 00"), 1, "ccccxc", [SERIAL])
    judge(checks, "14230 stored", "local-identifiers.yaml", whole("58 02 9A42 20 9A50 00"), 1, "ccccxc", [SERIAL])
    judge(checks, "14230 not tested", "local-identifiers.yaml", whole("58 02 9A42 10 9A50 00"), 2, "ccccnc", [SERIAL])
    judge(checks, "14230 identified only", "local-identifiers.yaml", whole("58 00", "18 00 FF00"), 2, "ccccnc", [SERIAL])
    judge(checks, "14230 chassis group", "local-identifiers.yaml", whole(clean, "18 03 4000"), 2, "ccccnc", [SERIAL])
    judge(checks, "14230 other unit", "local-identifiers.yaml", whole(clean), 1, "cccccx",
          [{**SERIAL, "text": "0001e241"}])
    # The mark spoke for the unit that was read after it; the second unit has a part of its own and nobody spoke for it.
    judge(checks, "14230 two units", "local-identifiers.yaml",
          whole(clean, after=[("1A 9B", f"5A 9B {UNIT} 0001E241")]), 2, "nnnnnn", [SERIAL], parts=2)
    judge(checks, "14230 cleared afterwards", "local-identifiers.yaml",
          whole(clean, after=[("14 FF00", "54 FF00")]), 2, "ccccnc", [SERIAL])


def arrays(checks):
    """CAN FD, 29-bit ids: an answer of 23 bytes in one frame, a broadcast of 24 bytes."""
    def job(airbag):
        trace = Trace(ID_29 | 0x17F00053, ID_29 | 0x17F10053, fd=True)
        trace.talk("31 01 0310", "71 01 0310")
        trace.talk("31 03 0310", "71 03 0310 00")
        for _ in range(6):                            # 0.1 + 0.1 - 0.05 - 0.1 = 0.05 kg, little endian thousandths
            trace.talk("22 5200", "62 5200 64000000 64000000 CEFFFFFF 9CFFFFFF 300C 0000")
            trace.frame(ID_29 | 0x17FF5301, bytes(22) + bytes([airbag, 1]), fd=True)
            trace.now += 400
        return trace

    steps = judge(checks, "fd", "can-fd.yaml", job(0x00), 0, "ccc", attempts=1)
    checks.equal(steps[1]["deciding"]["highest"], parse_json("0.05"), "fd: the sum of the cells")
    judge(checks, "fd, airbag low", "can-fd.yaml", job(0x10), 1, "ccx", attempts=1)


def main():
    checks = Checks()
    controls(checks)
    writes(checks)
    mats(checks)
    arrays(checks)
    checks.finish()


main()
