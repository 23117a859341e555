#!/usr/bin/python3
"""Every prefix of every example reads to its last whole record and says how it ended; every flipped bit of a small trace
gives the same verdict and log from every compiler's build.

Source: RELIABILITY list 12, 13 and 24 (project); the layout of a savefile from man pcap-savefile(5). The work is done in
one process for each trace by tests/fault/prefixes.c, built with the program.

    prefixes.py BUILD...     builds (folders) to use: the first for prefixes, all of them for flips
"""
import sys

sys.dont_write_bytecode = True
import pathlib
import subprocess

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests/outside"))
from common import Checks  # noqa: E402
import yaml  # noqa: E402

DEFINITIONS = ROOT / "traces/definitions"
SMALL = "only-refused"


def definitions_of(job):
    """The first definition file of an example; the others only add modules."""
    scenario = yaml.load((job / "scenario.yaml").read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
    return DEFINITIONS / (scenario.get("definitions") or ["seat-scale.yaml"])[0]


def main():
    checks = Checks()
    builds = [pathlib.Path(name) for name in sys.argv[1:]]
    for job in sorted((ROOT / "traces/jobs").iterdir()):
        trace = job / "trace.pcap"
        if not trace.exists():
            continue
        every = max(3, trace.stat().st_size // 1500)
        done = subprocess.run([builds[0] / "prefixes", definitions_of(job), trace, str(every)], capture_output=True, text=True)
        last = done.stdout.strip().splitlines()[-1:] or ["nothing"]
        if checks.that(done.returncode == 0, f"{job.name}: {done.stdout[:600]}{done.stderr[:300]}"):
            checks.count += int(last[0].split()[0])
    small = ROOT / "traces/jobs" / SMALL
    lines = [subprocess.run([build / "flips", definitions_of(small), small / "trace.pcap"], capture_output=True, text=True)
             for build in builds]
    for build, other in zip(builds, lines):
        checks.that(other.returncode == 0, f"{build}: {other.stderr[-500:]}")
    first = lines[0].stdout.splitlines()
    checks.equal(len(first), 8 * (small / "trace.pcap").stat().st_size, "flipped bits")
    checks.that(len({line.split()[2] for line in first}) > 1000, "flips change what comes out")
    for build, other in zip(builds[1:], lines[1:]):
        told = other.stdout.splitlines()
        checks.equal(len(told), len(first), f"{build}: lines")
        for mine, theirs in zip(first, told):
            checks.equal(theirs, mine, f"{build}")
    checks.finish()


main()
