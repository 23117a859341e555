#!/usr/bin/python3
"""Fault walks over the keeper of the recorder: the nth allocation, read, write, sync, open, close, trim fails, the power goes.

Source: RELIABILITY list 14 to 17 (project), POSIX write(2), fsync(2), close(2) for what each call may answer; RFC 8259 and
FIPS 180-4 for the log's lines and their sums, by Python's json and hashlib. keeper_alone (keeper_alone.c) is the keeper
beside a process that writes numbered frames, without a bus. Whatever fails: the frames that were written are all in the
trace, in order; each line of the log is whole and names the one before; what a checkpoint says of the trace is so; and a
record that says it is complete is complete. What failed is told.

    recorder.py KEEPER_ALONE
"""
import sys

sys.dont_write_bytecode = True
import concurrent.futures
import hashlib
import json
import os
import pathlib
import shutil
import struct
import subprocess
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests/outside"))
sys.path.insert(0, str(ROOT / "tests/fault"))
from common import TARETRACE, Checks  # noqa: E402
from walk import CODES, build_shim  # noqa: E402

DEFINITIONS = ROOT / "traces/definitions/seat-scale.yaml"
KINDS = {
    "alloc": ["ENOMEM"],
    "read": ["EIO", "EINTR", "short"],
    "write": ["ENOSPC", "EIO", "EINTR", "short", "half, then ENOSPC"],
    "sync": ["EIO"],
    "open": ["EIO"],
    "close": ["EIO"],
    "make": ["ENOSPC"],
    "trim": ["EIO"],
}
HARMLESS = {"EINTR", "short"}
HEADER, RECORD = 24, 32  # pcap file header; record header 16, CAN frame 16
AT_ONCE = 12  # each run sleeps most of its second


class Run:
    def __init__(self, place, shim, keeper, fault):
        self.fault = fault
        self.job = place / "job"
        place.mkdir()
        env = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"}
        if fault:
            env |= {"FAULT": fault, "FAULT_REPORT": str(place / "report"), "LD_PRELOAD": str(shim)}
        done = subprocess.run([keeper, self.job, DEFINITIONS], env=env, stdin=subprocess.DEVNULL, capture_output=True,
                              timeout=60)
        self.code, self.told = done.returncode, done.stderr.decode(errors="replace")
        words = done.stdout.split()
        self.written = int(words[1]) if words[:1] == [b"written"] else None
        self.struck = (place / "report").exists() and (place / "report").stat().st_size
        self.verified = None
        self.made = self.job.exists()
        if self.made:
            self.verified = subprocess.run([TARETRACE, "verify", self.job], stdin=subprocess.DEVNULL, capture_output=True,
                                           timeout=60)


def look_at_trace(checks, run, trace):
    """The frames from 1 on, none missing, none twice; what stands behind them is no whole record."""
    count = max(len(trace) - HEADER, 0) // RECORD
    for number in range(1, count + 1):
        at = HEADER + (number - 1) * RECORD
        if struct.unpack_from(">Q", trace, at + 24)[0] != number:
            checks.that(False, f"{run.fault}: record {number} of the trace is another one")
            return count
    if run.written is not None:
        checks.equal(count, run.written, f"{run.fault}: frames in the trace")
    return count


def look_at_log(checks, run, log, trace, cut):
    """The lines of the log; an "end" is returned."""
    *whole, rest = log.split(b"\n")
    checks.that(rest == b"" or cut, f"{run.fault}: the log ends inside a line")
    before, checkpoints, end = None, 0, None
    for number, line in enumerate(whole, 1):
        try:
            said = json.loads(line)
        except ValueError:
            checks.that(cut and number == len(whole), f"{run.fault}: line {number} is no line: {line[:80]}")
            break
        checks.that(said["line"] == number, f"{run.fault}: line {number} is called {said['line']}")
        checks.that(said["previous"] == before, f"{run.fault}: line {number} names another one before it")
        before = hashlib.sha256(line).hexdigest()
        checks.that(end is None, f"{run.fault}: a line behind the end")
        if said["kind"] == "checkpoint":
            checkpoints += 1
            checks.that(said["number"] == checkpoints, f"{run.fault}: checkpoint {checkpoints} is called {said['number']}")
        if said["kind"] == "end":
            end = said
        if said["kind"] in ("checkpoint", "end"):
            bus = said["buses"][0]
            checks.that(bus["bytes"] <= len(trace), f"{run.fault}: {said['kind']} says more bytes than there are")
            checks.that(hashlib.sha256(trace[:bus["bytes"]]).hexdigest() == bus["sha256"],
                        f"{run.fault}: {said['kind']} has another sum")
            checks.that(bus["frames"] == max(bus["bytes"] - HEADER, 0) // RECORD,
                        f"{run.fault}: {said['kind']} says {bus['frames']} frames in {bus['bytes']} bytes")
    return end


def judge(checks, run, cut=False):
    checks.that(run.code >= 0, f"{run.fault}: ended by signal {-run.code}")
    checks.that(run.code in CODES | {0, 99}, f"{run.fault}: ends {run.code}")
    if run.code not in (0, 99):
        checks.that("error: " in run.told, f"{run.fault}: ends {run.code} without a word: {run.told[:200]}")
    if not run.made:
        checks.that(run.code != 0, f"{run.fault}: nothing was made, and it ends 0")
        return
    checks.that(run.verified.returncode in CODES | {2}, f"{run.fault}: verify ends {run.verified.returncode}")
    if run.written is None and not cut:  # it never began: what could not be taken away is told
        checks.that(run.code != 0, f"{run.fault}: never began, and ends 0")
        return
    files = {name: run.job / name for name in ("trace-none0.pcap", "recorder.jsonl")}
    contents = {name: path.read_bytes() if path.exists() else b"" for name, path in files.items()}
    trace, log = contents["trace-none0.pcap"], contents["recorder.jsonl"]
    count = look_at_trace(checks, run, trace)
    end = look_at_log(checks, run, log, trace, cut)
    copied = run.job / "definitions" / DEFINITIONS.name
    if not cut:
        checks.that(copied.read_bytes() == DEFINITIONS.read_bytes(), f"{run.fault}: the copy of the definitions")
    if run.code == 0:
        checks.that(end is not None, f"{run.fault}: ends 0 without an end in the log")
    if end:
        behind = count - end["buses"][0]["frames"]
        checks.that(behind == 0 or b"write failed" in log, f"{run.fault}: {behind} frames behind the end, and no word of it")
    told = log + run.told.encode()
    if run.struck and run.fault.startswith("sync") and run.code == 0:
        checks.that(b"sync failed" in told, f"{run.fault}: a failed sync is not told")


def main():
    checks = Checks(40)
    keeper = pathlib.Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None) as name:
        place = pathlib.Path(name)
        shim = build_shim(place)
        good = Run(place / "good", shim, keeper, None)
        checks.equal(good.code, 0, f"undisturbed: {good.told}")
        judge(checks, good)
        counts = {}

        def one(number, fault):
            return Run(place / f"run-{number}", shim, keeper, fault)

        # Calls are few: all of each kind at once, in slices, until a slice strikes nothing.
        number = 0
        with concurrent.futures.ThreadPoolExecutor(AT_ONCE) as pool:
            plans = [(kind, how) for kind, hows in KINDS.items() for how in hows] + [("power", seed) for seed in "123"]
            for kind, how in plans:
                at, struck, begun = 1, True, kind != "alloc"
                while struck:
                    # Allocations of reading the definition files are walked one by one by walk.py lint: few here.
                    step = 1 if begun else 23
                    places = range(at, at + step * AT_ONCE, step)
                    faults = [f"{kind}:{n}:short,{kind}:{n + 1}:ENOSPC" if "," in how else f"{kind}:{n}:{how}" for n in places]
                    runs = list(pool.map(one, range(number, number + AT_ONCE), faults))
                    number += AT_ONCE
                    first = not begun and any(run.made for run in runs)
                    begun = begun or first
                    at += 0 if first else step * AT_ONCE  # once more, one by one
                    for run in runs:
                        if run.struck:
                            counts[kind] = counts.get(kind, 0) + 1
                            judge(checks, run, cut=kind == "power")
                            if how in HARMLESS:
                                checks.equal(run.code, 0, f"{run.fault}: {run.told[:200]}")
                        shutil.rmtree(run.job.parent)
                    struck = any(run.struck for run in runs)
            print("keeper:", ", ".join(f"{count} {kind}" for kind, count in counts.items()))
    checks.finish()


main()
