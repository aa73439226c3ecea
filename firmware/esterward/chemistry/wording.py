"""Temperatures and volumes as the person prefers to read them, in sentences and on the sheet.

Decides digits and which way to round; knows no file and no library of units: degC and L need
no conversion, for the others the caller hands one in (settings.quantity.wording does).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite
from typing import Final

from esterward.values.rounding import down

UNKNOWN: Final = "not known"
SMALL_L: Final = 2.0  # below it a volume is told in mL, so that nobody reads 0.1 L for 80 mL

Convert = Callable[[float, str, str], float]  # number, from this unit, to that one


@dataclass(frozen=True, slots=True)
class Wording:
    """temperature is degC or degF, volume L, gal_us or gal_imp."""

    temperature: str = "degC"
    volume: str = "L"
    convert: Convert | None = None

    def _as(self, number: float, core: str, unit: str) -> float:
        if unit == core:
            return number
        if self.convert is None:
            raise ValueError(f"nothing here turns {core} into {unit}")
        return self.convert(number, core, unit)

    def deg(self, c: float | None) -> str:
        """A temperature of degC, to a tenth."""
        if c is None or not isfinite(c):
            return UNKNOWN
        return f"{self._as(c, 'degC', self.temperature):.1f} {self.temperature}"

    def limit(self, c: float | None) -> str:
        """As deg(), rounded down: a limit must not grow by being printed."""
        if c is None or not isfinite(c):
            return UNKNOWN
        return f"{down(self._as(c, 'degC', self.temperature)):.1f} {self.temperature}"

    def asked(self, c: float) -> str:
        """A temperature of degC that somebody wrote: to a hundredth, no idle zeros."""
        return f"{_tidy(self._as(c, 'degC', self.temperature))} {self.temperature}"

    def rise(self, k: float) -> str:
        """A temperature difference in K, as K or as that many degrees Fahrenheit."""
        if self.temperature == "degC":
            return f"{_tidy(k, 1 if abs(k) < 10.0 else 0)} K"
        degrees = self._as(k, "K", "delta_degree_Fahrenheit")
        return f"{_tidy(degrees, 1 if abs(degrees) < 10.0 else 0)} {self.temperature}"

    def vol(self, litres: float | None) -> str:
        """A volume of L."""
        if litres is None or not isfinite(litres):
            return UNKNOWN
        number, unit = self._volume(litres)
        return f"{number} {unit}"

    def vols(self, low_l: float, high_l: float) -> str:
        """A range of volumes of L, the unit once where both have the same."""
        (low, unit), (high, other) = self._volume(low_l), self._volume(high_l)
        return f"{low} to {high} {other}" if unit == other else f"{low} {unit} to {high} {other}"

    def asked_vol(self, litres: float) -> str:
        """A volume of L that somebody wrote: to a hundredth, no idle zeros."""
        return f"{_tidy(self._as(litres, 'L', self.volume))} {self.volume}"

    def most_vol(self, litres: float) -> str:
        """The most that is allowed, rounded down, as it may be written in a file."""
        number = self._as(litres, "L", self.volume)
        return f"{down(number, 1 if self.volume == 'L' else 2):g} {self.volume}"

    def _volume(self, litres: float) -> tuple[str, str]:
        if abs(litres) < SMALL_L:
            return f"{litres * 1000.0:.0f}", "mL"
        if self.volume == "L":
            return f"{litres:.1f}", "L"
        return f"{self._as(litres, 'L', self.volume):.2f}", self.volume


METRIC: Final = Wording()


def _tidy(value: float, digits: int = 2) -> str:
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
