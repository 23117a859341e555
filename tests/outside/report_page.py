#!/usr/bin/python3
"""report.html as a browser, a validator, an accessibility checker and a reader see it (D 9.7).

Sources: the HTML standard as Python's html.parser and npm's html-validate read it; WCAG rules as npm's axe-core checks
them; Debian's Chromium for layout, requests, console and paper (A4 and US Letter); readings.csv and verdict.json of the
same job for every value. Where there is no node, html-validate and axe-core are left out and that is said.

- A job's page makes no request and no noise, does not reach beyond a screen of 360 or 1280 pixels or a sheet of paper.
- The page says what verdict.json says: answers, reasons, limits, values, frames, bytes, hashes.
- The line of the chart passes every reading of readings.csv; of too many readings it passes the extremes.
- Hostile text from bus, marks and definition files is text.
- A page spoilt in each of these ways is caught.
"""
import sys

sys.dont_write_bytecode = True
import csv
import pathlib
import re
import subprocess
from decimal import Decimal
from fractions import Fraction

import yaml

from browser import Browser
from common import HOSTILE, Checks, Job, convert, number, parse_json, read_jsonl, run, temporary
from page_reading import Page, axe_says, npm_modules, numbers_in, plain, validator_says
from report_jobs import LONG, hostile_job, long_trace, recorded_job

NAMES = ["clean", "refused-twice", "rezeroed-with-weight", "blind-rail-losses", "blind-unit-swapped", "wrong-vehicle"]
UNSEEN = ["blind-hand-on-weight", "two-vehicles", "not-level", "count-after-wide", "try-withdrawn", "supply-low"] # compared, but not looked at in the browser
PAPERS = {"A4": (8.27, 11.69, 595, 842), "letter": (8.5, 11, 612, 792)}


def check_structure(checks, where, text, page):
    checks.equal(page.mistakes, [], where + ": nesting")
    tags = {element["tag"] for element in page.elements}
    checks.that(not tags & {"script", "iframe", "object", "embed", "form", "base", "img"}, f"{where}: has {tags}")
    for element in page.elements:
        for name, value in element["attributes"].items():
            checks.that(not name.startswith("on"), f"{where}: handler {name}")
            if name in ("href", "src", "action", "data", "srcset"):
                checks.equal(value, "data:,", f"{where}: {element['tag']} {name}")
    checks.that("@import" not in text and not re.search(r"url\((?!#)", text), f"{where}: the style reaches outside")
    headings = [(int(element["tag"][1]), plain(element["text"])) for element in page.elements
                if re.fullmatch("h[1-6]", element["tag"])]
    checks.equal([level for level, _ in headings].count(1), 1, where + ": h1")
    for before, after in zip(headings, headings[1:]):
        checks.that(after[0] <= before[0] + 1, f"{where}: {after} skips a level")
    names = [name for _, name in headings]
    for wanted in ("In short", "Against time", "Steps", "Refused tries", "Conditions, and who vouches for them",
                   "Trouble codes", "What was lost, broken or not understood", "Identities", "Files",
                   "What this does not claim", "Cautions"):
        checks.that(wanted in names, f"{where}: no heading {wanted}")
    for table in page.of("table"):
        checks.that(len(page.inside(table, "caption")) == 1, f"{where}: a table without a caption")
        checks.that(all(head["attributes"].get("scope") in ("row", "col") for head in page.inside(table, "th")),
                    f"{where}: a head without scope")
    checks.that(page.of("table"), f"{where}: no table")
    for drawing in page.of("svg"):
        labelled = drawing["attributes"].get("role") == "img" and drawing["attributes"].get("aria-labelledby")
        checks.that(labelled or drawing["attributes"].get("aria-hidden") == "true", f"{where}: a drawing without text")


# ---- the page against verdict.json ----

def frames_text(first, last):
    return str(first) if first == last else f"{first} to {last}"


def clock_of(time):
    return time[11:-1].rstrip("0").rstrip(".")


def check_step(checks, where, step, page, article):
    text = plain(article["text"])
    facts = {plain(page.inside(row, "th")[0]["text"]): plain(page.inside(row, "td")[0]["text"])
             for table in page.inside(article, "table") if table["attributes"].get("class") == "facts"
             for row in page.inside(table, "tr")}
    checks.equal(plain(page.inside(article, "h4")[0]["text"]).split(". ", 1)[1],
                 f"{plain(step['step'])} {step['answer']}",
                 where + ": head")
    reason = plain(step["reason"])
    checks.that(reason[1:] in text, lambda: f"{where}: {reason!r} is not in {text[:400]!r}")
    limit, deciding = step["limit"], step["deciding"]
    if limit and "low" in limit:
        ends = [limit[key] for key in ("low", "high") if limit[key] is not None]
        checks.equal(numbers_in(facts["Limit"])[:len(ends)], [Decimal(end) for end in ends],
                     f"{where}: limit {facts['Limit']!r}")
        if limit["guard"] and limit["low"] is not None and limit["high"] is not None:
            safe = re.search(r"at each end: from (\S+) (\S+) to (\S+) (\S+)", facts["Limit"])
            least, most = [convert(Fraction(safe[i]), safe[i + 1], limit["unit"] or "") for i in (1, 3)]
            low, high = Fraction(limit["low"]) + Fraction(limit["guard"]), Fraction(limit["high"]) - Fraction(limit["guard"])
            # Nothing finer than a tenth is read in these jobs: the first value at or above, the last at or below.
            checks.that(low <= least < low + 1 and high - 1 < most <= high,
                        f"{where}: {facts['Limit']!r} with the margin")
        if limit["guard"]: # as the definition file writes it, which may be in another unit
            margin, unit = re.search(r"margin of (\S+) ?(\S*) at each end", facts["Limit"]).groups()
            checks.equal(convert(Fraction(margin), unit, limit["unit"] or ""), Fraction(limit["guard"]),
                         where + ": margin")
        checks.that(not limit["unit"] or limit["unit"] in facts["Limit"], f"{where}: unit")
    if not deciding:
        if step["answer"] != "recorded":
            checks.equal(facts.get("Evidence"), "none in the record", where + ": evidence")
        return
    checks.equal(facts["Frames"], frames_text(deciding["first_frame"], deciding["last_frame"]), where + ": frames")
    times = sorted({deciding[key] for key in ("first_time", "last_time", "time") if deciding.get(key)})
    checks.equal(re.findall(r"[0-9]{2}:[0-9:.]+", facts["When"]), [clock_of(time) for time in times], where + ": when")
    if deciding.get("lowest") is not None:
        ends = [deciding["lowest"]] + ([deciding["highest"]] if deciding["highest"] != deciding["lowest"] else [])
        checks.equal(numbers_in(facts["Read"])[:len(ends)], ends, f"{where}: {facts['Read']!r}")
        checks.equal(numbers_in(facts["Read"])[-1], Decimal(deciding["samples"]), f"{where}: {facts['Read']!r}")
    if deciding.get("state"):
        checks.that(facts["Read"].startswith(deciding["state"] + ","), f"{where}: state in {facts['Read']!r}")
    if deciding.get("bytes"):
        shown = " ".join(re.findall("..", deciding["bytes"])[:32])
        checks.that(facts["Answer of the module"].startswith("bytes " + shown), f"{where}: bytes {shown} are not told")
    for one in step["tries"][:12]:
        checks.that(clock_of(one["time"]) in text, lambda one=one: f"{where}: a try at {one['time']} is not told")
        if one.get("left_out") and (one.get("stretch") or {}).get("lowest") is not None:
            checks.that(f"it read {one['stretch']['lowest']}" in text, f"{where}: what the try at {one['time']} read")
        if one["nrc_name"]:
            checks.that(one["nrc_name"] in text, f"{where}: {one['nrc_name']} is not told")


def check_steady(checks, where, page, job):
    """What "steady" means, in whatever unit, is what the definition file says."""
    wanted = {}
    for path in job.definitions:
        for step in yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader).get("procedure", []):
            wanted[step["step"]] = step
    for article in page.of("article"):
        name = plain(page.inside(article, "h4")[0]["text"]).split(". ", 1)[1]
        step = wanted[max((key for key in wanted if name.startswith(key)), key=len)]
        steady = step.get("steady", {})
        looks = re.search(r"Looks at values((?: (?:and )?(?:above|below) \S+ [^\W\d]+)+)", plain(article["text"]))
        shown = dict(re.findall(r"(above|below) (\S+ [^\W\d]+)", looks[1])) if looks else {}
        checks.equal({key: number(value) for key, value in shown.items()},
                     {key: number(value) for key, value in step.get("select", {}).items()}, f"{where}, {name}: looks at")
        shown = re.search(r"Steady means for (\S+) (m?s)(?: within (\S+) (\S*),)?", plain(article["text"]))
        checks.equal(bool(shown), bool(steady), f"{where}, {name}: steady")
        if shown:
            checks.equal(Fraction(shown[1]), convert(*number(steady["for"]), shown[2]), f"{where}, {name}: for")
        if shown and "within" in steady:
            checks.equal(Fraction(shown[3]), convert(*number(steady["within"]), shown[4]), f"{where}, {name}: within")


def check_more_time(checks, where, page, log):
    """A module that asked for more time is not shown as one that said nothing."""
    rows = [plain(row["text"]) for row in page.of("tr")]
    asked = [line for line in log if line["kind"] == "exchange" and line["pending"] and line["service"] == "0x31"]
    told = [row for row in rows if "asked for more time" in row]
    checks.equal(len(told), len(asked), where + ": asked for more time")


def check_clears(checks, where, page, log):
    """As often as the module answered 54 to 14 (ISO 14229-1 clause 12.2)."""
    text = plain(page.of("main")[0]["text"])
    clears = [line for line in log if line["kind"] == "exchange" and line["service"] == "0x14"
              and any(answer["bytes"].startswith("54") for answer in line["responses"])]
    times = {0: "No clear was accepted.", 1: "They were cleared once,", 2: "They were cleared twice,"}
    checks.that(times.get(len(clears), f"They were cleared {len(clears)} times,") in text, f"{where}: {len(clears)} clears")


def check_questions(checks, where, page, log):
    """Each question in one of six kinds, which add up; answers nobody asked for apart."""
    text = plain(page.of("main")[0]["text"])
    closed = [line for line in log if line["kind"] == "exchange"]
    asked = [line for line in closed if line["state"] != "unsolicited"]
    told = re.search(r"The scan tool asked (\d+) questions? of the described modules: (\d+) answered in time, (\d+) late, "
                     r"(\d+) refused, (\d+) that wanted no answer, (\d+) without an answer, (\d+) cut off", text)
    if not checks.that(told, f"{where}: no sentence on questions"):
        return
    numbers = [int(number) for number in told.groups()]
    checks.equal(numbers[0], len(asked), f"{where}: questions")
    checks.equal(sum(numbers[1:]), numbers[0], f"{where}: kinds of questions")
    checks.equal(numbers[5], sum(line["state"] in ("missing", "asked again") for line in asked), f"{where}: without an answer")
    checks.equal("Nobody asked for" in text, len(asked) < len(closed), f"{where}: answers nobody asked for")
    checks.equal("No question concerned pyrotechnics." in text, not any(line["warning"] for line in closed), f"{where}: danger")


def check_values(checks, where, page, verdict):
    whole = plain(page.of("main")[0]["text"])
    checks.that(plain(verdict["answer"])[1:] in whole, f"{where}: the whole answer")
    articles = page.of("article")
    lasts = [attempt for part in verdict["parts"] for attempt in part["attempts"] if attempt["last"]]
    steps = [step for attempt in lasts for step in attempt["steps"]]
    checks.equal(len(articles), len(steps), where + ": articles")
    for step, article in zip(steps, articles):
        check_step(checks, f"{where}, {step['step']}", step, page, article)
    opening = plain([section for section in page.of("section") if "In short" in section["text"]][0]["text"])
    for step in steps if len(verdict["parts"]) == 1 else []:
        checks.that(plain(step["step"]) in opening, f"{where}: {step['step']} is not in the first sentences")
    for condition in [one for attempt in lasts for one in attempt["conditions"] if one["vouched"] == "contradicted"]:
        told = opening[opening.index("Contradicted by"):opening.index("Not confirmed")]
        checks.that(plain(condition["condition"]) in told, f"{where}: {condition['condition']} is not told at once")
    for attempt in lasts:
        if attempt["opened"] and attempt["answered"] and steps:
            checks.that(f"{clock_of(attempt['first_time'])} with the request for a start that was accepted" in whole,
                        f"{where}: where attempt {attempt['attempt']} began")
    back = any(one.get("left_out") and one.get("stretch") and one.get("withdrawn") for step in steps for one in step["tries"])
    checks.equal("a person took back afterwards" in opening, back, f"{where}: a weighing that was taken back, at once")
    several = any(len(part["attempts"]) > 1 for part in verdict["parts"])
    checks.equal("Earlier attempts" in opening, several, f"{where}: earlier attempts at once")
    order = [opening.index(head) for head in ("Contradicted by", "Not confirmed", "Confirmed by",
                                              "What the record lacks")]
    checks.equal(order, sorted(order), where + ": order of the first sentences")
    checks.that(f"Passive: {verdict['passive']}" in opening, f"{where}: passive")
    checks.that(f"Limits fixed before the recording: {verdict['limits_fixed_before_recording']}" in opening,
                f"{where}: limits fixed")
    rows = [plain(row["text"]) for row in page.of("tr")]
    for attempt in lasts:
        for condition in attempt["conditions"]:
            found = [row for row in rows if row.startswith(plain(condition["condition"]))
                     and condition["vouched"] in row]
            checks.that(found, f"{where}: who vouches for {condition['condition']}")
            if condition["value"] is not None:
                checks.that(any(Decimal(condition["value"]) in numbers_in(row) for row in found),
                            f"{where}: value of {condition['condition']}")
            ends = [condition["limit"][key] for key in ("low", "high")] if (condition.get("limit") or {}).get("low") else []
            checks.that(all(any(end in numbers_in(row) for row in found) for end in map(Decimal, filter(None, ends))),
                        f"{where}: limit of {condition['condition']}")
    for file in verdict["traces"] + verdict["definitions"] + ([verdict["marks"]] if verdict["marks"] else []):
        checks.that(file["sha256"] in whole, f"{where}: sum of {file['file']}")
    for text in ("no substitute", "certifies no airbag", "what no bus carried", "Never probe"):
        checks.that(text in whole, f"{where}: {text!r} is missing")


# ---- the chart against readings.csv ----

def ticks_of(page):
    """The two axes as functions: seconds to x, value to y (Fractions), from the numbers written beside the ticks."""
    marks = [(element["attributes"], plain(element["text"])) for element in page.of("text")
             if element["attributes"].get("class") == "tick"]
    units = {"ms": Fraction(1, 1000), "s": 1, "min": 60, "h": 3600}
    along = [(Fraction(text.split()[0]) * units[text.split()[1]], Fraction(attributes["x"])) for attributes,
             text in marks
             if attributes.get("text-anchor") == "middle" and re.fullmatch(r"[0-9.]+ (ms|s|min|h)", text)]
    up = [(Fraction(text), Fraction(attributes["y"]) - 4) for attributes, text in marks
          if attributes.get("text-anchor") == "end"]

    def line(pairs):
        (value1, place1), (value2, place2) = pairs[0], pairs[-1]
        return lambda value: place1 + (value - value1) * (place2 - place1) / (value2 - value1)
    return line(along), line(up)


def vertices_of(page):
    """Runs of the line, each a list of points."""
    path = [element for element in page.of("path") if element["attributes"].get("class") == "track"][0]
    runs = []
    for command, x, y in re.findall(r"([ML])(-?[0-9.]+) (-?[0-9.]+)", path["attributes"]["d"]):
        if command == "M":
            runs.append([])
        runs[-1].append((Fraction(x), Fraction(y)))
    return runs


def rows_of(path, reading):
    with open(path, encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["reading"] == reading and row["value"] and not row["remark"]]


def check_chart(checks, where, page, rows, every=True, near=Fraction(6, 10)):
    """Each reading (or only the extremes) has a vertex where the axes' numbers say that it belongs."""
    x_of, y_of = ticks_of(page)
    vertices = [point for part in vertices_of(page) for point in part]
    wanted = rows
    if not every:
        values = [Fraction(row["value"]) for row in rows]
        extremes = (min(values), max(values))
        wanted = [row for row, value in zip(rows, values) if value in extremes]
    for row in wanted:
        x, y = x_of(Fraction(row["seconds"])), y_of(Fraction(row["value"]))
        checks.that(any(abs(x - at) <= near and abs(y - up) <= near for at, up in vertices),
                    lambda row=row: f"{where}: {row['value']} at {row['seconds']} s is not drawn")
    checks.that(len(vertices) <= 4 * 1024, f"{where}: {len(vertices)} points")


def check_gaps(checks, where, page, rows, gap):
    """The line is broken where, and only where, the samples stand further apart than the step allows."""
    times = [Fraction(row["seconds"]) for row in rows]
    breaks = sum(later - earlier > gap for earlier, later in zip(times, times[1:]))
    checks.equal(len(vertices_of(page)), breaks + 1, where + ": runs of the line")


# ---- recorded jobs and hostile text ----

def check_recorded(checks, page, verdict):
    """What only a recorder knows, and the displayed values, stand in the page as in verdict.json."""
    opening = plain([section for section in page.of("section") if "In short" in section["text"]][0]["text"])
    checks.that(verdict["passive"].startswith("until frame ") and verdict["limits_fixed_before_recording"] == "yes",
                f"recorded: {verdict['passive']}")
    checks.that(len(verdict["recorder"]["notes"]) >= 2, "recorded: notes")
    for note in verdict["recorder"]["notes"]:
        checks.that(plain(note)[1:] in opening, f"recorded: {note!r} is not among the first sentences")
    main_text = plain(page.of("main")[0]["text"])
    checks.that("The recorder noted: frames lost in the socket (12)" in main_text, "recorded: the loss in the list")
    checks.that("frames were lost (12)" in main_text, "recorded: the loss beside its step")
    rows = [plain(row["text"]) for row in page.of("tr")]
    for one, answer in zip(("29.9 kg", "31.4 kg"), ("agrees", "differs")):
        checks.that(any(one in row and row.endswith(answer) and "29.8 kg" in row or one in row and row.endswith(answer)
                        and answer == "agrees" for row in rows), f"recorded: {one} displayed")


def check_hostile(checks, text, page):
    """Every hostile text is there as text, and none of it as an element or a control."""
    found = HOSTILE.search(text)
    checks.that(not found, lambda: f"hostile: {found[0]!r} in the page")
    checks.that(not re.search("[\ufdd0-\ufdef\ufffe\uffff]", text), "hostile: a code point that is no character")
    whole = page.of("body")[0]["text"]
    for piece in ("</td></table><script>alert(1)</script>", "<img src=x onerror=alert(1)>", "&lt;b&gt;",
                  "<b>module</b>",
                  "' onload='x", '" onload="x', "<condition onload=x>", "<step>&amp;", '" onmouseover="x', "<s>\"'&"):
        checks.that(piece in whole, lambda piece=piece: f"hostile: {piece!r} is lost")
    checks.that("\\xe2\\x80\\xae" in whole and "\\x1b" in whole and "\\xff" in whole, "hostile: escapes are not shown")


# ---- in the browser ----

# What reaches beyond the page's width; on a screen, what scrolls inside its own frame does not.
BEYOND = """(() => {const width = document.documentElement.clientWidth, out = [], paper = matchMedia('print').matches;
for (const e of document.querySelectorAll('body, body *')) {
    if (!e.getClientRects().length || e.closest('svg') && e.tagName != 'svg') continue;
    const frame = e.closest('.scroll');
    if (frame && frame != e && getComputedStyle(frame).overflowX == 'auto' && !paper) continue;
    if (e.getBoundingClientRect().right > width + 1) out.push(e.tagName + ' ' + e.textContent.slice(0, 40));
}
if (document.documentElement.scrollWidth > width + 1) out.push('the page scrolls sideways');
return out.slice(0, 5)})()"""
# Numbers in the chart that another number or a sign covers.
COVERED = """(() => {const out = [], texts = [...document.querySelectorAll('svg text.number')];
const others = texts.concat([...document.querySelectorAll('svg .sign')]);
for (const a of texts) for (const b of others) {
    const one = a.getBoundingClientRect(), two = b.getBoundingClientRect();
    const wide = Math.min(one.right, two.right) - Math.max(one.left, two.left);
    const high = Math.min(one.bottom, two.bottom) - Math.max(one.top, two.top);
    if (a != b && wide > 2 && high > 2) out.push(a.textContent + ' / ' + (b.textContent || b.tagName) + ' ' + wide);
}
return out.slice(0, 5)})()"""
# A chart that goes on beyond a narrow screen says so, and only there.
HINT = """(() => {
const chart = document.querySelector('figure .scroll'), hint = document.querySelector('.wider');
return !chart ? !hint : !!hint && (getComputedStyle(hint).display != 'none') == (chart.scrollWidth > chart.clientWidth);
})()"""
PRINTABLE = {"A4": round((210 - 30) / 25.4 * 96), "letter": round((215.9 - 30) / 25.4 * 96)} # less margins of 15 mm


def look(checks, browser, where, url, axe, thorough):
    for width in (1280, 360):
        browser.size(width)
        browser.open(url)
        checks.equal(browser.noise(), [], f"{where} at {width}: noise")
        checks.equal(browser.ask(BEYOND), [], f"{where} at {width}: beyond the screen")
        checks.that(browser.ask(HINT), f"{where} at {width}: a chart wider than the screen, and its hint")
        checks.equal(browser.ask(COVERED), [], f"{where} at {width}: covered numbers in the chart")
        checks.that(browser.ask("document.querySelectorAll('h2').length") >= 8, f"{where} at {width}: headings")
        checks.that(browser.ask("document.querySelectorAll('table caption').length") >= 1,
                    f"{where} at {width}: tables")
        if axe and (thorough or width == 360):
            checks.equal(axe_says(browser, axe), [], f"{where} at {width}: axe-core")
    if axe and thorough:
        browser.size(1280, dark=True)
        checks.equal(axe_says(browser, axe), [], f"{where}, dark: axe-core")
    for paper, width in PRINTABLE.items():
        browser.size(width, media="print")
        checks.equal(browser.ask(BEYOND), [], f"{where} on {paper}: cut off at the edge")
        checks.that(browser.ask(HINT), f"{where} on {paper}: nothing to push on paper")
        checks.equal(browser.ask("getComputedStyle(document.body).color"), "rgb(0, 0, 0)", f"{where} on {paper}: ink")


def check_paper(checks, browser, where, url, folder):
    for paper, (width, height, points_wide, points_high) in PAPERS.items():
        path = folder / f"{paper}.pdf"
        browser.size(1280)
        browser.open(url)
        browser.print(path, width, height)
        facts = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True, timeout=60).stdout
        size = re.search(r"Page size:\s+([0-9.]+) x ([0-9.]+)", facts)
        checks.that(size and abs(float(size[1]) - points_wide) < 2 and abs(float(size[2]) - points_high) < 2,
                    f"{where} on {paper}: {facts}")
        text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True,
                              timeout=60).stdout
        checks.that("What this does not claim" in text and "Confirmed by the record" in text,
                    f"{where} on {paper}: text")


# ---- spoilt pages ----

def check_controls(checks, browser, modules, axe, good, folder):
    """Each check is shown a page that it must not pass."""
    def spoil(name, old, new):
        text = good.replace(old, new, 1)
        checks.that(text != good, f"control {name}: nothing was spoilt")
        path = folder / f"spoilt-{name}.html"
        path.write_text(text, encoding="utf-8")
        return path

    no_policy = re.search(r"<meta http-equiv=.*?>\n", good, re.S)[0]
    for name, element in (("image", '<img alt="" src="http://127.0.0.1:9/x.png">'),
                          ("script", "<script>console.log('x')</script>"),
                          ("error", "<script>throw new Error('x')</script>")):
        path = spoil(name, no_policy, "")
        path.write_text(path.read_text(encoding="utf-8").replace("</main>", element + "</main>"), encoding="utf-8")
        browser.size(1280)
        browser.open(path.as_uri())
        browser.ask("new Promise(done => setTimeout(done, 200))")
        checks.that(browser.noise(), f"control {name}: no noise was heard")
        spoilt = Page(path.read_text(encoding="utf-8"))
        other = Checks(most=0)
        check_structure(other, name, path.read_text(encoding="utf-8"), spoilt)
        checks.that(other.failed, f"control {name}: not seen by the parser")
    # The page's own policy stops a script and an image that would get in all the same.
    path = spoil("policy", "</main>", '<script>document.title = "ran"</script></main>')
    browser.open(path.as_uri())
    checks.that(browser.ask("document.title") != "ran", "control policy: a script ran")
    path = spoil("wide", "</main>", '<p style="width:900px">wide</p></main>')
    browser.size(360)
    browser.open(path.as_uri())
    checks.that(browser.ask(BEYOND), "control wide: not seen on a screen")
    path = spoil("clipped", ".scroll{overflow:visible}", ".scroll{overflow:visible}table{min-width:1200px}")
    browser.size(PRINTABLE["A4"], media="print")
    browser.open(path.as_uri())
    checks.that(browser.ask(BEYOND), "control clipped: not seen on paper")
    if modules:
        spoilt = spoil("twice", '<caption id="table-2"', '<caption id="table-1"')
        found = validator_says(modules, [spoilt])[str(spoilt)]
        checks.that(any("no-dup-id" in line for line in found), f"control twice: html-validate says {found}")
        for name, old, new, rule in (("language", '<html lang="en">', "<html>", "html-has-lang"),
                                     ("contrast", "--soft:#55585e", "--soft:#d0d0d0", "color-contrast"),
                                     ("scope", "</h1>", "</h1><table><tr><th scope='x'>a</th></tr></table>",
                                      "scope-attr-valid")):
            path = spoil(name, old, new)
            browser.size(1280)
            browser.open(path.as_uri())
            found = axe_says(browser, axe)
            checks.that(any(rule in line for line in found), f"control {name}: axe-core says {found}")


def check_value_controls(checks, page_text, verdict, rows):
    """The comparison with verdict.json and readings.csv sees a single changed value."""
    for name, old, new in (("value", "<strong>29.8", "<strong>29.7"), ("answer", 'class="answer yes">confirmed',
                                                                       'class="answer yes">recorded'),
                           ("frame", '<span class="nb">72 to 125</span>', '<span class="nb">73 to 125</span>')):
        other = Checks(most=0)
        text = page_text.replace(old, new)
        checks.that(text != page_text, f"control {name}: nothing was changed")
        check_values(other, "control", Page(text), verdict)
        checks.that(other.failed, f"control {name}: not seen")
    path = re.search(r'class="track" d="([^"]*)"', page_text)[1]
    points = re.findall(r"[ML][0-9.]+ [0-9.]+", path)
    moved = page_text.replace(path, path.replace(points[12], "L300 100"))
    other = Checks(most=0)
    check_chart(other, "control", Page(moved), rows)
    checks.that(other.failed, "control chart: a point that is elsewhere is not seen")


def check_place_of_report(checks, job, folder, page):
    """--to never costs a file that is there, nor a seal. Not in its sealed form: any folder with a manifest is one."""
    written = folder / "handed-over.html"
    checks.equal(run("report", job, "--to", written).returncode, 0, "report --to")
    checks.equal(written.read_text(encoding="utf-8"), page, "the report elsewhere")
    trace = (job / "trace-1.pcap").read_bytes()
    for taken in (job / "trace-1.pcap", written):
        result = run("report", job, "--to", taken)
        checks.that(result.returncode == 73 and b"never overwritten" in result.stderr, f"report --to {taken.name}")
    checks.equal((job / "trace-1.pcap").read_bytes(), trace, "the trace beside the report")
    sealed = folder / "sealed"
    (sealed / "definitions").mkdir(parents=True)
    (sealed / "MANIFEST.sha256").write_text("")
    for place in (sealed / "new.html", sealed / "definitions" / "new.html"):
        result = run("report", job, "--to", place)
        checks.that(result.returncode == 73 and b"sealed job" in result.stderr, f"report --to {place}")
    checks.equal(sorted(item.name for item in sealed.rglob("*")), ["MANIFEST.sha256", "definitions"],
                 "nothing was added to a sealed folder")


def main():
    checks = Checks()
    modules = npm_modules()
    axe = (modules / "axe-core" / "axe.min.js").read_text(encoding="utf-8") if modules else None
    with temporary() as name:
        folder = pathlib.Path(name).resolve()
        pages = {}
        for job in map(Job, NAMES + UNSEEN):
            into = folder / job.name
            run("verify", *job.arguments(), "--into", into)
            pages[job.name] = into / "report.html"
            page = Page(pages[job.name].read_text(encoding="utf-8"))
            check_steady(checks, job.name, page, job)
            log = read_jsonl(into / "log.jsonl")
            check_more_time(checks, job.name, page, log)
            check_clears(checks, job.name, page, log)
            check_questions(checks, job.name, page, log)
        into = folder / "hostile"
        result = run("verify", *hostile_job(folder), "--into", into)
        if checks.that(into.is_dir(), lambda: f"hostile: {result.stderr.decode()[:600]}"):
            pages["hostile"] = into / "report.html"
        into = recorded_job(folder / "recorded")
        run("verify", into)
        pages["recorded"] = into / "report.html"
        (folder / "long.pcap").write_bytes(long_trace(12_000))
        (folder / "long.yaml").write_text(LONG)
        run("verify", folder / "long.pcap", "--definitions", folder / "long.yaml", "--into", folder / "long")
        pages["long"] = folder / "long" / "report.html"

        parsed = {}
        for where, path in pages.items():
            text = path.read_text(encoding="utf-8")
            parsed[where] = page = Page(text)
            verdict = parse_json((path.parent / "verdict.json").read_text(encoding="utf-8"))
            check_structure(checks, where, text, page)
            if where != "hostile": # its texts are shown escaped, and compared below
                check_values(checks, where, page, verdict)
        checks.that("No answer names a code; the one in frame 123 counts 1." in plain(parsed["count-after-wide"].of("main")[0]["text"]),
                    "count-after-wide: what was counted")
        check_questions(checks, "recorded", parsed["recorded"], read_jsonl(folder / "recorded" / "log.jsonl"))
        check_recorded(checks, parsed["recorded"], parse_json((folder / "recorded" / "verdict.json").read_text()))
        check_hostile(checks, pages["hostile"].read_text(encoding="utf-8"), parsed["hostile"])
        for where, reading in (("clean", "seat load.total"), ("refused-twice", "seat load.total"),
                               ("rezeroed-with-weight", "seat load.total"), ("wrong-vehicle", "seat load.total")):
            rows = rows_of(pages[where].parent / "readings.csv", reading)
            check_chart(checks, where, parsed[where], rows)
            check_gaps(checks, where, parsed[where], rows, Fraction(5, 2))
        rows = rows_of(pages["long"].parent / "readings.csv", "load.total")
        checks.equal(len(rows), 12_000, "long: readings")
        check_chart(checks, "long", parsed["long"], rows, every=False, near=Fraction(1))
        check_gaps(checks, "long", parsed["long"], rows, Fraction(5, 2))

        clean = pages["clean"].read_text(encoding="utf-8")
        again = run("report", pages["clean"].parent, "--to", "-")
        checks.equal(again.stdout, clean.encode(), "taretrace report --to -")
        pages["clean"].write_text("spoilt")
        checks.equal(run("report", pages["clean"].parent).returncode, 0, "taretrace report")
        checks.equal(pages["clean"].read_text(encoding="utf-8"), clean, "the report written anew")
        check_place_of_report(checks, pages["clean"].parent, folder, clean)
        check_value_controls(checks, clean, parse_json((pages["clean"].parent / "verdict.json").read_text()),
                             rows_of(pages["clean"].parent / "readings.csv", "seat load.total"))

        if modules:
            for file, found in validator_says(modules, pages.values()).items():
                checks.equal(found, [], f"html-validate: {file}")
        browser = Browser()
        try:
            for where, path in pages.items():
                if where in UNSEEN:
                    continue
                look(checks, browser, where, path.as_uri(), axe, where in ("blind-rail-losses", "hostile", "recorded"))
            check_paper(checks, browser, "refused-twice", pages["refused-twice"].as_uri(), folder)
            check_controls(checks, browser, modules, axe, clean, folder)
        finally:
            browser.close()
    if not modules:
        print("without node: html-validate and axe-core were not asked")
    checks.finish()


if __name__ == "__main__":
    main()
