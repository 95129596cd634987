#!/usr/bin/env python3
"""Makes comparables.csv: 300 sales that never took place, by the rules below. Standard library, fixed seed:

    python3 comparables.py > comparables.csv

Every figure is invented; none is from a sale, a list or a guide of anybody. price = base x all factors x market x source
x noise, rounded to a sum that people pay. The price scale in 1-firm.json follows the same factors, roughly: it knows
neither the market's drift nor the source of a sale.
"""
import csv
import math
import random
import sys

SALES, YEARS, SEED = 300, 8, 417

# Pounds, for a sound amateur's engine in fair order, coal fired, papers aside. (kind, size): (base, weight in lb, share)
BASES = {
    ("locomotive", "2 1/2 in"): (1150, 30, 9),
    ("locomotive", "3 1/2 in"): (2300, 75, 22),
    ("locomotive", "5 in"): (5200, 165, 32),
    ("locomotive", "7 1/4 in"): (10800, 560, 13),
    ("road_engine", "2 in to the foot"): (3200, 95, 6),
    ("road_engine", "3 in to the foot"): (7600, 310, 6),
    ("road_engine", "4 in to the foot"): (14500, 900, 3),
    ("stationary", ""): (480, 24, 7),
    ("other", ""): (900, 40, 2),
}
BUILD_QUALITY = {"exhibition": 1.55, "fine": 1.22, "sound": 1.00, "plain": 0.82, "rough": 0.62}
GRADES = ["as_new", "good", "fair", "worn", "defective"]
AREAS = {  # factors in the order of GRADES
    "boiler": [1.12, 1.05, 1.00, 0.88, 0.64],
    "fittings_and_feeds": [1.03, 1.01, 1.00, 0.96, 0.88],
    "cylinders_and_valves": [1.05, 1.02, 1.00, 0.94, 0.82],
    "motion": [1.05, 1.02, 1.00, 0.94, 0.84],
    "wheels_and_axleboxes": [1.04, 1.02, 1.00, 0.94, 0.84],
    "frames": [1.02, 1.01, 1.00, 0.97, 0.86],
    "platework_and_paint": [1.06, 1.02, 1.00, 0.95, 0.90],
    "completeness": [1.03, 1.01, 1.00, 0.93, 0.78],
}
PAPERS_IN_DATE, PAPERS_NOT = 1.08, 0.90
BUILDER = {"amateur": 1.00, "trade": 1.14}
FUEL = {"coal": 1.00, "gas": 0.88, "spirit": 0.80}
WORKING_ORDER = {"in_running_order": 1.00, "restored_unproved": 0.90, "dismantled": 0.62, "part_built": 0.50}
WITH_IT = {"drawings": 1.02, "spares": 1.02, "box": 1.01, "trolley": 1.02}
# The market: dearer by 3 % a year until three years before the day of loading, cheaper by 2 % a year since.
UP, DOWN, TURN = 0.03, -0.02, 3.0
# What a source does to the price, how far its noise goes (standard deviation of the log), how often an area is not graded.
SOURCES = {
    "own": (1.00, 0.11, 0.02, 34),
    "observed_dealer": (1.05, 0.14, 0.35, 28),
    "observed_auction": (0.88, 0.19, 0.50, 28),
    "observed_private": (0.94, 0.17, 0.40, 10),
}
# Which arrangements are built in a gauge, and the material of the boiler.
WHYTE = {
    "2 1/2 in": ["4-4-0", "0-6-0", "2-4-0", "4-4-2"],
    "3 1/2 in": ["0-4-0", "0-6-0", "2-6-0", "2-4-2", "4-6-2", "0-4-4T"],
    "5 in": ["0-4-0ST", "0-6-0", "0-6-0T", "2-6-2T", "4-4-0", "4-4-2", "2-8-0"],
    "7 1/4 in": ["0-4-0T", "0-4-2T", "0-6-0", "2-6-2T", "2-6-0"],
}
STEEL = {"7 1/4 in": 0.55, "3 in to the foot": 0.6, "4 in to the foot": 0.9, "5 in": 0.04}
WORDS = {"road_engine": "road engine", "stationary": "stationary engine", "other": "steam plant"}


def sale(chance):
    """One row, as a dict by column."""
    (kind, size), (base, pounds, _) = chance.choices(list(BASES.items()), [row[2] for row in BASES.values()])[0]
    source = chance.choices(list(SOURCES), [row[3] for row in SOURCES.values()])[0]
    level, noise, unseen, _ = SOURCES[source]
    days = chance.randint(3, YEARS * 365)
    quality = chance.choices(list(BUILD_QUALITY), [4, 20, 44, 25, 7])[0]
    standing = chance.choices(list(BUILDER), [88, 12])[0]
    order = chance.choices(list(WORKING_ORDER), [80, 9, 7, 4])[0]
    fuel = "coal" if kind in ("locomotive", "road_engine") else chance.choice(["gas", "spirit", "coal"])
    mean = chance.gauss(1.7, 0.7)  # an engine is kept well or badly as a whole; 0 is as new
    grades = {area: min(4, max(0, round(chance.gauss(mean, 0.6)))) for area in AREAS}
    proved = order == "in_running_order" and grades["boiler"] < 4
    months = chance.randint(1, 14) if proved and chance.random() < 0.62 else 0
    extras = [item for item in WITH_IT if chance.random() < 0.22]
    weight = pounds * chance.uniform(0.8, 1.25)

    log_price = math.log(base * BUILD_QUALITY[quality] * BUILDER[standing] * FUEL[fuel] * WORKING_ORDER[order] * level)
    log_price += sum(math.log(AREAS[area][grade]) for area, grade in grades.items())
    log_price += math.log(PAPERS_IN_DATE if months else PAPERS_NOT) + sum(math.log(WITH_IT[item]) for item in extras)
    ago = days / 365.25
    log_price -= DOWN * min(ago, TURN) + UP * max(ago - TURN, 0)
    price = math.exp(log_price + chance.gauss(0, noise))
    step = 25 if price < 2000 else 50 if price < 6000 else 100
    whyte = chance.choice(WHYTE[size]) if kind == "locomotive" else ""
    gauge = size if kind == "locomotive" else ""
    scale = size if kind == "road_engine" else ""
    name = f"{gauge} gauge {whyte}" if whyte else f"{scale + ' ' if scale else ''}{WORDS[kind]}"
    material = "steel" if chance.random() < STEEL.get(size, 0) else "copper"
    return {
        "on": f"@-{days}d",
        "price": f"{max(step, round(price / step) * step)}.00",
        "source": source,
        "kind": kind,
        "gauge.value": gauge.removesuffix(" in"),
        "gauge.unit": "in" if gauge else "",
        "description": f"{name}, {quality} work",
        "whyte": whyte,
        "fuel": fuel,
        "weight.value": round(weight),
        "weight.unit": "lb",
        "build_quality": quality,
        "builder_standing": standing,
        "working_order": order,
        **{f"grades.{area}": "" if chance.random() < unseen else GRADES[grade] for area, grade in grades.items()},
        "papers_months_left": months if source == "own" or chance.random() > unseen else "",
        "boiler_material": material,
        "included_items": " ".join(extras),
    }


def main():
    chance = random.Random(SEED)
    rows = sorted((sale(chance) for _ in range(SALES)), key=lambda row: int(row["on"][2:-1]), reverse=True)
    table = csv.DictWriter(sys.stdout, list(rows[0]), lineterminator="\r\n")
    table.writeheader()
    table.writerows(rows)


main()
