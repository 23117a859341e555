"""A job folder as the recorder leaves it, made of an example trace: what scripts that need one share.

Written after docs and capture/trace_format.h, with json and hashlib; shares no code with the recorder or the decoder.
"""

import hashlib
import json
import pathlib
import shutil

from common import pcap_bytes, read_pcap, rfc3339

SECOND = 10**9


def sha256(data):
    return hashlib.sha256(data).hexdigest()


def seconds(nanoseconds):
    return f"{nanoseconds // SECOND}.{nanoseconds % SECOND:09}"


def chain(lines):
    """The bytes of recorder.jsonl: each line (a dict) numbered and with the sum of the line before it."""
    text, previous = b"", None
    for number, line in enumerate(lines, 1):
        line = {"line": number, **{key: value for key, value in line.items() if key not in ("line", "previous")},
                "previous": previous}
        row = json.dumps(line, ensure_ascii=False, separators=(",", ":")).encode()
        previous = sha256(row)
        text += row + b"\n"
    return text


def read_log(path):
    return [json.loads(line) for line in pathlib.Path(path).read_bytes().splitlines()]


def clocks(time, start):
    return {"time": rfc3339(time), "monotonic": seconds(time - start + 5000 * SECOND),
            "boottime": seconds(time - start + 5000 * SECOND)}


def state(trace, frames, marks, time):
    """What a checkpoint says of one bus and the marks, at a time."""
    seen = [frame for frame in frames if frame.time < time]
    size = seen[-1].offset + 16 + 16 if seen else 24
    covered = b"".join(line for line, noted in marks if noted < time)
    return {"buses": [{"bus": "can0", "bytes": size, "frames": len(seen), "sha256": sha256(trace[:size]),
                       "socket_lost": 0, "controller_lost": 0, "listen_only": True, "sent": 0}],
            "marks": {"bytes": len(covered), "sha256": sha256(covered)}}


def recorder_lines(trace, frames, marks, definitions, ends=True):
    """All lines of a recording that went well. marks: (line with line end, time) in order; definitions: {name: bytes}."""
    start = frames[0].time - SECOND // 4
    first = {"kind": "start", "format": 1, "version": "0.1", **clocks(start, start), "synchronised": True,
             "clock_error": "0.000012000", "stamp_uncertainty": "0.001000000", "filter": True,
             "acknowledging_accepted": False,
             "buses": [{"bus": "can0", "file": "trace-can0.pcap", "link": "controller", "listen_only": True,
                        "state": "error active", "bitrate": 500000, "sample_point": "0.875", "fd": False,
                        "restart_ms": 0, "receive_buffer": 425984, "bears_stall": "2.200"}],
             "definitions": [{"file": f"definitions/{name}", "sha256": sha256(content)}
                             for name, content in sorted(definitions.items())]}
    lines, number, time = [first], 0, start
    while time <= max(frames[-1].time, *[noted for _, noted in marks] or [0]):
        time += SECOND
        number += 1
        lines.append({"kind": "checkpoint", "number": number, **clocks(time, start), "synchronised": True,
                      "clock_error": "0.000012000", **state(trace, frames, marks, time)})
    if ends:
        lines.append({"kind": "end", "why": "stopped", **clocks(time + SECOND // 2, start),
                      **state(trace, frames, marks, time + SECOND // 2)})
    return lines


def parse_time(text):
    import datetime
    whole, _, part = text.rstrip("Z").partition(".")
    then = datetime.datetime.strptime(whole, "%Y-%m-%dT%H:%M:%S").replace(tzinfo=datetime.timezone.utc)
    return int(then.timestamp()) * SECOND + int((part or "0").ljust(9, "0"))


def make(job, folder, ends=True, most_frames=None, extra_frames=()):
    """The folder of an example job (common.Job) as if it had been recorded on can0. extra_frames: (time, word, data)."""
    folder = pathlib.Path(folder)
    (folder / "definitions").mkdir(parents=True)
    definitions = {path.name: path.read_bytes() for path in job.definitions}
    for name, content in definitions.items():
        (folder / "definitions" / name).write_bytes(content)
    trace = job.trace.read_bytes()
    if most_frames or extra_frames:
        kept = [(frame.time, frame.word, frame.data) for frame in read_pcap(job.trace)[:most_frames]]
        trace = pcap_bytes(sorted([*kept, *extra_frames], key=lambda frame: frame[0]))
    (folder / "trace-can0.pcap").write_bytes(trace)
    frames = read_pcap(folder / "trace-can0.pcap")
    marks = []
    if job.marks:
        shutil.copyfile(job.marks, folder / "marks.jsonl")
        marks = [(line, parse_time(json.loads(line)["time"]))
                 for line in (folder / "marks.jsonl").read_bytes().splitlines(keepends=True)]
    lines = recorder_lines(trace, frames, marks, definitions, ends)
    (folder / "recorder.jsonl").write_bytes(chain(lines))
    return folder
