#!/usr/bin/python3
"""Every command that README.md and docs/*.md show is run, so that the manual cannot rot.

Source: the pages themselves. In each block marked ```sh, every line that begins with `taretrace` or `sh` is run (a line
that ends with a backslash goes on in the next). It must end with 0, or with N where the line says `# ends N`. Commands of
one page share a fresh folder in which traces/, definitions/ and docs/ of the repository can be seen; `sh` commands run at
the top of the repository. `sh tests/run` is this run itself and only looked up.
"""
import sys

sys.dont_write_bytecode = True
import os
import pathlib
import re
import subprocess

from common import ROOT, TARETRACE, Checks, temporary

BLOCK = re.compile(r"^```sh\n(.*?)^```", re.M | re.S)
ENDS = re.compile(r"#\s*ends (\d+)")


def commands(page):
    """(command, exit code it must end with) in the order of the page."""
    for block in BLOCK.findall(page.read_text(encoding="utf-8")):
        for line in block.replace("\\\n", " ").splitlines():
            line = line.strip()
            if line.startswith(("taretrace ", "sh ")):
                ends = ENDS.search(line)
                yield line, int(ends[1]) if ends else 0


def run_page(checks, page, folder):
    for name in ("traces", "definitions", "docs"):
        (folder / name).symlink_to(ROOT / name)
    environment = {**os.environ, "PATH": f"{pathlib.Path(TARETRACE).parent}:{os.environ['PATH']}"}
    for command, code in commands(page):
        where = f"{page.relative_to(ROOT)}: {command}"
        if command.startswith("sh tests/run"):
            checks.that((ROOT / "tests" / "run").is_file(), where)
            continue
        place = ROOT if command.startswith("sh ") else folder
        result = subprocess.run(["sh", "-c", command], cwd=place, env=environment, capture_output=True, timeout=900,
                                stdin=subprocess.DEVNULL, check=False)
        checks.that(result.returncode == code, lambda: f"{where}: ended {result.returncode}, expected {code}: "
                    + result.stderr.decode(errors="replace")[:400])


def main():
    checks = Checks()
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]:
        with temporary() as folder:
            run_page(checks, page, pathlib.Path(folder))
    checks.finish()


main()
