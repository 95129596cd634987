#!/usr/bin/env python3
"""Fails when what score.py printed misses the bar. Standard library only."""

import re
import sys

text = open(sys.argv[1], encoding="utf-8").read()
missed = []
counts = re.search(r"outshop: (\d+) splits, (\d+) cells", text)
if not counts or counts.groups() != ("136", "16"):
    missed.append("136 splits in 16 cells are wanted")
lines = re.findall(r"n_train +(\w+): coverage ([\d.]+)", text)
if [n for n, _ in lines] != ["20", "50", "100", "250", "500", "all"]:
    missed.append("a number of sales is missing")
for n, coverage in lines:
    if not 0.78 <= float(coverage) <= 0.82:
        missed.append(f"coverage of the 80 % range at {n}: {coverage}, wanted 0.78 to 0.82")
overall = next((line for line in text.splitlines() if line.startswith("n_train  all")), "")
for other, most in (("ridge", 0.91), ("gbm", 0.87)):
    found = re.search(rf"[ ,]{other} ([\d.]+)", overall)
    if not found or float(found[1]) > most:
        missed.append(f"interval score over that of {other}: {found and found[1]}, wanted at most {most}")
worse = re.search(r"(\d+) worse: (.*)", text)
if not worse or worse[1] != "0":
    missed.append(f"worse than the best of ridge, forest and boosting: {worse and worse[2]}")
for line in missed:
    print(f"bar missed: {line}", file=sys.stderr)
sys.exit(bool(missed))
