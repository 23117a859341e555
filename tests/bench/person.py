"""The person of the bench: puts the scenario's marks into a job while it is recorded. Runs inside tests/bench/vm.

    person.py SCENARIO SECOND-0 JOB

What stands behind "person" in a line of the scenario (scenario.h) are the arguments of `taretrace mark JOB`, quoted as
for a shell. Exit: 0, or 1 if a mark was refused.
"""

import os
import shlex
import sys
import time


def main():
    scenario, start, job = sys.argv[1:]
    bad = 0
    with open(scenario, encoding="ascii") as file:
        lines = [line.split(None, 2) for line in file]
    for line in lines:
        if len(line) != 3 or line[1] != "person":
            continue
        time.sleep(max(0, float(start) + float(line[0]) - time.monotonic()))
        words = ["taretrace", "mark", job, *shlex.split(line[2])]
        if os.spawnv(os.P_WAIT, "./taretrace", words):
            print("person.py: refused:", line[2], end="", flush=True)
            bad = 1
    return bad


if __name__ == "__main__":
    sys.exit(main())
