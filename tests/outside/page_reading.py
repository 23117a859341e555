"""A page of HTML as Python's html.parser reads it, and what npm's html-validate and axe-core say of it (installed by
their names into build/npm).
"""
import html.parser
import json
import pathlib
import re
import shutil
import subprocess
from decimal import Decimal

from common import ROOT

NPM = ROOT / "build" / "npm"
VOID = {"meta", "link", "br", "hr", "img", "input"}


class Page(html.parser.HTMLParser):
    """Elements in order, with the text inside them; mistakes of nesting."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.elements, self.mistakes = [], [], []
        self.feed(text)
        self.close()
        if self.open:
            self.mistakes.append(f"never closed: {[element['tag'] for element in self.open]}")

    def handle_starttag(self, tag, attrs):
        element = {"tag": tag, "attributes": dict(attrs), "text": "", "parent": self.open[-1] if self.open else None}
        self.elements.append(element)
        if tag in ("td", "th", "br", "li", "dd", "dt", "p", "tr"): # words of neighbours stay apart
            self.handle_data(" ")
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if not self.open or self.open[-1]["tag"] != tag:
            self.mistakes.append(f"</{tag}> inside {self.open[-1]['tag'] if self.open else 'nothing'}")
        if self.open:
            self.open.pop()

    def handle_data(self, data):
        for element in self.open:
            element["text"] += data

    def of(self, tag):
        return [element for element in self.elements if element["tag"] == tag]

    def inside(self, element, tag):
        found = []
        for other in self.of(tag):
            parent = other["parent"]
            while parent is not None and parent is not element:
                parent = parent["parent"]
            if parent is element:
                found.append(other)
        return found


def plain(text):
    return re.sub(r"\s+", " ", text.replace("\u00a0", " ")).strip()


def numbers_in(text):
    return [Decimal(number) for number in re.findall(r"(?<![\w.])-?[0-9]+(?:\.[0-9]+)?", text)]


def npm_modules():
    """Folder of html-validate and axe-core, or None where there is no node."""
    if not shutil.which("node") or not shutil.which("npm"):
        return None
    wanted = ["html-validate@8", "axe-core@4"]
    if not all((NPM / "node_modules" / name.split("@")[0]).is_dir() for name in wanted):
        NPM.mkdir(parents=True, exist_ok=True)
        subprocess.run(["npm", "install", "--prefix", str(NPM), "--no-audit", "--no-fund", "--silent", *wanted],
                       check=False, capture_output=True, timeout=300)
    if not all((NPM / "node_modules" / name.split("@")[0]).is_dir() for name in wanted):
        print("html-validate and axe-core could not be installed; the rest was checked without them")
        return None
    return NPM / "node_modules"


def validator_says(modules, files):
    """Rules that html-validate finds broken, by file."""
    config = NPM / "html-validate.json"
    config.write_text('{"root": true, "extends": ["html-validate:recommended"]}', encoding="utf-8")
    result = subprocess.run(["node", str(modules / ".bin" / "html-validate"), "--config", str(config), "--formatter",
                             "json",
                             *map(str, files)], capture_output=True, text=True, timeout=120, check=False)
    found = {str(file): [] for file in files}
    for report in json.loads(result.stdout):
        found[str(pathlib.Path(report["filePath"]).resolve())] += \
            [f"{message['line']}: {message['ruleId']}: {message['message']}" for message in report["messages"]]
    return found


def axe_says(browser, source):
    browser.ask(source + ";0")
    return browser.ask("axe.run({resultTypes: ['violations']}).then(r => r.violations.map(v => "
                       "v.id + ': ' + v.nodes.map(n => n.target.join(' ')).slice(0, 3).join('; ')))")
