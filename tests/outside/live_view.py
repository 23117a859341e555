#!/usr/bin/python3
"""The live view and the mark command: a job that grows, a terminal that is not ours, a person's keys.

Sources: D 9.6, 5.6, 11.2 (what stands on the screen and in marks.jsonl); python3-pyte (an emulator of ECMA-48
terminals) for the screen; RFC 8259 by Python's json for the marks; ISO 3779 and 49 CFR 565.15(c) (worked example of the
check digit) for VINs; no-color.org. Example jobs are played into a folder as the recorder makes it.
"""
import sys

sys.dont_write_bytecode = True
import json
import os
import pathlib
import re
import shutil
import signal
import subprocess
import time

from common import HOSTILE, ROOT, TARETRACE, Checks, Job, parse_json, rfc3339, run, temporary
from live_rig import SECOND, Growing, Screen

TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{9}Z")
VIN = "1M8GDM9AXKP042788"  # 49 CFR 565.15(c): a VIN whose check digit is X


def rests(checks, where, line, expected):
    """A line of marks.jsonl, byte by byte but for its time, which is now."""
    found = TIME.search(line.decode())
    if checks.that(found is not None, f"{where}: no time in {line!r}"):
        stated = line.decode().replace(found[0], "NOW")
        checks.equal(stated, '{"time":"NOW",' + expected + "}\n", where)
        off = abs(time.time_ns() - nanoseconds(found[0])) / SECOND
        checks.that(off < 60, f"{where}: its time is {off} s off")
        checks.that(isinstance(parse_json(line), dict), where)


def nanoseconds(text):
    """RFC 3339 with nine decimals to nanoseconds, without floating point."""
    seconds = int(time.mktime(time.strptime(text[:19], "%Y-%m-%dT%H:%M:%S"))) - time.timezone
    return seconds * SECOND + int(text[20:29])


def stated(folder, times_and_marks):
    with open(folder / "marks.jsonl", "a", encoding="utf-8") as file:
        for when, keys in times_and_marks:
            file.write(json.dumps({"time": rfc3339(when), **keys}, separators=(",", ":")) + "\n")


def see(checks, view, what, *words, seconds=6):
    """The words come to stand on the screen."""
    checks.that(view.sees(*words, seconds=seconds), lambda: f"{what}: {view.text()}")


def mark(folder, *words):
    return run("mark", folder, *words)


# ---- taretrace mark ----

def check_mark_command(checks, folder):
    job = Growing(folder / "job")
    good = [
        (["tap behind the gateway"], '"kind":"note","text":"tap behind the gateway"'),
        (["--moment", "weight on"], '"kind":"moment","name":"weight on"'),
        (["--displayed", "seat load.total = 29.80 kg"],
         '"kind":"displayed","name":"seat load.total","value":"29.80","unit":"kg"'),
        (["--displayed", "seat load.total = 65.7 lb", "tool set to pounds"],
         '"kind":"displayed","name":"seat load.total","text":"tool set to pounds","value":"65.7","unit":"lb"'),
        (["--vin", VIN.lower()], f'"kind":"identity","name":"vin","value":"{VIN}"'),
        (["--identity", "work order = 47/11"], '"kind":"identity","name":"work order","value":"47/11"'),
        (["--condition", "Level ground", "yes"], '"kind":"condition","name":"Level ground","value":"yes"'),
        (["--weight", "W-17", "--mass", "30.002 kg"], '"kind":"weight","name":"W-17","value":"30.002","unit":"kg"'),
        (["--challenge", "grünes Fahrrad \"88\""], '"kind":"challenge","text":"grünes Fahrrad \\"88\\""'),
        (["--withdraw", "2", "--why", "the seat was touched"],
         '"kind":"withdrawal","text":"the seat was touched","withdraws":2'),
    ]
    for number, (words, line) in enumerate(good, 1):
        result = mark(job.folder, *words)
        checks.equal((result.returncode, result.stderr), (0, b""), f"mark {words}")
        checks.that(result.stdout.startswith(b"line %d, " % number), f"mark {words}: {result.stdout!r}")
        lines = job.marks()
        checks.equal(len(lines), number, f"mark {words}: number of lines")
        rests(checks, f"mark {words}", lines[-1], line)
    bad = [
        (["--moment", "weigth on"], 64, 'did you mean "weight on"'),
        (["--moment", "zzzz"], 64, 'they know "weight on"'),
        (["--condition", "Level grund", "yes"], 64, 'did you mean "Level ground"'),
        (["--condition", "Level ground", "perhaps"], 64, "by yes or no"),
        (["--condition", "Level ground"], 64, "yes or no is missing"),
        (["--displayed", "seat load.totl = 3 kg"], 64, 'did you mean "seat load.total"'),
        (["--displayed", "seat load.total = 29,8 kg"], 64, "the decimal sign is a point"),
        (["--displayed", "seat load.total = 29.8"], 64, "say the unit too"),
        (["--displayed", "seat load.total = 29.8 V"], 64, "V cannot be converted"),
        (["--displayed", "seat load.total: 29.8 kg"], 64, "is not of the form"),
        (["--vin", VIN[:16]], 64, "has 16"),
        (["--vin", VIN[:15] + "O8"], 64, "never holds O"),
        (["--weight", "W-17", "--mass", "30 V"], 64, "kg, g, lb or oz"),
        (["--weight", "W-17"], 64, "--weight and --mass belong together"),
        (["--withdraw", "2", "--why", "again"], 65, "withdrawn already, by line 10"),
        (["--withdraw", "10", "--why", "no"], 65, "is itself a withdrawal"),
        (["--withdraw", "77", "--why", "no"], 65, "has no mark on line 77"),
        (["--withdraw", "3"], 64, "--withdraw and --why belong together"),
        (["a\x1b[2Jb"], 64, "control characters"),
        (["\u202eabc"], 64, "control characters"),
        (["x" * 1001], 64, "at most 1000"),
        ([], 64, "nothing to note"),
        (["a", "b"], 64, "one word too many"),
        (["--moment", "weight on", "--vin", VIN], 64, "one mark a call"),
    ]
    before = b"".join(job.marks())
    for words, code, said in bad:
        result = mark(job.folder, *words)
        checks.equal(result.returncode, code, f"mark {words}")
        checks.that(said.encode() in result.stderr and not HOSTILE.search(result.stderr.decode()),
                    f"mark {words}: {result.stderr!r} lacks {said!r}")
    checks.equal(b"".join(job.marks()), before, "refused marks changed marks.jsonl")
    wrong = mark(job.folder, "--vin", VIN[:8] + "1" + VIN[9:])
    checks.that(wrong.returncode == 0 and b"it would be X" in wrong.stderr, "a wrong check digit is told")
    # Two at a time: every line whole, none lost.
    many = [subprocess.Popen([TARETRACE, "mark", job.folder, f"note {index}"], stdout=subprocess.DEVNULL)
            for index in range(12)]
    checks.equal([one.wait() for one in many], [0] * 12, "twelve marks at once")
    lines = job.marks()
    checks.equal(sorted(parse_json(line)["text"] for line in lines[11:]),
                 sorted(f"note {index}" for index in range(12)), "marks written at once")
    # A torn line stays as it is, and the next mark has a line of its own.
    with open(job.folder / "marks.jsonl", "ab") as file:
        file.write(b'{"time":"2026')
    torn = mark(job.folder, "behind it")
    checks.that(torn.returncode == 0 and b"line 24 is torn" in torn.stderr and torn.stdout.startswith(b"line 25, "),
                f"a mark behind a torn line: {torn}")
    lines = job.marks()
    if checks.equal(len(lines), 25, "lines with the torn one"):
        checks.equal(lines[23], b'{"time":"2026\n', "the torn line")
        rests(checks, "behind the torn line", lines[24], '"kind":"note","text":"behind it"')
    job.end()
    late = mark(job.folder, "after the end")
    checks.that(late.returncode == 0 and b"stated afterwards" in late.stderr, "a mark after the recording")
    (job.folder / "MANIFEST.sha256").touch()
    checks.equal(mark(job.folder, "sealed").returncode, 65, "a sealed job")
    checks.equal(mark(folder, "x").returncode, 66, "a folder that is no job")
    checks.that(not (folder / "marks.jsonl").exists(), "a folder that is no job got a marks.jsonl")
    checks.equal(mark(folder / "nothing", "x").returncode, 66, "no folder")


# ---- the view ----

def check_keys(checks, folder):
    """Before work: what is missing on the bus; conditions by single keys; texts; what is refused can be put right."""
    job = Growing(folder / "job")
    view = Screen("watch", job.folder)
    see(checks, view, "no frames", "No frame on this bus yet", "-2.5 ---", "[-1.4 ===", "1.4]---", "2.5 kg")
    job.write(1.0)
    see(checks, view, "conditions",
        'Is this so? "Level ground"', 'No answer from "seat scale" on this bus: gateway, wrong pair, wrong '
        "bit rate?", "y yes n no Enter leave it unstated")
    view.press("y")
    see(checks, view, "second condition", 'Is this so? "Seat empty and dry')
    view.press("n")
    see(checks, view, "keys",
        '"weight on": all of it lies still, nobody touches the seat', "The conditions are not met")
    view.press("u")
    see(checks, view, "taking back", "Why is the mark on line 2 taken back?")
    view.press("typed the wrong kex\x7f\x7fey\r")
    see(checks, view, "taken back", "line 2 is withdrawn")
    view.press("d")
    see(checks, view, "typing", 'display for "seat load.total" now')
    view.press("0,1 kg\r")
    see(checks, view, "a refused text", "the decimal sign is a point")
    view.press("\x7f" * 6 + "0.1 kg\r")
    see(checks, view, "displayed", 'the scan tool displayed "seat load.total" = 0.1 kg')
    view.press("t\x1b")
    view.press("tTür offen\x1b[A\r")
    see(checks, view, "a note", 'note "Tür offen"')
    view.press("v" + VIN.lower() + "\r")
    see(checks, view, "VIN", f'vin "{VIN}"')
    view.press("ww")  # a key held down is one press
    see(checks, view, "moment", 'the moment "weight on"', "line 7")
    view.press("cy")
    see(checks, view, "conditions again", 'the condition "Level ground" holds: yes')
    expected = ['"kind":"condition","name":"Level ground","value":"yes"',
                '"kind":"condition","name":"Seat empty and dry, nothing beneath it","value":"no"',
                '"kind":"withdrawal","text":"typed the wrong key","withdraws":2',
                '"kind":"displayed","name":"seat load.total","value":"0.1","unit":"kg"',
                '"kind":"note","text":"Tür offen"', f'"kind":"identity","name":"vin","value":"{VIN}"',
                '"kind":"moment","name":"weight on"', '"kind":"condition","name":"Level ground","value":"yes"']
    lines = job.marks()
    checks.equal(len(lines), len(expected), "marks by keys")
    for number, (line, wanted) in enumerate(zip(lines, expected), 1):
        rests(checks, f"mark {number} by keys", line, wanted)
    # Other sizes, and on resize: nothing wider or higher than the screen, the next thing to do always there.
    view.press("\r")  # the second condition stays unstated
    for columns, rows in ((120, 40), (40, 12), (30, 8), (80, 24)):
        view.size(columns, rows)
        os.kill(view.pid, signal.SIGWINCH)
        checks.that(view.sees("Next:"), f"{columns}x{rows}: " + view.text())
    view.press("q")
    checks.equal(view.wait(), 0, "q")
    checks.that(b"\x1b[?1049l" in view.raw and b"\x1b[?25h" in view.raw, "the terminal is given back")
    checks.that(not re.search(rb"\x1b\[[0-9;]*[349][0-9][0-9;]*m", view.raw), "colours")
    view.close()
    job.kill()


def check_whole_job(checks, folder):
    """From the empty seat to the last step, with the moment pressed in between; then verify says the same."""
    job = Growing(folder / "job")
    view = Screen("watch", job.folder, "--no-input", columns=100, rows=40)
    checks.that(view.sees("No frame on this bus yet", "q leave") and "w " not in view.text().split("Keys:")[-1],
                "--no-input: " + view.text())
    view.press("wyt")
    view.read(0.5)
    view.close()  # killed with -9: nothing of it reaches the job
    checks.equal(job.marks(), [], "a viewer without input made marks")
    job.past(7.0, room=6)
    start = job.newest - 7 * SECOND
    stated(job.folder, [(start + SECOND // 2, {"kind": "condition", "name": text, "value": "yes"})
                        for text in ("Level ground", "Seat empty and dry, nothing beneath it")])
    job.checkpoint()
    view = Screen("watch", job.folder, columns=100, rows=40)
    see(checks, view, "empty seat",
        "Leave the seat empty and touch nothing", "confirmed Zero point accepted", "seat load.total = ",
        "of 2 s", "lacks 5 of 6 steps", "stated Level ground")
    job.past(11.9)
    see(checks, view, "weight",
        "Put the test weight (30 kg) on the seat", "press w", "24 ---", "[26.6 ~", "~ 33.4]", "36 kg",
        'counts from the moment "weight on"', "confirmed Empty seat", "not yet Lamp lit")
    view.press("w")
    see(checks, view, "pressed", 'Noted: the moment "weight on" (line 3)', "Touch nothing",
        "steady for 0 s of 2 s")  # what was steady before the moment does not count
    job.checkpoint()
    job.write(15.5, nanoseconds(parse_json(job.marks()[-1])["time"]))
    see(checks, view, "weight stands",
        "confirmed Test weight reads within limits: 30 kg on the seat, read from 29.8 to 29.9 kg",
        "Clear the trouble codes")
    job.say("event", time=rfc3339(time.time_ns()), bus="can0", what="frames lost in the socket", after_frame=job.next,
            before_frame=job.next + 1, count=12, detail=None)
    see(checks, view, "a loss is told", "Note: frames lost in the socket (12) on can0")
    job.write(99)
    see(checks, view, "done", "You can stop: all steps are confirmed.")
    job.end()
    see(checks, view, "ended",
        "The recording has ended", "Nothing is missing: all steps are confirmed", "taretrace verify")
    view.press("\x03")
    checks.equal(view.wait(), 0, "Ctrl-C")
    view.close()
    # The record itself, judged by a run of its own.
    verdict = run("verify", job.folder)
    checks.that(b"confirmed: all 6 steps" in verdict.stdout and verdict.returncode == 0,
                f"verify: {verdict.stdout.decode()}")


def check_lost_module(checks, folder):
    """What is not read any more, and a module that answers nothing, are told."""
    job = Growing(folder / "job")
    job.past(7.0)
    view = Screen("watch", job.folder)
    see(checks, view, "read", "steady for")
    view.press("\r\r")
    see(checks, view, "stale", "seat load.total", "not read for", "let the scan tool show it all the time")
    see(checks, view, "silent", "No frame has come for", seconds=8)
    job.kill()
    see(checks, view, "died", "Nobody is recording into job", "it ended without closing the record")
    view.close()


# ---- without a terminal ----

def check_lines(checks, folder):
    job = Growing(folder / "job")
    environment = {**os.environ, "NO_COLOR": "1"}
    with open(folder / "out", "wb") as out:
        viewer = subprocess.Popen([TARETRACE, "watch", job.folder], stdout=out, stderr=subprocess.STDOUT,
                                  stdin=subprocess.DEVNULL, env=environment)
        time.sleep(0.6)
        job.write(99)
        time.sleep(0.8)
        job.end()
        checks.equal(viewer.wait(10), 0, "lines end with the recording")
    text = (folder / "out").read_text(encoding="utf-8")
    lines = text.splitlines()
    checks.that(not HOSTILE.search(text.replace("\n", "")), "lines hold control characters")
    for wanted in ("0.0 s: Recording into job: 0 frames on can0.",
                   "confirmed: Zero point accepted: the module answered 'done'",
                   "confirmed: Empty seat reads near zero", "attempt 1 began",
                   "not confirmed: Test weight reads within limits: reading inside, weight not stated",
                   "next: Have the record judged"):
        checks.that(any(wanted in line for line in lines), f"lines lack {wanted!r}: {text}")
    checks.equal(len(lines), len(set(lines)), "a line stands twice")
    dumb = Screen("watch", job.folder, environment={"TERM": "dumb"})
    checks.that(dumb.wait() == 0 and b"\x1b" not in dumb.raw and b"The recording has ended" in dumb.raw,
                f"TERM=dumb: {dumb.raw!r}")
    dumb.close()
    # A definition file, marks and a recorder log that want to do harm.
    harm = "\x1b]52;c;AAAA\x07\u202e\x9b31m"
    hostile = folder / "hostile.yaml"
    hostile.write_bytes(Job("clean").definitions[0].read_bytes().replace(b"Level ground", b"Level \xe2\x82\xac ground"))
    second = Growing(folder / "second", definitions=[hostile])
    stated(second.folder, [(time.time_ns(), {"kind": "note", "text": harm}),
                           (time.time_ns(), {"kind": "moment", "name": harm})])
    second.past(11.0)
    second.say("event", time=rfc3339(time.time_ns()), bus=harm, what="disk full " + harm, after_frame=1, before_frame=2,
               count=None, detail=harm)
    view = Screen("watch", second.folder)
    see(checks, view, "hostile", "disk full", "Level € ground")
    rest = re.sub(rb"\x1b\[(\?1049[hl]|\?25[hl]|2J|[0-9]+;1H|[01]m|K)", b"", view.raw).decode("utf-8")
    checks.that(not HOSTILE.search(rest.replace("\r", "").replace("\n", "")), f"hostile text on the screen: {rest!r}")
    view.close()
    second.kill()


# ---- taretrace record ----

RECORDER = """#!/usr/bin/python3
import pathlib, signal, sys, time
sys.dont_write_bytecode = True
sys.path.insert(0, {outside!r})
from live_rig import Growing
place = pathlib.Path({place!r})
place.joinpath("arguments").write_text(repr(sys.argv[1:]))
if "--refused" in sys.argv:
    sys.exit(print("error: can9: is not there; ip link lists them", file=sys.stderr) or 66)
asked = []
signal.signal(signal.SIGINT, lambda *_: asked.append(1))
job = Growing(sys.argv[sys.argv.index("--into") + 1])
print("can0: recording; Ctrl-C ends it.", file=sys.stderr, flush=True)
job.past(7.0)
place.joinpath("pid").write_text(str(__import__("os").getpid()))
for turn in range(600):
    time.sleep(0.05)
    if asked and "--deaf" not in sys.argv:
        time.sleep(0.7)
        job.end()
        place.joinpath("signals").write_text(str(len(asked)))
        sys.exit(0)
"""


def check_record(checks, folder):
    """Another program stands in for the recorder, beside a copy of taretrace."""
    program = folder / "taretrace"
    shutil.copy(TARETRACE, program)
    recorder = folder / "taretrace-record"
    recorder.write_text(RECORDER.format(outside=str(ROOT / "tests" / "outside"), place=str(folder)))
    recorder.chmod(0o755)

    def start(name, *more):
        (folder / "pid").unlink(missing_ok=True)
        view = Screen("record", "can0", "--into", folder / name, "--no-input", *more, program=str(program))
        checks.that(view.sees("Recording into " + name, "confirmed Zero point") or "--refused" in more,
                    f"record: {view.text()}")
        return view

    def alive(pid):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return False
        return pathlib.Path(f"/proc/{pid}/stat").read_text().split(")")[1].split()[0] != "Z"

    view = start("one")
    checks.equal((folder / "arguments").read_text(), repr(["can0", "--into", str(folder / "one")]), "options passed on")
    pid = int((folder / "pid").read_text())
    checks.that(os.getpgid(pid) == pid and os.getsid(pid) == pid, "the recorder has a session of its own")
    view.press("\x03")
    see(checks, view, "stopping", "Stopping the recording into one", "Ctrl-C again kills it")
    checks.equal(view.wait(), 0, "record ended by Ctrl-C")
    checks.equal((folder / "signals").read_text(), "1", "SIGINT came once")
    view.close()
    # An older job is not shown as if it went on, and the recorder is not even started.
    (folder / "pid").unlink()
    again = subprocess.run([program, "record", "can0", "--into", folder / "one", "--no-input"], capture_output=True,
                           timeout=30, check=False)
    checks.that(again.returncode == 73 and again.stdout == b"" and b"never overwritten" in again.stderr,
                f"record into a job that is there: {again}")
    checks.that(not (folder / "pid").exists(), "record into a job that is there starts nothing")
    # The viewer dies: the recording goes on; another view finds it; q asks first.
    view = start("two")
    pid = int((folder / "pid").read_text())
    view.close()
    checks.that(alive(pid), "kill -9 of the viewer ended the recorder")
    second = Screen("watch", folder / "two")
    see(checks, second, "watching again", "Recording into two")
    second.press("\rq\r q")
    checks.equal(second.wait(), 0, "leaving the second view")
    second.close()
    checks.that(alive(pid), "leaving a view ended the recorder")
    os.kill(pid, signal.SIGINT)
    # A recorder that does not end: Ctrl-C again kills it.
    view = start("three", "--deaf")
    pid = int((folder / "pid").read_text())
    view.press("\x03")
    see(checks, view, "deaf", "Stopping the recording")
    view.press("\x03")
    checks.equal(view.wait(), 70, "record after its recorder was killed")
    checks.that(not alive(pid), "Ctrl-C again did not kill the recorder")
    view.close()
    # Refused: its own words and exit code.
    result = run("record", "can9", "--into", folder / "four", "--refused", program=str(program))
    checks.that(result.returncode == 66 and b"can9: is not there" in result.stderr, f"refused: {result}")
    checks.equal(run("record", "can0", program=str(program)).returncode, 64, "record without --into")
    recorder.unlink()
    alone = run("record", "can0", "--into", folder / "five", program=str(program), environment={"PATH": str(folder)})
    checks.that(alone.returncode == 66 and b"it belongs beside taretrace" in alone.stderr, f"no recorder: {alone}")


def main():
    checks = Checks()
    os.environ["TZ"] = "UTC"
    time.tzset()
    for check in (check_mark_command, check_keys, check_whole_job, check_lost_module, check_lines, check_record):
        begun = time.monotonic()
        with temporary() as folder:
            check(checks, pathlib.Path(folder))
        print(f"{check.__name__}: {time.monotonic() - begun:.1f} s")
    checks.equal(run("watch").returncode, 64, "watch without a job")
    checks.equal(run("watch", "/nowhere/at/all").returncode, 66, "watch nothing")
    checks.equal(run("watch", ROOT, "--no-imput").returncode, 64, "watch with a wrong option")
    checks.finish()


main()
