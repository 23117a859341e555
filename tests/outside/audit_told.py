#!/usr/bin/python3
"""What audit says of a trace that is not the recorder's, in numbers, and of a file that is exchanged while it checks.

Sources: docs/checking.md, "What audit answers"; D 11.3. Counts, offsets and seconds are taken by hand from the trace
and the log that this script made (recorded.py).
"""
import sys

sys.dont_write_bytecode = True
import os
import pathlib
import shutil
import signal
import subprocess
import time

import recorded
from common import TARETRACE, Checks, Job, read_pcap, run, temporary
from sealed_folders import Bench, Keys, edit, flip

TRIES = 100


def seal(bench, job, name, change):
    """A job of this name, changed before it is sealed; its recorder log as it lies there, its frames as recorded."""
    folder = recorded.make(job, bench.root / name)
    frames = read_pcap(folder / "trace-can0.pcap")
    change(folder)
    result = run("seal", folder, "--key", bench.keys.key)
    bench.checks.equal(result.returncode, 0, f"sealing ({name}): {result.stderr.decode()[:300]}")
    return folder, recorded.read_log(folder / "recorder.jsonl"), frames


def more_frames(more):
    """The log says of the whole trace, whose bytes and sum it has right, that it holds more frames."""
    def on(folder):
        lines = recorded.read_log(folder / "recorder.jsonl")
        whole = lines[-1]["buses"][0]["bytes"]
        for line in lines[1:]:
            if line["buses"][0]["bytes"] == whole:
                line["buses"][0]["frames"] += more
        (folder / "recorder.jsonl").write_bytes(recorded.chain(lines))
    return on


def fewer_frames_than_recorded(bench, job):
    for more in (1, 2):
        folder, _, frames = seal(bench, job, f"more frames {more}", more_frames(more))
        bench.audit(folder, "changed", f"trace-can0.pcap holds {len(frames)} frames, and the recorder wrote "
                    f"{len(frames) + more} at least")
        shutil.rmtree(folder)


def where_the_trace_parts(bench, job):
    """A changed frame is told behind the last checkpoint that covers none of its bytes."""
    told = set()
    for frame in (20, 150, 300):
        record = 24 + 32 * (frame - 1)  # pcap-savefile(5): a header of 24 bytes, each record 16 and here 16 more
        folder, log, _ = seal(bench, job, f"frame {frame}", edit("trace-can0.pcap", flip(record + 27)))
        before = [line["buses"][0]["frames"] for line in log if line["kind"] in ("checkpoint", "end") and
                  line["buses"][0]["bytes"] <= record + 27]
        agreed = max(before, default=0)
        bench.checks.that(agreed < frame, f"frame {frame}: behind frame {agreed} by hand")
        told.add(agreed)
        bench.audit(folder, "changed", f"behind frame {agreed} a checkpoint")
        shutil.rmtree(folder)
    bench.checks.equal(len(told), 3, "places where the trace parts from the log")


def seconds_behind_the_log(bench, job):
    for count in (5, 12):
        def cut(folder, count=count):
            lines = (folder / "recorder.jsonl").read_bytes().splitlines(keepends=True)
            (folder / "recorder.jsonl").write_bytes(b"".join(lines[:count]))
        folder, log, frames = seal(bench, job, f"log of {count} lines", cut)
        behind = (frames[-1].time - recorded.parse_time(log[-1]["time"])) // recorded.SECOND
        bench.audit(folder, "fewer checkpoints than recorded", f"goes on for {behind} s behind the last checkpoint")
        shutil.rmtree(folder)


def stopped(process):
    """Stops the process; False: it has ended."""
    os.kill(process.pid, signal.SIGSTOP)
    # waitpid(2) tells of a child that has stopped only once all its threads have.
    _, status = os.waitpid(process.pid, os.WUNTRACED)
    if os.WIFSTOPPED(status):
        return True
    process.returncode = os.waitstatus_to_exitcode(status)
    return False


def caught(bench, folder, change):
    """
    Changes the folder while an audit of it derives anew: all files are hashed then, and the folder for what is derived,
    which goes before the last look at the files, is still there. What the audit said; None: it was too quick.
    """
    place = bench.root / "while"
    place.mkdir()
    with subprocess.Popen([TARETRACE, "audit", str(folder), "--public-key", str(bench.keys.public)],
                          stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          env={**os.environ, "TMPDIR": str(place)}) as process:
        until = time.monotonic() + 30
        while not any(place.iterdir()) and process.poll() is None and time.monotonic() < until:
            pass
        hit = process.returncode is None and stopped(process) and any(place.iterdir())
        if hit:
            change()
        if process.returncode is None:
            os.kill(process.pid, signal.SIGCONT)
        text = process.communicate(timeout=60)[0].decode()
    shutil.rmtree(place)
    return (process.returncode, text) if hit else None


def exchanged_meanwhile(bench, job):
    """A file from which nothing is derived shows that it is looked at again."""
    def in_place(path):
        path.write_bytes(b"y")

    def another(path):
        (bench.root / "other").write_bytes(b"x")
        os.replace(bench.root / "other", path)
    cases = (("written", in_place), ("exchanged", another), ("removed", lambda path: path.unlink()), ("left", None))
    for label, change in cases:
        folder, _, _ = seal(bench, job, f"meanwhile {label}", lambda folder: (folder / "photo.jpg").write_bytes(b"x"))
        photo = folder / "photo.jpg"
        for _ in range(TRIES):
            said = caught(bench, folder, (lambda path=photo: change(path)) if change else lambda: None)
            if said:
                break
        if bench.checks.that(said is not None, f"{label}: the audit was never caught at work"):
            code, text = said
            last = (text.splitlines() or [""])[-1]
            if change:
                bench.checks.that(code == 1 and last.startswith("changed: ")
                                  and "photo.jpg was changed while it was checked" in text,
                                  f"photo {label} meanwhile: ended {code}: {text[-900:]}")
            else:
                bench.checks.that(code == 0 and last.startswith("passed: "), f"photo left: ended {code}: {text[-900:]}")
        shutil.rmtree(folder)


def main():
    checks = Checks()
    job = Job("clean")
    with temporary() as name:
        root = pathlib.Path(name)
        (root / "keys").mkdir()
        bench = Bench(checks, root, Keys(root / "keys"), None)
        fewer_frames_than_recorded(bench, job)
        where_the_trace_parts(bench, job)
        seconds_behind_the_log(bench, job)
        exchanged_meanwhile(bench, job)
    checks.finish()


if __name__ == "__main__":
    main()
