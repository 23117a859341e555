#!/usr/bin/python3
"""Runs one analyser over all files of the program and holds what it finds against explained.txt.

    findings.py fanalyzer             GCC -fanalyzer
    findings.py tidy BUILD_FOLDER     clang-tidy with .clang-tidy; needs compile_commands.json of a Clang build

A finding that explained.txt does not name is a failure; so is an explanation that nothing needs any more.
"""
import concurrent.futures
import os
import pathlib
import re
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
FINDING = re.compile(r"^(?P<file>[^:\n]+):(?P<line>\d+):\d+: warning: (?P<text>.*) \[(?P<check>[-A-Za-z.0-9,=]+)\]$", re.M)
FAULT = re.compile(r"^[^:\n]+:\d+:\d+: (fatal )?error: .*$", re.M)


def explained(tool):
    """{(file, check, part of the line): reason}"""
    found = {}
    for number, line in enumerate((ROOT / "tests/analysis/explained.txt").read_text().splitlines(), 1):
        if not line or line.startswith("#"):
            continue
        parts = [part.strip() for part in line.split(" | ")]
        if len(parts) != 5:
            sys.exit(f"tests/analysis/explained.txt:{number}: five parts with ' | ' between them, not {len(parts)}")
        if parts[0] == tool:
            found[tuple(parts[1:4])] = parts[4]
    return found


def command(tool, file, arguments):
    if tool == "tidy":
        return ["clang-tidy", "--quiet", "-p", arguments[0], str(file)]
    return ["gcc", "-std=gnu17", "-O1", "-fanalyzer", "-I.", "-Idecoder", "-Idefinitions", '-DTT_VERSION="0"', "-c",
            "-o", "/dev/null", str(file)]


def main():
    tool, arguments = sys.argv[1], sys.argv[2:]
    os.chdir(ROOT)
    files = sorted(file for folder in ("decoder", "definitions", "capture") for file in pathlib.Path(folder).rglob("*.c"))
    known, used, open_ones = explained(tool), set(), []

    def run(file):
        done = subprocess.run(command(tool, file, arguments), capture_output=True, text=True, errors="replace")
        return done.stdout + done.stderr

    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        for file, said in zip(files, pool.map(run, files)):
            open_ones += [match.group(0) for match in FAULT.finditer(said)]
            for match in FINDING.finditer(said):
                path = pathlib.Path(match["file"])
                name = str(path.relative_to(ROOT) if path.is_absolute() else path)
                source = (ROOT / name).read_text().splitlines()[int(match["line"]) - 1]
                check = match["check"].split(",")[0].removeprefix("-W")
                reasons = [key for key in known if key[0] == name and key[1] == check and key[2] in source]
                used.update(reasons)
                if not reasons:
                    open_ones.append(f"{name}:{match['line']}: {match['text']} [{check}]\n    {source.strip()}")
    for finding in dict.fromkeys(open_ones):
        print(finding)
    for key in sorted(set(known) - used):
        print(f"tests/analysis/explained.txt: nothing found any more: {' | '.join(key)}")
        open_ones.append(key)
    if open_ones:
        sys.exit(1)
    print(f"{tool}: nothing found in {len(files)} files but {len(used)} explained places")


main()
