#!/usr/bin/python3
"""The files of every example's job folder, read by programs that are not ours.

Sources: RFC 4180 as read by Python's csv module and by `sqlite3 .import --csv`; RFC 8259 JSON and JSON Lines as read by
Python's json module (exact numbers, NaN and Infinity refused) and by jq; JSON Schema by python3-jsonschema against
docs/*.schema.json; RFC 3339 times by GNU `date -u`; SHA-256 by hashlib.
"""
import sys

sys.dont_write_bytecode = True
import csv
import hashlib
import json
import pathlib
import re
import subprocess
from decimal import Decimal

import jsonschema

from common import ROOT, Checks, jobs, parse_json, read_jsonl, read_pcap, rfc3339, run, temporary

COLUMNS = "reading,value,unit,state,seconds,time,raw,first_frame,last_frame,file,offset,remark".split(",")  # D 9.4


def schema(name):
    document = json.loads((ROOT / "docs" / f"{name}.schema.json").read_text(encoding="utf-8"))
    validator = jsonschema.validators.validator_for(document)
    validator.check_schema(document)
    return validator(document)


HEX = re.compile("(0x)?[0-9a-f]+")
DIGITS = str.maketrans("0123456789", "9" * 10)
HEX_DIGITS = str.maketrans("0123456789abcdef", "9" * 16)


def shape(value):
    """What a schema can tell apart: two lines of one shape differ only in their digits. Zero and one are kept apart."""
    if isinstance(value, dict):
        return tuple((key, shape(item)) for key, item in value.items())
    if isinstance(value, list):
        return ("list", *map(shape, value))
    if isinstance(value, str):
        return value.translate(HEX_DIGITS if HEX.fullmatch(value) else DIGITS)
    if isinstance(value, bool) or value is None:
        return value, "constant"
    return type(value), value == value // 1, (value > 0) - (value < 0)


class Lines:
    """log.jsonl's schema. A line is held against the schema of its own kind and, since it must be of exactly one kind,
    against the whole; a shape that was seen before is not looked at again."""

    def __init__(self):
        self.whole = schema("log")
        self.seen = set()
        definitions = self.whole.schema["definitions"]
        kinds = [item["$ref"].rpartition("/")[2] for item in self.whole.schema["oneOf"]]
        self.by_kind = {definitions[name]["properties"]["kind"]["const"]:
                        type(self.whole)({**definitions[name], "definitions": definitions}) for name in kinds}

    def error(self, lines):
        """The first line that is not as its schema says, with why; or None."""
        for line in lines:
            form = shape(line)
            if form in self.seen:
                continue
            plain = doubles(line)
            for validator in (self.by_kind.get(line.get("kind"), self.whole), self.whole):
                if not validator.is_valid(plain):
                    return line, jsonschema.exceptions.best_match(validator.iter_errors(plain)).message
            self.seen.add(form)
        return None


def by_sqlite(path):
    """Every cell as sqlite3's own CSV import sees it."""
    text = subprocess.run(["sqlite3", "-batch", ":memory:", f".import --csv '{path}' log", ".mode json",
                           "select * from log;"], capture_output=True, check=True).stdout.decode()
    return json.loads(text) if text.strip() else []


def check_by_jq(checks, read):
    """Every line as jq reads it; jq 1.6 keeps numbers as doubles, so they are compared as such. `read`: pairs of a file and
    its documents as we read them. One process reads them all: it takes long to start."""
    result = subprocess.run(["jq", "-c", ".", *(str(path) for path, _ in read)], capture_output=True, check=False)
    checks.equal(result.returncode, 0, f"jq: {result.stderr.decode(errors='replace')[:300]}")
    seen = result.stdout.decode().splitlines()
    checks.equal(len(seen), sum(len(documents) for _, documents in read), "documents that jq finds")
    for path, documents in read:
        there, seen = seen[:len(documents)], seen[len(documents):]
        checks.that([json.loads(line) for line in there] == [doubles(document) for document in documents],
                    f"jq reads {path.parent.name}/{path.name} otherwise")


def doubles(value):
    """A parsed document with its exact numbers as doubles."""
    if isinstance(value, dict):
        return {key: doubles(item) for key, item in value.items()}
    if isinstance(value, list):
        return [doubles(item) for item in value]
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        return value
    return float(value)


def check_csv(checks, name, path, readings):
    content = path.read_bytes()
    checks.that(content.endswith(b"\r\n") and b"\n" not in content.replace(b"\r\n", b""),
                f"{name}: lines of readings.csv do not end with CR LF (RFC 4180 2.1)")
    with open(path, encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file, strict=True))
    checks.equal(rows[0], COLUMNS, f"{name}: header")
    checks.that(all(len(row) == len(COLUMNS) for row in rows), f"{name}: a row has another number of columns")
    checks.equal(len(rows) - 1, len(readings), f"{name}: rows and readings")
    sqlite = by_sqlite(path)
    checks.equal([[row[column] for column in COLUMNS] for row in sqlite], rows[1:], f"{name}: sqlite3 and csv")
    for row, line in zip((dict(zip(COLUMNS, row)) for row in rows[1:]), readings):
        where = f"{name}: reading@{line['last_frame']} {line['name']}"
        for key in ("first_frame", "last_frame"):
            checks.equal(int(row[key]), line[key], f"{where}: {key}")
        checks.equal(row["reading"].rpartition("/")[2], line["name"].rpartition("/")[2], where)
        value = line["value"]
        checks.that((row["value"] == "") == (value is None), f"{where}: value there or not")
        if value is not None and row["value"]:
            checks.equal(Decimal(row["value"]), Decimal(value), f"{where}: value")
        checks.equal(row["time"], line["time"], f"{where}: time")
        checks.equal(Decimal(row["seconds"]), Decimal(line["seconds"]), f"{where}: seconds")
        checks.equal(row["raw"].removeprefix("0x"), line["raw"] or "", f"{where}: raw")


def check_offsets(checks, name, path, frames):
    """`offset` is the record of first_frame (D 9.4)."""
    with open(path, encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            checks.equal(int(row["offset"]), frames[int(row["first_frame"]) - 1].offset, f"{name}: offset")


def check_times(checks, times):
    """`date` turns our text into seconds, and its seconds into the same text, for every time that occurs."""
    times = sorted(times)
    parsed = subprocess.run(["date", "-u", "-f", "-", "+%s.%N"], input="\n".join(times), text=True,
                            capture_output=True, check=True).stdout.split()
    printed = subprocess.run(["date", "-u", "-f", "-", "+%Y-%m-%dT%H:%M:%S.%NZ"], text=True, capture_output=True,
                             input="\n".join("@" + seconds for seconds in parsed), check=True).stdout.split()
    checks.equal(printed, times, "times by date")
    return dict(zip(times, parsed))


def check_copies(checks, job, into, verdict, log):
    """The trace and the definition files stand in the folder as they were, and their SHA-256 where D 9.5 says."""
    digest = hashlib.sha256(job.trace.read_bytes()).hexdigest()
    checks.equal([trace["sha256"] for trace in verdict["traces"]], [digest], f"{job.name}: SHA-256 in verdict.json")
    checks.equal([trace["sha256"] for trace in log[-1]["traces"]], [digest], f"{job.name}: SHA-256 in the last line")
    checks.equal((into / "trace-1.pcap").read_bytes(), job.trace.read_bytes(), f"{job.name}: the copied trace")
    digests = {item["file"]: item["sha256"] for item in verdict["definitions"]}
    for path in job.definitions:
        content = path.read_bytes()
        checks.equal(digests.get(path.name), hashlib.sha256(content).hexdigest(), f"{job.name}: {path.name}'s SHA-256")
        checks.equal((into / "definitions" / path.name).read_bytes(), content, f"{job.name}: {path.name}")


def times_of(document):
    """All values that are named as times, at any depth."""
    if isinstance(document, dict):
        for key, value in document.items():
            if key in ("time", "first_time", "last_time") and value is not None:
                yield value
            else:
                yield from times_of(value)
    elif isinstance(document, list):
        for item in document:
            yield from times_of(item)


def main():
    checks = Checks()
    lines, verdict_schema = Lines(), schema("verdict")
    times, read = set(), []
    with temporary() as name:
        for job in jobs():
            into = pathlib.Path(name) / job.name
            result = run("verify", *job.arguments(), "--into", into)
            if not checks.that((into / "verdict.json").is_file(),
                               lambda: f"{job.name}: {result.stderr.decode(errors='replace')[:300]}"):
                continue
            frames = read_pcap(job.trace)
            log = read_jsonl(into / "log.jsonl")
            verdict = parse_json((into / "verdict.json").read_text(encoding="utf-8"))
            read += [(into / "log.jsonl", log), (into / "verdict.json", [verdict])]
            wrong = lines.error(log)
            checks.that(wrong is None, lambda: f"{job.name}: schema: {wrong[1][:200]} in "
                        f"{json.dumps(wrong[0], default=str)[:300]}")
            error = jsonschema.exceptions.best_match(verdict_schema.iter_errors(doubles(verdict)))
            checks.that(error is None, lambda: f"{job.name}: schema of verdict.json: {error.message[:300]}")
            check_csv(checks, job.name, into / "readings.csv", [line for line in log if line["kind"] == "reading"])
            check_offsets(checks, job.name, into / "readings.csv", frames)
            times |= set(times_of(log)) | set(times_of(verdict))
            # Times of frames, from the bytes of the trace.
            for line in log:
                if line["kind"] in ("reading", "exchange", "code") and line.get("last_frame") and line.get("time"):
                    checks.equal(line["time"], rfc3339(frames[line["last_frame"] - 1].time),
                                 f"{job.name}: {line['kind']}@{line['last_frame']} time")
            check_copies(checks, job, into, verdict, log)
        check_by_jq(checks, read)
    check_times(checks, times)
    print(f"{len(times)} times by date")
    checks.finish()


main()
