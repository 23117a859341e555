#!/usr/bin/python3
"""The programs as they were built: what an attacker would miss in them.

Source: readelf(1) of GNU binutils; the ELF gABI and the GNU extensions of the Linux Foundation's LSB for PT_GNU_STACK and
PT_GNU_RELRO; DF_1_NOW and DF_1_PIE of <elf.h>. That the look itself can fail is shown on a program built without all that.
"""
import sys

sys.dont_write_bytecode = True
import pathlib
import subprocess

from common import TARETRACE, Checks, temporary


def readelf(*arguments):
    return subprocess.run(["readelf", "-W", *arguments], capture_output=True, text=True, check=True).stdout


def faults(program):
    """What is missing, in words."""
    header, segments, dynamic = readelf("-h", program), readelf("-l", program), readelf("-d", program)
    symbols = {word.split("@")[0] for word in readelf("--dyn-syms", program).split() if "@" in word}
    stack = [line.split() for line in segments.splitlines() if "GNU_STACK" in line]
    loads = [line.split() for line in segments.splitlines() if line.strip().startswith("LOAD")]
    flags = [line for line in dynamic.splitlines() if "(FLAGS_1)" in line]
    found = []
    if "DYN" not in header or not any("PIE" in line for line in flags):
        found.append("not position independent")
    if not any("NOW" in line for line in flags):
        found.append("symbols are bound late")
    if "GNU_RELRO" not in segments:
        found.append("relocations stay writable")
    if len(stack) != 1 or "E" in "".join(stack[0][6:-1]):
        found.append("the stack can be executed")
    if any("W" in "".join(load[6:-1]) and "E" in "".join(load[6:-1]) for load in loads):
        found.append("a segment is writable and executable")
    if "__stack_chk_fail" not in symbols:
        found.append("no stack protection")
    if not any(name.endswith("_chk") and name != "__stack_chk_fail" for name in symbols):
        found.append("no fortified calls")
    if "RPATH" in dynamic or "RUNPATH" in dynamic:
        found.append("libraries are looked for elsewhere")
    return found


def main():
    checks = Checks()
    program = pathlib.Path(TARETRACE)
    for path in (program, program.parent / "taretrace-record"):
        checks.equal(faults(path), [], path.name)
    with temporary() as folder:
        folder = pathlib.Path(folder)
        (folder / "bare.c").write_text('#include <stdio.h>\nint main(void) { char t[9]; return scanf("%8s", t); }\n')
        subprocess.run(["gcc", "-O0", "-U_FORTIFY_SOURCE", "-fno-stack-protector", "-fno-pie", "-no-pie", "-Wl,-z,norelro",
                        "-Wl,-z,lazy", "-Wl,-z,execstack", "-Wl,-rpath,elsewhere", "-o", folder / "bare", folder / "bare.c"],
                       check=True, capture_output=True)
        checks.equal(faults(folder / "bare"),
                     ["not position independent", "symbols are bound late", "relocations stay writable",
                      "the stack can be executed", "no stack protection", "no fortified calls",
                      "libraries are looked for elsewhere"], "a program built without any of it")
    checks.finish()


main()
