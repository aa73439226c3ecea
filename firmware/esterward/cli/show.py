"""What every page shares: its width, masses and times in sensible digits, JSON, --temperature.

Temperatures and volumes in the person's units are said by chemistry.wording.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable
from math import isfinite
from typing import Any, Final

import click

from esterward.chemistry.wording import UNKNOWN

WIDTH: Final = 80
TEMPERATURES: Final = ("degC", "degF")
VOLUMES: Final = ("L", "gal_us", "gal_imp")


def grams(g: float | None) -> str:
    """A mass given in g, to about three digits."""
    if g is None or not isfinite(g):
        return UNKNOWN
    digits = 2 if abs(g) < 10 else 1 if abs(g) < 100 else 0
    return f"{g:.{digits}f} g"


def mass(kg: float | None) -> str:
    """A mass given in kg, below 2 kg in g."""
    if kg is None or not isfinite(kg):
        return UNKNOWN
    return grams(1000.0 * kg) if abs(kg) < 2.0 else f"{kg:.{2 if abs(kg) < 100 else 1}f} kg"


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
