"""The lists and sentences of report.html: what happened, refusals, codes, losses, files, identities, the first sentences,
what stands above the chart: against log.jsonl, the bytes of answers, verdict.json, readings.csv and the files themselves.
"""
import hashlib
from decimal import Decimal
from fractions import Fraction

from common import read_pcap, rfc3339
from page_reading import plain
from page_told import (NOT_SHOWN, SECOND, count, dtc_text, frames_text, ns_of, seconds_text, span_text, status_text, times,
                       value_text)


# ---- the list of what happened, and the refusals ----

PARTS = {"start": "start", "stop": "stop", "results": "question for results", "set": "set",
         "return": "return to the module", "write": "write"}


def nrc_of(line):
    """7F service code, of the last answer (ISO 14229-1:2020 clause 8.7); the name is the log's."""
    last = line["responses"][-1]["bytes"] if line["responses"] else ""
    return int(last[4:6], 16) if last.startswith("7f") and last[4:6] != "78" else None


def final_of(line):
    """The answer that ended it; one that asks for more time (7F .. 78) ends nothing."""
    last = line["responses"][-1] if line["responses"] else None
    return last if last and not (last["bytes"].startswith("7f") and last["bytes"][4:6] == "78") else None


def frames_of(line):
    """From the question to the answer that ended it."""
    own = [part for part in (line["request"], final_of(line)) if part]
    return own[0]["first_frame"], own[-1]["last_frame"]


def outcome(line, positive):
    if nrc_of(line) is not None:
        return f"refused ({line['nrc_name']})"
    return positive if line["responses"] and not line["responses"][-1]["bytes"].startswith("7f") else "no answer on record"


def listed_codes(line):
    """(kind, entries [(number, status)]) of a positive answer about codes; None when it is none."""
    content = bytes.fromhex(line["responses"][-1]["bytes"]) if line["responses"] else b""
    if content[:2] in (b"\x59\x02", b"\x59\x0a") and (len(content) - 3) % 4 == 0:
        return "list", [(int.from_bytes(content[i:i + 3], "big"), content[i + 3]) for i in range(3, len(content), 4)]
    if content[:2] == b"\x59\x01" and len(content) == 6:
        return "count", int.from_bytes(content[4:6], "big")
    return None


def expected_notes(told):
    """(time, frames, text, nrc, what was asked) of everything that the list shows."""
    notes = []
    states = {(line["last_frame"], line["bus"]): line["text"] for line in told.log
              if line["kind"] == "reading" and line["text"] and any(line["name"].startswith(name + ".") for name in
              {line["name"] for line in told.log if line["kind"] == "action"})}
    pending = {(frames_of(line)[1], line["bus"]): line["pending"] for line in told.exchanges if line["pending"]}
    marks = set()
    for line in told.log:
        frames = frames_text(line["first_frame"], line["last_frame"]) if "first_frame" in line else None
        if line["kind"] == "action":
            place = (line["last_frame"], line["bus"])
            text = f"{line['name']}: {PARTS[line['part']]} "
            if line["nrc"]:
                text += f"refused ({line['nrc_name']})"
            elif line["state"] in ("answered", "late", "unsolicited"):
                text += "answered" if line["part"] == "results" else "accepted"
                text += f": {states[place]}" if place in states else ""
                text += ", but with no state that has a name" if place not in states and unnamed(told, line) else ""
                text += ", later than allowed" if line["state"] == "late" else ""
                text += ", though no question was seen" if line["state"] == "unsolicited" else ""
            else:
                text += "without an answer on record"
            text += f"; the module asked for more time {times(pending[place])}" if place in pending else ""
            asked = {"set": "start", "return": "stop", "write": "start"}.get(line["part"], line["part"])
            notes.append((line["time"], frames, text, line["nrc"] and (line["nrc"], line["nrc_name"]),
                          f"{line['name']}, {asked}"))
        elif line["kind"] == "mark" and line["line"] not in marks:
            marks.add(line["line"])
            text = f"Noted by a person ({line['mark']})"
            text += f": {line['name']}" if line["name"] else ""
            text += (" = " if line["name"] else ": ") + line["value"] if line["value"] else ""
            text += f" {line['unit']}" if line["unit"] else ""
            text += f": {line['text']}" if line["text"] else ""
            own = told.marks[line["line"] - 1] if told.marks else {}
            text += f"; withdraws line {own['withdraws']} of marks.jsonl" if "withdraws" in own else ""
            later = [index for index, mark in enumerate(told.marks, 1) if mark.get("withdraws") == line["line"]]
            text += f"; withdrawn later by line {later[0]} of marks.jsonl" if later else ""
            if not line["bound"]:
                text += f"; it stands at no one place of the record, noted at {told.when(line['time'])}."
                told.that(text in told.whole, f"{told.where}: {text}")
                continue
            notes.append((line["time"], NOT_SHOWN, text, None, None))
        elif line["kind"] == "event" and not line["recorder"]:
            notes.append((line["time"], frames, line["what"][0].upper() + line["what"][1:], None, None))
        elif line["kind"] == "event":
            text = f"The recorder noted: {line['what']}" + (f" ({line['count']})" if line["count"] else "")
            text += f": {line['detail']}" if line["detail"] else ""
            behind = f"behind {line['first_frame']}" if line["first_frame"] else NOT_SHOWN
            notes.append((line["time"], behind, text, None, None))
        elif line["kind"] == "exchange":
            nrc = nrc_of(line)
            nrc = None if nrc is None else (f"0x{nrc:02x}", line["nrc_name"])
            service = int(line["service"], 16)
            request = line["request"]["bytes"] if line["request"] else ""
            frames, time = frames_text(*frames_of(line)), (final_of(line) or line["request"])["time"]
            if service in (0x14, 0x04):
                notes.append((time, frames, "Clear trouble codes: " + outcome(line, "done, says the module"), nrc,
                              "clear trouble codes"))
            elif service == 0x19 and ((request[2:4] or line["responses"][-1]["bytes"][2:4]) in ("01", "02", "0a")):
                found = listed_codes(line)
                text = outcome(line, "") if not found else count(len(found[1]), "code") + " listed" \
                    if found[0] == "list" else count(found[1], "code") + " counted"
                notes.append((time, frames, "Read trouble codes: " + text, nrc, "read trouble codes"))
            elif service == 0x2E and 0xF180 <= int(request[2:6] or "0", 16) <= 0xF19F:
                notes.append((time, frames, None, nrc, "write of an identity"))
    return notes


def unnamed(told, action):
    """An answer of an action whose states have names, and none of them fits."""
    for file in told.definitions:
        for kind in ("routines", "controls", "writes"):
            for facts in file.get(kind, {}).values():
                part = facts.get(action["part"], {}) if isinstance(facts, dict) else {}
                if isinstance(facts, dict) and facts.get("name") == action["name"] and \
                        any("names" in field for field in (part.get("answer") or {}).values() if isinstance(field, dict)):
                    return True
    return False


def check_notes(told):
    notes = expected_notes(told)
    rows = told.rows("What happened, in order; the numbers stand in the chart") or []
    if len(notes) <= 60:
        told.equal(len(rows), len(notes), "rows of the list")
        told.equal([row[0] for row in rows], [str(i) for i in range(1, len(rows) + 1)], "numbers of the list")
    left = [row[1:] for row in rows]
    for time, frames, text, _, _ in notes if len(notes) <= 60 else []:
        found = [row for row in left if row[0] == told.when(time) and row[2] == frames
                 and (row[1] == text if text else row[1].startswith("Write of "))]
        if told.that(found, lambda time=time, frames=frames, text=text:
                     f"{told.where}: the list has no [{told.when(time)}, {text}, {frames}]: {left[:4]}"):
            left.remove(found[0])
    if not any(line["kind"] == "event" for line in told.log):
        stamps = [Decimal(row[1].split()[0]) for row in rows]
        told.equal(stamps, sorted(stamps), "order of the list")
    check_refusals(told, [note for note in notes if note[3]])


def check_refusals(told, refused):
    name = "Refused requests of actions and for trouble codes, with the reason the module gave"
    rows = told.rows(name)
    told.equal(rows is None, not refused, "a table of refusals")
    told.equal("No request of a described action, and no question for trouble codes, was refused" in told.whole,
               not refused, "no refusals")
    told.equal(len(rows or []), min(len(refused), 40), "refusals")
    before = None
    for row, (time, frames, _, nrc, asked) in zip(rows or [], refused):
        since = "first" if before is None else span_text(ns_of(time) - before)
        before = ns_of(time)
        told.equal(row, [told.when(time), since, asked, f"{nrc[1]} {nrc[0]}", frames], "a refusal")


# ---- trouble codes ----

def check_codes(told):
    """Each code once, with what became of it, from the answers' bytes."""
    codes, reads, order, clears, total = {}, [], [], [], 0
    clear_read = None
    for line in told.exchanges:
        if int(line["service"], 16) == 0x14 and line["responses"] and line["responses"][-1]["bytes"].startswith("54"):
            clears.append(line)
            clear_read = total
        found = listed_codes(line) if int(line["service"], 16) == 0x19 else None
        if not found or line["state"] == "refused":
            continue
        request = bytes.fromhex(line["request"]["bytes"]) if line["request"] else b""
        if not request:
            return # whose answer it was is not known; what it says of others neither
        content = bytes.fromhex(line["responses"][-1]["bytes"])
        answer = line["responses"][-1]
        if found[0] == "list":
            mask = request[2] if request[1] == 2 else None
            listed = set()
            for raw, status in found[1]:
                listed.add(raw)
                if raw not in codes:
                    codes[raw] = {"first": (status, answer), "was": False, "new": any(
                        earlier is None or earlier & status for earlier in reads)}
                    order.append(raw)
                codes[raw].update(last=(status, answer), gone=None, was=codes[raw]["was"] or bool(status & 0x0D))
            for raw, code in codes.items():
                status = code["last"][0]
                covered = mask & status & ~0x10 if mask is not None else True
                if raw not in listed and code["gone"] is None and covered:
                    code["gone"] = (answer, bool(mask is not None and mask & 0x10 and content[2] & 0x10))
            reads.append(mask)
        total += 1
    expected = []
    for raw in order:
        code = codes[raw]
        status = code["last"][0]
        fault = status & 0x0D
        if code["gone"]:
            tested = code["gone"][1]
            text = ("gone: the last list does not have it, and its test has run" if tested else
                    "gone from the last list; whether its test has run again is not known") if code["was"] else \
                ("its test has run since it was first listed, without a fault" if tested else "no longer listed")
            text += f", frame {code['gone'][0]['last_frame']}"
        elif fault:
            text = "new: an earlier list did not have it" if code["new"] else "still there"
        elif status & 0x10:
            text = "cleared, never tested again"
        elif status & 0x80:
            text = "no fault bit any more, but the module still asks for its warning lamp"
        else:
            text = "gone: listed without a fault bit, and its test has run" if code["was"] \
                else "its test has run, without a fault"
        cells = [f"{status_text(status)} frame {answer['last_frame']}, "
                 f"{seconds_text(ns_of(answer['time']) - told.first)} s" for status, answer in (code["first"], code["last"])]
        name = " ".join(filter(None, [dtc_text(raw), told.codes.get(raw)]))
        expected.append([name, text] + cells)
    rows = told.rows("Codes as one list of changes")
    if len(told.definitions) == 1:
        told.equal(rows or [], expected, "codes")
    text = f"The module told its codes {times(total)}." if total else "No list of trouble codes is on record."
    if clears:
        answer = clears[-1]["responses"][-1]
        text += f" They were cleared {times(len(clears))}, last at {told.when(answer['time'])}, frame " \
                f"{answer['last_frame']}" + ("; they were not read after that." if clear_read == total else ".")
    else:
        text += " No clear was accepted."
    told.that(text in told.whole, lambda: f"{told.where}: {text!r} in {told.whole[told.whole.find('Trouble codes'):][:300]!r}")
    counts = [line for line in told.exchanges if int(line["service"], 16) == 0x19 and (listed_codes(line) or "-")[0] == "count"]
    named = [line for line in counts if listed_codes(line)[1]]
    if total and not order:
        told.that(("No answer names a code; the one in frame "
                   f"{frames_text(named[-1]['responses'][-1]['last_frame'], named[-1]['responses'][-1]['last_frame'])} "
                   f"counts {listed_codes(named[-1])[1]}.") in told.whole if named else "No answer names a code." in told.whole,
                  f"{told.where}: no code is named")


# ---- losses, identities, files ----

def check_losses(told):
    asked = [line for line in told.exchanges if line["state"] != "unsolicited"]
    kinds = [sum(line["state"] in states for line in asked) for states in
             (("answered",), ("late",), ("refused",), ("suppressed",), ("missing", "asked again"), ("cut",))]
    told.that(f"The scan tool asked {count(len(asked), 'question')} of the described modules: {kinds[0]} answered in time, "
              f"{kinds[1]} late, {kinds[2]} refused, {kinds[3]} that wanted no answer, {kinds[4]} without an answer, "
              f"{kinds[5]} cut off by the end of the record." in told.whole, f"{told.where}: questions {kinds}")
    more = len(told.exchanges) - len(asked)
    told.equal(f"Nobody asked for {count(more, 'further answer')}." in told.whole, more > 0, "answers nobody asked for")

    found, unknown = {}, {}
    for line in told.log:
        if line["kind"] == "message" and line["state"] == "abandoned":
            key = f"message: {line['reason']}"
        elif line["kind"] == "fault":
            key = f"{line['stage']}: {line['reason']}"
        elif line["kind"] == "unknown":
            first = unknown.setdefault((line["module"], line["identifier"] or "none"), [0, line["first_frame"]])
            first[0] += 1
            continue
        else:
            continue
        found.setdefault(key, []).append(line)
    expected = [[key, str(len(lines)), told.when(lines[0]["time"]) if lines[0]["last_frame"] else "none",
                 frames_text(lines[0]["last_frame"], lines[-1]["last_frame"])] for key, lines in found.items()]
    told.equal(told.rows("What could not be used") or [], expected, "what could not be used")
    told.equal("No frame or message was found broken." in told.whole, not expected, "nothing broken")
    told.equal(told.rows("Answers that no definition file describes") or [],
               [[module, key, str(number), str(first)] for (module, key), (number, first) in unknown.items()], "not described")
    broken = sum(len(lines) for lines in found.values())
    lacks = told.points["What the record lacks"]
    text = f"{broken} message{' or frame' if broken == 1 else 's or frames'} could not be used."
    told.equal(text in lacks, broken > 0, "broken, at once")

    missing = [line for line in asked if line["state"] in ("missing", "asked again", "cut")]
    said = [point for point in lacks if point.startswith("To ")]
    told.equal(len(said), min(1, len(missing)), "no answer, at once")
    if missing and said:
        first = missing[0]["request"]
        told.equal(said[0], f"To {count(len(missing), 'question')} no answer is on record, first in frame "
                   f"{first['first_frame']} at {seconds_text(ns_of(first['time']) - told.first)} s.", "no answer, at once")
    events = {}
    for line in told.log:
        if line["kind"] == "event" and not line["recorder"]:
            events[line["what"]] = events.get(line["what"], 0) + 1
    for what, number in events.items():
        told.that(f"{what[0].upper()}{what[1:]}: {times(number)}." in lacks, f"{told.where}: {what}, at once")


def check_files(told):
    verdict, expected = told.verdict, []
    ended = {"whole": ", whole", "torn": ", its last record is cut off", "damaged": ", damaged"}
    for trace in verdict["traces"]:
        content = (told.folder / trace["file"]).read_bytes()
        frames = read_pcap(told.folder / trace["file"])
        end = frames[-1].offset + 16 + 16 if frames else 24
        state = "whole" if end == len(content) else "torn"
        expected.append([trace["file"], f"raw frames of bus {trace['bus']}: {count(len(frames), 'frame')}, "
                         f"{count(end, 'byte')}{ended[state]}", hashlib.sha256(content).hexdigest()])
        for name in ([f"The trace of bus {trace['bus']} is cut off in the middle of a record: what came then is not known."]
                     if state == "torn" else []):
            told.that(name in told.points["What the record lacks"], f"{told.where}: torn, at once")
    for file in verdict["definitions"]:
        expected.append([f"definitions/{file['file']}", "readings, limits and steps", file["sha256"]])
    if verdict["recorder"]["log"]:
        expected.append(["recorder.jsonl", "the recorder's log",
                         "each line carries the sum of the one before it; a seal names the whole"])
    if verdict["marks"]:
        lines = (told.folder / "marks.jsonl").read_text(encoding="utf-8").splitlines()
        expected.append(["marks.jsonl", f"{count(len(lines), 'note')} of a person", verdict["marks"]["sha256"]])
    told.equal(told.rows("What this was made from, with SHA-256 sums"), expected, "files")


def check_identities(told):
    """Texts that modules told, once each: readings of type text, and printable answers to 22 F180..F19F."""
    found = {}
    texts = set()
    for file in told.definitions:
        for key, record in file.get("identifiers", {}).items():
            texts |= {f"{record['name']}.{name}" for name, field in record.get("fields", {}).items()
                      if field.get("type") == "text"}
    for line in told.log:
        if line["kind"] == "reading" and line["name"] in texts and line["text"] is not None:
            entry = found.setdefault((f"{line['module']}, {line['name']}", line["text"]),
                                     [0, line["first_frame"], 0])
            entry[0] += 1
            entry[2] = line["last_frame"]
    rows = told.rows("What modules said of themselves") or []
    for (name, text), (number, first, last) in found.items():
        told.that([name, text.rstrip(), str(number), frames_text(first, last)] in
                  [[row[0], row[1].rstrip(), row[2], row[3]] for row in rows],
                  lambda name=name, text=text, number=number, first=first, last=last:
                  f"{told.where}: {[name, text, number, frames_text(first, last)]} in {rows}")


# ---- the first sentences, and what stands above the chart ----

HEADS = {"contradicted": "Contradicted by the record", "not confirmed": "Not confirmed",
         "confirmed": "Confirmed by the record", "recorded": "Noted, not judged"}


def check_opening(told):
    verdict = told.verdict
    chosen = verdict["chosen_part"]
    lasts = [(part, attempt) for part, attempt in told.attempts() if chosen in (None, part["part"])]
    kind = {0: "yes", 1: "no", 2: "open"}[verdict["exit"]]
    told.that(f'<p class="whole {kind}">' in told.text, f"{told.where}: how the whole answer looks")
    for answer, head in HEADS.items():
        expected = []
        for part, attempt in lasts:
            for step in attempt["steps"]:
                if step["answer"] != answer:
                    continue
                text = (f"part {part['part']}: " if verdict["part_count"] > 1 else "") + plain(step["step"])
                text += f": {plain(step['reason'])}" if step["reason"] else ""
                back = sum(bool(one["left_out"] and one["stretch"] and one["withdrawn"]) for one in step["tries"])
                text += f"; {count(back, 'other steady reading')} a person took back afterwards, see the tries of the step" \
                    if back else ""
                expected.append(text)
        if answer == "contradicted":
            expected += [f"condition {plain(one['condition'])}" + (f": {plain(one['reason'])}" if one["reason"] else "")
                         for _, attempt in lasts for one in attempt["conditions"] if one["vouched"] == "contradicted"]
        told.equal(told.points.get(head, []), expected[:16], head)
    nobody = [one["condition"] for _, attempt in lasts for one in attempt["conditions"] if one["vouched"] == "nobody"]
    said = [point for point in told.points["What the record lacks"] if point.startswith("Nobody vouches for")]
    told.equal(said, ["Nobody vouches for: " + "; ".join(map(plain, nobody)) + "."] if nobody else [], "nobody vouches")
    earlier = [count(part["attempt_count"] - 1, "earlier attempt") for part, _ in lasts if part["attempt_count"] > 1]
    points = told.points.get("Earlier attempts", [])
    told.that(len(points) == len(earlier) and all(a in b for a, b in zip(earlier, points)), f"{told.where}: {points}")
    fixed = {"yes": "The definition files are those whose sums the recorder wrote down at the start.",
             "no": "The definition files are not those that lay there when the recording began."}
    how = told.points["How it was recorded"]
    state = verdict["limits_fixed_before_recording"]
    told.that(how[1].startswith(f"Limits fixed before the recording: {state}. " + fixed.get(
        state, "Nothing shows whether the definition files are older than the recording.")), f"{told.where}: {how[1]}")
    uncertainty = int(Fraction(verdict["recorder"]["stamp_uncertainty"]) * SECOND)
    told.that(how[2].startswith(f"The times of frames may be off by up to {span_text(uncertainty)}, "), f"{told.where}: {how[2]}")
    told.equal("The recorder took part in the bus: it acknowledged frames." in told.head,
               verdict["recorder"]["took_part"], "took part")
    if told.frames:
        last = max(frame.time for frame in told.frames)
        ends = [rfc3339(time)[:19].replace("T", " ") for time in (told.first, told.frames[-1].time)]
        whole = read_pcap(told.trace)
        told.that(f"Recorded from {ends[0]} to {ends[1]} by the recording computer's clock (UTC), " in told.head
                  or last != told.frames[-1].time, f"{told.where}: recorded from {ends}")
        told.that(f", {count(len(whole), 'frame')}. In this page" in told.head, f"{told.where}: frames recorded")


def check_summary(told):
    """Each reading that a step holds against limits: how often it was read, its extremes and their frames."""
    names = []
    for step in told.steps.values():
        if "between" in step and step["reading"].split("/")[-1] not in names:
            names.append(step["reading"].split("/")[-1])
    for name in names:
        rows = [row for row in told.readings if row["reading"] == name]
        good = [row for row in rows if row["remark"] == ""]
        if not good:
            told.that(f"{name} was never read." in told.whole or rows, f"{told.where}: {name} was never read")
            continue
        values = [Fraction(row["value"]) for row in good]
        small, large = good[values.index(min(values))], good[values.index(max(values))]
        text = f"{name} was read {times(len(good))}. Smallest: {value_text(small['value'], small['unit'])} in frame " \
               f"{small['last_frame']}; largest: {value_text(large['value'], large['unit'])} in frame {large['last_frame']}."
        text += f" Besides, {count(len(rows) - len(good), 'answer')} gave no value that can be used." if len(rows) > len(good) else ""
        told.that(text in told.whole, lambda text=text: f"{told.where}: {text!r}")
