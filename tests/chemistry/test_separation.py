"""Settling, washing, drying, dipstick. Outside sources: tests/reference."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from esterward.chemistry import separation

STICK = ((0.0, 5.0), (100.0, 20.0), (400.0, 110.0), (800.0, 200.0))


def test_the_layer_is_down_long_before_the_haze() -> None:
    layer = separation.settle_h(separation.LAYER_DROP_UM, 0.5, 45.0)
    haze = separation.settle_h(separation.HAZE_DROP_UM, 0.5, 45.0)
    assert haze == pytest.approx(25.0 * layer)
    assert layer < 1.0 < 8.0 < haze


def test_cold_fuel_settles_slower_and_deep_fuel_longer() -> None:
    assert separation.settle_h(20.0, 0.5, 20.0) > 1.5 * separation.settle_h(20.0, 0.5, 45.0)
    assert separation.settle_h(20.0, 1.0, 45.0) == pytest.approx(
        2.0 * separation.settle_h(20.0, 0.5, 45.0))


def test_a_lighter_drop_rises() -> None:
    assert separation.fall_mm_per_s(50.0, 0.8, 0.9, 3.0) < 0.0


def test_each_wash_is_a_share_of_the_fuel() -> None:
    assert separation.wash_water_l(120.0, (0.1, 0.3, 0.3)) == pytest.approx((12.0, 36.0, 36.0))


def test_fuel_that_is_drier_already_gives_no_water() -> None:
    assert separation.water_to_remove_g(100.0, 300.0, 400.0) == 0.0


def test_damp_air_cannot_dry_cold_fuel_but_warm_fuel_it_can() -> None:
    cold = separation.equilibrium_mg_per_kg(20.0, 20.0, 0.6)
    warm = separation.equilibrium_mg_per_kg(55.0, 20.0, 0.6)
    assert warm < separation.DRY_ENOUGH_MG_PER_KG < cold


@pytest.mark.parametrize(("mm", "litres"), [
    (0.0, 5.0), (50.0, 12.5), (100.0, 20.0), (250.0, 65.0), (800.0, 200.0)])
def test_the_dipstick_is_read_between_its_rows(mm: float, litres: float) -> None:
    assert separation.dipstick_mm(litres, STICK) == pytest.approx(mm)


@pytest.mark.parametrize("litres", [4.9, 200.1])
def test_the_dipstick_is_not_read_beyond_its_rows(litres: float) -> None:
    with pytest.raises(ValueError, match="volume must be a number from 5 to 200 L"):
        separation.dipstick_mm(litres, STICK)


@pytest.mark.parametrize(("rows", "why"), [
    (STICK[:1], "at least two rows"),
    ((), "at least two rows"),
    (STICK[::-1], "must rise in both columns"),
    (((0.0, 5.0), (100.0, 5.0)), "must rise in both columns"),
])
def test_a_dipstick_table_that_cannot_be_read_is_refused(
    rows: tuple[tuple[float, float], ...], why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        separation.dipstick_mm(50.0, rows)


@given(st.floats(5.0, 200.0), st.floats(5.0, 200.0))
def test_more_never_reads_lower_on_the_stick(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert 0.0 <= separation.dipstick_mm(low, STICK) <= separation.dipstick_mm(high, STICK) <= 800.0


@given(st.floats(0.0, 65.0), st.floats(0.0, 40.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_damper_air_never_dries_better(
    ester_c: float, air_c: float, one: float, other: float
) -> None:
    dry = separation.equilibrium_mg_per_kg(ester_c, air_c, min(one, other))
    assert dry <= separation.equilibrium_mg_per_kg(ester_c, air_c, max(one, other))
