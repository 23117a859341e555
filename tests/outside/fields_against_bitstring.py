#!/usr/bin/python3
"""Random fields of definition files, read a second time from the same bytes.

Sources: python3-bitstring for which bits a mask selects and for byte order and sign (D 6.4: the selected bits close up,
lowest to bit 0; the sign is the highest selected bit); Python's Fraction for factor, offset, curves and sums (D 2.7);
IEEE 754 through Python's struct and Fraction(float). Pages (`when`) are chosen by one byte. The program reads the
records from broadcasts of 64 bytes on CAN FD (tcpdump.org LINKTYPE_CAN_SOCKETCAN, Linux include/uapi/linux/can.h).
"""
import sys

sys.dont_write_bytecode = True
import random
import struct
from decimal import Decimal
from fractions import Fraction

import bitstring

from common import Checks, convert, parse_json, run, temporary

RECORDS, FIELDS, FRAMES, SEED = 60, 12, 20, 20240817
FDF = 0x04
MASS = ("kg", "g", "lb", "oz")


def ratio_text(value):
    return f"{value.numerator}/{value.denominator}" if value >= 0 else f"-{-value.numerator}/{value.denominator}"


def random_number(dice, whole=False):
    """(text, Fraction) in the grammar of D 6.1."""
    sign = dice.choice(["", "-"])
    if not whole and dice.random() < 0.3:
        text = f"{sign}{dice.randint(1, 999)}/{dice.randint(1, 99)}"
    elif not whole and dice.random() < 0.6:
        text = f"{sign}{dice.randint(0, 99)}.{dice.randint(1, 9999):04d}"
    else:
        text = f"{sign}{dice.randint(1, 9999)}"
    return text, Fraction(text)


class Field:
    def __init__(self, dice, name, page):
        self.name = name
        self.kind = dice.choice(["unsigned", "unsigned", "signed", "signed", "float", "curve"])
        self.length = dice.choice([4, 8]) if self.kind == "float" else dice.randint(1, 8)
        self.byte = dice.randint(1, 64 - self.length)
        self.little = dice.random() < 0.4
        self.width = 8 * self.length
        self.mask = None
        if self.kind != "float" and dice.random() < 0.7:
            self.mask = dice.getrandbits(self.width) or 1
            if dice.random() < 0.4:
                low = dice.randrange(self.width)
                self.mask = ((1 << dice.randint(1, self.width - low)) - 1) << low
        self.bits = self.width if self.mask is None else bin(self.mask).count("1")
        self.signed = self.kind == "signed" or (self.kind == "curve" and dice.random() < 0.5)
        self.unit = dice.choice(MASS) if dice.random() < 0.7 else ""
        self.page = page
        self.factor, self.offset = Fraction(1), Fraction(0)
        self.curve = []
        words = [f"byte: {self.byte}", f"length: {self.length}"]
        if self.kind != "unsigned":
            words.append(f"type: {'float' if self.kind == 'float' else 'signed' if self.signed else 'unsigned'}")
        if self.little:
            words.append("order: little")
        if self.mask is not None:
            words.append(f"mask: 0x{self.mask:X}")
        if self.unit:
            words.append(f"unit: {self.unit}")
        if self.kind == "curve":
            low, high = (-(1 << self.bits - 1), (1 << self.bits - 1) - 1) if self.signed else (0, (1 << self.bits) - 1)
            low, high = max(low, -2**16), min(high, 2**16) # so that the common denominator of all slopes stays short
            points = sorted({dice.randint(low, high) for _ in range(dice.randint(2, 5))} | {low // 2, high})
            self.curve = [(point, Fraction(dice.randint(-500, 500), dice.choice([1, 2, 10]))) for point in points]
            words.append("curve: [" + ", ".join(f"[{point}, {ratio_text(value)}]" for point, value in self.curve) + "]")
        else:
            for key in ("factor", "offset"):
                if dice.random() < 0.6:
                    text, value = random_number(dice)
                    if key == "offset" or value:
                        words.append(f"{key}: {text}")
                        setattr(self, key, value)
        self.absent = []
        if dice.random() < 0.5:
            self.absent = [dice.getrandbits(min(self.bits, 3))]
            words.append(f"absent: [{self.absent[0]}]")
        if page is not None:
            words.append(f"when: {{field: page, is: {page}}}")
        self.text = f"{name}: {{{', '.join(words)}}}"

    def value(self, data):
        """'absent', 'invalid', a Fraction, or a set of what it may be."""
        piece = bitstring.BitArray(bytes=data[self.byte:self.byte + self.length])
        if self.little:
            piece.byteswap()
        if self.mask is None:
            chosen = piece
        else:
            mask = bitstring.Bits(uint=self.mask, length=self.width)
            chosen = bitstring.BitArray()
            for place in mask.findall("0b1"): # most significant first
                chosen.append(piece[place:place + 1])
        if chosen.uint in self.absent:
            return "absent"
        if self.kind == "float":
            return self.float_value(piece.bytes)
        number = chosen.int if self.signed else chosen.uint
        if self.kind != "curve":
            return number * self.factor + self.offset
        for (x0, y0), (x1, y1) in zip(self.curve, self.curve[1:]):
            if x0 <= number <= x1:
                return y0 + (number - x0) * (y1 - y0) / (x1 - x0)
        return "invalid"

    def float_value(self, piece):
        number = struct.unpack(">f" if self.length == 4 else ">d", piece)[0]
        if number != number or number in (float("inf"), float("-inf")) or abs(number) >= 2**40:
            return "invalid"
        value = Fraction(number) * self.factor + self.offset
        places = Fraction(number).denominator.bit_length() - 1
        # The manual promises 72 binary places, fewer with a long factor; a factor with twos in it may reach further.
        return value if places <= 48 else "invalid" if places > 72 + 8 else {value, "invalid"}


class Record:
    def __init__(self, dice, number):
        self.id = 0x100 + number if number % 3 else 0x18FF0000 + number
        self.name = f"record {number}"
        self.fields = [Field(dice, f"f{i}", dice.choice([None, None, 1, 2])) for i in range(FIELDS)]
        self.sums = []
        whole = [field for field in self.fields if field.kind != "float"]
        for i in range(2):
            unit = dice.choice(MASS)
            parts = [field for field in whole if field.unit and field.length <= 4 and field.kind != "curve"]
            if parts:
                self.sums.append((f"s{i}", dice.sample(parts, min(len(parts), dice.randint(1, 3))), unit))

    def yaml(self):
        lines = [f"  0x{self.id:0{3 if self.id < 0x800 else 8}X}:", f"    name: {self.name}", "    fields:",
                 "      page: {byte: 0}"]
        lines += ["      " + field.text for field in self.fields]
        if self.sums:
            lines.append("    derived:")
            lines += [f"      {name}: {{sum: [{', '.join(part.name for part in parts)}], unit: {unit}}}"
                      for name, parts, unit in self.sums]
        return lines

    def readings(self, data):
        result = {"page": Fraction(data[0])}
        for field in self.fields:
            if field.page is None or field.page == data[0]:
                result[field.name] = field.value(data)
        for name, parts, unit in self.sums:
            values = [result.get(part.name) for part in parts]
            if None in values:
                continue
            result[name] = "absent" if any(isinstance(value, str) for value in values) else \
                sum((convert(value, part.unit, unit) for part, value in zip(parts, values)), Fraction(0))
        return result


def same(line, expected):
    """A line of the listing against one expected value; 18 places, half to even (D 2.7)."""
    if isinstance(expected, str):
        return line["value"] is None
    if line["value"] is None:
        return False
    rounded = Fraction(round(expected * 10**18), 10**18)
    return Fraction(Decimal(line["value"])) == rounded and line["exact"] == (rounded == expected)


def main():
    dice = random.Random(SEED)
    records = [Record(dice, number) for number in range(RECORDS)]
    trace = struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 227)
    sent = []
    for turn in range(FRAMES):
        for record in records:
            data = bytearray(dice.randbytes(64))
            data[0] = dice.choice([0, 1, 2])
            if dice.random() < 0.3: # few bits, so that absent numbers and small floats come
                data[1:] = bytes(byte & dice.choice([0, 0, 3]) for byte in data[1:])
            for field in record.fields: # a float of everyday size now and then
                if field.kind == "float" and dice.random() < 0.7:
                    piece = struct.pack(">f" if field.length == 4 else ">d", dice.uniform(-200, 200))
                    data[field.byte:field.byte + field.length] = piece[::-1] if field.little else piece
            word = record.id | (0x80000000 if record.id > 0x7FF else 0)
            frame = struct.pack(">IBBxx", word, 64, FDF) + data
            trace += struct.pack("<IIII", turn, len(sent) % 1000, len(frame), len(frame)) + frame
            sent.append((record, bytes(data)))
    text = ["taretrace: 1", "module: {name: random, address: {request: 0x7E0, response: 0x7E8}}", "broadcasts:"]
    for record in records:
        text += record.yaml()
    checks = Checks()
    kinds = {}
    with temporary() as name:
        trace_path, yaml_path = name + "/trace.pcap", name + "/random.yaml"
        with open(trace_path, "wb") as file:
            file.write(trace)
        with open(yaml_path, "w", encoding="utf-8") as file:
            file.write("\n".join(text) + "\n")
        lint = run("lint", yaml_path)
        if lint.returncode:
            raise SystemExit(lint.stderr.decode()[:3000])
        listing = run("list", "readings", trace_path, "--definitions", yaml_path, "--format", "jsonl")
        lines = {}
        for raw in listing.stdout.decode().splitlines():
            line = parse_json(raw)
            if line["kind"] == "reading":
                key = (line["first_frame"], line["name"])
                checks.that(key not in lines, f"{key} stands twice")
                lines[key] = line
    for number, (record, data) in enumerate(sent, 1):
        for name, expected in record.readings(data).items():
            where = (number, f"{record.name}.{name}")
            line = lines.pop(where, None)
            if not checks.that(line is not None, f"{where} is missing"):
                continue
            options = expected if isinstance(expected, set) else {expected}
            kind = expected if isinstance(expected, str) else type(expected).__name__
            kinds[kind] = kinds.get(kind, 0) + 1
            checks.that(any(same(line, option) for option in options),
                        lambda: f"{where}: {line['value']} (raw {line['raw']}), expected {expected}; "
                                + next((field.text for field in record.fields if field.name == name), "a sum"))
    checks.that(not lines, lambda: f"readings nobody expects: {list(lines)[:5]}")
    checks.that(min(kinds.get(kind, 0) for kind in ("Fraction", "absent", "invalid")) > 100, f"too few: {kinds}")
    checks.finish()


main()
