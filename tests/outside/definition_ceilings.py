#!/usr/bin/python3
"""Definition files at each of the loader's ceilings, and one beyond: the first loads, the second is one clear line.

Source: the ceilings that docs/definitions.md and definitions/model.h, loader.h and the loader's messages name; the files
are made here and what must be said of them is counted by hand.
"""
import sys

sys.dont_write_bytecode = True
import pathlib
import subprocess

from common import TARETRACE, Checks, temporary

HEAD = """taretrace: 1
module:
  name: wide
  services: iso14229
  address: {format: normal, request: 0x5E3, response: 0x6C5}
"""
SCALE = """identifiers:
  0x3C40:
    name: seat
    fields:
      load: {byte: 0, length: 2, factor: 0.1, unit: kg}
      state: {byte: 2, names: {0: done, 1: running}}
"""


def lint(checks, folder, name, files, code, words, count=None):
    """files: {name: text}; those whose name begins with "in-" are included, not named."""
    for file, text in files.items():
        (folder / file).write_bytes(text if isinstance(text, bytes) else text.encode())
    named = [str(folder / file) for file in files if not file.startswith("in-")]
    done = subprocess.run([TARETRACE, "lint", *named], capture_output=True, timeout=120)
    said = done.stderr.decode(errors="replace")
    checks.equal(done.returncode, code, f"{name}: {said[:600]}")
    for word in words:
        checks.that(word in said, f"{name}: {word!r} is not said: {said[:600]}")
    if count is not None:
        checks.equal(said.count("error: "), count, f"{name}: errors: {said[:600]}")
    return said


def field(extra):
    return HEAD + "identifiers:\n  0x3C40:\n    name: seat\n    fields:\n" + extra


def ceilings(checks, folder):
    def both(name, make, most, words, code=0):
        lint(checks, folder, f"{name}, {most}", {"a.yaml": make(most)}, code, [])
        lint(checks, folder, f"{name}, {most + 1}", {"a.yaml": make(most + 1)}, 65, words, 1)

    both("absent", lambda n: field(f"      load: {{byte: 0, length: 2, absent: [{', '.join(map(str, range(n)))}]}}\n"), 256,
         ['"absent" has more than 256 entries; "valid" says it shorter'])
    both("curve", lambda n: field("      load: {byte: 0, length: 2, unit: kg, curve: ["
                                  + ", ".join(f"[{i}, {i}]" for i in range(n)) + "]}\n"), 256,
         ["a curve has 2 to 256 pairs, and here are 257"])
    lint(checks, folder, "curve, 1", {"a.yaml": field("      load: {byte: 0, length: 2, unit: kg, curve: [[0, 0]]}\n")}, 65,
         ["a curve has 2 to 256 pairs, and here is 1"], 1)
    both("sum", lambda n: field("".join(f"      part {i}: {{byte: {i}, unit: kg}}\n" for i in range(n))
                                + "    derived:\n      total: {sum: ["
                                + ", ".join(f"part {i}" for i in range(n)) + "], unit: kg}\n"), 32,
         ["a sum has 1 to 32 parts, and here are 33; split it"])
    procedure = "procedure:\n  - {step: a, reading: seat.load, between: [1 kg, 2 kg], steady: {for: 1 s, within: 1 kg}}\n"
    both("conditions", lambda n: HEAD + SCALE + "conditions:\n"
         + "".join(f"  - {{condition: c {i}}}\n" for i in range(n)) + procedure, 64,
         ["65 conditions are too many; at most 64"])
    names = ", ".join(f"{i}: s{i}" for i in range(300))
    step = "procedure:\n  - step: a\n    reading: seat.state\n    steady: {for: 1 s}\n    is: [%s]\n"
    both("states", lambda n: field(f"      state: {{byte: 0, length: 2, names: {{{names}}}}}\n")
         + step % ", ".join(f"s{i}" for i in range(n)), 256, ["has more than 256 entries; shorten the list"])
    both("anchors", lambda n: HEAD + SCALE + "conditions:\n  - &a0 {condition: c}\n" + "codes:\n" + "".join(f"  0x{i:06X}: &n{i} code {i}\n" for i in range(1, n)), 1000,
         ["the file has more than 1000 anchors; use fewer"])
    lint(checks, folder, "deep", {"a.yaml": HEAD + "codes: " + "[" * 40 + "]" * 40 + "\n"}, 65, ["more than 32 deep"], 1)
    # An alias adds the height of what it names: 20 lists in 20 lists.
    lint(checks, folder, "deep through an alias",
         {"a.yaml": HEAD + "codes: &d " + "[" * 20 + "]" * 20 + "\nconditions: " + "[" * 20 + "*d" + "]" * 20 + "\n"}, 65,
         ["lists and maps more than 32 deep, through an alias"])
    many = HEAD + "codes:\n" + "".join(f"  bad {i}: x\n" for i in range(1100))
    lint(checks, folder, "mistakes", {"a.yaml": many}, 65, ["1000 messages are shown; further ones are counted only"], 1000)
    for count, code, words in ((64, 0, []), (65, 65, ["more than 64 files are included; put them together"])):
        files = {f"in-{i}.yaml": f"taretrace: 1\ncodes: {{0x{i + 1:06X}: c {i}}}\n" for i in range(count)}
        files["a.yaml"] = HEAD + "include: [" + ", ".join(files) + "]\n" + SCALE
        lint(checks, folder, f"included files, {count}", files, code, words)
    done = subprocess.run([TARETRACE, "lint", *["a.yaml"] * 65], capture_output=True, cwd=folder)
    checks.equal(done.returncode, 64, f"65 files: {done.stderr[:300]}")
    checks.that(b"more than 64 files" in done.stderr, f"65 files: {done.stderr[:300]}")


def odd_files(checks, folder):
    """What no other file has: other line breaks of YAML 1.1 before a mistake, ids that meet, texts where lists stand."""
    for name, mark in (("NEL", "\u0085"), ("LS", "\u2028"), ("PS", "\u2029")):
        # YAML 1.1, 4.2: a line break, so the mistake stands a line further down.
        text = HEAD + "# one" + mark + "# two\nnonsense: 1\n"
        said = lint(checks, folder, name, {"a.yaml": text}, 65, ['a definition file has no key "nonsense"'], 1)
        checks.that(":8:1:" in said, f"{name}: {said}")
        checks.that(said.splitlines()[1].strip() == "nonsense: 1", f"{name}: another line is shown: {said}")
    lint(checks, folder, "UTF-16", {"a.yaml": HEAD.encode("utf-16-be")}, 65, [], 1)
    lint(checks, folder, "UTF-16 with its mark", {"a.yaml": b"\xFE\xFF" + HEAD.encode("utf-16-be")}, 65, ["UTF-8"], 1)
    for sign in "%@":
        lint(checks, folder, f"begins with {sign}", {"a.yaml": HEAD + f"conditions:\n  - {sign}a\n"}, 65,
             [f"a text cannot begin with {sign}; put it in quotes"], 1)
    other = HEAD.replace("wide", "other").replace("0x5E3", "0x5E4").replace("0x6C5", "0x6C6")
    functional = HEAD + "  functional: {id: 0x7DF}\n"
    lint(checks, folder, "one functional id of two modules",
         {"a.yaml": functional, "b.yaml": other + "  functional: {id: 0x7DF}\n"}, 0, [])
    lint(checks, folder, "the functional id of one is the request of the other",
         {"a.yaml": functional, "b.yaml": other.replace("0x5E4", "0x7DF")}, 65, ["0x7DF"], 1)
    lint(checks, folder, "and the other way round",
         {"a.yaml": other.replace("0x5E4", "0x7DF"), "b.yaml": functional}, 65, ["0x7DF"], 1)
    (folder / "b.yaml").unlink()
    lint(checks, folder, "include is a text", {"a.yaml": HEAD + "include: shared.yaml\n"}, 65,
         ["include is a list; write [shared.yaml]"], 1)
    lint(checks, folder, "include is nothing", {"a.yaml": HEAD + "include: ''\n"}, 65, ["include"], 1)
    lint(checks, folder, "include is a map", {"a.yaml": HEAD + "include: {a: b}\n"}, 65, ["include"], 1)
    step = "procedure:\n  - step: a\n    reading: seat.state\n    steady: {for: 1 s}\n    is: %s\n"
    lint(checks, folder, "is: nothing in it", {"a.yaml": HEAD + SCALE + step % "[]"}, 65,
         ["is an empty list; it needs at least one entry"], 1)
    lint(checks, folder, "is: a map", {"a.yaml": HEAD + SCALE + step % "{a: b}"}, 65, ["must be a list", "not a map"], 1)
    lint(checks, folder, "is: an empty text", {"a.yaml": HEAD + SCALE + step % "''"}, 65, ["must be a list", "not a text"], 1)
    lint(checks, folder, "is: twice", {"a.yaml": HEAD + SCALE + step % "[done, running, done]"}, 65, ["done"], 1)
    lint(checks, folder, "a bare record, of two whose names begin alike", {"a.yaml": HEAD + """identifiers:
  0x3C40: {name: seat load, fields: {front: {byte: 0, unit: kg}}}
  0x3C41: {name: seat, fields: {rear: {byte: 0, unit: kg}}}
""" + step.replace("seat.state", "seat") % "[done]"}, 65, ["seat"], 1)
    for text in ("-1", "0x12", "0x123456", "600000000", "1.5", "70000", "2000"):
        lint(checks, folder, f"id {text}", {"a.yaml": HEAD.replace("0x5E3", text)}, 65, ["id"], 1)
    lint(checks, folder, "example bytes end in a space", {"a.yaml": HEAD + SCALE
         + '    examples:\n      - {bytes: "00 01 00 ", gives: {load: 0.1 kg}}\n'}, 65, ["bytes"], 1)
    lint(checks, folder, "example bytes are a list", {"a.yaml": HEAD + SCALE
         + '    examples:\n      - {bytes: [0, 1], gives: {load: 0.1 kg}}\n'}, 65, ["bytes must be a text, not a list"], 1)
    lint(checks, folder, "1e+3", {"a.yaml": HEAD + SCALE.replace("0.1", "1e+3")}, 65, ["without an exponent"], 1)
    iso14230 = HEAD.replace("iso14229", "iso14230")
    for key in ("0242", "0x242", "1x42", "x042", "7"):
        lint(checks, folder, f"routine {key} of ISO 14230", {"a.yaml": iso14230 + f"routines:\n  {key}: {{name: zero}}\n"}, 65,
             [], 1)
    base = HEAD + SCALE + "routines:\n  0x0242: {name: zero, results: {answer: {state: {byte: 0, names: {0: done}}}}}\n"
    act = "procedure:\n  - {step: a, opens attempt: yes, action: zero, outcome: %s}\n"
    lint(checks, folder, "outcome.field is a list",
         {"a.yaml": base + act % "{field: [a], confirmed: [done], waiting: [done]}"}, 65, ["field must be a text, not a list"], 1)
    for what in ("identity: []", "identity: {}", "identity: {reading: seat.load}", "identity: {equals mark: vin}",
                 "answered: []", "answered: {}", "module: []", "select: []", "reading: seat.load, select: []"):
        lint(checks, folder, what, {"a.yaml": HEAD + SCALE + "procedure:\n  - {step: a, " + what + "}\n"}, 65, [])
    for unit in ("k g", "x" * 40):
        lint(checks, folder, f"unit {unit}", {"a.yaml": HEAD + SCALE.replace("unit: kg", f'unit: "{unit}"')}, 65, ["unit"])
    page = "      page: {byte: 0%s}\n      b: {byte: 1, when: {field: %s, is: 1}}\n"
    lint(checks, folder, "when: a list", {"a.yaml": field(page % ("", "[page]"))}, 65, ["field must be a text, not a list"], 1)
    lint(checks, folder, "when: itself", {"a.yaml": field(page % ("", "b"))}, 65, ["no field \"b\" above"], 1)
    lint(checks, folder, "when: signed", {"a.yaml": field(page % (", type: signed", "page"))}, 0, [])


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name)
        ceilings(checks, folder)
        odd_files(checks, folder)
    checks.finish()


main()
