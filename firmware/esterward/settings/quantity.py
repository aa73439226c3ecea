"""One number and one unit, or the reason why not.

Decides what text is a quantity: an optional sign, digits, perhaps a point and digits, blanks,
one unit from the closed list of its kind. Only then Pint converts what is neither in the core
unit already nor a percentage; its own parser never sees text that people or networks wrote (it
reads "54 C" as coulombs and "55,5 L" as 555 litres).
A mistake is a value (Wrong), so that a caller can collect all of them.
"""

from __future__ import annotations

import re
from functools import cache
from math import isfinite
from typing import Any

from esterward.chemistry.wording import Wording
from esterward.settings.mistakes import Wrong, shown
from esterward.settings.units import (
    DEFINITIONS,
    DIFFERENCE,
    KINDS,
    RATIO,
    SHARE,
    TEMPERATURE,
    Kind,
)

_NUMBER = r"[+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?"
_QUANTITY = re.compile(rf"({_NUMBER}) *([^\s0-9.,:+-]\S*)")
_BARE = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
_THOUSANDS = re.compile(r"([+-]?)0*([1-9][0-9]{0,2})\.([0-9]{3})")
_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)\b *(.*)")
_SEVERAL_COMMAS = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+){2,}\b")
_NO_NUMBER = re.compile(r"[+-]?(nan|inf|infinity)\b", re.IGNORECASE)
_HALF_NUMBER = re.compile(r"([+-]?)(\.[0-9]+|[0-9]+\.)(?![0-9]) *(.*)")
_SPACED = re.compile(r"([+-]?[0-9]{1,3}(?: [0-9]{3})+) *([^\s0-9].*)")
_RATIO = re.compile(rf"({_NUMBER}) *: *1")
_EXPONENT = re.compile(r"[+-]?[0-9.]+[eE][+-]?[0-9]+")
_CELSIUS = ("c", "℃", "deg c", "° c", "degc", "celsius", "degrees c")
_FAHRENHEIT = ("f", "℉", "deg f", "° f", "degf", "fahrenheit", "degrees f")
_MINUS = re.compile(r"[\u2010-\u2015\u2212\uFE63\uFF0D] *(.*)")  # as word processors write it
_IN_QUOTES = re.compile(r'"([^"]*)"')
_LONGEST = 80


@cache
def _registry() -> Any:
    import pint  # here, because it takes longer to load than most commands take to run

    registry: Any = pint.UnitRegistry(None)
    registry.load_definitions(DEFINITIONS.splitlines())
    return registry


def convert(number: float, unit: str, core: str) -> float:
    """A number from one Pint unit to another, e.g. (130.0, "degF", "degC") -> 54.4..."""
    if unit == core:
        return float(number)  # and a command that is told core units never loads Pint
    if unit == "percent" and core == "fraction":
        return number / 100.0  # a hundredth has no unit that Pint would be needed for
    converted: float = _registry().Quantity(float(number), unit).m_as(core)
    return converted


def wording(temperature: str = "degC", volume: str = "L") -> Wording:
    """How a person is told temperatures and volumes, in the units they prefer."""
    return Wording(temperature, volume, convert)


def quantity(text: object, kind: Kind) -> float | Wrong:
    """The number in the core unit of the kind, always finite; else what is wrong."""
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        return Wrong(f"a {kind.name} with its unit in quotes is wanted", _such_as(kind))
    if not isinstance(text, str):
        return _bare(_as_typed(text, kind), kind)
    text = text.replace("\u00a0", " ").replace("\u202f", " ").strip()
    if len(text) > _LONGEST:
        return Wrong("it is too long for a number and a unit", _such_as(kind))
    match = _QUANTITY.fullmatch(text)
    if match is None:
        return _not_a_quantity(text, kind)
    number, unit = match.groups()
    if unit not in kind.units:
        return _wrong_unit(number, unit, kind)
    if unit in kind.no_thousandths and _THOUSANDS.fullmatch(number):
        return Wrong("a point before three digits may be meant for thousands",
                     _to_write(number, unit, kind))
    value = convert(float(number), kind.units[unit], kind.core)
    if not isfinite(value):
        return Wrong("the number is not finite", _such_as(kind))
    return value + 0.0  # -0.0 becomes 0.0


def bounded(
    text: object, kind: Kind, lowest: float, highest: float
) -> float | Wrong:
    """As quantity(), and between the two (core unit, both allowed)."""
    value = quantity(text, kind)
    if isinstance(value, Wrong):
        return _advised(value, text, kind, lowest, highest)
    if not lowest - 1e-9 * abs(lowest) <= value <= highest + 1e-9 * abs(highest):
        if value < 0 <= lowest:
            return Wrong("it is negative", "")
        return Wrong("it is out of range", "")
    return min(max(value, lowest), highest)


def example(kind: Kind, lowest: float, highest: float) -> str:
    """The example of the kind, or the end of the range that is nearest to it."""
    value = quantity(kind.example, kind)
    assert isinstance(value, float)  # tests read every example
    if lowest <= value <= highest:
        return kind.example
    near = min(max(value, lowest), highest)
    return f"{_digits(near * 100)} %" if kind is SHARE else f"{_digits(near)} {kind.core_word}"


def _digits(number: float) -> str:
    """As it may be written: no power of ten, at most twelve decimals."""
    return f"{number:.12f}".rstrip("0").rstrip(".")


def _advised(wrong: Wrong, text: object, kind: Kind, lowest: float, highest: float) -> Wrong:
    """The same mistake; what it says to write is then never outside the range."""
    written = _IN_QUOTES.findall(wrong.write)
    fitting = [one for one in written if _fits(one, kind, lowest, highest)]
    if fitting:
        return wrong if fitting == written else Wrong(
            wrong.why, f'"{fitting[0]}" if that is meant')
    number = str(text).strip()
    if _BARE.fullmatch(number):
        for unit in kind.units:
            if _fits(f"{number} {unit}", kind, lowest, highest):
                return Wrong(wrong.why, f'"{number} {unit}" if {unit} is meant')
        if kind is SHARE and _fits(f"{float(number) * 100:g} %", kind, lowest, highest):
            return Wrong(wrong.why, f'"{float(number) * 100:g} %" if that share is meant')
    return Wrong(wrong.why, f'for example "{example(kind, lowest, highest)}"')


def _fits(text: str, kind: Kind, lowest: float, highest: float) -> bool:
    value = quantity(text, kind)
    return not isinstance(value, Wrong) and lowest <= value <= highest


def range_words(kind: Kind, lowest: float, highest: float) -> str:
    """The allowed range as a person writes it, e.g. "5 L to 1000 L"."""
    if kind is SHARE:
        return f"{lowest * 100:g} % to {highest * 100:g} %"
    return f"{lowest:g} {kind.core_word} to {highest:g} {kind.core_word}"


def _such_as(kind: Kind) -> str:
    return f'for example "{kind.example}"'


def _as_typed(number: float, kind: Kind) -> str:
    """A number without quotes; TOML's 1.120 comes as 1.12, and its point may mean thousands too."""
    if isinstance(number, float) and next(iter(kind.units)) in kind.no_thousandths and (
        number == round(number, 3) and _THOUSANDS.fullmatch(f"{number:.3f}")
    ):
        return f"{number:.3f}"
    return str(number)


def _to_write(number: str, unit: str, kind: Kind) -> str:
    """The two in quotes; both readings where the point may be meant for thousands."""
    thousands = _THOUSANDS.fullmatch(number)
    if thousands is None or unit not in kind.no_thousandths:
        return f'"{number} {unit}"'
    sign, whole, part = thousands.groups()
    fraction = _digits(round(float(number), 2))
    return f'"{sign}{whole}{part} {unit}", or "{fraction} {unit}" if that is meant'


def _bare(number: str, kind: Kind) -> Wrong:
    if not _BARE.fullmatch(number):
        return Wrong(f"{shown(number)} is not a number that can be used", _such_as(kind))
    units = units_words(kind)
    first = next(iter(kind.units))
    write = _to_write(number, first, kind)
    return Wrong(f"the unit is missing ({units})",
                 write if "meant" in write else f"{write} if {first} is meant")


def units_words(kind: Kind) -> str:
    """The units as one may write them, each once."""
    seen: dict[str, str] = {}
    for spelling, unit in kind.units.items():
        seen.setdefault(unit, spelling)
    words = list(seen.values())
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def _not_a_quantity(text: str, kind: Kind) -> Wrong:
    """The text has not the form of number and unit: say what was probably meant."""
    example = _such_as(kind)
    if not text:
        return Wrong("it is empty", example)
    if _NO_NUMBER.match(text):
        return Wrong("that is not a number", example)
    if _BARE.fullmatch(text):
        return _bare(text, kind)
    if _SEVERAL_COMMAS.match(text):
        return Wrong("it has more than one decimal mark", example)
    comma = _COMMA.fullmatch(text)
    if comma:
        whole, part, unit = comma.groups()
        unit = unit if unit in kind.units else next(iter(kind.units))
        if _THOUSANDS.fullmatch(f"{whole}.{part}"):
            if unit in kind.no_thousandths:
                return Wrong("a comma is not allowed in a number", f'"{whole}{part} {unit}"')
            return Wrong("a comma is not allowed in a number",
                         f'"{whole}{part} {unit}" or "{whole}.{part} {unit}"')
        return Wrong("the decimal mark is a point, not a comma", f'"{whole}.{part} {unit}"')
    minus = _MINUS.fullmatch(text)
    if minus:
        return Wrong('the minus sign is not the "-" of the keyboard', f'"-{minus[1]}"')
    half = _HALF_NUMBER.fullmatch(text)
    if half:
        sign, digits, unit = half.groups()
        whole = f"0{digits}" if digits.startswith(".") else f"{digits}0"
        unit = unit if unit in kind.units else next(iter(kind.units))
        return Wrong("digits are wanted on both sides of the point", f'"{sign}{whole} {unit}"')
    if _EXPONENT.match(text):
        return Wrong("powers of ten are not read here", example)
    spaced = _SPACED.fullmatch(text)
    if spaced:
        return Wrong("there are blanks inside the number",
                     f'"{spaced[1].replace(" ", "")} {spaced[2]}"')
    ratio = _RATIO.fullmatch(text)
    if ratio and kind is RATIO:
        return Wrong("a ratio is one number here", f'"{ratio[1]} mol/mol"')
    match = re.fullmatch(rf"({_NUMBER}) *([^0-9.,].*)", text)
    if match:
        return _wrong_unit(match[1], match[2], kind)
    return Wrong("one number and one unit are wanted", example)


def _wrong_unit(number: str, unit: str, kind: Kind) -> Wrong:
    low = unit.lower()
    if kind.name == TEMPERATURE.name:  # by name: an observation has an example of its own
        if low in _CELSIUS or low in _FAHRENHEIT:
            word = "degC" if low in _CELSIUS else "degF"
            return Wrong(f"{shown(unit)} is not read as a unit of temperature",
                         f'"{number} {word}"')
        if unit in DIFFERENCE.units:
            return Wrong("that is a temperature difference, a temperature is wanted",
                         _such_as(kind))
    if kind is DIFFERENCE and (unit in TEMPERATURE.units or low in _CELSIUS + _FAHRENHEIT):
        delta = "delta_degF" if low in (*_FAHRENHEIT, "°f") else "K"
        return Wrong("a temperature difference is wanted, not a temperature",
                     f'"{number} {delta}"')
    if "gal_us" in kind.units and low in ("gal", "gallon", "gallons"):
        return Wrong("there are two gallons",
                     f'"{number} gal_us" (3.785 L) or "{number} gal_imp" (4.546 L)')
    meant = next((known for known in kind.units if known.lower() == low), "")
    if meant:
        return Wrong(f"{shown(unit)} is not the spelling of the unit",
                     _to_write(number, meant, kind))
    other = next((k.name for k in KINDS if unit in k.units and k.name != kind.name), "")
    why = f"{shown(unit)} is a unit of {other}, not of {kind.name}" if other else (
        f"{shown(unit)} is not a unit of {kind.name}")
    return Wrong(f"{why} ({units_words(kind)})", _such_as(kind))
