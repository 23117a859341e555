#!/usr/bin/python3
"""Can the recorder send? Every way of sending is tried on its bus socket, on a link that is not listen-only.

    record_sends.py [--reuse] [CALL...]

Two builds of the recorder that make one more call (capture/probe.c). Without the filter, the control, the frame must be
heard by another controller's witness, or at least the call must succeed where it only opens a way to send: else this
would show nothing. Behind the filter the reader must be killed for it (signal 31, SIGSYS), nothing may be heard, and
the kernel must have counted nothing under TX or TX dropped of the recorder's link.
"""

import re
import sys

from bench import RECORDER, WORK, Checks, machine, read_log, read_witness

RESULTS = WORK / "record_sends"
SENDING = ["send", "sendto", "sendmsg", "sendmmsg", "write", "write-high", "writev", "pwritev2", "sendfile", "splice",
           "io_submit", "dup2", "dup3"]
# These make a new way out; the frame would follow.
OPENING = ["io_uring_setup", "io_setup", "dup", "fcntl", "socket"]
PROBES = [RECORDER.with_name("taretrace-record-unfiltered"), RECORDER.with_name("taretrace-record-probe")]
SIGSYS = 31


def number_in(folder, name):
    return int((folder / name).read_text(encoding="ascii"))


def from_recorder():
    """For each attempt, in order: what the witness on can1 heard that was not made on can1 itself."""
    heard = {}
    for frame in read_witness(RESULTS / "witness"):
        if frame.own:
            attempt = heard.setdefault(frame.id - 0x100, [])
        else:
            attempt.append(frame)
    return heard


def check_call(checks, number, call, heard):
    free, held = RESULTS / f"{call}-unfiltered", RESULTS / f"{call}-filtered"
    where = f"{call} without the filter"
    said = (free / "said").read_text(encoding="utf-8", errors="replace")
    checks.that(re.search(rf"^probe {call}: returned \d+, errno 0$", said, re.M), f"{where}: it failed: {said!r}")
    frames = heard.get(2 * number, [])
    wanted = 1 if call in SENDING else 0
    checks.equal((len(frames), number_in(free, "sent")), (wanted, wanted), f"{where}: heard, and counted as sent")
    checks.equal(read_log(free / "job" / "recorder.jsonl")[0]["filter"], False, f"{where}: 'filter'")

    where = f"{call} behind the filter"
    said = (held / "said").read_text(encoding="utf-8", errors="replace")
    checks.that(f"signal {SIGSYS} " in said and "probe " not in said, f"{where}: it was not killed for it: {said!r}")
    checks.equal(heard.get(2 * number + 1), [], f"{where}: what the other controller heard")
    checks.equal((number_in(held, "sent"), number_in(held, "dropped")), (0, 0), f"{where}: TX counters")
    checks.that(not (held / "alive").exists(), f"{where}: the process went on")
    checks.equal(number_in(held, "recorder.code"), 70, f"{where}: exit code")
    log = read_log(held / "job" / "recorder.jsonl")
    checks.equal(log[0]["filter"], True, f"{where}: 'filter'")
    checks.equal((log[-1]["kind"], log[-1].get("why")), ("end", "reader killed"), f"{where}: the end")
    print(f"{call}: {frames[0] if frames else 'opened a way'} without the filter, killed behind it")


def main():
    calls = [word for word in sys.argv[1:] if word != "--reuse"] or SENDING + OPENING
    if "--reuse" not in sys.argv:
        code = machine("record_sends.sh", RESULTS, *calls, controllers=2, files=PROBES)
        if code:
            print((RESULTS / "console.log").read_text(encoding="utf-8", errors="replace")[-3000:])
            sys.exit(f"the script in the machine ended with {code}")
    checks = Checks()
    heard = from_recorder()
    for number, call in enumerate(calls):
        check_call(checks, number, call, heard)
    checks.finish()


if __name__ == "__main__":
    main()
