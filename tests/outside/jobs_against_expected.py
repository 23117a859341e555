#!/usr/bin/python3
"""Every example job: exit code and verdict.json against what a person wrote down before any decoding.

Source of the expected values: the `expect` block of each traces/jobs/NAME/scenario.yaml, by hand from the rules of the
design; frame numbers from the generator's own count (traces/generate.py --expected), which shares no code with the
decoder.
"""
import sys

sys.dont_write_bytecode = True
import json
import pathlib
import subprocess
from decimal import Decimal

from common import ROOT, Checks, jobs, parse_json, run, temporary


def expected_of(names):
    """By name; one process for all of them."""
    text = subprocess.run([sys.executable, "-B", ROOT / "traces" / "generate.py", "--expected", *names],
                          capture_output=True, check=True).stdout
    return json.loads(text)


def deciding_of(checks, where, got, expected):
    """Compares what the person stated and nothing else; numbers as exact decimals."""
    if expected is None:
        checks.that(got is None, f"{where}: nothing should decide, but {got} does")
        return
    if not checks.that(got is not None, f"{where}: nothing decides, expected {expected}"):
        return
    for key, value in expected.items():
        if key in ("lowest", "highest"):
            good = got.get(key) is not None and Decimal(got[key]) == Decimal(value)
            checks.that(good, f"{where}: {key} is {got.get(key)}, expected {value}")
        else:
            checks.equal(got.get(key), value, f"{where}: {key}")


def check_job(checks, job, expected, folder):
    into = folder / job.name
    result = run("verify", *job.arguments(), "--into", into)
    checks.equal(result.returncode, expected["exit"], f"{job.name}: exit code")
    if not checks.that((into / "verdict.json").is_file(),
                       lambda: f"{job.name}: no verdict.json; {result.stderr.decode(errors='replace')[:400]}"):
        return
    printed = run("verify", *job.arguments())
    checks.equal(printed.returncode, expected["exit"], f"{job.name}: exit code without --into")
    verdict = parse_json((into / "verdict.json").read_text(encoding="utf-8"))
    parts = verdict["parts"]
    if "parts" in expected:
        checks.equal(len(parts), expected["parts"], f"{job.name}: parts")
    if "attempts" in expected:
        counts = [len(part["attempts"]) for part in parts]
        wanted = expected["attempts"]
        checks.equal(counts if isinstance(wanted, list) else counts[-1], wanted, f"{job.name}: attempts")
    if "answer" in expected:
        checks.that(expected["answer"] in verdict["answer"], f"{job.name}: answer is {verdict['answer']!r}, "
                    f"expected it to contain {expected['answer']!r}")
    if expected["steps"]:
        # The procedure's own steps, no more and no fewer, in the last attempt of every part named.
        named = {step["step"] for step in expected["steps"]}
        listed = {step["step"] for step in parts[-1]["attempts"][-1]["steps"]}
        checks.that(named <= listed, f"{job.name}: steps missing from the verdict: {sorted(named - listed)}")
    for step in expected["steps"]:
        part, attempt = step.get("part", len(parts)), step.get("attempt")
        where = f"{job.name}: part {part}, attempt {attempt or 'last'}, step '{step['step']}'"
        try:
            attempts = parts[part - 1]["attempts"]
            found = [one for one in attempts[(attempt or len(attempts)) - 1]["steps"] if one["step"] == step["step"]]
        except IndexError:
            found = []
        if not checks.that(len(found) == 1, f"{where}: stands {len(found)} times"):
            continue
        got = found[0]
        checks.that(got["answer"] == step["answer"],
                    f"{where}: {got['answer']} ({got['reason']}), expected {step['answer']}")
        if "deciding" in step:
            deciding_of(checks, where, got["deciding"], step["deciding"])
        text = json.dumps([got["reason"], got.get("remarks"), got.get("tries")], ensure_ascii=False, default=str)
        for words in step.get("reason_contains", []):
            checks.that(words in text, f"{where}: '{words}' stands neither in the reason nor beside it: {text[:400]}")


def main():
    checks = Checks(most=60)
    listed = jobs()
    expected = expected_of([job.name for job in listed])
    with temporary() as folder:
        for job in listed:
            check_job(checks, job, expected[job.name], pathlib.Path(folder))
    checks.finish()


main()
