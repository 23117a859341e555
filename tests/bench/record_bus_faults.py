#!/usr/bin/python3
"""What can go wrong with the recorder's own controller, on an emulated bus of four: it goes down, stops being
listen-only, is overrun, stands still, is pulled out; and what it refuses to begin with, one line each.

    record_bus_faults.py [--reuse] [CASE...]

The cases are the functions of record_bus_faults.sh. The witness hears the same bus by a controller of its own; how many
frames the recorder's link had handed over is the kernel's count.
"""

import sys

from bench import ERROR, ROOT, WORK, Checks, events, machine, read_witness, same_frames
import record_faults
from record_faults import SOCKET_LOSS, Case, steps

RESULTS = WORK / "record_bus_faults"
DEFINITIONS = ROOT / "traces" / "definitions" / "bare-limits.yaml"


def number_in(case, name):
    return int((case.folder / name).read_text(encoding="ascii"))


def check_gap(case, before):
    """The trace is what the witness heard but for one gap, which begins behind frame `before`."""
    heard = read_witness(case.folder / "witness")
    same_frames(case.checks, case.trace[:before], heard[:before], f"{case.name}: before the gap")
    gap = len(heard) - len(case.trace)
    case.that(0 < gap < 200, f"a gap of {gap} frames")
    same_frames(case.checks, case.trace[before:], heard[before + gap:], f"{case.name}: behind the gap")


def check_down(case):
    before = number_in(case, "before") - number_in(case, "base")
    check_gap(case, before)
    case.ended()
    down, up = case.event("link down"), case.event("link up")
    case.that(down["after_frame"] <= before < down["before_frame"], f"'link down' behind frame {before}: {down}")
    case.that(down["before_frame"] - down["after_frame"] < 20, f"the place of 'link down' is vague: {down}")
    case.equal(up["after_frame"] >= before, True, "'link up' comes behind it")
    verdict, said = case.verdict(0, "link")
    case.equal((steps(verdict), verdict["passive"]), (["confirmed"] * 3, "yes"), "steps, passive")
    case.that(verdict["parts"][0]["attempts"][-1]["gap_count"] >= 1, f"no gap beside the attempt: {said}")


def check_acknowledging(case):
    """Passive holds until the last frame before the link went down, or until an earlier checkpoint; never longer."""
    before = number_in(case, "before") - number_in(case, "base")
    check_gap(case, before)
    case.ended()
    case.event("not listen-only")
    verdict, _ = case.verdict(0, "until frame")
    words = verdict["passive"].split()
    if case.equal(words[:2], ["until", "frame"], f"passive: {verdict['passive']}"):
        until = int(words[2])
        # At least one checkpoint each second; 70 frames a second are on the bus.
        case.that(before - 120 <= until <= before, f"passive until frame {until}; the link went down behind {before}")


def check_counted(case):
    """Whatever is missing was reported: exactly by the socket, at least by the controller."""
    sent = sum(case.sent(name) for name in case.loads)
    good = [frame for frame in case.trace if not frame.id & ERROR]
    end = case.end["buses"][0]
    socket_lost, controller_lost = end["socket_lost"], end["controller_lost"]
    missing = sent - len(good)
    print(f"{case.name}: sent {sent}, recorded {len(good)}, lost in the socket {socket_lost}, in the controller at "
          f"least {controller_lost}, {len(case.trace) - len(good)} error frames")
    case.that(missing >= socket_lost, f"{missing} missing, {socket_lost} counted as lost in the socket")
    case.that(missing == socket_lost or controller_lost > 0,
              f"{missing} frames are missing, {socket_lost} counted in the socket, and no loss in the controller")
    case.equal(socket_lost, sum(one["count"] for one in events(case.log, SOCKET_LOSS)), "socket losses in the events")
    case.equal(controller_lost, sum(one["count"] for one in events(case.log, "frames lost in the controller")),
               "controller losses in the events")
    case.ended()
    if case.name not in HURRIED:     # two processors deliver frames in another order than they were sent
        numbers = [int.from_bytes(frame.data, "big") for frame in good]
        case.that(numbers == sorted(set(numbers)), "frames twice or out of order")


def check_gone(case):
    case.as_heard()
    case.event("interface removed")
    case.ended("interface removed", 66)


# The exit code, and a word that the one line must hold.
REFUSED = {"missing": (66, "can9"), "not-can": (66, "lo"), "down": (66, "down0"), "virtual": (66, "--virtual"),
           "exists": (73, "there"), "no-room": (73, "room"), "no-folder": (73, "nowhere"),
           "acknowledging": (66, "listen-only"), "busy": (66, "can1"), "not-permitted": (66, "can1"),
           "closed": (73, "closed")}


def check_refused(checks):
    folder = RESULTS / "refused"
    for name, (code, word) in REFUSED.items():
        error = (folder / f"{name}.error").read_text(encoding="utf-8")
        print(f"refused, {name}: {error.strip()}")
        checks.equal(len(error.splitlines()), 1, f"{name}: lines on standard error: {error!r}")
        checks.equal((folder / f"{name}.code").read_text(encoding="ascii").strip(), str(code), f"{name}: exit code")
        checks.that(word in error, f"{name}: the line does not name '{word}': {error!r}")
        checks.that(";" in error or ":" in error, f"{name}: the line does not say what to do: {error!r}")
    left = (folder / "left").read_text(encoding="utf-8").split()
    checks.that("job" not in left, f"a job folder was left: {left}")
    checks.that("LISTEN-ONLY" not in (folder / "link").read_text(encoding="ascii"), "can1 was changed")


HURRIED = {"overload"}
CHECKS = {"down": check_down, "acknowledging": check_acknowledging, "overload": check_counted,
          "stopped": check_counted, "refused": None, "gone": check_gone}


def play(names, results, *options):
    if not names:
        return
    code = machine("record_bus_faults.sh", results, *names, controllers=4, timeout=400, options=options,
                   files=[ROOT / "tests" / "bench" / "short-job.scenario", f"definitions.yaml={DEFINITIONS}"])
    if code:
        print((results / "console.log").read_text(encoding="utf-8", errors="replace")[-3000:])
        sys.exit(f"the script in the machine ended with {code}")


def main():
    names = [word for word in sys.argv[1:] if word != "--reuse"] or list(CHECKS)
    if "--reuse" not in sys.argv:
        play([name for name in names if name not in HURRIED], RESULTS)
        # Frames are lost in a controller only where time does not wait for the processor.
        play([name for name in names if name in HURRIED], RESULTS / "hurried", "--real-time", "--cpus", "2")
    checks = Checks()
    for name in names:
        before = checks.failed, checks.count
        if name == "refused":
            check_refused(checks)
        else:
            record_faults.RESULTS = RESULTS / "hurried" if name in HURRIED else RESULTS
            case = Case(name, checks)
            case.loads = {"overload": ["load-1", "load-2"], "stopped": ["load"]}.get(name, [])
            CHECKS[name](case)
        print(f"{name}: {checks.count - before[1]} checked, {checks.failed - before[0]} different")
    checks.finish()


if __name__ == "__main__":
    main()
