#!/usr/bin/python3
"""`taretrace record` and `taretrace watch` beside a real recorder on an emulated controller.

    record_view.py [--reuse]

Outside checks: the scenario (short-job.scenario: what was put on the seat and when), the kernel's list of a process's
children (proc(5)), and recorder.jsonl's closing line. The pages of a terminal are tests/outside/live_view.py's.
"""

import sys

from bench import HERE, ROOT, WORK, Checks, machine, read_log, run

RESULTS = WORK / "record_view"
DEFINITIONS = ROOT / "traces" / "definitions" / "bare-limits.yaml"


def text(name):
    return (RESULTS / name).read_text(encoding="utf-8")


def check_lines(checks, name, job, ended):
    """A line for each thing that changed, from the first frame to the end."""
    lines = text(name).splitlines()
    for wanted in (f"Recording into {job}", *ended):
        checks.that(any(wanted in line for line in lines), f"{name} lacks {wanted!r}: {lines}")
    checks.equal(len(lines), len(set(lines)), f"{name}: a line stands twice")
    checks.that(not any("\x1b" in line for line in lines), f"{name}: control characters")


def main():
    if "--reuse" not in sys.argv:
        code = machine("record_view.sh", RESULTS, "short-job.scenario", controllers=3,
                       files=[HERE / "short-job.scenario", f"definitions.yaml={DEFINITIONS}"])
        if code:
            print(text("console.log")[-3000:])
            sys.exit(f"the script in the machine ended with {code}")
    checks = Checks()
    codes = [text(f"{name}.code").strip() for name in ("viewer", "watcher", "tester", "seat")]
    checks.equal(codes, ["0"] * 4, "exit codes")
    checks.equal(text("children").strip(), "1", "processes that the view started")
    confirmed = [f"confirmed: {step['step']}" for step in STEPS]
    check_lines(checks, "lines", "job", [*confirmed, "The recording has ended: job",
                                         "Nothing is missing: all steps are confirmed."])
    check_lines(checks, "second.lines", "second", [*confirmed, "The recording has ended: second"])
    for job in ("job", "second"):
        log = read_log(RESULTS / job / "recorder.jsonl")
        checks.equal((log[-1]["kind"], log[-1].get("why")), ("end", "stopped"), f"{job}: how it ended")
        verdict = run("verify", RESULTS / job)
        checks.that(verdict.returncode == 0 and b"Passive: yes" in verdict.stdout,
                    f"verify {job}: {verdict.returncode}, {verdict.stdout.decode()}")
    checks.that(int(text("checkpoints")) >= 15, "the recorder went on for the whole job after its view was killed")
    checks.finish()


if __name__ == "__main__":
    import yaml
    STEPS = yaml.load(DEFINITIONS.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)["procedure"]
    main()
