"""decoder/support/text against Python's json and csv modules, unicodedata, and GNU `date -u`, on seeded random input.

Usage: python3 text_against_python.py [RATIO_PROBE]
"""
import csv
import io
import json
import random
import re
import subprocess
import sys
import unicodedata

from probe import Probe, as_hex

# Unicode property Bidi_Control (PropList.txt, from memory) and the two separators, which break lines.
LAYOUT = set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029")
PIECES = ([bytes([n]) for n in range(256)] + [c.encode() for c in LAYOUT] * 3 +
          [c.encode() for c in "aä€😀\u0085\u00a0\u200b\ufeff\ud7ff\ue000\U0010ffff"] * 6 +
          [b"=", b"+", b"-", b"@", b'"', b"\\", b",", b"\n", b"\r", b"\t", b" ", b"-5", b"1.5"] * 8 +
          [b"\xc0\xaf", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\xe2\x80", b"\xf0\x9f\x98"] * 3)


def characters(data):
    """(bytes, character) from the front; the character is None for one byte that begins no valid sequence."""
    while data:
        for length in (1, 2, 3, 4):
            try:
                yield data[:length], data[:length].decode("utf-8")
                break
            except UnicodeDecodeError:
                continue
        else:
            length = 1
            yield data[:1], None
        data = data[length:]


def harmful(character):
    return character is None or unicodedata.category(character) == "Cc" or character in LAYOUT


def visible(data):
    return "".join("".join(f"\\x{byte:02x}" for byte in part) if harmful(c) else c for part, c in characters(data))


def json_judge(data):
    expected = "".join("\ufffd" if c is None else c for _, c in characters(data))

    def judge(answer):
        text = bytes.fromhex(answer).decode("utf-8")
        return json.loads(text) == expected and not any(harmful(c) for c in text)
    return judge


def csv_judge(data):
    number = re.fullmatch(rb"-?[0-9]+(\.[0-9]+)?", data)
    expected = ("'" if data[:1] and data[:1] in b"=+-@\t\r" and not number else "") + visible(data)

    def judge(answer):
        text = bytes.fromhex(answer).decode("utf-8")
        rows = list(csv.reader(io.StringIO(f"before,{text},after\r\n", newline=""), strict=True))
        return rows == [["before", expected, "after"]]
    return judge


def listing_judge(data):
    def judge(answer):
        text = bytes.fromhex(answer).decode("utf-8")
        inner = re.fullmatch(r'((?:[^ "=\\]|\\x[0-9a-f]{2})+)', text)
        if text[:1] == '"':
            inner = re.fullmatch(r'"((?:[^"\\]|\\["\\]|\\x[0-9a-f]{2})*)"', text)
        if not inner:
            return False
        # a doubled backslash is one, \xHH a byte: what comes back is the input itself, bit for bit
        back = re.sub(rb'\\(?:x([0-9a-f]{2})|(["\\]))',
                      lambda m: bytes.fromhex(m[1].decode()) if m[1] else m[2], inner[1].encode("utf-8"))
        return back == data
    return judge


def ask_date(form, lines):
    run = subprocess.run(["date", "-u", "-f", "-", form], input="\n".join(lines) + "\n", text=True,
                         stdout=subprocess.PIPE, env={"LC_ALL": "C", "PATH": "/usr/bin:/bin"}, check=True)
    return run.stdout.split("\n")[:-1]


def dates(seconds):
    return ask_date("+%Y-%m-%dT%H:%M:%S", [f"@{number}" for number in seconds])


def ask_times(probe, source):
    seconds = [source.randrange(-9223372036, 9223372036) for _ in range(4000)]
    for year in range(1970, 2262):  # around each day that may or may not be there
        start = (year - 1970) * 31556952
        seconds += [start + source.randrange(-86400 * 2, 86400 * 2),
                    start + 5097600 + source.randrange(-86400 * 3, 86400 * 3)]
    for number, text in zip(seconds, dates(seconds)):
        fraction = source.randrange(10**9)
        nanoseconds = number * 10**9 + fraction
        full = f"{text}.{fraction:09d}Z"
        probe.ask(f"time {nanoseconds}", full)
        probe.ask(f"instant {as_hex(full.encode())}", str(nanoseconds) if number >= 0 else "no")
        sign, size = ("-" if nanoseconds < 0 else ""), abs(nanoseconds)
        probe.ask(f"seconds {nanoseconds}", f"{sign}{size // 10**9}.{size % 10**9:09d}")
    days = [f"{year:04d}-{month:02d}-{day:02d}" for year in (1970, 1999, 2000, 2023, 2024, 2100, 2261)
            for month in range(14) for day in range(33)]
    for day in days:
        year, month, number = (int(part) for part in day.split("-"))
        exists = 1 <= month <= 12 and 1 <= number <= CALENDAR[year][month]
        probe.ask(f"instant {as_hex((day + 'T12:00:00Z').encode())}", (lambda a: a != "no") if exists else "no")


def month_lengths(years):
    """Days of each month, by asking `date` for the day before the first of the next month."""
    wanted = [(year, month) for year in years for month in range(1, 13)]
    last_days = ask_date("+%d", [f"{year}-{month:02d}-01 +1 month -1 day" for year, month in wanted])
    table = {year: {} for year in years}
    for (year, month), days in zip(wanted, last_days):
        table[year][month] = int(days)
    return table


CALENDAR = month_lengths((1970, 1999, 2000, 2023, 2024, 2100, 2261))


def main():
    probe = Probe(sys.argv)
    source = random.Random(8259)
    for _ in range(6000):
        data = b"".join(source.choice(PIECES) for _ in range(source.randrange(12)))
        probe.ask(f"json {as_hex(data)}", json_judge(data))
        probe.ask(f"csv {as_hex(data)}", csv_judge(data))
        probe.ask(f"terminal {as_hex(data)}", as_hex(visible(data).encode("utf-8")).replace("-", ""))
        probe.ask(f"listing {as_hex(data)}", listing_judge(data))
    ask_times(probe, source)
    probe.finish(35000)


main()
