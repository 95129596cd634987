#!/usr/bin/env python3
"""Draws pictures/NN.png and writes the steps that load them before those that show the engines: a side elevation of each engine that the demonstration puts on show.

    pip install resvg-py==0.5.0 pillow==13.0.0
    python3 pictures.py            # or, for the drawings of a few as SVG too: python3 pictures.py --svg marrowby pip

An engine is drawn from what its acts record: kind, wheel arrangement, gauge or scale, cylinders, bore and stroke, driving wheels,
rigid wheelbase, what goes with it. What is not on record (the height of a chimney, the spokes of a wheel) is drawn as was usual.
Each sheet says in the picture, and its alt says in words, that it is a drawing. No fonts and no chance: every run makes the same.
"""
import io
import json
import math
import pathlib
import re
import sys

import resvg_py
from PIL import Image

HERE = pathlib.Path(__file__).parent
STEPS = [HERE / name for name in ("2-sold-and-gone.json", "3-in-the-shop.json")]
WIDTH, HEIGHT = 1600, 800
GROUND = 585  # where the rail or the floor lies on the sheet
COLOURS = 34  # of the palette: the washes, and ink on each of them

PAPER, INK, FAINT = "#f7f1e1", "#1d2b36", "#8d8f88"
STEEL, IRON, BRASS, COPPER, RED, WOOD = "#cfd6d5", "#66727a", "#dfc37c", "#cf9a72", "#c8705c", "#b58a5e"
LIVERIES = {"green": "#9db796", "maroon": "#b5837d", "black": "#858d92", "blue": "#9bb4c6", "ochre": "#d0b988"}

STANDARD_GAUGE_MM = 1435
NOTICE = "Drawn from its dimensions, not a photograph"

# Letters of single strokes on a grid of 4 by 6, as a draughtsman's pen makes them; a font would differ from machine to machine.
LETTERS = {
    "A": "00 26 40;12 32", "B": "00 06 36 45 44 33 03;33 42 41 30 00", "C": "45 36 16 05 01 10 30 41", "D": "00 06 26 44 42 20 00",
    "E": "40 00 06 46;03 33", "F": "00 06 46;03 33", "G": "45 36 16 05 01 10 30 41 43 23", "H": "00 06;40 46;03 43", "I": "00 06",
    "J": "01 10 20 31 36", "K": "00 06;46 02;13 40", "L": "06 00 40", "M": "00 06 23 46 40", "N": "00 06 40 46",
    "O": "10 30 41 45 36 16 05 01 10", "P": "00 06 36 45 44 33 03", "Q": "10 30 41 45 36 16 05 01 10;22 40",
    "R": "00 06 36 45 44 33 03;23 40", "S": "01 10 30 41 42 33 13 04 05 16 36 45", "T": "06 46;26 20", "U": "06 01 10 30 41 46",
    "V": "06 20 46", "W": "06 10 24 30 46", "X": "00 46;06 40", "Y": "06 23 46;23 20", "Z": "06 46 00 40",
    "0": "10 30 41 45 36 16 05 01 10", "1": "05 16 10", "2": "05 16 36 45 44 00 40", "3": "05 16 36 45 44 33 23;33 42 41 30 10 01",
    "4": "30 36 02 42", "5": "46 06 04 34 43 41 30 10 01", "6": "45 36 16 05 01 10 30 41 42 33 13 02", "7": "06 46 10",
    "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33", "9": "01 10 30 41 45 36 16 05 04 13 33 44",
    "-": "03 33", ".": "00 01", ",": "11 00", "/": "00 46", "'": "06 05",
}


# What is on record


def in_mm(quantity):
    """Millimetres of a quantity as steps write it, `=1 1/2 in`."""
    *numbers, unit = quantity.removeprefix("=").split()
    value = sum(float(top) / float(below or 1) for top, _, below in (number.partition("/") for number in numbers))
    return value * {"mm": 1, "in": 25.4, "ft": 304.8}[unit]


def engines_on_show():
    """(stock number, its name in the acts, recorded facts, title and words of its listing) in the order in which they arrived."""
    steps = [step for file in STEPS for step in json.loads(file.read_text())]
    arrived = [(step["engine"], step["facts"]) for step in steps if step.get("do") == "arrives"]
    shown = {step["engine"]: step for step in steps if step.get("do") == "show"}
    return [(n, name, facts, shown[name]) for n, (name, facts) in enumerate(arrived, 1) if name in shown]


# Pen and wash


class Sheet:
    """Takes millimetres of the full-size engine, x from its front, y upwards from the ground; holds points of the sheet."""

    def __init__(self):
        self.parts = []
        self.size = self.left = None

    def fit(self, length, height):
        self.size = min(1390 / length, 465 / height)
        self.left = (WIDTH - length * self.size) / 2

    def at(self, x, y):
        return f"{self.left + x * self.size:.1f},{GROUND - y * self.size:.1f}"

    def add(self, shape, wash="none", pen=2.2, ink=INK):
        self.parts.append(f'<{shape} fill="{wash}" stroke="{ink}" stroke-width="{pen}"/>')

    def path(self, points, wash="none", pen=2.2, ink=INK, closed=True):
        self.add(f'path d="M{" L".join(self.at(*point) for point in points)}{"Z" if closed else ""}"', wash, pen, ink)

    def line(self, *points, pen=2.2, ink=INK):
        self.path(points, pen=pen, ink=ink, closed=False)

    def box(self, x0, y0, x1, y1, wash="none", pen=2.2, ink=INK):
        self.path([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], wash, pen, ink)

    def disc(self, x, y, radius, wash="none", pen=2.2, ink=INK):
        cx, cy = self.at(x, y).split(",")
        self.add(f'circle cx="{cx}" cy="{cy}" r="{radius * self.size:.1f}"', wash, pen, ink)

    def curve(self, start, *bends, wash="none", pen=2.2, closed=False):
        """Each bend: two handles and an end."""
        d = "M" + self.at(*start) + "".join(f' C{" ".join(self.at(*point) for point in bend)}' for bend in bends)
        self.add(f'path d="{d}{"Z" if closed else ""}"', wash, pen)

    def shade_round(self, x0, x1, low, high, dark=1.0):
        """The engraver's lines along a lying barrel: light falls from above, a third of the way down."""
        n = max(4, int((high - low) * self.size / 6))
        for i in range(1, n):
            t = i / n  # from the bottom
            weight = dark * 2.4 * max(0, abs(t - 0.68) - 0.13) ** 1.1 * (1.5 if t < 0.68 else 1)
            if weight > 0.12:
                self.line((x0, low + t * (high - low)), (x1, low + t * (high - low)), pen=round(weight * 1.7, 1))

    def shade_upright(self, x0, x1, low, high, dark=1.0):
        n = max(4, int((x1 - x0) * self.size / 6))
        for i in range(1, n):
            t = i / n
            weight = dark * 2.4 * max(0, abs(t - 0.36) - 0.14) ** 1.1
            if weight > 0.12:
                self.line((x0 + t * (x1 - x0), low), (x0 + t * (x1 - x0), high), pen=round(weight * 1.7, 1))

    def letter(self, text, x, y, height, ink=INK, pen=None, from_right=False):
        """Points of the sheet, y the foot of the letters. Gives the width."""
        unit = height / 6
        d, across = [], 0.0
        for sign in text.upper():
            strokes = LETTERS.get(sign, "")
            pairs = [[(int(p[0]), int(p[1])) for p in stroke.split()] for stroke in strokes.split(";") if stroke]
            d.append((across, pairs))
            across += (max((px for stroke in pairs for px, _ in stroke), default=1) + 2) * unit
        begin = x - across + 2 * unit if from_right else x
        lines = [
            "M" + " L".join(f"{begin + start + (px + py * 0.18) * unit:.1f},{y - py * unit:.1f}" for px, py in stroke)
            for start, pairs in d
            for stroke in pairs
        ]
        self.add(f'path d="{" ".join(lines)}"', pen=pen or round(height / 9, 1), ink=ink)
        return across

    def svg(self):
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}" stroke-linejoin="round" stroke-linecap="round">'
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>{"".join(self.parts)}</svg>'
        )


def polar(x, y, radius, degrees):
    return x + radius * math.cos(math.radians(degrees)), y + radius * math.sin(math.radians(degrees))


def wheel(sheet, x, radius, wash, spokes, crank=None, y=None):
    """A spoked wheel that stands on the ground; with a crank also its balance weight, opposite."""
    y = radius if y is None else y
    rim = radius - max(45, radius * 0.11)
    sheet.disc(x, y, radius, STEEL)
    sheet.disc(x, y, rim, PAPER, 1.6)
    for i in range(spokes):
        angle = 360 * i / spokes + 7
        a, b = polar(x, y, radius * 0.2, angle - 14), polar(x, y, rim, angle - 3.2)
        c, d = polar(x, y, rim, angle + 3.2), polar(x, y, radius * 0.2, angle + 14)
        sheet.path([a, b, c, d], wash, 1.1)
    if crank is not None:
        edge = [polar(x, y, rim, crank + 180 + turn) for turn in range(-38, 39, 4)]
        sheet.path(edge, wash, 1.4)
    sheet.disc(x, y, radius * 0.22, wash, 1.6)
    sheet.disc(x, y, radius * 0.09, STEEL, 1.4)


def rod(sheet, x0, y0, x1, y1, thick, wash=STEEL):
    sheet.disc(x0, y0, thick * 0.95, wash, 1.5)
    sheet.disc(x1, y1, thick * 0.95, wash, 1.5)
    length = math.dist((x0, y0), (x1, y1))
    ux, uy = (y1 - y0) / length * thick / 2, (x0 - x1) / length * thick / 2
    sheet.path([(x0 + ux, y0 + uy), (x1 + ux, y1 + uy), (x1 - ux, y1 - uy), (x0 - ux, y0 - uy)], wash, 1.5)
    for x, y in ((x0, y0), (x1, y1)):
        sheet.disc(x, y, thick * 0.4, PAPER, 1.3)


def chimney(sheet, x, foot, top, half, copper):
    sheet.curve(
        (x - half * 1.7, foot), ((x - half, foot + half * 0.3), (x - half, foot + half), (x - half, foot + half * 1.4)),
        ((x - half, foot + half * 1.4), (x - half * 1.08, top - half), (x - half * 1.08, top - half * 0.7)),
        ((x - half * 1.08, top - half * 0.7), (x + half * 1.08, top - half * 0.7), (x + half * 1.08, top - half * 0.7)),
        ((x + half * 1.08, top - half), (x + half, foot + half * 1.4), (x + half, foot + half * 1.4)),
        ((x + half, foot + half), (x + half, foot + half * 0.3), (x + half * 1.7, foot)), wash=IRON, closed=True)
    sheet.shade_upright(x - half, x + half, foot + half * 1.2, top - half * 0.8)
    sheet.path([(x - half * 1.1, top - half * 0.75), (x + half * 1.1, top - half * 0.75), (x + half * 1.4, top - half * 0.2),
                (x + half * 1.25, top), (x - half * 1.25, top), (x - half * 1.4, top - half * 0.2)], COPPER if copper else IRON)


def dome(sheet, x, foot, high, half, wash):
    sheet.curve(
        (x - half * 1.35, foot), ((x - half, foot + high * 0.1), (x - half, foot + high * 0.3), (x - half, foot + high * 0.5)),
        ((x - half, foot + high * 1.17), (x + half, foot + high * 1.17), (x + half, foot + high * 0.5)),
        ((x + half, foot + high * 0.3), (x + half, foot + high * 0.1), (x + half * 1.35, foot)), wash=wash, closed=True)
    sheet.shade_upright(x - half * 0.95, x + half * 0.95, foot + high * 0.12, foot + high * 0.55, 0.8)


def heap(sheet, x0, x1, foot, high):
    """Coal, in lumps that are always the same."""
    n = 11
    tops = [(x0 + (x1 - x0) * i / n, foot + high * math.sin(math.pi * i / n) * (0.75 + 0.25 * math.cos(i * 2.4))) for i in range(n + 1)]
    sheet.path(tops, IRON, 1.6)


def spring(sheet, x, y, half, thick):
    for leaf in range(4):
        reach = half * (1 - leaf * 0.2)
        sheet.curve((x - reach, y + leaf * thick), ((x - reach / 3, y - thick * 0.8 + leaf * thick), (x + reach / 3, y - thick * 0.8 + leaf * thick), (x + reach, y + leaf * thick)), pen=1.5)


# Locomotives


def whyte(notation):
    """(leading, coupled, trailing wheels, letters after them) of an arrangement without articulation."""
    leading, coupled, trailing, letters = re.fullmatch(r"(\d+)-(\d+)-(\d+)([A-Z]*)", notation).groups()
    return int(leading), int(coupled), int(trailing), letters


def carrying_axles(n_axles, nearest, pitch, outwards):
    return [nearest + outwards * pitch * i for i in range(n_axles)]


def locomotive(sheet, facts, livery):
    """Draws it facing left and gives what the title block says of it."""
    scale = in_mm(facts["gauge"]) / (in_mm(facts["prototype_gauge"]) if "prototype_gauge" in facts else STANDARD_GAUGE_MM)
    narrow = "prototype_gauge" in facts
    full = lambda name: in_mm(facts[name]) / scale
    leading, coupled, trailing, letters = whyte(facts["whyte"])
    driver = full("driving_wheel_diameter")
    r, n = driver / 2, coupled // 2
    small_r = min(r * 0.8, 330 if narrow else 480)
    pitch = full("rigid_wheelbase") / (n - 1) if "rigid_wheelbase" in facts else driver + max(180, driver * 0.14)
    outside = n == 2 and trailing != 2 or leading > 0
    bore, stroke = full("bore"), full("stroke")
    tall = 2550 if narrow else 3900
    barrel = 430 if narrow else 690  # its radius
    centre = 1330 if narrow else 1640 + 0.5 * driver
    deck = 640 if narrow else 1270
    tank_engine = letters.endswith("T")

    # Along the engine: front beam at 0, then leading axles, coupled axles, trailing axle, rear beam.
    reach = 1.0 if not narrow else 0.55
    bogie_pitch = 2 * small_r + 950 * reach
    if leading == 4:
        first_leading = 1150
        first = first_leading + bogie_pitch + small_r + r + 420
    elif leading == 2:
        first_leading = 1150
        first = first_leading + small_r + r + 1080
    else:
        first_leading = None
        first = (1900 if outside else 1750) * reach + r * (0.9 if outside else 0.45)
    axles = [first + pitch * i for i in range(n)]
    fronts = carrying_axles(leading // 2, first_leading, bogie_pitch, 1) if leading else []
    last = axles[-1] + (r + small_r + 560 if trailing else 0)
    backs = [last] if trailing else []
    cab_front = (last - 700 if trailing and not tank_engine else axles[-1] + r * (0.25 if trailing else 0.1)) if not narrow else axles[-1] + 60
    cab_back = cab_front + (1700 if not narrow else 1150)
    bunker = (1250 if not narrow else 420) if tank_engine else 0
    rear = max(cab_back + bunker + 60, last + small_r + 500 * reach)
    cylinder_x = (fronts[0] + fronts[1]) / 2 if leading == 4 else fronts[0] + 60 if leading == 2 else axles[0] - r - 650 * reach - stroke * 0.4
    smoke_x = cylinder_x if outside else axles[0] - r * 0.7
    smoke_front, smoke_back = smoke_x - 620 * reach, smoke_x + 620 * reach
    smoke_front = max(smoke_front, 330 * reach)

    tender = "tender" in facts.get("included_items", [])
    tender_axles = 2 if n == 2 and not leading else 3
    tender_length = 2300 + 1350 * (tender_axles - 1) if tender else 0
    overall = rear + (tender_length + 330 if tender else 0)
    sheet.fit(overall + 720, tall)
    sheet.left += 360 * sheet.size

    track(sheet, overall, 1.0 if not narrow else 0.6)

    # Frames first; all else stands before them.
    sheet.path([(120, deck - 60), (120, deck - 560 * reach), (320, 420 * reach), (rear - 300, 420 * reach), (rear - 80, deck - 560 * reach), (rear - 80, deck - 60)], "#b9bcb6", 1.6)

    crank = 218
    for x in fronts + backs:
        wheel(sheet, x, small_r, livery, 10)
    for x in axles:
        wheel(sheet, x, r, livery, 2 * max(6, round(driver / 190)), crank)
        spring(sheet, x, r + r * 0.42, r * 0.48, r * 0.05)
    if leading == 4:
        sheet.path([(fronts[0] - small_r * 0.7, small_r + 130), (fronts[1] + small_r * 0.7, small_r + 130), (fronts[1] + small_r * 0.5, small_r - 90), (fronts[0] + small_r * 0.9, small_r - 150), (fronts[0] - small_r * 0.5, small_r - 90)], STEEL, 1.8)
        for x in fronts:
            sheet.disc(x, small_r, small_r * 0.2, STEEL, 1.5)

    # Boiler: smokebox, barrel in two rings, firebox.
    firebox = cab_front - (2000 if not narrow else 700) * (0.85 if n < 3 else 1)
    low, high = centre - barrel, centre + barrel
    sheet.box(firebox, deck, cab_front + 80, high + 10, livery)
    sheet.shade_round(firebox, cab_front, centre - barrel * 0.6, high, 0.9)
    sheet.box(smoke_back, low, firebox, high, livery)
    sheet.shade_round(smoke_back, firebox, low, high)
    for share in (0.02, 0.34, 0.67, 0.98):
        x = smoke_back + share * (firebox - smoke_back)
        sheet.line((x, low), (x, high), pen=4.5, ink=BRASS)
        sheet.line((x - 16, low), (x - 16, high), pen=1)
        sheet.line((x + 16, low), (x + 16, high), pen=1)
    sheet.path([(smoke_front, low - 20), (smoke_back, low - 20), (smoke_back, high + 25), (smoke_front, high + 25)], IRON)
    sheet.shade_round(smoke_front, smoke_back, low - 20, high + 25, 1.1)
    sheet.curve((smoke_front, high - 60), ((smoke_front - 120 * reach, high - 120), (smoke_front - 120 * reach, low + 120), (smoke_front, low + 60)), wash=IRON)
    sheet.line((smoke_front - 90 * reach, centre), (smoke_front - 190 * reach, centre), pen=4)
    sheet.line((smoke_front - 170 * reach, centre - 110 * reach), (smoke_front - 170 * reach, centre + 110 * reach), pen=3)
    for y in (low + 40, high - 40):
        for i in range(9):
            sheet.disc(smoke_front + 60 * reach + i * (smoke_back - smoke_front - 120 * reach) / 8, y, 11 * max(reach, 0.7), PAPER, 0.8)
    saddle = deck - 40
    sheet.path([(smoke_x - 520 * reach, saddle), (smoke_x + 520 * reach, saddle), (smoke_x + 330 * reach, low - 20), (smoke_x - 330 * reach, low - 20)], IRON)

    # What stands on it.
    chimney(sheet, smoke_x, high + 25, tall, 215 * (reach if not narrow else 0.62), copper=not narrow)
    dome_x = smoke_back + (firebox - smoke_back) * 0.56
    dome_high = min(tall - high - 60, 640 * (1 if not narrow else 0.55))
    dome(sheet, dome_x, high - 10, dome_high, 260 * (1 if not narrow else 0.62), BRASS)
    for x in (firebox + 260 * reach, firebox + 460 * reach):
        sheet.box(x - 60 * reach, high, x + 60 * reach, high + 260 * reach, BRASS, 1.8)
        sheet.box(x - 85 * reach, high + 260 * reach, x + 85 * reach, high + 310 * reach, BRASS, 1.6)
    rail_y = centre + barrel * 0.42
    sheet.line((smoke_front + 90 * reach, rail_y), (cab_front, rail_y), pen=3.6)
    for share in (0.03, 0.28, 0.52, 0.76):
        sheet.disc(smoke_front + share * (cab_front - smoke_front) + 60, rail_y, 26 * reach, BRASS, 1.3)

    # Tanks, cab, bunker.
    if letters == "PT":
        sheet.path([(smoke_front + 70, centre - barrel * 0.42), (cab_front, centre - barrel * 0.42), (cab_front, high + 90), (smoke_front + 70, high + 90)], livery)
        lining(sheet, smoke_front + 70, centre - barrel * 0.42, cab_front, high + 90)
        rivets(sheet, smoke_front + 70, cab_front, high + 52, 26)
        dome(sheet, smoke_back + 800, high + 80, 170, 190, BRASS)
    elif letters == "T":
        tank_front = smoke_back + (firebox - smoke_back) * (0.05 if n >= 3 else 0.3)
        sheet.box(tank_front, deck, cab_front + 40, centre + barrel * 0.36, livery)
        lining(sheet, tank_front, deck, cab_front + 40, centre + barrel * 0.36)
        rivets(sheet, tank_front, cab_front, deck + 36 * reach, 24)
        dome(sheet, tank_front + 350 * reach, centre + barrel * 0.34, 120 * reach, 160 * reach, IRON)
    roof = tall - (310 if not narrow else 180)
    waist = centre + barrel * (0.36 if letters == "T" else 0.1)
    open_from, open_to = cab_front + (430 if not narrow else 300), cab_back - 170 * reach
    sheet.box(cab_front, deck, cab_back, roof, livery)
    sheet.path([(open_from, waist), (open_to, waist), (open_to, roof - 330 * reach), (open_to - 90 * reach, roof - 190 * reach),
                (open_from + 90 * reach, roof - 190 * reach), (open_from, roof - 330 * reach)], PAPER)
    if not tank_engine and not narrow:
        # The side of a tender engine's cab is cut away behind.
        sheet.path([(open_to, waist), (cab_back + 40, waist), (cab_back + 40, roof - 40), (open_to + 60, roof - 130), (open_to, roof - 330)], PAPER, 2.0)
        sheet.line((cab_back - 10, waist), (cab_back - 10, roof - 60), pen=3.4)
    lining(sheet, cab_front, deck, cab_back if tank_engine else cab_back - 10, waist)
    sheet.curve((cab_front - 150 * reach, roof), ((cab_front + 300 * reach, roof + 150 * reach), (cab_back - 100 * reach, roof + 150 * reach), (cab_back + (330 if not tank_engine else 120) * reach, roof)), wash=IRON, closed=True)
    if bunker:
        sheet.path([(cab_back, deck), (cab_back + bunker, deck), (cab_back + bunker + 60 * reach, waist + 120 * reach), (cab_back, waist + 120 * reach)], livery)
        lining(sheet, cab_back, deck, cab_back + bunker, waist + 80 * reach)
        heap(sheet, cab_back + 60, cab_back + bunker, waist + 120 * reach, 260 * reach)

    # Running plate, splashers, steps, beams.
    for x in axles:
        if 2 * r > deck - 30:
            arc = [polar(x, r, r + 70, turn) for turn in range(0, 181, 6)]
            arc = [(px, py) for px, py in arc if py >= deck]
            if arc and arc[0][0] < cab_back:
                sheet.path(arc, livery)
                sheet.path([polar(x, r, r + 20, turn) for turn in range(25, 156, 6) if polar(x, r, r + 20, turn)[1] > deck + 30], pen=1, ink=BRASS, closed=False)
    sheet.box(60, deck - 75 * reach, rear, deck, RED if not narrow else IRON, 1.8)
    for x in (cab_front + 700 * reach, 420 * reach):
        sheet.line((x, deck - 80), (x, 380 * reach), pen=2.4)
        for y in (400 * reach, 720 * reach):
            sheet.box(x - 40 * reach, y, x + 260 * reach, y + 40 * reach, IRON, 1.5)
    beam(sheet, 0, deck, -1, reach)
    if not tender:
        beam(sheet, rear, deck, 1, reach)

    # Motion.
    pins = [polar(x, r, stroke / 2, crank) for x in axles]
    main = 1 if n < 4 else 2
    if outside:
        cylinder_y = r + 40
        half, tall_half = stroke * 0.72, bore * 0.78
        back = cylinder_x + half
        slide_end = back + stroke * 1.75
        pin_x, pin_y = pins[main]
        mid = back + stroke * 0.95
        con = axles[main] - mid
        head = pin_x - math.sqrt(con**2 - (pin_y - cylinder_y) ** 2)
        for y in (cylinder_y + 95 * reach, cylinder_y - 95 * reach):
            sheet.box(back, y - 22 * reach, slide_end, y + 22 * reach, STEEL, 1.5)
        sheet.box(slide_end - 30, cylinder_y - 150 * reach, slide_end + 50 * reach, deck - 70 * reach, STEEL, 1.6)
        sheet.box(back - 10, cylinder_y - 26 * reach, head, cylinder_y + 26 * reach, STEEL, 1.4)
    for before, after in zip(pins, pins[1:]):
        rod(sheet, *before, *after, 92 * (reach if not narrow else 0.7))
    if outside:
        rod(sheet, head, cylinder_y, pin_x, pin_y, 100 * (reach if not narrow else 0.7))
        sheet.box(head - 110 * reach, cylinder_y - 105 * reach, head + 110 * reach, cylinder_y + 105 * reach, STEEL, 1.7)
        # Valve gear: return crank, eccentric rod, expansion link, radius rod, combination lever.
        valve_y = cylinder_y + tall_half + 130 * reach
        link_x = slide_end + 160 * reach
        crank_x, crank_y = polar(axles[main], r, stroke * 0.24, crank - 95)
        thin = 46 * reach
        sheet.curve((link_x, valve_y + 190 * reach), ((link_x - 70 * reach, valve_y + 60 * reach), (link_x - 70 * reach, valve_y - 150 * reach), (link_x, valve_y - 300 * reach)), pen=7, closed=False)
        rod(sheet, crank_x, crank_y, link_x, valve_y - 290 * reach, thin)
        rod(sheet, pin_x, pin_y, crank_x, crank_y, thin * 1.4)
        rod(sheet, link_x - 40 * reach, valve_y + 40 * reach, back + 190 * reach, valve_y + 60 * reach, thin)
        rod(sheet, back + 190 * reach, valve_y + 110 * reach, head - 20 * reach, cylinder_y - 230 * reach, thin)
        sheet.line((back, valve_y), (back + 190 * reach, valve_y), pen=4)
        sheet.box(cylinder_x - half * 0.82, valve_y - 130 * reach, cylinder_x + half * 0.82, valve_y + 130 * reach, livery, 1.8)
        sheet.box(cylinder_x - half, cylinder_y - tall_half, cylinder_x + half, cylinder_y + tall_half, livery)
        sheet.shade_round(cylinder_x - half, cylinder_x + half, cylinder_y - tall_half, cylinder_y + tall_half, 0.9)
        for x in (cylinder_x - half, cylinder_x + half):
            sheet.box(x - 34 * reach, cylinder_y - tall_half - 26 * reach, x + 34 * reach, cylinder_y + tall_half + 26 * reach, STEEL, 1.7)
        sheet.box(cylinder_x - half - 75 * reach, cylinder_y - bore * 0.4, cylinder_x - half - 34 * reach, cylinder_y + bore * 0.4, STEEL, 1.5)

    if tender:
        draw_tender(sheet, rear + 330, tender_length, tender_axles, livery, deck, waist)
    return f'{facts["whyte"]}, driving wheels {spoken(facts["driving_wheel_diameter"])}'


def draw_tender(sheet, x0, length, n_axles, livery, deck, waist):
    x1, radius = x0 + length, 520
    sheet.line((x0 - 360, deck - 170), (x0 + 40, deck - 170), pen=5)
    gap = (length - 1900) / (n_axles - 1)
    axles = [x0 + 950 + gap * i for i in range(n_axles)]
    for x in axles:
        wheel(sheet, x, radius, livery, 10)
    sheet.path([(x0 + 60, deck - 60), (x0 + 60, 640), (x0 + 250, 470), (x1 - 250, 470), (x1 - 60, 640), (x1 - 60, deck - 60)], "#b9bcb6", 1.8)
    for x in axles:
        sheet.curve((x - 420, 470), ((x - 360, 900), (x + 360, 900), (x + 420, 470)), wash=PAPER, pen=1.8)
        wheel_part = [polar(x, radius, radius - 10, turn) for turn in range(-10, 191, 8)]
        sheet.line(*[(px, py) for px, py in wheel_part if 470 < py < 780 and abs(px - x) < 380], pen=1)
        sheet.box(x - 130, radius - 110, x + 130, radius + 130, STEEL, 1.8)
        sheet.box(x - 80, radius - 60, x + 80, radius + 60, livery, 1.3)
        sheet.line((x, radius + 130), (x, radius + 230), pen=4)
        spring(sheet, x, radius + 250, 380, 34)
    sheet.box(x0, deck - 75, x1, deck, RED, 1.8)
    sheet.box(x0 + 120, deck, x1 - 60, waist + 60, livery)
    lining(sheet, x0 + 120, deck, x1 - 60, waist + 60)
    rivets(sheet, x0 + 120, x1 - 60, waist + 10, 34)
    sheet.curve((x0 + 120, waist + 60), ((x0 + 120, waist + 260), (x0 + 60, waist + 270), (x0 + 40, waist + 290)), ((x0 + 400, waist + 200), (x1 - 400, waist + 200), (x1 - 30, waist + 200)),
                ((x1 - 60, waist + 160), (x1 - 60, waist + 100), (x1 - 60, waist + 60)), wash=livery, closed=True)
    heap(sheet, x0 + 350, x1 - 800, waist + 205, 420)
    sheet.box(x1 - 700, waist + 200, x1 - 420, waist + 300, IRON, 1.8)
    beam(sheet, x1, deck, 1, 1.0)


def lining(sheet, x0, y0, x1, y1):
    inset = min(x1 - x0, y1 - y0) * 0.09
    sheet.box(x0 + inset, y0 + inset, x1 - inset, y1 - inset, pen=2.6, ink=BRASS)
    sheet.box(x0 + inset * 1.5, y0 + inset * 1.5, x1 - inset * 1.5, y1 - inset * 1.5, pen=0.9)


def rivets(sheet, x0, x1, y, n):
    for i in range(1, n):
        sheet.disc(x0 + (x1 - x0) * i / n, y, 9, PAPER, 0.7)


def beam(sheet, x, deck, out, reach):
    """Buffer beam, buffer and hook; `out` is 1 behind and -1 in front."""
    y = deck - 230 * reach
    sheet.box(x, deck - 480 * reach, x - out * 70 * reach, deck, RED)
    sheet.path([(x, y - 105 * reach), (x + out * 180 * reach, y - 70 * reach), (x + out * 180 * reach, y + 70 * reach), (x, y + 105 * reach)], IRON, 1.8)
    sheet.box(x + out * 180 * reach, y - 40 * reach, x + out * 300 * reach, y + 40 * reach, STEEL, 1.6)
    sheet.curve((x + out * 300 * reach, y + 190 * reach), ((x + out * 370 * reach, y + 80 * reach), (x + out * 370 * reach, y - 80 * reach), (x + out * 300 * reach, y - 190 * reach)), wash=STEEL, closed=True)


def track(sheet, overall, reach):
    sheet.box(-600, -70 * reach, overall + 600, 0, STEEL, 1.6)
    sheet.line((-600, -22 * reach), (overall + 600, -22 * reach), pen=1)
    x = -420
    while x < overall + 420:
        sheet.box(x - 115 * reach, -200 * reach, x + 115 * reach, -70 * reach, WOOD, 1.4)
        sheet.box(x - 75 * reach, -95 * reach, x + 75 * reach, -40 * reach, IRON, 1.2)
        x += 760 * reach
    earth(sheet, -600, overall + 600, -205 * reach)


def earth(sheet, x0, x1, y):
    """The ground as a section shows it."""
    sheet.line((x0, y), (x1, y), pen=1.6)
    step, down = 20 / sheet.size, 13 / sheet.size
    for i in range(int((x1 - x0) / step)):
        x = x0 + (i + 0.8) * step
        sheet.line((x, y), (x - down, y - down * (1 if i % 3 else 1.5)), pen=1.1)


# Road engines


def road_engine(sheet, facts, livery):
    """Proportions of a general-purpose engine; its cylinders as recorded."""
    per_foot = float(facts["scale"].split()[0]) * 25.4
    full = lambda name: in_mm(facts[name]) * 304.8 / per_foot
    bore, stroke, compound = full("bore"), full("stroke"), facts["cylinders"] == 2
    canopy = compound  # the larger ones carry one
    sheet.fit(5900, 3500)
    front_x, rear_x, front_r, rear_r = 900, 3950, 560, 960
    low, high = 1180, 1900
    earth(sheet, -300, 6100, 0)

    # Tender with its coal, then the boiler, then what stands on it, then the near wheels.
    sheet.path([(4350, 760), (5450, 760), (5520, 1000), (5520, 1850), (4350, 1700)], livery)
    lining(sheet, 4650, 860, 5480, 1700)
    heap(sheet, 4700, 5480, 1780, 300)
    sheet.line((5520, 820), (5760, 820), pen=6)
    sheet.box(3250, 720, 4350, 2040, livery)
    sheet.shade_round(3250, 4350, 1200, 2040, 0.9)
    rivets(sheet, 3270, 4340, 780, 14)
    sheet.box(1330, low, 3250, high, livery)
    sheet.shade_round(1330, 3250, low, high)
    for x in (1500, 2080, 2660, 3200):
        sheet.line((x, low), (x, high), pen=4.5, ink=BRASS)
        sheet.line((x - 14, low), (x - 14, high), pen=1)
        sheet.line((x + 14, low), (x + 14, high), pen=1)
    sheet.box(520, low - 25, 1330, high + 25, IRON)
    sheet.shade_round(520, 1330, low - 25, high + 25, 1.1)
    sheet.curve((520, high - 60), ((420, high - 150), (420, low + 150), (520, low + 60)), wash=IRON)
    sheet.line((430, 1540), (340, 1540), pen=4)
    chimney(sheet, 890, high + 25, 3470 if canopy else 3180, 165, copper=True)
    if compound:
        sheet.path([(1500, low - 330), (3200, low - 330), (3200, low + 60), (1500, low + 60)], livery)
        lining(sheet, 1500, low - 330, 3200, low + 60)
    sheet.path([(700, low), (1100, low), (980, 620), (820, 620)], IRON)

    # Cylinder block over the front of the boiler, crankshaft over the firebox.
    shaft_x, shaft_y = 3560, 2420
    block, cyl_y = 1560, 2160
    tall_half = max(250, bore * 1.05)
    sheet.box(block, high, block + 760, high + 2 * tall_half, livery)
    sheet.shade_round(block, block + 760, high, high + 2 * tall_half, 0.9)
    sheet.box(block - 40, cyl_y - bore * 0.62, block, cyl_y + bore * 0.62, STEEL, 1.8)
    for x in (block + 300, block + 460):
        sheet.box(x - 50, high + 2 * tall_half, x + 50, high + 2 * tall_half + 190, BRASS, 1.8)
    crank = 35
    pin_x, pin_y = polar(shaft_x, shaft_y, stroke / 2, crank)
    back = block + 760
    con = (shaft_x - back) * 0.62
    head = pin_x - math.sqrt(con**2 - (pin_y - cyl_y - 40) ** 2)
    for y in (cyl_y + 130, cyl_y - 60):
        sheet.box(back, y - 18, back + stroke * 2.1, y + 18, STEEL, 1.5)
    sheet.box(back, cyl_y + 12, head, cyl_y + 60, STEEL, 1.4)
    sheet.path([(3250, 2040), (4350, 2040), (4350, 2180), (3800, 2600), (3400, 2600), (3250, 2300)], livery)
    rod(sheet, head, cyl_y + 36, pin_x, pin_y, 80)
    sheet.box(head - 80, cyl_y - 50, head + 80, cyl_y + 120, STEEL, 1.6)
    rod(sheet, shaft_x, shaft_y, pin_x, pin_y, 130)
    flywheel(sheet, shaft_x, shaft_y, 690, livery)
    # Governor, lamp, steering.
    gx = block + 640
    sheet.line((gx, high + 2 * tall_half), (gx, high + 2 * tall_half + 330), pen=3)
    for side in (-1, 1):
        sheet.line((gx, high + 2 * tall_half + 330), (gx + side * 110, high + 2 * tall_half + 170), pen=2)
        sheet.disc(gx + side * 110, high + 2 * tall_half + 160, 46, BRASS, 1.6)
    sheet.line((4420, 1500), (4950, 2240), pen=3)
    sheet.line((4800, 2350), (5090, 2140), pen=6)
    sheet.line((3300, 980), (1080, 700), pen=2.4)
    if canopy:
        for x in (620, 4420, 5420):
            foot = 1850 if x > 620 else high
            sheet.box(x - 18, foot, x + 18, 3080, BRASS, 1.4)
        sheet.path([(250, 3120), (5800, 3120), (5800, 3230), (5500, 3300), (600, 3300), (250, 3230)], WOOD)
        sheet.box(250, 3050, 5800, 3130, RED, 1.8)
        for i in range(1, 28):
            sheet.line((250 + i * 198, 3050), (250 + i * 198, 3130), pen=1)
    wheel(sheet, front_x, front_r, RED, 12)
    wheel(sheet, rear_x, rear_r, RED, 16)
    for i in range(36):  # strakes, slanting across the tread
        a, b = polar(rear_x, rear_r, rear_r, i * 10), polar(rear_x, rear_r, rear_r - 75, i * 10 + 5)
        sheet.line(a, b, pen=2.4)
    sheet.disc(rear_x, rear_r, 120, BRASS, 1.8)
    sheet.disc(front_x, front_r, 75, BRASS, 1.8)
    return facts["scale"] + (", compound" if compound else "")


def flywheel(sheet, x, y, radius, wash):
    sheet.disc(x, y, radius, STEEL)
    sheet.disc(x, y, radius * 0.82, PAPER, 1.6)
    for i in range(5):
        angle = 90 + 72 * i
        a, b = polar(x, y, radius * 0.14, angle - 40), polar(x, y, radius * 0.84, angle - 5)
        c, d = polar(x, y, radius * 0.84, angle + 5), polar(x, y, radius * 0.14, angle + 40)
        sheet.curve(a, ((polar(x, y, radius * 0.45, angle - 14)), (polar(x, y, radius * 0.6, angle - 6)), b), (b, c, c), ((polar(x, y, radius * 0.6, angle + 6)), (polar(x, y, radius * 0.45, angle + 14)), d), wash=wash, pen=1.6, closed=True)
    sheet.disc(x, y, radius * 0.17, wash, 1.8)
    sheet.disc(x, y, radius * 0.07, STEEL, 1.5)


# Stationary engines, in millimetres of the model itself


def plinth(sheet, x0, x1, high):
    sheet.box(x0, 0, x1, high * 0.55, WOOD)
    sheet.path([(x0 + 4, high * 0.55), (x1 - 4, high * 0.55), (x1 - 9, high), (x0 + 9, high)], WOOD)
    for y in (high * 0.15, high * 0.28, high * 0.4):
        sheet.line((x0 + 6, y), (x1 - 6, y), pen=0.8)
    earth(sheet, x0 - 30, x1 + 30, 0)


def upright_with_boiler(sheet, facts, livery):
    """One upright cylinder over its crankshaft, and the upright boiler that feeds it."""
    bore, stroke = in_mm(facts["bore"]), in_mm(facts["stroke"])
    sheet.fit(310, 245)
    base = 24
    plinth(sheet, 0, 300, base)

    # Boiler: firebox shell with lamp, barrel, crown, chimney.
    bx, half = 85, 40
    sheet.box(bx - half - 4, base, bx + half + 4, base + 34, IRON)
    for i in range(5):
        sheet.disc(bx - 28 + 14 * i, base + 16, 4.2, PAPER, 1.4)
    sheet.box(bx - half, base + 34, bx + half, base + 142, COPPER)
    sheet.shade_upright(bx - half, bx + half, base + 34, base + 142)
    for y in (base + 40, base + 136):
        sheet.box(bx - half - 1, y - 2.4, bx + half + 1, y + 2.4, BRASS, 1.5)
        for i in range(13):
            sheet.disc(bx - half + 4 + i * (2 * half - 8) / 12, y, 0.9, PAPER, 0.7)
    sheet.curve((bx - half, base + 142), ((bx - half + 4, base + 158), (bx + half - 4, base + 158), (bx + half, base + 142)), wash=COPPER, closed=True)
    chimney(sheet, bx, base + 152, base + 212, 9, copper=True)
    sheet.box(bx + 24, base + 150, bx + 32, base + 166, BRASS, 1.8)
    sheet.disc(bx + 28, base + 170, 5.5, BRASS, 1.6)
    sheet.box(bx - 34, base + 72, bx - 28, base + 116, PAPER, 1.8)
    sheet.box(bx - 36, base + 68, bx - 26, base + 73, BRASS, 1.5)
    sheet.box(bx - 36, base + 115, bx - 26, base + 120, BRASS, 1.5)
    sheet.disc(bx - 31, base + 84, 1.6, INK, 1)
    sheet.disc(bx, base + 108, 11, PAPER, 2)
    sheet.line((bx, base + 108), (bx + 6, base + 114), pen=2)

    # Engine: standards, crankshaft low, cylinder high.
    ex, shaft, foot = 212, base + 40, base + 122
    half = bore * 0.86
    sheet.path([(ex - 36, base), (ex + 36, base), (ex + 36, base + 8), (ex - 36, base + 8)], IRON)
    sheet.path([(ex - 33, base + 8), (ex - 25, base + 8), (ex - half * 0.8, foot), (ex - half * 1.35, foot)], livery)
    sheet.path([(ex + 33, base + 8), (ex + 25, base + 8), (ex + half * 0.8, foot), (ex + half * 1.35, foot)], livery)
    flywheel(sheet, ex, shaft, 34, RED)
    sheet.box(ex - 3, foot - stroke * 1.7, ex + 3, foot, STEEL, 1.6)
    pin = polar(ex, shaft, stroke / 2, 60)
    rod(sheet, *pin, ex, foot - stroke * 1.7, 5)
    rod(sheet, ex, shaft, *pin, 8)
    sheet.box(ex - 8, foot - stroke * 1.7 - 5, ex + 8, foot - stroke * 1.7 + 5, STEEL, 1.7)
    top = foot + stroke * 1.55
    sheet.box(ex - half, foot, ex + half, top, livery)
    sheet.shade_upright(ex - half, ex + half, foot, top)
    for y in (foot, top):
        sheet.box(ex - half * 1.25, y - 2.5, ex + half * 1.25, y + 2.5, STEEL, 1.7)
    sheet.box(ex - half - 9, foot + 5, ex - half, top - 5, livery, 1.8)
    sheet.disc(ex, top + 7, 3.4, BRASS, 1.6)
    # Steam pipe with its cock.
    sheet.curve((bx + 28, base + 152), ((bx + 60, base + 152), (ex - 60, top + 12), (ex - half - 30, foot + 16)), pen=6)
    sheet.line((ex - half - 30, foot + 16), (ex - half - 9, foot + 16), pen=6)
    sheet.disc(ex - half - 24, foot + 16, 5, BRASS, 1.7)
    sheet.line((ex - half - 24, foot + 21), (ex - half - 24, foot + 32), pen=3)
    return "upright, with its boiler"


def marine_compound(sheet, facts, livery):
    """Two inverted cylinders side by side over one crankshaft; the recorded bore is that of the high-pressure one."""
    bore, stroke = in_mm(facts["bore"]), in_mm(facts["stroke"])
    low_bore = bore * 1.7
    sheet.fit(330, 230)
    base, shaft, foot = 24, 62, 136
    plinth(sheet, 0, 320, base)
    columns = {"high": (118, bore, 90), "low": (206, low_bore, 200)}
    sheet.path([(66, base), (262, base), (256, base + 14), (72, base + 14)], IRON)
    for x in (76, 160, 252):
        sheet.path([(x - 12, base + 14), (x + 12, base + 14), (x + 8, shaft + 9), (x - 8, shaft + 9)], livery)
        sheet.path([(x - 5, shaft + 9), (x + 5, shaft + 9), (x + 4, foot), (x - 4, foot)], STEEL)
        sheet.shade_upright(x - 5, x + 5, shaft + 9, foot, 0.8)
        sheet.box(x - 10, shaft - 9, x + 10, shaft + 9, BRASS, 1.7)
    sheet.box(66, foot - 9, 262, foot - 3, livery, 1.8)
    sheet.box(60, shaft - 5, 312, shaft + 5, STEEL, 1.7)
    for x, size, crank in columns.values():
        throw = stroke / 2 * math.sin(math.radians(crank))
        for side in (-1, 1):
            sheet.box(x + side * 8 - 4, min(shaft, shaft + throw) - 8, x + side * 8 + 4, max(shaft, shaft + throw) + 8, STEEL, 1.6)
        head = shaft + throw + stroke * 1.25
        sheet.path([(x - 4, shaft + throw), (x + 4, shaft + throw), (x + 3, head), (x - 3, head)], STEEL, 1.6)
        sheet.box(x - 6, shaft + throw - 7, x + 6, shaft + throw + 7, BRASS, 1.6)
        sheet.box(x - 2.6, head, x + 2.6, foot, STEEL, 1.5)
        sheet.box(x - 11, head - 6, x + 11, head + 6, STEEL, 1.7)
        half, top = size * 0.72, foot + stroke * 1.75
        sheet.box(x - half, foot, x + half, top, livery)
        sheet.shade_upright(x - half, x + half, foot, top)
        for y in (foot, top):
            sheet.box(x - half * 1.12, y - 3, x + half * 1.12, y + 3, STEEL, 1.7)
            for i in range(7):
                sheet.disc(x - half + i * half / 3, y + (3 if y == top else -3), 1.5, STEEL, 1)
        for share in (0.3, 0.7):
            y = foot + share * (top - foot)
            sheet.line((x - half, y), (x + half, y), pen=4, ink=BRASS)
        sheet.disc(x, top + 7, 3.6, BRASS, 1.6)
    # Receiver between the cylinders, steam pipe in, flywheel in front, coupling behind, worm of the reversing gear.
    sheet.box(118 + bore * 0.72, foot + 30, 206 - low_bore * 0.72, foot + 42, COPPER, 1.7)
    sheet.curve((118 - bore * 0.72, foot + 36), ((92, foot + 36), (84, foot + 44), (84, foot + 72)), pen=7)
    sheet.disc(84, foot + 76, 9, BRASS, 1.8)
    sheet.line((74, foot + 76), (94, foot + 76), pen=3)
    sheet.box(40, shaft - 37, 62, shaft + 37, STEEL)
    sheet.shade_round(40, 62, shaft - 37, shaft + 37, 1.0)
    sheet.box(300, shaft - 12, 308, shaft + 12, STEEL, 1.7)
    sheet.box(312, shaft - 12, 320, shaft + 12, STEEL, 1.7)
    sheet.line((170, foot - 30), (286, foot - 30), pen=4)
    for i in range(7):
        sheet.line((216 + i * 4, foot - 35), (220 + i * 4, foot - 25), pen=2)
    sheet.disc(286, foot - 30, 15, "none", 3)
    for turn in range(0, 180, 45):
        sheet.line(polar(286, foot - 30, 15, turn), polar(286, foot - 30, 15, turn + 180), pen=1.8)
    return "high and low pressure, side by side"


# The sheet


def spoken(quantity):
    return quantity.removeprefix("=")


def painter(facts, words):
    """Who draws that kind."""
    if facts["kind"] == "locomotive":
        return locomotive
    if facts["kind"] == "road_engine":
        return road_engine
    if "compound" in words and facts["cylinders"] == 2:
        return marine_compound
    if "upright" in words and facts["cylinders"] == 1:
        return upright_with_boiler
    raise SystemExit(f'nobody draws {facts["name"]} yet')


def frame_and_titles(sheet, number, facts, about):
    sheet.add(f'rect x="22" y="22" width="{WIDTH - 44}" height="{HEIGHT - 44}"', pen=3)
    sheet.add(f'rect x="32" y="32" width="{WIDTH - 64}" height="{HEIGHT - 64}"', pen=1)
    sheet.add('path d="M32,672 H1568"', pen=1)
    name = facts["name"].partition(",")[0]
    sheet.letter(name, 64, 732, 34, pen=4)
    size = f'{spoken(facts["gauge"])} gauge, ' if "gauge" in facts else ""
    sheet.letter(size + about, 1536, 712, 17, from_right=True)
    cylinders = {1: "one cylinder", 2: "two cylinders"}[facts["cylinders"]]
    sheet.letter(f'{cylinders}, {spoken(facts["bore"])} by {spoken(facts["stroke"])}', 1536, 742, 17, from_right=True)
    sheet.letter(f"No. {number}", 64, 72, 17)
    sheet.letter(NOTICE, 1536, 72, 15, from_right=True)


def png(svg):
    drawn = Image.open(io.BytesIO(resvg_py.svg_to_bytes(svg_string=svg, skip_system_fonts=True))).convert("RGB")
    reduced = drawn.quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    out = io.BytesIO()
    reduced.save(out, "PNG", optimize=True)
    return out.getvalue()


def main(wanted):
    steps = {}
    for place, (number, name, facts, shown) in enumerate(engines_on_show()):
        words = f'{shown["title"]} {shown["description"]}'.lower()
        livery = next((wash for colour, wash in LIVERIES.items() if colour in words), list(LIVERIES.values())[place % len(LIVERIES)])
        sheet = Sheet()
        about = painter(facts, words)(sheet, facts, livery)
        frame_and_titles(sheet, number, facts, about)
        file = f"{number:02}.png"
        (HERE / "pictures" / file).write_bytes(png(sheet.svg()))
        if name in wanted:
            pathlib.Path(f"{number:02}.svg").write_text(sheet.svg())
        tender = " and its tender" if "tender" in facts.get("included_items", []) else ""
        alt = f'{facts["name"]}{tender} from the side: a drawing made from the engine\'s dimensions, not a photograph.'
        steps[name] = {"do": "draw", "engine": name, "picture": f"pictures/{file}", "alt": alt}
    for file in HERE.glob("[0-9]-*.json"):
        lines = []
        for line in file.read_text().splitlines():
            if line.startswith('  {"do": "draw"'):
                continue
            shown = re.match(r'  \{"do": "show", "engine": "([^"]*)"', line)
            if shown:
                lines.append(f"  {json.dumps(steps[shown[1]])},")
            lines.append(line)
        file.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(sys.argv[2:] if sys.argv[1:2] == ["--svg"] else [])
