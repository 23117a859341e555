#!/usr/bin/python3
"""Every command that README.md, DEVELOPERS.md and docs/*.md show is run, so that the manual cannot rot.

Source: the pages themselves. In each block marked ```sh, every line that begins with one of BEGINNINGS is run (a line
that ends with a backslash goes on in the next). It must end with 0, or with N where the line says `# ends N`. A block
marked ```text right after it must stand, line by line, in what the last command printed; "..." stands for lines left out.
Commands of one page share a fresh folder in which traces/, definitions/ and docs/ of the repository can be seen; `sh`
commands run at the top of the repository. `sh tests/run` is this run itself and only looked up.
"""
import sys

sys.dont_write_bytecode = True
import os
import pathlib
import re
import subprocess

from common import ROOT, TARETRACE, Checks, temporary

BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.M | re.S)
ENDS = re.compile(r"#\s*ends (\d+)")
BEGINNINGS = ("taretrace ", "sh ", "openssl genpkey ", "openssl pkey", "cut ", "(cd ", "find ", "cp ", "rm ", "diff ",
              "printf ", "od ")


def commands(block):
    """(command, exit code it must end with) in order."""
    for line in block.replace("\\\n", " ").splitlines():
        line = line.strip()
        if line.startswith(BEGINNINGS):
            ends = ENDS.search(line)
            yield line, int(ends[1]) if ends else 0


def run_command(checks, where, command, code, folder):
    """Runs one command; gives what it printed."""
    environment = {**os.environ, "PATH": f"{pathlib.Path(TARETRACE).parent}:{os.environ['PATH']}"}
    place = ROOT if command.startswith("sh ") else folder
    result = subprocess.run(["sh", "-c", command], cwd=place, env=environment, capture_output=True, timeout=900,
                            stdin=subprocess.DEVNULL, check=False)
    checks.that(result.returncode == code, lambda: f"{where}: ended {result.returncode}, expected {code}: "
                + result.stderr.decode(errors="replace")[:400])
    return result.stdout.decode(errors="replace").splitlines()


def check_shown(checks, where, shown, printed):
    """The lines of a ```text block stand in the output, one after another, "..." over any number of them."""
    at, gap = 0, True
    for line in shown.splitlines():
        if line.strip() == "...":
            gap = True
            continue
        found = next((index for index in range(at, len(printed)) if printed[index].rstrip() == line.rstrip()), None)
        good = found is not None and (gap or found == at)
        if not checks.that(good, f"{where}: the page shows a line that is not printed there: {line!r}"):
            return
        at, gap = found + 1, False


def run_page(checks, page, folder):
    for name in ("traces", "definitions", "docs"):
        (folder / name).symlink_to(ROOT / name)
    printed = None
    for kind, block in BLOCK.findall(page.read_text(encoding="utf-8")):
        if kind == "text" and printed is not None:
            check_shown(checks, page.relative_to(ROOT), block, printed)
        printed = None
        for command, code in commands(block) if kind == "sh" else ():
            where = f"{page.relative_to(ROOT)}: {command}"
            if command.startswith("sh tests/run"):
                checks.that((ROOT / "tests" / "run").is_file(), where)
            else:
                printed = run_command(checks, where, command, code, folder)


def main():
    checks = Checks()
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]:
        with temporary() as folder:
            run_page(checks, page, pathlib.Path(folder))
    checks.finish()


main()
