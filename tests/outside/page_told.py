"""A job folder with its report.html as rows of cells, and how the page writes times, spans, frames and values; shared by
the scripts that hold the page against everything else in the folder.
"""
import csv
import datetime
from decimal import Decimal
from fractions import Fraction

import yaml

from common import parse_json, read_jsonl, read_pcap, rfc3339
from page_reading import Page, plain

SECOND = 10**9
NOT_SHOWN = "–"


# ISO 14229-1:2020 D.2, bit 0 first.
STATUS_BITS = ["testFailed", "testFailedThisOperationCycle", "pendingDTC", "confirmedDTC",
               "testNotCompletedSinceLastClear", "testFailedSinceLastClear", "testNotCompletedThisOperationCycle",
               "warningIndicatorRequested"]


# ---- how the page writes times, spans, frames, bytes ----

def ns_of(stamp):
    whole, part = stamp[:-1].split(".")
    when = datetime.datetime.strptime(whole, "%Y-%m-%dT%H:%M:%S").replace(tzinfo=datetime.timezone.utc)
    return int(when.timestamp()) * SECOND + int(part)


def trimmed(text):
    return text.rstrip("0").rstrip(".") if "." in text else text


def seconds_text(since):
    """Exact seconds, without needless zeros."""
    sign, since = ("-" if since < 0 else ""), abs(since)
    return sign + trimmed(f"{since // SECOND}.{since % SECOND:09}")


def span_text(span):
    """Milliseconds below a second, else seconds; two places at most, rounded half up."""
    for unit, name in ((10**6, "ms"), (SECOND, "s")):
        hundredths = (abs(span) * 100 * 2 + unit) // (unit * 2)
        if name == "s" or hundredths < 100_000:
            return trimmed(f"{hundredths // 100}.{hundredths % 100:02}") + " " + name
    return None


def frames_text(first, last):
    if not first and not last:
        return NOT_SHOWN
    return f"{first}" if first == last else f"{first} to {last}"


def pairs(content):
    return " ".join(content[i:i + 2] for i in range(0, len(content), 2))


def status_text(status):
    names = [name for bit, name in enumerate(STATUS_BITS) if status >> bit & 1]
    return f"0x{status:02x}" + (" " + ", ".join(names) if names else "")


def value_text(value, unit):
    return f"{value}" + (f" {unit}" if unit else "")


def count(number, noun):
    return f"{number} {noun}{'' if number == 1 else 's'}"


def times(number):
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def ends_text(low, high, unit):
    if low is None:
        return f"at most {value_text(high, unit)}"
    return f"{low} to {value_text(high, unit)}" if high is not None else f"{value_text(low, unit)} or more"


def decimal(value):
    """A Fraction that ends, in full; None otherwise."""
    digits = Fraction(value)
    for places in range(19):
        if (digits * 10**places).denominator == 1:
            return trimmed(str(Decimal(int(digits * 10**places)).scaleb(-places).__format__("f")))
    return None


def range_text(stretch):
    if stretch["state"] is not None:
        return stretch["state"]
    ends = [stretch["lowest"]] + ([stretch["highest"]] if stretch["lowest"] != stretch["highest"] else [])
    return " to ".join(value_text(end, stretch["unit"]) for end in ends)


def steady_text(stretch):
    return span_text(ns_of(stretch["last_time"]) - ns_of(stretch["first_time"]))


def dtc_text(raw):
    """SAE J2012-DA: two bits P, C, B, U, a digit, three hex digits; the failure type byte behind a hyphen."""
    return f"{'PCBU'[raw >> 22]}{raw >> 20 & 3}{raw >> 8 & 0xFFF:03X}-{raw & 0xFF:02X}"


# ---- a job's files, and its page as rows of cells ----

class Told:
    """A job folder with its page."""

    def __init__(self, checks, where, folder, definitions, marks=None):
        self.checks, self.where, self.folder = checks, where, folder
        self.verdict = parse_json((folder / "verdict.json").read_text(encoding="utf-8"))
        self.log = read_jsonl(folder / "log.jsonl")
        with open(folder / "readings.csv", encoding="utf-8", newline="") as file:
            self.readings = [row for row in csv.DictReader(file)]
        self.trace = folder / self.verdict["traces"][0]["file"]
        self.frames = read_pcap(self.trace)
        self.first = min(frame.time for frame in self.frames) if self.frames else 0
        self.definitions = [yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader) for path in definitions]
        self.steps = {step["step"]: step for file in self.definitions for step in file.get("procedure", [])}
        self.codes = {int(code, 16): text for file in self.definitions for code, text in file.get("codes", {}).items()}
        self.marks = read_jsonl(marks) if marks else []
        self.exchanges = [line for line in self.log if line["kind"] == "exchange"]
        self.take_page((folder / "report.html").read_text(encoding="utf-8"))

    def take_page(self, text):
        self.text = text
        page = Page(text)
        self.tables, rows = {}, {}
        for element in page.elements:
            if element["tag"] not in ("caption", "tr", "th", "td"):
                continue
            table, row = element["parent"], None
            while table is not None and table["tag"] != "table":
                row = table if table["tag"] == "tr" else row
                table = table["parent"]
            if element["tag"] == "caption":
                name = plain(element["text"])
                self.checks.that(name not in self.tables, f"{self.where}: two tables are called {name}")
                self.tables[name] = rows.setdefault(id(table), {})
            elif row is not None:
                rows.setdefault(id(table), {}).setdefault(id(row), []).append(plain(element["text"]))
        self.tables = {name: list(found.values()) for name, found in self.tables.items()}
        self.whole = plain(page.of("main")[0]["text"])
        self.head = plain(page.of("header")[0]["text"])
        short = [section for section in page.of("section") if "In short" in section["text"]][0]
        self.short = plain(short["text"])
        self.points, head = {}, ""
        for element in page.elements:
            if element["tag"] == "dt":
                head = plain(element["text"])
                self.points[head] = []
            elif element["tag"] == "li" and head:
                self.points[head].append(plain(element["text"]))
                if head == "How it was recorded" and len(self.points[head]) == 3:
                    head = ""

    def rows(self, caption):
        """Without the head, if the table has one."""
        found = self.tables.get(caption)
        return None if found is None else found[1:]

    def when(self, stamp):
        time = stamp if isinstance(stamp, int) else ns_of(stamp)
        return f"{seconds_text(time - self.first)} s {trimmed(rfc3339(time)[11:-1])}"

    def that(self, good, what):
        return self.checks.that(good, what)

    def equal(self, got, expected, what):
        return self.checks.equal(got, expected, f"{self.where}: {what}")

    def attempts(self, last=True):
        return [(part, attempt) for part in self.verdict["parts"] for attempt in part["attempts"]
                if attempt["last"] == last]
