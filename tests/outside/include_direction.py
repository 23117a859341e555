#!/usr/bin/python3
"""Data flows one way: which header each source may include, enforced.

Source: D 4.2. A stage includes its upstream stages, support/ and the definitions model, nothing downstream; capture/ and
decoder/ share one header, the trace format, and what every program needs (support, the definitions); only the pipeline sees all stages; commands and main stand last.
"""
import sys

sys.dont_write_bytecode = True
import pathlib
import re

from common import ROOT, Checks

INCLUDE = re.compile(r'^\s*#\s*include\s+"([^"]+)"', re.M)

# The stages in the order in which data passes them. A file belongs to the stage whose name begins its own; what several
# stages share stands where the first of them needs it.
STAGES = ["pcapng", "trace_reader", "trace_inputs", "frame", "pdu", "plain", "transport", "pair", "exchange", "service", "record", "reading",
          "marks", "displayed", "recorder_log", "verdict", "steady", "step"]
TRACE_FORMAT = "capture/trace_format.h"


def rank_of(path):
    """Index of the stage a file of stages/ belongs to."""
    found = [name for name in STAGES if path.stem == name or path.stem.startswith(name + "_")]
    return STAGES.index(max(found, key=len)) if found else None


def layer_of(path):
    """Folder of the house: capture, definitions, support, stages, outputs, evidence, pipeline, commands."""
    parts = path.parts
    if parts[0] != "decoder":
        return parts[0]
    if len(parts) > 2:
        return parts[1]
    return "pipeline" if path.stem.startswith("pipeline") else "commands"


# Which layers each layer may include from, itself included.
ALLOWED = {
    "capture": {"capture", "definitions", "support"},
    "support": {"support"},
    "definitions": {"definitions", "support"},
    "stages": {"stages", "definitions", "support"},
    "pipeline": {"pipeline", "stages", "definitions", "support"},
    "outputs": {"outputs", "pipeline", "stages", "definitions", "support"},
    "evidence": {"evidence", "outputs", "pipeline", "stages", "definitions", "support"},
    "commands": {"commands", "evidence", "outputs", "pipeline", "stages", "definitions", "support"},
}


def target_of(source, text, files):
    """The file that an #include means: beside the source, from decoder/ or from the top."""
    for base in (source.parent, pathlib.Path("decoder"), pathlib.Path(".")):
        parts = []
        for part in (base / text).parts:
            if part == "..":
                parts = parts[:-1]
            elif part != ".":
                parts.append(part)
        candidate = pathlib.Path(*parts)
        if candidate in files:
            return candidate
    return None


def complaint(source, target):
    """Why this include is not allowed, or None."""
    here, there = layer_of(source), layer_of(target)
    if str(target) == TRACE_FORMAT and here in ("capture", "stages", "outputs", "commands"):
        return None
    if there not in ALLOWED.get(here, set()):
        return f"{here} may not include {there}"
    if here == "stages" and there == "definitions" and target.name not in ("model.h",):
        return "a stage sees the definitions model only"
    if here == there == "stages":
        mine, its = rank_of(source), rank_of(target)
        if mine is None or its is None:
            stranger = source if mine is None else target
            return f"{stranger.name} belongs to no stage; say in this test where it stands"
        if its > mine:
            return f"{STAGES[mine]} stands before {STAGES[its]}: data flows one way"
    return None


def main():
    checks = Checks()
    files = {path.relative_to(ROOT) for folder in ("capture", "definitions", "decoder")
             for path in (ROOT / folder).rglob("*") if path.suffix in (".c", ".h")}
    for source in sorted(files):
        for text in INCLUDE.findall((ROOT / source).read_text(encoding="utf-8")):
            target = target_of(source, text, files)
            if checks.that(target is not None, f"{source}: includes \"{text}\", which is nowhere"):
                why = complaint(source, target)
                checks.that(why is None, f"{source}: includes {target}: {why}")
    # Controls: what must be refused is refused.
    for source, target in (("decoder/stages/frame.c", "decoder/stages/transport.h"),
                           ("decoder/stages/reading.c", "decoder/stages/step.h"),
                           ("decoder/stages/step.c", "decoder/outputs/log.h"),
                           ("decoder/support/bytes.h", "decoder/stages/frame.h"),
                           ("definitions/loader.c", "decoder/stages/frame.h"),
                           ("decoder/outputs/log.c", "decoder/commands/verify.h"),
                           ("capture/recorder.c", "decoder/stages/frame.h")):
        why = complaint(pathlib.Path(source), pathlib.Path(target))
        checks.that(why is not None, f"control: {source} -> {target}")
    checks.finish()


main()
