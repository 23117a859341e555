#!/usr/bin/python3
"""kill -9 at a hundred random moments (seeded) under load, on a virtual link, against an independent witness.

    record_killed.py [--reuse] [ROUNDS]

After each kill: the trace holds whole records, but for at most a torn one at its end, and is an exact prefix of what
the witness heard in that round; missing is at most what was queued in the reader's socket and one batch of 64 frames;
recorder.jsonl has no "end", and `verify` says so. In a third of the rounds the reader is stopped before, so that what
was queued is known to the frame: all that the witness heard since. Else it had kept up: nothing older than KEEPS_UP
may miss.
"""

import random
import sys

from bench import ROOT, WORK, Checks, json, machine, read_log, read_trace, read_witness, run, same_frames, witness_count

RESULTS = WORK / "record_killed"
DEFINITIONS = ROOT / "traces" / "definitions" / "bare-limits.yaml"
SEED = 9
RATE = 2500
BATCH = 64
KEEPS_UP = 20 * 10**6    # ns: the one processor of the machine is shared by sender, witness and recorder


def moments(rounds):
    generator = random.Random(SEED)
    lines = []
    for number in range(rounds):
        frozen = generator.randint(5, 80) if number % 3 == 2 else 0
        who = "reader" if number % 10 == 9 else "both"
        lines.append(f"{generator.randint(1, 120)} {frozen} {who}\n")
    return lines


def check_round(checks, number, line, who, heard):
    round_ = json.loads(line)
    job = RESULTS / "jobs" / str(number)
    where = f"round {number} ({line.strip()})"
    # wait(2): ended by signal 9, or by itself with 70 in the rounds where its keeper was left alive.
    checks.equal(round_["status"], 9 if who == "both" else 70 << 8, f"{where}: how the recorder ended")
    trace, _ = read_trace(job / "trace-vcan0.pcap")
    if not checks.that(len(trace) <= len(heard), f"{where}: {len(trace)} frames, {len(heard)} heard"):
        return 0
    same_frames(checks, trace, heard[:len(trace)], where)
    missing = sum(frame.time <= round_["before"] for frame in heard[len(trace):])
    since = round_["stopped"] or round_["before"]
    queued = sum(since - KEEPS_UP <= frame.time <= round_["killed"] for frame in heard)
    checks.that(missing <= queued + BATCH, f"{where}: {missing} frames missing, {queued} may have been queued")
    return missing


def check_verify(checks, number, who):
    """What verify makes of what is left: it must say that the recording has no end."""
    job = RESULTS / "jobs" / str(number)
    log = read_log(job / "recorder.jsonl")
    ended = [entry.get("why") for entry in log if entry["kind"] == "end"]
    checks.equal(ended, [] if who == "both" else ["reader killed"], f"round {number}: the end of recorder.jsonl")
    result = run("verify", job)
    said = (result.stdout + result.stderr).decode()
    checks.equal(result.returncode, 2, f"round {number}: exit code of verify: {said}")
    words = "log has no end" if who == "both" else "reader"
    checks.that(words in said, lambda: f"round {number}: verify does not say '{words}': {said}")


def main():
    words = [word for word in sys.argv[1:] if word != "--reuse"]
    lines = moments(int(words[0]) if words else 100)
    WORK.mkdir(parents=True, exist_ok=True)
    (WORK / "moments").write_text("".join(lines), encoding="ascii")
    if "--reuse" not in sys.argv:
        code = machine("record_killed.sh", RESULTS, RATE, timeout=400,
                       files=[WORK / "moments", f"definitions.yaml={DEFINITIONS}"])
        if code:
            print((RESULTS / "console.log").read_text(encoding="utf-8", errors="replace")[-3000:])
            sys.exit(f"the script in the machine ended with {code}")
    checks = Checks()
    witness = read_witness(RESULTS / "witness")
    checks.equal(witness_count(RESULTS / "witness"), (len(witness), 0), "what the witness counted")
    heard = {}
    for frame in witness:
        heard.setdefault(frame.id - 0x100, []).append(frame)
    told = (RESULTS / "jobs" / "rounds").read_text(encoding="ascii").splitlines()
    checks.equal(len(told), len(lines), "rounds")
    missing = []
    for number, line in enumerate(told):
        who = lines[number].split()[2]
        missing.append(check_round(checks, number, line, who, heard.get(number, [])))
        check_verify(checks, number, who)
    print(f"{len(told)} kills, {len(witness)} frames, at most {max(missing)} missing of what had come in "
          f"({sum(count > 0 for count in missing)} times some)")
    checks.finish()


if __name__ == "__main__":
    main()
