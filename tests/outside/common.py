"""What the scripts of this folder share: where things lie, running the program, traces as bytes, counting checks.

Shares no code with the decoder and none with the generator of the example traces.
"""

import datetime
import json
import os
import pathlib
import re
import struct
import subprocess
import sys
import tempfile
from decimal import Decimal
from fractions import Fraction

import yaml

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
JOBS = ROOT / "traces" / "jobs"
TARETRACE = os.environ.get("TARETRACE") or str(ROOT / "build" / "taretrace")

# What a terminal obeys or shows in another order: C0 but the line feed, DEL, C1, Unicode's bidirectional controls, line
# and paragraph separator.
HOSTILE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")

# tcpdump.org, "LINKTYPE_CAN_SOCKETCAN"; Linux include/uapi/linux/can.h.
ID_EXTENDED, ID_REMOTE, ID_ERROR = 0x80000000, 0x40000000, 0x20000000


class Checks:
    """Counts checks; the last line a script prints is `N checked`, and a difference makes it exit with 1."""

    def __init__(self, most=25):
        self.count = 0
        self.failed = 0
        self.most = most

    def that(self, good, what):
        """One check. `what` (text, or a function that makes it) says what differs."""
        self.count += 1
        if not good:
            self.failed += 1
            if self.failed <= self.most:
                print("DIFFERENCE:", what() if callable(what) else what)
        return good

    def equal(self, got, expected, where):
        return self.that(got == expected, lambda: f"{where}: got {got!r}, expected {expected!r}")

    def finish(self):
        if self.failed > self.most:
            print(f"... and {self.failed - self.most} more differences")
        if self.failed:
            print(f"{self.failed} differences")
        print(f"{self.count} checked")
        sys.exit(1 if self.failed or not self.count else 0)


def run(*arguments, program=None, environment=None, stdin=None):
    """Runs taretrace; gives exit code, stdout, stderr (bytes). A sanitizer's report or a signal is never normal."""
    if not os.access(program or TARETRACE, os.X_OK):
        raise SystemExit(f"{program or TARETRACE} is not there: build first, or name the program in TARETRACE")
    result = subprocess.run([program or TARETRACE, *map(str, arguments)], capture_output=True, timeout=600,
                            input=stdin if stdin is not None else b"",
                            env=None if environment is None else {**os.environ, **environment}, check=False)
    if result.returncode < 0 or result.returncode == 99 or b"Sanitizer" in result.stderr \
            or b"runtime error:" in result.stderr:
        raise SystemExit(f"taretrace {' '.join(map(str, arguments))} broke ({result.returncode}):\n"
                         + result.stderr.decode(errors="replace")[:4000])
    return result


def temporary():
    return tempfile.TemporaryDirectory(prefix="taretrace-test-")


def parse_json(text):
    """Strict: numbers stay exact, NaN and Infinity are refused, and so is a key given twice."""
    def refuse(constant):
        raise ValueError(f"{constant} is no JSON")

    def once(pairs):
        result = dict(pairs)
        if len(result) != len(pairs):
            raise ValueError("a key stands twice")
        return result
    return json.loads(text, parse_float=Decimal, parse_constant=refuse, object_pairs_hook=once)


def read_jsonl(path):
    with open(path, encoding="utf-8", newline="\n") as file:
        return [parse_json(line) for line in file]


class Job:
    """An example job: its trace, marks and definition files."""

    def __init__(self, name):
        self.name = name
        self.folder = JOBS / name
        self.trace = self.folder / "trace.pcap"
        with open(self.folder / "scenario.yaml", encoding="utf-8") as file:
            self.scenario = yaml.load(file, Loader=yaml.BaseLoader)
        self.definitions = [ROOT / "traces" / "definitions" / file for file in self.scenario["definitions"]]
        marks = self.folder / "marks.jsonl"
        self.marks = marks if marks.exists() else None

    def arguments(self, with_marks=True):
        """As a person types them."""
        result = [self.trace]
        for file in self.definitions:
            result += ["--definitions", file]
        if with_marks and self.marks:
            result += ["--marks", self.marks]
        return result


def jobs():
    result = [Job(path.parent.name) for path in sorted(JOBS.glob("*/scenario.yaml"))]
    if not result:
        raise SystemExit("no example jobs found")
    return result


class Frame:
    """One record of a trace that holds a classic CAN frame. Numbers count from 1, offsets in bytes."""

    __slots__ = ("number", "time", "offset", "data_offset", "word", "data")

    def __init__(self, number, time, offset, word, data):
        self.number, self.time, self.offset, self.word, self.data = number, time, offset, word, data
        self.data_offset = offset + 16 + 8

    @property
    def id(self):
        return self.word & (0x1FFFFFFF if self.word & ID_EXTENDED else 0x7FF)

    @property
    def is_data(self):
        return not self.word & (ID_ERROR | ID_REMOTE)


def read_pcap(path):
    """The whole records of a classic pcap file of link type 227 (man pcap-savefile(5)); a torn end is left out."""
    content = pathlib.Path(path).read_bytes()
    order = {b"\x4d\x3c\xb2\xa1": ("<", 1), b"\xa1\xb2\x3c\x4d": (">", 1),
             b"\xd4\xc3\xb2\xa1": ("<", 1000), b"\xa1\xb2\xc3\xd4": (">", 1000)}[content[:4]]
    frames, offset = [], 24
    while offset + 16 <= len(content):
        seconds, fraction, captured, _ = struct.unpack_from(order[0] + "IIII", content, offset)
        if offset + 16 + captured > len(content):
            break
        word, length = struct.unpack_from(">IB", content, offset + 16)
        data = content[offset + 24:offset + 24 + length]
        frames.append(Frame(len(frames) + 1, seconds * 10**9 + fraction * order[1], offset, word, data))
        offset += 16 + captured
    return frames


def pcap_bytes(frames):
    """A trace of (time in ns, CAN id word, data) triples: nanosecond magic, full-size records."""
    parts = [struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 227)]
    for time, word, data in frames:
        parts.append(struct.pack("<IIII", time // 10**9, time % 10**9, 16, 16)
                     + struct.pack(">IBBBB", word, len(data), 0, 0, 0) + bytes(data).ljust(8, b"\0"))
    return b"".join(parts)


def rfc3339(time):
    """Nanoseconds since 1970 as D 9.3 prints them: UTC, nine decimals."""
    start = datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)
    seconds, rest = divmod(time, 10**9)
    return (start + datetime.timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S") + f".{rest:09}Z"


# 1 lb: international yard and pound agreement of 1959; 1 oz is a sixteenth of it.
POUND = Fraction("0.45359237")
MASS = {"kg": Fraction(1), "g": Fraction(1, 1000), "lb": POUND, "oz": POUND / 16}
TIME = {"s": Fraction(1), "ms": Fraction(1, 1000)}


def number(text):
    """The number grammar of definition files (D 6.1): (Fraction, unit or '')."""
    digits, _, unit = text.partition(" ")
    return (Fraction(int(digits, 16)) if digits.startswith("0x") else Fraction(digits)), unit


def convert(value, unit, to):
    """Exact; only masses and times convert (D 6.1)."""
    for table in (MASS, TIME):
        if unit in table and to in table:
            return value * table[unit] / table[to]
    if unit != to:
        raise ValueError(f"'{unit}' is not '{to}'")
    return value


def decimal_text(value):
    """A Fraction in full where it ends within 18 places (D 2.7), as a Decimal for comparison; else None."""
    for places in range(19):
        if (value * 10**places).denominator == 1:
            return Decimal(int(value * 10**places)).scaleb(-places)
    return None
