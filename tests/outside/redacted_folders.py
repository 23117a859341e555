#!/usr/bin/python3
"""Redacted copies: a script that knows the secrets looks for them in every way; nothing else may have changed.

Source: D 9 `redact`, 8.6; ISO 14229-1 (F190, F18C, SecurityAccess) and ISO 15765-2 frames put together here by hand; 49 CFR
565.15 for the check character. The secrets are invented. A control looks for the same in the original and must find it.
"""
import sys

sys.dont_write_bytecode = True
import base64
import json
import pathlib
import shutil

import recorded
from common import Checks, Job, jobs, pcap_bytes, read_pcap, run, temporary
from sealed_folders import Keys, edit, flip, sign, snapshot

REQUEST, RESPONSE = 0x5E3, 0x6C5
VIN = b"WPWZZZ98ZHX207741"
OTHER_VIN = b"WPWZZZ98ZHX318852"
WRITTEN_VIN = b"WPWZZZ98ZHX429963"  # written, refused, and never read
SERIAL = b"SN-40718-2265-K"
SEED, KEY = bytes.fromhex("c19d3e7705"), bytes.fromhex("8b40f2a6d1")
LONG_SEED = bytes.fromhex("9f8e7d6c5b4a3921f00d")
SECRETS = {"VIN": VIN, "other VIN": OTHER_VIN, "written VIN": WRITTEN_VIN, "serial": SERIAL, "seed": SEED, "key": KEY,
           "long seed": LONG_SEED}
MS = 10**6


class Talk:
    """Frames of questions and answers, one after another from a time on."""

    def __init__(self, time):
        self.time, self.frames = time, []

    def frame(self, word, data):
        self.time += 5 * MS
        self.frames.append((self.time, word, bytes(data).ljust(8, b"\xcc")))

    def send(self, word, payload, lose=None):
        """ISO 15765-2 with normal addressing; lose: this consecutive frame (from 1) is not in the record."""
        if len(payload) < 8:
            return self.frame(word, bytes([len(payload)]) + payload)
        self.frame(word, bytes([0x10 | len(payload) >> 8, len(payload) & 255]) + payload[:6])
        self.frame(REQUEST if word == RESPONSE else RESPONSE, b"\x30\0\0")
        for number, at in enumerate(range(6, len(payload), 7), 1):
            if number != lose:
                self.frame(word, bytes([0x20 | number & 15]) + payload[at:at + 7])
        return None

    def ask(self, question, answer, lose=None):
        self.send(REQUEST, question)
        self.send(RESPONSE, answer, lose)
        self.time += 20 * MS


def check_character(vin):
    """49 CFR 565.15(c), table III and IV."""
    values = {**{str(digit): digit for digit in range(10)},
              **dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", [1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9]))}
    weights = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]
    return "0123456789X"[sum(values[letter] * weight for letter, weight in zip(vin, weights)) % 11]


def secret_frames(start):
    talk = Talk(start)
    talk.ask(b"\x22\xf1\x90", b"\x62\xf1\x90" + VIN)
    talk.ask(b"\x22\xf1\x8c", b"\x62\xf1\x8c" + SERIAL)
    talk.ask(b"\x22\xf1\x90\xf1\x8c", b"\x62\xf1\x90" + VIN + b"\xf1\x8c" + SERIAL)
    talk.ask(b"\x27\x01", b"\x67\x01" + SEED)
    talk.ask(b"\x27\x02" + KEY, b"\x67\x02")
    talk.ask(b"\x27\x03", b"\x67\x03" + LONG_SEED)
    talk.ask(b"\x27\x05", b"\x67\x05\0\0\0\0")                      # unlocked already
    talk.ask(b"\x22\xf1\x90", b"\x62\xf1\x90" + VIN, lose=1)          # broken off; the rest lies about
    talk.ask(b"\x22\x12\x34", b"\x62\x12\x34" + b"\x07" + VIN + b"\x01" + LONG_SEED)  # inside something undescribed
    talk.frame(REQUEST, b"\x02\x3e\x00")
    talk.frames.append((talk.time + 5 * MS, RESPONSE, b"\x02\x7e\x00" + VIN[-5:]))  # padded with what was in the buffer
    talk.time += 20 * MS
    talk.frame(REQUEST, b"\x02\x3e\x00")
    talk.frames.append((talk.time + 5 * MS, RESPONSE, b"\x02\x7e\x00" + VIN[-1:] * 2 + VIN[-3:]))  # and begins like padding
    talk.time += 20 * MS
    talk.ask(b"\x2e\xf1\x90" + WRITTEN_VIN, b"\x7f\x2e\x31")
    talk.ask(b"\x2e\xf1\x90" + OTHER_VIN, b"\x6e\xf1\x90")
    talk.ask(b"\x22\xf1\x90", b"\x62\xf1\x90" + OTHER_VIN)
    talk.send(REQUEST, b"\x22\xf1\x90")
    talk.send(RESPONSE, b"\x62\xf1\x90" + OTHER_VIN, lose=2)          # and the record ends
    return talk


def chatter(start):
    """Another module tells the VIN in plain frames on an id that nobody described."""
    return [(start + number * 3 * MS, 0x4A1, bytes([number]) + VIN[at:at + 7].ljust(7, b"\0"))
            for number, at in enumerate(range(0, 17, 7))]


def marks_of(job, start):
    """The job's marks, and some that know the secrets."""
    extra = [{"kind": "identity", "name": "vin", "value": VIN.decode()},
             {"kind": "identity", "name": "serial number", "value": SERIAL.decode()},
             {"kind": "note", "text": f"car {VIN.decode().lower()}, unit {SERIAL.decode()}"}]
    lines = job.marks.read_bytes() + b"".join(
        json.dumps({"time": recorded.rfc3339(start + number * MS), **mark}).encode() + b"\n"
        for number, mark in enumerate(extra))
    return lines


def make(job, folder, quiet=False):
    """A recorded job full of secrets."""
    last = read_pcap(job.trace)[-1].time
    talk = secret_frames(last + 400 * MS)
    extra = talk.frames + ([] if quiet else chatter(last + 100 * MS))
    folder.mkdir()
    work = folder.parent / f"{folder.name}-marks.jsonl"
    work.write_bytes(marks_of(job, last + 390 * MS))
    job.marks = work
    shutil.rmtree(folder)
    recorded.make(job, folder, extra_frames=extra)
    return folder


# ---- searching ----

def ways(secret):
    """The ways in which a file could hold it."""
    yield "raw", secret
    yield "small letters", secret.lower()
    yield "hex", secret.hex().encode()
    yield "HEX", secret.hex().upper().encode()
    yield "hex with spaces", secret.hex(" ").encode()
    yield "reversed", secret[::-1]
    for shift in range(3):  # base64 of something that holds it, at each alignment: the characters it decides alone
        text = base64.b64encode(b"\0" * shift + secret)
        first = -(-shift * 8 // 6)
        yield f"base64+{shift}", text[first:(shift + len(secret)) * 8 // 6]


def found(folder, secrets):
    """(secret, how, file) for each place in any file of the folder, and across the frames of each CAN id."""
    result = set()
    for path in sorted(folder.rglob("*")):
        if not path.is_file():
            continue
        content = path.read_bytes()
        for name, secret in secrets.items():
            result |= {(name, way, path.name) for way, text in ways(secret) if text in content}
        if path.suffix != ".pcap":
            continue
        joined = {}
        for frame in read_pcap(path):
            for skip in (0, 1, 2):
                for kind in ("all", "first"):  # a first frame has one byte more before its data
                    more = 1 if kind == "first" and frame.data[:1] and frame.data[0] >> 4 == 1 else 0
                    joined.setdefault((frame.id, skip, kind), bytearray()).extend(frame.data[skip + more:])
        for (number, skip, kind), content in joined.items():
            for name, secret in secrets.items():
                # Frames that are not there leave holes: the halves are looked for too.
                halves = (secret[:8], secret[-7:]) if len(secret) >= 15 else ()
                result |= {(name, f"joined {skip} {kind} {part}", f"{number:x}") for part, text in
                           (("whole", secret), *zip(("begin", "end"), halves)) if text in content}
    return result


# ---- what else must hold ----

def compare_traces(checks, original, copy, named):
    """Everything but the data of the frames named is as it was."""
    old, new = original.read_bytes(), copy.read_bytes()
    checks.equal(len(old), len(new), "length of the trace")
    before, after = read_pcap(original), read_pcap(copy)
    changed = [frame.number for frame, other in zip(before, after) if old[frame.offset:frame.offset + 32]
               != new[other.offset:other.offset + 32]]
    checks.equal(changed, [entry["frame"] for entry in named], "frames changed against those named")
    checks.equal([before[entry["frame"] - 1].offset for entry in named], [entry["offset"] for entry in named], "offsets")
    kept = bytearray(new)
    for frame in before:
        if frame.number in set(changed):
            kept[frame.data_offset:frame.data_offset + 8] = old[frame.data_offset:frame.data_offset + 8]
        checks.that(frame.word == after[frame.number - 1].word and len(frame.data) == len(after[frame.number - 1].data)
                    and frame.time == after[frame.number - 1].time, f"frame {frame.number}: id, length or time changed")
    checks.that(bytes(kept) == old, "something else than data bytes of the frames named was changed")
    pci = [frame.number for frame, other in zip(before, after) if frame.id in (REQUEST, RESPONSE)
           and frame.data[:1] != other.data[:1]]
    checks.equal(pci, [], "frames whose first byte was changed")


def answers(folder):
    verdict = json.loads((folder / "verdict.json").read_text())
    return [[(step["step"], step["answer"]) for step in attempt["steps"]] for part in verdict["parts"]
            for attempt in part["attempts"]] + [verdict["answer"] if isinstance(verdict["answer"], str) else "",
                                                verdict.get("passive"), verdict.get("limits_fixed_before_recording")]


def check_chain(checks, folder, where):
    """The copy's recorder log fits the copy's trace and marks."""
    content = (folder / "recorder.jsonl").read_bytes()
    lines = recorded.read_log(folder / "recorder.jsonl")
    checks.equal(recorded.chain(lines), content, f"{where}: chain of recorder.jsonl")
    trace, marks = (folder / "trace-can0.pcap").read_bytes(), (folder / "marks.jsonl").read_bytes()
    frames = read_pcap(folder / "trace-can0.pcap")
    for line in lines:
        if "marks" not in line:
            continue
        bus = line["buses"][0]
        good = recorded.sha256(trace[:bus["bytes"]]) == bus["sha256"] \
            and sum(frame.offset < bus["bytes"] for frame in frames) == bus["frames"] \
            and recorded.sha256(marks[:line["marks"]["bytes"]]) == line["marks"]["sha256"]
        checks.that(good, f"{where}: line {line['line']} of recorder.jsonl does not fit")
    checks.equal(lines[-1]["buses"][0]["bytes"], len(trace), f"{where}: closing line")


def whole(checks, root, keys):
    job = Job("clean")
    folder = make(job, root / "full")
    result = run("seal", folder, "--key", keys.key)
    checks.equal(result.returncode, 0, f"sealing: {result.stderr.decode()[:300]}")
    seen = found(folder, SECRETS)
    for name in SECRETS:
        checks.that(any(entry[0] == name for entry in seen), f"control: {name} is not found in the original")
    checks.that(any("joined" in entry[1] and entry[0] == "VIN" for entry in seen), "control: no VIN across frames")
    copy = root / "copy"
    before = snapshot(folder)
    result = run("redact", folder, "--into", copy)
    if not checks.equal(result.returncode, 0, f"redact: {result.stderr.decode()[:500]}"):
        return folder
    checks.equal(snapshot(folder), before, "the original after redact")
    redaction = json.loads((copy / "redaction.json").read_text())
    checks.equal(redaction["original_manifest_sha256"], recorded.sha256((folder / "MANIFEST.sha256").read_bytes()),
                 "name of the original")
    ids = {entry["id"] for entry in redaction["ids_not_examined"]}
    told = result.stdout.decode()
    checks.that(f"frames changed: {len(redaction['frames_changed'])}\n" in told, f"frames changed, as it is told: {told}")
    checks.that(f"not examined: {len(ids)} CAN id" in told, f"ids not examined, as it is told: {told}")
    check_redaction(checks, "copy", folder, redaction, told, False)
    every = {f"0x{frame.id:03x}" for frame in read_pcap(folder / "trace-can0.pcap")} - {"0x5e3", "0x6c5"}
    checks.equal(ids, every, "ids not examined")
    left = {entry for entry in found(copy, SECRETS) if entry[2] != "4a1"}
    checks.equal(left, set(), "found in the copy, but on the id that was not examined")
    checks.that(any(entry[2] == "4a1" for entry in found(copy, SECRETS)), "the id not examined lost its data")
    compare_traces(checks, folder / "trace-can0.pcap", copy / "trace-can0.pcap", redaction["frames_changed"])
    checks.equal(answers(copy), answers(folder), "answers of the copy")
    check_chain(checks, copy, "copy")
    masks(checks, copy)
    checks.equal(sorted(path.name for path in root.iterdir()), ["copy", "full", "full-marks.jsonl", "keys"], "left beside")
    again = root / "again"
    run("redact", folder, "--into", again)
    for path in copy.rglob("*"):
        checks.that(not path.is_file() or path.read_bytes() == (again / path.relative_to(copy)).read_bytes(),
                    f"{path.name} differs when it is done again")
    # The copy can be judged, sealed and audited as any job, and says what it is.
    checks.equal(run("verify", copy).returncode, run("verify", folder).returncode, "verify of the copy")
    for name in ("verdict.json", "report.html"):
        checks.that("redacted copy" in (copy / name).read_text(), f"{name} of the copy does not say what it is")
        checks.that("redacted copy" not in (folder / name).read_text(), f"{name} of the original says it is a copy")
    checks.that(b"redacted copy" in b" ".join(run("verify", copy).stdout.split()), "verify of the copy does not say so")
    checks.equal(run("seal", copy, "--key", keys.key).returncode, 0, "sealing the copy")
    result = run("audit", copy, "--public-key", keys.public)
    checks.that(result.returncode == 0 and b"redacted copy" in result.stdout, f"audit of the copy: {result.stdout[-500:]}")
    return folder


def masks(checks, copy):
    """Well-formed where it was, the same everywhere, another one for another value."""
    frames = [frame for frame in read_pcap(copy / "trace-can0.pcap") if frame.id == RESPONSE]
    firsts = [number for number, frame in enumerate(frames) if frame.data[2:5] == b"\x62\xf1\x90" and frame.data[0] >> 4 == 1]
    texts = [(frames[at].data[5:8] + frames[at + 1].data[1:8] + frames[at + 2].data[1:8]) for at in firsts[:2]]
    last = [frames[at].data[5:8] + frames[at + 1].data[1:8] + frames[at + 2].data[1:8] for at in firsts[3:4]]
    checks.that(texts[0] == texts[1], f"one VIN has two masks: {texts}")
    checks.that(last and last[0] != texts[0], "two VINs have one mask")
    for text, original in ((texts[0], VIN), (last[0], OTHER_VIN)):
        shown = text.decode("ascii", "replace")
        checks.that(all(letter in "0123456789ABCDEFGHJKLMNPRSTUVWXYZ" for letter in shown), f"no VIN: {shown}")
        checks.equal(shown[8] == check_character(shown), chr(original[8]) == check_character(original.decode()),
                     f"check character of {shown}")
    marks = (copy / "marks.jsonl").read_text()
    checks.that(texts[0].decode() in marks, "the mark has another mask than the frames")
    padded = [frame for frame in frames if frame.data[:3] == b"\x02\x7e\x00" and frame.data[3:] != b"\xcc" * 5]
    checks.equal([frame.data[3:] for frame in padded], [b"\0" * 5] * 2, "padding that was no padding")
    unlocked = [frame for frame in frames if frame.data[1:3] == b"\x67\x05"]
    checks.equal(unlocked[0].data[3:7], b"\0\0\0\0", "the seed of zeros")


def only_pairs(checks, root, folder):
    copy = root / "pairs"
    result = run("redact", folder, "--into", copy, "--only-pairs")
    if not checks.equal(result.returncode, 0, f"redact --only-pairs: {result.stderr.decode()[:500]}"):
        return
    checks.equal(found(copy, SECRETS), set(), "found in the copy of the pairs only")
    ids = {frame.id for frame in read_pcap(copy / "trace-can0.pcap")}
    checks.equal(ids, {REQUEST, RESPONSE, 0x3D0}, "ids left")
    checks.equal(answers(copy), answers(folder), "answers of the copy of the pairs only")
    check_chain(checks, copy, "pairs only")
    redaction = json.loads((copy / "redaction.json").read_text())
    frames = read_pcap(folder / "trace-can0.pcap")
    checks.equal(redaction["frames_left_out"], sum(frame.id not in ids for frame in frames), "frames left out")
    check_redaction(checks, "pairs only", folder, redaction, result.stdout.decode(), True)
    old = [(frame.time, frame.word, len(frame.data)) for frame in frames if frame.id in ids]
    checks.equal([(frame.time, frame.word, len(frame.data)) for frame in read_pcap(copy / "trace-can0.pcap")], old,
                 "times, ids and lengths of the frames left")


# Nobody noted these, no definition file names them, and they are no VIN (it has no O): letters and digits from 5 on, so that every byte
# that is left shows. Places of the characters: ISO 14229-1 (F18C), SAE J1979 (49 02, count of items), ISO 14230-3 (5A 90;
# from memory).
UNNOTED = {"serial": (b"\x22\xf1\x8c", b"\x62\xf1\x8c", b"ZK-ABCDE-56789-MNPRS"),
           "J1979": (b"\x09\x02", b"\x49\x02\x01", b"ABCDEFGHJKLMNPROT"),
           "identification": (b"\x1a\x90", b"\x5a\x90", b"BCDEFGHJKLMNPROTU")}


def payloads(path):
    """Messages of the responding id (ISO 15765-2, normal addressing), whole ones."""
    parts, result = b"", []
    for frame in read_pcap(path):
        kind = frame.data[0] >> 4
        if frame.id != RESPONSE or kind > 2:
            continue
        length = frame.data[0] if kind == 0 else (frame.data[0] & 15) << 8 | frame.data[1] if kind == 1 else length
        parts = frame.data[1:] if kind == 0 else frame.data[2:] if kind == 1 else parts + frame.data[1:]
        if len(parts) >= length:
            result.append(parts[:length])
    return result


def unnoted(checks, root, keys):
    """What only the protocol gives away is masked from its first byte to its last; so is what a torn record holds."""
    job, into, copy = Job("clean"), root / "unnoted", root / "unnoted-copy"
    talk = Talk(read_pcap(job.trace)[-1].time + 400 * MS)
    for question, head, secret in UNNOTED.values():
        talk.ask(question, head + secret)
    torn = b"\x05\x6c\0\0" + b"\x10\0\0\0" * 3 + b"\0\0\x06\xc5\x08\0\0\0" + VIN[:7]
    trace = root / "unnoted.pcap"
    trace.write_bytes(job.trace.read_bytes() + pcap_bytes(talk.frames)[24:] + torn)
    arguments = [argument for file in job.definitions for argument in ("--definitions", file)]
    run("verify", trace, *arguments, "--into", into)
    checks.equal(run("seal", into, "--key", keys.key).returncode, 0, "sealing what nobody noted")
    result = run("redact", into, "--into", copy)
    if not checks.equal(result.returncode, 0, f"redact what nobody noted: {result.stderr.decode()[:300]}"):
        return
    before, after = payloads(into / "trace-1.pcap"), payloads(copy / "trace-1.pcap")
    for name, (_, head, secret) in UNNOTED.items():
        at = before.index(head + secret)
        checks.equal(after[at][:len(head)], head, f"{name}: what stands before it")
        kept = [chr(old) for old, new in zip(secret, after[at][len(head):]) if old == new and chr(old) not in "-O"]
        checks.equal((len(after[at]), kept), (len(head + secret), []), f"{name}: characters that are left")
    content = (copy / "trace-1.pcap").read_bytes()
    checks.equal(content[-len(torn):], torn[:24] + b"\0" * 7, "the torn record at the end")
    exit_code = json.loads((copy / "verdict.json").read_text())["exit"]
    words = {0: "all steps confirmed", 1: "a step contradicted", 2: "not confirmed"}
    checks.that(f"the answers are those of the original: {words[exit_code]}\n".encode() in result.stdout,
                f"the answers as told: {result.stdout}")
    for path in (trace, into, copy):
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def check_redaction(checks, where, folder, redaction, told, only):
    """redaction.json and what is printed, by counting frames of the original and values by hand."""
    frames = [frame.id for frame in read_pcap(folder / "trace-can0.pcap")]
    described = {0x3D0}  # the lamp's broadcast of seat-scale.yaml
    expected = [(f"0x{word:03x}", frames.count(word), word in described, only and word not in described)
                for word in sorted(set(frames) - {REQUEST, RESPONSE})]
    checks.equal([(one["id"], one["frames"], one["described"], one["left_out"]) for one in redaction["ids_not_examined"]],
                 expected, f"{where}: ids not examined")
    # VIN, OTHER_VIN, WRITTEN_VIN; SERIAL; SEED, LONG_SEED and the zeros of an unlocked module; KEY.
    checks.equal({one["what"]: one["different_values"] for one in redaction["masked"]},
                 {"VIN": 3, "serial number": 1, "seed": 3, "key": 1}, f"{where}: different values")
    if only:
        left = sum(word not in described | {REQUEST, RESPONSE} for word in frames)
        checks.that(f"left out: {left} frames of ids that were not examined\n" in told, f"{where}: {told}")


def every_example(checks, root, keys):
    """Whatever an example job's answers are, those of its copy are the same."""
    for number, job in enumerate(jobs()):
        if number % 3 and "vin" not in job.name and "vehicle" not in job.name:
            continue
        into, copy = root / "one", root / "one-copy"
        run("verify", *job.arguments(), "--into", into)
        if run("seal", into, "--key", keys.key).returncode == 0:
            for option in ([], ["--only-pairs"]):
                result = run("redact", into, "--into", copy, *option)
                if checks.equal(result.returncode, 0, f"redact {job.name}: {result.stderr.decode()[:300]}"):
                    checks.equal(answers(copy), answers(into), f"answers of {job.name}")
                    shutil.rmtree(copy)
        shutil.rmtree(into, ignore_errors=True)


def refusals(checks, root, keys, folder):
    place = root / "refusals"
    place.mkdir()

    def case(label, code, words, change):
        job = place / "job"
        shutil.copytree(folder, job)
        change(job)
        before = snapshot(place)
        result = run("redact", job, "--into", place / "copy")
        said = result.stderr.decode()
        checks.that(result.returncode == code and words in said and said.count("\n") == 1,
                    lambda: f"redact, {label}: ended {result.returncode}: {said[:500]}")
        checks.that(snapshot(place) == before, f"redact, {label}: something was left")
        shutil.rmtree(job)

    def resealed(change):
        def on(job):
            for path in job.glob("MANIFEST*"):
                path.unlink()
            change(job)
            result = run("seal", job, "--key", keys.key)
            if result.returncode:
                raise SystemExit(f"sealing anew: {result.stderr.decode()}")
        return on

    case("not sealed", 65, "not sealed", lambda job: (job / "MANIFEST.sha256.sig").unlink())
    case("changed", 65, "changed", edit("log.jsonl", flip(9)))
    case("another trace", 65, "not the job that was sealed",
         lambda job: (edit("trace-can0.pcap", flip(90))(job), sign(job, keys.key)))

    def bare(change):  # without a recorder whose sums would tell
        return resealed(lambda job: ((job / "recorder.jsonl").unlink(), change(job)))
    case("VIN in the limits", 65, "seat-scale.yaml holds a VIN",
         bare(edit("definitions/seat-scale.yaml", lambda text: text + b"# " + VIN + b"\n")))
    case("VIN behind escapes", 65, "escapes", bare(edit("marks.jsonl", lambda text: text.replace(
        b'"note"', b'"note", "name": "' + b"".join(b"\\u%04x" % byte for byte in VIN) + b'"', 1))))
    (place / "there").mkdir()
    result = run("redact", folder, "--into", place / "there")
    checks.that(result.returncode == 73 and not list((place / "there").iterdir()), "a folder that is there is taken")
    result = run("redact", place / "none", "--into", place / "copy")
    checks.equal(result.returncode, 66, "no folder")
    result = run("redact", folder)
    checks.equal(result.returncode, 64, "no --into")
    # A photo cannot be looked through.
    job = place / "photo"
    shutil.copytree(folder, job)
    resealed(lambda one: (one / "photo.jpg").write_bytes(VIN))(job)
    checks.equal(run("redact", job, "--into", place / "photo-copy").returncode, 0, "redact beside a photo")
    left = json.loads((place / "photo-copy" / "redaction.json").read_text())["files_left_out"]
    checks.that(left == ["photo.jpg"] and not (place / "photo-copy" / "photo.jpg").exists(), "the photo is not left out")


def main():
    checks = Checks()
    with temporary() as name:
        root = pathlib.Path(name)
        (root / "keys").mkdir()
        keys = Keys(root / "keys")
        folder = whole(checks, root, keys)
        only_pairs(checks, root, folder)
        unnoted(checks, root, keys)
        refusals(checks, root, keys, folder)
        every_example(checks, root, keys)
    checks.finish()


if __name__ == "__main__":
    main()
