"""Job folders as the recorder would leave them, built by hand: the log's chain, checkpoints and events.

The format is docs/recorder.schema.json; SHA-256 by hashlib. Shares no code with recorder or decoder.
"""
import hashlib
import json
import pathlib
import shutil
import struct

from common import rfc3339

SECOND = 10**9


def sha256(content):
    return hashlib.sha256(content).hexdigest()


def records(content):
    """(time in ns, end offset) of each whole record of a little-endian nanosecond pcap (man pcap-savefile(5))."""
    at, found = 24, []
    while at + 16 <= len(content):
        seconds, fraction, captured, _ = struct.unpack_from("<IIII", content, at)
        if at + 16 + captured > len(content):
            break
        at += 16 + captured
        found.append((seconds * SECOND + fraction, at))
    return found


def seconds(nanoseconds):
    sign, nanoseconds = ("-" if nanoseconds < 0 else ""), abs(nanoseconds)
    return f"{sign}{nanoseconds // SECOND}.{nanoseconds % SECOND:09}"


class Recording:
    """A recording of traces (bus name: bytes) with checkpoints each second; change what is to be wrong, then write."""

    def __init__(self, traces, definitions=(), marks=b"", controller=True, listed=None):
        self.traces = dict(traces)
        self.definitions = [pathlib.Path(path) for path in definitions]
        self.listed = [path for path in self.definitions] if listed is None else listed
        self.marks = marks
        self.controller = controller
        self.filter, self.acknowledging, self.listen_only = True, False, controller
        self.records = {bus: records(content) for bus, content in self.traces.items()}
        times = [time for found in self.records.values() for time, _ in found]
        self.start = min(times) // SECOND * SECOND - SECOND
        self.last = max(times)
        self.events = []          # (time, dict without line, kind, previous)
        self.totals = {}          # bus: list of (time, socket lost, controller lost)
        self.closed = True        # an end line is written
        self.why = "stopped"
        self.until = None         # no checkpoint later than this time
        self.sent = lambda bus, time: 0
        self.listening = lambda bus, time: self.listen_only
        self.edit = None          # called with the list of line objects before the chain is made
        self.cut_marks = None     # called with time: the marks file as it was then
        self.uncertainty = "0.001000000"
        self.skip = set()         # numbers of checkpoints to leave out

    # ---- lines ----

    def frames_at(self, bus, time):
        return sum(1 for stamp, _ in self.records[bus] if stamp <= time)

    def state(self, time):
        buses = []
        for bus, content in self.traces.items():
            count = self.frames_at(bus, time)
            length = self.records[bus][count - 1][1] if count else 24
            lost = [total for total in self.totals.get(bus, []) if total[0] <= time]
            buses.append({"bus": bus, "bytes": length, "frames": count, "sha256": sha256(content[:length]),
                          "socket_lost": lost[-1][1] if lost else 0, "controller_lost": lost[-1][2] if lost else 0,
                          "listen_only": self.listening(bus, time) if self.controller else None,
                          "sent": self.sent(bus, time)})
        marks = self.marks_at(time)
        return {"buses": buses, "marks": {"bytes": len(marks), "sha256": sha256(marks)}}

    def marks_at(self, time):
        """By default each line was in the file half a second after the time it states."""
        if self.cut_marks:
            return self.cut_marks(time)
        kept = b""
        for line in self.marks.splitlines(keepends=True):
            stated = json.loads(line)["time"]
            if stated > rfc3339(time - SECOND // 2):
                break
            kept += line
        return kept

    def clocks(self, time):
        passed = time - self.start
        return {"time": rfc3339(time), "monotonic": seconds(100 * SECOND + passed),
                "boottime": seconds(200 * SECOND + passed)}

    def lines(self):
        sync = {"synchronised": True, "clock_error": "0.000012000"}
        start = {"kind": "start", "format": 1, "version": "0.1", **self.clocks(self.start), **sync,
                 "stamp_uncertainty": self.uncertainty, "filter": self.filter,
                 "acknowledging_accepted": self.acknowledging,
                 "buses": [{"bus": bus, "file": f"trace-{bus}.pcap", "link": "controller" if self.controller else "virtual",
                            "listen_only": self.listen_only, "state": "error active" if self.controller else None,
                            "bitrate": 500000 if self.controller else None,
                            "sample_point": "0.875" if self.controller else None, "fd": False,
                            "restart_ms": 0 if self.controller else None, "receive_buffer": 8388608,
                            "bears_stall": "2.200" if self.controller else None} for bus in self.traces],
                 "definitions": [{"file": f"definitions/{path.name}", "sha256": sha256(path.read_bytes())}
                                 for path in self.listed]}
        timed, number, time = [], 0, self.start
        while time <= self.last:
            time += SECOND
            if self.until is not None and time > self.until:
                break
            number += 1
            if number not in self.skip:
                timed.append((time, 1, {"kind": "checkpoint", "number": number, **self.clocks(time), **sync,
                                        **self.state(time)}))
        for time, event in self.events:
            timed.append((time, 0, {"kind": "event", "time": rfc3339(time), **event}))
        timed.sort(key=lambda entry: entry[:2])
        lines = [start] + [entry[2] for entry in timed]
        if self.closed:
            end = time + SECOND if timed else self.start + SECOND
            end = max(end, self.last + SECOND)
            lines.append({"kind": "end", "why": self.why, **self.clocks(end), **self.state(end)})
        return lines

    def event(self, time, what, bus, after=0, before=None, count=None, detail=None):
        self.events.append((time, {"bus": bus, "what": what, "after_frame": after,
                                   "before_frame": after + 1 if before is None else before, "count": count,
                                   "detail": detail}))

    def log(self):
        lines = self.lines()
        if self.edit:
            self.edit(lines)
        text, previous = [], None
        for number, line in enumerate(lines, 1):
            whole = json.dumps({"line": number, **line, "previous": previous}, separators=(",", ":")).encode()
            previous = sha256(whole)
            text.append(whole + b"\n")
        return b"".join(text)

    # ---- the folder ----

    def write(self, folder, log=None):
        folder = pathlib.Path(folder)
        (folder / "definitions").mkdir(parents=True)
        for path in self.definitions:
            shutil.copy(path, folder / "definitions" / path.name)
        for bus, content in self.traces.items():
            (folder / f"trace-{bus}.pcap").write_bytes(content)
        if self.marks:
            (folder / "marks.jsonl").write_bytes(self.marks)
        (folder / "recorder.jsonl").write_bytes(self.log() if log is None else log)
        return folder
