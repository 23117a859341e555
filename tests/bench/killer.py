"""Kills the recorder again and again at given moments under load. Runs inside tests/bench/vm.

    killer.py INTERFACE FOLDER RATE MOMENTS

MOMENTS is a file, a line for each round: "DELAY FROZEN WHO" in milliseconds. In each round the recorder starts into
FOLDER/N, load with the identifier 100 + N (hex) begins, and DELAY ms later the recorder is killed by SIGKILL: WHO is
"both" of its processes or "reader" alone. With FROZEN above 0 the reader is stopped (SIGSTOP) that long before, so
that frames pile up in its socket. The load goes on for 30 ms. FOLDER/rounds gets a line of JSON for each round, with
the times.
"""

import json
import os
import signal
import sys
import time


def start(*words, out=None):
    process = os.fork()
    if process:
        return process
    if out:
        os.dup2(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644), 1)
        os.dup2(1, 2)
    os.execv(words[0], words)


def children(process):
    with open(f"/proc/{process}/task/{process}/children", encoding="ascii") as file:
        return [int(word) for word in file.read().split()]


def roles(recorder):
    """(reader, keeper): the reader is the one with the filter, proc(5) "Seccomp". Waits until it has taken it."""
    for _ in range(1000):
        filtered = {True: [], False: []}
        for process in [recorder, *children(recorder)]:
            with open(f"/proc/{process}/status", encoding="ascii") as file:
                filtered[any(line.split() == ["Seccomp:", "2"] for line in file)].append(process)
        if len(filtered[True]) == len(filtered[False]) == 1:
            return filtered[True][0], filtered[False][0]
        time.sleep(0.002)
    sys.exit(f"killer.py: the recorder's processes are {filtered}")


def there(name, text=None):
    for _ in range(2000):
        if os.path.exists(name):
            if not text:
                return
            with open(name, "rb") as file:
                if text in file.read():
                    return
        time.sleep(0.002)
    sys.exit(f"killer.py: waited in vain for {name}")


def main():
    interface, folder, rate, moments = sys.argv[1:]
    with open(moments, encoding="ascii") as file:
        rounds = [line.split() for line in file]
    with open(f"{folder}/rounds", "w", encoding="ascii") as told:
        for number, (delay, frozen, who) in enumerate(rounds):
            job = f"{folder}/{number}"
            recorder = start("/bench/taretrace-record", interface, "--virtual", "--into", job,
                             "--definitions", "/bench/definitions.yaml", out=f"{job}.said")
            there(f"{job}/recorder.jsonl", b'"start"')
            there(f"{job}/trace-{interface}.pcap")
            reader, keeper = roles(recorder)
            load = start("/bench/load", interface, rate, "0", f"{0x100 + number:x}", out=f"{job}.load")
            time.sleep(int(delay) / 1000)
            stopped = 0
            if int(frozen):
                os.kill(reader, signal.SIGSTOP)
                stopped = time.time_ns()
                time.sleep(int(frozen) / 1000)
            before = time.time_ns()
            # In one go: on the machine's one processor neither of them runs in between.
            if who == "both":
                os.kill(keeper, signal.SIGKILL)
            os.kill(reader, signal.SIGKILL)
            killed = time.time_ns()
            time.sleep(0.03)
            os.kill(load, signal.SIGTERM)
            os.waitpid(load, 0)
            _, status = os.waitpid(recorder, 0)
            for entry in os.scandir(job):     # what was reserved beyond the end is given back: the machine is small
                if entry.is_file():
                    os.truncate(entry.path, entry.stat().st_size)
            told.write(json.dumps({"stopped": stopped, "before": before, "killed": killed, "status": status}) + "\n")


if __name__ == "__main__":
    main()
