#!/usr/bin/python3
"""Sealed job folders of every format and version that changed what is derived are kept, and audit still takes them.

Source: RELIABILITY list 27 (project), D 11.3: a folder of the present version passes whole; one of an older one is
answered with its hashes and signature good and "not derived again" (2); none is ever called changed. Each folder of
tests/golden holds `job` and the public key `pub.pem` it was signed with (the private one was thrown away).

    kept_formats.py            checks
    kept_formats.py --keep N   writes tests/golden/format-N with the present program: when a format is new (N), or a version
                               that derives other bytes (1-version-0.2)
"""
import sys

sys.dont_write_bytecode = True
import pathlib
import shutil
import subprocess
import tempfile

from common import JOBS, ROOT, TARETRACE, Checks

KEPT = ROOT / "tests/golden"


def keep(number):
    folder = KEPT / f"format-{number}"
    folder.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as name:
        key = pathlib.Path(name) / "key.pem"
        subprocess.run(["openssl", "genpkey", "-algorithm", "ed25519", "-out", key], check=True)
        key.chmod(0o600)
        subprocess.run(["openssl", "pkey", "-in", key, "-pubout", "-out", folder / "pub.pem"], check=True)
        job = JOBS / "try-withdrawn"
        subprocess.run([TARETRACE, "verify", job / "trace.pcap", "--definitions", ROOT / "traces/definitions/seat-scale.yaml",
                        "--marks", job / "marks.jsonl", "--into", folder / "job"], stdout=subprocess.DEVNULL)
        subprocess.run([TARETRACE, "seal", folder / "job", "--key", key], check=True)


def main():
    if sys.argv[1:2] == ["--keep"]:
        keep(sys.argv[2])
        return
    checks = Checks()
    folders = sorted(path for path in KEPT.iterdir() if path.is_dir())
    whole = []
    checks.that(len(folders) >= 1, "no folder is kept")
    with tempfile.TemporaryDirectory() as name:
        for folder in folders:
            copy = pathlib.Path(name) / folder.name
            shutil.copytree(folder, copy)
            done = subprocess.run([TARETRACE, "audit", copy / "job", "--public-key", copy / "pub.pem"],
                                  capture_output=True, text=True)
            said = done.stdout + done.stderr
            whole += [folder.name] * (done.returncode == 0)
            checks.that(done.returncode == 0 or (done.returncode == 2 and "not derived again" in said),
                        f"{folder.name}: ended {done.returncode}: {said[:400]}")
            # A control: a changed byte is still found.
            verdict = copy / "job/verdict.json"
            verdict.write_bytes(verdict.read_bytes().replace(b"confirmed", b"Confirmed", 1))
            done = subprocess.run([TARETRACE, "audit", copy / "job", "--public-key", copy / "pub.pem"], capture_output=True)
            checks.equal(done.returncode, 1, f"{folder.name}: changed")
    checks.that(whole, "no folder of this version is kept: see --keep")
    checks.finish()


main()
