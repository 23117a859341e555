#!/usr/bin/python3
"""Every reading of every example job, computed a second time from the bytes of the trace.

Sources: the definition language (D 6.3, 6.4), read here with yaml.BaseLoader; arithmetic by Python's int.from_bytes and
Fraction; frames by man pcap-savefile(5) and tcpdump.org LINKTYPE_CAN_SOCKETCAN; segmentation by ISO 15765-2 (single,
first and consecutive frames); positive answers 62, 71 by ISO 14229-1. Checked of each line of kind "reading" in
log.jsonl: name, value, unit, text, raw bytes, the places in `at`, time. And that none is missing.
"""
import sys

sys.dont_write_bytecode = True
import pathlib
from decimal import Decimal
from fractions import Fraction

import yaml

from common import Checks, convert, decimal_text, jobs, number, read_jsonl, read_pcap, rfc3339, run, temporary

ROUTINE_PARTS = {1: "start", 2: "stop", 3: "results"}
ABSENT, INVALID, GOOD = "absent", "invalid", "good"


class Reading:
    """What one reading must say: `positions` are the payload bytes it comes from."""

    def __init__(self, name, positions, value=None, unit="", text=None, state=GOOD, derived=False):
        self.name, self.positions, self.value, self.unit = name, positions, value, unit
        self.text, self.state, self.derived = text, state, derived


def close_up(raw, mask):
    """The selected bits without gaps, lowest first (D 6.4): 0xB6 with 0x66 is 7."""
    result = place = 0
    for bit in range(64):
        if mask >> bit & 1:
            result |= (raw >> bit & 1) << place
            place += 1
    return result, place


def yes_no(flag):
    return "yes" if flag else "no"


def decode_field(name, field, content, base):
    """The readings of one field, or None if its bytes are not all there."""
    start, length = int(number(field["byte"])[0]), int(number(field.get("length", "1"))[0])
    raw = content[start:start + length]
    if len(raw) < length:
        return None
    positions = list(range(base + start, base + start + length))
    if field.get("type") in ("text", "bytes"):
        return [Reading(name, positions, text=raw, unit=field.get("unit", ""))]
    whole = int.from_bytes(raw, "little" if field.get("order") == "little" else "big")
    mask = int(number(field["mask"])[0]) if "mask" in field else (1 << 8 * length) - 1
    bits, width = close_up(whole, mask)
    absent = field.get("absent", [])
    is_absent = bits in [int(number(text)[0]) for text in (absent if isinstance(absent, list) else [absent])]
    signed = bits - (1 << width) if field.get("type") == "signed" and bits >> (width - 1) else bits
    value = signed * number(field.get("factor", "1"))[0] + number(field.get("offset", "0"))[0]
    state = ABSENT if is_absent else GOOD
    unit = field.get("unit", "")
    if "valid" in field and not is_absent:
        low, high = (convert(*number(text), unit) if number(text)[1] else number(text)[0] for text in field["valid"])
        if not low <= value <= high:
            state = INVALID
    names = {int(number(key)[0]): text for key, text in field.get("names", {}).items()}
    readings = [Reading(name, positions, None if is_absent else value, unit, names.get(bits), state)]
    for key, flag in field.get("flags", {}).items():
        readings.append(Reading(f"{name}.{flag}", positions, None, "",
                                None if is_absent else yes_no(bits & int(number(key)[0])), state))
    return readings


def decode_record(name, record, content, base):
    """All readings of one record whose byte 0 is payload byte `base`."""
    result, fields = [], {}
    for key, field in record.get("fields", {}).items():
        readings = decode_field(f"{name}.{key}", field, content, base)
        if readings:
            fields[key] = readings[0]
            result += readings
    for key, derived in record.get("derived", {}).items():
        parts = [fields.get(part) for part in derived["sum"]]
        if None in parts:
            continue
        positions = [position for part in parts for position in part.positions]
        unit = derived.get("unit", parts[0].unit)
        if all(part.state == GOOD for part in parts):
            total = sum((convert(part.value, part.unit, unit) for part in parts), Fraction(0))
            result.append(Reading(f"{name}.{key}", positions, total, unit, derived=True))
        else:
            result.append(Reading(f"{name}.{key}", positions, None, unit, state=ABSENT, derived=True))
    return result


class Definitions:
    """One definition file as plain text."""

    def __init__(self, path):
        with open(path, encoding="utf-8") as file:
            content = yaml.load(file, Loader=yaml.BaseLoader)
        self.module = content["module"]["name"]
        self.response = int(content["module"]["address"]["response"], 16)
        self.identifiers = {int(key, 16): item for key, item in content.get("identifiers", {}).items()}
        self.routines = {int(key, 16): item for key, item in content.get("routines", {}).items()}
        self.broadcasts = {int(key, 16): item for key, item in content.get("broadcasts", {}).items()}

    def answer(self, payload):
        """The readings of a positive answer 62 or 71."""
        if payload[0] == 0x62:
            result, at = [], 1
            while at + 2 <= len(payload):
                item = self.identifiers.get(int.from_bytes(payload[at:at + 2], "big"))
                if item is None:
                    break
                length = int(number(item["length"])[0]) if "length" in item else len(payload) - at - 2
                result += decode_record(item["name"], item, payload[at + 2:at + 2 + length], at + 2)
                at += 2 + length
            return result
        if payload[0] == 0x71 and len(payload) >= 4:
            item = self.routines.get(int.from_bytes(payload[2:4], "big"), {})
            part = ROUTINE_PARTS.get(payload[1] & 0x7F)
            record = item.get(part, {}).get("answer", {}) if part else {}
            fields = record if "fields" in record else {"fields": record}
            return decode_record(f"{item.get('name')}.{part}", fields, payload[4:], 4)
        return []


def messages(frames, can_id):
    """ISO 15765-2, normal addressing, on one identifier: (first frame, last frame, payload, offset of each byte)."""
    running = None
    for frame in frames:
        if not frame.is_data or frame.word != can_id or not frame.data:
            continue
        kind, low = frame.data[0] >> 4, frame.data[0] & 15
        offsets = [frame.data_offset + index for index in range(len(frame.data))]
        if kind == 0 and 0 < low <= len(frame.data) - 1:
            running = None
            yield frame, frame, frame.data[1:1 + low], offsets[1:1 + low]
        elif kind == 1 and len(frame.data) == 8:
            length = low << 8 | frame.data[1]
            running = [frame, length, frame.data[2:], offsets[2:], 1, frame.time]
        elif kind == 2 and running:
            first, length, payload, places, expected, last_time = running
            if low != expected or frame.time - last_time > 10**9:
                running = None
                continue
            payload, places = payload + frame.data[1:], places + offsets[1:]
            if len(payload) >= length:
                running = None
                yield first, frame, payload[:length], places[:length]
            else:
                running = [first, length, payload, places, (expected + 1) % 16, frame.time]


def escaped(raw):
    """Text of a text field as far as it is plain; a test of its own looks at hostile text."""
    return raw.decode("ascii") if raw.isascii() and raw.decode("ascii").isprintable() else None


def check_line(checks, where, line, reading, trace, places, frames):
    """One line of the log against what its bytes say."""
    offsets = [places[position] for position in reading.positions]
    listed = [item["offset"] + index for item in line["at"] for index in range(item["length"])]
    checks.equal(listed, offsets, f"{where}: at")
    raw = bytes(trace[offset] for offset in offsets)
    checks.equal(line["raw"], None if reading.derived else raw.hex(), f"{where}: raw")
    if isinstance(reading.text, bytes):
        if escaped(reading.text) is not None:
            checks.equal(line["text"], escaped(reading.text), f"{where}: text")
    else:
        checks.equal(line["text"], reading.text, f"{where}: text")
    checks.equal(line["unit"] or "", reading.unit, f"{where}: unit")
    if reading.value is None:
        checks.equal((line["value"], line["exact"]), (None, None), f"{where}: value")
    else:
        exact = decimal_text(reading.value)
        checks.equal(line["exact"], exact is not None, f"{where}: exact")
        if exact is not None:
            checks.that(line["value"] is not None and Decimal(line["value"]) == exact,
                        f"{where}: value {line['value']}, expected {exact}")
        else:  # 18 digits, half to even (D 2.7): within half a unit of the 18th digit
            got = Fraction(str(line["value"]))
            digits = len(str(abs(int(reading.value))))
            checks.that(abs(got - reading.value) <= Fraction(1, 2) / 10**(18 - digits), f"{where}: rounding")
    stamp = frames[line["last_frame"] - 1].time
    checks.equal(line["time"], rfc3339(stamp), f"{where}: time")
    checks.equal(Decimal(line["seconds"]), Decimal(stamp - frames[0].time).scaleb(-9), f"{where}: seconds")


def check_job(checks, job, folder):
    into = folder / job.name
    run("verify", *job.arguments(), "--into", into)
    lines = {}
    for line in read_jsonl(into / "log.jsonl"):
        if line["kind"] == "reading":
            key = (line["module"], line["name"], line["first_frame"], line["last_frame"])
            checks.that(key not in lines, f"{job.name}: {key} stands twice")
            lines[key] = line
    trace, frames = job.trace.read_bytes(), read_pcap(job.trace)
    for path in job.definitions:
        definitions = Definitions(path)
        found = [(first, last, definitions.answer(payload), places)
                 for first, last, payload, places in messages(frames, definitions.response)]
        for frame in frames:
            if frame.is_data and frame.word in definitions.broadcasts:
                item = definitions.broadcasts[frame.word]
                places = [frame.data_offset + index for index in range(len(frame.data))]
                found.append((frame, frame, decode_record(item["name"], item, frame.data, 0), places))
        for first, last, readings, places in found:
            for reading in readings:
                key = (definitions.module, reading.name, first.number, last.number)
                where = f"{job.name}: {reading.name}@{last.number}"
                line = lines.pop(key, None)
                if checks.that(line is not None, f"{where}: not in the log"):
                    check_line(checks, where, line, reading, trace, places, frames)
    for key in lines:
        checks.that(False, f"{job.name}: the log has {key}, which this script does not find in the trace")


def check_script(checks):
    """This script's own arithmetic, by hand (D 6.4 and the example of D 6.3)."""
    checks.equal(close_up(0xB6, 0x66), (7, 4), "bits closed up")
    # 40 B3 E8 3E 83 DE 7B 00: 0x40B = 1035, 0x3E8 = 1000, 0x3E8 = 1000, 0x3DE = 990; each x 0.1 - 100; sum 2.5
    common = {"length": "2", "factor": "0.1", "offset": "-100", "unit": "kg", "absent": ["0xFFF"]}
    places = {"a": ("0", "0xFFF0"), "b": ("1", "0x0FFF"), "c": ("3", "0xFFF0"), "d": ("4", "0x0FFF")}
    record = {"fields": {name: {"byte": byte, "mask": mask, **common} for name, (byte, mask) in places.items()},
              "derived": {"total": {"sum": list(places), "unit": "kg"}}}
    total = decode_record("x", record, bytes.fromhex("40B3E83E83DE7B00"), 3)[-1]
    checks.equal((total.name, total.value), ("x.total", Fraction(5, 2)), "the example's total")
    signed = decode_field("x", {"byte": "0", "mask": "0x0F", "type": "signed"}, b"\xf9", 0)[0]
    checks.equal(signed.value, -7, "sign of the highest selected bit")


def main():
    checks = Checks()
    check_script(checks)
    with temporary() as folder:
        for job in jobs():
            check_job(checks, job, pathlib.Path(folder))
    checks.finish()


main()
