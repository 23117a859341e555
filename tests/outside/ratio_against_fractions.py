"""decoder/support/ratio against Python's fractions and decimal modules, on seeded random numbers.

Usage: python3 ratio_against_fractions.py [RATIO_PROBE]
"""
import decimal
import math
import random
import re
import sys
from fractions import Fraction

from probe import Probe, as_hex, as_text

LIMIT = 2**127 - 1
GRAMMAR = re.compile(rb"-?(0|[1-9][0-9]{0,17})((\.[0-9]{1,18})|/(0|[1-9][0-9]{0,17}))?|0x[0-9a-fA-F]{1,16}")
PLACES = 10**18
decimal.getcontext().prec = 120


def whole(random_source):
    """A whole number of any size up to 127 bits, often at a power of two or ten."""
    kind = random_source.randrange(4)
    if kind == 0:
        return random_source.randrange(1000)
    if kind == 1:
        return min(LIMIT, 10 ** random_source.randrange(39) + random_source.randrange(-1, 2))
    if kind == 2:
        return min(LIMIT, 2 ** random_source.randrange(128) + random_source.randrange(-1, 2))
    return random_source.getrandbits(random_source.randrange(1, 128))


def ratio(random_source):
    return Fraction(whole(random_source) * random_source.choice((1, -1)), max(1, whole(random_source)))


def fits(*numbers):
    return all(-LIMIT <= number <= LIMIT for number in numbers)


def sum_judge(a, b, total):
    """Right value, or a refusal where the sum over the least common denominator leaves 127 bits (as ratio.h allows)."""
    common = math.lcm(a.denominator, b.denominator)
    a_part, b_part = a.numerator * (common // a.denominator), b.numerator * (common // b.denominator)
    must = fits(a_part, b_part, a_part + b_part, total.denominator)

    def judge(answer):
        return answer == as_text(total) if must or answer != "no" else True
    return judge


def printed(numerator, denominator):
    """The plain decimal by whole-number arithmetic; round() of a Fraction is half to even."""
    scaled = Fraction(numerator, denominator) * PLACES
    exact = scaled.denominator == 1
    digits = f"{abs(round(scaled)):019d}"
    text = digits[:-18] + "." + digits[-18:]
    if exact:
        text = text.rstrip("0").rstrip(".")
        if decimal.Decimal(text) != abs(decimal.Decimal(scaled.numerator) / PLACES):
            sys.exit("the two outside ways differ")
    if scaled < 0 and round(scaled) != 0:
        text = "-" + text
    return f"{text} {'exact' if exact else 'rounded'} {len(text)}"


def parse_answer(text):
    if not GRAMMAR.fullmatch(text) or text.endswith(b"/0"):
        return "no"
    return as_text(Fraction(int(text, 16)) if text.startswith(b"0x") else Fraction(text.decode("ascii")))


def number_text(random_source):
    digits = lambda most: "".join(random_source.choice("0123456789") for _ in range(random_source.randrange(1, most)))
    if random_source.randrange(2):
        first = str(random_source.getrandbits(random_source.randrange(1, 60)))
    else:
        first = digits(20)
    kind = random_source.randrange(5)
    if kind == 0:
        text = first
    elif kind <= 2:
        text = first + "." + digits(20)
    elif kind == 3:
        text = first + "/" + str(random_source.getrandbits(random_source.randrange(1, 62)))
    else:
        length = random_source.randrange(18)
        text = "0x" + "".join(random_source.choice("0123456789abcdefABCDEF") for _ in range(length))
    data = bytearray((random_source.choice(("", "", "-")) + text).encode("ascii"))
    if random_source.randrange(3) == 0:  # spoil one place
        at = random_source.randrange(len(data) + 1)
        data[at:at + random_source.randrange(2)] = random_source.choice(
            (b"", b"0", b".", b"/", b"-", b"+", b" ", b"x", b"e", b"\0", b"\xff", b"_", b"\xd9\xa1"))
    return bytes(data)


def main():
    probe = Probe(sys.argv)
    source = random.Random(20260302)
    for _ in range(8000):
        a, b = ratio(source), ratio(source)
        if source.randrange(4) == 0:  # neighbours, where an inexact comparison would fail
            b = Fraction(a.numerator + source.randrange(-1, 2), max(1, a.denominator + source.randrange(-1, 2)))
        if not fits(a.numerator, a.denominator, b.numerator, b.denominator):
            continue
        product = a * b
        probe.ask(f"add {as_text(a)} {as_text(b)}", sum_judge(a, b, a + b))
        probe.ask(f"subtract {as_text(a)} {as_text(b)}", sum_judge(a, -b, a - b))
        probe.ask(f"multiply {as_text(a)} {as_text(b)}",
                  as_text(product) if fits(product.numerator, product.denominator) else "no")
        probe.ask(f"compare {as_text(a)} {as_text(b)}", str((a > b) - (a < b)))
        probe.ask(f"floor {as_text(a)}", str(math.floor(a)))
        probe.ask(f"ceiling {as_text(a)}", str(math.ceil(a)))
        probe.ask(f"print {as_text(a)}", printed(a.numerator, a.denominator))
    for _ in range(8000):  # numbers of the size that readings have, and exact halves of the last place
        numerator = source.randrange(-10**12, 10**12)
        denominator = source.choice((1, 2, 3, 7, 8, 10, 100, 1000, 4096, 10**8, 16 * 10**8, 2 * PLACES, 6 * PLACES))
        probe.ask(f"print {numerator}/{denominator}", printed(numerator, denominator))
        a, b = Fraction(numerator, denominator), Fraction(source.randrange(-9999, 9999), source.choice((1, 10, 1000)))
        probe.ask(f"add {as_text(a)} {as_text(b)}", as_text(a + b))
        probe.ask(f"multiply {as_text(a)} {as_text(b)}", as_text(a * b))
        probe.ask(f"compare {as_text(a)} {as_text(b)}", str((a > b) - (a < b)))
    for _ in range(4000):
        n, d = whole(source) * source.choice((1, -1)), whole(source) * source.choice((1, -1))
        made = Fraction(n, d) if d else None
        good = made is not None and fits(made.numerator, made.denominator)
        probe.ask(f"make {n}/{d}", as_text(made) if good else "no")
    for _ in range(20000):
        text = number_text(source)
        probe.ask(f"parse {as_hex(text)}", parse_answer(text))
    probe.finish(100000)


main()
