#!/usr/bin/python3
"""Whole job folders with a recorder's log, built by hand from the example traces: passive, limits fixed, losses beside
the evidence they touch, marks stated afterwards, what the scan tool displayed, torn and forged logs.

Sources: D 2.1, 5.6, 5.7, 7.6, 7.13, 8.5, 11.2 for what must follow; every expected value stands here as a person
worked it out from the trace's scenario. SHA-256 by hashlib (FIPS 180-4).
"""
import sys

sys.dont_write_bytecode = True
import json
import pathlib
import shutil

import jsonschema
import yaml

from common import JOBS, ROOT, Checks, parse_json, rfc3339, read_jsonl, run, temporary
from recorder_kit import SECOND, Recording, records

SEAT = ROOT / "traces" / "definitions" / "seat-scale.yaml"
START = 1772438400 * SECOND  # 2026-03-02T08:00:00Z, date -u -d 2026-03-02T08:00:00Z +%s
CLEAN = (JOBS / "clean" / "trace.pcap").read_bytes()
MARKS = (JOBS / "clean" / "marks.jsonl").read_bytes()


def schema(name):
    document = json.loads((ROOT / "docs" / f"{name}.schema.json").read_text(encoding="utf-8"))
    return jsonschema.validators.validator_for(document)(document)


SCHEMAS = {name: schema(name) for name in ("recorder", "log", "verdict")}
STEPS = ["Zero point accepted", "Empty seat reads near zero", "Test weight reads within limits",
         "Lamp lit with the test weight", "Codes cleared", "No trouble codes left"]


def clean(**more):
    return Recording({"can0": CLEAN}, [SEAT], MARKS, **more)


def frame_at(content, time):
    """Number of the last frame stamped at or before time (ns since START)."""
    return sum(1 for stamp, _ in records(content) if stamp <= START + time)


class Judged:
    """A folder, verified: exit, printed text, verdict, log."""

    def __init__(self, recording, root, name, *arguments, log=None, change=None):
        self.folder = recording.write(pathlib.Path(root) / name, log)
        if change:
            change(self.folder)
        self.result = run("verify", self.folder, *arguments)
        self.exit = self.result.returncode
        self.text = self.result.stdout.decode()
        self.said = self.result.stderr.decode()
        path = self.folder / "verdict.json"
        self.verdict = parse_json(path.read_text()) if path.exists() else None
        self.log = read_jsonl(self.folder / "log.jsonl") if path.exists() else []

    def check_forms(self, checks, name):
        """What was read and what was written has the form that docs/ describe (JSON Schema by python3-jsonschema)."""
        lines = [("recorder", json.loads(line)) for line in (self.folder / "recorder.jsonl").read_text().splitlines()]
        lines += [("log", json.loads(line)) for line in (self.folder / "log.jsonl").read_text().splitlines()]
        lines.append(("verdict", json.loads((self.folder / "verdict.json").read_text())))
        for kind, line in lines:
            error = next(SCHEMAS[kind].iter_errors(line), None)
            checks.that(error is None, lambda: f"{name}: {kind} schema: {error.message[:300]} in {str(line)[:200]}")

    def steps(self):
        return {step["step"]: step for step in self.verdict["parts"][-1]["attempts"][-1]["steps"]}

    def answers(self):
        return [step["answer"] for step in self.steps().values()]

    def notes(self):
        return " | ".join(self.verdict["recorder"]["notes"])


def check_whole(checks, root):
    job = Judged(clean(), root, "whole")
    checks.equal(job.exit, 0, "whole job: exit")
    job.check_forms(checks, "whole job")
    checks.equal(job.said, "", "whole job: nothing to say beside it")
    checks.equal(job.verdict["passive"], "yes", "whole job: passive")
    checks.equal(job.verdict["limits_fixed_before_recording"], "yes", "whole job: limits fixed")
    checks.equal(job.verdict["recorder"]["notes"], [], "whole job: nothing is lacking")
    checks.equal(job.answers(), ["confirmed"] * 6, "whole job: steps")
    checks.equal(list(job.steps()), STEPS, "whole job: names of the steps")
    checks.that("Passive: yes. Limits fixed before recording: yes." in job.text, "whole job: printed")
    checks.that("Times on the bus are taken as good to 1 ms." in job.text, "whole job: the recorder's own uncertainty")
    checks.that("afterwards" not in job.text, "whole job: no mark was stated afterwards")
    checks.equal({line["bus"] for line in job.log if line["kind"] in ("reading", "exchange", "action", "stretch")},
                 {"can0"}, "whole job: the recorder's bus name")
    checks.equal(job.verdict["traces"][0]["file"], "trace-can0.pcap", "whole job: its own file name")
    checks.equal(job.log[-1]["passive"], "yes", "whole job: last line of the log")
    checks.equal(job.log[-1]["limits_fixed_before_recording"], "yes", "whole job: last line of the log")
    checks.equal([line["covered"] for line in job.log if line["kind"] == "mark"], [True] * 4,
                 "whole job: marks covered (the moment is bound to two steps)")
    first = {name: (job.folder / name).read_bytes() for name in ("log.jsonl", "readings.csv", "verdict.json")}
    run("verify", job.folder)
    for name, content in first.items():
        checks.equal((job.folder / name).read_bytes(), content, f"whole job: {name} again")
    rest = {path.name for path in job.folder.iterdir()}
    checks.that(not [name for name in rest if "unfinished" in name], "whole job: nothing is left over")
    listed = run("list", "readings", job.folder, "--format", "jsonl")
    checks.equal(sum(1 for line in job.log if line["kind"] == "reading"), len(listed.stdout.splitlines()),
                 "list readings JOB")
    checks.equal(json.loads(listed.stdout.splitlines()[0])["bus"], "can0", "list readings JOB: bus")
    checks.equal(len(run("list", "frames", job.folder).stdout.splitlines()), 322, "list frames JOB")


def check_passive(checks, root):
    """D 2.1: any doubt is written into the verdict."""
    at = 10 * SECOND
    frame = frame_at(CLEAN, at)

    def case(name, expected, prepare):
        recording = clean()
        prepare(recording)
        job = Judged(recording, root, "passive-" + name)
        checks.equal(job.verdict["passive"], expected, f"passive, {name}")
        return job

    def taken_away(recording):
        recording.event(START + at, "not listen-only", "can0", frame)
    job = case("listen-only taken away", f"until frame {frame}", taken_away)
    checks.that("no longer listen-only" in job.notes(), "passive: the reason is told")
    job.check_forms(checks, "listen-only taken away")
    # The empty reading stood before it, the weight from 11 s on behind it: named beside the steps it touches (D 7.13).
    beside = {name: [gap["what"] for gap in step["gaps"]] for name, step in job.steps().items()}
    checks.equal(beside["Empty seat reads near zero"], [], "passive: nothing beside what lies before")
    checks.equal(beside["Test weight reads within limits"], ["the recorder may have taken part in the bus"],
                 "passive: named beside what lies behind")
    checks.equal(job.exit, 0, "passive: named, not judged")

    def for_a_second(recording):
        taken_away(recording)
        recording.event(START + at + SECOND, "listen-only again", "can0", frame_at(CLEAN, at + SECOND))
    job = case("given back", f"until frame {frame}", for_a_second)
    beside = {name: [gap["what"] for gap in step["gaps"]] for name, step in job.steps().items()}
    checks.equal(beside["No trouble codes left"], [], "passive: nothing beside what lies behind it again")

    second_10 = frame_at(CLEAN, 10 * SECOND)

    def sent(recording):
        recording.sent = lambda bus, time: 1 if time > START + 10 * SECOND else 0
    case("the link's counter rose", f"until frame {second_10}", sent)

    def counter_lost(recording):
        recording.sent = lambda bus, time: None if time > START + 10 * SECOND else 0
    case("the link's counter unknown", f"until frame {second_10}", counter_lost)

    def unread(recording):
        recording.listening = lambda bus, time: None if time > START + 10 * SECOND else True
    case("mode unknown", f"until frame {second_10}", unread)
    job = case("transmitted", f"until frame {frame}",
               lambda recording: recording.event(START + at, "the link transmitted", "can0", frame, count=1))
    case("sent here", f"until frame {frame}",
         lambda recording: recording.event(START + at, "frames sent from this computer", "can0", frame, count=1))
    case("no filter", "not proven", lambda recording: setattr(recording, "filter", False))
    job = case("acknowledged", "not proven", lambda recording: setattr(recording, "acknowledging", True))
    checks.that(job.text.startswith("Note: the recorder acknowledged: it took part in the bus"),
                "took part: said first of all")
    checks.equal(job.verdict["recorder"]["took_part"], True, "took part: in the verdict")
    virtual = clean(controller=False)
    virtual.sent = lambda bus, time: None
    job = Judged(virtual, root, "passive-virtual")
    job.check_forms(checks, "virtual link")
    checks.equal(job.notes(), "a virtual link was recorded: it has no listen-only", "virtual link: said")
    checks.equal(job.verdict["passive"], "not proven", "passive, virtual link")
    checks.equal(job.exit, 0, "virtual link: steps are judged all the same")

    def killed(recording):
        recording.closed = False
        recording.until = START + 12 * SECOND
    job = case("killed", f"until frame {frame_at(CLEAN, 12 * SECOND)}", killed)
    checks.that("has no end" in job.notes() and "nothing is known of losses" in job.notes(), "killed: said")
    beside = {name: [gap["what"] for gap in step["gaps"]] for name, step in job.steps().items()}
    checks.equal(beside["Empty seat reads near zero"], [], "killed: nothing beside what was watched")
    checks.equal(beside["Codes cleared"], ["losses are not known: the recorder had ended"], "killed: named beside")
    checks.equal(job.exit, 0, "killed: what is on record is judged")


def check_losses(checks, root):
    """D 7.6: a loss ends a stretch; D 7.13: it is named beside the evidence and the attempt."""
    # The weight's stretch in the trace is frames 184 to 237, 3 s long; the moment is pressed at 11.95 s.
    whole = Judged(clean(), root, "loss-none").steps()["Test weight reads within limits"]["deciding"]
    checks.equal((whole["first_frame"], whole["last_frame"]), (184, 237), "loss: the stretch without one")

    def lossy(name, after, before, count=12, what="frames lost in the socket", event=True, totals=True, bus="can0"):
        recording = clean()
        times = [stamp for stamp, _ in records(CLEAN)]
        time = times[after - 1] + 1
        if event:
            recording.event(time, what, bus, after, before, count)
        if totals:
            recording.totals["can0"] = [(time, count, 0) if "socket" in what else (time, 0, count)]
        return Judged(recording, root, "loss-" + name)

    job = lossy("inside", 210, 211)
    step = job.steps()["Test weight reads within limits"]
    # Frames 184 to 210 and 211 to 237 are about 1.5 s each, less than "for: 2 s": no counting stretch is left.
    checks.equal(step["answer"], "not confirmed", "loss inside the only stretch: it does not count")
    checks.equal(job.exit, 2, "loss inside the only stretch: exit")
    attempt = job.verdict["parts"][0]["attempts"][0]
    checks.equal([(gap["what"], gap["frame"], gap["last_frame"], gap["between"], gap["count"]) for gap in attempt["gaps"]],
                 [("frames were lost", 210, 211, True, 12)], "loss: named beside the attempt with its count")
    checks.that("frames were lost, 12 of them" in job.text and "(between frames 210 and 211)" in job.text,
                "loss: printed with its place")
    checks.equal([(line["what"], line["first_frame"], line["last_frame"], line["count"], line["recorder"])
                  for line in job.log if line["kind"] == "event"],
                 [("frames lost in the socket", 210, 211, 12, True)], "loss: in the log")
    checks.that("the recorder lost frames in 1 place;" in job.notes(), "loss: said above the verdict")

    job = lossy("outside", 300, 301)
    checks.equal(job.exit, 0, "loss after the last reading: every step stands")
    checks.equal(job.steps()["Test weight reads within limits"]["gaps"], [], "loss outside: nothing beside the weight")

    job.check_forms(checks, "loss")
    # Right before the frame that completes the first sample: that sample comes after the loss, and begins the stretch.
    readings = [line for line in job.log if line["kind"] == "reading" and line["name"] == "seat load.total"]
    first = next(line["last_frame"] for line in readings if line["first_frame"] == 184)
    checks.that(first > 184, "loss: the first sample takes several frames")
    job = lossy("before first sample", first - 1, first)
    checks.equal(job.steps()["Test weight reads within limits"]["deciding"]["first_frame"], 184, "loss right before a sample")
    job = lossy("behind first sample", first, first + 1)
    checks.that(job.steps()["Test weight reads within limits"]["deciding"]["first_frame"] > 184, "loss right behind a sample")

    # A window: somewhere between frames 190 and 230 a frame is missing, so no pair in it may join a stretch.
    job = lossy("window", 190, 230)
    checks.equal(job.steps()["Test weight reads within limits"]["answer"], "not confirmed", "loss in a window")
    checks.equal(len([gap for gap in job.verdict["parts"][0]["attempts"][0]["gaps"]]), 1, "loss in a window: told once")

    job = lossy("uncounted", 210, 211, event=False)
    checks.equal(job.steps()["Test weight reads within limits"]["answer"], "not confirmed",
                 "a loss that only the counters know: the window between two checkpoints ends stretches")
    event = [line for line in job.log if line["kind"] == "event"]
    checks.equal([(line["what"], line["count"]) for line in event], [("frames lost in the socket", 12)],
                 "a loss that only the counters know: told")
    job = lossy("controller", 210, 211, what="frames lost in the controller", count=1)
    checks.equal(job.exit, 2, "loss in the controller")
    for what in ("link down", "link up", "interface removed", "bus-off", "restarted", "disk full", "write failed"):
        recording = clean()
        recording.event(START + 11 * SECOND, what, "can0", 210)
        job = Judged(recording, root, "loss-" + what.replace(" ", "-"))
        checks.equal(job.exit, 2, f"{what}: ends a stretch")
        checks.equal([gap["what"] for gap in job.verdict["parts"][0]["attempts"][0]["gaps"]], ["the link was interrupted"],
                     f"{what}: named")
    recording = clean()
    recording.event(START + 11 * SECOND, "checkpoint late", "can0", 210, detail="1.500 s")
    recording.event(START + 11 * SECOND, "no good frame", "can0", 210)
    recording.event(START + 11 * SECOND, "sync failed", "can0", 210, detail="Input/output error")
    job = Judged(recording, root, "loss-harmless")
    checks.equal(job.exit, 0, "events that touch no evidence")
    checks.that("sync failed, 1 time" in job.text and "no good frame came" in job.text, "they are said")

    # Without a mark every steady stretch of the part is judged (D 7.8): a loss between two of them lies before the last
    # evidence, and is named beside the attempt (D 7.13): meanwhile anything may have been asked.
    unmarked = Recording({"can0": CLEAN}, [ROOT / "traces" / "definitions" / "steady-only.yaml"])
    whole = Judged(unmarked, root, "loss-between-none").verdict["parts"][0]["attempts"][0]
    several = [step for step in whole["steps"] if step["also"]]
    checks.that(several, "loss between stretches: an example with several judged stretches")
    between = several[0]["deciding"]["last_frame"]
    checks.that(several[0]["also"][0]["first_frame"] > between + 1, "loss between stretches: there is room")
    unmarked.event(records(CLEAN)[between][0] - 1, "frames lost in the socket", "can0", between, None, 7)
    unmarked.totals["can0"] = [(records(CLEAN)[between][0] - 1, 7, 0)]
    attempt = Judged(unmarked, root, "loss-between").verdict["parts"][0]["attempts"][0]
    checks.equal([(gap["what"], gap["frame"], gap["count"]) for gap in attempt["gaps"]],
                 [("frames were lost", between, 7)], "loss between two judged stretches: named beside the attempt")


def check_clock(checks, root):
    """D 8.5: across a step of the clock elapsed time is unknown, also where stamps go on as if nothing had been."""
    recording = clean()
    recording.event(START + 11 * SECOND, "clock stepped", "can0", 210, detail="+0.400000000")
    job = Judged(recording, root, "clock-stepped")
    checks.equal(job.steps()["Test weight reads within limits"]["answer"], "not confirmed", "clock stepped in a stretch")
    checks.equal([gap["what"] for gap in job.verdict["parts"][0]["attempts"][0]["gaps"]], ["the clock stepped"],
                 "clock stepped: named")
    recording = clean()
    recording.event(START + 13 * SECOND + SECOND // 2, "clock stepped", None, 0, 0, detail="+0.400000000")
    job = Judged(recording, root, "clock-stepped-all")
    checks.equal(job.steps()["Test weight reads within limits"]["answer"], "not confirmed",
                 "clock stepped, place known by the checkpoints around it")
    job.check_forms(checks, "clock stepped")
    events = [line for line in job.log if line["kind"] == "event"]
    checks.equal([(line["what"], line["bus"], line["detail"]) for line in events],
                 [("clock stepped", None, "+0.400000000")], "clock stepped: told once, of no bus")
    checks.that("the clock of the recording computer stepped by +0.400000000 s" in job.notes(), "clock stepped: said")
    # The empty seat is read in frames 72 to 125, 3 s: behind 78 or behind 110 alone enough would be left. No moment.
    recording = clean()
    recording.event(START + 5 * SECOND, "clock stepped", "can0", 78, 110, detail="+0.400000000")
    job = Judged(recording, root, "clock-window-empty")
    checks.equal(job.steps()["Empty seat reads near zero"]["answer"], "not confirmed",
                 "clock stepped somewhere in a window, no moment")
    checks.that("behind frame 78 of can0" in job.notes(), "clock stepped: where")
    # Somewhere between 190 and 230: 190 to 237 alone would be long enough, so every pair in between must be unknown.
    recording = clean()
    recording.event(START + 13 * SECOND, "clock stepped", "can0", 190, 230, detail="+0.400000000")
    checks.equal(Judged(recording, root, "clock-window").steps()["Test weight reads within limits"]["answer"],
                 "not confirmed", "clock stepped somewhere in a window")
    recording = clean()
    recording.event(START + 21 * SECOND, "clock stepped", "can0", 316, detail="-0.400000000")
    checks.equal(Judged(recording, root, "clock-after").exit, 0, "clock stepped behind the last evidence")


def check_limits(checks, root):
    """D 11.2, 5.7."""
    other = pathlib.Path(root) / "other.yaml"
    shutil.copy(SEAT, other)

    def widen(folder):
        path = folder / "definitions" / SEAT.name
        path.write_text(path.read_text().replace("33.4 kg", "43.4 kg"))
    job = Judged(clean(), root, "limits-widened", change=widen)
    checks.equal(job.verdict["limits_fixed_before_recording"], "no", "limits changed afterwards")
    checks.that(f"the definition file {SEAT.name} was not there like this" in job.notes(), "limits changed: said")

    def add(folder):
        shutil.copy(ROOT / "traces" / "definitions" / "unit-identity.yaml", folder / "definitions" / "z.yaml")
    recording = clean()
    recording.definitions = []
    recording.listed = [SEAT]
    job = Judged(recording, root, "limits-missing")
    checks.equal(job.verdict["limits_fixed_before_recording"], "unknown", "no definition files at all")
    recording = clean()
    recording.definitions, recording.listed = [], []
    job = Judged(recording, root, "limits-later", "--definitions", SEAT)
    checks.equal(job.verdict["limits_fixed_before_recording"], "no", "definitions given after the recording")
    checks.equal((job.folder / "definitions" / SEAT.name).read_bytes(), SEAT.read_bytes(), "they are copied in")
    checks.equal(job.exit, 0, "definitions given after the recording: judged")
    again = run("verify", job.folder, "--definitions", SEAT)
    checks.equal(again.returncode, 64, "definitions are taken once")
    checks.equal(run("verify", job.folder).returncode, 0, "definitions are kept")

    def forge(lines):
        lines[0]["definitions"] = [{"file": f"definitions/{SEAT.name}", "sha256": lines[0]["definitions"][0]["sha256"]}]
    recording = clean()
    whole = recording.log().split(b"\n")
    changed = whole[0].replace(b'"filter":true', b'"filter":true ')
    job = Judged(recording, root, "limits-first-line", log=b"\n".join([changed] + whole[1:]))
    checks.equal(job.verdict["limits_fixed_before_recording"], "unknown", "first line changed: nothing is known")
    checks.equal(job.verdict["passive"], "not proven", "first line changed: nothing is proven")
    checks.that("line 2 does not carry the sum of the line before it" in job.notes(), "first line changed: said")


def check_marks(checks, root):
    """D 11.2: a mark not covered by a checkpoint within 2 s is "stated afterwards", wherever it is printed."""
    recording = clean()
    recording.cut_marks = lambda time: MARKS if time >= START + 20 * SECOND else b""
    job = Judged(recording, root, "marks-late")
    checks.equal([(line["covered"], line["cover"]) for line in job.log if line["kind"] == "mark"],
                 [(False, "stated afterwards")] * 4, "marks written at the end")
    attempt = job.verdict["parts"][0]["attempts"][0]
    checks.that(attempt["conditions"][0]["reason"].endswith("stated afterwards"), "afterwards: beside the condition")
    weight = job.steps()["Test weight reads within limits"]
    checks.that(weight["reason"].startswith("moment stated afterwards: "), "afterwards: beside the step")
    checks.equal(weight["tries"][0]["mark"]["covered"], False, "afterwards: beside the try")
    checks.that(job.text.count("stated afterwards") >= 4, "afterwards: printed at each place")

    # 2 s exactly is within; one nanosecond more is not.
    line = b'{"time":"2026-03-02T08:00:05.000000000Z","kind":"note","text":"x"}\n'
    for late, expected in ((0, None), (1, "stated afterwards")):
        recording = clean()
        recording.marks = line.replace(b"05.000000000", b"05.000000000" if not late else b"04.999999999")
        recording.cut_marks = lambda time: recording.marks if time >= START + 7 * SECOND else b""
        job = Judged(recording, root, f"marks-bound-{late}")
        checks.equal([entry["cover"] for entry in job.log if entry["kind"] == "mark"], [expected],
                     f"covered {2 * SECOND + late} ns after its time")
    recording = clean()
    recording.marks = line
    recording.cut_marks = lambda time: recording.marks if time >= START + 2 * SECOND else b""
    job = Judged(recording, root, "marks-early")
    checks.equal([entry["cover"] for entry in job.log if entry["kind"] == "mark"], ["written before its own time"],
                 "a mark that was there before its time")

    def change(folder):
        path = folder / "marks.jsonl"
        path.write_bytes(path.read_bytes().replace(b'"yes"', b'"no" ', 1))
    job = Judged(clean(), root, "marks-changed", change=change)
    checks.that("changed after the recorder had seen it" in job.notes(), "changed mark: said")
    checks.equal([line["cover"] for line in job.log if line["kind"] == "mark"],
                 ["changed after the recorder had seen it"] * 4, "changed mark: it and what follows it")

    def append(folder):
        with open(folder / "marks.jsonl", "ab") as file:
            file.write(b'{"time":"2026-03-02T08:00:20.000000000Z","kind":"note","text":"after"}\n')
    job = Judged(clean(), root, "marks-appended", change=append)
    checks.equal([line["cover"] for line in job.log if line["kind"] == "mark"], [None] * 4 + ["stated afterwards"],
                 "a mark added after the recording")
    checks.that("changed" not in job.notes(), "a mark added after the recording changes nothing")
    torn = clean()
    torn.marks = MARKS + b'{"time":"2026-03-02T08:00:1'
    torn.cut_marks = lambda time: MARKS[:Recording.marks_at(clean(), time).__len__()]
    job = Judged(torn, root, "marks-torn")
    checks.equal(job.exit, 0, "a torn line of marks does not hide the others")
    checks.that("marks.jsonl:4: is torn" in job.said, "a torn line of marks is told")


def check_withdrawn(checks, root):
    """D 7.4, 7.8, 11.2: what somebody takes back is told with the reason, and when that was noted after the recording."""
    def run_of(name, job, more, withdrawn, covered):
        folder = JOBS / job
        lines = (folder / "marks.jsonl").read_bytes() + b"".join(json.dumps(mark).encode() + b"\n" for mark in more)
        lines = b"".join(sorted(lines.splitlines(keepends=True), key=lambda line: json.loads(line)["time"]))
        number = next(at for at, line in enumerate(lines.splitlines(), 1) if withdrawn in line)
        last = json.dumps({"time": "2026-03-02T08:00:2" + ("0Z" if covered else "1.9Z"), "kind": "withdrawal",
                           "withdraws": number, "text": "by mistake"}).encode() + b"\n"
        definitions = [JOBS.parent / "definitions" / file
                       for file in yaml.safe_load((folder / "scenario.yaml").read_text())["definitions"]]
        recording = Recording({"can0": (folder / "trace.pcap").read_bytes()}, definitions, lines + last)
        if not covered:
            recording.cut_marks = lambda time: lines if time > START + 19 * SECOND else b"".join(
                line for line in lines.splitlines(keepends=True) if json.loads(line)["time"] <= rfc3339(time))
        return Judged(recording, root, name)

    moment = {"time": "2026-03-02T08:00:14.500Z", "kind": "moment", "name": "weight on"}
    level = {"time": "2026-03-02T08:00:01.100Z", "kind": "condition", "name": "Level ground", "value": "no"}
    vin = {"time": "2026-03-02T08:00:00.010Z", "kind": "identity", "name": "vin", "value": "22222222222222222"}
    for covered, words in ((True, "withdrawn: by mistake"), (False, "withdrawn, stated afterwards: by mistake")):
        job = run_of(f"moment-withdrawn-{covered}", "clean", [moment], b"14.500Z", covered)
        checks.equal(job.steps()["Test weight reads within limits"]["answer"], "confirmed", "a moment was withdrawn")
        checks.equal([entry["reason"] for entry in job.steps()["Test weight reads within limits"]["tries"]][1:], [words],
                     "the moment that was withdrawn")
        checks.that(words in job.text, "a withdrawn moment: printed")
        job = run_of(f"condition-withdrawn-{covered}", "clean", [level], b'"no"', covered)
        reason = job.verdict["parts"][0]["attempts"][0]["conditions"][0]["reason"]
        checks.that(reason.endswith("'no', stated at 2026-03-02 08:00:01 UTC, was " + words), f"condition: {reason}")
        job = run_of(f"vin-withdrawn-{covered}", "wrong-vehicle", [vin], b"11111", covered)
        reason = next(step["reason"] for name, step in job.steps().items() if "vehicle" in name)
        checks.that(reason.endswith("stated too, was " + words), f"identity: {reason}")
    # Without the withdrawal both stand there.
    recording = clean()
    recording.marks = b"".join(sorted([*MARKS.splitlines(keepends=True), json.dumps(moment).encode() + b"\n"],
                                      key=lambda line: json.loads(line)["time"]))
    checks.equal(Judged(recording, root, "moment-stands").exit, 2, "two moments that disagree")


def check_displayed(checks, root):
    """D 5.6: what the scan tool displayed against the bus. In the clean job the weight reads 29.8 or 29.9 kg."""
    recording = clean()
    folder = recording.write(pathlib.Path(root) / "displayed-look")
    readings = [json.loads(line) for line in
                run("list", "readings", folder, "--format", "jsonl").stdout.splitlines()]
    total = [line for line in readings if line["name"] == "seat load.total"]
    # The readings before 13 s, by the record decoder's own tests right: the newest is what a display would show.
    moment = START + 13 * SECOND
    before = [line for line in total if line["time"] <= rfc3339(moment)]
    last = before[-1]
    checks.that(last["value"] in (29.8, 29.9), "displayed: the trace reads as its scenario says")

    def judged(name, value, unit, reading="seat load.total", time=moment, text=None):
        mark = {"time": rfc3339(time), "kind": "displayed", "name": reading}
        mark.update({"value": value} if value is not None else {"text": text})
        if unit:
            mark["unit"] = unit
        recording = clean()
        lines = MARKS.splitlines(keepends=True) + [json.dumps(mark).encode() + b"\n"]
        recording.marks = b"".join(sorted(lines, key=lambda entry: json.loads(entry)["time"]))
        job = Judged(recording, root, "displayed-" + name)
        checks.equal(job.exit, 0, f"displayed, {name}: the steps do not depend on it")
        checks.equal([line["answer"] for line in job.log if line["kind"] == "displayed"],
                     [entry["answer"] for entry in job.verdict["displayed"]], f"displayed, {name}: log and verdict")
        return job, job.verdict["displayed"][0]

    job, entry = judged("same", str(last["value"]), "kg")
    checks.equal(entry["answer"], "agrees", "displayed, the same value")
    checks.equal(entry["agreeing"]["last_frame"], last["last_frame"], "displayed: the reading that agrees, by frame")
    checks.that(f"agrees          seat load.total: the scan tool displayed {last['value']} kg" in job.text,
                "displayed: printed")
    _, entry = judged("whole digits", "30", "kg")  # 29.8 and 29.9 both round to 30
    checks.equal(entry["answer"], "agrees", "displayed, rounded to whole kilograms")
    _, entry = judged("grams", "29800" if last["value"] == 29.8 else "29900", "g")
    checks.equal(entry["answer"], "agrees", "displayed in grams")
    # 29.8 kg is 65.698 lb, 29.9 kg is 65.918 lb (1 lb = 0.45359237 kg): a display of one decimal shows 65.7 or 65.9.
    _, entry = judged("pounds", "65.7" if last["value"] == 29.8 else "65.9", "lb")
    checks.equal(entry["answer"], "agrees", "displayed in pounds")
    job, entry = judged("other", "31.2", "kg")
    checks.equal(entry["answer"], "differs", "displayed, another value")
    checks.equal((entry["nearest"]["value"], entry["last"]["last_frame"]),
                 (max(line["value"] for line in map(parse_json, (json.dumps(line) for line in before))
                      if line["time"] >= rfc3339(moment - 10 * SECOND)), last["last_frame"]),
                 "displayed, another value: the nearest and the last reading")
    job.check_forms(checks, "displayed")
    checks.that("differs         seat load.total: the scan tool displayed 31.2 kg" in job.text, "displayed: printed")
    _, entry = judged("tenth", "30.0", "kg")  # 29.9 is a tenth off, more than half a tenth
    checks.equal(entry["answer"], "differs", "displayed, off by one digit")
    _, entry = judged("volts", "29.8", "V")
    checks.equal(entry["answer"], "not comparable", "displayed in a unit of something else")
    _, entry = judged("no unit", "29.8", None)
    checks.equal(entry["answer"], "not comparable", "displayed without the unit that the reading has")
    _, entry = judged("unknown", "29.8", "kg", reading="seat load.totl")
    checks.equal(entry["answer"], "unknown reading", "displayed, a name that is none")
    _, entry = judged("too early", "0.1", "kg", time=START + SECOND // 2)
    checks.equal(entry["answer"], "not read", "displayed before anything was read")
    _, entry = judged("lamp", None, None, reading="airbag lamp.off lamp", text="lit")
    checks.equal(entry["answer"], "agrees", "displayed, a state")
    _, entry = judged("half up", "29.85", "kg")  # half of the last digit is 0.005: 29.8 and 29.9 are 0.05 away
    checks.equal(entry["answer"], "differs", "displayed with more digits than the reading has")


def check_torn_and_forged(checks, root):
    log = clean().log()
    lines = log.splitlines(keepends=True)

    job = Judged(clean(), root, "log-torn", log=log[:-40])
    checks.that("ends inside a line" in job.notes(), "torn log: said")
    checks.that(job.verdict["passive"].startswith("until frame "), "torn log: passive up to its last checkpoint")
    checks.equal(job.exit, 0, "torn log: the steps are judged")

    def damaged(name, content, words, passive="until"):
        job = Judged(clean(), root, "log-" + name, log=content)
        checks.that(words in job.notes(), f"log, {name}: {job.notes()!r} lacks {words!r}")
        checks.that(job.verdict["passive"].startswith(passive), f"log, {name}: passive is {job.verdict['passive']}")
        return job
    damaged("line taken out", b"".join(lines[:5] + lines[6:]), "line 6 is not numbered 6")
    damaged("line changed", b"".join(lines[:5] + [lines[5].replace(b'"sent":0', b'"sent":0 ')] + lines[6:]),
            "line 7 does not carry the sum of the line before it")
    damaged("no JSON", b"".join(lines[:5] + [b"recorder\n"] + lines[6:]), "line 6 is no JSON object")
    damaged("behind the end", log + lines[-1], f"line {len(lines) + 1} stands behind the closing line")
    damaged("empty", b"", "no whole line", "not proven")
    damaged("first line missing", b"".join(lines[1:]), "line 1 is not numbered 1", "not proven")
    recording = clean()
    recording.skip = {6}
    job = Judged(recording, root, "log-checkpoint-out")
    checks.that("is checkpoint 7 where 6 was due" in job.notes(), "a checkpoint is missing though the chain holds")
    recording = clean()

    def renumber(all_lines):
        del all_lines[6:11]
        for number, line in enumerate([line for line in all_lines if line["kind"] == "checkpoint"], 1):
            line["number"] = number
    recording.edit = renumber
    job = Judged(recording, root, "log-seconds-out")
    checks.that("comes 6 s after the checkpoint before it" in job.notes(), "checkpoints taken out and renumbered")

    # The trace changed, cut or continued after the recording.
    def flip(folder):
        path = folder / "trace-can0.pcap"
        content = bytearray(path.read_bytes())
        content[records(CLEAN)[200][1] - 1] ^= 1  # a byte of frame 201
        path.write_bytes(content)
    job = Judged(clean(), root, "trace-changed", change=flip)
    checks.that("the trace of can0 is not the one that was recorded: behind frame" in job.notes(), "changed trace: said")
    good = int(job.verdict["passive"].split()[-1])
    checks.that(150 < good <= 200, f"changed trace: passive until the last checkpoint that agrees, {good}")

    def cut(folder):
        path = folder / "trace-can0.pcap"
        path.write_bytes(path.read_bytes()[:records(CLEAN)[199][1]])
    job = Judged(clean(), root, "trace-cut", change=cut)
    checks.that("the trace of can0 is not the one that was recorded" in job.notes(), "cut trace: said")

    def extend(folder):
        path = folder / "trace-can0.pcap"
        content = path.read_bytes()
        path.write_bytes(content + content[records(CLEAN)[-2][1]:])
    job = Judged(clean(), root, "trace-extended", change=extend)
    checks.that("1 frames behind the 322 that the recorder closed it with" in job.notes(), "extended trace: said")
    checks.equal(job.verdict["passive"], "until frame 322", "extended trace: passive")

    # A damaged log can only weaken: the loss in it still counts though its chain is broken before.
    recording = clean()
    recording.event(records(CLEAN)[209][0] + 1, "frames lost in the socket", "can0", 210, 211, 12)
    with_loss = recording.log().splitlines(keepends=True)
    job = Judged(recording, root, "log-broken-loss", log=b"".join(with_loss[:3] + with_loss[4:]))
    checks.equal(job.exit, 2, "a loss behind the damage still ends its stretch")


def check_folder(checks, root):
    """Sealed, growing, odd and foreign folders."""
    def seal(folder):
        (folder / "MANIFEST.sha256").write_text("")
    job = Judged(clean(), root, "sealed", change=seal)
    checks.equal(job.exit, 0, "sealed: judged")
    checks.that("is sealed" in job.said and "confirmed: all 6 steps" in job.text, "sealed: said and printed")
    checks.equal(sorted(path.name for path in job.folder.iterdir()),
                 ["MANIFEST.sha256", "definitions", "marks.jsonl", "recorder.jsonl", "trace-can0.pcap"],
                 "sealed: nothing was written")

    import fcntl
    growing = clean()
    growing.closed = False
    folder = growing.write(pathlib.Path(root) / "growing")
    with open(folder / "recorder.jsonl", "rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        result = run("verify", folder)
        checks.equal(result.returncode, 65, "growing: refused")
        checks.equal(len(result.stderr.splitlines()), 1, "growing: in one line")
        checks.equal(len(run("list", "frames", folder).stdout.splitlines()), 322, "growing: can be listed")
    checks.equal(run("verify", folder).returncode, 0, "no longer growing: judged")

    def take_trace(folder):
        (folder / "trace-can0.pcap").unlink()
    job = Judged(clean(), root, "no-trace", change=take_trace)
    checks.equal((job.exit, len(job.said.splitlines())), (66, 1), "a missing trace: one line")

    def stranger(folder):
        shutil.copy(folder / "trace-can0.pcap", folder / "trace-can7.pcap")
    job = Judged(clean(), root, "stranger", change=stranger)
    checks.equal(job.exit, 0, "a trace of no recording is left out")
    checks.that("trace-can7.pcap is no trace of this recording" in job.said, "a trace of no recording is told")
    empty = pathlib.Path(root) / "empty"
    empty.mkdir()
    result = run("verify", empty)
    checks.equal((result.returncode, len(result.stderr.splitlines())), (66, 1), "an empty folder: one line")
    whole = clean().write(pathlib.Path(root) / "refused")
    for arguments, code in ((("--into", root + "/new"), 64), (("--marks", JOBS / "clean" / "marks.jsonl"), 64)):
        result = run("verify", whole, *arguments)
        checks.equal((result.returncode, len(result.stderr.splitlines())), (code, 1), f"{arguments[0]} with a job")

    # A job that verify --into made: no recorder, the same bytes again, passive and limits unknown (D 5.7).
    bare = pathlib.Path(root) / "bare"
    run("verify", JOBS / "clean" / "trace.pcap", "--definitions", SEAT, "--marks", JOBS / "clean" / "marks.jsonl",
        "--into", bare)
    first = {path.name: path.read_bytes() for path in bare.iterdir() if path.is_file()}
    checks.equal(run("verify", bare).returncode, 0, "bare job: judged again")
    checks.equal({path.name: path.read_bytes() for path in bare.iterdir() if path.is_file()}, first, "bare job: same bytes")
    verdict = parse_json((bare / "verdict.json").read_text())
    checks.equal((verdict["passive"], verdict["limits_fixed_before_recording"]), ("not proven", "unknown"), "bare job")
    checks.that("covered" in str(verdict) and verdict["parts"][0]["attempts"][0]["conditions"][0]["mark"]["covered"] is None,
                "bare job: whether marks were covered is not known")


def check_buses(checks, root):
    """Two buses: names, events of one of them, evidence of the other; and a trace in two files (D 4.3, 5.1)."""
    quiet = CLEAN[:24] + b"".join(
        CLEAN[(records(CLEAN)[i - 1][1] if i else 24):records(CLEAN)[i][1]]
        for i in range(322) if CLEAN[records(CLEAN)[i][1] - 16:records(CLEAN)[i][1] - 12] == b"\0\0\1\xa4")
    count = len(records(quiet))
    checks.that(count > 40, "two buses: the second one has frames of its own")
    recording = Recording({"can0": CLEAN, "can1": quiet}, [SEAT], MARKS)
    # At 13.5 s, inside the weight's stretch on the first bus.
    middle, number = START + 13 * SECOND + SECOND // 2, frame_at(quiet, 13 * SECOND + SECOND // 2)
    recording.event(middle, "frames lost in the socket", "can1", number, None, 5)
    recording.totals["can1"] = [(middle, 5, 0)]
    recording.event(middle + 1, "not listen-only", "can1", number)
    job = Judged(recording, root, "two-buses")
    checks.equal(job.exit, 0, "two buses: a loss on the other bus ends no stretch of this one")
    checks.equal(job.verdict["passive"], f"until frame {number} on can1", "two buses: passive names the bus")
    job.check_forms(checks, "two buses")
    checks.equal({line["bus"] for line in job.log if line["kind"] in ("action", "stretch")}, {"can0"},
                 "two buses: actions and stretches have their bus")
    checks.equal([line["bus"] for line in job.log if line["kind"] == "event"], ["can1", "can1"], "two buses: events")
    gaps = job.verdict["parts"][0]["attempts"][0]["gaps"]
    checks.equal([(gap["what"], gap["bus"], gap["count"]) for gap in gaps], [("frames were lost", "can1", 5)],
                 "two buses: a loss on the other one is named beside the attempt, with its bus")
    result = run("verify", job.folder, "--bus", "can0")
    checks.that("Judged by bus can0 alone" in result.stdout.decode(), "--bus by name")
    checks.equal(run("verify", job.folder, "--bus", "can5").returncode, 64, "--bus of no bus")

    split = records(CLEAN)[150][1]  # frames 1 to 151, and the rest in a second file
    recording = clean()

    def continue_it(folder):
        (folder / "trace-can0.pcap").write_bytes(CLEAN[:split])
        (folder / "trace-can0-2.pcap").write_bytes(CLEAN[:24] + CLEAN[split:])
    recording.traces["can0"] = CLEAN[:split]
    recording.records["can0"] = records(CLEAN[:split])
    job = Judged(recording, root, "continued", change=continue_it)
    checks.equal(job.exit, 0, "continued: judged over both files")
    weight = job.steps()["Test weight reads within limits"]["deciding"]
    checks.equal((weight["first_frame"], weight["last_frame"]), (184, 237), "continued: frames are numbered on")
    checks.equal([(trace["file"], trace["bus"], trace["frames"]) for trace in job.verdict["traces"]],
                 [("trace-can0.pcap", "can0", 151), ("trace-can0-2.pcap", "can0", 171)], "continued: both files named")
    # Without a recorder's log the names alone say that the second file goes on where the first ends.
    (job.folder / "recorder.jsonl").unlink()
    (job.folder / "verdict.json").unlink()
    checks.equal(run("verify", job.folder).returncode, 0, "continued, no log: judged over both files")
    bare = json.loads((job.folder / "verdict.json").read_text())
    checks.equal([(trace["file"], trace["bus"], trace["frames"]) for trace in bare["traces"]],
                 [("trace-can0.pcap", "can0", 151), ("trace-can0-2.pcap", "can0", 171)], "continued, no log: both files")
    weight = [step for step in bare["parts"][0]["attempts"][0]["steps"] if step["step"] == "Test weight reads within limits"]
    checks.equal((weight[0]["deciding"]["first_frame"], weight[0]["deciding"]["last_frame"]), (184, 237),
                 "continued, no log: frames are numbered on")
    places = [line["at"][0] for line in job.log if line["kind"] == "reading" and line["first_frame"] > 151]
    checks.that(places and all(place["file"] == "trace-can0-2.pcap" for place in places), "continued: places in the file")


def main():
    checks = Checks()
    with temporary() as root:
        for check in (check_whole, check_passive, check_losses, check_clock, check_limits, check_marks, check_withdrawn,
                      check_displayed, check_torn_and_forged, check_folder, check_buses):
            check(checks, root)
    checks.finish()


main()
