#!/usr/bin/env python3
"""Makes the example traces of invented jobs from readable scenario files. It shares no code with the decoder.

    python3 traces/generate.py                    write trace.pcap and marks.jsonl of every job anew
    python3 traces/generate.py --check            build in memory; exit 1 if a committed file differs
    python3 traces/generate.py --expected NAME... what a person expects of the job, as JSON, with frame numbers; of several
                                                  jobs an object with a member for each
    python3 traces/generate.py --list             the names of all jobs

Each job is a folder traces/jobs/NAME: scenario.yaml is written by hand, the rest is generated, byte for byte the
same on any machine. Every scalar of a scenario file is text (yaml.BaseLoader). Its keys:

    story          what happened in the workshop, in plain words
    rule           the rule of the design ("D 7.8") that the job closes a way around
    definitions    files in traces/definitions
    other traffic  ordinary (the default) | busy | none: frames of other units
    jitter         none: every delay is its middle value, so that time differences are exact
    padding        none: frames no longer than their content (default: padded to 8 bytes)
    torn           how many bytes at the end of the file are missing
    timeline       one entry a line, in order; each happens when the one before it is over
    expect         written by a person before any decoding

Entries of a timeline (the clock starts at 0 s = 2026-03-02T08:00:00Z):

    at: 12 s · wait: 2 s                     the clock
    session: extended | default              10 03, 10 01
    load: 0.1 x 4, 12, 29.9 x 5              seat load totals in kg, one reading each; every: 500 ms, supply: 12.3 (V),
                                             absent: front left
    zero: start | stop | results             the routine; state: done | running | seat not empty | supply voltage
    read vin: TEXT · write vin: TEXT         22 F190, 2E F190
    clear codes: all                         14 FFFFFF
    list codes: 0x19                         19 02 with that mask; found: {0x9A4254: 0x50}, available: 0xFF
    count codes: 0x09                        19 01; found: 1
    supported codes: {0x9A4254: 0x00}        19 0A
    code setting: off | on                   85 02, 85 01; suppressed: yes
    reset: hard · tester present: answered | suppressed
    ask: 22 3C 41                            any question; answer: BYTES | none
    module says: 59 02 FF                    an answer nobody asked for
    lamp: dark | lit | unknown | unnamed | absent      from here the lamp frame, every 0.5 s, says this
    mark: {kind: moment, name: weight on}    a line of marks.jsonl; stamp: 31.5 s instead of now
    frames lost: rx overflow                 an error frame of the controller
    clock: -3 s                              the recorder's clock is set
    frame: 0x123 01 02                       one frame of another unit

Any question takes: label (names its answer; "LABEL asked" its request), answer: none, refused: 0x22 (7F),
pending: 30 ms, 2 s (0x78 at these times after the question), delay: 400 ms (of the answer), lose: 2 (frames of the
answer the recorder did not get), lose of question: 1, functional: yes, go on after: 30 ms (do not wait for the answer).

An expected step has step, answer ("confirmed", "contradicted", "not confirmed", "recorded") and, where it is stated,
the deciding evidence: deciding: LABEL (an answer), deciding: none, or from / to (frames of a stretch) with lowest,
highest and unit. A frame is a number or LABEL.first, LABEL.last, LABEL[2].first, LABEL[after X].first,
LABEL[before X].last, where X is a label or a time. part and attempt count from 1; without them the last is meant.
"""

import argparse
import datetime
import json
import pathlib
import sys

import yaml

from generator.bus import BASE_SECONDS, MS
from generator.expectation import resolve
from generator.timeline import Timeline

HERE = pathlib.Path(__file__).resolve().parent
JOBS = HERE / "jobs"
SCENARIO_KEYS = {"story", "rule", "definitions", "other traffic", "jitter", "padding", "torn", "timeline", "expect"}
RECORD_SIZE = 32


def mark_line(stamp, mark):
    """One line of marks.jsonl; a mark's time has milliseconds."""
    start = datetime.datetime.fromtimestamp(BASE_SECONDS, datetime.timezone.utc)
    time = start + datetime.timedelta(milliseconds=stamp // MS)
    text = time.strftime("%Y-%m-%dT%H:%M:%S.") + f"{time.microsecond // 1000:03}Z"
    return json.dumps({"time": text, **mark}, ensure_ascii=False) + "\n"


def build(name):
    """One job: its generated files {name: bytes or None where there must be none}, and its expectation."""
    path = JOBS / name / "scenario.yaml"
    with open(path, encoding="utf-8") as file:
        scenario = yaml.load(file, Loader=yaml.BaseLoader)
    unknown = scenario.keys() - SCENARIO_KEYS
    if unknown:
        raise ValueError(f"{name}: unknown key {', '.join(sorted(unknown))}")
    for definition in scenario["definitions"]:
        if not (HERE / "definitions" / definition).is_file():
            raise ValueError(f"{name}: no definition file {definition}")
    timeline = Timeline(name, scenario)
    try:
        expected = resolve(timeline, scenario["expect"])
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError(f"{name}: expect: {error}") from error
    trace = timeline.bus.pcap()
    torn = int(scenario.get("torn", "0"))
    if torn:
        trace = trace[:-torn]
    whole = (len(trace) - 24) // RECORD_SIZE
    for step in expected["steps"]:
        if (step.get("deciding") or {}).get("last_frame", 0) > whole:
            raise ValueError(f"{name}: expect: {step['step']} names a frame the torn file does not hold")
    marks = "".join(mark_line(stamp, mark) for stamp, mark in timeline.marks).encode()
    return {"trace.pcap": trace, "marks.jsonl": marks or None}, expected


def job_names():
    return sorted(path.parent.name for path in JOBS.glob("*/scenario.yaml"))


def write(names):
    for name in names:
        files, _ = build(name)
        for file, content in files.items():
            path = JOBS / name / file
            if content is None:
                path.unlink(missing_ok=True)
            else:
                path.write_bytes(content)
    return 0


def check(names):
    """Compare what would be written with what is there; say each difference on one line."""
    problems = []
    for name in names:
        files, _ = build(name)
        for file, content in files.items():
            path = JOBS / name / file
            if (path.read_bytes() if path.is_file() else None) != content:
                problems.append(f"{name}/{file} differs from what its scenario gives")
        extra = {path.name for path in (JOBS / name).iterdir()} - files.keys() - {"scenario.yaml"}
        problems += [f"{name}/{file} belongs to no scenario" for file in sorted(extra)]
    problems += [f"{path.name} has no scenario.yaml" for path in sorted(JOBS.iterdir()) if path.name not in names]
    for problem in problems:
        print(f"generate.py: {problem}; run 'python3 traces/generate.py'", file=sys.stderr)
    return 1 if problems else 0


def main():
    parser = argparse.ArgumentParser(description="Make the example traces from their scenario files.")
    parser.add_argument("--check", action="store_true", help="fail if a committed file differs")
    parser.add_argument("--expected", metavar="NAME", nargs="+", help="print what a person expects, as JSON")
    parser.add_argument("--list", action="store_true", help="print the names of all jobs")
    arguments = parser.parse_args()
    names = job_names()
    try:
        if arguments.list:
            print("\n".join(names))
            return 0
        if arguments.expected:
            expected = {name: build(name)[1] for name in arguments.expected}
            print(json.dumps(expected if len(expected) > 1 else expected.popitem()[1], indent=2, ensure_ascii=False))
            return 0
        return check(names) if arguments.check else write(names)
    except (ValueError, OSError, yaml.YAMLError) as error:
        print(f"generate.py: {error}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
