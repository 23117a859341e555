#!/usr/bin/python3
"""Conversations of the kernel's own ISO-TP sockets, written by an independent witness, against taretrace.

    conversations.py [--reuse] [GROUP...]     default: all groups; --reuse: the traces of the last run

Linux's ISO 15765-2 sockets (net/can/isotp.c) are the outside check: both ends are theirs, neither encoder is ours. For
each group (an address format, or a CAN FD frame length) plans are written from a seed, spoken inside the emulated
machine (tests/bench/vm), and the witness's trace comes out. `taretrace list messages` must then give every payload
that was sent exactly once, in order for each sender, and nothing else. Formats, lengths: ISO 15765-2:2016 9.4 to 9.6.
"""

import argparse
import dataclasses
import os
import pathlib
import random
import shutil
import struct
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))
from common import Checks, parse_json, run  # noqa: E402

WORK = ROOT / "build" / "bench-vm" / "conversations"
HERE = pathlib.Path(__file__).resolve().parent
SEED = 15765
AT_ONCE = 6       # groups that talk at the same time
LONGEST = 8000    # the kernel's limit is 8,200 bytes (net/can/isotp.c, MAX_MSG_LENGTH)
BLOCK_SIZES = [0, 1, 2, 8, 15]
STMINS = [0, *range(0xF1, 0xFA), 1, 2, 3, 4, 5]      # 0, 100 to 900 us, 1 to 5 ms
PADS = [None, 0x00, 0x55, 0xAA, 0xCC, 0xFF]
TX_DLS = [8, 12, 16, 20, 24, 32, 48, 64]


@dataclasses.dataclass(frozen=True)
class Pair:
    """Who talks to whom: ids as hex text of 3 or 8 digits, address bytes or None."""
    request: str
    response: str
    request_byte: int | None = None
    response_byte: int | None = None
    functional: bool = False    # requests to everybody: single frames only

    def option(self):
        def end(identifier, byte):
            return f"0x{identifier}" + ("" if byte is None else f"/0x{byte:02X}")
        return f"{end(self.request, self.request_byte)}:{end(self.response, self.response_byte)}"

    def sender(self, to_module):
        """As the listing names it: id and address byte."""
        identifier, byte = (self.request, self.request_byte) if to_module else (self.response, self.response_byte)
        return f"0x{identifier.lower()}", None if byte is None else f"0x{byte:02x}"


@dataclasses.dataclass(frozen=True)
class Group:
    name: str
    pairs: list
    lengths: tuple = ()      # TX_DL of CAN FD, one drawn for each end; empty: classic CAN


NORMAL_11 = [Pair("5E3", "6C5"), Pair("7E0", "7E8"), Pair("00A", "009")]
NORMAL_29 = [Pair("00000001", "1FFFFFFF"), Pair("0ABCDEF0", "0ABCDEF1"), Pair("000005E3", "000006C5")]
EXTENDED = [Pair("640", "641", 0x29, 0xF4), Pair("640", "642", 0x30, 0xF4),     # one tester id, two modules
            Pair("650", "651", 0x01, 0x81), Pair("650", "651", 0x02, 0x82)]      # both ids shared
MIXED = [Pair("660", "661", 0x10, 0x10), Pair("660", "661", 0x20, 0x20), Pair("670", "671", 0xFF, 0xFF)]
MIXED_29 = [Pair("18CE29F4", "18CEF429", 0x21, 0x21), Pair("18CE29F4", "18CEF429", 0x22, 0x22),
            Pair("18CE30F4", "18CEF430", 0x00, 0x00)]
GROUPS = [
    Group("normal-11", NORMAL_11 + [Pair("7DF", "7EF", functional=True)]),
    Group("normal-29", NORMAL_29),
    # 0x18DATTSS physical, 0x18DBTTSS functional
    Group("normal-fixed", [Pair("18DA29F4", "18DAF429"), Pair("18DA30F4", "18DAF430"), Pair("14DA29F5", "14DAF529"),
                           Pair("18DB33F6", "18DAF633", functional=True)]),
    Group("extended-11", EXTENDED + [Pair("640", "643", 0xDF, 0xF4, functional=True)]),
    Group("extended-29", [Pair("18000640", "18000641", 0x29, 0xF4), Pair("18000640", "18000642", 0x30, 0xF4),
                          Pair("18000650", "18000651", 0x01, 0x81), Pair("18000650", "18000651", 0x02, 0x82)]),
    Group("mixed-11", MIXED),
    Group("mixed-29", MIXED_29 + [Pair("18CD33F4", "18CEF433", 0x21, 0x21, functional=True)]),
    *[Group(f"fd-{length}", NORMAL_11, (length,)) for length in TX_DLS],
    # Here each end has its own TX_DL, drawn anew for each session.
    Group("fd-normal-29", NORMAL_29[:2] + [Pair("18DA29F4", "18DAF429")], tuple(TX_DLS)),
    Group("fd-extended", EXTENDED, tuple(TX_DLS)),
    Group("fd-mixed", MIXED + MIXED_29[:2], tuple(TX_DLS)),
    Group("fd-functional", [Pair("7DF", "7EF", functional=True), Pair("18DB33F6", "18DAF633", functional=True)],
          tuple(TX_DLS)),
]


def single_frame_most(dl, extended):
    """Longest payload of a single frame (9.6.2): 7 bytes, TX_DL - 2 with CAN FD above 8; an address byte takes one."""
    return (7 if dl == 8 else dl - 2) - (1 if extended else 0)


class Planner:
    """Writes the plan of a pair, and keeps what each sender says, in order."""

    def __init__(self, group, pair, lengths, generator):
        self.group, self.pair, self.random = group, pair, generator
        self.lines = []
        self.sent = {pair.sender(True): [], pair.sender(False): []}
        self.waiting = lengths        # (to module, length)
        self.cycles = {}

    def draw(self, name, values):
        """Each value in turn, in a new random order each time, so that none is left out."""
        if not self.cycles.get(name):
            self.cycles[name] = self.random.sample(values, len(values))
        return self.cycles[name].pop()

    def open_socket(self, name, to_module, dl, flow, more=""):
        pair = self.pair
        ends = [(pair.request, pair.request_byte), (pair.response, pair.response_byte)]
        (tx, ext), (rx, rx_ext) = ends if to_module else ends[::-1]
        words = [f"socket {name} bus={{bus}} tx={tx} rx={rx}"]
        if ext is not None:
            words.append(f"ext={ext} rxext={rx_ext}")
        pad = self.draw("pad", PADS)
        if pad is not None:
            words.append(f"pad={pad}")
        if self.group.lengths:
            words.append(f"dl={dl}")
        words.append(f"bs={flow[0]} stmin={flow[1]} txtime={self.draw('txtime', [0, 50000])}")
        self.lines.append(" ".join(words) + more)

    def payload(self, to_module, length):
        payload = self.random.randbytes(length)
        self.sent[self.pair.sender(to_module)].append(payload)
        return f"{'T M' if to_module else 'M T'} {payload.hex()}"

    def session(self):
        """New sockets with new options, then some payloads: in turn, both ends at once, or several in a row."""
        take = [self.waiting.pop() for _ in range(min(len(self.waiting), self.random.randint(2, 8)))]
        dl = {end: self.draw("dl" + end, list(self.group.lengths) or [8]) for end in "TM"}
        flow = {end: (self.draw("bs" + end, BLOCK_SIZES), self.draw("stmin" + end, STMINS)) for end in "TM"}
        most = max(length for _, length in take)
        for end in "TM":
            # A long message with a long separation time would keep everybody waiting.
            stmin = flow[end][1]
            if stmin <= 5 and most / (min(dl.values()) - 2) * stmin > 700:
                flow[end] = (flow[end][0], self.random.choice([0, 0xF1, 0xF3]))
            self.open_socket(end, end == "T", dl[end], flow[end])
        way = self.random.choice(["in turn", "at once", "in a row"])
        if way == "in turn":
            self.lines += ["say " + self.payload(to_module, length) for to_module, length in take]
        elif way == "at once":
            for to_module, length in take:
                back = length if length < 600 else 40
                self.lines += ["send " + self.payload(to_module, length), "send " + self.payload(not to_module, back),
                               "take M", "take T"]
        else:
            self.lines += ["send " + self.payload(to_module, length) for to_module, length in take]
            self.lines += ["take M" if to_module else "take T" for to_module, _ in take]

    def functional(self):
        """A tester asks everybody; a module answers with single frames (its flow control would come by another id)."""
        for dl in self.group.lengths or [8]:
            most = single_frame_most(dl, self.pair.request_byte is not None)
            self.open_socket("T", True, dl, (0, 0), " broadcast=1")
            self.open_socket("M", False, dl, (0, 0))
            # What hears the answers; it never sends, since nothing here is longer than one frame.
            self.open_socket("A", True, dl, (0, 0), " listen=1")
            for length in self.random.sample(range(1, most + 1), most):
                self.lines.append("say " + self.payload(True, length))
                self.lines.append("say " + self.payload(False, most + 1 - length).replace("M T", "M A"))

    def plan(self):
        if self.pair.functional:
            self.functional()
        else:
            while self.waiting:
                self.session()
        return "\n".join(self.lines) + "\n"


def lengths_of(group, generator):
    """(to module, length) for a whole group: every short length both ways, the edges, and some at random."""
    biggest = max(group.lengths or (8,))
    short = list(range(1, max(40, 2 * biggest + 20)))
    edges = [255, 256, 4095, 4096, generator.choice([4094, 4097, LONGEST - 1]), LONGEST]
    drawn = [generator.randint(100, 1000) for _ in range(6)] + [generator.randint(1000, LONGEST)]
    lengths = [(way, length) for length in short for way in (True, False)]
    lengths += [(bool(i % 2), length) for i, length in enumerate(edges + drawn)]
    generator.shuffle(lengths)
    return lengths


def write_plans(group, folder):
    """Writes a plan for each pair; gives what each (id, address byte) says in order."""
    generator = random.Random(f"{SEED} {group.name}")
    talking = [pair for pair in group.pairs if not pair.functional]
    lengths = lengths_of(group, generator)
    folder.mkdir(parents=True)
    sent = {}
    for number, pair in enumerate(group.pairs):
        share = lengths[talking.index(pair)::len(talking)] if pair in talking else []
        planner = Planner(group, pair, share, generator)
        (folder / f"{number}.plan").write_text(planner.plan(), encoding="ascii")
        sent.update(planner.sent)
    return sent


def speak(groups):
    """Runs the machine on the plans; gives whether the kernel's own sockets lost nothing."""
    shutil.rmtree(WORK / "results", ignore_errors=True)
    programs = []
    for name in ("witness", "isotp_talk"):
        program = WORK / name
        subprocess.run(["gcc", "-std=gnu17", "-O2", "-Wall", "-o", program, HERE / f"{name}.c"], check=True)
        programs += ["--with", program]
    result = subprocess.run(["sh", HERE / "vm", *programs, "--with", f"plans={WORK / 'plans'}", "--timeout", "240",
                             "--into", WORK / "results", HERE / "conversations.sh", str(AT_ONCE)], check=False)
    if result.returncode not in (0, 1):
        sys.exit(f"the emulated machine ended with {result.returncode}")
    return result.returncode == 0


def read_trace(path):
    """(id, is FD, data) of each record: pcap-savefile(5), tcpdump.org LINKTYPE_CAN_SOCKETCAN."""
    trace = path.read_bytes()
    magic, _, _, _, _, _, link = struct.unpack_from("<IHHiIII", trace)
    assert magic == 0xA1B23C4D and link == 227
    at, frames = 24, []
    while at < len(trace):
        _, _, captured, size = struct.unpack_from("<IIII", trace, at)
        identifier, length, flags = struct.unpack_from(">IBB", trace, at + 16)
        frames.append((identifier, bool(flags & 4), trace[at + 24:at + 24 + length]))
        assert captured == size == (72 if flags & 4 else 16) and length <= size - 8
        at += 16 + captured
    return frames


def check_trace(group, frames, checks):
    """The trace must hold what the group is for, else the check would check nothing."""
    name = group.name
    count_line = (WORK / "results" / f"{name}.pcap.count").read_text(encoding="ascii")
    checks.equal(count_line, f"frames {len(frames)} dropped 0\n", f"{name}: what the witness counted")
    checks.that(all(fd == bool(group.lengths) for _, fd, _ in frames), f"{name}: classic and CAN FD frames mixed up")
    offset = 0 if group.pairs[0].request_byte is None else 1
    kinds = {data[offset] >> 4 for _, _, data in frames}
    if all(pair.functional for pair in group.pairs):
        checks.equal(kinds, {0}, f"{name}: kinds of frame")
        return
    checks.equal(kinds, {0, 1, 2, 3}, f"{name}: kinds of frame")
    flows = [data[offset + 1:offset + 3] for _, _, data in frames if data[offset] >> 4 == 3]
    checks.equal({flow[0] for flow in flows}, set(BLOCK_SIZES), f"{name}: block sizes")
    stmins = {flow[1] for flow in flows}
    checks.that(0 in stmins and len(stmins & set(range(1, 6))) > 1 and len(stmins & set(range(0xF1, 0xFA))) > 3,
                f"{name}: too few STmin values")
    checks.that(any(data[offset:offset + 4] == b"\x10\x00\x00\x00" for _, _, data in frames),
                f"{name}: no first frame with the escape length")
    firsts = {len(data) for _, _, data in frames if data[offset] >> 4 == 1}
    checks.equal(firsts, set(group.lengths or (8,)), f"{name}: lengths of first frames")


def check_listing(group, sent, checks):
    """Every payload back exactly once, in order for each sender; none invented, none abandoned, nothing to remark."""
    name = group.name
    options = [word for pair in group.pairs for word in ("--pair", pair.option())]
    result = run("list", "messages", WORK / "results" / f"{name}.pcap", *options, "--secrets", "--format", "jsonl")
    if not checks.equal(result.returncode, 0, f"{name}: exit code (stderr: {result.stderr[:300]!r})"):
        return
    got = {sender: [] for sender in sent}
    for line in result.stdout.decode().splitlines():
        message = parse_json(line)
        sender = message["id"], message["address_byte"]
        where = f"{name}: message of frames {message['first_frame']} to {message['last_frame']}"
        if not checks.that(sender in sent, lambda: f"{where}: nobody talks as {sender}"):
            continue
        checks.equal((message["kind"], message["state"], message["reason"], message["remarks"]),
                     ("message", "complete", None, []), where)
        payload = bytes.fromhex(message["bytes"])
        checks.equal(message["length"], len(payload), f"{where}: length")
        got[sender].append(payload)
    for sender, payloads in sent.items():
        checks.equal(len(got[sender]), len(payloads), f"{name}: number of messages of {sender}")
        for number, (mine, its) in enumerate(zip(got[sender], payloads)):
            if not checks.that(mine == its, lambda: f"{name}: payload {number} of {sender}: got {len(mine)} bytes "
                                                    f"{mine[:12].hex()}..., sent {len(its)} {its[:12].hex()}..."):
                break    # out of step: the rest would all differ


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--reuse", action="store_true")
    parser.add_argument("groups", nargs="*", metavar="GROUP")
    arguments = parser.parse_args()
    names = [group.name for group in GROUPS]
    for name in arguments.groups:
        if name not in names:
            sys.exit(f"no group {name}; there are: {' '.join(names)}")
    groups = [group for group in GROUPS if not arguments.groups or group.name in arguments.groups]

    shutil.rmtree(WORK / "plans", ignore_errors=True)
    sent = {group.name: write_plans(group, WORK / "plans" / group.name) for group in groups}
    if not arguments.reuse:
        # On a machine so busy that the kernel's own timers ran out, a second run is fair: nothing of ours was judged.
        speak(groups) or speak(groups)
    checks = Checks()
    for group in groups:
        said = (WORK / "results" / f"{group.name}.said").read_text(encoding="ascii").splitlines()
        delivered = sum(int(line.split()[2]) for line in said if line.split()[1] == "delivered")
        checks.equal([line for line in said if "line" in line.split()], [], f"{group.name}: lost between the sockets")
        checks.equal(delivered, sum(map(len, sent[group.name].values())), f"{group.name}: payloads delivered")
        frames = read_trace(WORK / "results" / f"{group.name}.pcap")
        before = checks.failed
        check_trace(group, frames, checks)
        check_listing(group, sent[group.name], checks)
        print(f"{group.name}: {delivered} payloads, {len(frames)} frames"
              + ("" if checks.failed == before else f", {checks.failed - before} DIFFERENCES"))
    checks.finish()


if __name__ == "__main__":
    main()
