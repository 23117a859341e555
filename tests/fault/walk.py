#!/usr/bin/python3
"""Fault walks: the nth allocation, write, sync, open, rename, close, read fails, n walked until nothing fails any more.

Source: RELIABILITY list 14 to 17 (project), POSIX write(2), fsync(2), close(2) for what each call may answer. Whatever
fails, the program ends with a documented code and a line on stderr, and nothing unfinished looks finished: a job folder
that has its name is whole, a verdict that was printed whole is the one an undisturbed run prints.

    walk.py [NAME...]     only these commands
"""
import sys

sys.dont_write_bytecode = True
import concurrent.futures
import contextlib
import io
import os
import pathlib
import random
import re
import shutil
import subprocess
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests/outside"))
from common import TARETRACE, Checks  # noqa: E402

# What a person may meet: D 9.1 and sysexits.h; 130 is Ctrl-C.
CODES = {64, 65, 66, 70, 73, 74}
KINDS = {
    "alloc": ["ENOMEM"],
    "write": ["ENOSPC", "EIO", "EINTR", "short"],
    "sync": ["EIO"],
    "open": ["EIO"],
    "rename": ["EIO"],
    "close": ["EIO"],
    "make": ["ENOSPC"],
    "read": ["EIO", "EINTR", "short"],
}
# EINTR and a short call are no failures: it is to be made again. (Not a mark's: its line is one write(2) or none.)
CLOCK = re.compile(rb"20\d\d-\d\d-\d\d[T ]\d\d:\d\d:\d\d[.0-9]*|\b\d\d:\d\d:\d\d\b")
JOB = ROOT / "traces/jobs/try-withdrawn"


def build_shim(folder):
    shim = folder / "shim.so"
    subprocess.run(["gcc", "-std=gnu17", "-O2", "-Wall", "-Wextra", "-shared", "-fPIC", "-o", shim,
                    ROOT / "tests/fault/shim.c", "-ldl"], check=True)
    return shim


def tree(folder):
    """Every file below a folder with its bytes; links and other things too."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        found[name] = path.read_bytes() if path.is_file() and not path.is_symlink() else "folder" if path.is_dir() else "?"
    return found


class Command:
    """One command line, run again and again in a folder of its own. {in} holds the inputs, {out} what it makes."""

    def __init__(self, name, arguments, prepare, refusals=CODES, now=False, kinds=KINDS, every=1, reads_all=True):
        """refusals: how it may end when something failed. now: what it writes holds the time of day. every: only each
        such allocation is tried, since what it calls is walked one by one through other commands. reads_all: nothing
        that cannot be read may be left out of account."""
        self.name, self.arguments, self.prepare, self.refusals, self.now = name, arguments, prepare, refusals, now
        self.kinds, self.every, self.reads_all = kinds, every, reads_all

    def normal(self, content):
        return CLOCK.sub(b"<now>", content) if self.now and isinstance(content, bytes) else content

    def run(self, place, shim, fault=None):
        work = place / "work"
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir()
        if self.prepare:
            self.prepare(work)
        report = place / "report"
        report.unlink(missing_ok=True)
        env = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "TMPDIR": str(place)}
        if "LLVM_PROFILE_FILE" in os.environ:  # a program that counts its branches
            env["LLVM_PROFILE_FILE"] = os.environ["LLVM_PROFILE_FILE"]
        if fault and fault.startswith("meddle:"):
            env |= {"MEDDLE": fault[7:], "FAULT_REPORT": str(report), "LD_PRELOAD": str(shim)}
        elif fault:
            env |= {"FAULT": fault, "FAULT_REPORT": str(report), "LD_PRELOAD": str(shim)}
        done = subprocess.run([TARETRACE, *self.arguments], cwd=work, env=env, stdin=subprocess.DEVNULL,
                              capture_output=True, timeout=60)
        done.stdout = self.normal(done.stdout)
        made = {name: self.normal(content) for name, content in tree(work).items()}
        return done, made, report.stat().st_size if report.exists() else 0


class Walk:
    def __init__(self, checks, command, shim, place):
        self.checks, self.command, self.shim, self.place = checks, command, shim, place
        self.good, self.good_tree, _ = command.run(place, shim)
        checks.that(self.good.returncode in (0, 1, 2), f"{command.name}: undisturbed it ends {self.good.returncode}")
        before = place / "work"
        shutil.rmtree(before)
        before.mkdir()
        if command.prepare:
            command.prepare(before)
        self.start_tree = {name: command.normal(content) for name, content in tree(before).items()}

    def whole_or_nothing(self, where, now):
        """Each file is what it was before, or what an undisturbed run makes of it; a folder that was made is whole."""
        made = {name for name in now if name not in self.start_tree}
        good = {name for name in self.good_tree if name not in self.start_tree}
        if made:
            self.checks.that(made == good, f"{where}: left {sorted(made ^ good)[:4]} of {len(good)}")
        for name, content in now.items():
            if name in self.good_tree or name in self.start_tree:
                self.checks.that(content in (self.good_tree.get(name), self.start_tree.get(name)), f"{where}: {name} is half")

    def judge(self, where, done, now, harmless, kinds):
        text = done.stderr.decode(errors="replace")
        if not self.checks.that(done.returncode >= 0, f"{where}: ended by signal {-done.returncode}"):
            return
        if harmless:
            self.checks.that(done.returncode == self.good.returncode, f"{where}: ends {done.returncode}: {text[:200]}")
        if ".unfinished-" in text:  # what was left over is said
            now = {name: content for name, content in now.items() if ".unfinished-" not in name}
        if self.command.reads_all and kinds == {"read"} and where.endswith("EIO"):
            self.checks.that(done.returncode != self.good.returncode, f"{where}: goes on as if it had been read")
        if done.returncode == self.good.returncode:
            self.checks.that(done.stdout == self.good.stdout, f"{where}: another text")
            self.checks.that(now == self.good_tree, f"{where}: another tree")
            return
        self.checks.that(done.returncode in self.command.refusals, f"{where}: ends {done.returncode}: {text[:200]}")
        self.checks.that(text.strip() + done.stdout.decode().strip() != "", f"{where}: not a word")
        self.checks.that("sanitizer" not in text.lower(), f"{where}: {text[:300]}")
        # Those may fail behind the last byte: what was printed is all there is, and the failure is told.
        if not kinds & {"close", "sync", "read"}:
            self.checks.that(done.stdout != self.good.stdout or not done.stdout, f"{where}: printed all, and fails")
        self.whole_or_nothing(where, now)

    def walk(self, kind, how, dense_from=0):
        """How many calls of the kind there are. Before dense_from only every 41st is tried: another walk does them all."""
        at = 1
        while True:
            fault = f"{kind}:{at}:{how}"
            done, now, struck = self.command.run(self.place, self.shim, fault)
            if not struck:
                break
            self.judge(f"{self.command.name} {fault}", done, now, how == "EINTR" or how == "short" and not self.command.now, {kind})
            at += 41 if at < dense_from else self.command.every if kind == "alloc" else 1
        return at - 1

    def pairs(self, lengths, seed, times):
        """Two faults at once."""
        dice = random.Random(seed)
        kinds = [kind for kind in lengths if lengths[kind]]
        for _ in range(times):
            chosen = [dice.choice(kinds) for _ in range(2)]
            fault = ",".join(f"{kind}:{dice.randint(1, lengths[kind])}:{self.command.kinds[kind][0]}" for kind in chosen)
            done, now, struck = self.command.run(self.place, self.shim, fault)
            if struck:
                self.judge(f"{self.command.name} {fault}", done, now, False, set(chosen))

    def power(self, seeds):
        """Power cuts: what has its final name is whole."""
        cuts = 0
        for seed in range(seeds):
            at = 1
            while True:
                fault = f"power:{at}:{seed}"
                done, now, struck = self.command.run(self.place, self.shim, fault)
                if not struck:
                    break
                cuts += 1
                self.checks.that(done.returncode == 99, f"{self.command.name} {fault}: ended {done.returncode}")
                now = {name: content for name, content in now.items() if ".unfinished-" not in name}
                self.whole_or_nothing(f"{self.command.name} {fault}", now)
                at += 1
        return cuts


def meddle(checks, command, shim, place, public):
    """Another hand writes a mark while the job is being sealed: it is never lost, and never under a seal that does not name
    it. (taretrace mark itself waits for the folder's lock; this hand knows of none.)"""
    count = 0
    for how, target in (("", "marks.jsonl"), ("open:", "marks.jsonl"), ("new:", "late.txt")):
        for at in range(1, 1000):
            done, now, struck = command.run(place, shim, f"meddle:{at}:{how}job/{target}")
            if not struck:
                break
            count += 1
            where = f"{command.name}: a hand at change {at}, {how}{target}"
            holds = [name for name, content in now.items() if isinstance(content, bytes) and b"another hand" in content
                     and name.endswith(target)]
            checks.that(holds, f"{where}: what it wrote is lost")
            audit = subprocess.run([TARETRACE, "audit", "job", "--public-key", public], cwd=place / "work", capture_output=True)
            if done.returncode:
                checks.that("job/MANIFEST.sha256" not in now and f"job/{target}" in holds, f"{where}: refused, and {holds}")
                checks.that(b"was changed while it was sealed" in done.stderr, f"{where}: {done.stderr[:200]}")
            elif audit.returncode == 0 and f"job/{target}" not in holds:
                checks.that(b"kept" in done.stderr, f"{where}: sealed without a word")
    return count


def commands(keys):
    definitions = ["--definitions", "in/seat-scale.yaml"]
    trace = "in/trace.pcap"

    def inputs(work):
        (work / "in").mkdir()
        shutil.copy(JOB / "trace.pcap", work / trace)
        shutil.copy(JOB / "marks.jsonl", work / "in/marks.jsonl")
        shutil.copy(ROOT / "traces/definitions/seat-scale.yaml", work / "in/seat-scale.yaml")

    def job(work):
        inputs(work)
        subprocess.run([TARETRACE, "verify", trace, *definitions, "--marks", "in/marks.jsonl", "--into", "job"], cwd=work,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)

    def sealed(work):
        job(work)
        shutil.copy(keys / "key.pem", work / "key.pem")
        subprocess.run([TARETRACE, "seal", "job", "--key", "key.pem"], cwd=work, stdout=subprocess.DEVNULL, check=True)

    def other_vehicle(work):
        (work / "in").mkdir()
        for name in ("trace.pcap", "marks.jsonl"):
            shutil.copy(ROOT / "traces/jobs/wrong-vehicle" / name, work / "in" / name)
        shutil.copy(ROOT / "traces/definitions/seat-scale-identity.yaml", work / "in/seat-scale.yaml")

    def keyed(work):
        job(work)
        shutil.copy(keys / "key.pem", work / "key.pem")

    return [
        Command("lint", ["lint", "in/seat-scale.yaml"], inputs),
        Command("verify --into", ["verify", trace, *definitions, "--marks", "in/marks.jsonl", "--into", "job"], inputs),
        Command("verify", ["verify", trace, *definitions], inputs),
        Command("verify another vehicle", ["verify", trace, *definitions, "--marks", "in/marks.jsonl", "--into", "job"],
                other_vehicle, kinds={"alloc": KINDS["alloc"]}),
        Command("list", ["list", "readings", trace, *definitions, "--format", "jsonl"], inputs),
        Command("verify JOB", ["verify", "job"], job),
        Command("report", ["report", "job"], job),
        Command("explain", ["explain", "job", "Zero point accepted"], job),
        Command("mark", ["mark", "job", "seat belt laid over the seat"], job, now=True,
                reads_all=False),  # a note is taken without definitions, and says so
        Command("seal", ["seal", "job", "--key", "key.pem"], keyed),
        Command("redact", ["redact", "job", "--into", "copy"], sealed, every=7),
        Command("audit", ["audit", "job", "--public-key", str(keys / "pub.pem")], sealed, CODES | {1}),  # no pass
    ]


def one(name, loading=0):
    """All of one command: what was checked, what differed, what there is to print, allocations walked. loading: of them, those
    that reading the definition files takes, which lint walks one by one."""
    checks, said = Checks(40), io.StringIO()
    # In memory where there is such a place: thousands of syncs are waited for.
    with contextlib.redirect_stdout(said), \
            tempfile.TemporaryDirectory(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None) as folder:
        place = pathlib.Path(folder)
        shim = build_shim(place)
        subprocess.run(["openssl", "genpkey", "-algorithm", "ed25519", "-out", place / "key.pem"], check=True)
        subprocess.run(["openssl", "pkey", "-in", place / "key.pem", "-pubout", "-out", place / "pub.pem"], check=True)
        command = [command for command in commands(place) if command.name == name][0]
        walk = Walk(checks, command, shim, place)
        lengths = {}
        for kind, hows in command.kinds.items():
            for how in hows:
                lengths[kind] = walk.walk(kind, how, max(loading - 60, 0) if kind == "alloc" else 0)
        walk.pairs(lengths, 1, 60)
        if command.name == "seal":
            print(f"seal: another hand at {meddle(checks, command, shim, place, place / 'pub.pem')} moments")
        cuts = walk.power(4) if "--into" in command.arguments else 0
        print(command.name + ":", ", ".join(f"{count} {kind}" for kind, count in lengths.items()), f"{cuts} power cuts")
    return checks.count, checks.failed, said.getvalue(), lengths["alloc"]


def main():
    checks = Checks()
    names = sys.argv[1:] or [command.name for command in commands(pathlib.Path())]
    loading = 0
    with concurrent.futures.ProcessPoolExecutor(2) as pool:
        if "lint" in names:
            walked = [pool.submit(one, "lint")]
            loading = walked[0].result()[3]
        else:
            walked = []
        # The long ones first, so that none is left over at the end.
        order = sorted(set(names) - {"lint"}, key=lambda name: (name not in ("redact", "seal", "verify --into"), names.index(name)))
        for done in walked + [pool.submit(one, name, loading) for name in order]:
            count, failed, said, _ = done.result()
            print(said, end="")
            checks.count += count
            checks.failed += failed
    checks.finish()


if __name__ == "__main__":
    main()
