#!/usr/bin/python3
"""Sealed job folders against ordinary tools, and every way of spoiling one: each gets the named answer.

Sources: D 11; RFC 8032 (python3-nacl's own Ed25519), RFC 3161 (`openssl ts` as a test authority); coreutils' `sha256sum
-c`; `openssl pkeyutl -verify -rawin`. What a spoiled folder must be called is D 11.3. Folders are made by recorded.py.
"""
import sys

sys.dont_write_bytecode = True
import copy
import os
import pathlib
import re
import shutil
import socket
import stat
import subprocess

import nacl.exceptions
import nacl.signing

import recorded
from common import ROOT, TARETRACE, Checks, Job, run, temporary
from same_bytes import comma_locale, zone

SIGNATURE = "MANIFEST.sha256.sig"
DERIVED = ("readings.csv", "log.jsonl", "verdict.json", "report.html")


def tool(*arguments, folder=None, good=True):
    """An ordinary program; its output. good: must it end with 0 (None: it does not matter)?"""
    result = subprocess.run([str(argument) for argument in arguments], cwd=folder, capture_output=True, timeout=60,
                            stdin=subprocess.DEVNULL, check=False)
    if good is not None and (result.returncode == 0) != good:
        raise SystemExit(f"{' '.join(map(str, arguments))} ended {result.returncode}: {result.stderr.decode()[:600]}")
    return result.stdout


class Keys:
    """Two signers: the one who vouches, and another."""

    def __init__(self, folder):
        self.folder = folder
        for name in ("key", "other"):
            tool("openssl", "genpkey", "-algorithm", "ED25519", "-out", folder / f"{name}.pem")
            tool("openssl", "pkey", "-in", folder / f"{name}.pem", "-pubout", "-out", folder / f"{name}-pub.pem")
            os.chmod(folder / f"{name}.pem", 0o600)
        self.key, self.public = folder / "key.pem", folder / "key-pub.pem"
        self.other, self.other_public = folder / "other.pem", folder / "other-pub.pem"


def manifest_of(folder):
    """As `find | sort | sha256sum` would make it."""
    names = sorted(str(path.relative_to(folder)) for path in folder.rglob("*")
                   if path.is_file() and not path.is_symlink() and not path.name.startswith("MANIFEST."))
    return "".join(f"{recorded.sha256((folder / name).read_bytes())}  {name}\n" for name in names).encode()


def sign(folder, key, manifest=None):
    """What somebody with a key does who does not use taretrace."""
    if manifest is None:
        manifest = manifest_of(folder)
    (folder / "MANIFEST.sha256").write_bytes(manifest)
    seed = tool("openssl", "pkey", "-in", key, "-outform", "DER")[-32:]  # RFC 8410 7: the key is the last octet string
    (folder / SIGNATURE).write_bytes(nacl.signing.SigningKey(seed).sign(manifest).signature)


class Bench:
    """A sealed folder, of which spoiled copies are made."""

    def __init__(self, checks, root, keys, sealed):
        self.checks, self.root, self.keys, self.sealed = checks, root, keys, sealed
        self.count = 0

    def copy(self, source=None):
        self.count += 1
        target = self.root / f"copy-{self.count}"
        shutil.copytree(source or self.sealed, target, symlinks=True)
        return target

    def audit(self, folder, answer, words="", public="public", code=None, more=(), **how):
        """The audit must give this answer as its last line, and words in some line."""
        key = ["--public-key", getattr(self.keys, public)] if public else []
        result = run("audit", folder, *key, *more, **how)
        text = result.stdout.decode()
        last = text.splitlines()[-1] if text else ""
        expected = code if code is not None else 0 if answer == "passed" else \
            2 if answer in ("signer unknown", "another version's job") else 1
        where = f"{folder.name} ({answer})"
        self.checks.that(result.returncode == expected and last.startswith(answer + ":"),
                         lambda: f"{where}: ended {result.returncode}: {text[-900:]}{result.stderr.decode()[-300:]}")
        self.checks.that(words in text, lambda: f"{where}: nothing is said of {words!r}: {text[-900:]}")
        ends = {"passed": "whole, signed by the key given, and reproduced byte for byte",
                "not sealed": "nobody vouches for this folder"}.get(answer, "this folder is not to be relied on")
        if expected != 2:
            self.checks.that(last.endswith(": " + ends), lambda: f"{where}: last line {last!r}")
        return text

    def spoil(self, label, change, answer, words="", **how):
        """A copy is changed, and the audit says what it is."""
        folder = self.copy().rename(self.root / f"{label} {self.count}")
        change(folder)
        try:
            self.audit(folder, answer, words, **how)
        finally:
            shutil.rmtree(folder)


def edit(name, change):
    """A change of one file's bytes."""
    def on(folder):
        path = folder / name
        content = path.read_bytes()
        changed = change(content)
        if changed == content:
            raise SystemExit(f"{name}: the edit changes nothing")
        path.write_bytes(changed)
    return on


def flip(at):
    return lambda content: content[:at] + bytes([content[at] ^ 1]) + content[at + 1:]


def then_sign(change, key):
    def on(folder):
        change(folder)
        sign(folder, key)
    return on


def replace_by(name, make):
    def on(folder):
        (folder / name).unlink()
        make(folder / name)
    return on


def link_to_copy(path):
    """A link to a file with the right content, outside the folder."""
    outside = path.parent.parent / f"outside-{path.parent.name}"
    outside.write_bytes(next(path.parent.parent.glob("sealed")).joinpath(path.name).read_bytes())
    path.symlink_to(outside)


def plug(path):
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(path))


# ---- what ordinary tools say ----

def ordinary_tools(checks, folder, keys, said):
    tool("sha256sum", "-c", "--strict", "--quiet", "MANIFEST.sha256", folder=folder)
    out = tool("openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", keys.public, "-in",
               folder / "MANIFEST.sha256", "-sigfile", folder / SIGNATURE)
    checks.that(b"Signature Verified Successfully" in out, "openssl does not take the signature")
    tool("openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", keys.other_public, "-in",
         folder / "MANIFEST.sha256", "-sigfile", folder / SIGNATURE, good=False)
    der = tool("openssl", "pkey", "-pubin", "-in", keys.public, "-outform", "DER")
    checks.that(recorded.sha256(der) in said, "seal does not print the fingerprint that openssl and sha256sum give")
    content, signature = (folder / "MANIFEST.sha256").read_bytes(), (folder / SIGNATURE).read_bytes()
    checks.equal(len(signature), 64, "length of the signature")
    key = nacl.signing.VerifyKey(der[-32:])  # RFC 8410 4: the last 32 bytes are the key
    try:
        key.verify(content, signature)
        checks.that(True, "")
    except nacl.exceptions.BadSignatureError:
        checks.that(False, "PyNaCl does not take the signature")
    checks.equal(content, manifest_of(folder), "MANIFEST.sha256 against find, sort and sha256sum")
    names = [line.split("  ", 1)[1] for line in content.decode().splitlines()]
    checks.equal(names, sorted(names, key=lambda name: name.encode()), "order of the manifest")
    checks.that(set(DERIVED) <= set(names) and "recorder.jsonl" in names, f"not everything is listed: {names}")


def page_commands(heading):
    """The lines of the ```sh blocks below a heading of docs/checking.md, word for word."""
    page = (ROOT / "docs" / "checking.md").read_text(encoding="utf-8")
    part = page.split(f"\n## {heading}\n")[1].split("\n## ")[0]
    return [line for kind, block in re.findall(r"^```(\w+)\n(.*?)^```$", part, re.M | re.S) if kind == "sh"
            for line in block.replace("\\\n", " ").splitlines()]


def follow_page(place, heading):
    """Types them in; what each printed, and whether all ended with 0. place holds the folder job."""
    printed, good = [], True
    for line in page_commands(heading):
        result = subprocess.run(["sh", "-c", line], cwd=place, capture_output=True, timeout=60, check=False,
                                stdin=subprocess.DEVNULL, env={**os.environ, "PATH":
                                f"{pathlib.Path(TARETRACE).parent}:{os.environ['PATH']}"})
        printed.append(result.stdout.decode())
        good = good and result.returncode == 0
    return printed, good


def the_page(bench):
    """docs/checking.md by hand: on a good folder nothing is found, and each kind of spoiling is found."""
    checks, place = bench.checks, bench.root / "page"

    def lay(change=None):
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        shutil.copyfile(bench.keys.public, place / "pub.pem")
        shutil.copytree(bench.sealed, place / "job", symlinks=True)
        if change:
            change(place / "job")

    lay()
    printed, good = follow_page(place, "By hand")
    checks.that(good and "Verified Successfully" in printed[1] and not any(printed[2:6]) and printed[-1] == "",
                lambda: f"docs/checking.md by hand, on a good folder: {good}, {printed}")
    # what each change must make the page's commands say: (index of the line, what it prints), or a failure
    for label, change, at in (("extra", lambda job: (job / "x").touch(), 4),
                              ("link", lambda job: (job / "x").symlink_to("verdict.json"), 5),
                              ("like a seal", lambda job: (job / "MANIFEST.sha256.bak").touch(), 4),
                              ("changed", edit("log.jsonl", flip(9)), 2), ("missing", lambda job: (job / "log.jsonl").unlink(), 2),
                              ("verdict", then_sign(edit("verdict.json", lambda text: text.replace(b"30 kg", b"31 kg") if
                                                         b"30 kg" in text else flip(99)(text)), bench.keys.key), -1)):
        lay(change)
        printed, good = follow_page(place, "By hand")
        checks.that(printed[at] != "" or (at == 2 and not good), lambda: f"docs/checking.md does not see: {label}: {printed}")
    lay(then_sign(edit("log.jsonl", flip(9)), bench.keys.other))
    checks.that("Successfully" not in follow_page(place, "By hand")[0][1], "docs/checking.md does not see another key")

    lay()
    printed, good = follow_page(place, "The recorder's log")
    checks.that(good and printed[0] == printed[1] == "" and printed[2] == printed[3] != "" and printed[4] == "",
                lambda: f"docs/checking.md, the recorder's log: {good}, {printed}")
    lay(lambda job: (job / "recorder.jsonl").write_bytes(b"".join(
        line for number, line in enumerate((job / "recorder.jsonl").read_bytes().splitlines(keepends=True)) if number != 4)))
    checks.that(follow_page(place, "The recorder's log")[0][1] != "", "docs/checking.md does not see a line taken out")
    lay(edit("trace-can0.pcap", flip(70)))
    printed, good = follow_page(place, "The recorder's log")
    checks.that(printed[2] != printed[3], "docs/checking.md does not see a trace that was changed")
    lay(edit("definitions/seat-scale.yaml", lambda text: text + b"#"))
    checks.that(not follow_page(place, "The recorder's log")[1], "docs/checking.md does not see limits that were changed")
    shutil.rmtree(place)


# ---- files of a sealed folder ----

def spoiled_files(bench):
    trace, marks = "trace-can0.pcap", "marks.jsonl"
    names = [path.relative_to(bench.sealed) for path in sorted(bench.sealed.rglob("*")) if path.is_file()]
    for name in map(str, names):
        if name == "MANIFEST.sha256":
            bench.spoil("removed", lambda folder, n=name: (folder / n).unlink(), "missing", "MANIFEST.sha256")
        elif name == SIGNATURE:
            bench.spoil("removed", lambda folder, n=name: (folder / n).unlink(), "not sealed", "signature")
        else:
            bench.spoil("removed", lambda folder, n=name: (folder / n).unlink(), "missing", name)
        bench.spoil("cut", edit(name, lambda content: content[:-1]), "changed", name)
        bench.spoil("longer", edit(name, lambda content: content + b"\n"), "changed", name)
        bench.spoil("empty", edit(name, lambda content: b""), "changed", name)
        # one bit of the signature: no way to tell it from another key's
        bench.spoil("bit", edit(name, flip(7)), "other key" if name == SIGNATURE else "changed")
        if not name.startswith("definitions/"):
            bench.spoil("link", replace_by(name, link_to_copy), "changed", "a symbolic link")
            bench.spoil("pipe", replace_by(name, os.mkfifo), "changed", "a pipe")
        bench.spoil("folder", replace_by(name, os.mkdir), "changed", "a folder")
    bench.spoil("socket", replace_by(marks, plug), "changed", "a socket")
    if os.getuid() == 0:
        bench.spoil("device", replace_by(marks, lambda path: os.mknod(path, 0o644 | stat.S_IFCHR, os.makedev(1, 5))),
                    "changed", "a device")
    bench.spoil("dead link", replace_by(marks, lambda path: path.symlink_to("nowhere")), "changed", "a symbolic link")

    def both_gone(folder):
        (folder / "MANIFEST.sha256").unlink()
        (folder / SIGNATURE).unlink()
    bench.spoil("unsealed", both_gone, "not sealed", "taretrace seal")

    def swapped(folder):
        (folder / marks).rename(folder / "x")
        (folder / trace).rename(folder / marks)
        (folder / "x").rename(folder / trace)
    bench.spoil("swapped", swapped, "changed", marks)
    for name in ("extra.txt", "definitions/more.yaml", "MANIFEST.sha256.bak", ".hidden", "trace-can0-2.pcap",
                 "two words", "line\nfeed", "\x1b]52;c;x\x07"):
        bench.spoil("extra", lambda folder, n=name: (folder / n).write_bytes(b"x"), "extra file")
    bench.spoil("extra link", lambda folder: (folder / "x").symlink_to("verdict.json"), "extra file", "a symbolic link")
    bench.spoil("extra folder", lambda folder: (folder / "x").mkdir(), "extra file", "a folder")
    bench.spoil("extra pipe", lambda folder: os.mkfifo(folder / "x"), "extra file", "a pipe")

    def linked_definitions(folder):
        shutil.move(folder / "definitions", folder.parent / f"moved-{folder.name}")
        (folder / "definitions").symlink_to(folder.parent / f"moved-{folder.name}")
    bench.spoil("definitions a link", linked_definitions, "missing", "definitions is a symbolic link")
    text = bench.audit(bench.sealed, "signer unknown", public=None)
    bench.checks.that("--public-key" in text, "a missing key is not asked for")
    bench.audit(bench.sealed, "other key", public="other_public")


# ---- manifests, signed by the right key but not as this program makes them ----

def spoiled_manifests(bench):
    good = (bench.sealed / "MANIFEST.sha256").read_bytes()
    lines = good.splitlines(keepends=True)
    first = lines[0]

    def signed(manifest):
        return lambda folder: sign(folder, bench.keys.key, manifest)
    for label, manifest, words in (
            ("empty", b"", "lists nothing"),
            ("line ends", good.replace(b"\n", b"\r\n"), "carriage return"),
            ("upper case", first[:64].upper() + first[64:] + b"".join(lines[1:]), "upper case"),
            ("twice", first + good, "twice"),
            ("unsorted", b"".join(reversed(lines)), "not sorted"),
            ("upward", lines[0][:66] + b"../outside\n" + b"".join(lines[1:]), '".."'),
            ("absolute", lines[0][:66] + b"/etc/passwd\n" + b"".join(lines[1:]), "absolute path"),
            ("other folder", lines[0][:66] + b"other/file\n" + b"".join(lines[1:]), "another folder"),
            ("escaped", b"\\" + first[:66] + b"a\\nb\n" + b"".join(lines[1:]), "backslash"),
            ("binary mode", good.replace(b"  ", b" *"), "two spaces"),
            ("zero byte", good.replace(b"verdict", b"ver\0ict"), "zero byte"),
            ("no last line feed", good[:-1], "cut off"),
            ("comment", b"# sealed\n" + good, "64 hex digits"),
            ("itself", b"".join(sorted(lines + [b"0" * 64 + b"  MANIFEST.sha256.sig\n"],
                                       key=lambda line: line[66:])), "lists itself")):
        bench.spoil(label, signed(manifest), "changed", words)
    bench.spoil("a line left out", signed(b"".join(line for line in lines if b"marks.jsonl" not in line)), "extra file",
                "marks.jsonl")
    for size in (0, 63, 65, 128):
        bench.spoil("signature's length", lambda folder, n=size: (folder / SIGNATURE).write_bytes(
            ((folder / SIGNATURE).read_bytes() * 2)[:n]), "changed", SIGNATURE)


# ---- whoever signs anew ----

def signed_anew(bench):
    keys = bench.keys
    for name, change in (("trace-can0.pcap", flip(60)), ("verdict.json", lambda text: text.replace(b"confirmed", b"Confirmed")),
                         ("marks.jsonl", flip(20))):
        bench.spoil("attacker", then_sign(edit(name, change), keys.other), "other key")
    # The signer himself, who writes another verdict: whoever derives it anew sees where.
    for name in DERIVED:
        content = (bench.sealed / name).read_bytes()
        at = len(content) // 2
        bench.spoil("edited", then_sign(edit(name, flip(at)), keys.key), "not reproduced", f"{name} does not follow from "
                    f"the record: the first difference is at offset {at}")
        bench.spoil("cut", then_sign(edit(name, lambda text: text[:-9]), keys.key), "not reproduced",
                    f"offset {len(content) - 9}, where it ends")
        bench.spoil("longer", then_sign(edit(name, lambda text: text + b"\n"), keys.key), "not reproduced",
                    f"offset {len(content)}, where what follows ends")
        bench.spoil("left out", then_sign(lambda folder, n=name: (folder / n).unlink(), keys.key), "not reproduced",
                    f"{name} follows from the record and is not in the folder")
    bench.spoil("trace changed", then_sign(edit("trace-can0.pcap", flip(24 + 32 * 9 + 28)), keys.key), "changed",
                "not the trace that was recorded")
    bench.spoil("definitions broken", then_sign(edit("definitions/seat-scale.yaml", lambda text: text + b"\n  x: [\n"),
                                                keys.key), "not reproduced")
    for text in (b'"format": 2', b'"format": 77'):
        bench.spoil("another format", then_sign(edit("verdict.json", lambda content, t=text: content.replace(
            b'"format": 1', t, 1)), keys.key), "another version's job", "not derived again")
    bench.spoil("another version", then_sign(edit("verdict.json", lambda content: content.replace(
        b'"version": "0.2"', b'"version": "0.9"', 1)), keys.key), "another version's job", "version 0.9")
    bench.spoil("another version, no key", then_sign(edit("verdict.json", lambda content: content.replace(
        b'"format": 1', b'"format": 2', 1)), keys.key), "another version's job", public=None)
    bench.spoil("a photo", then_sign(lambda folder: (folder / "photo.jpg").write_bytes(b"x"), keys.key), "passed",
                "photo.jpg")


# ---- changed before it was sealed ----

def before_sealing(bench, job):
    def log(change):
        def on(folder):
            lines = recorded.read_log(folder / "recorder.jsonl")
            (folder / "recorder.jsonl").write_bytes(recorded.chain(change(lines)))
        return on

    def raw(change):
        return lambda folder: (folder / "recorder.jsonl").write_bytes(b"".join(change(
            (folder / "recorder.jsonl").read_bytes().splitlines(keepends=True))))

    def without(number):
        return lambda lines: [line for line in lines if line.get("number") != number]

    def renumbered(number):
        def on(lines):
            kept = without(number)(lines)
            count = 0
            for line in kept:
                if line["kind"] == "checkpoint":
                    count += 1
                    line["number"] = count
            return kept
        return on

    def late_then_gap(lines):
        """One checkpoint is said to be late; three others are taken out without a word."""
        late = {**recorded.clocks(recorded.parse_time(lines[2]["time"]) + 1, recorded.parse_time(lines[0]["time"])),
                "kind": "event", "bus": None, "what": "checkpoint late", "after_frame": 0, "before_frame": 0,
                "count": None, "detail": None}
        return renumbered(7)(renumbered(8)(renumbered(9)(lines[:3] + [late] + lines[3:])))

    def changed_sum(lines):
        lines[4]["buses"][0]["sha256"] = "0" * 64
        return lines
    limits = edit("definitions/seat-scale.yaml", lambda text: text.replace(b"33.4 kg", b"36.4 kg"))
    cases = [
        ("cut in the middle", raw(lambda lines: lines[:5]), "fewer checkpoints than recorded", "goes on for"),
        ("line taken out", raw(lambda lines: lines[:5] + lines[6:]), "chain broken", "line 6"),
        ("lines exchanged", raw(lambda lines: lines[:5] + [lines[6], lines[5]] + lines[7:]), "chain broken", "line 6"),
        ("line repeated", raw(lambda lines: lines[:5] + [lines[4]] + lines[5:]), "chain broken", "line 6"),
        ("byte changed", raw(lambda lines: lines[:3] + [lines[3].replace(b"true", b"fals", 1)] + lines[4:]),
         "chain broken", "line"),
        ("first line gone", raw(lambda lines: lines[1:]), "chain broken", "line 1"),
        ("empty", raw(lambda lines: []), "chain broken", "no whole line"),
        ("gap, chained anew", log(without(7)), "fewer checkpoints than recorded", "is checkpoint 8"),
        ("gap, chained and numbered anew", log(lambda lines: renumbered(7)(renumbered(8)(renumbered(9)(lines)))),
         "fewer checkpoints than recorded", "where one is made each second"),
        ("gap, after another that was told", log(late_then_gap), "fewer checkpoints than recorded",
         "where one is made each second"),
        ("sum changed, chained anew", log(changed_sum), "changed", "not the trace that was recorded"),
        ("limits", limits, "changed", "limits were changed before it was sealed"),
        ("marks", edit("marks.jsonl", lambda text: text.replace(b"Level", b"Other")), "changed", "marks were changed"),
        ("trace", edit("trace-can0.pcap", flip(24 + 32 * 20 + 27)), "changed", "not the trace that was recorded"),
        ("trace cut", edit("trace-can0.pcap", lambda text: text[:24 + 32 * 150]), "changed", "trace-can0.pcap"),
        ("trace longer", edit("trace-can0.pcap", lambda text: text + text[-32:]), "changed", "trace-can0.pcap"),
    ]
    for label, change, answer, words in cases:
        bench.count += 1
        folder = recorded.make(job, bench.root / f"before-{bench.count}")
        change(folder)
        result = run("seal", folder, "--key", bench.keys.key)
        if bench.checks.equal(result.returncode, 0, f"sealing ({label}): {result.stderr.decode()[:300]}"):
            text = bench.audit(folder, answer, words)
            bench.checks.that("passed" not in text, f"{label}: says passed")
        shutil.rmtree(folder)
    # A withdrawal of the day after can turn an answer round: allowed, and said.
    folder = recorded.make(job, bench.root / "afterwards")
    with open(folder / "marks.jsonl", "ab") as file:
        file.write(b'{"time":"2026-03-03T08:00:00Z","kind":"withdrawal","withdraws":1,"text":"it was not"}\n')
    bench.checks.equal(run("seal", folder, "--key", bench.keys.key).returncode, 0, "sealing a job with a late mark")
    bench.audit(folder, "passed", "line 4 of marks.jsonl was stated afterwards")
    shutil.rmtree(folder)
    # A recorder that was killed leaves no closing line: sound, and said.
    folder = recorded.make(job, bench.root / "killed", ends=False)
    bench.checks.equal(run("seal", folder, "--key", bench.keys.key).returncode, 0, "sealing a recording that broke off")
    text = bench.audit(folder, "passed", "has no end")
    bench.checks.that("that the recorder kept silent on the bus: until frame" in text, f"killed: silence not told: {text}")
    shutil.rmtree(folder)
    # A definition file that the recorder never saw: allowed, and said.
    folder = recorded.make(job, bench.root / "later")
    lines = recorded.read_log(folder / "recorder.jsonl")
    count = sum(line["kind"] == "checkpoint" for line in lines)
    lines[0]["definitions"] = []
    (folder / "recorder.jsonl").write_bytes(recorded.chain(lines))
    bench.checks.equal(run("seal", folder, "--key", bench.keys.key).returncode, 0, "sealing a job with later limits")
    text = bench.audit(folder, "passed", "definitions/seat-scale.yaml came later")
    bench.checks.that(f"{count} checkpoints of the recorder are in order" in text, f"later: {count} checkpoints not told")
    shutil.rmtree(folder)
    # A challenge counts as the first mark alone (D 11.1).
    challenge = b'{"time":"2026-03-02T08:00:00.5Z","kind":"challenge","text":"blue ladder 7"}\n'
    first = copy.copy(job)
    first.marks = bench.root / "challenge.jsonl"
    first.marks.write_bytes(challenge + job.marks.read_bytes())
    folder = recorded.make(first, bench.root / "challenged")
    bench.checks.equal(run("seal", folder, "--key", bench.keys.key).returncode, 0, "sealing a job with a challenge")
    bench.audit(folder, "passed", 'who chose the challenge in the first mark ("blue ladder 7")')
    shutil.rmtree(folder)
    first.marks.write_bytes(job.marks.read_bytes() + challenge.replace(b"08:00:00.5", b"08:00:20"))
    folder = recorded.make(first, bench.root / "challenged")
    bench.checks.equal(run("seal", folder, "--key", bench.keys.key).returncode, 0, "sealing a job with a late challenge")
    bench.audit(folder, "passed", "no challenge by a third person is its first mark")
    names = [line for line in (folder / "MANIFEST.sha256").read_text().splitlines()]
    text = bench.audit(folder, "passed", f"{len(names)} files are those listed in MANIFEST.sha256")
    shutil.rmtree(folder)
    # One that it saw is not said to be later.
    folder = recorded.make(job, bench.root / "sound")
    bench.checks.equal(run("seal", folder, "--key", bench.keys.key).returncode, 0, "sealing a sound job")
    text = bench.audit(folder, "passed", "in order")
    bench.checks.that("came later" not in text and "kept silent" not in text, f"sound: {text}")
    shutil.rmtree(folder)


# ---- what seal refuses ----

def snapshot(folder):
    return {str(path.relative_to(folder)): (path.lstat().st_mode, path.lstat().st_ino,
                                            path.read_bytes() if path.is_file() and not path.is_symlink() else None)
            for path in sorted(folder.rglob("*"))}


def refuses(bench, root, keys, job):
    place = root / "refusals"
    place.mkdir()

    def case(label, code, words, key=keys.key, prepare=None, bare=False):
        folder = place / "job"
        if bare:
            folder.mkdir()
        else:
            recorded.make(job, folder)
        kept = prepare(folder) if prepare else None
        before = snapshot(place)
        result = run("seal", folder, "--key", key)
        said = result.stderr.decode(errors="replace")
        bench.checks.that(result.returncode == code and said.count("\n") == 1 and words in said,
                          lambda: f"seal, {label}: ended {result.returncode}, said: {said[:600]}")
        bench.checks.that(snapshot(place) == before, f"seal, {label}: something was written or left")
        if kept:
            kept.close()
        shutil.rmtree(folder)

    def recording(folder):
        import fcntl
        (folder / "recorder.jsonl").write_bytes(b"".join(
            (folder / "recorder.jsonl").read_bytes().splitlines(keepends=True)[:-1]))
        file = open(folder / "recorder.jsonl", "ab")
        fcntl.flock(file, fcntl.LOCK_EX)
        return file

    def noting(folder):
        import fcntl
        file = open(folder / "marks.jsonl", "ab")
        fcntl.flock(file, fcntl.LOCK_EX)
        return file
    secret = keys.folder
    for mode in (0o640, 0o604, 0o644, 0o660):
        shutil.copyfile(keys.key, secret / "open.pem")
        os.chmod(secret / "open.pem", mode)
        case(f"key {mode:o}", 65, "chmod 600", secret / "open.pem")
    tool("openssl", "genpkey", "-algorithm", "RSA", "-pkeyopt", "rsa_keygen_bits:2048", "-out", secret / "rsa.pem")
    tool("openssl", "genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", secret / "ec.pem")
    tool("openssl", "genpkey", "-algorithm", "ED448", "-out", secret / "ed448.pem")
    tool("openssl", "pkey", "-in", keys.key, "-aes256", "-passout", "pass:abc", "-out", secret / "protected.pem")
    (secret / "text.pem").write_text("hello\n")
    for name in ("rsa", "ec", "ed448", "protected", "text"):
        os.chmod(secret / f"{name}.pem", 0o600)
    shutil.copyfile(keys.public, secret / "as-key.pem")
    os.chmod(secret / "as-key.pem", 0o600)
    case("RSA key", 65, "RSA", secret / "rsa.pem")
    case("EC key", 65, "type EC", secret / "ec.pem")
    case("Ed448 key", 65, "ED448", secret / "ed448.pem")
    case("protected key", 65, "passphrase", secret / "protected.pem")
    case("public key", 65, "sealing takes the private one", secret / "as-key.pem")
    case("text", 65, "no private key", secret / "text.pem")
    case("no key", 66, "No such file", secret / "none.pem")
    case("folder as key", 65, "is no file", secret)
    case("no trace", 66, "trace", prepare=lambda folder: (folder / "trace-can0.pcap").unlink())
    case("empty folder", 66, "trace", bare=True)
    case("still recording", 65, "still being recorded", prepare=recording)
    case("a mark just now", 65, "a mark just now", prepare=noting)
    case("a link in it", 65, "a symbolic link", prepare=lambda folder: (folder / "x").symlink_to("/etc/passwd"))
    case("a pipe in it", 65, "a pipe", prepare=lambda folder: os.mkfifo(folder / "x"))
    case("a folder in it", 65, "a folder", prepare=lambda folder: (folder / "x").mkdir())
    case("a space in a name", 65, "other characters", prepare=lambda folder: (folder / "two words").touch())
    case("a line feed in a name", 65, "other characters", prepare=lambda folder: (folder / "a\nb").touch())
    case("left over", 65, "broken off", prepare=lambda folder: (folder / "log.jsonl.unfinished-a").touch())
    case("sealed by half", 65, "sealed already", prepare=lambda folder: (folder / SIGNATURE).touch())
    # No room for the log when half of the new folder is there: nothing of it is left, and the job is as it was.
    recorded.make(job, place / "job")
    before = snapshot(place)
    result = subprocess.run(["sh", "-c", 'trap "" XFSZ; ulimit -f 64; exec "$0" "$@"', TARETRACE, "seal", place / "job",
                             "--key", keys.key], capture_output=True, check=False)
    bench.checks.that(result.returncode == 74 and b"could not be written" in result.stderr,
                      f"no room: ended {result.returncode}: {result.stderr[:300]}")
    bench.checks.that(snapshot(place) == before, "no room: something was left or changed")
    shutil.rmtree(place / "job")
    result = run("seal", bench.sealed, "--key", keys.key)
    bench.checks.that(result.returncode == 65 and b"sealed already" in result.stderr, f"sealing twice: {result.stderr}")
    result = run("audit", bench.sealed, "--public-key", keys.key)
    bench.checks.that(result.returncode == 65 and b"private key" in result.stderr, f"auditing by a private key: {result.stderr}")
    result = run("seal", place / "none", "--key", keys.key)
    bench.checks.equal(result.returncode, 66, "sealing what is not there")


# ---- timestamps ----

TSA = """
[tsa]
default_tsa = one
[one]
dir = {folder}
serial = $dir/serial
crypto_device = builtin
signer_cert = $dir/tsa.pem
certs = $dir/ca.pem
signer_key = $dir/tsa-key.pem
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
accuracy = secs:1
ordering = yes
tsa_name = yes
ess_cert_id_chain = no
"""


class Authority:
    """openssl ts, with a root of its own."""

    def __init__(self, folder, days="30"):
        folder.mkdir()
        self.folder, self.ca = folder, folder / "ca.pem"
        self.config = folder / "tsa.cnf"
        self.config.write_text(TSA.format(folder=folder))
        (folder / "serial").write_text("01\n")
        (folder / "ext").write_text("extendedKeyUsage=critical,timeStamping\nkeyUsage=critical,digitalSignature\n")
        tool("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", folder / "ca-key.pem", "-out", self.ca,
             "-subj", "/CN=Invented root", "-days", days)
        tool("openssl", "req", "-newkey", "rsa:2048", "-nodes", "-keyout", folder / "tsa-key.pem", "-out", folder / "csr",
             "-subj", "/CN=Invented authority")
        tool("openssl", "x509", "-req", "-in", folder / "csr", "-CA", self.ca, "-CAkey", folder / "ca-key.pem",
             "-CAcreateserial", "-days", days, "-extfile", folder / "ext", "-out", folder / "tsa.pem")

    def reply(self, request, out):
        tool("openssl", "ts", "-reply", "-config", self.config, "-queryfile", request, "-out", out)


def timestamps(bench, root, keys, job):
    authority, other = Authority(root / "authority"), Authority(root / "stranger")
    folder = recorded.make(job, root / "timed")
    result = run("seal", folder, "--key", keys.key, "--request", root / "job.tsq")
    bench.checks.equal(result.returncode, 0, f"seal with a request: {result.stderr.decode()[:300]}")
    # openssl's own request over the same file differs in nothing but the nonce.
    tool("openssl", "ts", "-query", "-data", folder / SIGNATURE, "-sha256", "-cert", "-no_nonce", "-out", root / "own.tsq")
    bench.checks.equal((root / "job.tsq").read_bytes(), (root / "own.tsq").read_bytes(), "request against openssl ts -query")
    authority.reply(root / "job.tsq", root / "job.tsr")
    other.reply(root / "job.tsq", root / "stranger.tsr")
    (root / "else").write_bytes(b"x" * 64)
    tool("openssl", "ts", "-query", "-data", root / "else", "-sha256", "-cert", "-out", root / "else.tsq")
    authority.reply(root / "else.tsq", root / "else.tsr")
    text = bench.audit(folder, "passed", "when it was sealed")
    (root / "garbage.tsr").write_bytes(b"garbage")
    (root / "cut.tsr").write_bytes((root / "job.tsr").read_bytes()[:-1])
    (root / "longer.tsr").write_bytes((root / "job.tsr").read_bytes() + b"\0")
    for name, words, ca in (("else.tsr", "something else", None), ("garbage.tsr", "no reply", None),
                            ("cut.tsr", "no reply", None), ("longer.tsr", "no reply", None),
                            ("stranger.tsr", "no good timestamp", authority.ca), ("none.tsr", "No such file", None)):
        result = run("seal", folder, "--token", root / name, *(["--token-ca", ca] if ca else []))
        said = result.stderr.decode()
        bench.checks.that(result.returncode in (65, 66) and words in said and said.count("\n") == 1
                          and not (folder / "MANIFEST.sha256.tsr").exists(),
                          f"{name}: ended {result.returncode}: {said[:300]}")
    result = run("seal", folder, "--token", root / "job.tsr", "--token-ca", authority.ca)
    bench.checks.equal(result.returncode, 0, f"taking a timestamp in: {result.stderr.decode()[:300]}")
    bench.checks.equal(run("seal", folder, "--token", root / "job.tsr").returncode, 73, "taking it in twice")
    shutil.copyfile(authority.ca, root / "authority.pem")
    (root / "job").symlink_to(folder)
    bench.checks.that(follow_page(root, "A timestamp")[1], "docs/checking.md: openssl ts -verify does not take the timestamp")
    tool("sha256sum", "-c", "--strict", "--quiet", "MANIFEST.sha256", folder=folder)
    said = tool("openssl", "ts", "-reply", "-in", folder / "MANIFEST.sha256.tsr", "-text").decode()
    stamp = next(line.split("Time stamp: ")[1] for line in said.splitlines() if "Time stamp: " in line)
    year, clock = stamp.split()[3], stamp.split()[2]
    text = bench.audit(folder, "passed", "timed", more=["--token-ca", authority.ca])
    bench.checks.that(f"{clock.split('.')[0]}Z" in text and year in text, f"the time {stamp} is not told: {text}")
    bench.audit(folder, "passed", "by whose word is not known")
    bench.audit(folder, "other timestamp", "no good timestamp", more=["--token-ca", other.ca])
    for name, words in (("else.tsr", "something else"), ("garbage.tsr", "no reply"), ("cut.tsr", "no reply")):
        shutil.copyfile(root / name, folder / "MANIFEST.sha256.tsr")
        bench.audit(folder, "other timestamp", words)
    shutil.copyfile(root / "stranger.tsr", folder / "MANIFEST.sha256.tsr")
    bench.audit(folder, "other timestamp", "no good timestamp", more=["--token-ca", authority.ca])
    # A byte of the token itself: whatever it is, the certificates given no longer vouch for it.
    whole = (root / "job.tsr").read_bytes()
    for at in range(0, len(whole), 97):
        (folder / "MANIFEST.sha256.tsr").write_bytes(flip(at)(whole))
        result = run("audit", folder, "--public-key", keys.public, "--token-ca", authority.ca)
        if result.returncode != 1:  # what is not signed (certificates sent along, lengths of the same meaning) may differ
            good = subprocess.run(["openssl", "ts", "-verify", "-data", folder / SIGNATURE, "-in",
                                   folder / "MANIFEST.sha256.tsr", "-CAfile", authority.ca], capture_output=True,
                                  check=False).returncode == 0
            bench.checks.that(good, f"byte {at} of the timestamp changed: audit ended {result.returncode}, openssl refuses it")
    result = run("audit", folder, "--public-key", keys.public, "--token-ca", root / "garbage.tsr")
    bench.checks.equal(result.returncode, 65, "certificates that are none")


# ---- other builds ----

def other_builds(bench, root):
    (root / "locale").mkdir()
    comma, kolkata = comma_locale(root / "locale"), zone("Asia/Kolkata")
    variants = [("a decimal comma", TARETRACE, comma), ("Asia/Kolkata", TARETRACE, kolkata)]
    for label, variable in (("the sanitizer build", "TARETRACE_SANITIZED"), ("Clang", "TARETRACE_CLANG")):
        program = os.environ.get(variable)
        if program and bench.checks.that(os.access(program, os.X_OK), f"{variable}: {program} is no program"):
            variants.append((label, program, {**comma, **kolkata}))
    for label, program, environment in variants:
        bench.audit(bench.sealed, "passed", "reproduced", program=program, environment=environment)
    elsewhere = bench.copy()
    os.chmod(elsewhere, 0o555)
    bench.audit(elsewhere, "passed", "reproduced")
    os.chmod(elsewhere, 0o755)
    shutil.rmtree(elsewhere)


def main():
    checks = Checks()
    job = Job("clean")
    with temporary() as name:
        root = pathlib.Path(name)
        (root / "keys").mkdir()
        keys = Keys(root / "keys")
        sealed = recorded.make(job, root / "sealed")
        raw = {path: path.read_bytes() for path in sealed.rglob("*") if path.is_file()}
        result = run("seal", sealed, "--key", keys.key)
        if not checks.equal(result.returncode, 0, f"sealing: {result.stderr.decode()[:500]}"):
            checks.finish()
        for path, content in raw.items():
            checks.that(path.read_bytes() == content, f"sealing changed {path.name}")
        checks.equal(sorted(path.name for path in root.iterdir()), ["keys", "sealed"], "what lies beside a sealed job")
        bench = Bench(checks, root, keys, sealed)
        ordinary_tools(checks, sealed, keys, result.stdout.decode())
        bench.audit(sealed, "passed", "compare its fingerprint")
        the_page(bench)
        other_builds(bench, root)
        spoiled_files(bench)
        spoiled_manifests(bench)
        signed_anew(bench)
        before_sealing(bench, job)
        refuses(bench, root, keys, job)
        timestamps(bench, root, keys, job)
        bench.audit(sealed, "passed")
        # A bare trace: sealed and passed, and it is said that no recorder wrote it.
        run("verify", *job.arguments(), "--into", root / "bare")
        checks.equal(run("seal", root / "bare", "--key", keys.key).returncode, 0, "sealing a bare trace's job")
        bench.audit(root / "bare", "passed", "no recorder's log")
    checks.finish()


if __name__ == "__main__":
    main()
