"""Jobs that report_page.py looks at besides the examples: many readings, a recorder's log, hostile text."""
import json

from common import JOBS, ROOT, pcap_bytes, rfc3339
from recorder_kit import SECOND, Recording

START = 1_772_438_400 * SECOND # 2026-03-02T08:00:00Z


LONG = """taretrace: 1
module:
  name: long
  services: iso14229
  address: {format: normal, request: 0x5E3, response: 0x6C5}
identifiers:
  0x2000: {name: load, length: 2, fields: {total: {byte: 0, length: 2, factor: 0.1, offset: -100, unit: kg}}}
procedure:
  - {step: Empty, reading: load.total, steady: {for: 2 s, within: 0.2 kg}, between: [-1.4 kg, 1.4 kg]}
"""


def long_trace(count):
    """A reading every 50 ms around zero, one spike up, one down, and one pause."""
    frames, time = [], START
    for index in range(count):
        raw = 1000 + index % 2 + (2345 if index == count // 3 else 0) - (777 if index == count // 2 else 0)
        time += 10**10 if index == count * 3 // 4 else 0
        answer = b"\x05\x62\x20\x00" + raw.to_bytes(2, "big")
        for offset, word, data in ((0, 0x5E3, b"\x03\x22\x20\x00"), (5, 0x6C5, answer)):
            frames.append((time + offset * 10**6, word, data.ljust(8, b"\xCC")))
        time += 50 * 10**6
    return pcap_bytes(frames)


def recorded_job(folder):
    """The clean job as the recorder leaves it, with a loss in the weight's stretch (frames 184 to 237), doubt about
    listen-only from 16 s on, and two values that a person read off the scan tool: 29.8 on the bus."""
    marks = (JOBS / "clean" / "marks.jsonl").read_bytes()
    for second, value in ((13, "29.9"), (14, "31.4")):
        marks += json.dumps({"time": rfc3339(START + second * SECOND), "kind": "displayed", "name": "seat load.total",
                             "value": value, "unit": "kg"}).encode() + b"\n"
    recording = Recording({"can0": (JOBS / "clean" / "trace.pcap").read_bytes()},
                          [ROOT / "traces" / "definitions" / "seat-scale.yaml"], marks)
    recording.event(recording.records["can0"][209][0] + 1, "frames lost in the socket", "can0", 210, 211, 12)
    recording.totals["can0"] = [(recording.records["can0"][209][0] + 1, 12, 0)]
    recording.event(START + 16 * SECOND, "not listen-only", "can0", recording.frames_at("can0", START + 16 * SECOND))
    return recording.write(folder)


NASTY = ["</td></table><script>alert(1)</script>", "<img src=x onerror=alert(1)>", "\x1b]52;c;AAAA\x07",
         "\u202eabc\u2066",
         "--></style><style>*{display:none}", "' onload='x", '" onload="x', "&lt;b&gt;", "\ufdd0\uffff",
         "\u05d0\u05d1 12.5 kg"]
HOSTILE_DEFINITIONS = """taretrace: 1
module:
  name: "<b>module</b>"
  services: iso14229
  address: {format: normal, request: 0x5E3, response: 0x6C5}
identifiers:
  0x2000:
    name: "<i>load"
    fields:
      "</svg><script>x</script>": {byte: 0, unit: "<u>"}
      state: {byte: 1, names: {0: "<s>\\"'&", 1: "\u05d0\u05d1"}}
  0xF18C: {name: serial, fields: {text: {byte: 0, length: 40, type: text}}}
conditions:
  - {condition: "<condition onload=x>"}
procedure:
  - {step: "<step>&amp;", reading: "<i>load.</svg><script>x</script>", steady: {for: 1 s, within: "1 <u>"},
     between: ["0 <u>", "9 <u>"]}
  - {step: "\\" onmouseover=\\"x", reading: <i>load.state, is: ["<s>\\"'&"]}
"""


def hostile_job(folder):
    frames, time = [], START

    def put(word, data):
        nonlocal time
        time += 50_000_000
        frames.append((time, word, data.ljust(8, b"\xCC")))
    for index, raw in enumerate([text.encode() for text in NASTY] + [b"\xff\xfe<b>", b"\xc0\xaf\xe2\x80",
                                                                     b"\xed\xa0\x80"]):
        put(0x5E3, b"\x03\x22\x20\x00")
        put(0x6C5, bytes([5, 0x62, 0x20, 0x00, index % 4, index % 2]))
        payload = b"\x62\xf1\x8c" + raw[:40].ljust(40, b" ")
        put(0x5E3, b"\x03\x22\xf1\x8c")
        put(0x6C5, bytes([0x10, len(payload)]) + payload[:6])
        put(0x5E3, b"\x30\x00\x00")
        for number, start in enumerate(range(6, len(payload), 7), 1):
            put(0x6C5, bytes([0x20 | number % 16]) + payload[start:start + 7])
    (folder / "nasty.pcap").write_bytes(pcap_bytes(frames))
    (folder / "nasty.yaml").write_text(HOSTILE_DEFINITIONS, encoding="utf-8")
    lines = []
    for index, text in enumerate(NASTY):
        stamp = rfc3339(START + 1000 * index)
        lines += [{"time": stamp, "kind": "note", "name": text, "text": text},
                  {"time": stamp, "kind": "displayed", "name": text, "value": "1.5", "unit": text[:20]},
                  {"time": stamp, "kind": "condition", "name": "<condition onload=x>", "value": "yes", "text": text}]
    (folder / "nasty.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    return [folder / "nasty.pcap", "--definitions", folder / "nasty.yaml", "--marks", folder / "nasty.jsonl"]
