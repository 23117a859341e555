#!/usr/bin/python3
"""`taretrace explain` against the bytes at the offsets it names (D 2.4): every value is computed again with fractions.

Sources: the definition files as PyYAML's BaseLoader reads them, the trace as raw bytes, Python's fractions; the
arithmetic of D 6.4 written again here. Nothing of the decoder's own numbers is taken but what is checked.

- The bytes of each field stand at the file offset named, and the frames' bytes at theirs; the frame's time, id and
  number are the record's.
- mask, factor, offset and names are those of the definition file, in the line named; the raw number, the value and the
  sum follow from the bytes.
- The limit, the standing and the answer are those of the definition file and of verdict.json.
- JSON and text tell the same. What cannot be explained is told in one line.
"""
import sys

sys.dont_write_bytecode = True
import pathlib
from fractions import Fraction

import yaml

from common import Checks, Job, convert, decimal_text, number, parse_json, read_pcap, rfc3339, run, temporary

READINGS = {"clean": 30, "rezeroed-with-weight": 12, "blind-belt-pounds": 12, "across-limit": 12,
            "blind-rail-losses": 12, "on-limits": 10_000, "on-guard": 10_000}  # all of these two
STEPS = ["clean", "refused-twice", "wrong-vehicle", "blind-mat-run-broken", "weight-outside", "only-refused"]


class Definitions:
    def __init__(self, job):
        self.texts = {path.name: path.read_text(encoding="utf-8") for path in job.definitions}
        self.loaded = [yaml.load(text, Loader=yaml.BaseLoader) for text in self.texts.values()]
        self.fields, self.sums, self.steps = {}, {}, {}
        for file in self.loaded:
            for kind in ("identifiers", "broadcasts", "local identifiers", "identification"):
                for record in file.get(kind, {}).values():
                    self.add(record["name"], record)
            for routine in file.get("routines", {}).values():
                for part in ("start", "stop", "results"):
                    if part in routine and "answer" in routine[part]:
                        self.add(f"{routine['name']}.{part}", {"fields": routine[part]["answer"]})
            for step in file.get("procedure", []):
                self.steps[step["step"]] = step

    def add(self, name, record):
        for field, facts in record.get("fields", {}).items():
            self.fields[f"{name}.{field}"] = facts
            for mask, flag in facts.get("flags", {}).items():
                self.fields[f"{name}.{field}.{flag}"] = {**facts, "flag": mask}
        for field, facts in record.get("derived", {}).items():
            self.sums[f"{name}.{field}"] = [f"{name}.{part}" for part in facts["sum"]]


def value_of(facts, raw_bytes):
    """Number and value of a field's bytes after D 6.4; the value is None where there is none."""
    whole = int.from_bytes(raw_bytes, facts.get("order", "big"))
    mask = int(facts["mask"], 16) if "mask" in facts else (1 << 8 * len(raw_bytes)) - 1
    raw, place = 0, 0
    for bit in range(8 * len(raw_bytes)):
        if mask >> bit & 1:
            raw |= (whole >> bit & 1) << place
            place += 1
    signed = raw - (1 << place) if facts.get("type") == "signed" and raw >> (place - 1) & 1 else raw
    if str(raw) in facts.get("absent", []) or f"0x{raw:X}" in facts.get("absent", []):
        return whole, mask, raw, None
    value = signed * number(facts.get("factor", "1"))[0] + number(facts.get("offset", "0"))[0]
    return whole, mask, raw, value


def at_offsets(trace, places):
    return b"".join(trace[place["offset"]:place["offset"] + place["length"]] for place in places)


def check_field(checks, where, field, definitions, trace):
    facts = definitions.fields[field["name"]]
    raw_bytes = at_offsets(trace, field["at"])
    checks.equal(raw_bytes.hex(), field["bytes"], f"{where}: bytes at the offset of {field['name']}")
    text = definitions.texts[field["definition"]["file"]].splitlines()[field["definition"]["line"] - 1]
    short = field["name"].rsplit(".", 1)[-1]
    checks.that(short in text, lambda: f"{where}: line {field['definition']['line']} is {text!r}, not of {short}")
    if facts.get("type") in ("text", "bytes"):
        return None
    whole, mask, raw, value = value_of(facts, raw_bytes)
    checks.equal((int(field["number"], 16), int(field["mask"], 16), field["raw"]), (whole, mask, raw),
                 where + ": number")
    if "flag" in facts:
        checks.equal(field["text"], "yes" if raw & int(facts["flag"], 16) else "no", where + ": flag")
        return None
    if value is None:
        checks.equal(field["value"], None, where + ": absent")
        return None
    checks.equal(Fraction(field["factor"]), number(facts.get("factor", "1"))[0], where + ": factor")
    checks.equal(Fraction(field["offset"]), number(facts.get("offset", "0"))[0], where + ": offset")
    checks.equal(Fraction(field["value"]), value, f"{where}: value of {field['name']}")
    names = {int(key, 0): name for key, name in facts.get("names", {}).items()}
    checks.equal(field["text"], names.get(raw), where + ": named state")
    return value


def check_frames(checks, where, item, frames, trace):
    """The frames named are those of the trace; together they hold the message (ISO 15765-2, normal addressing)."""
    payload = b""
    for told in item["frames"]:
        frame = frames[told["frame"] - 1]
        checks.equal((int(told["id"], 16), told["bytes"], told["time"], told["record_offset"], told["data_offset"]),
                     (frame.id, frame.data.hex(), rfc3339(frame.time), frame.offset, frame.data_offset),
                     where + ": frame")
        checks.equal(trace[told["data_offset"]:told["data_offset"] + len(frame.data)], frame.data,
                     where + ": its bytes")
        kind = frame.data[0] >> 4
        payload += frame.data if item["broadcast"] else frame.data[1:] if kind in (0, 2) else frame.data[2:]
    checks.equal(payload[:item["length"]].hex(), item["message"], where + ": message")
    checks.equal((item["frames"][0]["frame"], item["frames"][-1]["frame"]), (item["first_frame"], item["last_frame"]),
                 where + ": first and last frame")
    if item["question"]:
        frame = frames[item["question"]["first_frame"] - 1]
        checks.equal(frame.data[1:1 + item["question"]["length"]].hex(), item["question"]["bytes"],
                     where + ": question")
        checks.that(item["question"]["last_frame"] < item["first_frame"], where + ": question behind its answer")


def check_item(checks, where, item, definitions, frames, trace):
    check_frames(checks, where, item, frames, trace)
    if item["reading"] is None:
        return
    values = [check_field(checks, where, field, definitions, trace) for field in item["fields"]]
    if item["reading"] in definitions.sums:
        parts = definitions.sums[item["reading"]]
        checks.equal([field["name"] for field in item["fields"]], parts, where + ": parts")
        checks.equal(item["value"] is None, None in values, where + ": sum")
        if item["value"] is not None:
            total = sum(convert(value, field["unit"] or "", item["unit"] or "")
                        for value, field in zip(values, item["fields"]))
            checks.equal(Fraction(item["value"]), total, where + ": sum")
    elif item["fields"] and values[0] is not None:
        checks.equal(Fraction(item["value"]), values[0], where + ": value")


def check_uses(checks, where, item, definitions, verdict):
    """How the value stands to each step, from the definition file and the verdict."""
    attempts = {(part["part"], attempt["attempt"]): attempt for part in verdict["parts"]
                for attempt in part["attempts"]}
    for use in item["steps"]:
        step = definitions.steps[use["step"]]
        result = [step for step in attempts[use["part"], use["attempt"]]["steps"] if step["step"] == use["step"]][0]
        checks.equal((use["answer"], use["reason"]), (result["answer"], result["reason"]), where + ": answer")
        text = definitions.texts[use["definition"]["file"]].splitlines()[use["definition"]["line"] - 1]
        checks.that("step" in text or use["step"] in text, lambda text=text: f"{where}: step's line is {text!r}")
        deciding = result["deciding"]
        if "guard" in step:
            checks.equal((Fraction(use["limit"]["guard"]), use["limit"]["guard_unit"] or ""), number(step["guard"]),
                         where + ": margin")
        checks.equal(use["counts"], attempts[use["part"], use["attempt"]]["last"], where + ": counts")
        among = any(one["first_frame"] <= item["first_frame"] and item["last_frame"] <= one["last_frame"]
                    for one in result["also"])
        checks.that(use["use"] != "none" or not among, where + ": another stretch holds it")
        inside = bool(deciding) and deciding["first_frame"] <= item["first_frame"] \
            and item["last_frame"] <= deciding["last_frame"]
        checks.equal(use["use"] == "decides", inside, where + ": use")
        if "between" not in step or item["value"] is None:
            continue
        value = Fraction(item["value"])
        guard = convert(*number(step["guard"]), item["unit"]) if "guard" in step else Fraction(0)
        low, high = [None if end == "" else convert(*number(end), item["unit"]) for end in step["between"]]
        expected = "below the limit" if low is not None and value < low else \
            "above the limit" if high is not None and value > high else \
            "inside" if (low is None or value >= low + guard) and (high is None or value <= high - guard) \
            else "too close to the limit"
        checks.equal(use["standing"], expected, where + ": standing")


# ---- the same in words ----

def plain_number(value):
    """An exact number in full, without needless zeros."""
    text = f"{decimal_text(Fraction(value)):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def spaced(text):
    return " ".join(text[i:i + 2] for i in range(0, len(text), 2))


def frames_words(first, last):
    return f"frame {first}" if first == last else f"frames {first} to {last}"


def value_words(value, unit):
    return f"{value}" + (f" {unit}" if unit else "")


def time_words(time, seconds):
    return f"{plain_number(seconds)} s ({time})"


def field_words(field, definitions):
    """How a field's value follows from its bytes, as lines."""
    facts = definitions.fields[field["name"]]
    lines = [f"    {field['name']}, described in {field['definition']['file']}:{field['definition']['line']}",
             f"        bytes {spaced(field['bytes'])}: " + ", then ".join(
                 f"{place['file']} at byte {place['offset']}, {place['length']} byte{'' if place['length'] == 1 else 's'}"
                 for place in field["at"])]
    if facts.get("type") in ("text", "bytes"):
        return lines
    raw_bytes = bytes.fromhex(field["bytes"])
    whole, mask, raw, value = value_of(facts, raw_bytes)
    width = 2 * len(raw_bytes)
    order = "" if len(raw_bytes) == 1 else f", {'last' if facts.get('order') == 'little' else 'first'} byte first"
    lines += [f"        as a number{order}: 0x{whole:0{width}x}",
              f"        the bits of mask 0x{mask:0{width}x}, closed up: 0x{raw:x} = {raw}"]
    if "flag" in facts:
        bit = int(facts["flag"], 16)
        return lines + [f"        bit 0x{bit:02x} of that is " + ("set: yes" if raw & bit else "not set: no")]
    if value is None:
        return lines + ["        the definition file says that this number means: no value"]
    if field["text"] is not None:
        return lines + [f"        that number is called {field['text']}"]
    signed, bits = raw, bin(mask).count("1")
    if facts.get("type") == "signed":
        signed = raw - (1 << bits) if raw >> (bits - 1) & 1 else raw
        lines.append(f"        with its sign ({bits} bits, two's complement): {signed}")
    factor, offset = number(facts.get("factor", "1"))[0], number(facts.get("offset", "0"))[0]
    return lines + [f"        {signed} x {plain_number(factor)} {'-' if offset < 0 else '+'} {plain_number(abs(offset))} = "
                    f"{value_words(plain_number(value), facts.get('unit'))}"]


def wanted_words(step):
    if "is" in step:
        return ", ".join(step["is"][:-1]) + (" or " if len(step["is"]) > 1 else "") + step["is"][-1]
    (low, unit), (high, other) = [number(end) if end else (None, "") for end in step["between"]]
    text = f"at most {value_words(plain_number(high), other)}" if low is None else \
        f"{value_words(plain_number(low), unit)} or more" if high is None else \
        f"{plain_number(low)} to {value_words(plain_number(high), other)}"
    text += ", ends included"
    guard, unit = number(step.get("guard", "0"))
    return text + (f", less a safety margin of {value_words(plain_number(guard), unit)}" if guard else "")


def check_words(checks, where, text, item, definitions, steps=True):
    """The words of one value, from what was checked of it in JSON, from the definition files and from the bytes."""
    lines = text.splitlines()

    def has(wanted):
        checks.that(wanted in lines, lambda: f"{where}: no line {wanted!r} in words")
    when = time_words(item["time"], item["seconds"])
    if item["value"] is not None:
        called = f", which is called {item['text']}" if item["text"] else ""
        has(f"{item['reading']} = {value_words(item['value'], item['unit'])}{called}, at {when}, bus {item['bus']}, "
            + frames_words(item["first_frame"], item["last_frame"]))
    question = item["question"]
    if item["broadcast"]:
        has(f"    It was broadcast: the module sends it unasked, in {frames_words(item['first_frame'], item['last_frame'])} "
            f"with the id {item['id']}.")
    elif question:
        since = Fraction(item["seconds"]) - clock_seconds(item["time"]) + clock_seconds(question["time"])
        has(f"    The scan tool asked {spaced(question['bytes'])} ({question['service_name']}) in "
            f"{frames_words(question['first_frame'], question['last_frame'])}, at {time_words(question['time'], since)}.")
        checks.that(f"answered {spaced(item['message'])} in {frames_words(item['first_frame'], item['last_frame'])}, at {when}"
                    in text, f"{where}: the answer in words")
    for field in item.get("fields", []):
        for line in field_words(field, definitions):
            has(line)
    if len(item.get("fields", [])) > 1:
        parts = [f"{value_words(field['value'], field['unit'])}" for field in item["fields"] if field["value"] is not None]
        if len(parts) == len(item["fields"]):
            has(f"    sum: {' + '.join(parts)} = {value_words(item['value'], item['unit'])}")
    order = list(definitions.steps)
    uses = {"decides": "It belongs to what decided the step", "other stretch": "It belongs to another steady stretch of the step",
            "none": "No steady stretch of the step holds it"}
    for use in item.get("steps", []) if steps else []:
        step, place = definitions.steps[use["step"]], use["definition"]
        wanted = f": wanted {wanted_words(step)}; this value is {use['standing']}" if use["standing"] else ""
        has(f"    step {order.index(use['step']) + 1}, {use['step']} ({place['file']}:{place['line']}){wanted}. "
            f"{uses[use['use']]}. The step is {use['answer']}" + (f": {use['reason']}" if use["reason"] else "") + ".")
        counts = "which counts" if use["counts"] else "which does not count any more"
        checks.that(f"    in attempt {use['attempt']}, {counts}:" in lines or "    condition " in text, f"{where}: attempt")


def clock_seconds(stamp):
    """Since midnight; no job lasts beyond it."""
    return Fraction(stamp[11:13]) * 3600 + Fraction(stamp[14:16]) * 60 + Fraction(stamp[17:-1])


def explain(folder, what, form="json"):
    result = run("explain", folder, what, "--format", form)
    return parse_json(result.stdout.decode()) if form == "json" and result.returncode == 0 else result


def check_readings(checks, job, count, folder):
    run("verify", *job.arguments(), "--into", folder)
    definitions, trace = Definitions(job), (folder / "trace-1.pcap").read_bytes()
    frames = read_pcap(folder / "trace-1.pcap")
    verdict = parse_json((folder / "verdict.json").read_text(encoding="utf-8"))
    with open(folder / "log.jsonl", encoding="utf-8") as file:
        readings = [line for line in map(parse_json, file) if line["kind"] == "reading"]
    chosen = readings[::max(1, len(readings) // count)]
    for line in chosen:
        where = f"{job.name}, {line['name']}@{line['last_frame']}"
        told = explain(folder, f"{line['name']}@{line['last_frame']}")
        if not checks.that(isinstance(told, dict) and len(told["values"]) == 1, f"{where}: not explained"):
            continue
        item = told["values"][0]
        checks.equal([item[key] for key in ("reading", "value", "unit", "first_frame", "last_frame", "time")],
                     [line[key] for key in ("name", "value", "unit", "first_frame", "last_frame", "time")], where)
        check_item(checks, where, item, definitions, frames, trace)
        check_uses(checks, where, item, definitions, verdict)
        if line in chosen[:40]:
            words = explain(folder, f"{line['name']}@{line['last_frame']}", "text").stdout.decode()
            check_words(checks, where, words, item, definitions)
    # A broken offset is seen.
    item = explain(folder, f"{chosen[0]['name']}@{chosen[0]['last_frame']}")["values"][0]
    item["fields"][0]["at"][0]["offset"] += 1
    other = Checks(most=0)
    check_item(other, "control", item, definitions, frames, trace)
    checks.that(other.failed, "control: an offset that is one too large is not seen")


def check_steps(checks, job, folder):
    run("verify", *job.arguments(), "--into", folder)
    definitions, trace = Definitions(job), (folder / "trace-1.pcap").read_bytes()
    frames = read_pcap(folder / "trace-1.pcap")
    verdict = parse_json((folder / "verdict.json").read_text(encoding="utf-8"))
    attempt = [attempt for attempt in verdict["parts"][0]["attempts"] if attempt["last"]][0]
    for index, step in enumerate(attempt["steps"], 1):
        where = f"{job.name}, step {step['step']}"
        told, deciding = explain(folder, step["step"] if index % 2 else str(index)), step["deciding"]
        checks.equal([told[key] for key in ("step", "answer", "reason", "attempt")],
                     [step["step"], step["answer"], step["reason"], attempt["attempt"]], where)
        checks.equal(bool(told["values"]), bool(deciding), where + ": evidence")
        for item in told["values"]:
            check_item(checks, where, item, definitions, frames, trace)
            checks.that(deciding["first_frame"] <= item["first_frame"] and item["last_frame"] <= deciding["last_frame"],
                        where + ": outside the evidence")
        labels = {label: item for item in told["values"] for label in item["shown_as"]}
        if deciding and deciding.get("lowest") is not None:
            checks.equal((labels["lowest"]["value"], labels["highest"]["value"]),
                         (deciding["lowest"], deciding["highest"]), where + ": extremes")
            checks.equal((labels["first"]["first_frame"], labels["last"]["last_frame"]),
                         (deciding["first_frame"], deciding["last_frame"]), where + ": ends")
        elif deciding and deciding.get("bytes"):
            checks.equal(told["values"][0]["message"], deciding["bytes"], where + ": the deciding answer")
        text = explain(folder, step["step"], "text").stdout.decode()
        checks.that(step["answer"] in text and step["reason"] in text, where + ": text")
        checks.that(f"; judged in attempt {attempt['attempt']}" in text, where + ": attempt in text")
        if deciding and "samples" in deciding:
            checks.that(f"    It rests on {deciding['samples']} value{'' if deciding['samples'] == 1 else 's'}, in "
                        + frames_words(deciding["first_frame"], deciding["last_frame"]) in text, where + ": rests on")
        for item in told["values"]:
            if item["reading"] is not None:
                check_words(checks, where, text, item, definitions, steps=False)
            for frame in item["frames"]:
                checks.that(f"its data at {frame['data_offset']}" in text, f"{where}: offset in text")


def check_refusals(checks, job, folder):
    for what, code, said in (("seat load.totel@73", 64, "did you mean seat load.total"),
                             ("seat load.total@75", 65, "74 and 80"),
                             ("seat load.total@99999", 65, "nearest"),
                             ("Codes cleaned", 64, "did you mean Codes cleared"),
                             ("0", 64, "no step"), ("@", 64, "no step"), ("seat load.total@0", 64, "no step")):
        result = run("explain", folder, what)
        message = result.stderr.decode()
        checks.equal((result.returncode, result.stdout), (code, b""), what)
        checks.that(said in message and len(message.splitlines()) == 1,
                    lambda message=message, what=what: f"{what}: {message}")
    checks.equal(run("explain", folder).returncode, 64, "nothing to explain")
    checks.equal(run("explain", folder, "1", "--definitions", job.definitions[0]).returncode, 64, "files beside a job")
    # A bare trace gives the same walk, and a pipe can be read once.
    bare = run("explain", job.trace, "seat load.total@73", "--marks", job.marks, "--definitions", *job.definitions)
    checks.equal(bare.stdout, run("explain", folder, "seat load.total@73").stdout, "a bare trace")
    trace = job.trace.read_bytes()
    piped = run("explain", "-", "seat load.total@73", "--definitions", *job.definitions, stdin=trace)
    checks.that(piped.returncode == 0 and b"= 0.1 kg" in piped.stdout, "a pipe")
    checks.equal(run("explain", "-", "1", "--definitions", *job.definitions, stdin=trace).returncode, 65,
                 "a step of a pipe")
    checks.equal(run("explain", "-h").returncode, 0, "help")


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name)
        for job, count in READINGS.items():
            check_readings(checks, Job(job), count, folder / f"readings-{job}")
        for job in STEPS:
            check_steps(checks, Job(job), folder / f"steps-{job}")
        check_refusals(checks, Job("clean"), folder / "steps-clean")
    checks.finish()


main()
