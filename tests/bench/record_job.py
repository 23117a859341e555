#!/usr/bin/python3
"""A whole job, played live and recorded on a listen-only controller, then verified.

    record_job.py [--reuse]

Three parties and a witness, each on a controller of its own on one emulated bus: recorder (can0, listen-only), tester
(can1), seat module (can2), witness.py (can3). Tester and module talk over the kernel's own ISO-TP sockets. Outside
checks: the recorder's trace equals the witness's list frame for frame; every payload that `taretrace list messages`
finds equals what the kernel's sockets were given, in order; the kernel counted nothing sent or thrown away on can0.
Then `verify` must confirm every step of the scenario (whole-job.scenario says what happens), as worked out by hand
below.
"""

import sys

from bench import HERE, ROOT, WORK, Checks, events, machine, parse_json, read_log, read_trace, read_witness, run, \
    same_frames, witness_count

RESULTS = WORK / "record_job"
DEFINITIONS = ROOT / "traces" / "definitions" / "seat-scale-identity.yaml"
SENDERS = {"0x5e3": "tester.list", "0x6c5": "seat.list"}


def check_codes(checks):
    for name in ("tester", "person", "seat", "recorder", "witness"):
        checks.equal((RESULTS / f"{name}.code").read_text(encoding="ascii").strip(), "0", f"exit code of the {name}")


def check_counters(checks, count):
    """/sys/class/net/*/statistics: the kernel's own account."""
    words = (RESULTS / "counters").read_text(encoding="ascii").split()
    links, link = {}, None
    for word in words:
        if word.startswith("can"):
            link = links.setdefault(word, [])
        else:
            link.append(word)
    links = {name: dict(zip(words[::2], map(int, words[1::2]))) for name, words in links.items()}
    for name in ("tx_packets", "tx_dropped", "rx_dropped", "rx_over_errors"):
        checks.equal(links["can0"][name], 0, f"{name} of the recorder's link")
    checks.equal(links["can0"]["rx_packets"], count, "frames that came in by the recorder's link")
    checks.equal(links["can1"]["tx_packets"] + links["can2"]["tx_packets"], count, "frames that tester and module sent")
    checks.that("<LISTEN-ONLY>" in (RESULTS / "link").read_text(encoding="ascii"), "can0 is still listen-only")


def check_payloads(checks):
    result = run("list", "messages", RESULTS / "job" / "trace-can0.pcap", "--pair", "0x5E3:0x6C5", "--format", "jsonl")
    checks.equal(result.returncode, 0, f"list messages (stderr: {result.stderr[:300]!r})")
    got = {sender: [] for sender in SENDERS}
    for line in result.stdout.decode().splitlines():
        message = parse_json(line)
        where = f"message of frames {message['first_frame']} to {message['last_frame']}"
        checks.equal((message["kind"], message["state"], message["remarks"]), ("message", "complete", []), where)
        if checks.that(message["id"] in got, f"{where}: nobody talks as {message['id']}"):
            got[message["id"]].append(message["bytes"].replace(" ", "").lower())
    for sender, name in SENDERS.items():
        sent = (RESULTS / name).read_text(encoding="ascii").split()
        checks.that(len(sent) > 50, f"{name}: too few payloads, {len(sent)}")
        checks.equal(len(got[sender]), len(sent), f"payloads of {sender}")
        for number, (mine, its) in enumerate(zip(got[sender], sent), 1):
            if not checks.equal(mine, its, f"payload {number} of {sender}"):
                break


def check_log(checks, count):
    log = read_log(RESULTS / "job" / "recorder.jsonl")
    checks.equal((log[0]["kind"], log[-1]["kind"], log[-1].get("why")), ("start", "end", "stopped"), "recorder.jsonl")
    checks.equal(events(log), [], "events of a quiet job")
    checks.equal([line["buses"][0]["frames"] for line in (log[-1],)], [count], "frames that the end counts")
    checkpoints = [line for line in log if line["kind"] == "checkpoint"]
    checks.equal([line["number"] for line in checkpoints], list(range(1, len(checkpoints) + 1)), "checkpoints")
    checks.that(40 <= len(checkpoints) <= 50, f"one checkpoint each second of about 43: {len(checkpoints)}")
    for line in checkpoints + [log[-1]]:
        bus = line["buses"][0]
        checks.equal((bus["listen_only"], bus["sent"], bus["socket_lost"], bus["controller_lost"]), (True, 0, 0, 0),
                     f"line {line['line']} of recorder.jsonl")


def check_verdict(checks):
    """What the scenario's lines must come to, step by step."""
    result = run("verify", RESULTS / "job")
    print(result.stdout.decode(), result.stderr.decode(), sep="")
    checks.equal(result.returncode, 0, "exit code of verify")
    verdict = parse_json((RESULTS / "job" / "verdict.json").read_text(encoding="utf-8"))
    checks.equal((verdict["passive"], verdict["limits_fixed_before_recording"]), ("yes", "yes"),
                 "passive, limits fixed before recording")
    attempts = verdict["parts"][0]["attempts"]
    answers = [[step["answer"] for step in attempt["steps"]] for attempt in attempts]
    # Two starts were accepted: 4.0 s (it ends with "seat not empty") and 12.0 s.
    if not checks.equal(len(attempts), 2, "attempts"):
        return
    checks.equal(answers[0][2], "contradicted", "the zero point of the first attempt")
    checks.equal(answers[1], ["recorded"] + ["confirmed"] * 7, "steps of the last attempt")
    # Two were refused before: in the wrong session, and with 18 kg on the seat (ISO 14229-1 annex A.1).
    checks.equal([one["nrc_name"] for one in attempts[0]["steps"][2]["tries"]],
                 ["serviceNotSupportedInActiveSession", "conditionsNotCorrect"], "refused starts")
    empty, weight = (attempts[1]["steps"][number]["deciding"] for number in (3, 4))
    # The load of the scenario, and the tenth of a kilogram by which the scale flickers.
    checks.equal((str(empty["lowest"]), str(empty["highest"])), ("0", "0.1"), "the empty seat")
    checks.equal((str(weight["lowest"]), str(weight["highest"])), ("30.2", "30.3"), "the test weight")


def main():
    if "--reuse" not in sys.argv:
        code = machine("record_job.sh", RESULTS, "whole-job.scenario", controllers=4,
                       files=[HERE / "whole-job.scenario", f"definitions.yaml={DEFINITIONS}"])
        if code:
            print((RESULTS / "console.log").read_text(encoding="utf-8", errors="replace")[-3000:])
            sys.exit(f"the script in the machine ended with {code}")
    checks = Checks()
    check_codes(checks)
    witness = read_witness(RESULTS / "witness")
    checks.equal(witness_count(RESULTS / "witness"), (len(witness), 0), "what the witness counted")
    checks.that(len(witness) > 2000 and not any(frame.own for frame in witness), "the witness heard too little")
    trace, torn = read_trace(RESULTS / "job" / "trace-can0.pcap")
    checks.equal(torn, 0, "bytes behind the last whole record")
    same_frames(checks, trace, witness, "the trace")
    check_counters(checks, len(witness))
    check_payloads(checks)
    check_log(checks, len(witness))
    check_verdict(checks)
    print(f"{len(trace)} frames as the witness heard them")
    checks.finish()


if __name__ == "__main__":
    main()
