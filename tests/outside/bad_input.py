#!/usr/bin/python3
"""Bad input gets one clear line and the right exit code, and what is whole is still used.

Sources: exit codes D 9.1 and 7.12; torn traces D 5.5; messages D 6.2; man pcap-savefile(5) for file headers; pcapng's
block type 0A0D0D0A. Text that wants to do harm has a script of its own, hostile_text.py.
"""
import sys

sys.dont_write_bytecode = True
import json
import pathlib
import re
import resource
import struct
import subprocess

from common import HOSTILE, TARETRACE, Checks, Job, parse_json, pcap_bytes, read_jsonl, read_pcap, run, temporary

SECOND = 10**9


class Bench:
    """One clean example job whose pieces are spoiled one at a time."""

    def __init__(self, checks, folder):
        self.checks, self.folder = checks, folder
        self.job = Job("clean")
        self.trace = self.job.trace.read_bytes()
        self.definitions = self.job.definitions[0]
        self.count = 0

    def file(self, name, content):
        self.count += 1
        base = self.folder / f"case{self.count}"
        base.mkdir()
        path = base / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def verify(self, trace=None, definitions=None, marks=None, extra=()):
        """Runs verify --into a new folder; gives the result and that folder."""
        self.count += 1
        into = self.folder / f"job{self.count}"
        arguments = ["verify", trace or self.job.trace, "--definitions", definitions or self.definitions]
        if marks or self.job.marks:
            arguments += ["--marks", marks or self.job.marks]
        return run(*arguments, *extra, "--into", into), into

    def refused(self, where, result, into, code, names, lines=1):
        """Exit code, one line that names the place, nothing left behind that looks like a job folder."""
        text = result.stderr.decode()
        self.checks.equal(result.returncode, code, f"{where}: exit code ({text.strip()[:200]})")
        if lines is not None:
            self.checks.equal(len(text.splitlines()), lines, f"{where}: lines on stderr: {text!r}")
        self.checks.that(all(name in text for name in names), f"{where}: {names} do not all stand in {text!r}")
        self.checks.that(not HOSTILE.search(text), f"{where}: control characters on stderr: {text!r}")
        if into is not None:
            self.checks.that(not (into / "verdict.json").exists() and not (into / "MANIFEST.sha256").exists(),
                             f"{where}: {into.name} looks finished")
            left = list(into.parent.glob(into.name + "*")) if into.parent.is_dir() else []
            self.checks.that(not left, f"{where}: left behind: {left}")


def check_no_trace(bench):
    """Files that are no trace of ours."""
    header = bench.trace[:24]
    ethernet = header[:20] + struct.pack("<I", 1)
    for name, content, what in (
            ("empty.pcap", b"", "empty"),
            ("text.pcap", b"time,id,data\n" * 10, "text"),
            ("short.pcap", header[:10], "header cut"),
            ("ethernet.pcap", ethernet + bench.trace[24:], "link type 1"),
            ("next.pcapng", bytes.fromhex("0A0D0D0A1C0000004D3C2B1A01000000FFFFFFFFFFFFFFFF1C000000"), "pcapng"),
            ("random.pcap", bytes(range(256)) * 4, "random")):
        path = bench.file(name, content)
        result, into = bench.verify(trace=path)
        bench.refused(what, result, into, 65, [name])
        bench.checks.that(not into.exists(), f"{what}: a job folder was left")
        for listing in ("frames", "messages", "exchanges", "readings"):
            result = run("list", listing, path, "--definitions", bench.definitions)
            bench.refused(f"list {listing}, {what}", result, None, 65, [name])
    missing = bench.folder / "nowhere.pcap"
    result, into = bench.verify(trace=missing)
    bench.refused("missing trace", result, into, 66, ["nowhere.pcap"])
    result, into = bench.verify(trace=bench.folder)
    bench.refused("a folder", result, into, 64, [bench.folder.name])
    # Only a header: nothing is wrong with it and nothing is in it.
    result, into = bench.verify(trace=bench.file("header.pcap", header))
    bench.checks.equal(result.returncode, 2, f"header only: exit code ({result.stderr.decode()[:200]})")


def messages_of(trace, definitions):
    listed = run("list", "messages", trace, "--definitions", definitions, "--format", "jsonl")
    return listed.stdout.decode().splitlines()


def check_damaged(bench):
    """Damage inside a trace: told with record number and offset, whole records used, the file untouched."""
    checks = bench.checks
    cut = 24 + 32 * 200
    whole = messages_of(bench.file("whole.pcap", bench.trace[:cut]), bench.definitions)
    checks.that(len(whole) > 20, "the control has no messages")
    bad_length = struct.pack("<IIII", 1_772_438_400, 0, 0xFFFFFFFF, 16)
    for what, tail in (("cut in a record header", bench.trace[cut:cut + 7]),
                       ("cut in a record", bench.trace[cut:cut + 27]),
                       ("a senseless length", bad_length + b"\0" * 100)):
        path = bench.file("damaged.pcap", bench.trace[:cut] + tail)
        before = path.read_bytes()
        result, into = bench.verify(trace=path)
        text = result.stderr.decode()
        checks.that(result.returncode in (1, 2, 65), f"{what}: ended {result.returncode}")
        checks.that("201" in text and str(cut) in text and "damaged.pcap" in text,
                    f"{what}: record 201 at offset {cut} does not stand in {text!r}")
        checks.equal(len(text.splitlines()), 1, f"{what}: lines on stderr")
        checks.equal(path.read_bytes(), before, f"{what}: the trace was modified")
        # "cut" (the last, open message) apart, the same messages as the whole part gives.
        checks.equal(messages_of(path, bench.definitions), whole, f"{what}: messages")
        if result.returncode != 65:
            verdict = parse_json((into / "verdict.json").read_text())
            checks.that(verdict["answer"], f"{what}: no answer")
            checks.equal((into / "trace-1.pcap").read_bytes(), before, f"{what}: the copy")
    # A fraction of a second beyond a second: told, and the record is still a frame.
    record = bytearray(bench.trace)
    struct.pack_into("<I", record, 24 + 32 * 10 + 4, 1_999_999_999)
    result, into = bench.verify(trace=bench.file("fraction.pcap", bytes(record)))
    text = result.stderr.decode()
    checks.that("11" in text and str(24 + 32 * 10) in text,
                f"an impossible time: record 11, offset 344 not in {text!r}")
    checks.that(result.returncode in (0, 1, 2), f"an impossible time: ended {result.returncode}")
    # Frames that are no classic CAN frames are faults in the log, not the end of it.
    lengths = bytearray(bench.trace)
    lengths[24 + 32 * 5 + 16 + 4] = 9
    result, into = bench.verify(trace=bench.file("length9.pcap", bytes(lengths)))
    checks.that(result.returncode in (0, 1, 2), f"a CAN length of 9: ended {result.returncode}")
    faults = [line for line in read_jsonl(into / "log.jsonl") if line["kind"] == "fault"]
    checks.that(any(fault.get("first_frame") == 6 for fault in faults),
                f"a CAN length of 9: no fault at frame 6 in {faults[:3]}")
    # The clock goes back in the middle: no crash, and named.
    frames = [(frame.time - (3600 * SECOND if frame.number > 150 else 0), frame.word, frame.data)
              for frame in read_pcap(bench.job.trace)]
    result, into = bench.verify(trace=bench.file("back.pcap", pcap_bytes(frames)))
    events = [line for line in read_jsonl(into / "log.jsonl") if line["kind"] == "event"]
    checks.that(any("back" in event["what"] for event in events), f"clock back: {events[:3]}")
    checks.that(result.returncode in (1, 2), f"clock back, and marks passed twice: ended {result.returncode}")
    # Every prefix that ends inside the first records, and a few further on: never a crash.
    for length in [*range(0, 24 + 3 * 32), *range(len(bench.trace) - 40, len(bench.trace))]:
        path = bench.file("prefix.pcap", bench.trace[:length])
        result = run("list", "messages", path, "--definitions", bench.definitions)
        checks.that(result.returncode == (65 if length < 24 else 0) or (length >= 24 and result.returncode == 65),
                    f"a prefix of {length} bytes: ended {result.returncode}")


def check_definitions(bench):
    """Mistakes in a definition file, each on its own and all in one run."""
    text = bench.definitions.read_text(encoding="utf-8")

    def line_of(content, words):
        return next(number for number, line in enumerate(content.splitlines(), 1) if words in line)
    for what, old, new, words in (
            ("a reading nobody defined", "reading: seat load.total\n    steady", "reading: seat load.totel\n    steady",
             "seat load.total"),
            ("an unknown key", "    applied: 30 kg", "    aplied: 30 kg", "applied"),
            ("a bound without a unit", "between: [-1.4 kg, 1.4 kg]", "between: [-1.4, 1.4]", "unit"),
            ("another unit", "between: [-1.4 kg, 1.4 kg]", "between: [-1.4 V, 1.4 V]", "V"),
            ("no number", "guard: 0.1 kg", "guard: 0,1 kg", "0,1"),
            ("a needless zero", "guard: 0.1 kg", "guard: 00.1 kg", "00.1"),
            ("an exponent", "guard: 0.1 kg", "guard: 1e-1 kg", "1e-1"),
            ("an unknown service", "ClearDiagnosticInformation", "ClearDiagnosticInformatio",
             "ClearDiagnosticInformation"),
            ("a state without a name", "confirmed: [done]", "confirmed: [dune]", "done"),
            ("no limits", "    between: [-1.4 kg, 1.4 kg]\n", "", "between")):
        content = text.replace(old, new, 1)
        if not bench.checks.that(content != text, f"{what}: the example has no '{old}' any more"):
            continue
        path = bench.file("mistake.yaml", content)
        result, into = bench.verify(definitions=path)
        bench.refused(what, result, into, 65, ["mistake.yaml:", words], lines=None)
        bench.checks.that(not into.exists(), f"{what}: a job folder was left")
        said = result.stderr.decode()
        place = re.search(r"mistake\.yaml:(\d+):(\d+)", said)
        number = line_of(content, new.splitlines()[0] if new else "step: Empty seat reads near zero")
        bench.checks.that(place and abs(int(place[1]) - number) <= (1 if new else 6),
                          f"{what}: line {number} expected: {said!r}")
        bench.checks.that("^" in said, f"{what}: no caret")
        lint = run("lint", path)
        told = b"mistake.yaml:" in lint.stderr + lint.stdout
        bench.checks.that(lint.returncode == 65 and told, f"{what}: lint: {lint}")
    # Several mistakes: one run tells all.
    content = text.replace("guard: 0.1 kg", "guard: 0,1 kg").replace("applied: 30 kg", "aplied: 30 kg")
    said = run("lint", bench.file("several.yaml", content))
    both = (said.stderr + said.stdout).decode()
    bench.checks.that("0,1" in both and "aplied" in both, f"two mistakes, one run: {both!r}")
    laughs = "a: &a [x,x,x,x,x,x,x,x,x]\n"
    for old, new in zip("abcdefgh", "bcdefghi"):
        laughs += f"{new}: &{new} [{','.join(['*' + old] * 9)}]\n"
    for what, content in (("a tab", "taretrace: 1\n\tmodule: x\n"), ("not YAML", "{[}"), ("binary", bytes(range(256))),
                          ("empty", ""), ("deep", "[" * 5000), ("not ours", "a: 1\nb: [2, 3]\n"),
                          ("UTF-16", "taretrace: 1\n".encode("utf-16")), ("laughs", laughs)):
        path = bench.file("file.yaml", content)
        result, into = bench.verify(definitions=path)
        bench.refused(f"definitions: {what}", result, into, 65, ["file.yaml"], lines=None)
    result, into = bench.verify(definitions=bench.folder / "nothing.yaml")
    bench.refused("missing definitions", result, into, 66, ["nothing.yaml"])
    bench.checks.equal(run("lint", bench.folder / "nothing.yaml").returncode, 66, "lint of a missing file")


def check_marks(bench):
    time = "2026-03-02T08:00:01.000Z"
    for what, content in (("a trace", bench.trace), ("text", "weight on at 8:31\n"), ("a list", "[1, 2]\n"),
                          ("unknown key", {"time": time, "kind": "note", "txt": "a"}),
                          ("unknown kind", {"time": time, "kind": "remark", "text": "a"}),
                          ("a number", {"time": time, "kind": "weight", "name": "w", "value": 30}),
                          ("local time", {"time": "2026-03-02T08:00:01", "kind": "note", "text": "a"}),
                          ("no time", {"kind": "note", "text": "a"}),
                          ("a day that is none", {"time": "2026-02-30T08:00:01Z", "kind": "note", "text": "a"}),
                          ("withdraws nothing", {"time": time, "kind": "withdrawal", "withdraws": 7, "text": "w"})):
        if isinstance(content, dict):
            content = json.dumps(content) + "\n"
        result, into = bench.verify(marks=bench.file("marks.jsonl", content))
        bench.refused(f"marks: {what}", result, into, 65, ["marks.jsonl:"], lines=None)
        bench.checks.that(not into.exists(), f"marks, {what}: a job folder was left")
    result, into = bench.verify(marks=bench.folder / "nothing.jsonl")
    bench.refused("missing marks", result, into, 66, ["nothing.jsonl"])


def content_of(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def check_places(bench):
    """Where things cannot be written."""
    checks = bench.checks
    result, into = bench.verify()
    before = content_of(into)
    arguments = ["verify", bench.job.trace, "--definitions", bench.definitions, "--into"]
    again = run(*arguments, into)
    bench.refused("JOB exists", again, None, 73, [into.name])
    checks.equal(content_of(into), before, "JOB exists: changed")
    bench.refused("no such parent", run(*arguments, bench.folder / "no" / "such"), None, 73, ["such"])
    bench.refused("below a file", run(*arguments, bench.job.trace / "x"), None, 73, ["trace.pcap"])
    # Writing fails after some bytes (a file size limit): 74, and nothing that looks finished.
    for limit in (0, 4096, 20_000):
        target = bench.folder / f"limited{limit}"
        failed = subprocess.run(  # Python ignores SIGXFSZ; so does the child, and its write(2) fails with EFBIG
            [TARETRACE, *map(str, arguments), target], capture_output=True, restore_signals=False, check=False,
            preexec_fn=lambda limit=limit: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)))
        bench.refused(f"files of at most {limit} bytes", failed, target, 74, [target.name], lines=None)
    with open("/dev/full", "wb") as full:
        for command in (["list", "readings", bench.job.trace, "--definitions", bench.definitions], arguments[:-1]):
            failed = subprocess.run([TARETRACE, *map(str, command)], stdout=full, stderr=subprocess.PIPE, check=False)
            said = (failed.returncode, len(failed.stderr.splitlines()))
            checks.equal(said, (74, 1), f"{command[0]} to a full device")


def check_usage(bench):
    trace = bench.job.trace
    for arguments in (["verify"], ["verify", trace, "--into"], ["verify", trace, "--nonsense"], ["judge"], ["list"],
                      ["list", "things", trace], ["verify", trace, "--part", "0"], ["verify", trace, "--part", "two"],
                      ["list", "messages", trace, "--pair", "0x5E3"], ["list", "messages", trace, "--format", "xml"],
                      ["list", "messages", trace, "--pair", "0x5E3:0x9999"], ["lint"],
                      ["verify", trace, "--longest", "4094"]):
        result = run(*arguments)
        bench.checks.equal(result.returncode, 64, f"{arguments}: exit code ({result.stderr.decode()[:200]})")
        bench.checks.that(result.stderr and not result.stdout, f"{arguments}: stderr empty, or stdout not")
    # An option that leaves whole answers out of account could leave out the one that contradicts.
    bench.checks.equal(run("list", "frames", trace, "--longest", "4095").returncode, 0, "the least --longest")
    result = run("verify", trace)
    bench.checks.equal(result.returncode, 2, f"no definitions: nothing to judge ({result.stderr.decode()[:200]})")


def main():
    checks = Checks()
    with temporary() as name:
        bench = Bench(checks, pathlib.Path(name))
        control, into = bench.verify()
        checks.that(control.returncode == 0 and (into / "verdict.json").exists(), f"the clean job: {control}")
        for check in (check_no_trace, check_damaged, check_definitions, check_marks, check_places, check_usage):
            check(bench)
    checks.finish()


main()
