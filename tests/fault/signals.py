#!/usr/bin/python3
"""Signals at random moments: kill -9, SIGTERM, SIGHUP, SIGINT once and twice, a reader that goes away (SIGPIPE).

Source: RELIABILITY list 18 (project); signal(7). Whenever it strikes, the folder that was asked for is either whole or
not there, and after a signal that can be caught nothing else is left behind either.
"""
import sys

sys.dont_write_bytecode = True
import os
import pathlib
import random
import shutil
import signal
import subprocess
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests/outside"))
from common import TARETRACE, Checks  # noqa: E402

JOB = ROOT / "traces/jobs/blind-hand-on-weight"
ROUNDS = 100
REPEATS = 12  # the trace that often behind itself: long enough to be struck in the middle


def tree(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def main():
    checks = Checks()
    dice = random.Random(18)
    with tempfile.TemporaryDirectory() as name:
        place = pathlib.Path(name)
        once = (JOB / "trace.pcap").read_bytes()
        (place / "trace.pcap").write_bytes(once[:24] + once[24:] * REPEATS)
        command = [TARETRACE, "verify", "trace.pcap", "--definitions", str(ROOT / "traces/definitions/seat-scale.yaml"),
                   "--into", "job"]
        begun = time.monotonic()
        good = subprocess.run(command, cwd=place, capture_output=True)
        length = time.monotonic() - begun
        whole = tree(place / "job")
        checks.that(good.returncode in (0, 1, 2) and len(whole) >= 5, "undisturbed it makes a job")
        shutil.rmtree(place / "job")
        before = set(os.listdir(place))
        struck = 0
        for turn in range(ROUNDS):
            how = ("KILL", "TERM", "HUP", "INT", "INT twice")[turn % 5]
            running = subprocess.Popen(command, cwd=place, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
            time.sleep(dice.random() * length * 1.1)
            first = getattr(signal, "SIG" + how.split()[0])
            running.send_signal(first)
            if how.endswith("twice"):
                running.send_signal(first)
            said = running.communicate()[1].decode(errors="replace")
            code = running.returncode
            where = f"{turn}: {how}: ended {code}"
            if (place / "job").exists():
                checks.that(tree(place / "job") == whole, f"{where}: a folder with its name that is not whole")
            caught = how in ("TERM", "HUP", "INT")
            if code not in (0, 1, 2):
                struck += 1
                # Two signals at once may reach a program as one.
                checks.that(code == 130 if code >= 0 and how != "KILL" else code < 0, where)
                # Before its first instruction a program has caught nothing yet.
                checks.that(code < 0 or said.strip() != "", f"{where}: not a word")
            caught = caught or code == 130
            left = set(os.listdir(place)) - before - {"job"}
            checks.that(not left or code < 0 or not caught, f"{where}: left {left}")
            for one in set(os.listdir(place)) - before:
                shutil.rmtree(place / one)
        checks.that(struck > ROUNDS // 4, f"only {struck} of {ROUNDS} were struck while they worked")
        # A reader that goes away in the middle is no accident to shout about (D 9.1), and nothing hangs.
        for turn in range(10):
            running = subprocess.Popen([TARETRACE, "list", "messages", "trace.pcap", *command[3:5]], cwd=place,
                                       stdout=subprocess.PIPE, stderr=subprocess.PIPE)
            running.stdout.read(dice.randint(1, 5000))
            running.stdout.close()
            said = running.stderr.read().decode(errors="replace")
            code = running.wait(timeout=30)
            checks.that(code in (74, -signal.SIGPIPE), f"pipe {turn}: ended {code}")
            checks.that("could not be written" not in said, f"pipe {turn}: {said[:200]}")
    print(f"{struck} of {ROUNDS} struck while they worked")
    checks.finish()


main()
