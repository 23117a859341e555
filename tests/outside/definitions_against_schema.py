#!/usr/bin/python3
"""definitions/schema.json against the loader, over the whole corpus of tests/definitions (D 6.3).

Sources: JSON Schema draft 7 as python3-jsonschema reads it and, where node is there, as npm's ajv does (installed by
its name into build/npm); YAML as PyYAML reads it, once with BaseLoader (all scalars text) and once as an editor would
see it (numbers, booleans, null). The loader is asked through `taretrace lint`.

- The schema accepts every file that the loader accepts.
- A file that the schema accepts and the loader refuses stands in the list of docs/definitions.md, and only such do.
- Both validators give the same answer on every file.
"""
import sys

sys.dont_write_bytecode = True
import json
import re
import shutil
import subprocess

import jsonschema
import yaml

from common import ROOT, Checks, run

CORPUS = ROOT / "tests" / "definitions"
SCHEMA = ROOT / "definitions" / "schema.json"
PAGE = ROOT / "docs" / "definitions.md"
NPM = ROOT / "build" / "npm"
AJV = """
const Ajv = require("ajv"), fs = require("fs");
const validate = new Ajv({strict: false}).compile(JSON.parse(fs.readFileSync(process.argv[2])));
for (const line of fs.readFileSync(0, "utf8").split("\\n").filter(Boolean))
    console.log(validate(JSON.parse(line)) ? "yes" : "no");
"""


def as_json(path, loader):
    """The file as a JSON value; None when it is no YAML that PyYAML reads."""
    try:
        with open(path, encoding="utf-8-sig") as file:
            return json.loads(json.dumps(yaml.load(file, Loader=loader), default=str),
                              parse_constant=str) # .nan and .inf are no JSON
    except (yaml.YAMLError, UnicodeDecodeError, TypeError, ValueError, RecursionError):
        return None


def ajv_answers(values):
    """Ajv's answer to each value, or None where there is no node."""
    if not shutil.which("node") or not shutil.which("npm"):
        return None
    if not (NPM / "node_modules" / "ajv").is_dir():
        NPM.mkdir(parents=True, exist_ok=True)
        subprocess.run(["npm", "install", "--prefix", str(NPM), "--no-audit", "--no-fund", "--silent", "ajv@8"],
                       check=False, capture_output=True, timeout=300)
        if not (NPM / "node_modules" / "ajv").is_dir():
            print("ajv could not be installed; asked python3-jsonschema alone")
            return None
    script = NPM / "validate.js"
    script.write_text(AJV, encoding="utf-8")
    lines = "".join(json.dumps(value) + "\n" for value in values)
    result = subprocess.run(["node", str(script), str(SCHEMA)], input=lines, capture_output=True, text=True, check=True,
                            timeout=300)
    return [line == "yes" for line in result.stdout.split()]


def listed():
    """File names in the page's list of what only the loader refuses."""
    text = PAGE.read_text(encoding="utf-8")
    part = text.split("## What only the loader refuses", 1)[1].split("\n## ", 1)[0]
    return re.findall(r"`([a-z0-9-]+)`", "\n".join(line.split("|")[2] for line in part.splitlines()
                                                    if line.startswith("| ") and "`" in line))


def main():
    checks = Checks()
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    jsonschema.Draft7Validator.check_schema(schema)
    validator = jsonschema.Draft7Validator(schema)
    good = sorted(CORPUS.glob("good/*.yaml")) + sorted((ROOT / "definitions").glob("*.yaml")) \
        + sorted((ROOT / "definitions" / "examples").glob("*.yaml")) \
        + sorted((ROOT / "traces" / "definitions").glob("*.yaml"))
    good = [path for path in good if path.name != "template-shared.yaml"]
    shared = sorted(CORPUS.glob("good/*.inc")) + [ROOT / "definitions" / "template-shared.yaml"]
    bad = sorted(CORPUS.glob("bad/*.yaml"))
    checks.that(len(good) >= 60 and len(bad) >= 60, f"{len(good)} good and {len(bad)} bad files")

    values, answers, loader_alone, refused = [], [], [], 0
    for path in good + shared + bad:
        name = path.relative_to(ROOT)
        if path in good:
            checks.equal(run("lint", path).returncode, 0, name)
        elif path in bad:
            checks.equal(run("lint", path).returncode, 65, name)
        for loader in (yaml.BaseLoader, yaml.SafeLoader):
            value = as_json(path, loader)
            if path not in bad:
                checks.that(value is not None, f"{name} is no YAML")
            if value is None:
                refused += path in bad
                continue
            errors = [f"{list(error.absolute_path)}: {error.message[:200]}" for error in validator.iter_errors(value)]
            values.append(value)
            answers.append((name, not errors))
            if path not in bad:
                checks.that(not errors, lambda: f"{name} with {loader.__name__}: {errors}")
            elif not errors and loader is yaml.BaseLoader:
                loader_alone.append(path.stem)
            else:
                refused += bool(errors)
    names = listed()
    checks.equal(len(names), len(set(names)), "docs/definitions.md names a file twice")
    for name in sorted(set(names) ^ set(loader_alone)):
        checks.that(False, f"{name}: " + ("refused by the loader alone, and not in docs/definitions.md" if name in
                                          loader_alone else "in docs/definitions.md, but the schema refuses it"))
    checks.that(refused > 100, f"the schema refuses only {refused}")
    other = ajv_answers(values)
    if other is not None:
        checks.equal(len(other), len(answers), "answers of ajv")
        for (name, accepted), theirs in zip(answers, other):
            checks.equal(theirs, accepted, f"ajv on {name}")
    checks.finish()


main()
