#!/usr/bin/python3
"""Redacted copies: places of a VIN, serial number or key that a quick look misses, one job each.

Source: docs/commands.md, `redact`. ISO 14229-1 (22, 2C, 2E; F190, F18C; F200 to F3FF are defined on the bus), ISO 15765-2,
LINKTYPE_CAN_SOCKETCAN (a remote frame carries nothing, a record holds eight bytes whatever the length is) and
LINKTYPE_LINUX_SLL2, whose packets may be of any protocol. 3B 90 as the VIN of ISO 14230-3 is common practice, no source.
"""
import sys

sys.dont_write_bytecode = True
import json
import pathlib
import shutil
import struct

import recorded
from common import ID_REMOTE, Checks, Job, pcap_bytes, read_pcap, run, temporary
from redacted_folders import MS, OTHER_VIN, REQUEST, RESPONSE, SERIAL, VIN, Talk, found
from sealed_folders import Keys

SHORT = b"K7Z3"  # shorter than what is looked for everywhere
TAIL = VIN[-5:]
F18C_OF_8 = b"  0xF18C:\n    name: unit\n    length: 8\n    fields: {number: {byte: 0, length: 8, type: text}}\n"
ORDER = b"  0x1234:\n    name: order\n    length: 17\n    fields: {vin: {byte: 0, length: 17, type: text}}\n"
MARK = {"kind": "identity", "name": "vin"}


def asks(*pairs, lose=None):
    """Questions and answers, of the last answer with a frame lost."""
    def on(talk):
        for number, (question, answer) in enumerate(pairs, 1):
            talk.ask(question, answer, lose if number == len(pairs) else None)
    return on


def remote(talk):
    for part in (VIN[:8], VIN[8:16]):
        talk.time += 20 * MS
        talk.frames.append((talk.time, RESPONSE | ID_REMOTE, part))


def short(talk):
    talk.frame(REQUEST, b"\x02\x3e\x00")
    talk.frames.append((talk.time + MS, RESPONSE, b"\x02\x7e\x00"))


# label: frames, what must be gone, more
CASES = {
    "serial number behind an identifier that nobody describes":
        (asks((b"\x22\x12\x34\xf1\x8c", b"\x62\x12\x34\x07\x08\xf1\x8c" + SERIAL)), {"serial": SERIAL}),
    "VIN there, cut off": (asks((b"\x22\x12\x34\xf1\x90", b"\x62\x12\x34\x07\xf1\x90" + VIN), lose=2), {"part": VIN[:6]}),
    "known VIN inside something, cut off":
        (asks((b"\x22\xf1\x90", b"\x62\xf1\x90" + VIN), (b"\x22\x12\x34", b"\x62\x12\x34\x07" + VIN + b"\x01"), lose=2),
         {"part": VIN[:9]}),
    "serial number longer than described":
        (asks((b"\x22\xf1\x8c", b"\x62\xf1\x8c" + SERIAL)), {"serial": SERIAL, "tail": SERIAL[8:]}, {"describes": F18C_OF_8}),
    "serial number longer than described, and a VIN":
        (asks((b"\x22\xf1\x8c\xf1\x90", b"\x62\xf1\x8c" + SERIAL + b"\xf1\x90" + OTHER_VIN)),
         {"tail": SERIAL[8:], "VIN": OTHER_VIN}, {"describes": F18C_OF_8}),
    "identifier defined on the bus": (asks((b"\x2c\x01\xf3\x00\xf1\x90\x01\x11", b"\x6c\x01\xf3\x00"),
                                           (b"\x22\xf3\x00", b"\x62\xf3\x00\x05" + VIN)), {"VIN": VIN}),
    "write by local identifier": (asks((b"\x3b\x90" + VIN, b"\x7b\x90")), {"VIN": VIN}),
    "write of a described field, refused": (asks((b"\x2e\x12\x34" + VIN, b"\x7f\x2e\x31")), {"VIN": VIN},
                                            {"describes": ORDER}),
    "serial number of letters that no VIN has": (asks((b"\x22\xf1\x8c", b"\x62\xf1\x8cOQIIOQ")), {"serial": b"OQIIOQ"}),
    "remote frames": (remote, {"begin": VIN[:8], "end": VIN[8:16]}),
    "record longer than its frame": (short, {"tail": TAIL}, {"behind": TAIL}),
    "mark that says it in its text": (asks(), {"VIN": VIN}, {"mark": {**MARK, "text": VIN.decode()}}),
    "mark in small letters": (asks((b"\x22\x12\x34", b"\x62\x12\x34\x07" + VIN)), {"VIN": VIN},
                              {"mark": {**MARK, "value": VIN.decode().lower()}}),
    "short serial number with a blank": (asks(), {"short": SHORT},
                                         {"mark": {**MARK, "name": "serial number", "value": SHORT.decode() + " "}}),
    "photo called after the car": (asks((b"\x22\xf1\x90", b"\x62\xf1\x90" + VIN)), {"VIN": VIN},
                                   {"file": f"photo-{VIN.decode()}.jpg"}),
}
REFUSED = {
    "short serial number behind escapes":
        ("escapes", {"mark": {**MARK, "name": "serial number", "value": "K7ZZ3"}, "escape": b"K7\\u005aZ3"}),
    "definition file called after the car": ("is called after",
                                             {"mark": {**MARK, "value": VIN.decode()}, "file": f"definitions/.{VIN.decode()}"}),
}


def make(root, keys, frames, more):
    """A sealed job in root/job."""
    job, last = Job("clean"), read_pcap(Job("clean").trace)[-1].time
    talk = Talk(last + 400 * MS)
    frames(talk)
    if "describes" in more:
        file = root / job.definitions[0].name
        file.write_bytes(job.definitions[0].read_bytes().replace(b"identifiers:", b"identifiers:\n" + more["describes"], 1))
        job.definitions = [file, *job.definitions[1:]]
    marks = job.marks.read_bytes()
    if "mark" in more:
        line = json.dumps({"time": recorded.rfc3339(last + 390 * MS), **more["mark"]}).encode() + b"\n"
        marks += line.replace(more["mark"]["value"].encode(), more["escape"]) if "escape" in more else line
    job.marks = root / "marks.jsonl"
    job.marks.write_bytes(marks)
    folder = recorded.make(job, root / "job", extra_frames=talk.frames)
    if "behind" in more:
        trace = bytearray((folder / "trace-can0.pcap").read_bytes())
        frame = [one for one in read_pcap(folder / "trace-can0.pcap") if len(one.data) == 3][-1]
        trace[frame.data_offset + 3:frame.data_offset + 8] = more["behind"]
        (folder / "trace-can0.pcap").write_bytes(trace)
        (folder / "recorder.jsonl").unlink()  # its sums are of other bytes
    if "file" in more:
        (folder / more["file"]).write_bytes(b"x")
    result = run("seal", folder, "--key", keys.key)
    if result.returncode:
        raise SystemExit(f"sealing: {result.stderr.decode()}")
    return folder


def corners(checks, root, keys):
    for label, (frames, secrets, *more) in CASES.items():
        place = root / "corner"
        place.mkdir()
        folder = make(place, keys, frames, more[0] if more else {})
        names = b"\n".join(str(path.relative_to(folder)).encode() for path in folder.rglob("*"))
        checks.that({entry[0] for entry in found(folder, secrets)} | {name for name in secrets if secrets[name] in names}
                    == set(secrets), f"control, {label}: not everything is found in the original")
        for option in ([], ["--only-pairs"]):
            copy = place / "-".join(["copy", *option])
            result = run("redact", folder, "--into", copy, *option)
            if checks.equal(result.returncode, 0, f"redact, {label}: {result.stderr.decode()[:300]}"):
                checks.equal(found(copy, secrets), set(), f"{label} {option}: found in the copy")
        shutil.rmtree(place)
    for label, (words, more) in REFUSED.items():
        place = root / "corner"
        place.mkdir()
        result = run("redact", make(place, keys, asks(), more), "--into", place / "copy")
        checks.that(result.returncode == 65 and words in result.stderr.decode() and not (place / "copy").exists(),
                    f"redact, {label}: ended {result.returncode}: {result.stderr.decode()[:300]}")
        shutil.rmtree(place)


def other_protocols(checks, root, keys):
    """A capture on all interfaces: an Internet packet, and records that are no frames, hold the VIN."""
    job, place = Job("clean"), root / "any"
    place.mkdir()

    def packet(time, protocol, body):
        content = struct.pack(">HHIHBB8s", protocol, 0, 3, 280, 0, 0, b"\0" * 8) + body
        return struct.pack("<IIII", time // 10**9, time % 10**9, len(content), len(content)) + content

    def can(word, data):
        return struct.pack("<IBBBB", word, len(data), 0, 0, 0) + bytes(data).ljust(8, b"\0")
    frames = read_pcap(job.trace)
    last = frames[-1].time
    trace = place / "trace.pcap"
    trace.write_bytes(pcap_bytes([])[:20] + struct.pack("<I", 276) + b"".join(
        [packet(frame.time, 0x000C, can(frame.word, frame.data)) for frame in frames]
        + [packet(last + MS, 0x0800, b"\x45\0\0\x40" + b"\0" * 24 + b"\x02\xfd\x80\x01" + VIN),
           packet(last + 2 * MS, 0x000C, can(0x901, VIN[:8])),  # over 0x7FF, and not marked as 29 bits
           packet(last + 3 * MS, 0x000C, can(RESPONSE, b"\x02\x7e\x00"))]))
    arguments = [argument for file in job.definitions for argument in ("--definitions", file)]
    run("verify", trace, *arguments, "--marks", job.marks, "--into", place / "job")
    run("seal", place / "job", "--key", keys.key)
    checks.that(VIN in (place / "job" / "trace-1.pcap").read_bytes(), "control: the VIN is not in the original")
    for option, left in (([], len(frames) + 3), (["--only-pairs"], None)):
        copy = place / "-".join(["copy", *option])
        result = run("redact", place / "job", "--into", copy, *option)
        if not checks.equal(result.returncode, 0, f"redact, any protocol: {result.stderr.decode()[:300]}"):
            continue
        for path in copy.rglob("*"):
            checks.that(not path.is_file() or not any(part in path.read_bytes() for part in (VIN, VIN[:8])),
                        f"any protocol {option}: {path.name} of the copy holds the VIN")
        records = read_pcap(copy / "trace-1.pcap")
        checks.that(left is None or len(records) == left, f"any protocol: {len(records)} records")
    shutil.rmtree(place)


def main():
    checks = Checks()
    with temporary() as name:
        root = pathlib.Path(name)
        (root / "keys").mkdir()
        keys = Keys(root / "keys")
        corners(checks, root, keys)
        other_protocols(checks, root, keys)
    checks.finish()


if __name__ == "__main__":
    main()
