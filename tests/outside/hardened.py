#!/usr/bin/python3
"""The programs as they were linked: what the compiler and the linker put in against a mistake that is turned into an attack.

Source: the ELF gABI and its GNU and x86-64 psABI supplements for what is looked for (ET_DYN with DF_1_PIE, PT_GNU_RELRO,
DF_BIND_NOW, PT_GNU_STACK without X, no DT_TEXTREL, no DT_RPATH, GNU_PROPERTY_X86_FEATURE_1_IBT and _SHSTK), read by readelf
of GNU binutils. __stack_chk_fail and the __*_chk functions are the C library's, named in the Linux Standard Base. The list
itself is common practice.

    hardened.py [FOLDER]...     build folders; build/ and build/clang/ when none is given
"""
import sys

sys.dont_write_bytecode = True
import pathlib
import re
import subprocess

from common import ROOT, Checks, temporary

PROGRAMS = ("taretrace", "taretrace-record")
FORTIFIED = re.compile(r"\b(?:__\w+_chk)\b(?<!__stack_chk_fail)")
LIBRARIES = ("libtt_support.a", "libtt_definitions.a", "libtt_stages.a", "libtt_outputs.a", "libtt_commands.a",
             "libtt_capture.a")


def readelf(*arguments):
    return subprocess.run(["readelf", "-W", *map(str, arguments)], capture_output=True, text=True, check=True,
                          env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"}).stdout


def segments(listing):
    """{kind: flags such as 'R E' of the segments of that kind}"""
    found = {}
    for line in listing.splitlines():
        parts = re.match(r"\s+([A-Z_]+)\s+0x\S+ 0x\S+ 0x\S+ 0x\S+ 0x\S+ ([R ][W ][E ])", line)
        if parts:
            found.setdefault(parts[1], []).append(parts[2])
    return found


def check_program(checks, program):
    name = f"{program.parent.name}/{program.name}"
    header, loads, dynamic = readelf("-h", program), segments(readelf("-l", program)), readelf("-d", program)
    checks.that(re.search(r"Type:\s+DYN", header) and re.search(r"\(FLAGS_1\).*\bPIE\b", dynamic),
                f"{name} is not position independent")
    checks.that("GNU_RELRO" in loads, f"{name} has no RELRO segment")
    checks.that(re.search(r"\(FLAGS\).*\bBIND_NOW\b", dynamic) or re.search(r"\(FLAGS_1\).*\bNOW\b", dynamic),
                f"{name} is bound lazily: its table of functions stays writable")
    checks.equal(loads.get("GNU_STACK"), ["RW "], f"{name}: flags of the stack")
    checks.that(loads.get("LOAD") and not any("W" in flags and "E" in flags for flags in loads["LOAD"]),
                f"{name} has a segment that is writable and executable")
    checks.that(not re.search(r"\((?:TEXTREL|RPATH|RUNPATH)\)", dynamic), f"{name} has TEXTREL, RPATH or RUNPATH")
    symbols = readelf("--dyn-syms", program)
    checks.that("__stack_chk_fail" in symbols, f"{name} has no stack protector")
    fortified = set(FORTIFIED.findall(symbols))
    checks.that(len(fortified) >= 3, f"{name}: fortified calls: {sorted(fortified)}")


def check_objects(checks, folder):
    """Each object file of ours carries the marks; the linked program has them only where the C library's own start-up code
    does, which Debian 12's does not."""
    for library in LIBRARIES:
        listing = readelf("-n", folder / library)
        members = re.split(r"^File: ", listing, flags=re.M)[1:]
        checks.that(members, f"{folder.name}/{library} has no object files")
        for member in members:
            marks = re.search(r"x86 feature: (.*)", member)
            checks.that(marks and "IBT" in marks[1] and "SHSTK" in marks[1],
                        f"{folder.name}: {member.splitlines()[0]} is not marked IBT and SHSTK")


def check_control(checks):
    """That the look can fail: a program built without any of it."""
    with temporary() as name:
        folder = pathlib.Path(name)
        (folder / "bare.c").write_text('#include <stdio.h>\nint main(void) { char t[9]; return scanf("%8s", t); }\n')
        subprocess.run(["gcc", "-O0", "-U_FORTIFY_SOURCE", "-fno-stack-protector", "-fno-pie", "-no-pie", "-Wl,-z,norelro",
                        "-Wl,-z,lazy", "-Wl,-z,execstack", "-Wl,-rpath,elsewhere", "-o", folder / "bare", folder / "bare.c"],
                       check=True, capture_output=True)
        other = Checks(most=0)
        check_program(other, folder / "bare")
        checks.equal(other.failed, 7, "a program built without any of it: faults found")


def main():
    checks = Checks()
    folders = [pathlib.Path(name) for name in sys.argv[1:]] or [ROOT / "build", ROOT / "build" / "clang"]
    for folder in folders:
        for program in PROGRAMS:
            check_program(checks, folder / program)
        if "X86-64" in readelf("-h", folder / PROGRAMS[0]):
            check_objects(checks, folder)
    check_control(checks)
    checks.finish()


main()
