"""decoder/support/units against Debian's `units` program (its own definitions of pound, ounce, gram, second).

`units` works in binary floating point, so quotients may differ in the 15th digit. The factors themselves are checked
exactly: 10^8 lb and 16 * 10^8 oz are whole kilograms, which it prints in full.

Usage: python3 units_against_units.py [RATIO_PROBE]
"""
import random
import re
import subprocess
import sys
from fractions import Fraction

from probe import Probe, as_hex, as_text

MASSES = ("kg", "g", "lb", "oz")
TIMES = ("s", "ms")
WORDS = MASSES + TIMES + ("V",)


def ask_units(pairs):
    """The numbers `units` prints for (have, want) pairs; None where it says they do not conform."""
    lines = "".join(f"{have}\n{want}\n" for have, want in pairs)
    run = subprocess.run(["units", "--quiet", "--one-line", "--strict", "--output-format", "%.17g"], input=lines,
                         text=True, stdout=subprocess.PIPE, env={"LC_ALL": "C", "PATH": "/usr/bin:/bin"}, check=True)
    answers = re.findall(r"^\s*(conformability error|\* (\S+))$", run.stdout, re.M)
    if len(answers) != len(pairs):
        sys.exit(f"units: {len(pairs)} questions, {len(answers)} answers")
    return [Fraction(number) if number else None for _, number in answers]


def near(expected):
    def judge(answer):
        if answer == "no":
            return False
        return abs(Fraction(answer) - expected) <= abs(expected) / 10**14
    return judge


def main():
    probe = Probe(sys.argv)
    source = random.Random(1959)
    exact = [(Fraction(10**8), "lb", "kg"), (Fraction(16 * 10**8), "oz", "kg"), (Fraction(16), "oz", "lb"),
             (Fraction(1), "kg", "g"), (Fraction(1), "s", "ms"), (Fraction(3), "lb", "oz")]
    for (value, have, want), number in zip(exact, ask_units([(f"{v} {h}", w) for v, h, w in exact])):
        probe.ask(f"convert {as_text(value)} {have} {want}", as_text(number))

    cases = []
    for have in WORDS:
        for want in WORDS:
            for _ in range(60):
                text = f"{source.randrange(10 ** source.randrange(1, 7))}.{source.randrange(10 ** 6):06d}"
                if Fraction(text):
                    cases.append((text, have, want))
    numbers = ask_units([(f"{text} {have}", want) for text, have, want in cases])
    for (text, have, want), number in zip(cases, numbers):
        probe.ask(f"convert {as_text(Fraction(text))} {have} {want}", "no" if number is None else near(number))
        probe.ask(f"quantity {as_hex(f'{text} {have}'.encode())}", f"{as_text(Fraction(text))} [{have}]")
    probe.finish(5000)


main()
