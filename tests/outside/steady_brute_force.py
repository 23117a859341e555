#!/usr/bin/python3
"""Steady stretches and what a reading step makes of them, against a second implementation that only knows the rules.

Source: the design's rules on steady stretches and reading steps (D 7.6, 7.7, 7.8), worked here in plain Fractions over
whole lists, and the two worked series of D 7.6 and of the check values beside it. Thousands of seeded random series are
written as traces (broadcast frames, or answers to 22 of one and of two frames) with a definition file made on the fly,
one step a series; compared are the "stretch" lines of log.jsonl and each step's answer.
"""
import sys

sys.dont_write_bytecode = True
import json
import pathlib
import random
from decimal import Decimal
from fractions import Fraction

from common import Checks, convert, decimal_text, parse_json, pcap_bytes, read_jsonl, rfc3339, run, temporary

SECOND = 10**9
START = 1_772_438_400 * SECOND
BATCHES = {"broadcast": 40, "answers": 30, "marks": 20}
STEPS = 40
BREAK = "break"


class Sample:
    """`value`: a Fraction; or a state's name for `is`; None for no sample that ends a stretch (absent, unnamed)."""

    def __init__(self, value, time, first_frame, last_frame, stamp):
        self.value, self.time, self.stamp = value, time, stamp
        self.first_frame, self.last_frame = first_frame, last_frame


def fits(samples, sample, rule):
    """Would this sample join these? All comparisons include equality."""
    if not samples:
        return True
    if sample.time - samples[-1].time > rule["gap"]:
        return False
    values = [one.value for one in samples] + [sample.value]
    return len(set(values)) == 1 if rule["is"] else max(values) - min(values) <= rule["within"]


def counts(samples, rule):
    return len(samples) >= 3 and samples[-1].time - samples[0].time >= rule["for"]


def stretches(series, rule):
    """D 7.6 word by word. `series`: Samples and BREAKs in order; gives lists of samples."""
    if rule["each"]:
        return [[item] for item in series if item is not BREAK and item.value is not None]
    found, current = [], []

    def end():
        if counts(current, rule):
            found.append(list(current))
        current.clear()
    for item in series:
        if item is BREAK or item.value is None:
            end()
        elif fits(current, item, rule):
            current.append(item)
        elif counts(current, rule):
            end()
            current.append(item)
        else:
            while not fits(current, item, rule):
                current.pop(0)
            current.append(item)
    end()
    return found


def meets(sample, rule):
    return (rule["above"] is None or sample.value > rule["above"]) and \
        (rule["below"] is None or sample.value < rule["below"])


def standing(samples, rule):
    """D 7.7: inside, outside or close."""
    if rule["is"]:
        return "inside" if samples[0].value in rule["is"] else "outside"
    values = [sample.value for sample in samples]
    low, high, guard = rule["low"], rule["high"], rule["guard"]
    if (low is None or min(values) >= low + guard) and (high is None or max(values) <= high - guard):
        return "inside"
    if (low is not None and max(values) < low) or (high is not None and min(values) > high):
        return "outside"
    return "close"


def answer_without_mark(series, rule):
    """D 7.8, first half."""
    judged = [one for one in stretches(series, rule) if all(meets(sample, rule) for sample in one)]
    kinds = {standing(one, rule) for one in judged}
    if kinds == {"inside"}:
        return "not confirmed" if rule["applied"] else "confirmed"
    return "contradicted" if kinds == {"outside"} else "not confirmed"


def answer_with_mark(series, rule, moment):
    """D 7.8, second half, one press: (answer, judged stretch or None)."""
    after = [item for item in series if item is BREAK or item.time >= moment]
    counting = [one for one in stretches(after, rule) if one[0].time - moment <= rule["wait"]]
    if not counting:
        return "not confirmed", None
    judged = counting[0]
    if not all(meets(sample, rule) for sample in judged):
        any_meets = any(meets(item, rule) for item in after if item is not BREAK and item.value is not None)
        return "not confirmed" if any_meets else "contradicted", judged
    return {"inside": "confirmed", "outside": "contradicted", "close": "not confirmed"}[standing(judged, rule)], judged


def quoted(text):
    return json.dumps(text)


def text_of(value):
    """A Fraction in the number grammar."""
    exact = decimal_text(value)
    return f"{exact:f}" if exact is not None else f"{value.numerator}/{value.denominator}"


class Series:
    """One step, its field and its rule, chosen by chance."""

    def __init__(self, chance, index, kind):
        self.index, self.chance = index, chance
        self.name = f"s{index}"
        self.states = chance.random() < 0.25
        self.factor = chance.choice([Fraction(1, 10), Fraction(1), Fraction(1, 100), Fraction(1, 3), Fraction(-1, 4)])
        self.offset = chance.choice([Fraction(0), Fraction(-100), Fraction(7, 2)])
        self.unit = chance.choice(["kg", "lb", "g", "V"])
        self.byte = chance.choice([0, 1, 5, 6])
        self.raw = chance.randint(1000, 2000)
        self.series = []
        step = abs(self.factor)
        span = chance.choice([500, 1000, 1500, 2000, 2000, 3000, 5000]) * 10**6
        gap = chance.choice([None, None, None, 400, 500, 1000, 4000])
        middle = self.raw * self.factor + self.offset
        rule = {"for": span, "gap": 2_500_000_000 if gap is None else gap * 10**6, "gap text": gap,
                "within": chance.randint(0, 6) * step + chance.choice([0, 0, 0, step / 2]),
                "each": False, "is": None, "above": None, "below": None, "guard": Fraction(0), "applied": False,
                "wait": 30 * SECOND, "low": None, "high": None}
        if self.states:
            rule["is"] = chance.choice([["one"], ["one", "two"], ["three"]])
            rule["each"] = kind != "marks" and chance.random() < 0.1
        else:
            low, high = sorted([middle + chance.randint(-9, 9) * step, middle + chance.randint(-9, 9) * step])
            rule["low"] = low if chance.random() < 0.85 else None
            rule["high"] = high if chance.random() < 0.85 or rule["low"] is None else None
            if chance.random() < 0.5 and high - low >= 2 * step:
                rule["guard"] = chance.randint(1, int((high - low) / step / 2)) * step
            if chance.random() < 0.25:
                rule[chance.choice(["above", "below"])] = middle + chance.randint(-5, 5) * step
        if kind == "marks":
            rule["wait"] = chance.choice([30, 30, 3, 6]) * SECOND
        elif chance.random() < 0.05:
            rule["applied"] = True
        self.rule = rule
        self.plateau = 0

    def field(self):
        if self.states:
            return f"{{byte: {self.byte}, mask: 0x07, names: {{0: one, 1: two, 2: three}}, absent: [7]}}"
        valid = ", ".join(f"{text_of(bound)} {self.unit}" for bound in self.bounds())
        return (f"{{byte: {self.byte}, length: 2, factor: {text_of(self.factor)}, offset: {text_of(self.offset)}, "
                f"unit: {self.unit}, absent: [0xFFFF], valid: [{valid}]}}")

    def bounds(self):
        ends = sorted(raw * self.factor + self.offset for raw in (500, 2500))
        return ends[0], ends[1]

    def any_unit(self):
        """The reading's own unit, or another that it converts to exactly."""
        masses = ("kg", "lb", "g")
        return self.chance.choice([self.unit, *(masses if self.unit in masses else [self.unit])])

    def written(self, value, unit=None):
        """A bound as text."""
        unit = unit or self.any_unit()
        return f"{text_of(convert(value, self.unit, unit))} {unit}"

    def step(self, mark=None):
        rule = self.rule
        lines = [f"  - step: {self.name}", f"    reading: {self.name}.load"]
        if not rule["each"]:
            parts = [f"for: {rule['for'] // 10**6} ms"]
            if not rule["is"]:
                parts.append(f"within: {self.written(rule['within'])}")
            if rule["gap text"] is not None:
                parts.append(f"gap: {rule['gap text']} ms")
            lines.append(f"    steady: {{{', '.join(parts)}}}")
        if rule["is"]:
            lines.append(f"    is: [{', '.join(rule['is'])}]")
        else:
            unit = self.any_unit()
            ends = [self.written(rule[end], unit) if rule[end] is not None else "no limit" for end in ("low", "high")]
            lines.append(f"    between: [{', '.join(ends)}]")
        if rule["guard"]:
            lines.append(f"    guard: {self.written(rule['guard'])}")
        for key in ("above", "below"):
            if rule[key] is not None:
                lines.append(f"    select: {{{key}: {self.written(rule[key])}}}")
        if rule["applied"]:
            lines.append("    applied: 30 kg")
        if mark:
            lines += [f"    mark: {mark}", f"    wait: {rule['wait'] // SECOND} s"]
        return lines

    def next_raw(self):
        """Plateaus, drift, jumps, absent and invalid values; None stands for absent or unnamed."""
        chance = self.chance
        if self.states:
            if chance.random() < 0.25:
                self.plateau = chance.choice([0, 0, 1, 2, 3, 7])
            return self.plateau
        kind = chance.random()
        if kind < 0.72:
            self.raw += chance.choice([-1, 0, 0, 0, 1])
        elif kind < 0.93:
            self.raw += chance.randint(-6, 6)
        elif kind < 0.97:
            self.raw = chance.randint(990, 2010)
        else:
            return chance.choice([0xFFFF, 3000, 2500, 501])
        return self.raw

    def value(self, raw):
        """What the field says: a state's name, a Fraction, or None."""
        if self.states:
            return {0: "one", 1: "two", 2: "three"}.get(raw)
        return None if raw == 0xFFFF or not 500 <= raw <= 2500 else raw * self.factor + self.offset

    def data(self, raw):
        content = bytearray(self.chance.randbytes(8))
        content[self.byte:self.byte + (1 if self.states else 2)] = \
            bytes([raw | self.chance.choice([0, 0xF8])]) if self.states else raw.to_bytes(2, "big")
        return bytes(content)


class Batch:
    """One trace with the definition file and marks that belong to it."""

    def __init__(self, seed, kind):
        self.chance = random.Random(seed)
        self.kind, self.seed = kind, seed
        self.all = [Series(self.chance, index, kind) for index in range(STEPS)]
        self.frames, self.moments = [], {}
        self.clock, self.back = START, 0
        self.breaks = kind != "marks" and self.chance.random() < 0.6
        self.build()

    def put(self, word, data):
        """One frame at the clock; gives its number."""
        self.frames.append((self.clock - self.back, word, data))
        return len(self.frames)

    def note(self, series, raw, first, last):
        series.series.append(Sample(series.value(raw), self.clock, first, last, self.clock - self.back))

    def end_all(self):
        for series in self.all:
            series.series.append(BREAK)

    def disturbance(self):
        """Something that ends every open stretch (D 7.6)."""
        kind = self.chance.randrange(3)
        if kind == 0:  # linux/can/error.h: CAN_ERR_CRTL with CAN_ERR_CRTL_RX_OVERFLOW
            self.put(0x20000004, bytes([0, 1, 0, 0, 0, 0, 0, 0]))
        elif kind == 1:  # the recorder's clock goes back: the next frame shows it
            self.back += self.chance.choice([60, 3600]) * SECOND
            self.put(0x7F1, b"\x00")
        else:  # ECUReset, answered positively
            self.put(0x5E3, bytes.fromhex("0211010000000000"))
            self.clock += 2_000_000
            self.put(0x6C5, bytes.fromhex("0251010000000000"))
        self.end_all()

    def ask(self, series, raw):
        """One 22 with its answer; sometimes refused, missing or broken, which ends nothing."""
        key = 0x1000 + series.index
        self.put(0x5E3, bytes([3, 0x22, key >> 8, key & 0xFF, 0, 0, 0, 0]))
        self.clock += self.chance.choice([2, 5, 20]) * 10**6
        kind = self.chance.random()
        if kind < 0.02:
            self.put(0x6C5, bytes([3, 0x7F, 0x22, 0x31, 0, 0, 0, 0]))
            return
        if kind < 0.03:
            return
        payload = bytes([0x62, key >> 8, key & 0xFF]) + self.chance_data(series, raw)
        if len(payload) <= 7:
            number = self.put(0x6C5, bytes([len(payload)]) + payload.ljust(7, b"\xAA"))
            self.note(series, raw, number, number)
            return
        first = self.put(0x6C5, bytes([0x10, len(payload)]) + payload[:6])
        self.clock += 1_000_000
        self.put(0x5E3, bytes.fromhex("30000000000000CC"))
        self.clock += 1_000_000
        sequence = 0x23 if kind < 0.05 else 0x21  # a wrong sequence number breaks the answer
        last = self.put(0x6C5, bytes([sequence]) + payload[6:].ljust(7, b"\xAA"))
        if sequence == 0x21:
            self.note(series, raw, first, last)

    def chance_data(self, series, raw):
        content = series.data(raw)
        width = series.byte + (1 if series.states else 2)
        return content[:4] if width <= 4 else content

    def build(self):
        chance = self.chance
        count = chance.randint(25, 60)
        if self.kind == "answers":  # one question after another
            active = self.all[:8]
            self.all = active
            for _ in range(count * len(active)):
                self.clock += chance.choice([30, 50, 60, 60, 100]) * 10**6
                if self.breaks and chance.random() < 0.002:
                    self.disturbance()
                series = chance.choice(active)
                self.ask(series, series.next_raw())
            return
        # Broadcasts: each series keeps its own rhythm, often one that meets `for` and `gap` exactly.
        rhythm = {series: chance.choice([100, 200, 250, 500, 500, 500, 700, 1000]) * 10**6 for series in self.all}
        coming = sorted((chance.randrange(10**9) // 10**6 * 10**6, series.index) for series in self.all)
        moments = {}
        if self.kind == "marks":
            for series in self.all:
                if chance.random() < 0.9:
                    moments[series.index] = chance.randrange(0, 12 * SECOND) // 10**6 * 10**6
        left = {series.index: count for series in self.all}
        while coming:
            at, index = coming.pop(0)
            series = self.all[index]
            self.clock = START + at
            if self.breaks and chance.random() < 0.001:
                self.disturbance()
            if series.index in moments and chance.random() < 0.02:
                moments[series.index] = at  # a mark at the very time of a sample stands before it
            raw = series.next_raw()
            number = self.put(0x100 + index, series.data(raw))
            self.note(series, raw, number, number)
            left[index] -= 1
            if left[index]:
                wait = rhythm[series]
                kind = chance.random()
                if kind < 0.03:
                    wait = series.rule["gap"] + chance.choice([0, 0, 1, -1])
                elif kind < 0.05:
                    wait = series.rule["for"]
                elif kind < 0.1:
                    wait += chance.choice([-50, 50, 1]) * 10**6
                coming.append((at + max(wait, 10**6), index))
                coming.sort()
        for index, at in moments.items():
            self.moments[index] = START + at

    def definitions(self):
        lines = ["taretrace: 1", "module:", "  name: many series", "  services: iso14229",
                 "  address: {format: normal, request: 0x5E3, response: 0x6C5}"]
        if self.kind == "answers":
            lines.append("identifiers:")
            keys = [f"0x{0x1000 + series.index:04X}" for series in self.all]
        else:
            lines.append("broadcasts:")
            keys = [f"0x{0x100 + series.index:03X}" for series in self.all]
        for key, series in zip(keys, self.all):
            lines += [f"  {key}:", f"    name: {series.name}", f"    fields: {{load: {series.field()}}}"]
        lines.append("procedure:")
        for series in self.all:
            mark = f"moment {series.index}" if self.kind == "marks" else None
            lines += series.step(mark)
        return "\n".join(lines) + "\n"

    def marks(self):
        return "".join(json.dumps({"time": rfc3339(time), "kind": "moment", "name": f"moment {index}"}) + "\n"
                       for index, time in sorted(self.moments.items()))


def check_stretch(checks, where, line, samples, series):
    """One stretch line against the samples it must stand for."""
    if not checks.that(line is not None, f"{where}: is missing"):
        return
    checks.equal(line["samples"], len(samples), f"{where}: samples")
    checks.equal((line["first_frame"], line["last_frame"]), (samples[0].first_frame, samples[-1].last_frame),
                 f"{where}: frames")
    checks.equal((line["first_time"], line["last_time"]), (rfc3339(samples[0].stamp), rfc3339(samples[-1].stamp)),
                 f"{where}: times")
    if series.rule["is"]:
        return
    for key, value in (("lowest", min(one.value for one in samples)), ("highest", max(one.value for one in samples))):
        exact = decimal_text(value)
        if exact is None:
            checks.that(abs(Fraction(str(line[key])) - value) < Fraction(1, 10**12), f"{where}: {key}")
        else:
            checks.that(Decimal(line[key]) == exact, f"{where}: {key} {line[key]}, expected {exact}")
    checks.equal(line["unit"], series.unit, f"{where}: unit")


def check_batch(checks, batch, folder):
    name = f"{batch.kind} {batch.seed}"
    base = folder / name.replace(" ", "-")
    base.mkdir()
    (base / "trace.pcap").write_bytes(pcap_bytes(batch.frames))
    (base / "series.yaml").write_text(batch.definitions())
    arguments = [base / "trace.pcap", "--definitions", base / "series.yaml"]
    if batch.moments:
        (base / "marks.jsonl").write_text(batch.marks())
        arguments += ["--marks", base / "marks.jsonl"]
    result = run("verify", *arguments, "--into", base / "job")
    if not checks.that(result.returncode in (0, 1, 2), f"{name}: {result.stderr.decode()[:600]}"):
        return 0
    lines = {}
    for line in read_jsonl(base / "job" / "log.jsonl"):
        if line["kind"] == "stretch":
            lines.setdefault(line["step"], []).append(line)
    verdict = parse_json((base / "job" / "verdict.json").read_text())
    answers = {step["step"]: step for step in verdict["parts"][-1]["attempts"][-1]["steps"]}
    total = 0
    for series in batch.all:
        where = f"{name}: {series.name}"
        got = answers[series.name]
        if series.index in batch.moments:
            expected, judged = answer_with_mark(series.series, series.rule, batch.moments[series.index])
            checks.that(got["answer"] == expected, f"{where}: {got['answer']} ({got['reason']}), expected {expected}")
            if judged and expected != "not confirmed":
                check_stretch(checks, f"{where}: deciding", got["deciding"], judged, series)
            continue
        found = stretches(series.series, series.rule)
        listed = lines.get(series.name, [])
        total += len(found)
        checks.equal(len(listed), len(found), f"{where}: number of stretches")
        for index, (line, samples) in enumerate(zip(listed, found)):
            check_stretch(checks, f"{where}: stretch {index + 1}", line, samples, series)
        expected = answer_without_mark(series.series, series.rule)
        checks.that(got["answer"] == expected, f"{where}: {got['answer']} ({got['reason']}), expected {expected}")
    return total


def check_worked(checks):
    """The two series that the design works by hand; samples count from 1."""
    rule = {"for": 2 * SECOND, "gap": 2_500_000_000, "within": Fraction("0.2"), "each": False, "is": None}

    def numbered(text):
        series = [Sample(Fraction(value), index * SECOND // 2, index + 1, index + 1, 0)
                  for index, value in enumerate(text.split())]
        return [(one[0].first_frame, one[-1].last_frame) for one in stretches(series, rule)]
    checks.equal(numbered("10.0 10.1 10.2 10.2 10.2 10.3 10.4 10.4"), [(1, 5)], "D 7.6, worked")
    checks.equal(numbered("0 .1 .1 12 29.7 29.9 29.8 29.8 29.9 29.9 15 .1 .1 0 0 .1"), [(5, 10), (12, 16)],
                 "the second worked series")


def check_worked_by_program(checks, folder):
    """The same two series through the program."""
    for name, text, expected in (
            ("worked1", "10.0 10.1 10.2 10.2 10.2 10.3 10.4 10.4", [(1, 5)]),
            ("worked2", "0 .1 .1 12 29.7 29.9 29.8 29.8 29.9 29.9 15 .1 .1 0 0 .1", [(5, 10), (12, 16)])):
        base = folder / name
        base.mkdir()
        raws = [int(Fraction(value) * 10) for value in text.split()]
        (base / "trace.pcap").write_bytes(pcap_bytes(
            [(START + index * SECOND // 2, 0x100, raw.to_bytes(2, "big")) for index, raw in enumerate(raws)]))
        (base / "series.yaml").write_text(
            "taretrace: 1\nmodule:\n  name: worked\n  services: iso14229\n"
            "  address: {format: normal, request: 0x5E3, response: 0x6C5}\n"
            "broadcasts:\n  0x100:\n    name: scale\n"
            "    fields: {load: {byte: 0, length: 2, factor: 0.1, unit: kg}}\n"
            "procedure:\n  - step: steady\n    reading: scale.load\n    steady: {for: 2 s, within: 0.2 kg}\n"
            "    between: [0 kg, 40 kg]\n")
        run("verify", base / "trace.pcap", "--definitions", base / "series.yaml", "--into", base / "job")
        got = [(line["first_frame"], line["last_frame"]) for line in read_jsonl(base / "job" / "log.jsonl")
               if line["kind"] == "stretch"]
        checks.equal(got, expected, name)


def main():
    checks = Checks()
    check_worked(checks)
    total = series = 0
    with temporary() as name:
        folder = pathlib.Path(name)
        check_worked_by_program(checks, folder)
        for offset, (kind, count) in enumerate(BATCHES.items()):
            for seed in range(count):
                batch = Batch(1000 * (offset + 1) + seed, kind)
                total += check_batch(checks, batch, folder)
                series += len(batch.all)
    print(f"{series} random series, {total} stretches")
    checks.that(series > 2000 and total > 2000, "too few series or stretches to mean anything")
    checks.finish()


main()
