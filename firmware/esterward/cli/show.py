"""Numbers as a person reads them: unit of choice, sensible digits, nothing unknown as a number."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable
from math import floor, isfinite
from typing import Any, Final

import click

from esterward.settings.quantity import convert

WIDTH: Final = 80
UNKNOWN: Final = "not known"
TEMPERATURES: Final = ("degC", "degF")
VOLUMES: Final = ("L", "gal_us", "gal_imp")


def temperature(c: float | None, unit: str = "degC", *, digits: int = 1) -> str:
    """A temperature given in degC, in degC or degF."""
    if c is None or not isfinite(c):
        return UNKNOWN
    return f"{c if unit == 'degC' else convert(c, 'degC', unit):.{digits}f} {unit}"


def limit(c: float | None, unit: str = "degC") -> str:
    """As temperature(), rounded down: a limit must not grow by being printed."""
    if c is None or not isfinite(c):
        return UNKNOWN
    value = c if unit == "degC" else convert(c, "degC", unit)
    return f"{floor(value * 10 + 1e-6) / 10:.1f} {unit}"


def volume(litres: float | None, unit: str = "L") -> str:
    """A volume given in L; below 2 L in mL, so that nobody reads 0.1 L for 80 mL."""
    if litres is None or not isfinite(litres):
        return UNKNOWN
    if abs(litres) < 2.0:
        return f"{litres * 1000:.0f} mL"
    if unit != "L":
        return f"{convert(litres, 'L', unit):.2f} {unit}"
    return f"{litres:.1f} L"


def grams(g: float | None) -> str:
    """A mass given in g, to about three digits."""
    if g is None or not isfinite(g):
        return UNKNOWN
    digits = 2 if abs(g) < 10 else 1 if abs(g) < 100 else 0
    return f"{g:.{digits}f} g"


def minutes(value: float | None) -> str:
    """A time given in min; above two hours with the hours beside it."""
    if value is None or not isfinite(value):
        return UNKNOWN
    if value < 120:
        return f"{value:.0f} min"
    whole = round(value)
    return f"{whole} min ({whole // 60} h {whole % 60:02d})"


def wrapped(text: str, indent: str = "") -> str:
    """A paragraph no wider than the page."""
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent,
                         break_long_words=False, break_on_hyphens=False)


def as_json(value: Any) -> str:
    """JSON for other programs: unknown is null, NaN cannot be written."""
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)


def temperature_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--temperature degC|degF."""
    return click.option("--temperature", "temperature_unit", type=click.Choice(TEMPERATURES),
                        default=None, help="Show temperatures in this unit.")(command)
