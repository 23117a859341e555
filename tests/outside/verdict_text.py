#!/usr/bin/python3
"""The verdict as text, line by line, and verdict.json beside it, for every example job (D 9.1, 9.5).

Every line of conditions, steps, tries, further stretches, gaps, attempts and traces is written again from verdict.json;
what verdict.json says of files, marks and frames is worked out from the files themselves (pcap-savefile(5), hashlib).
"""
import sys

sys.dont_write_bytecode = True
import hashlib
import json
import pathlib
import re
from fractions import Fraction

from common import JOBS, ROOT, Checks, jobs, parse_json, read_pcap, rfc3339, run, temporary
from page_told import SECOND, frames_text, ns_of, span_text, steady_text, value_text
from recorder_kit import Recording
from report_jobs import START, recorded_job

MOMENT = START + 13 * SECOND + 800 * 10**6  # between 29.8 at 13.57 s and 29.9 at 14.06 s; 29.9 was at 13.05 s

INSIDE = {"inside": "inside the limits", "below": "below the limit", "above": "above the limit",
          "other state": "another state", "too close to the limit": "too close to the limit"}


def frames_of(first, last):
    return "" if not first and not last else f" (frame{'' if first == last else 's'} {frames_text(first, last)})"


def line(label, text):
    """The sentence begins in the column behind the widest answer; a label alone is the first column."""
    return f"{label:16}{text}"


class Lines:
    def __init__(self, checks, where, text, verdict, first):
        self.checks, self.where, self.first, self.verdict = checks, where, first, verdict
        self.lines = text.splitlines()

    def has(self, wanted):
        return self.checks.that(wanted in self.lines, lambda: f"{self.where}: no line {wanted!r}")

    def at(self, stamp):
        return "at " + span_text_signed(ns_of(stamp) - self.first)


def span_text_signed(span):
    return ("-" if span < 0 and span_text(span).split()[0] != "0" else "") + span_text(span)


def range_of(stretch):
    if stretch["state"] is not None:
        return stretch["state"]
    ends = f"{stretch['lowest']}" + \
        (f" to {stretch['highest']}" if stretch["lowest"] != stretch["highest"] else "")
    return value_text(ends, stretch["unit"])


def check_step(told, step):
    told.checks.equal(step["gap_count"], len(step["gaps"]), f"{told.where}, {step['step']}: gaps")
    deciding = step["deciding"]
    where = frames_of(deciding["first_frame"], deciding["last_frame"]) if deciding else ""
    told.has(line(step["answer"], step["step"] + (f": {step['reason']}" if step["reason"] else "") + where))
    for one in step["also"][:5]:
        steady = f", steady for {steady_text(one)}" if one["samples"] > 1 else ""
        told.has(line("", f"also {range_of(one)}{steady}: {INSIDE[one['standing']]}"
                      + frames_of(one["first_frame"], one["last_frame"])))
    if step["also_count"] > 5:
        told.has(line("", f"and {step['also_count'] - 5} more steady stretches; the log has them all"))
    tells = step["try_count"] > 1 or any(one["left_out"] or one["try"] == "refused start" for one in step["tries"])
    for one in step["tries"][:8] if tells else []:
        where = frames_of(one["first_frame"], one["last_frame"])
        if one["try"] == "refused start":
            told.has(line("", f"refused {told.at(one['time'])}: {one['nrc_name']}{where}"))
        elif one["left_out"]:
            told.has(line("", f"moment left out, {told.at(one['time'])}: {one['reason']}{where}"))
        else:
            told.has(line("", f"moment {told.at(one['time'])}, {one['answer']}: {one['reason']}{where}"))
    for remark in step["remarks"]:
        told.has(line("", remark))


def check_attempt(told, part, attempt):
    count = part["attempt_count"]
    if count > 1 or attempt["opened"]:
        text = f"Attempt {attempt['attempt']} of {count} began {told.at(attempt['first_time'])}" + \
            frames_of(attempt["first_frame"], attempt["last_frame"])
        text += "" if count == 1 else ": the last one, it counts" if attempt["last"] \
            else ": an earlier one, it does not count any more"
        text += "; no answer to its start was seen" if attempt["opened"] and not attempt["answered"] else ""
        told.has(text)
    for one in attempt["conditions"]:
        told.has(line(one["vouched"], one["condition"] + (f": {one['reason']}" if one["reason"] else "")
                      + frames_of(one["first_frame"], one["last_frame"])))
    for step in attempt["steps"]:
        check_step(told, step)


def check_traces(told, folder):
    """Of a trace: its length up to the last whole record, its frames, how it ended, and the sum of all of it."""
    for trace in told.verdict["traces"]:
        content, frames = (folder / trace["file"]).read_bytes(), read_pcap(folder / trace["file"])
        end = frames[-1].offset + 16 + int.from_bytes(content[frames[-1].offset + 8:frames[-1].offset + 12], "little") \
            if frames else 24
        torn = end < len(content)
        told.checks.equal([trace[key] for key in ("bytes", "frames", "sha256")],
                          [end, len(frames), hashlib.sha256(content).hexdigest()], f"{told.where}: {trace['file']}")
        told.checks.equal("torn" in trace["ended"], torn, f"{told.where}: ended {trace['ended']}")
        text = f": {len(frames)} frames"
        if frames:
            text += f" in {span_text(frames[-1].time - frames[0].time)}, from {rfc3339(frames[0].time)[:19]}Z"
        text += "; its last record is torn" if torn else ""
        told.checks.that(any(one.endswith(text) for one in told.lines), lambda text=text: f"{told.where}: {text!r}")


def check_marks(told, folder):
    marks = told.verdict["marks"]
    if not marks:
        return
    content = (folder / "marks.jsonl").read_bytes()
    stated = [parse_json(one) for one in content.decode().splitlines()]
    told.checks.equal([marks["count"], marks["sha256"]], [len(stated), hashlib.sha256(content).hexdigest()],
                      f"{told.where}: marks")
    attempts = [attempt for part in told.verdict["parts"] for attempt in part["attempts"]]
    tries = [one for attempt in attempts for step in attempt["steps"] for one in step["tries"]]
    conditions = [one for attempt in attempts for one in attempt["conditions"]]
    named = [one["mark"] for one in conditions + tries if one["mark"]]
    for mark in named:
        own = stated[mark["line"] - 1]
        told.checks.equal((mark["name"], ns_of(mark["time"])), (own["name"], time_of(own["time"])),
                          f"{told.where}: mark of line {mark['line']}")
    for one in told.verdict["displayed"]:
        own = stated[one["line"] - 1]
        told.checks.equal((one["name"], one["value"]), (own["name"], own["value"]), f"{told.where}: displayed")


def time_of(stamp):
    """A person's stamp has as many decimals as it likes."""
    whole, _, part = stamp.rstrip("Z").partition(".")
    return ns_of(f"{whole}.{part.ljust(9, '0')}Z")


def check_displayed(told):
    for one in told.verdict["displayed"]:
        shown = {"agrees": "agreeing", "differs": "last"}.get(one["answer"])
        if not shown:
            continue
        value = one[shown]
        text = value["state"] if value["value"] is None else value_text(value["value"], value["unit"])
        text = f"{text} {told.at(value['time'])}{frames_of(value['first_frame'], value['last_frame'])}"
        found = [each for each in told.lines
                 if each.startswith(line(one["answer"], f"{one['name']}: ")) and each.endswith(text)
                 and f"displayed {value_text(one['value'], one['unit'])} {told.at(one['time'])}" in each]
        told.checks.that(found, lambda text=text: f"{told.where}: displayed, {text!r}")
        nearest = one["nearest"]
        if one["answer"] == "differs" and nearest:
            apart = nearest["last_frame"] != value["last_frame"]
            told.checks.equal("at the nearest, and last" in "".join(found), apart, f"{told.where}: the nearest value")


def check_job(checks, where, folder, text):
    verdict = parse_json((folder / "verdict.json").read_text(encoding="utf-8"))
    frames = read_pcap(folder / verdict["traces"][0]["file"])
    told = Lines(checks, where, text, verdict, min((frame.time for frame in frames), default=0))
    for part in verdict["parts"]:
        if verdict["part_count"] > 1:
            told.has(f"Part {part['part']} of {verdict['part_count']}"
                     + frames_of(part["first_frame"], part["last_frame"]) + (f": {part['why']}" if part["why"] else ""))
        answers = {step["answer"] for attempt in part["attempts"] if attempt["last"] for step in attempt["steps"]}
        failed = any(one["vouched"] == "contradicted" for attempt in part["attempts"] if attempt["last"]
                     for one in attempt["conditions"])
        expected = 1 if "contradicted" in answers else 2 if failed or "not confirmed" in answers or not answers else 0
        checks.equal(part["exit"], expected, f"{where}: exit of part {part['part']}")
        for attempt in part["attempts"]:
            check_attempt(told, part, attempt)
            ends = [ns_of(step["deciding"].get("last_time") or step["deciding"]["time"]) for step in attempt["steps"]
                    if step["deciding"]]
            checks.that(max(ends, default=0) <= ns_of(attempt["last_time"]) <= max(frame.time for frame in frames),
                        f"{where}: attempt {attempt['attempt']} ends at {attempt['last_time']}")
    check_traces(told, folder)
    check_marks(told, folder)
    check_displayed(told)
    uncertainty = Fraction(verdict["recorder"]["stamp_uncertainty"]) * SECOND
    told.checks.that(any(re.match(f"Times on the bus are taken as good to {span_text(int(uncertainty))}[.:]", one)
                         for one in told.lines), f"{where}: how good the times are")
    for note in verdict["recorder"]["notes"]:
        told.has(f"Note: {note}.")
    if verdict["recorder"]["log"]:
        told.has(f"Passive: {verdict['passive']}. Limits fixed before recording: "
                 f"{verdict['limits_fixed_before_recording']}.")
    told.checks.equal(told.lines[-1], verdict["answer"], f"{where}: the last line")


def later_limits(folder):
    """A definition file that the recorder did not see, and 29.9 displayed while the newest value is another one."""
    mark = {"time": rfc3339(MOMENT), "kind": "displayed", "name": "seat load.total", "value": "29.9", "unit": "kg"}
    definitions = ROOT / "traces" / "definitions"
    return Recording({"can0": (JOBS / "clean" / "trace.pcap").read_bytes()}, [definitions / "seat-scale.yaml"],
                     json.dumps(mark).encode() + b"\n", listed=[definitions / "rail-grams.yaml"]).write(folder)


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name).resolve()
        for job in jobs():
            into = folder / job.name
            check_job(checks, job.name, into, run("verify", *job.arguments(), "--into", into).stdout.decode())
        into = recorded_job(folder / "recorded")
        check_job(checks, "recorded", into, run("verify", into).stdout.decode())
        into = later_limits(folder / "later")
        check_job(checks, "later", into, run("verify", into).stdout.decode())
        verdict = parse_json((into / "verdict.json").read_text(encoding="utf-8"))
        checks.equal((verdict["limits_fixed_before_recording"], verdict["displayed"][0]["answer"]), ("no", "agrees"),
                     "later limits")
        apart = verdict["displayed"][0]["agreeing"]["last_frame"] != verdict["displayed"][0]["last"]["last_frame"]
        checks.that(apart, "later limits: the value that agrees is the newest one")
    checks.finish()


if __name__ == "__main__":
    main()
