#!/usr/bin/python3
"""Same input, same bytes out: a second run, a comma-decimal locale, another time zone, a sanitizer build, Clang.

Source: D 2.6. The locale is generated here with localedef (Debian package locales) into a folder of its own; a control
program, the shell's printf, first shows that it prints a comma. What is compared: every file of every example's job
folder, what verify prints, and for every eighth job what list prints.
"""
import sys

sys.dont_write_bytecode = True
import os
import pathlib
import shutil
import subprocess

from common import Checks, TARETRACE, jobs, run, temporary

LOCALES = (("de_DE", "UTF-8"), ("fr_FR", "UTF-8"))


def comma_locale(folder):
    """The environment of a locale with a decimal comma, proved by printf."""
    for name, charset in LOCALES:
        made = subprocess.run(["localedef", "-i", name, "-f", charset, "--no-archive", folder / f"{name}.{charset}"],
                              capture_output=True, check=False)
        environment = {"LOCPATH": str(folder), "LC_ALL": f"{name}.{charset}", "LANG": f"{name}.{charset}"}
        if made.returncode == 0 or (folder / f"{name}.{charset}").is_dir():
            shown = subprocess.run(["/usr/bin/printf", "%.1f", "0,5"], capture_output=True, check=False,
                                   env={**os.environ, **environment}).stdout.decode()
            if shown == "0,5":
                print(f"control: printf %.1f prints {shown} in {name}.{charset}")
                return environment
    raise SystemExit("no locale with a decimal comma could be made (package locales)")


def zone(name):
    environment = {"TZ": name}
    shown = subprocess.run(["date", "-d", "@0", "+%H:%M"], capture_output=True, check=True,
                           env={**os.environ, **environment}).stdout.decode().strip()
    if shown != "05:30":
        raise SystemExit(f"time zone {name} is not there (date shows {shown})")
    print(f"control: date shows {shown} for 00:00 UTC in {name}")
    return environment


def everything(job, folder, program, environment, listings):
    """All bytes that one run makes: {name: bytes}; with the listings in their three forms where asked for."""
    into = folder / "job"
    result = run("verify", *job.arguments(), "--into", into, program=program, environment=environment)
    found = {"exit": str(result.returncode).encode(), "stdout": result.stdout, "stderr": result.stderr}
    for path in sorted(into.rglob("*")):
        if path.is_file():
            found[str(path.relative_to(into))] = path.read_bytes()
    shutil.rmtree(into)
    if not listings:
        return found
    definitions = [argument for path in job.definitions for argument in ("--definitions", path)]
    for what in ("frames", "messages", "exchanges", "readings"):
        for form in ("text", "csv", "jsonl"):
            result = run("list", what, job.trace, *definitions, "--format", form, program=program,
                         environment=environment)
            found[f"list {what} {form}"] = str(result.returncode).encode() + b"\n" + result.stdout
    return found


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name)
        (folder / "locale").mkdir()
        comma = comma_locale(folder / "locale")
        variants = [("a second run", TARETRACE, {}), ("a decimal comma", TARETRACE, comma),
                    ("Asia/Kolkata", TARETRACE, zone("Asia/Kolkata"))]
        for label, variable in (("the sanitizer build", "TARETRACE_SANITIZED"), ("Clang", "TARETRACE_CLANG")):
            program = os.environ.get(variable)
            if not program:
                print(f"not compared: {label} ({variable} is not set)")
            elif checks.that(os.access(program, os.X_OK), f"{variable}: {program} is no program"):
                variants.append((label, program, comma if label == "Clang" else {}))
        for index, job in enumerate(jobs()):
            listings = index % 8 == 0 or job.name == "clean"
            first = everything(job, folder, TARETRACE, {}, listings)
            checks.that({"verdict.json", "log.jsonl", "readings.csv"} <= first.keys(), f"{job.name}: files are missing")
            for label, program, environment in variants:
                other = everything(job, folder, program, environment, listings)
                for file in sorted(first.keys() | other.keys()):
                    checks.that(first.get(file) == other.get(file), f"{job.name}: {file} differs with {label}")
    checks.finish()


if __name__ == "__main__":
    main()
