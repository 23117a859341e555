#!/usr/bin/python3
"""What can go wrong while a bus is recorded, on virtual links: each fault must be an event of recorder.jsonl, be
named in the verdict where it touches evidence, and lose nothing that came before it.

    record_faults.py [--reuse] [CASE...]

The cases are the functions of record_faults.sh, run in the emulated machine; here each is held against what the
independent witness heard, what the load generator sent, and what the scenario says.
"""

import sys
from decimal import Decimal

from bench import ROOT, WORK, Checks, events, machine, parse_json, read_log, read_trace, read_witness, run, \
    same_frames

RESULTS = WORK / "record_faults"
DEFINITIONS = ROOT / "traces" / "definitions" / "bare-limits.yaml"
SOCKET_LOSS = "frames lost in the socket"


class Case:
    """What a case left, and the checks that all cases share."""

    def __init__(self, name, checks):
        self.name, self.checks, self.folder = name, checks, RESULTS / name
        self.job = self.folder / "job"
        self.log = read_log(self.job / "recorder.jsonl")
        self.buses = [bus["bus"] for bus in self.log[0]["buses"]]
        self.trace, self.torn = read_trace(self.job / f"trace-{self.buses[0]}.pcap")
        self.end = self.log[-1] if self.log[-1]["kind"] == "end" else None

    def equal(self, got, expected, what):
        return self.checks.equal(got, expected, f"{self.name}: {what}")

    def that(self, good, what):
        return self.checks.that(good, f"{self.name}: {what}")

    def code(self, name="recorder"):
        return int((self.folder / f"{name}.code").read_text(encoding="ascii"))

    def sent(self, name="load"):
        """"sent N in T ms, L late" of load.c"""
        return int((self.folder / name).read_text(encoding="ascii").split()[1])

    def event(self, what, count=1):
        found = events(self.log, what)
        self.equal(len(found), count, f"events '{what}' (there are: {[one['what'] for one in events(self.log)]})")
        return found[0] if found else {"detail": None, "count": None, "after_frame": 0, "before_frame": 0}

    def as_heard(self):
        """The whole trace is what the witness heard; gives that."""
        heard = read_witness(self.folder / "witness")
        same_frames(self.checks, self.trace, heard, self.name)
        self.equal(self.torn, 0, "bytes behind the last whole record")
        return heard

    def ended(self, why="stopped", code=0):
        self.equal(self.end and self.end["why"], why, "why it ended")
        self.equal(self.code(), code, "exit code of the recorder")
        if self.end:
            self.equal(self.end["buses"][0]["frames"], len(self.trace), "frames in the end line")

    def verdict(self, code, *words):
        """The job is verified: the code, and words that the text must hold."""
        result = run("verify", self.job)
        said = (result.stdout + result.stderr).decode()
        self.equal(result.returncode, code, f"exit code of verify: {said}")
        for word in words:
            self.that(word in said, f"verify does not say '{word}': {said}")
        return parse_json((self.job / "verdict.json").read_text(encoding="utf-8")), said


def steps(verdict):
    return [step["answer"] for step in verdict["parts"][0]["attempts"][-1]["steps"]]


def check_plain(case):
    case.as_heard()
    case.ended()
    case.equal([one["what"] for one in events(case.log)], [], "events")
    verdict, _ = case.verdict(0)
    case.equal((steps(verdict), verdict["passive"]), (["confirmed"] * 3, "not proven"), "steps, passive")


def check_loss(case):
    """Counted to the frame, at its place, and named in the verdict."""
    heard = read_witness(case.folder / "witness")
    lost = [one for one in events(case.log, SOCKET_LOSS)]
    case.that(lost, "no loss was reported")
    count = sum(one["count"] for one in lost)
    case.equal(len(case.trace) + count, len(heard), "recorded + counted, against what the witness heard")
    case.equal(case.end["buses"][0]["socket_lost"], count, "socket_lost at the end")
    # What was recorded up to the place of the loss is what was heard up to there; then the gap; then the rest.
    at = lost[0]["after_frame"]
    same_frames(case.checks, case.trace[:at], heard[:at], "loss: before the gap")
    if len(lost) == 1:
        same_frames(case.checks, case.trace[at:], heard[at + count:], "loss: behind the gap")
    case.ended()
    verdict, said = case.verdict(0, "lost")
    case.equal(steps(verdict), ["confirmed"] * 3, "steps")
    case.equal(verdict["parts"][0]["attempts"][-1]["gap_count"], len(lost), "gaps named beside the attempt")


def check_errors(case):
    heard = case.as_heard()
    case.ended()
    at = next(number for number, frame in enumerate(heard) if frame.id & 0x20000000)
    for what in ("bus-off", "restarted"):
        event = case.event(what)
        case.that(event["after_frame"] <= at + 5 and event["before_frame"] >= at, f"'{what}' stands at {event}")
    case.that(events(case.log, "controller state"), "no event 'controller state'")
    overrun = case.event("frames lost in the controller")
    case.that(overrun["count"] and overrun["count"] >= 1, f"count of the overrun: {overrun}")
    case.equal(case.end["buses"][0]["controller_lost"] >= 1, True, "controller_lost at the end")
    verdict, _ = case.verdict(0, "lost")
    case.equal(steps(verdict), ["confirmed"] * 3, "steps")
    case.that(verdict["parts"][0]["attempts"][-1]["gap_count"] >= 1, "no gap beside the attempt")


def check_step(case, seconds):
    case.as_heard()
    case.ended()
    detail = Decimal(case.event("clock stepped")["detail"])
    # `date -s` sets a whole second, so up to one second is taken off what the step says.
    case.that(-1 <= detail - seconds <= Decimal("0.1"), f"detail of the step: {detail}, stepped by {seconds} or so")
    verdict, _ = case.verdict(0, "stepped")
    case.equal(steps(verdict), ["confirmed"] * 3, "steps (steady before the step and behind it)")


def check_sync(case):
    case.as_heard()
    case.that(events(case.log, "sync failed"), "no event 'sync failed'")
    case.equal(case.code() in (0, 74), True, f"exit code {case.code()}")
    case.verdict(0, "sync")


def check_keeper(case):
    case.as_heard()
    case.equal(case.end, None, "no end is written")
    case.that(len([line for line in case.log if line["kind"] == "checkpoint"]) < 14, "checkpoints after its death")
    verdict, _ = case.verdict(0, "log has no end", "losses are not known")
    case.equal(steps(verdict), ["confirmed"] * 3, "steps")


def check_viewer(case):
    case.as_heard()
    case.equal(case.end and case.end["why"], "stopped", "why it ended")
    case.equal([one["what"] for one in events(case.log)], [], "events")
    said = (case.folder / "viewer.said").read_text(encoding="utf-8")
    case.that("Zero point accepted" in said, f"the view showed nothing before it was killed: {said!r}")
    verdict, _ = case.verdict(0)
    case.equal(steps(verdict), ["confirmed"] * 3, "steps")


def check_marks(case):
    case.as_heard()
    case.ended()
    case.event("marks changed")
    case.verdict(0, "was changed after the recorder had seen it")


def check_stopped(case):
    case.ended()
    lost = sum(one["count"] for one in events(case.log, SOCKET_LOSS))
    case.that(lost > 1000, f"{lost} frames lost: the case does not show what it is for")
    case.equal(len(case.trace) + lost, case.sent(), "recorded + counted, against what was sent")
    case.equal(case.end["buses"][0]["socket_lost"], lost, "socket_lost at the end")
    numbers = [int.from_bytes(frame.data, "big") for frame in case.trace]
    case.equal(numbers == sorted(set(numbers)), True, "every frame once, in order")
    missing = [(one, other - one - 1) for one, other in zip([0, *numbers], [*numbers, case.sent() + 1])
               if other - one != 1]
    case.equal(sum(count for _, count in missing), lost, "numbers that are missing in the trace")
    for number, count in missing:
        place = numbers.index(number) + 1
        near = [one for one in events(case.log, SOCKET_LOSS) if one["after_frame"] <= place < one["before_frame"]]
        case.that(near, f"{count} frames are missing behind frame {place}, no event says so there: "
                        f"{events(case.log, SOCKET_LOSS)}")


def check_removed(case):
    heard = case.as_heard()
    case.equal(len(heard), case.sent(), "frames")
    case.event("interface removed")
    case.ended("interface removed", 66)


def check_full(case):
    heard = read_witness(case.folder / "witness")
    same_frames(case.checks, case.trace, heard[:len(case.trace)], "full: the trace")
    case.equal(case.torn, 0, "bytes behind the last whole record")
    case.that(len(case.trace) > 20000, f"only {len(case.trace)} frames before the disk was full")
    case.event("disk full")
    case.ended("disk full", 74)


def check_rate(case):
    case.ended()
    case.equal(events(case.log, SOCKET_LOSS), [], "losses")
    for number, bus in enumerate(case.buses):
        trace, _ = read_trace(case.job / f"trace-{bus}.pcap")
        case.equal(len(trace), case.sent(f"load-recorded-{number}"), f"frames of {bus}")
        numbers = [int.from_bytes(frame.data, "big") for frame in trace]
        case.equal(numbers == list(range(1, len(trace) + 1)), True, f"{bus}: every frame, in order")
        case.equal(case.end["buses"][number]["socket_lost"], 0, f"lost on {bus}")
    for way in ("alone", "recorded"):
        print(f"rate, {way}: " + "; ".join(
            (case.folder / f"load-{way}-{number}").read_text(encoding="ascii").strip() for number in range(4)))


CHECKS = {"plain": check_plain, "loss": check_loss, "errors": check_errors,
          "forward": lambda case: check_step(case, 3600), "back": lambda case: check_step(case, -3600),
          "sync": check_sync, "keeper": check_keeper, "viewer": check_viewer, "marks": check_marks,
          "stopped": check_stopped,
          "tail": check_stopped, "removed": check_removed, "full": check_full, "rate": check_rate}


def main():
    names = [word for word in sys.argv[1:] if word != "--reuse"] or list(CHECKS)
    if "--reuse" not in sys.argv:
        code = machine("record_faults.sh", RESULTS, *names, timeout=400,
                       files=[ROOT / "tests" / "bench" / "short-job.scenario", f"definitions.yaml={DEFINITIONS}"])
        if code:
            print((RESULTS / "console.log").read_text(encoding="utf-8", errors="replace")[-3000:])
            sys.exit(f"the script in the machine ended with {code}")
    checks = Checks()
    for name in names:
        before = checks.failed, checks.count
        case = Case(name, checks)
        CHECKS[name](case)
        print(f"{name}: {checks.count - before[1]} checked, {checks.failed - before[0]} different, "
              f"{len(case.trace)} frames")
    checks.finish()


if __name__ == "__main__":
    main()
