#!/usr/bin/python3
"""Limits at, just inside and just outside, in pounds and in kilograms, with exact arithmetic.

Source of the numbers: common practice, no source; check numbers only. On one scale an empty seat may read within 0.97 lb
of zero either way (-0.19 is inside), and with a 66 lb weight on the seat the reading may lie from 27.5 to 41.23 lb
(33.70 is inside). 1 lb = 0.45359237 kg (international yard and pound agreement of 1959). Expected answers by Fraction.
"""
import sys

sys.dont_write_bytecode = True
import pathlib
from fractions import Fraction

from common import POUND, Checks, convert, decimal_text, parse_json, pcap_bytes, run, temporary

SECOND = 10**9
START = 1_772_438_400 * SECOND
LIMITS = {"empty": (Fraction("-0.97"), Fraction("0.97"), Fraction("-0.19")),
          "weight": (Fraction("27.5"), Fraction("41.23"), Fraction("33.70"))}
# How fine a reading is, in its unit: coarse as on a display, and fine enough to stand exactly on a converted limit.
FACTORS = {"lb": [Fraction(1, 100), Fraction(1, 10**8)], "kg": [Fraction(1, 100), Fraction(1, 10**10)]}


def cases():
    """(limit name, reading unit, limit unit, factor, raw numbers to try)."""
    for name, (low, high, inside) in LIMITS.items():
        for reading_unit in ("lb", "kg"):
            for limit_unit in ("lb", "kg"):
                for factor in FACTORS[reading_unit]:
                    raws = set()
                    for bound in (low, high, inside):
                        steps = convert(bound, "lb", reading_unit) / factor
                        floor = steps.numerator // steps.denominator
                        # On the limit where it can be, the nearest numbers on both sides, and one further.
                        raws |= {floor - 1, floor, floor + 1, floor + 2}
                    yield name, reading_unit, limit_unit, factor, sorted(raws)


def text(value):
    return f"{decimal_text(value):f}"


def check_case(checks, folder, name, reading_unit, limit_unit, factor, raws):
    """One definition file with a step for each raw number; each number stands still on a frame of its own."""
    low, high, _ = LIMITS[name]
    limits = ", ".join(f"{text(convert(bound, 'lb', limit_unit))} {limit_unit}" for bound in (low, high))
    lines = ["taretrace: 1", "module:", "  name: scale", "  services: iso14229",
             "  address: {format: normal, request: 0x5E3, response: 0x6C5}", "broadcasts:"]
    steps, frames = ["procedure:"], []
    for index, raw in enumerate(raws):
        field = f"byte: 0, length: 8, type: signed, factor: {text(factor)}, unit: {reading_unit}"
        lines += [f"  0x{0x100 + index:03X}:", f"    name: r{index}", f"    fields: {{load: {{{field}}}}}"]
        steps += [f"  - step: r{index}", f"    reading: r{index}.load", "    steady: {for: 1 s, within: 0.01 lb}",
                  f"    between: [{limits}]"]
        frames += [(START + tick * SECOND // 2 + index * 10**6, 0x100 + index, raw.to_bytes(8, "big", signed=True))
                   for tick in range(4)]
    base = folder / f"{name}-{reading_unit}-{limit_unit}-{factor.denominator}"
    base.mkdir()
    (base / "scale.yaml").write_text("\n".join(lines + steps) + "\n")
    (base / "trace.pcap").write_bytes(pcap_bytes(sorted(frames)))
    result = run("verify", base / "trace.pcap", "--definitions", base / "scale.yaml", "--into", base / "job")
    if not checks.that(result.returncode in (0, 1), f"{base.name}: {result.returncode}: {result.stderr.decode()[:400]}"):
        return
    verdict = parse_json((base / "job" / "verdict.json").read_text())
    answers = {step["step"]: step for step in verdict["parts"][0]["attempts"][0]["steps"]}
    any_outside = False
    for index, raw in enumerate(raws):
        value = raw * factor
        pounds = convert(value, reading_unit, "lb")
        inside = low <= pounds <= high
        any_outside |= not inside
        step = answers[f"r{index}"]
        where = f"{base.name}: {text(value)} {reading_unit}"
        checks.equal(step["answer"], "confirmed" if inside else "contradicted", where)
        checks.that(step["deciding"] is not None and Fraction(str(step["deciding"]["lowest"])) == value
                    and step["deciding"]["unit"] == reading_unit, f"{where}: deciding {step['deciding']}")
    checks.equal(result.returncode, 1 if any_outside else 0, f"{base.name}: exit code")


def main():
    checks = Checks()
    checks.equal(Fraction("30") * POUND, Fraction("13.6077711"), "30 lb in kg (check value)")
    on_limit = 0
    with temporary() as folder:
        for name, reading_unit, limit_unit, factor, raws in cases():
            bounds = {convert(bound, "lb", reading_unit) for bound in LIMITS[name][:2]}
            on_limit += len(bounds & {raw * factor for raw in raws})
            check_case(checks, pathlib.Path(folder), name, reading_unit, limit_unit, factor, raws)
    checks.that(on_limit >= 24, f"only {on_limit} readings stand exactly on a limit")
    checks.finish()


main()
