"""The interlock chain as a drawing: what works with the computer unplugged, and what it adds.

Run: .venv/bin/python wiring/chain.py    It writes chain.svg beside itself.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import schemdraw
from schemdraw import elements as elm

schemdraw.use("svg")
SHEET = Path(__file__).with_name("chain.svg")
WIDTH = 20.0


Item = tuple[str, str]

KINDS: dict[str, Callable[[], Any]] = {
    "nc": lambda: elm.Switch(nc=True), "no": elm.Switch, "box": elm.RBox,
    "coil": elm.Inductor, "wire": elm.Line,
}


def rung(drawing: schemdraw.Drawing, y: float, items: list[Item], rail: bool) -> None:
    """One rung from the left rail, to the right one or to an end of its own."""
    drawing += elm.Dot().at((0, y))
    for kind, label in items:
        drawing += KINDS[kind]().right().label(label, fontsize=9)
    if rail:
        drawing += elm.Line().right().tox(WIDTH)
    drawing += elm.Dot(open=not rail)


COILS: list[list[Item]] = [
    [("nc", "e-stop, 1st contact"), ("nc", "cut-out, by hand"),
     ("nc", "2nd cut-out (full),\nbridged by its key\nexcept for warm-hold"), ("coil", "coil K2"),
     ("box", "2 s timer,\nfed by beat"), ("box", "driver of\nenable")],
    [("no", "float, 1st contact\n(wet = closed)"), ("wire", ""), ("coil", "coil K1"),
     ("box", "driver of k1")],
    [("wire", ""), ("wire", ""), ("coil", "coil, mixer's\ncontactor"),
     ("box", "driver of mixer")],
    [("wire", ""), ("wire", ""), ("coil", "coil, air pump's\ncontactor (full)"),
     ("box", "driver of air")],
    [("wire", ""), ("wire", ""), ("box", "horn, lamp,\nvent fan's relay"),
     ("box", "drivers of horn,\nlamp, vent")],
]
LOADS: list[list[Item]] = [
    [("no", "K1"), ("box", "solid-state\nswitch (if fitted)"), ("box", "element")],
    [("no", "mixer's contactor"), ("wire", ""), ("box", "pump motor")],
    [("no", "air pump's contactor\n(full)"), ("wire", ""), ("box", "air pump")],
]
READ: list[list[Item]] = [
    [(kind, label), ("box", "1 kOhm"), ("wire", f"GPIO of {name}")]
    for kind, label, name in (
        ("nc", "e-stop, 2nd contact", "estop_closed"), ("no", "float, 2nd contact", "level_wet"),
        ("nc", "cut-out, auxiliary", "cutout_closed"), ("nc", "K1, mirror contact", "k1_open"),
        ("nc", "K2, mirror contact", "k2_open"), ("no", "mixer proof", "mixer_proof"),
        ("no", "each button", "green, black, blue"))
]


def block(drawing: schemdraw.Drawing, top: float, title: str, left: str, right: str,
          rungs: list[list[Item]], step: float) -> float:
    """A ladder with its rails (no right one where right is empty); returns the y below it."""
    bottom = top - step * (len(rungs) - 1)
    drawing += elm.Label().at((0, top + 2.4)).label(title, halign="left", fontsize=12)
    drawing += elm.Line().at((0, bottom - 0.5)).to((0, top + 0.9)).label(left, "right", fontsize=9)
    if right:
        drawing += elm.Line().at((WIDTH, bottom - 0.5)).to((WIDTH, top + 0.9)).label(
            right, "right", fontsize=9)
    for number, items in enumerate(rungs):
        rung(drawing, top - step * number, items, bool(right))
    return bottom - 4.2


def draw() -> bytes:
    """The whole sheet as SVG."""
    with schemdraw.Drawing(show=False) as drawing:
        drawing.config(unit=3, fontsize=10)
        y = block(drawing, 0.0, "Coils, 24 V DC, drawn at rest: unpowered, float dry.",
                  "+24 V", "0 V", COILS, 2.6)
        drawing += elm.Label().at((0, y + 2.4)).label("Mains into the rig.", halign="left",
                                                      fontsize=12)
        drawing += elm.Dot(open=True).at((0, y)).label("L", "left")
        for kind, label in (("no", "isolator"), ("box", "RCD 30 mA,\nbreaker"), ("no", "K2"),
                            ("wire", "to the loads below")):
            drawing += KINDS[kind]().right().label(label, fontsize=9)
        y = block(drawing, y - 4.2, "Loads, mains.", "L behind K2", "N", LOADS, 2.6)
        block(drawing, y, "Read-backs, 3.3 V, each to a line of its own with its pull-down: "
              "a broken wire reads False.", "3.3 V", "", READ, 1.9)
    return bytes(drawing.get_imagedata("svg"))


if __name__ == "__main__":
    SHEET.write_bytes(draw())
