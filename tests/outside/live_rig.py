"""What live_view.py needs: a job folder that grows as a recorder would make it grow, and a terminal around the program.

The terminal is python3-pyte, an emulator of ECMA-48 terminals that is not ours, behind a pseudo-terminal of the system.
"""

import codecs
import fcntl
import hashlib
import json
import os
import pathlib
import pty
import select
import signal
import struct
import termios
import time

import pyte

from common import TARETRACE, Job, read_pcap, rfc3339

SECOND = 10**9
# man pcap-savefile(5), nanosecond magic, link type 227.
HEADER = struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 227)


class Growing:
    """JOB as taretrace-record makes it: trace-can0.pcap, definitions/, and a recorder.jsonl whose lock is held.

    The frames are those of an example job; a piece of them is stamped so that it begins when it is written, so that a
    mark made in between stands in between. Seconds below are those of the example.
    """

    def __init__(self, folder, example="clean", definitions=None):
        self.folder = pathlib.Path(folder)
        self.frames = read_pcap(Job(example).trace)
        self.start = self.frames[0].time
        self.next = 0
        self.newest = 0
        (self.folder / "definitions").mkdir(parents=True)
        for path in definitions if definitions is not None else Job(example).definitions:
            (self.folder / "definitions" / path.name).write_bytes(path.read_bytes())
        self.previous = None
        self.lines = 0
        self.checkpoints = 0
        self.log = open(self.folder / "recorder.jsonl", "ab", buffering=0)
        fcntl.flock(self.log, fcntl.LOCK_EX)
        self.say("start", format=1, version="0.1", **self.clocks(), synchronised=True, clock_error="0.000010000",
                 stamp_uncertainty="0.001000000", filter=True, acknowledging_accepted=False,
                 buses=[{"bus": "can0", "file": "trace-can0.pcap", "link": "controller", "listen_only": True,
                         "state": "error active", "bitrate": 500000, "sample_point": "0.875", "fd": False,
                         "restart_ms": 0, "receive_buffer": 212992, "bears_stall": "0.200"}],
                 definitions=[{"file": f"definitions/{path.name}",
                               "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
                              for path in sorted((self.folder / "definitions").iterdir())])
        self.trace = open(self.folder / "trace-can0.pcap", "ab", buffering=0)
        self.trace.write(HEADER)

    @staticmethod
    def clocks():
        now = time.time_ns()
        return {"time": rfc3339(now), "monotonic": "10.000000000", "boottime": "10.000000000"}

    def say(self, kind, **keys):
        """One line of recorder.jsonl."""
        self.lines += 1
        line = json.dumps({"line": self.lines, "kind": kind, **keys, "previous": self.previous}, separators=(",", ":"))
        self.previous = hashlib.sha256(line.encode()).hexdigest()
        self.log.write(line.encode() + b"\n")

    def write(self, until, after=None):
        """The frames before the example's second `until`; stamped from now on, or from just behind the time `after`."""
        first = self.frames[self.next].time
        shift = max((after or time.time_ns()) + SECOND // 20, self.newest + SECOND // 20) - first
        records = []
        while self.next < len(self.frames) and (self.frames[self.next].time - self.start) < until * SECOND:
            frame = self.frames[self.next]
            self.newest = frame.time + shift
            records.append(struct.pack("<IIII", self.newest // SECOND, self.newest % SECOND, 16, 16)
                           + struct.pack(">IBBBB", frame.word, len(frame.data), 0, 0, 0) + frame.data.ljust(8, b"\0"))
            self.next += 1
        self.trace.write(b"".join(records))

    def past(self, until, room=0):
        """The same, stamped so that the last of them is just now, less `room` seconds for what is to follow: a mark made
        from now on stands behind them."""
        last = max(frame.time for frame in self.frames[self.next:]
                   if (frame.time - self.start) < until * SECOND)
        length = last - self.frames[self.next].time
        self.write(until, time.time_ns() - length - SECOND // 10 - room * SECOND)
        assert self.newest <= time.time_ns(), "more than there was room for"

    def state(self):
        """What a checkpoint says of the files."""
        content = (self.folder / "trace-can0.pcap").read_bytes()
        noted = b"".join(self.marks())
        return {"buses": [{"bus": "can0", "bytes": len(content), "frames": self.next,
                           "sha256": hashlib.sha256(content).hexdigest(), "socket_lost": 0, "controller_lost": 0,
                           "listen_only": True, "sent": 0}],
                "marks": {"bytes": len(noted), "sha256": hashlib.sha256(noted).hexdigest()}}

    def checkpoint(self):
        self.checkpoints += 1
        self.say("checkpoint", number=self.checkpoints, **self.clocks(), synchronised=True, clock_error="0.000010000",
                 **self.state())

    def end(self):
        """The recorder ends as it was asked to."""
        self.say("end", why="stopped", **self.clocks(), **self.state())
        self.log.close()
        self.trace.close()

    def kill(self):
        """It dies: the kernel drops its lock, and there is no closing line."""
        self.log.close()
        self.trace.close()

    def marks(self):
        """Lines of marks.jsonl, as bytes."""
        path = self.folder / "marks.jsonl"
        return path.read_bytes().splitlines(keepends=True) if path.exists() else []


class Screen:
    """taretrace behind a pseudo-terminal of a size, and what stands on its screen."""

    def __init__(self, *arguments, columns=80, rows=24, environment=None, program=None):
        self.screen = pyte.Screen(columns, rows)
        self.stream = pyte.Stream(self.screen)
        self.decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self.raw = b""
        self.code = None
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.environ.update({"TERM": "xterm", **(environment or {})})
            os.execv(program or TARETRACE, [program or TARETRACE, *map(str, arguments)])
        self.size(columns, rows)

    def size(self, columns, rows):
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.screen.resize(rows, columns)

    def read(self, seconds):
        """Takes what comes within that time."""
        until = time.monotonic() + seconds
        while select.select([self.fd], [], [], max(0, until - time.monotonic()))[0]:
            try:
                data = os.read(self.fd, 65536)
            except OSError:
                data = b""
            if not data:
                self.reap()
                break
            self.raw += data
            self.stream.feed(self.decoder.decode(data))

    def until(self, good, seconds=6):
        """Reads until good(text of the screen); the text, whatever it is by then."""
        end = time.monotonic() + seconds
        while not good(self.text()) and time.monotonic() < end and self.code is None:
            self.read(0.05)
        return self.text()

    def sees(self, *words, seconds=6):
        """Waits until all of the words stand on the screen (line ends count as spaces)."""
        def good(text):
            flat = " ".join(text.split())
            return all(word in flat for word in words)
        return good(self.until(good, seconds))

    def text(self):
        return "\n".join(line.rstrip() for line in self.screen.display)

    def flat(self):
        return " ".join(self.text().split())

    def press(self, keys):
        os.write(self.fd, keys.encode())

    def reap(self):
        pid, status = os.waitpid(self.pid, os.WNOHANG) if self.code is None else (0, 0)
        if pid:
            self.code = os.waitstatus_to_exitcode(status)

    def wait(self, seconds=8):
        """Its exit code; None while it runs."""
        end = time.monotonic() + seconds
        while self.code is None and time.monotonic() < end:
            self.read(0.02)
            self.reap()
            time.sleep(0.01)
        self.read(0.05)
        return self.code

    def close(self):
        if self.code is None:
            os.kill(self.pid, signal.SIGKILL)
            self.wait()
        os.close(self.fd)
