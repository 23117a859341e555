"""Runs a program as a user without rights: as_nobody.py PROGRAM ARGUMENT... Runs inside tests/bench/vm."""

import os
import sys

os.setgroups([])
os.setgid(65534)
os.setuid(65534)
os.execv(sys.argv[1], sys.argv[1:])
