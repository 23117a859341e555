#!/usr/bin/python3
"""Text from the bus, from marks, definition files and file names stays harmless in every output.

Sources: RFC 4180, RFC 8259; ECMA-48 (ESC and the C1 controls), Unicode's bidirectional controls (UAX 9), the characters
that make a spreadsheet take a cell for a formula (= + - @ TAB CR), invalid UTF-8 after RFC 3629.
"""
import sys

sys.dont_write_bytecode = True
import csv
import json
import pathlib
import re

from common import HOSTILE, Checks, pcap_bytes, read_jsonl, rfc3339, run, temporary

START = 1_772_438_400 * 10**9
NASTY = ["\x1b]52;c;AAAA\x07\x1b[2J", "a\rb\nc\td", '=HYPERLINK("x")', "+1+1", "-2+3", "@SUM(A1)", "\u202eabc\u2066",
         "\x9b31m\x7f", '"quoted",comma;', "\u2028line\u2029", "\ufeff", "<script>alert(1)</script>", "\x00null"]
BROKEN = [b"\xff\xfe=1", b"\xc0\xaf\xe2\x80", b"\xed\xa0\x80\xf5", b"=\x80\x1b[0m"]

DEFINITIONS = """taretrace: 1
module:
  name: "=module"
  services: iso14229
  address: {format: normal, request: 0x5E3, response: 0x6C5}
identifiers:
  0xF190: {name: "=ident", fields: {"+text": {byte: 0, length: 17, type: text}}}
  0x2000:
    name: "@words"
    fields: {"-text": {byte: 0, length: 40, type: text}, "@raw": {byte: 0, length: 40, type: bytes}}
conditions:
  - {condition: "=stated"}
procedure:
  - step: "=step"
    identity: {reading: "=ident.+text", equals mark: vin}
  - step: "@asked"
    answered: ReadDataByIdentifier
"""


def hostile_trace():
    """Answers to 22 2000 and 22 F190 whose text is chosen to do harm; segmented after ISO 15765-2."""
    frames, time = [], START

    def put(word, data):
        nonlocal time
        time += 5_000_000
        frames.append((time, word, data.ljust(8, b"\xCC")))
    for raw in [text.encode() for text in NASTY] + BROKEN:
        for key, length in ((0x2000, 40), (0xF190, 17)):
            payload = bytes([0x62]) + key.to_bytes(2, "big") + raw[:length].ljust(length, b" ")
            put(0x5E3, bytes([3, 0x22, key >> 8, key & 0xFF]))
            put(0x6C5, bytes([0x10, len(payload)]) + payload[:6])
            put(0x5E3, bytes([0x30, 0, 0]))
            for index, start in enumerate(range(6, len(payload), 7), 1):
                put(0x6C5, bytes([0x20 | index % 16]) + payload[start:start + 7])
    return pcap_bytes(frames)


def hostile_marks():
    lines = [{"time": rfc3339(START + 1000), "kind": "condition", "name": "=stated", "value": "yes", "text": NASTY[0]}]
    for index, text in enumerate(text for text in NASTY if "\0" not in text):
        time = rfc3339(START + 2000 + index)
        lines += [{"time": time, "kind": "note", "name": text, "text": text},
                  {"time": time, "kind": "moment", "name": text, "text": text},
                  {"time": time, "kind": "identity", "name": text, "value": text},
                  {"time": time, "kind": "displayed", "name": text, "value": "1.5", "unit": text}]
    lines.append({"time": rfc3339(START + 3000), "kind": "identity", "name": "vin", "value": "=" + NASTY[0]})
    return "".join(json.dumps(line) + "\n" for line in lines)


def check_harmless(checks, where, content):
    """Valid UTF-8, and nothing that a terminal obeys; in JSON and CSV line ends are the only raw controls."""
    try:
        text = content.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        checks.that(False, f"{where}: not UTF-8: {error}")
        return
    found = HOSTILE.search(text)
    checks.that(not found, lambda: f"{where}: {found[0]!r} in {text[max(0, found.start() - 60):found.end() + 20]!r}")


def check_cells(checks, where, content):
    """No cell is a formula; a plain number may begin with a minus sign."""
    rows = list(csv.reader(content.splitlines(keepends=True), strict=True))
    checks.that(len({len(row) for row in rows}) == 1, f"{where}: rows of different length")
    for row in rows:
        for cell in row:
            number = re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", cell)
            checks.that(not cell or number or cell[0] not in "=+-@\t\r", f"{where}: {cell!r} is a formula")


def check_listings(checks, trace, definitions):
    for what in ("messages", "exchanges", "readings"):
        for form in ("text", "csv", "jsonl"):
            where = f"list {what} {form}"
            listed = run("list", what, trace, "--definitions", definitions, "--format", form)
            checks.equal(listed.returncode, 0, where)
            checks.that(len(listed.stdout.splitlines()) >= len(NASTY), f"{where}: too few lines")
            check_harmless(checks, where, listed.stdout)
            if form == "csv":
                check_cells(checks, where, listed.stdout.decode())


def check_kept(checks, into):
    """Harmless is not enough: nothing may be lost. The log has every text, and its bytes in `raw`."""
    lines = [line for line in read_jsonl(into / "log.jsonl")
             if line["kind"] == "reading" and line["name"] == "@words.-text"]
    sent = [text.encode() for text in NASTY] + BROKEN
    checks.equal([line["raw"] for line in lines], [raw.ljust(40, b" ").hex() for raw in sent], "raw bytes in the log")
    checks.that(any(line["text"] and line["text"].startswith("<script>alert(1)</script>") for line in lines),
                "plain text was changed in JSON")


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name)
        trace, definitions, marks = folder / "nasty.pcap", folder / "=nasty.yaml", folder / "nasty.jsonl"
        trace.write_bytes(hostile_trace())
        definitions.write_text(DEFINITIONS)
        marks.write_text(hostile_marks())
        into = folder / "job"
        result = run("verify", trace, "--definitions", definitions, "--marks", marks, "--into", into)
        if checks.that(result.returncode in (1, 2), f"ended {result.returncode}: {result.stderr.decode()[:400]}"):
            check_harmless(checks, "verify's stdout", result.stdout)
            check_harmless(checks, "verify's stderr", result.stderr)
            for file in ("readings.csv", "log.jsonl", "verdict.json"):
                check_harmless(checks, file, (into / file).read_bytes())
            check_cells(checks, "readings.csv", (into / "readings.csv").read_bytes().decode())
            check_kept(checks, into)
        check_listings(checks, trace, definitions)
        # A file name reaches the terminal in an error message.
        result = run("verify", folder / "a\x1b]52;c;AAAA\x07\u202eb.pcap", "--definitions", definitions)
        checks.equal(result.returncode, 66, "a hostile file name")
        check_harmless(checks, "a hostile file name", result.stderr)
        # Controls: what must be found is found.
        for text in NASTY[:1] + ["\u202e", "\x9b", "\x7f"]:
            checks.that(HOSTILE.search(text), f"control: {text!r}")
    checks.finish()


main()
