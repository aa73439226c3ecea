"""The grammar: one number, one unit from a closed list, then Pint."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from esterward.settings.mistakes import Wrong
from esterward.settings.quantity import bounded, convert, example, quantity, range_words
from esterward.settings.units import (
    ALTITUDE,
    CONTENT,
    DENSITY,
    DIFFERENCE,
    HOURS,
    KINDS,
    MASS,
    MINUTES,
    PH,
    PRESSURE,
    RATIO,
    SHARE,
    SHORT_LENGTH,
    SMALL_VOLUME,
    TEMPERATURE,
    VOLUME,
    Kind,
)
from libraries import full_registry

# Exact or conventional factors: NIST Special Publication 811 (2008), appendix B.
NIST_SP_811 = [
    ("1 gal_us", VOLUME, 3.785411784),
    ("1 gal_imp", VOLUME, 4.54609),
    ("1 ft", ALTITUDE, 0.3048),
    ("1 lb", MASS, 453.59237),
    ("1 oz", MASS, 28.349523125),
    ("1 mbar", PRESSURE, 0.1),
    ("1 inHg", PRESSURE, 3.386389),
    ("1 mmHg", PRESSURE, 0.1333224),
    ("130 degF", TEMPERATURE, 54.444444),
    ("-40 degF", TEMPERATURE, -40.0),
    ("145 degF", TEMPERATURE, 62.777778),
    ("9 delta_degF", DIFFERENCE, 5.0),
]
# Our spelling -> the name in Pint's own full registry, where that differs.
PINTS_OWN = {"gal_us": "US_liquid_gallon", "gal_imp": "imperial_gallon", "percent": "percent",
             "fraction": "dimensionless", "delta_degree_Fahrenheit": "delta_degF",
             "ph": "dimensionless"}


@pytest.mark.parametrize(("text", "kind", "expected"), NIST_SP_811)
def test_units_have_the_factors_of_nist_sp_811(text: str, kind: Kind, expected: float) -> None:
    assert quantity(text, kind) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("kind", "unit"), [
    (kind, unit) for kind in KINDS for unit in kind.units.values()])
def test_units_agree_with_the_full_registry_of_pint(kind: Kind, unit: str) -> None:
    theirs = full_registry().Quantity(7.5, PINTS_OWN.get(unit, unit)).m_as(
        PINTS_OWN.get(kind.core, kind.core))
    assert convert(7.5, unit, kind.core) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(("text", "kind", "expected"), [
    ("120 L", VOLUME, 120.0), ("120L", VOLUME, 120.0), (" 55.5  L ", VOLUME, 55.5),
    ("400 mL", VOLUME, 0.4), ("3.0 mL", SMALL_VOLUME, 3.0), ("55 °C", TEMPERATURE, 55.0),
    ("-5.5 degC", TEMPERATURE, -5.5), ("0.5 K", DIFFERENCE, 0.5), ("20 %", SHARE, 0.2),
    ("885 hPa", PRESSURE, 88.5), ("6 mol/mol", RATIO, 6.0), ("918 kg/m3", DENSITY, 0.918),
    ("90 min", HOURS, 1.5), ("2 h", MINUTES, 120.0), ("7.2 pH", PH, 7.2),
    ("40 ppm", CONTENT, 40.0), ("55\u00a0L", VOLUME, 55.0),
])
def test_a_number_and_its_unit_become_the_core_unit(
    text: str, kind: Kind, expected: float
) -> None:
    assert quantity(text, kind) == pytest.approx(expected)


@pytest.mark.parametrize(("text", "kind", "why", "write"), [
    ("55,5 L", VOLUME, "point, not a comma", '"55.5 L"'),
    ("1,120 m", ALTITUDE, "comma", '"1120 m"'),
    ("1.234,5 L", VOLUME, "more than one decimal mark", '"120 L"'),
    ("1 120 m", ALTITUDE, "blanks inside", '"1120 m"'),
    ("1.120 m", ALTITUDE, "thousands", '"1120 m", or "1.12 m" if that is meant'),
    ("+3.675ft", ALTITUDE, "thousands", '"+3675 ft", or "3.67 ft" if that is meant'),
    ("-0001.000 m", ALTITUDE, "thousands", '"-1000 m", or "-1 m" if that is meant'),
    ("1.120", ALTITUDE, "the unit is missing", '"1120 m", or "1.12 m" if that is meant'),
    (1.120, ALTITUDE, "the unit is missing", '"1120 m", or "1.12 m" if that is meant'),
    ("1.120 M", ALTITUDE, "spelling", '"1120 m", or "1.12 m" if that is meant'),
    ("1.200 mm", SHORT_LENGTH, "thousands", '"1200 mm", or "1.2 mm" if that is meant'),
    ("1.200 mg/kg", CONTENT, "thousands", '"1200 mg/kg", or "1.2 mg/kg" if that is meant'),
    ("1.200 ppm", CONTENT, "thousands", '"1200 ppm", or "1.2 ppm" if that is meant'),
    ("24.000 ml", VOLUME, "thousands", '"24000 ml", or "24 ml" if that is meant'),
    ("1,200 mg/kg", CONTENT, "comma", '"1200 mg/kg"'),
    ("0,918 kg/L", DENSITY, "point, not a comma", '"0.918 kg/L"'),
    ("55 C", VOLUME, '"C" is not a unit of volume', '"120 L"'),
    ("55 C", TEMPERATURE, "not read as a unit of temperature", '"55 degC"'),
    ("130 F", TEMPERATURE, "not read as a unit of temperature", '"130 degF"'),
    ("54 ℃", TEMPERATURE, "not read as a unit of temperature", '"54 degC"'),
    ("5 K", TEMPERATURE, "difference", '"55 degC"'),
    ("5 degC", DIFFERENCE, "difference is wanted", '"5 K"'),
    ("9 degF", DIFFERENCE, "difference is wanted", '"9 delta_degF"'),
    ("32 gal", VOLUME, "two gallons", "gal_us"),
    ("120", VOLUME, "the unit is missing", '"120 L"'),
    (120, VOLUME, "the unit is missing", '"120 L"'),
    (55.5, VOLUME, "the unit is missing", '"55.5 L"'),
    (float("nan"), VOLUME, "not a number", '"120 L"'),
    ("nan L", VOLUME, "not a number", '"120 L"'),
    ("inf L", VOLUME, "not a number", '"120 L"'),
    ("-Infinity L", VOLUME, "not a number", '"120 L"'),
    ("1e3 L", VOLUME, "powers of ten", '"120 L"'),
    (".5 L", VOLUME, "both sides", '"0.5 L"'),
    ("5. L", VOLUME, "both sides", '"5.0 L"'),
    ("3 kg", VOLUME, "unit of mass, not of volume", '"120 L"'),
    ("120 ML", VOLUME, "spelling", '"120 mL"'),
    ("6:1", RATIO, "one number", '"6 mol/mol"'),
    ("1 h 30 min", MINUTES, "not a unit of time", '"15 min"'),
    ("0x10 L", VOLUME, "not a unit", '"120 L"'),
    ("٣ L", VOLUME, "one number and one unit", '"120 L"'),
    ("\u2212100 m", ALTITUDE, 'not the "-" of the keyboard', '"-100 m"'),
    ("\u20135 degC", TEMPERATURE, 'not the "-" of the keyboard', '"-5 degC"'),
    ("", VOLUME, "empty", '"120 L"'),
    ("9" * 500 + " L", VOLUME, "too long", '"120 L"'),
    (True, VOLUME, "in quotes", '"120 L"'),
    (None, VOLUME, "in quotes", '"120 L"'),
    (["120 L"], VOLUME, "in quotes", '"120 L"'),
])
def test_anything_else_is_refused_with_what_to_write(
    text: object, kind: Kind, why: str, write: str
) -> None:
    wrong = quantity(text, kind)
    assert isinstance(wrong, Wrong)
    assert why in wrong.why
    assert write in wrong.write


@pytest.mark.parametrize(("text", "kind", "expected"), [
    ("1.12 m", ALTITUDE, 1.12), ("1.1200 m", ALTITUDE, 1.12), ("0.500 m", ALTITUDE, 0.5),
    ("1120.500 m", ALTITUDE, 1120.5), ("1.120 km", ALTITUDE, 1120.0),
    ("0.918 kg/L", DENSITY, 0.918), ("1.234 g", MASS, 1.234), ("3.025 mL", SMALL_VOLUME, 3.025),
    ("1.500 L", VOLUME, 1.5), ("101.325 kPa", PRESSURE, 101.325),  # the standard atmosphere
])
def test_three_decimals_are_read_where_they_are_honest(
    text: str, kind: Kind, expected: float
) -> None:
    assert quantity(text, kind) == pytest.approx(expected)


def test_what_the_refusal_says_to_write_is_itself_accepted() -> None:
    for kind in KINDS:
        assert isinstance(quantity(kind.example, kind), float)


@pytest.mark.parametrize("text", ["4.9 L", "1000.1 L", "-120 L"])
def test_a_number_outside_its_range_is_refused(text: str) -> None:
    assert isinstance(bounded(text, VOLUME, 5.0, 1000.0), Wrong)


@pytest.mark.parametrize(("text", "kind", "allowed", "write"), [
    ("400", VOLUME, (0.05, 5.0), '"400 mL" if mL is meant'),
    ("918", DENSITY, (0.85, 0.98), '"918 kg/m3" if kg/m3 is meant'),
    ("0.2", SHARE, (0.1, 0.4), '"20 %" if that share is meant'),
    ("20", SHARE, (0.1, 0.4), '"20 %" if % is meant'),
    (1013, PRESSURE, (50.0, 110.0), '"1013 hPa" if hPa is meant'),
    ("nan mL", VOLUME, (0.05, 5.0), 'for example "5 L"'),
    ("\u22123 mL", SMALL_VOLUME, (0.0, 20.0), 'for example "3.0 mL"'),
    ("99999999", VOLUME, (5.0, 1000.0), 'for example "120 L"'),
    ("843.217 m", ALTITUDE, (-430.0, 5000.0), '"843.22 m" if that is meant'),
    (350.5, ALTITUDE, (-430.0, 5000.0), '"350.5 m" if that is meant'),
    (350, ALTITUDE, (-430.0, 5000.0), '"350 m" if m is meant'),
    ("40.000 mm", SHORT_LENGTH, (0.0, 200.0), '"40 mm" if that is meant'),
    ("400.000 mL", VOLUME, (0.05, 5.0), '"400 mL" if that is meant'),
    ("1,120 L", VOLUME, (1.0, 1000.0), '"1.120 L" if that is meant'),
])
def test_what_it_says_to_write_lies_in_the_range(
    text: object, kind: Kind, allowed: tuple[float, float], write: str
) -> None:
    wrong = bounded(text, kind, *allowed)
    assert isinstance(wrong, Wrong) and wrong.write == write


@given(st.sampled_from(KINDS), st.floats(-1e3, 1e3), st.floats(0.1, 1e3))
def test_an_example_of_a_range_is_accepted_in_it(kind: Kind, low: float, more: float) -> None:
    # What can be written has twelve decimals; no range has three where those are refused.
    digits = 2 if kind.no_thousandths else 12
    low, high = round(low, digits), round(low + more, digits)
    assert isinstance(bounded(example(kind, low, high), kind, low, high), float)


@pytest.mark.parametrize(("text", "value"), [("5 L", 5.0), ("1000 L", 1000.0)])
def test_both_ends_of_a_range_are_allowed(text: str, value: float) -> None:
    assert bounded(text, VOLUME, 5.0, 1000.0) == value


def test_a_limit_given_in_another_unit_is_not_missed_by_rounding() -> None:
    assert bounded("149 degF", TEMPERATURE, 30.0, 65.0) == 65.0


def test_a_range_is_told_in_the_words_of_the_file() -> None:
    assert range_words(SHARE, 0.1, 0.4) == "10 % to 40 %"
    assert range_words(VOLUME, 5.0, 1000.0) == "5 L to 1000 L"


@settings(deadline=None)  # the first example pays for importing Pint
@given(st.text(max_size=40), st.sampled_from(KINDS))
def test_no_text_at_all_gives_a_number_that_is_not_finite(text: str, kind: Kind) -> None:
    value = quantity(text, kind)
    assert isinstance(value, Wrong) or math.isfinite(value)


@settings(deadline=None)  # the first example pays for importing Pint
@given(st.from_regex(r"[+-]?[0-9.,eE_naif: ]{0,12} ?[A-Za-z°%/_3]{0,8}", fullmatch=True),
       st.sampled_from(KINDS))
def test_text_that_is_almost_right_never_raises(text: str, kind: Kind) -> None:
    value = quantity(text, kind)
    assert isinstance(value, Wrong) or math.isfinite(value)


@settings(deadline=None)  # the first example pays for importing Pint
@given(st.floats(0.001, 9e5), st.sampled_from([k for k in KINDS if k is not TEMPERATURE]))
def test_a_number_in_the_core_unit_comes_back_as_written(number: float, kind: Kind) -> None:
    unit = "%" if kind is SHARE else kind.core_word
    text = f"{number:.6f} {unit}"
    expected = float(f"{number:.6f}") * (0.01 if kind is SHARE else 1.0)
    assert quantity(text, kind) == pytest.approx(expected, rel=1e-12)
