"""Readings judged. Outside sources: tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from esterward.chemistry import titration
from esterward.values.batch import INDICATORS, Batch, Lot

READINGS = st.lists(st.floats(0.0, 20.0), min_size=1, max_size=12).map(tuple)


def test_three_close_readings_ask_for_nothing_more() -> None:
    got = titration.evaluate((2.9, 3.1, 3.0))
    assert (got.n, got.readings_ml) == (3, (2.9, 3.1, 3.0))
    assert got.mean_ml == pytest.approx(3.0)
    assert got.sd_ml == pytest.approx(0.1)
    assert got.spread_ml == pytest.approx(0.2)
    assert got.half_width_ml == pytest.approx(0.2484, abs=1e-4)
    assert not got.another_wanted and got.apart_ml is None


def test_one_reading_has_no_deviation_and_asks_for_more() -> None:
    got = titration.evaluate((3.0,))
    assert got.sd_ml is None and got.half_width_ml is None
    assert got.spread_ml == 0.0
    assert got.another_wanted


@pytest.mark.parametrize(("readings", "another"), [
    ((2.0, 2.2, 2.35), False),   # 0.35 mL is allowed
    ((2.0, 2.2, 2.36), True),
    ((5.0, 5.3, 5.6), False),    # 12 % of 5.3 is 0.64
    ((5.0, 5.3, 5.66), True),
])
def test_the_spread_allowed_is_the_greater_of_0_35_ml_and_12_percent(
    readings: tuple[float, ...], another: bool
) -> None:
    assert titration.evaluate(readings).another_wanted is another


@pytest.mark.parametrize(("readings", "apart"), [
    ((2.9, 3.0, 4.0), 4.0),
    ((4.0, 2.9, 3.0), 4.0),
    ((1.5, 3.0, 3.1, 2.9), 1.5),
    ((2.9, 3.2, 3.5), None),     # either end might be the wrong one
    ((2.0, 3.0, 4.0), None),     # all disagree
    ((2.0, 4.0), None),          # two cannot outvote each other
    ((3.0, 3.1, 2.9), None),
])
def test_the_reading_that_stands_apart_is_named(
    readings: tuple[float, ...], apart: float | None
) -> None:
    assert titration.evaluate(readings).apart_ml == apart


def test_a_reading_that_stands_apart_still_counts() -> None:
    got = titration.evaluate((2.9, 3.0, 4.0))
    assert got.mean_ml == pytest.approx(9.9 / 3.0)
    assert got.n == 3


def test_no_reading_is_refused() -> None:
    with pytest.raises(ValueError, match="number of titration readings must be a number from 1"):
        titration.evaluate(())


def test_sample_strength_and_blank_enter_the_titre() -> None:
    # 15.2 mL of 0.5 g/L on 2.5 mL of oil, of which 0.2 mL for the alcohol.
    assert titration.titre_g_per_l(15.2, 0.5, 2.5, 0.2) == pytest.approx(3.0)


def test_a_blank_above_the_reading_is_refused() -> None:
    with pytest.raises(ValueError, match=r"titration blank must be a number from 0 to 0\.3 mL"):
        titration.titre_g_per_l(0.3, blank_ml=0.4)


def test_a_weighed_sample_is_turned_into_millilitres() -> None:
    assert titration.sample_ml(Batch(titration_sample_g=0.918)) == pytest.approx(1.0)
    assert titration.sample_ml(Batch(titration_sample_ml=2.0)) == 2.0


@pytest.mark.parametrize(("titre", "name"), [
    (0.0, "go"), (3.0, "go"), (3.01, "go with soap and loss"), (5.5, "go with soap and loss"),
    (5.51, "two-stage or blend"), (10.0, "two-stage or blend"), (10.01, "not by base alone"),
    (100.0, "not by base alone"),
])
def test_the_zones_meet_at_their_limits(titre: float, name: str) -> None:
    assert titration.zone(titre).name == name


def test_the_zone_is_the_same_for_the_same_acid_in_naoh() -> None:
    assert titration.zone(5.5 * 39.9971 / 56.1056, "NaOH").name == "go with soap and loss"
    assert titration.zone(5.6 * 39.9971 / 56.1056, "NaOH").name == "two-stage or blend"


def test_every_zone_has_advice_and_a_source() -> None:
    for row in titration.ZONES:
        assert row.name and row.advice and row.source


def test_every_indicator_has_its_note_or_none_needed() -> None:
    assert set(titration.INDICATOR_NOTES) == set(INDICATORS)


def test_a_blend_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="a blend needs at least one lot"):
        titration.blend_titre(())


@given(READINGS)
def test_the_mean_lies_among_the_readings(readings: tuple[float, ...]) -> None:
    got = titration.evaluate(readings)
    assert min(readings) - 1e-9 <= got.mean_ml <= max(readings) + 1e-9
    assert got.half_width_ml is None or got.half_width_ml >= 0.0


@given(READINGS, st.randoms())
def test_the_order_of_readings_does_not_matter(readings: tuple[float, ...], random: object) -> None:
    shuffled = list(readings)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = titration.evaluate(readings), titration.evaluate(tuple(shuffled))
    assert one.apart_ml == other.apart_ml
    assert one.mean_ml == pytest.approx(other.mean_ml)


@given(READINGS)
def test_without_the_reading_apart_the_others_agree(readings: tuple[float, ...]) -> None:
    got = titration.evaluate(readings)
    if got.apart_ml is not None:
        rest = list(readings)
        rest.remove(got.apart_ml)
        assert max(rest) - min(rest) <= got.allowed_ml + 1e-9


@given(st.lists(st.builds(Lot, st.floats(0.1, 500.0), st.floats(0.0, 20.0)), min_size=1,
                max_size=6).map(tuple))
def test_a_blend_lies_between_its_lots(lots: tuple[Lot, ...]) -> None:
    titres = [lot.titre_ml for lot in lots]
    assert min(titres) - 1e-9 <= titration.blend_titre(lots) <= max(titres) + 1e-9
