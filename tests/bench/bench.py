"""What the bench's scripts outside the machine share: building its programs, starting it, reading what came back.

Shares no code with recorder and decoder. `Checks` and the way taretrace is called are those of tests/outside/common.py.
"""

import fcntl
import json
import os
import pathlib
import shutil
import struct
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))
from common import TARETRACE, Checks, parse_json, run  # noqa: E402,F401

RECORDER = pathlib.Path(os.environ.get("TARETRACE_RECORD") or pathlib.Path(TARETRACE).parent / "taretrace-record")
WORK = ROOT / "build" / "bench-vm"
PROGRAMS = {"seat_module": ["seat_module.c", "scenario.c"], "scan_tool": ["scan_tool.c", "scenario.c"],
            "load": ["load.c"], "sync_fails.so": ["sync_fails.c"]}
SCRIPTS = ["witness.py", "person.py", "inject.py", "killer.py", "as_nobody.py"]
ERROR, EXTENDED = 0x20000000, 0x80000000     # linux/can.h


def newer(target, sources):
    """Is the target there, and no source newer than it?"""
    return target.exists() and all(target.stat().st_mtime >= source.stat().st_mtime for source in sources)


def programs():
    """Builds what is missing of the bench's own programs; gives the --with options that put them into the machine."""
    folder = WORK / "programs"
    folder.mkdir(parents=True, exist_ok=True)
    with open(WORK / "lock", "w", encoding="ascii") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)     # two tests may begin at the same time
        return build_programs(folder)


def build_programs(folder):
    words = []
    for name, sources in PROGRAMS.items():
        paths = [HERE / source for source in sources]
        target = folder / name
        if not newer(target, [*paths, HERE / "scenario.h"]):
            shared = ["-shared", "-fPIC"] if target.suffix == ".so" else []
            subprocess.run(["gcc", "-std=gnu17", "-O2", "-Wall", "-Wextra", *shared, "-o", f"{target}.new", *paths],
                           check=True)
            os.replace(f"{target}.new", target)
        words += ["--with", target]
    home = WORK / "python"
    scripts = [HERE / name for name in SCRIPTS]
    if not newer(home / "made", [*scripts, HERE / "python_home.py"]):
        subprocess.run(["/usr/bin/python3", HERE / "python_home.py", home, *scripts], check=True)
        (home / "made").touch()
    # python3 by itself too: then its shared libraries come along.
    words += ["--with", f"python={home}", "--with", f"python3={home}/bin/python3"]
    for script in scripts:
        words += ["--with", script]
    return [str(word) for word in words]


def machine(script, results, *arguments, controllers=0, files=(), timeout=240, memory=1024, options=()):
    """Runs tests/bench/SCRIPT in the machine; gives its exit code. `files`: further values of --with."""
    shutil.rmtree(results, ignore_errors=True)
    results.parent.mkdir(parents=True, exist_ok=True)
    words = programs()
    for file in (HERE / "inside.sh", RECORDER, TARETRACE, *files):
        words += ["--with", str(file)]
    result = subprocess.run(["sh", HERE / "vm", *words, "--controllers", str(controllers), "--timeout", str(timeout),
                             "--memory", str(memory), "--into", results, *options, HERE / script,
                             *map(str, arguments)], check=False)
    if result.returncode in (64, 66, 69, 70, 73, 74, 124) and not (results / "went").exists():
        sys.exit(f"the emulated machine ended with {result.returncode}")
    return result.returncode


class Heard:
    """One frame: identifier word with its flags, data, FD, time in ns, made on the machine where it was heard."""
    __slots__ = ("id", "data", "fd", "time", "own")

    def __init__(self, identifier, data, fd, time, own=False):
        self.id, self.data, self.fd, self.time, self.own = identifier, data, fd, time, own

    def key(self):
        return self.id, self.data, self.fd

    def __repr__(self):
        return f"{self.id:#x} {self.data.hex()} at {self.time}"


def read_witness(path):
    """The list of witness.py. linux/can.h: struct can_frame {u32 can_id; u8 len; ...; u8 data[8]}, canfd_frame."""
    content = path.read_bytes()
    at, frames = 0, []
    while at < len(content):
        time, size, own = struct.unpack_from("<QII", content, at)
        identifier, length = struct.unpack_from("<IB", content, at + 16)
        frames.append(Heard(identifier, content[at + 24:at + 24 + length], size == 72, time, bool(own)))
        at += 16 + size
    return frames


def witness_count(path):
    """(frames, dropped) as the witness counted at its end."""
    words = path.with_name(path.name + ".count").read_text(encoding="ascii").split()
    return int(words[1]), int(words[3])


def read_trace(path):
    """Frames of a trace, and how many bytes behind the last whole record: pcap-savefile(5), tcpdump.org
    LINKTYPE_CAN_SOCKETCAN."""
    trace = path.read_bytes()
    magic, _, _, _, _, _, link = struct.unpack_from("<IHHiIII", trace)
    assert magic == 0xA1B23C4D and link == 227, path
    at, frames = 24, []
    while at + 16 <= len(trace):
        seconds, nanoseconds, captured, size = struct.unpack_from("<IIII", trace, at)
        if at + 16 + captured > len(trace):
            break
        identifier, length, flags = struct.unpack_from(">IBB", trace, at + 16)
        fd = bool(flags & 4)
        assert captured == size == (72 if fd else 16) and length <= size - 8, (path, at)
        frames.append(Heard(identifier, trace[at + 24:at + 24 + length], fd, seconds * 10**9 + nanoseconds))
        at += 16 + captured
    return frames, len(trace) - at


def read_log(path):
    """recorder.jsonl as a list of objects; a torn last line is left out."""
    return [json.loads(line) for line in path.read_bytes().split(b"\n")[:-1]]


def events(log, what=None):
    return [line for line in log if line["kind"] == "event" and (what is None or line["what"] == what)]


def same_frames(checks, got, expected, where):
    """Frame for frame, in order."""
    checks.equal(len(got), len(expected), f"{where}: number of frames")
    for number, (mine, its) in enumerate(zip(got, expected), 1):
        if not checks.that(mine.key() == its.key(), lambda: f"{where}: frame {number}: {mine}, the witness has {its}"):
            return
