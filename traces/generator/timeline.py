"""The story of a job: turns the lines of a scenario's timeline into frames, marks and labels."""

import re
from fractions import Fraction

from .bus import (ERROR_CONTROLLER, ERROR_FLAG, ERROR_RX_OVERFLOW, MS, SECOND, Bus, Jitter, Message)

TESTER, MODULE, FUNCTIONAL, LAMP = 0x5E3, 0x6C5, 0x7DF, 0x3D0
ZERO_STATES = {"done": 0, "running": 1, "seat not empty": 2, "supply voltage": 3}
LAMP_STATES = {"dark": 0, "lit": 1, "unnamed": 2, "unknown": 3, "absent": None}
CORNERS = ["front left", "front right", "rear left", "rear right"]

# Other traffic: identifier and period. Two of the busy ones are neighbours of the module's own identifiers.
ORDINARY = [(0x1A4, 200 * MS), (0x2F1, 500 * MS)]
BUSY = [(0x0C8, 10 * MS), (0x1A4, 20 * MS), (0x2F1, 25 * MS), (0x5E2, 50 * MS), (0x6C6, 50 * MS)]


def duration(text):
    """"2.5 s" or "300 ms" as nanoseconds."""
    match = re.fullmatch(r"(-?\d+(?:\.\d+)?) (s|ms|us)", text.strip())
    if not match:
        raise ValueError(f"'{text}' is no time: write '2.5 s' or '300 ms'")
    scale = {"s": SECOND, "ms": MS, "us": 1000}[match[2]]
    value = Fraction(match[1]) * scale
    if value.denominator != 1:
        raise ValueError(f"'{text}' is finer than a nanosecond")
    return int(value)


def hex_bytes(text):
    return bytes.fromhex(text)


def tenths(text):
    value = Fraction(text.strip()) * 10
    if value.denominator != 1:
        raise ValueError(f"'{text}': this scale counts in tenths")
    return int(value)


def totals(text):
    """"0.1 x 4, 12, 0" as a list of tenths of a kilogram."""
    series = []
    for item in text.split(","):
        value, _, times = item.partition(" x ")
        series += [tenths(value)] * int(times or 1)
    return series


def seat_load(total, supply, absent):
    """The 8 bytes of seat load: four 12-bit corners (value = number x 0.1 - 100 kg), supply, status."""
    quarter = total // 4
    corners = [quarter + 7 + total - 4 * quarter, quarter - 4, quarter - 6, quarter + 3]
    raw = [corner + 1000 for corner in corners]
    if absent:
        raw[CORNERS.index(absent)] = 0xFFF
    if any(not 0 <= number <= 0xFFF for number in raw):
        raise ValueError("a corner is out of the range of its 12 bits")
    packed = (raw[0] << 36 | raw[1] << 24 | raw[2] << 12 | raw[3]).to_bytes(6, "big")
    return packed + bytes([supply, 0x01 if total >= 130 else 0x00])


def code_list(found):
    """{code: status} as the bytes of a list of trouble codes."""
    return b"".join(int(code, 16).to_bytes(3, "big") + bytes([int(status, 16)]) for code, status in found.items())


class Timeline:
    """Runs the lines of a timeline in order. `clock` is the true time; `labels` name messages, `marks` what a
    person noted, `moments` the true time of labelled marks."""

    def __init__(self, name, scenario):
        steady = scenario.get("jitter") == "none"
        self.jitter = Jitter(name, steady)
        pads = {} if scenario.get("padding") != "none" else {"tester_pad": None, "module_pad": None}
        self.bus = Bus(self.jitter, **pads)
        self.clock = 0
        self.labels = {}
        self.marks = []
        self.moments = {}
        self.lamp_changes = []
        self.traffic = {"ordinary": ORDINARY, "busy": BUSY, "none": []}[scenario.get("other traffic", "ordinary")]
        self.end = 0
        for number, line in enumerate(scenario["timeline"], 1):
            try:
                self.run(dict(line))
            except (ValueError, KeyError, TypeError) as error:
                raise ValueError(f"{name}: timeline entry {number} ({line}): {error}") from error
        self.finish()

    def run(self, line):
        verb = next(iter(line))
        what = line.pop(verb)
        getattr(self, "do_" + verb.replace(" ", "_"))(what, line)
        if line:
            raise ValueError(f"unknown option {', '.join(line)}")

    def name(self, label, message):
        if label:
            self.labels.setdefault(label, []).append(message)

    # --- the clock, marks and the recorder -----------------------------------------------------------------

    def do_at(self, what, _):
        time = duration(what)
        if time < self.clock:
            raise ValueError("the clock is already later")
        self.clock = time

    def do_wait(self, what, _):
        self.clock += duration(what)

    def do_clock(self, what, _):
        """The recorder's clock is set: every later stamp moves by this much."""
        self.clock += 20 * MS
        self.bus.clock_steps.append((self.clock, duration(what)))
        self.clock += 20 * MS

    def do_frames_lost(self, what, _):
        """The controller tells of lost frames: an error frame with CAN_ERR_CRTL_RX_OVERFLOW."""
        if what != "rx overflow":
            raise ValueError("only 'rx overflow' is known")
        self.clock += 20 * MS
        self.bus.put(self.clock, ERROR_FLAG | ERROR_CONTROLLER, [0, ERROR_RX_OVERFLOW, 0, 0, 0, 0, 0, 0])
        self.clock += 20 * MS

    def do_mark(self, what, line):
        """A person notes something; `stamp` gives another time than now (by the recorder's clock)."""
        mark = dict(what)
        self.clock += 60 * MS
        time = self.clock // MS * MS
        label, stamp = line.pop("label", None), line.pop("stamp", None)
        if label:
            self.moments[label] = time
        if "withdraws" in mark:
            mark["withdraws"] = int(mark["withdraws"])
        self.marks.append((duration(stamp) if stamp else self.bus.stamp(time), mark))
        self.clock += 90 * MS

    # --- questions and answers -----------------------------------------------------------------------------

    def question(self, request, answer, line):
        """One question and, unless the line says otherwise, its answer; moves the clock past both."""
        start = self.clock
        functional = line.pop("functional", None) == "yes"
        lose_request = [int(n) for n in line.pop("lose of question", "").split(",") if n]
        asked, time = self.bus.send(start, "tester", FUNCTIONAL if functional else TESTER, MODULE, request,
                                    lose_request)
        label = line.pop("label", None)
        self.name(label and label + " asked", asked)
        refused, silent = line.pop("refused", None), line.pop("answer", None)
        pending = line.pop("pending", None)
        delay = line.pop("delay", None)
        lose = [int(number) for number in line.pop("lose", "").split(",") if number]
        goes_on = line.pop("go on after", None)
        answered_at = time + (duration(delay) if delay else self.jitter.between(8 * MS, 20 * MS))
        if pending:
            if not delay and silent != "none":
                raise ValueError("with 'pending' say the delay of the answer")
            for moment in pending.split(","):
                _, time = self.bus.send(start + duration(moment), "module", MODULE, TESTER,
                                        bytes([0x7F, request[0], 0x78]))
        if refused:
            answer = bytes([0x7F, request[0], int(refused, 16)])
        if silent not in (None, "none"):
            answer = hex_bytes(silent)
        if answer is not None and silent != "none":
            message, time = self.bus.send(answered_at, "module", MODULE, TESTER, answer, lose)
            self.name(label, message)
        self.clock = start + duration(goes_on) if goes_on else time + self.jitter.between(25 * MS, 40 * MS)
        self.end = max(self.end, time)

    def do_ask(self, what, line):
        """A question in bytes; `answer` in bytes, or none."""
        if not {"answer", "refused"} & line.keys():
            raise ValueError("say 'answer: BYTES', 'answer: none' or 'refused: NRC'")
        self.question(hex_bytes(what), None, line)

    def do_module_says(self, what, line):
        """A message of the module that nobody asked for."""
        message, self.clock = self.bus.send(self.clock, "module", MODULE, TESTER, hex_bytes(what))
        self.name(line.pop("label", None), message)
        self.clock += 30 * MS

    def do_frame(self, what, _):
        """One frame of another unit: identifier, then bytes."""
        can_id, _, data = what.partition(" ")
        self.bus.put(self.clock, int(can_id, 16), hex_bytes(data))
        self.clock += 10 * MS

    def do_session(self, what, line):
        kind = {"default": 1, "extended": 3}[what]
        self.question(bytes([0x10, kind]), bytes([0x50, kind, 0x00, 0x32, 0x01, 0xF4]), line)

    def do_reset(self, what, line):
        kind = {"hard": 1, "soft": 3}[what]
        self.question(bytes([0x11, kind]), bytes([0x51, kind]), line)

    def do_tester_present(self, what, line):
        if what == "suppressed":
            line["answer"] = "none"
        self.question(bytes([0x3E, 0x80 if what == "suppressed" else 0x00]), bytes([0x7E, 0x00]), line)

    def do_code_setting(self, what, line):
        kind = {"on": 1, "off": 2}[what]
        suppressed = line.pop("suppressed", None) == "yes"
        self.question(bytes([0x85, kind | (0x80 if suppressed else 0)]),
                      None if suppressed else bytes([0xC5, kind]), line)

    def do_zero(self, what, line):
        """The zero point routine: start, stop, or results with a state."""
        kind = {"start": 1, "stop": 2, "results": 3}[what]
        info = bytes([ZERO_STATES[line.pop("state")] if "state" in line else 0]) if kind != 2 else b""
        self.question(bytes([0x31, kind, 0x02, 0x42]), bytes([0x71, kind, 0x02, 0x42]) + info, line)

    def do_read_vin(self, what, line):
        self.question(bytes([0x22, 0xF1, 0x90]), bytes([0x62, 0xF1, 0x90]) + what.encode("ascii"), line)

    def do_write_vin(self, what, line):
        self.question(bytes([0x2E, 0xF1, 0x90]) + what.encode("ascii"), bytes([0x6E, 0xF1, 0x90]), line)

    def do_clear_codes(self, what, line):
        group = bytes([0xFF, 0xFF, 0xFF]) if what == "all" else hex_bytes(what)
        self.question(bytes([0x14]) + group, bytes([0x54]), line)

    def do_list_codes(self, what, line):
        """19 02 with a mask; `found` {code: status}, `available` the status availability mask."""
        found, available = line.pop("found", {}), int(line.pop("available", "0xFF"), 16)
        self.question(bytes([0x19, 0x02, int(what, 16)]), bytes([0x59, 0x02, available]) + code_list(found), line)

    def do_count_codes(self, what, line):
        """19 01 with a mask; `found` is the count (format 1: ISO 14229-1)."""
        found, available = int(line.pop("found", "0")), int(line.pop("available", "0xFF"), 16)
        self.question(bytes([0x19, 0x01, int(what, 16)]),
                      bytes([0x59, 0x01, available, 0x01]) + found.to_bytes(2, "big"), line)

    def do_supported_codes(self, what, line):
        """19 0A: every code the module knows, with its status."""
        self.question(bytes([0x19, 0x0A]), bytes([0x59, 0x0A, int(line.pop("available", "0xFF"), 16)]) +
                      code_list(what), line)

    def do_load(self, what, line):
        """A series of seat load readings: totals in kg, one question each, `every` 0.5 s."""
        every = duration(line.pop("every", "500 ms"))
        supply, absent = tenths(line.pop("supply", "12.3")), line.pop("absent", None)
        options = dict(line)
        line.clear()
        start = self.clock
        for index, total in enumerate(totals(what)):
            nominal = start + index * every
            self.clock = nominal + self.jitter.between(0, 0 if self.jitter.steady else 10 * MS)
            single = dict(options)
            self.question(bytes([0x22, 0x3C, 0x40]),
                          bytes([0x62, 0x3C, 0x40]) + seat_load(total, supply, absent), single)
            if single:
                raise ValueError(f"unknown option {', '.join(single)}")
            self.clock = nominal + every

    def do_lamp(self, what, line):
        """From here the lamp frame, sent every 0.5 s, carries this state ('absent': not sent)."""
        self.lamp_changes.append((self.clock, LAMP_STATES[what], line.pop("label", None)))

    # --- what runs beside the story ------------------------------------------------------------------------

    def finish(self):
        self.end = max(self.end, self.clock) + 500 * MS
        self.send_lamp()
        for can_id, period in self.traffic:
            time, counter = 3 * MS + can_id * 7000 % period, 0
            while time < self.end:
                first = 0x10 | counter % 16 if can_id % 2 else counter % 256
                self.bus.put(time, can_id, [first, can_id & 0xFF, counter >> 8 & 0xFF, counter & 0xFF,
                                            0x14, 0x00, 0x5A, counter * 37 & 0xFF])
                time += period + self.jitter.between(-1 * MS, 1 * MS)
                counter += 1
        self.bus.lay_out()
        for time, _ in self.marks:
            if any(message.first().stamp <= time <= message.last().stamp for message in self.bus.messages):
                raise ValueError("a mark falls into a message")

    def send_lamp(self):
        period, time = 500 * MS, 211 * MS
        while self.lamp_changes and time < self.end:
            current = [change for change in self.lamp_changes if change[0] <= time]
            if current and current[-1][1] is not None:
                _, state, label = current[-1]
                self.name(label, Message([self.bus.put(time, LAMP, [0x20, 0x00, 0xC4 | state, 0x7F])]))
            time += period + self.jitter.between(-2 * MS, 2 * MS)
