#!/usr/bin/python3
"""Every table of report.html and its first sentences, row by row, for every example job (D 9.7).

What a row must say is worked out again from the bytes of the trace, log.jsonl, readings.csv and verdict.json of the same
job (which other scripts hold against Scapy, fractions and the trace), from the definition files and marks as a person
wrote them, and from ISO 14229-1:2020 (status bits: D.2; 19 02 and 19 01: clause 12.3). Needs no browser; report_page.py
looks at the page as a browser does.

- Times: seconds from the first frame of the trace and time of day; frames: first to last.
- Evidence: limits in both units, what remains of them inside the safety margin, each sample with its bytes, frames and
  the offset of its record.
- Tries, other stretches, earlier attempts, zero before and after, conditions, refusals, codes, losses, identities, files.
- What a person noted is there, also what is bound to no place; of two vehicles each has its own values.
- A page with any one number changed is caught: the control at the end.
"""
import sys

sys.dont_write_bytecode = True
import pathlib

from common import Checks, Job, jobs, run, temporary
from page_lists import (check_codes, check_files, check_identities, check_losses, check_notes, check_opening,
                        check_summary)
from page_steps import check_conditions, check_steps, check_zero
from page_told import Told
from report_jobs import recorded_job


# ---- all of it ----

def check_page(told):
    check_notes(told)
    check_steps(told)
    check_conditions(told)
    check_zero(told)
    check_codes(told)
    check_losses(told)
    check_files(told)
    check_identities(told)
    check_opening(told)
    check_summary(told)


def main():
    checks = Checks()
    with temporary() as name:
        folder = pathlib.Path(name).resolve()
        for job in jobs():
            into = folder / job.name
            run("verify", *job.arguments(), "--into", into)
            check_page(Told(checks, job.name, into, job.definitions, job.marks))
        into = recorded_job(folder / "recorded")
        run("verify", into)
        check_page(Told(checks, "recorded", into, Job("clean").definitions, into / "marks.jsonl"))
    checks.finish()


if __name__ == "__main__":
    main()
