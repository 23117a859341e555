#!/usr/bin/python3
"""Inputs as large as they may be, and one larger: memory stays within its bound, and what is refused is refused in one line.

Source: D 2.9 and 12 (memory does not grow with the file; under 32 MiB) and the ceilings of definitions/loader.h, which
docs/security.md lists. Memory is the largest resident size that wait4(2) gives for the process; the kernel counts this
script's own into it, which the process was before it became the program, so it is never too small. The traces and files
are made here; what must come out of them is counted by hand.
"""
import sys

sys.dont_write_bytecode = True
import os
import pathlib
import random
import struct
import subprocess

from common import ROOT, TARETRACE, Checks, temporary

MANY = 1_000_000
MIB = 1 << 20
SEAT = ROOT / "traces/definitions/seat-scale.yaml"
HEAD = """taretrace: 1
module:
  name: wide
  services: iso14229
  address: {format: normal, request: 0x5E3, response: 0x6C5}
identifiers:
"""


def measured(*arguments, out=subprocess.DEVNULL):
    """Exit code, what it said, and the largest resident size in bytes."""
    child = subprocess.Popen([TARETRACE, *map(str, arguments)], stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.PIPE)
    said = child.stderr.read()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    return child.returncode, said.decode(errors="replace"), usage.ru_maxrss * 1024


def many_ids(path):
    """A million frames, each with a 29-bit identifier of its own: first frames of long messages, which ask for room."""
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 227))
        for number in range(MANY):
            file.write(struct.pack("<IIII", 1_772_438_400 + number // 10_000, number % 10_000 * 100_000, 16, 16)
                       + struct.pack(">IBBBB", 0x80000000 | number * 263 & 0x1FFFFFFF, 8, 0, 0, 0)
                       + b"\x1F\xFF\x62" + struct.pack(">I", number) + b"\xCC")


def identifiers(checks, folder):
    trace = folder / "many.pcap"
    many_ids(trace)
    for name, code, arguments in (("verify", 2, ["verify", trace, "--definitions", SEAT]),
                                  ("verify --into", 2, ["verify", trace, "--definitions", SEAT, "--into", folder / "job"]),
                                  ("list frames", 0, ["list", "frames", trace]),
                                  ("list messages", 0, ["list", "messages", trace])):
        ended, said, memory = measured(*arguments)
        checks.equal(ended, code, f"a million identifiers, {name}: {said[:300]}")
        checks.that(memory < 32 * MIB, f"a million identifiers, {name}: {memory / MIB:.1f} MiB")
        print(f"a million identifiers, {name}: at most {memory / MIB:.1f} MiB")


def definitions(checks, folder):
    def tried(name, text, code, words, most):
        path = folder / "wide.yaml"
        path.write_bytes(text)
        ended, said, memory = measured("lint", path)
        checks.equal(ended, code, f"{name}: {said[:300]}")
        checks.that(memory < most, f"{name}: {memory / MIB:.1f} MiB")
        lines = [line for line in said.splitlines() if line.startswith(("error:", "warning:"))]
        if words:
            checks.that(len(lines) == 1 and words in lines[0], f"{name}: {said[:300]}")
        print(f"{name}: at most {memory / MIB:.1f} MiB")

    # One identifier of one field has 7 nodes: key, map, "name" and its text, "fields", map, field, map, "byte" and its text.
    one = "  0x{0:04X}: {{name: n{0}, fields: {{f: {{byte: 0}}}}}}\n"
    nodes = 10
    count = (200_000 - 40) // nodes
    full = (HEAD + "".join(one.format(number) for number in range(count))).encode()
    tried(f"a definition file of {count} identifiers", full, 0, None, 256 * MIB)
    more = (HEAD + "".join(one.format(number) for number in range(count + 10))).encode()
    tried("one of more than 200,000 nodes", more, 65, "more than 200000 nodes", 256 * MIB)
    comment = b"# " + b"x" * 97 + b"\n"
    small = SEAT.read_bytes()
    filled = (small + comment * ((4 * MIB - len(small)) // len(comment))).ljust(4 * MIB, b"\n")
    tried("a definition file of 4 MiB", filled, 0, None, 64 * MIB)
    tried("one of 4 MiB and a byte", filled + b"\n", 65, "larger than 4 MiB", 64 * MIB)
    deep = b"taretrace: 1\nmodule: " + b"[" * 40 + b"]" * 40 + b"\n"
    tried("lists 40 deep", deep, 65, "32 deep", 64 * MIB)


def marks(checks, folder):
    """4,096 marks are taken, one more is not; the trace has a place for each."""
    dice = random.Random(7)
    trace = ROOT / "traces/jobs/clean/trace.pcap"
    lines = ['{"time":"2026-03-02T08:00:%02d.%09dZ","kind":"note","text":"n"}' % (1 + number // 300, dice.randrange(10**9))
             for number in range(4097)]
    path = folder / "marks.jsonl"
    for count, code in ((4096, (0, 1, 2)), (4097, (65,))):
        path.write_text("\n".join(lines[:count]) + "\n")
        ended, said, memory = measured("verify", trace, "--definitions", SEAT, "--marks", path)
        checks.that(ended in code, f"{count} marks: ended {ended}: {said[:300]}")
        checks.that(memory < 32 * MIB, f"{count} marks: {memory / MIB:.1f} MiB")
        print(f"{count} marks: at most {memory / MIB:.1f} MiB")


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name)
        identifiers(checks, folder)
        definitions(checks, folder)
        marks(checks, folder)
    checks.finish()


main()
