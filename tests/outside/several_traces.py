#!/usr/bin/python3
"""Several traces at once, and pcapng: every bus keeps its frames, conversations and copy to itself (D 4.3, 5.3, 5.7, 9.2).

Sources: the frames of `list frames` against the trace's bytes as read here (man pcap-savefile(5), Linux linux/can.h);
pcapng blocks written here after draft-ietf-opsawg-pcapng (section header, interface description with if_tsresol 9,
enhanced packet); SHA-256 by hashlib. What the conversations hold is written down by hand beside them.
"""
import sys

sys.dont_write_bytecode = True
import hashlib
import json
import pathlib
import struct

from common import ID_ERROR, ID_EXTENDED, ID_REMOTE, Checks, jobs, parse_json, pcap_bytes, read_jsonl, read_pcap, run, \
    temporary

START = 1772438400 * 10**9
PAIR = ("--pair", "0x5E3:0x6C5")
# Interface 0 and 1 ask different things with the same ids at the same times, each answer between the other's frames.
TALK = [(0, 0x5E3, "0322f190"), (1, 0x5E3, "0322f191"), (1, 0x6C5, "0462f19142"), (0, 0x6C5, "0462f19041")]


def block(kind, body):
    body += b"\0" * (-len(body) % 4)
    return struct.pack("<II", kind, len(body) + 12) + body + struct.pack("<I", len(body) + 12)


def option(code, value):
    return struct.pack("<HH", code, len(value)) + value + b"\0" * (-len(value) % 4)


def pcapng_bytes(names, packets):
    """packets: (interface, time in ns, CAN id, data)."""
    parts = [block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))]
    parts += [block(1, struct.pack("<HHI", 227, 0, 0) + option(2, name) + option(9, b"\x09") + option(0, b""))
              for name in names]
    for interface, time, word, data in packets:
        frame = struct.pack(">IBBBB", word, len(data), 0, 0, 0) + data.ljust(8, b"\0")
        head = struct.pack("<IIIII", interface, time >> 32, time & 0xFFFFFFFF, len(frame), len(frame))
        parts.append(block(6, head + frame))
    return b"".join(parts)


def check_frames(checks, job):
    """Each line of `list frames` is the record with its number."""
    frames = read_pcap(job.trace)
    lines = [json.loads(line) for line in run("list", "frames", job.trace, "--format", "jsonl").stdout.splitlines()]
    checks.equal([line["frame"] for line in lines], [frame.number for frame in frames], f"{job.name}: frame numbers")
    for line, frame in zip(lines, frames):
        where = f"{job.name}: frame {frame.number}"
        error = bool(frame.word & ID_ERROR)
        digits = 8 if frame.word & ID_EXTENDED else 3
        checks.equal(line["id"], None if error else f"0x{frame.id:0{digits}x}", where)
        checks.equal(line["form"], "error" if error else "remote" if frame.word & ID_REMOTE else "classic", where)
        checks.equal(line["bytes"], "" if frame.word & ID_REMOTE else frame.data.hex(), where)
        checks.equal(round(line["seconds"] * 10**9), frame.time - frames[0].time, where)


def check_pcapng(checks, folder):
    packets = [(interface, START + 10**6 * i, word, bytes.fromhex(data))
               for i, (interface, word, data) in enumerate(TALK)]
    content = pcapng_bytes([b"can0", b"can1"], packets)
    path = folder / "two.pcapng"
    path.write_bytes(content)
    listing = run("list", "exchanges", path, *PAIR, "--format", "jsonl").stdout
    lines = [json.loads(line) for line in listing.splitlines()]
    got = sorted((line["bus"], line["request"]["bytes"], [one["bytes"] for one in line["responses"]], line["state"])
                 for line in lines)
    checks.equal(got, [("1", "22f190", ["62f19041"], "answered"), ("2", "22f191", ["62f19142"], "answered")],
                 "conversations of two interfaces")
    for name, source, stdin in (("file", path, None), ("stdin", "-", content)):
        into = folder / name
        run("verify", source, *PAIR, "--into", into, stdin=stdin)
        verdict = parse_json((into / "verdict.json").read_text(encoding="utf-8"))
        for i, trace in enumerate(verdict["traces"]):
            copy = (into / trace["file"]).read_bytes()
            checks.equal(copy, pcap_bytes([packet[1:] for packet in packets if packet[0] == i]), f"{name}: copy {i}")
            checks.equal((trace["file"], trace["bus"]), (f"trace-{i + 1}.pcap", str(i + 1)), f"{name}: name")
            checks.equal(trace["sha256"], hashlib.sha256(copy).hexdigest(), f"{name}: SHA-256 of the part")
            checks.equal(trace["original"], {"sha256": hashlib.sha256(content).hexdigest(), "interface": i,
                                             "name": f"can{i}"}, f"{name}: original")
        checks.equal(len(verdict["traces"]), 2, f"{name}: traces")
        checks.equal([line["bus"] for line in read_jsonl(into / "log.jsonl") if line["kind"] == "exchange"], ["2", "1"],
                     f"{name}: buses in the log")


def check_buses(checks, folder):
    """The same module on two buses is judged on neither, until a person says which."""
    listed = {job.name: job for job in jobs()}
    clean, other = listed["clean"], listed["refused-twice"]
    both = ["verify", clean.trace, other.trace, "--definitions", *clean.definitions]
    result = run(*both, "--into", folder / "mixed")
    checks.equal(result.returncode, 65, "two vehicles at once")
    checks.that(b"bus 1 and on bus 2" in result.stderr, "two vehicles at once: no reason is given")
    checks.that(not (folder / "mixed").exists(), "two vehicles at once: a folder is left")
    seen = []
    for bus, job in (("1", clean), ("2", other)):
        alone = run("verify", job.trace, "--definitions", *job.definitions, "--into", folder / f"alone-{bus}")
        chosen = run(*both, "--bus", bus, "--into", folder / f"bus-{bus}")
        checks.equal(chosen.returncode, alone.returncode, f"--bus {bus}: exit code")
        verdict = parse_json((folder / f"bus-{bus}" / "verdict.json").read_text(encoding="utf-8"))
        checks.equal(verdict["chosen_bus"], bus, "chosen_bus")
        checks.equal(chosen.stdout.splitlines()[-1], alone.stdout.splitlines()[-1], f"--bus {bus}: the answer")
        single = parse_json((folder / f"alone-{bus}" / "verdict.json").read_text(encoding="utf-8"))
        shown = [[(attempt["first_time"], [(step["answer"], step["reason"], len(step["tries"])) for step in attempt["steps"]])
                  for part in each["parts"] for attempt in part["attempts"]] for each in (verdict, single)]
        checks.equal(shown[0], shown[1], f"--bus {bus}: attempts and steps")
        seen.append(shown[0])
    checks.that(seen[0] != seen[1], "the two buses hold different jobs")
    # A bus on which the module does not speak changes nothing of the answer.
    quiet = folder / "quiet.pcap"
    quiet.write_bytes(pcap_bytes([(START + 10**9 * i, 0x7A1, b"\1\2") for i in range(20)]))
    alone = run("verify", *clean.arguments())
    beside = run("verify", quiet, *clean.arguments())
    checks.equal(alone.returncode, 0, "clean alone")
    checks.equal((beside.returncode, beside.stdout.splitlines()[-1]), (0, alone.stdout.splitlines()[-1]),
                 "beside a quiet bus")


def main():
    checks = Checks()
    with temporary() as name:
        for job in jobs():
            check_frames(checks, job)
        check_pcapng(checks, pathlib.Path(name))
        check_buses(checks, pathlib.Path(name))
    checks.finish()


main()
