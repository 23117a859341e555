"""Each step of report.html with its evidence, tries and other stretches; earlier attempts, conditions, zero before and
after: against verdict.json, readings.csv, the bytes of the trace and the definition files.
"""
import math
import re
from fractions import Fraction

from common import convert, number
from page_reading import plain
from page_told import (NOT_SHOWN, SECOND, count, decimal, dtc_text, ends_text, frames_text, range_text, span_text,
                       status_text, steady_text, value_text)

STANDINGS = {"inside": "inside", "below": "below the limit", "above": "above the limit", "other state": "another state",
             "too close to the limit": "too close to the limit"}
TESTED = {None: "", "since clear": ", and its test has run since the last clear",
          "this cycle": ", and its test has run in this cycle"}


# ---- steps ----

def names_text(names):
    return ", ".join(names[:-1]) + (" or " if len(names) > 1 else "") + names[-1]


def steps_of(told, step):
    """The finest difference of a reading that is a sum of fields: its unit over the common denominator (D 6.4)."""
    name = step["reading"].split("/")[-1]
    for file in told.definitions:
        for record in list(file.get("identifiers", {}).values()) + list(file.get("broadcasts", {}).values()):
            if not name.startswith(record["name"] + "."):
                continue
            field = name[len(record["name"]) + 1:]
            own = record.get("fields", {}).get(field)
            unit = (own or record.get("derived", {}).get(field, {})).get("unit", "")
            parts = [own] if own else [record["fields"][part] for part in record["derived"][field]["sum"]]
            numbers = [convert(number(part.get(key, default))[0], part.get("unit", ""), unit)
                       for part in parts for key, default in (("factor", "1"), ("offset", "0"))]
            return unit, math.lcm(*[value.denominator for value in numbers])
    return "", 1


def expected_limit(told, step, wanted):
    limit = step["limit"]
    unit = limit["unit"] or ""
    own, denominator = steps_of(told, wanted)
    ends = [None if limit[key] is None else Fraction(limit[key]) for key in ("low", "high")]
    text = ends_text(*[None if end is None else decimal(end) for end in ends], unit)
    there = [None if end is None else convert(end, unit, own) for end in ends]
    if own != unit:
        shown = [None if end is None else decimal(end) for end in there]
        if None in [a for a, b in zip(shown, there) if b is not None]:
            return None, text
        text += f" ({ends_text(*shown, own)})"
    text += ", ends included"
    if limit["guard"]:
        guard, guard_unit = number(wanted["guard"])
        margin = convert(guard, guard_unit, own)
        safe = [None if there[0] is None else Fraction(math.ceil((there[0] + margin) * denominator), denominator),
                None if there[1] is None else Fraction(math.floor((there[1] - margin) * denominator), denominator)]
        shown = [None if end is None else value_text(decimal(end), own) for end in safe]
        text += f"; less a safety margin of {value_text(decimal(guard), guard_unit)} at each end: "
        text += f"up to {shown[1]}" if shown[0] is None else f"from {shown[0]} on" if shown[1] is None \
            else f"from {shown[0]} to {shown[1]}"
    return text, text


def check_wanted(told, where, step, facts):
    wanted, limit = told.steps[step["step"]], step["limit"]
    if limit and "low" in limit:
        text, begin = expected_limit(told, step, wanted)
        told.that(facts.get("Limit") == text if text else facts.get("Limit", "").startswith(begin),
                  lambda: f"{where}: limit {facts.get('Limit')!r}, expected {text or begin!r}")
    elif limit and "is" in limit:
        told.equal(facts.get("Wanted"), names_text(limit["is"]), f"{where}: wanted")
    elif limit and "none_with" in limit:
        codes = wanted["codes"]
        words = {"present": "no code that is present", "stored": "no code that is stored",
                 "present stored": "no code that is present or stored"}
        kinds = " ".join(key for key in ("present", "stored") if codes.get(f"none {key}") == "yes")
        text = words.get(kinds) or f"no code with status bits {limit['none_with']}"
        told.equal(facts.get("Wanted"), text + TESTED[limit["tested"]], f"{where}: wanted")
    if "steady" in wanted:
        steady = wanted["steady"]
        spans = {key: int(convert(*number(steady.get(key, "2.5 s")), "s") * SECOND) for key in ("for", "gap")}
        text = f"for {span_text(spans['for'])}"
        if "is" not in wanted:
            own, _ = steps_of(told, wanted)
            text += f" within {value_text(decimal(convert(*number(steady['within']), own)), own)}"
        told.equal(facts.get("Steady means"), f"{text}, a value at least every {span_text(spans['gap'])}",
                   f"{where}: steady")
    select = wanted.get("select", {})
    looks = "values " + " and ".join(f"{key} {select[key]}" for key in ("above", "below") if key in select)
    told.equal(facts.get("Looks at"), looks if set(select) & {"above", "below"} else None, f"{where}: looks at")
    told.equal(facts.get("Weight named", "").split(" in the definition file")[0], wanted.get("applied", ""),
               f"{where}: weight named")


def samples_of(told, stretch, reading):
    """The rows of readings.csv inside a stretch."""
    return [row for row in told.readings if row["reading"] == reading and row["remark"] == ""
            and stretch["first_frame"] <= int(row["first_frame"]) and int(row["last_frame"]) <= stretch["last_frame"]]


def message_of(told, first, last):
    """The bytes that the frames first..last with the id of the last carry (ISO 15765-2, normal addressing)."""
    word = told.frames[last - 1].word
    own = [frame for frame in told.frames[first - 1:last] if frame.word == word]
    kind = own[0].data[0] >> 4
    if kind == 0:
        return own[0].data[1:1 + (own[0].data[0] & 15)]
    length = (own[0].data[0] & 15) << 8 | own[0].data[1]
    return (own[0].data[2:] + b"".join(frame.data[1:] for frame in own[1:]))[:length]


def check_samples(told, where, step, facts):
    """First, lowest, highest and last value, each with its bytes and the place of its first frame's record."""
    deciding = step["deciding"]
    reading = told.steps[step["step"]]["reading"].split("/")[-1]
    samples = samples_of(told, deciding, reading)
    if not told.that(samples, f"{where}: no samples of {reading} in readings.csv"):
        return
    told.equal(len(samples), deciding["samples"], f"{where}: samples")
    chosen = {"first": samples[0], "last": samples[-1]}
    if deciding["state"] is None:
        values = [Fraction(row["value"]) for row in samples]
        chosen["lowest"] = samples[values.index(min(values))]
        chosen["highest"] = samples[values.index(max(values))]
    broadcast = any(reading.startswith(record["name"] + ".") for file in told.definitions
                    for record in file.get("broadcasts", {}).values())
    expected = {}
    for name in ("first", "lowest", "highest", "last"):
        if name in chosen:
            expected.setdefault(chosen[name]["last_frame"], []).append(name)
    shown = {key[:-len(" value")]: value for key, value in facts.items() if key.endswith(" value")}
    told.equal(sorted(shown), sorted(", ".join(names).capitalize() for names in expected.values()), f"{where}: samples")
    for names in expected.values():
        row = chosen[names[0]]
        first, last = int(row["first_frame"]), int(row["last_frame"])
        content = told.frames[last - 1].data if broadcast else message_of(told, first, last)
        what = row["state"] or value_text(row["value"], row["unit"])
        text = f"{what} at {told.when(row['time'])} bytes {content[:32].hex(' ')}"
        text += f" and {count(len(content) - 32, 'more byte')}" if len(content) > 32 else ""
        text += f" frame{'' if first == last else 's'} {frames_text(first, last)}, {told.trace.name} at byte " \
                f"{told.frames[first - 1].offset}"
        told.equal(shown.get(", ".join(names).capitalize()), text, f"{where}: {names} value")


def codes_text(told, content, shown=20):
    """The list of codes in an answer, as the page's cell has it."""
    if content[:2] == b"\x59\x01":
        return count(int.from_bytes(content[4:6], "big"), "code") + " counted, none named"
    entries = [content[i:i + 4] for i in range(3, len(content) - 3, 4)]
    texts = []
    for entry in entries[:shown]:
        raw = int.from_bytes(entry[:3], "big")
        texts.append(" ".join(filter(None, [dtc_text(raw), told.codes.get(raw), status_text(entry[3])])))
    if len(entries) > shown:
        texts.append(f"and {count(len(entries) - shown, 'more code')}")
    return " ".join(texts) or "none"


def check_deciding(told, where, step, facts):
    deciding = step["deciding"]
    if not deciding:
        return
    told.equal(facts.get("Frames"), frames_text(deciding["first_frame"], deciding["last_frame"]), f"{where}: frames")
    if "samples" in deciding:
        steady = f", steady for {steady_text(deciding)}" if deciding["samples"] > 1 else ""
        told.equal(facts.get("Read"), f"{range_text(deciding)}{steady}, {count(deciding['samples'], 'value')}",
                   f"{where}: read")
        ends = [told.when(deciding["first_time"])] + \
            ([told.when(deciding["last_time"])] if deciding["samples"] > 1 else [])
        told.equal(facts.get("When"), " to ".join(ends), f"{where}: when")
        check_samples(told, where, step, facts)
        return
    content = bytes.fromhex(deciding["bytes"])
    told.equal(facts.get("When"), told.when(deciding["time"]), f"{where}: when")
    told.equal(facts.get("Read"), deciding["text"], f"{where}: text")
    text = f"bytes {content[:32].hex(' ')}" + \
        (f" and {count(len(content) - 32, 'more byte')}" if len(content) > 32 else "")
    told.equal(facts.get("Answer of the module"), text, f"{where}: answer")
    codes = step["limit"] and "none_with" in step["limit"] and content[0] == 0x59
    told.equal(facts.get("Codes in it"), codes_text(told, content) if codes else None, f"{where}: codes in it")


def check_tries(told, where, step, rows):
    told.equal(len(rows or []), min(12, len(step["tries"])), f"{where}: tries")
    for row, one in zip(rows or [], step["tries"]):
        frames = frames_text(one["first_frame"], one["last_frame"])
        if one["try"] == "refused start":
            told.equal(row, [told.when(one["time"]), f"start refused: {one['nrc_name']}", "refused", frames],
                       f"{where}: a refused start")
            continue
        text = ("moment, left out: " if one["left_out"] else "moment: ") + plain(one["reason"])
        if one["withdrawn"] and not one["reason"].startswith("withdrawn"):
            text += f"; withdrawn: {one['withdrawn']}"
        if one["left_out"] and one["stretch"]:
            text += f"; it read {range_text(one['stretch'])}, steady for {steady_text(one['stretch'])}: " \
                    f"{STANDINGS[one['stretch']['standing']]}"
        told.equal(row, [told.when(one["time"]), text, "does not count" if one["left_out"] else one["answer"], frames],
                   f"{where}: a try")


def check_also(told, where, step, rows):
    told.equal(len(rows or []), min(12, len(step["also"])), f"{where}: other stretches")
    for row, one in zip(rows or [], step["also"]):
        steady = f", steady for {steady_text(one)}" if one["samples"] > 1 else ""
        told.equal(row, [told.when(one["first_time"]), range_text(one) + steady, STANDINGS[one["standing"]],
                         frames_text(one["first_frame"], one["last_frame"])], f"{where}: another stretch")


def gap_text(told, gap):
    text = gap["what"] + (f" ({gap['count']})" if gap["count"] else "")
    text += f", at {told.when(gap['time'])}" if gap["time"] else ""
    last, one = gap["last_frame"], gap["frame"] == gap["last_frame"]
    if gap["between"]:
        return text + (f", behind frame {gap['frame']}." if last is None
                       else f", between frames {gap['frame']} and {last}.")
    return text + (f", from frame {gap['frame']} to the end." if last is None else f", frame {gap['frame']}." if one
                   else f", frames {gap['frame']} to {last}.")


def check_steps(told):
    several = told.verdict["part_count"] > 1
    for part, attempt in told.attempts():
        for index, step in enumerate(attempt["steps"], 1):
            which = f"step {index}" + (f", part {part['part']}" if several else "")
            where = f"{told.where}, {which}"
            table = told.tables.get(f"Evidence of {which}")
            if not told.that(table is not None, f"{where}: no evidence"):
                continue
            facts = {row[0]: row[1] for row in table}
            check_wanted(told, where, step, facts)
            check_deciding(told, where, step, facts)
            check_tries(told, where, step, told.rows(f"Tries of {which}"))
            check_also(told, where, step, told.rows(f"Other steady stretches of {which}"))
            for gap in step["gaps"]:
                told.that(f"Within this evidence: {gap_text(told, gap)}" in told.whole,
                          lambda gap=gap, where=where: f"{where}: {gap_text(told, gap)}")
            for remark in step["remarks"]:
                told.that(f"Remark: {plain(remark)}." in told.whole, f"{where}: remark {remark}")
        for gap in attempt["gaps"]:
            told.that(f"In this attempt, so that what was asked in the gap is not known: {gap_text(told, gap)}"
                      in told.whole, lambda gap=gap: f"{told.where}: {gap_text(told, gap)}")
        head = (f"Part {part['part']}, attempt " if several else "Attempt ") + \
            f"{attempt['attempt']} of {part['attempt_count']}" + \
            (": the last one, which counts" if part["attempt_count"] > 1 else "")
        if attempt["opened"]:
            head += f" It began at {told.when(attempt['first_time'])}" + \
                (" with the request for a start that was accepted" if attempt["answered"]
                 else "; no answer to its start was seen") + f", and goes on to frame {attempt['last_frame']}."
        elif attempt["steps"]:
            head += " No start was accepted: the record is looked at as one attempt."
        if attempt["steps"]:
            told.that(head in told.whole, f"{told.where}: {head!r}")
    remarks = sum(len(step["remarks"]) for _, attempt in told.attempts() for step in attempt["steps"])
    told.equal(told.whole.count("Remark: "), remarks, "remarks")
    for part, attempt in told.attempts(last=False):
        name = f"Attempt {attempt['attempt']}" + (f" of part {part['part']}" if several else "")
        expected = [[step["step"], step["answer"], plain(step["reason"]),
                     frames_text(step["deciding"]["first_frame"], step["deciding"]["last_frame"]) if step["deciding"]
                     else NOT_SHOWN] for step in attempt["steps"]]
        told.equal(told.rows(name), expected, name)
    told.equal(sum(bool(re.fullmatch(r"Attempt \d+( of part \d+)?", name)) for name in told.tables),
               len(told.attempts(last=False)), "tables of earlier attempts")


# ---- conditions, zero ----

def check_conditions(told):
    several = told.verdict["part_count"] > 1
    for part, attempt in told.attempts():
        name = f"Conditions of part {part['part']}, at its last attempt" if several \
            else "Conditions at the attempt that counts"
        expected = []
        for one in attempt["conditions"]:
            said = plain(one["reason"])[:1].upper() + plain(one["reason"])[1:] or "nothing"
            limit = one["limit"]
            if limit and "low" in limit and (limit["low"] is not None or limit["high"] is not None):
                ends = [None if limit[key] is None else decimal(Fraction(limit[key])) for key in ("low", "high")]
                said += f"; wanted {ends_text(*ends, limit['unit'] or '')}"
            time = one["time"] or (one["mark"] or {}).get("time")
            expected.append([one["condition"], one["vouched"], said, told.when(time) if time else "none",
                             frames_text(one["first_frame"], one["last_frame"])])
        if expected:
            told.equal(told.rows(name), expected, "conditions")


def check_zero(told):
    """The first step behind the one that opens attempts that holds a number against limits (the page says which)."""
    order = [step for file in told.definitions for step in file.get("procedure", [])]
    opens = [index for index, step in enumerate(order) if step.get("opens attempt") == "yes"]
    behind = [step for step in order[opens[0] + 1:] if "between" in step] if opens else []
    if not behind:
        told.equal("Zero before and after" in told.whole, False, "zero before and after")
        return
    reading = behind[0]["reading"].split("/")[-1]
    rows = [row for row in told.readings if row["reading"] == reading and row["remark"] == ""]

    def cells(row):
        return ["not read", "none", "none"] if row is None else \
            [value_text(row["value"], row["unit"]), told.when(row["time"]),
             frames_text(int(row["first_frame"]), int(row["last_frame"]))]
    for part, attempt in told.attempts():
        if not attempt["opened"]:
            continue
        several = told.verdict["part_count"] > 1
        step = [step for step in attempt["steps"] if step["step"] == behind[0]["step"]][0]
        # Of this vehicle or unit alone; what came before the first one told who it is may be its own.
        own = [row for row in rows if int(row["last_frame"]) <= part["last_frame"]
               and (part["part"] == 1 or int(row["first_frame"]) >= part["first_frame"])]
        before = [row for row in own if int(row["last_frame"]) < attempt["first_frame"]]
        deciding = step["deciding"]
        steady = ["none steady", "none", "none"] if not deciding else \
            [range_text(deciding), told.when(deciding["first_time"]),
             frames_text(deciding["first_frame"], deciding["last_frame"])]
        expected = [["Last value before the start was sent"] + cells(before[-1] if before else None),
                    [f'Steady afterwards, as judged by "{step["step"]}"'] + steady,
                    ["Last value of this part" if several else "Last value of the record"]
                    + cells(own[-1] if own else None)]
        name = f"{reading} before and after the zero of attempt {attempt['attempt']}" + \
            (f", part {part['part']}" if several else "")
        told.equal(told.rows(name), expected, name)
